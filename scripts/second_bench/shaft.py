"""Speed, angle and mains phase of one run, drawn as curves (no equation of motion)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator

from second_bench.grains import F32, F64, wander

#: Speed share that counts as "at speed".
AT_SPEED = 0.98


@dataclass(frozen=True, slots=True)
class Timing:
    """What the run shall do; times in s, speeds as shares of the running speed.

    ``coast_knots`` are speed shares at 0, 1/6 ... 1 of the coast-down.
    ``open_share``/``close_share`` are of *synchronous* speed, None: no event.
    ``recorded_s`` may end the clip early.
    """

    mains_hz: float
    poles: int
    slip: float
    lead_s: float
    run_up_s: float
    steady_s: float
    coast_s: float
    tail_s: float
    bend: float = 9.0
    middle: float = 0.42
    kink: float = 1.2
    coast_knots: tuple[float, ...] = (1.0, 0.8, 0.62, 0.45, 0.3, 0.14, 0.0)
    open_share: float | None = 0.75
    close_share: float | None = 0.5
    unrest: float = 3e-4
    sag: float = 0.0
    starts: bool = True
    by_hand_hz: float | None = None
    recorded_s: float | None = None


@dataclass(frozen=True, slots=True)
class Marks:
    """Events, s; None where there is none."""

    on_s: float | None
    at_speed_s: float | None
    off_s: float | None
    rest_s: float | None
    open_s: float | None
    close_s: float | None
    running_hz: float | None
    duration_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """One run at audio rate.

    Attributes
    ----------
    share : shape (n,), speed over running speed
    turns : shape (n,), shaft angle, turns
    line : shape (n,), mains phase, cycles
    power, starting : shape (n,), 0..1: mains on, start winding on
    """

    rate_hz: float
    share: F32
    turns: F64
    line: F64
    power: F32
    starting: F32
    marks: Marks
    by_hand: bool

    @property
    def size(self) -> int:
        """Samples."""
        return int(self.share.size)

    def window(self, phase: str) -> slice:
        """Samples of ``run_up``, ``steady``, ``coast_down`` or ``turning``."""
        marks, end = self.marks, self.marks.duration_s
        if self.by_hand:
            spin = marks.rest_s if marks.rest_s is not None else end
            start = float(np.argmax(self.share > 0.9)) / self.rate_hz
            bounds = (start, start + 0.6 * (spin - start))
        elif phase == "run_up":
            bounds = (marks.on_s or 0.0, marks.at_speed_s or marks.off_s or end)
        elif phase == "steady":
            start = marks.at_speed_s if marks.at_speed_s is not None else marks.on_s or 0.0
            bounds = (start, end if marks.off_s is None else marks.off_s)
        elif phase == "coast_down":
            bounds = (
                end if marks.off_s is None else marks.off_s,
                end if marks.rest_s is None else marks.rest_s,
            )
        else:
            bounds = (marks.on_s or 0.0, end if marks.rest_s is None else marks.rest_s)
        lo = max(0, int(bounds[0] * self.rate_hz))
        hi = min(self.size, int(bounds[1] * self.rate_hz))
        return slice(lo, max(hi, min(self.size, lo + int(0.1 * self.rate_hz))))


def _rising(timing: Timing, grid_s: F64, open_u: float) -> F64:
    """Logistic run-up, a little slower once the start winding has left."""
    u = grid_s / timing.run_up_s
    late = np.maximum(u - open_u, 0.0)
    u = np.where(u > open_u, open_u + late / timing.kink, u)
    raw = 1.0 / (1.0 + np.exp(-timing.bend * (u - timing.middle)))
    foot = 1.0 / (1.0 + np.exp(timing.bend * timing.middle))
    return np.asarray(np.maximum(0.0, (raw - foot) / (1.0 - foot)))


def _first_over(share: F64, level: float, step_s: float) -> float:
    index = int(np.argmax(share >= level))
    return index * step_s if share[index] >= level else float("nan")


def _run_up(timing: Timing, step_s: float) -> tuple[F64, float, float]:
    """Run-up on a grid, scaled so that it is at speed after ``run_up_s``."""
    grid = np.arange(0.0, 4.0 * timing.run_up_s + 1.0, step_s)
    target = None if timing.open_share is None else timing.open_share / (1.0 - timing.slip)
    raw = _rising(timing, grid, np.inf)
    open_u = np.inf if target is None else _first_over(raw, target, step_s) / timing.run_up_s
    raw = _rising(timing, grid, open_u)
    stretch = timing.run_up_s / _first_over(raw, AT_SPEED, step_s)
    share = np.interp(grid, grid * stretch, raw)
    opened = float("nan") if target is None else _first_over(share, target, step_s)
    return share, opened, timing.run_up_s


def _coasting(timing: Timing, step_s: float) -> F64:
    count = max(2, round(timing.coast_s / step_s))
    u = np.arange(count + 1) / count
    knots = np.linspace(0.0, 1.0, len(timing.coast_knots))
    return np.asarray(PchipInterpolator(knots, timing.coast_knots)(u).clip(0.0, 1.0))


def _powered_course(
    rng: np.random.Generator, timing: Timing, step_s: float
) -> tuple[F64, dict[str, float]]:
    rise, opened, at_speed = _run_up(timing, step_s)
    on_s, powered_s = timing.lead_s, timing.run_up_s + timing.steady_s
    off_s = on_s + powered_s
    rest_s = off_s + timing.coast_s
    count = int((rest_s + timing.tail_s) / step_s) + 2
    share = np.zeros(count)
    events = {"on": on_s, "off": off_s}
    if not timing.starts:
        return share[: int((off_s + timing.tail_s) / step_s) + 2], events
    start, stop = int(on_s / step_s), int(off_s / step_s)
    climb = np.pad(rise, (0, max(0, stop - start - rise.size)), mode="edge")[: stop - start]
    if timing.sag > 0:
        late = np.maximum(0.0, np.arange(climb.size) * step_s - timing.run_up_s)
        climb = climb * (1.0 - timing.sag * np.minimum(1.0, late / (0.8 * timing.steady_s)))
    unrest = wander(rng, climb.size, 1.0 / step_s, timing.unrest, 0.6)
    share[start:stop] = climb * (1.0 + unrest)
    fall = share[stop - 1] * _coasting(timing, step_s)
    share[stop : stop + fall.size] = fall[: count - stop]
    events |= {"at_speed": on_s + at_speed, "rest": rest_s}
    if np.isfinite(opened):
        events["open"] = on_s + opened
    if timing.close_share is not None:
        level = timing.close_share / (1.0 - timing.slip)
        below = np.nonzero(fall < level)[0]
        if below.size and fall[0] > level:
            events["close"] = off_s + below[0] * step_s
    return share, events


def _hand_course(timing: Timing, step_s: float) -> tuple[F64, dict[str, float]]:
    """Pushed up within ``run_up_s``, then left alone."""
    push = np.sin(0.5 * np.pi * np.arange(0.0, 1.0, step_s / timing.run_up_s)) ** 2
    fall = _coasting(timing, step_s)
    share = np.concatenate(
        [np.zeros(int(timing.lead_s / step_s)), push, fall, np.zeros(int(timing.tail_s / step_s))]
    )
    return share, {"rest": timing.lead_s + timing.run_up_s + timing.coast_s}


def _gate(n: int, rate_hz: float, on_s: float, off_s: float, die_s: float) -> F32:
    at = np.arange(n, dtype=np.float32) / np.float32(rate_hz)
    rise = np.clip((at - on_s) / 0.002, 0.0, 1.0)
    fall = np.exp(-np.maximum(at - off_s, 0.0) / die_s)
    return np.asarray(rise * fall, dtype=np.float32)


def course(rng: np.random.Generator, timing: Timing, rate_hz: float) -> Course:
    """Draw one run at audio rate.

    Events after the end of the recording are None.
    """
    step_s = 0.002
    by_hand = timing.by_hand_hz is not None
    if by_hand:
        share, events = _hand_course(timing, step_s)
    else:
        share, events = _powered_course(rng, timing, step_s)
    full_s = (share.size - 1) * step_s
    duration_s = full_s if timing.recorded_s is None else min(full_s, timing.recorded_s)
    n = int(duration_s * rate_hz)
    fine = np.interp(np.arange(n) / rate_hz, np.arange(share.size) * step_s, share)
    sync_hz = 2.0 * timing.mains_hz / timing.poles
    running_hz = timing.by_hand_hz or sync_hz * (1.0 - timing.slip)
    turns = rng.uniform() + np.cumsum(fine) * (running_hz / rate_hz)
    drift = 1.0 + 2e-5 * wander(rng, n, rate_hz, 1.0, 5.0)
    line = rng.uniform() + np.cumsum(drift, dtype=np.float64) * (timing.mains_hz / rate_hz)
    got = {name: when for name, when in events.items() if when < n / rate_hz}
    off_s = events.get("off", np.inf)
    power = np.zeros(n, dtype=np.float32)
    starting = power
    if not by_hand:
        die_s = rng.uniform(0.003, 0.012)
        power = _gate(n, rate_hz, events["on"], off_s, die_s)
        opened = events.get("open", off_s if timing.starts else np.inf)
        starting = _gate(n, rate_hz, events["on"], min(opened, off_s), die_s)
    steady_hz = running_hz
    if "at_speed" in got and not by_hand:
        lo, hi = int(got["at_speed"] * rate_hz), int(min(off_s * rate_hz, n - 1))
        steady_hz = running_hz * float(np.mean(fine[lo:hi])) if hi > lo else running_hz
    marks = Marks(
        on_s=got.get("on"),
        at_speed_s=got.get("at_speed"),
        off_s=got.get("off"),
        rest_s=got.get("rest"),
        open_s=got.get("open"),
        close_s=got.get("close"),
        running_hz=steady_hz if by_hand or "at_speed" in got else None,
        duration_s=n / rate_hz,
    )
    return Course(rate_hz, fine.astype(np.float32), turns, line, power, starting, marks, by_hand)
