"""Speed against time as drawn curves: run-ups, sags and coast-downs of several shapes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from fourth_bench.tools import F32, F64, I64, log_uniform

CTRL_HZ = 500
AT_SPEED = 0.98


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """One run: when the power is on and how fast the shaft turns.

    Attributes
    ----------
    rate_hz, n : Hz and samples of the sound
    speed_hz : turns per second at ``CTRL_HZ``, shape (controls,)
    power : 0..1 at ``CTRL_HZ``
    turn : turns since the start, shape (n,), never falling
    ref_hz : running speed, or the fastest of a hand spin, 1/s
    """

    rate_hz: int
    n: int
    speed_hz: F32
    power: F32
    turn: F64
    ref_hz: float
    sync_hz: float
    on_s: float | None
    at_speed_s: float | None
    off_s: float | None
    rest_s: float | None
    open_s: float | None
    close_s: float | None

    @property
    def seconds(self) -> F64:
        """Times of the control grid."""
        return np.asarray(np.arange(self.speed_hz.size) / CTRL_HZ)

    @property
    def share(self) -> F32:
        """Speed over running speed on the control grid."""
        return np.asarray(self.speed_hz / self.ref_hz, dtype=np.float32)

    def up(self, curve: F32 | F64) -> F32:
        """Control curve at the sample rate, shape (n,)."""
        x = np.arange(self.n) * (CTRL_HZ / self.rate_hz)
        return np.interp(x, np.arange(curve.size), curve).astype(np.float32)

    def at(self, curve: F32 | F64, samples: I64) -> F64:
        """Control curve at some samples."""
        return np.interp(
            np.asarray(samples) * (CTRL_HZ / self.rate_hz), np.arange(curve.size), curve
        )

    def frames(self, curve: F32, times_s: F64) -> F32:
        """Control curve at frame times as a column, shape (frames, 1)."""
        return np.interp(times_s, self.seconds, curve).astype(np.float32)[:, None]

    def when(self, turns: F64) -> I64:
        """Samples at which the shaft has made so many turns; those never reached are left out."""
        turns = turns[(turns > self.turn[0]) & (turns < self.turn[-1])]
        return np.searchsorted(self.turn, turns)

    @property
    def turns(self) -> float:
        """Turns of the whole clip."""
        return float(self.turn[-1])

    def span(self, name: str) -> slice:
        """Samples of a phase; ``turning`` is everything that moves."""
        moving = np.flatnonzero(self.speed_hz > 0.02 * self.ref_hz)
        first, last = (moving[0], moving[-1]) if moving.size else (0, self.speed_hz.size - 1)
        start, end = first / CTRL_HZ, last / CTRL_HZ
        if self.on_s is not None and self.off_s is not None and moving.size:
            known = {
                "run_up": (self.on_s, self.at_speed_s),
                "steady": (self.at_speed_s, self.off_s),
                "coast_down": (self.off_s, self.rest_s or self.n / self.rate_hz),
                "powered": (self.on_s, self.off_s),
            }
            a, b = known.get(name, (start, end))
            if a is not None and b is not None:
                start, end = a, b
        elif self.on_s is not None and self.off_s is not None:
            start, end = self.on_s, self.off_s
        return slice(int(start * self.rate_hz), max(int(end * self.rate_hz), 64))


def run_up_shape(rng: Generator, x: F64) -> F64:
    """From 0 to 1 over ``x`` from 0 to 1, one of five shapes."""
    kind = rng.integers(5)
    if kind == 0:
        a = rng.uniform(2.0, 4.5)
        return (1 - np.exp(-a * x)) / (1 - np.exp(-a))
    if kind == 1:
        bend = rng.uniform(0.02, 0.15)
        return np.minimum(1.0, x) - bend * np.sin(2 * np.pi * x) * x
    if kind == 2:
        p, q = rng.uniform(1.2, 2.4, 2)
        return x**p / (x**p + (1 - x) ** q + 1e-9)
    if kind == 3:
        k, m = rng.uniform(5, 9), rng.uniform(0.35, 0.6)
        y = 1 / (1 + np.exp(-k * (x - m)))
        return (y - y[0]) / (y[-1] - y[0])
    knee, level = rng.uniform(0.35, 0.7), rng.uniform(0.55, 0.85)
    return np.interp(x, [0, knee, 1], [0, level, 1])


def coast_shape(rng: Generator, x: F64) -> F64:
    """From 1 to 0 over ``x`` from 0 to 1, one of five shapes, always falling."""
    kind = rng.integers(5)
    if kind == 0:
        return 1 - x
    if kind == 1:
        a = rng.uniform(1.0, 3.2)
        return (np.exp(-a * x) - np.exp(-a)) / (1 - np.exp(-a))
    if kind == 2:
        b = rng.uniform(0.8, 4.0)
        return (1 / (1 + b * x) - 1 / (1 + b)) / (1 - 1 / (1 + b))
    if kind == 3:
        return (1 - x) ** rng.uniform(0.55, 0.9)
    # a long easy run, then something bites near the end
    bite, left = rng.uniform(0.7, 0.92), rng.uniform(0.12, 0.35)
    a = rng.uniform(0.5, 2.0)
    easy = 1 - (1 - left) * (1 - np.exp(-a * x / bite)) / (1 - np.exp(-a))
    return np.where(x < bite, easy, left * np.clip((1 - x) / (1 - bite), 0, 1) ** 0.8)


def _first(seconds: F64, hit: np.ndarray) -> float | None:
    found = np.flatnonzero(hit)
    return float(seconds[found[0]]) if found.size else None


def _whole(rate_hz: int, length_s: float, speed: F64, power: F64) -> tuple[int, F32, F32, F64]:
    n = int(length_s * rate_hz)
    x = np.arange(n) * (CTRL_HZ / rate_hz)
    fine = np.interp(x, np.arange(speed.size), speed)
    turn = np.cumsum(fine) / rate_hz
    return n, speed.astype(np.float32), power.astype(np.float32), turn


@dataclass(frozen=True, slots=True)
class Times:
    """Lengths of the phases of a powered run, s, and what is odd about it."""

    lead_s: float
    run_up_s: float
    steady_s: float
    coast_s: float
    tail_s: float
    starts: bool = True
    sag: float = 0.0
    plateau: float = 0.0
    load: float = 0.0

    @property
    def length_s(self) -> float:
        """Whole clip, s."""
        return self.lead_s + self.run_up_s + self.steady_s + self.coast_s + self.tail_s


def powered(
    rng: Generator,
    rate_hz: int,
    sync_hz: float,
    run_hz: float,
    times: Times,
    switch: tuple[float | None, float | None],
) -> Motion:
    """Build a run; ``switch`` holds the shares of synchronous speed of the two clicks."""
    seconds = np.arange(int(times.length_s * CTRL_HZ) + 2) / CTRL_HZ
    on = times.lead_s
    full = on + times.run_up_s
    off = full + times.steady_s
    x = np.clip((seconds - on) / times.run_up_s, 0.0, 1.0)
    speed = np.maximum.accumulate(run_up_shape(rng, x)) * run_hz
    if times.sag > 0:
        fall = np.clip((seconds - full) / (0.85 * times.steady_s), 0, 1) ** rng.uniform(0.8, 2)
        speed = speed * (1 - times.sag * fall)
    if times.load > 0:
        rough = np.interp(seconds, np.linspace(0, seconds[-1], 60), rng.random(60))
        biting = np.clip((seconds - full) / 0.4, 0, 1)
        speed = speed * (1 - times.load * biting * (0.5 + 0.5 * rough))
    if not times.starts:
        top = times.plateau * run_hz
        speed = top * (1 - np.exp(-np.clip(seconds - on, 0, None) / 0.6))
    # the supply and the drag are never quite steady
    flutter = np.interp(seconds, np.linspace(0, seconds[-1], 40), rng.normal(0, 4e-4, 40))
    speed = speed * (1 + flutter)
    at_off = float(np.interp(off, seconds, speed))
    y = np.clip((seconds - off) / times.coast_s, 0.0, 1.0)
    speed = np.where(seconds < off, speed, at_off * coast_shape(rng, y))
    power = ((seconds >= on) & (seconds < off)).astype(float)
    n, speed32, power32, turn = _whole(rate_hz, times.length_s, speed, power)
    running = float(np.median(speed[(seconds > full) & (seconds < off)])) if times.starts else 0
    at_speed = open_s = close_s = rest = None
    if times.starts:
        at_speed = _first(seconds, (seconds > on) & (speed >= AT_SPEED * run_hz))
        rest = off + times.coast_s
        if switch[0] is not None:
            open_s = _first(seconds, (seconds > on) & (speed >= switch[0] * sync_hz))
        if switch[1] is not None:
            close_s = _first(seconds, (seconds > off) & (speed <= switch[1] * sync_hz))
    return Motion(
        rate_hz, n, speed32, power32, turn, running or run_hz, sync_hz,
        on, at_speed, off, rest, open_s, close_s,
    )  # fmt: skip


def hand_spin(rng: Generator, rate_hz: int, sync_hz: float) -> Motion:
    """A push by hand, a free run and rest; sometimes pushed in two goes."""
    peak = log_uniform(rng, 1.4, 6.5)
    lead, push = rng.uniform(0.5, 2.0), rng.uniform(0.15, 0.5)
    coast = log_uniform(rng, 1.6, 7.5)
    length = max(6.0, lead + push + coast + rng.uniform(0.6, 1.8))
    seconds = np.arange(int(length * CTRL_HZ) + 2) / CTRL_HZ
    x = np.clip((seconds - lead) / push, 0, 1)
    rise = peak * np.sin(0.5 * np.pi * x) ** rng.uniform(1.0, 2.2)
    if rng.random() < 0.25:
        rise *= 1 - 0.3 * np.exp(-np.square((x - 0.5) / 0.15))
    y = np.clip((seconds - lead - push) / coast, 0, 1)
    speed = np.where(x < 1, rise, peak * coast_shape(rng, y))
    n, speed32, power32, turn = _whole(rate_hz, length, speed, np.zeros(seconds.size))
    rest = lead + push + coast
    return Motion(
        rate_hz, n, speed32, power32, turn, peak, sync_hz,
        None, None, None, rest, None, None,
    )  # fmt: skip
