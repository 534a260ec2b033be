"""What is drawn for a clip before anything sounds; by (seed, index) alone."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from second_bench import names

from fifth_bench import bearings, breakers, burrs, impellers, makers, others, phones, rooms
from fifth_bench.basics import Rng
from fifth_bench.makers import Maker
from fifth_bench.motion import Timing
from fifth_bench.phones import Phone
from fifth_bench.rooms import Room

MECHANISMS = {
    "bearing_noise": bearings.MECHANISMS,
    "impeller_rub": impellers.MECHANISMS,
    "pre_breaker_wobble": breakers.MECHANISMS,
    "burr_contact": burrs.MECHANISMS,
}
KINDS = ("usable", "problems", "hand_spin", "all")
MACHINES, ROOMS, PHONES = 260, 70, 90
#: Mechanisms that make no sense where burrs are closed by hand, or without power.
NOT_SETTING = ("warming_touch", "thrust_kiss")
NOT_BY_HAND = ("warming_touch", "thrust_kiss", "walking_fan")
Touches = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Plan:
    """One clip."""

    seed: int
    index: int
    maker: Maker
    room: Room
    phone: Phone
    stage: str
    mains_hz: float
    timing: Timing
    faults: dict[str, tuple[str, float]]
    other: tuple[str, float] | None
    problem: str | None
    touches: Touches | None
    snr_db: float
    distance_m: float
    peak: float

    def rng(self, part: int) -> Rng:
        """Chance for one part of the clip, independent of the other parts."""
        return np.random.default_rng([5, self.seed, self.index, part])


def draw(seed: int, index: int, kind: str) -> Plan:
    """The plan of clip ``index``."""
    rng = np.random.default_rng([5, seed, index])
    maker = makers.draw(seed, int(rng.integers(MACHINES)))
    stage = _stage(rng, kind)
    by_hand = stage == "hand_spin"
    faults = _faults(rng, stage)
    other = _other(rng, stage) if rng.random() < 0.11 else None
    if other is not None:
        faults = {f: (m, round(min(s, rng.uniform(0.02, 0.18)), 4)) for f, (m, s) in faults.items()}
        faults = faults if rng.random() < 0.4 else {}
    if other is not None and other[0] in ("did_not_start", "start_switch_stuck_open"):
        faults = {}
    timing = _by_hand(rng) if by_hand else _timing(rng, maker, faults)
    timing = _changed(rng, timing, other)
    touches = _touches(rng, timing, faults) if stage == "burr_setting" else None
    plan = Plan(
        seed=seed, index=index, maker=maker, room=rooms.draw(seed, int(rng.integers(ROOMS))),
        phone=phones.draw(seed, int(rng.integers(PHONES))), stage=stage,
        mains_hz=maker.mains_hz * (1 + rng.normal(0, 3e-4)), timing=timing, faults=faults,
        other=other, problem=None, touches=touches,
        snr_db=float(rng.uniform(7, 26) if by_hand else np.clip(rng.normal(24, 9), 8, 44)),
        distance_m=float(np.exp(rng.uniform(np.log(0.2), np.log(2.0)))),
        peak=float(np.exp(rng.uniform(np.log(0.06), np.log(0.97)))),
    )  # fmt: skip
    if kind == "problems" or (kind == "all" and rng.random() < 0.25):
        return afflicted(rng, plan, str(names.PROBLEMS[int(rng.integers(len(names.PROBLEMS)))]))
    return plan


def _stage(rng: Rng, kind: str) -> str:
    if kind == "hand_spin":
        return "hand_spin"
    shares = [0.05, 0.2, 0.68, 0.07] if kind != "problems" else [0.0, 0.2, 0.8, 0.0]
    return str(rng.choice(names.STAGES, p=shares))


def _mechanism(rng: Rng, fault: str, stage: str) -> str:
    barred = {"burr_setting": NOT_SETTING, "hand_spin": NOT_BY_HAND}.get(stage, ())
    return str(rng.choice([m for m in MECHANISMS[fault] if m not in barred]))


def _faults(rng: Rng, stage: str) -> dict[str, tuple[str, float]]:
    possible = list(rng.permutation(list(names.POSSIBLE[stage])))
    found: dict[str, float] = {}
    if rng.random() < 0.64:
        found[str(possible.pop())] = rng.uniform(0.2, 1.0)
        if rng.random() < 0.16:
            found[str(possible.pop())] = rng.uniform(0.2, 1.0)
        traces = rng.choice([0, 1], p=[0.75, 0.25])
    else:
        traces = rng.choice([0, 1, 2], p=[0.45, 0.35, 0.2])
    for _ in range(min(int(traces), len(possible))):
        found[str(possible.pop())] = rng.uniform(0.02, 0.19)
    return {f: (_mechanism(rng, f, stage), round(float(s), 4)) for f, s in found.items()}


def _other(rng: Rng, stage: str) -> tuple[str, float]:
    pool = others.BY_HAND if stage == "hand_spin" else tuple(names.OTHERS)
    if stage == "motor_only":
        pool = tuple(name for name in pool if name not in others.CHAMBER)
    return str(rng.choice(pool)), round(float(rng.uniform(0.25, 1.0)), 4)


def _timing(rng: Rng, maker: Maker, faults: dict[str, tuple[str, float]]) -> Timing:
    run_up_s = maker.run_up_s * rng.uniform(0.9, 1.1)
    rubbing = max([faults.get(f, ("", 0.0))[1] for f in ("impeller_rub", "burr_contact")])
    coast_s = maker.coast_s * rng.uniform(0.88, 1.1) * (1 - rng.uniform(0, 0.45) * rubbing)
    coast_s = max(float(coast_s), 0.9)
    on_s = float(np.clip(rng.gamma(2.5, 0.5), 0.35, 4.0))
    rest_s = float(np.clip(rng.gamma(2.0, 0.5), 0.3, 3.0))
    steady_s = float(np.clip(rng.gamma(5.0, 1.0), 2.4, 10.0))
    left_s = 22.0 - on_s - run_up_s - coast_s - rest_s
    steady_s = max(min(steady_s, left_s), 2.2)
    off_s = on_s + run_up_s + steady_s
    return Timing(
        runs=((on_s, off_s),), length_s=max(off_s + coast_s + rest_s, 6.0),
        run_up_s=run_up_s, coast_s=coast_s, drag_split=maker.drag_split,
        slip=float(np.clip(maker.slip * rng.uniform(0.85, 1.2), 0.0015, 0.045)),
        breakdown_slip=maker.breakdown_slip, open_share=maker.open_share,
        close_share=maker.close_share,
    )  # fmt: skip


def _by_hand(rng: Rng) -> Timing:
    on_s = float(rng.uniform(0.4, 2.0))
    coast_s = float(np.exp(rng.uniform(np.log(1.2), np.log(10.0))))
    split = rng.dirichlet([5.0, 1.5, 0.3])
    push_s = float(rng.uniform(0.12, 0.4))
    return Timing(
        runs=((on_s, on_s),), length_s=max(on_s + push_s + coast_s + rng.uniform(0.5, 2), 6.0),
        run_up_s=push_s, coast_s=coast_s, drag_split=tuple(split.tolist()), slip=0.0,
        breakdown_slip=0.2, open_share=0.99, close_share=0.0,
        spin_hz=float(np.exp(rng.uniform(np.log(1.2), np.log(6.0)))),
    )  # fmt: skip


def _changed(rng: Rng, timing: Timing, other: tuple[str, float] | None) -> Timing:
    """The run as the other fault leaves it."""
    if other is None:
        return timing
    name, severity = other
    on_s, off_s = timing.runs[0]
    if name in ("did_not_start", "start_switch_stuck_open"):
        off_s = on_s + rng.uniform(2.0, 6.0)
        mode = "no_start" if name == "did_not_start" else "stuck_open"
        length = max(off_s + rng.uniform(0.8, 3), 6.0)
        return replace(timing, runs=((on_s, off_s),), length_s=length, mode=mode)
    if name == "start_switch_stuck_closed":
        return replace(timing, mode="stuck_closed")
    if name == "speed_sags":
        return replace(timing, sag=1.0 + 4.0 * severity, slip=max(timing.slip, 0.02))
    if name == "drag":
        shorter = timing.coast_s * (1 - 0.35 - 0.4 * severity)
        length = max(timing.length_s - timing.coast_s + shorter, 6.0)
        slip = timing.slip if timing.spin_hz else min(timing.slip * (1.2 + severity), 0.06)
        return replace(timing, coast_s=max(shorter, 0.5), length_s=length, slip=slip)
    if name == "beans_in_it":
        return replace(timing, slip=min(timing.slip * 1.3, 0.05))
    return timing


def _touches(rng: Rng, timing: Timing, faults: dict[str, tuple[str, float]]) -> Touches:
    if "burr_contact" not in faults:
        return ()
    on_s, off_s = timing.runs[0]
    first, last = on_s + timing.run_up_s + 0.7, off_s - 0.2
    count = int(rng.integers(1, 5))
    edges = np.sort(rng.uniform(first, last, 2 * count))
    pairs = [(float(a), float(b)) for a, b in edges.reshape(-1, 2) if b - a > 0.18]
    return tuple(pairs) or ((first + 0.2, first + 0.9),)


def afflicted(rng: Rng, plan: Plan, problem: str) -> Plan:
    """The plan with something wrong with the recording."""
    phone, timing = plan.phone, plan.timing
    on_s, off_s = timing.runs[0]
    plan = replace(plan, problem=problem)
    if plan.other and plan.other[0] in ("did_not_start", "start_switch_stuck_open"):
        plan = replace(plan, other=None, timing=replace(timing, mode="normal"))
        timing = plan.timing
    if problem in ("no_sound", "no_machine", "other_machine"):
        return replace(plan, faults={}, other=None)
    if problem == "already_running":
        cut = on_s + timing.run_up_s + rng.uniform(0.3, 0.5) * (off_s - on_s - timing.run_up_s)
        run = ((0.0, off_s - cut),)
        return replace(plan, timing=replace(timing, runs=run, length_s=timing.length_s - cut))
    if problem == "no_switch_off":
        end = off_s - rng.uniform(0.05, 0.5)
        return replace(plan, timing=replace(timing, runs=((on_s, end + 1),), length_s=end))
    if problem == "several_runs":
        return replace(plan, timing=_several(rng, timing))
    if problem == "band_limited":
        codec, rate = [("wav", 8000), ("amr", 8000), ("aac", 8000), ("mp3", 8000), ("wav", 48000)][
            int(rng.integers(5))
        ]
        kbps = float(rng.choice(phones.CODECS[codec][4])) if phones.CODECS[codec][4] else 0.0
        kbps = min(kbps, 48.0) if codec in ("aac", "mp3") else kbps
        top = float(rng.uniform(2800, 3700))
        phone = replace(phone, codec=codec, rate_hz=rate, kbps=kbps, top_hz=top)
    if problem == "gain_riding":
        phone = replace(phone, agc=float(rng.uniform(0.65, 1.0)))
    if problem == "noise_gate":
        phone = replace(phone, gate_db=float(rng.uniform(30, 70)))
    if problem == "clipped":
        plan = replace(plan, peak=float(rng.uniform(2.0, 8.0)))
    if problem == "buried_in_room_noise":
        plan = replace(plan, snr_db=float(rng.uniform(-12, -3)))
    if problem == "loaded_run":
        slip = min(max(timing.slip * rng.uniform(1.8, 3.5), 0.015), 0.07)
        plan = replace(plan, stage="assembled", timing=replace(timing, slip=slip), other=None)
    return replace(plan, phone=phone)


def _several(rng: Rng, timing: Timing) -> Timing:
    on_s, off_s = timing.runs[0]
    off_s = min(off_s, on_s + timing.run_up_s + 4.0)
    coast_s = min(timing.coast_s, 5.0)
    gap = coast_s + rng.uniform(0.3, 2.0)
    runs, begin = [], on_s
    for _ in range(int(rng.integers(2, 4))):
        runs.append((begin, begin + off_s - on_s))
        begin += off_s - on_s + gap
    return replace(timing, runs=tuple(runs), coast_s=coast_s, length_s=begin + 0.3)
