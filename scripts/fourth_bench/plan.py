"""What each clip is to be: drawn from seed and number alone."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.random import Generator
from second_bench.names import FATAL, OTHERS, POSSIBLE, PROBLEMS

from fourth_bench.bearings import BEARING
from fourth_bench.motion import Times
from fourth_bench.oddities import HAND, MOTOR
from fourth_bench.phones import Phone, draw_phone
from fourth_bench.rooms import Room, draw_room
from fourth_bench.rubs import BURRS, IMPELLER
from fourth_bench.tools import log_uniform
from fourth_bench.voices import Maker, draw_maker
from fourth_bench.wobbles import WOBBLE

MECHANISMS = {
    "bearing_noise": BEARING,
    "impeller_rub": IMPELLER,
    "pre_breaker_wobble": WOBBLE,
    "burr_contact": BURRS,
}
KINDS = ("usable", "problems", "mixed")
STAGES = ("assembled", "motor_only", "burr_setting", "hand_spin")
STAGE_SHARE = (0.70, 0.20, 0.05, 0.05)
#: Drawn more often where several stages rule the others out, so that all four come about alike.
WEIGHT = {
    "bearing_noise": 0.20,
    "impeller_rub": 0.20,
    "pre_breaker_wobble": 0.30,
    "burr_contact": 0.30,
}
MIXED_PROBLEMS = 0.2


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
    run_hz: float
    times: Times
    snr_db: float
    problem: str | None = None
    faults: dict[str, tuple[str, float]] = field(default_factory=dict)
    other: tuple[str, float] | None = None
    touches: tuple[tuple[float, float], ...] | None = None

    @property
    def sync_hz(self) -> float:
        """Synchronous speed, turns per second."""
        return 2 * self.mains_hz / self.maker.poles

    @property
    def usable(self) -> bool:
        """Whether something is left to judge (a cut file is decided when it is cut)."""
        return self.problem not in FATAL


def _pool(seed: int, kind: int, count: int, rng: Generator) -> tuple[Generator, int]:
    number = int(rng.integers(count))
    return np.random.default_rng([seed, 1000 + kind, number]), number


def _contents(rng: Generator, stage: str) -> tuple[dict[str, tuple[str, float]], str | None]:
    """Faults with mechanism and severity, or the name of another fault."""
    roll = rng.random()
    names = POSSIBLE[stage]
    weights = np.array([WEIGHT[name] for name in names])

    def some(count: int, low: float, high: float) -> dict[str, tuple[str, float]]:
        picked = rng.choice(names, min(count, len(names)), replace=False, p=weights / weights.sum())
        return {
            str(name): (
                str(rng.choice(list(MECHANISMS[str(name)]))),
                round(float(rng.uniform(low, high)), 4),
            )
            for name in picked
        }

    if roll < 0.18:
        return {}, None
    if roll < 0.35:
        return some(int(rng.integers(1, 4)), 0.02, 0.19), None
    if roll < 0.85:
        found = some(1, 0.05, 1.0)
        if rng.random() < 0.25:
            found = some(1, 0.02, 0.19) | found
        return found, None
    if roll < 0.90:
        return some(2, 0.2, 1.0), None
    usual = HAND if stage == "hand_spin" else MOTOR if stage == "motor_only" else tuple(OTHERS)
    faults = some(1, 0.02, 0.15) if rng.random() < 0.25 else {}
    return faults, str(rng.choice(usual))


def _times(rng: Generator, maker: Maker) -> Times:
    """Phases of a sound machine; one machine starts and stops nearly the same each time."""
    t = Times(
        lead_s=float(log_uniform(rng, 0.4, 3.0)),
        run_up_s=float(np.clip(maker.run_up_s * rng.normal(1, 0.05), 0.2, 2.5)),
        steady_s=float(log_uniform(rng, 2.5, 10.0)),
        coast_s=float(np.clip(maker.coast_s * rng.normal(1, 0.06), 0.6, 8.0)),
        tail_s=float(rng.uniform(0.4, 1.6)),
    )
    over = t.length_s - 25.0
    if over > 0:
        t = replace(t, steady_s=max(2.0, t.steady_s - over))
    if t.length_s < 6.0:
        t = replace(t, steady_s=t.steady_s + 6.0 - t.length_s)
    return t


def _changed(rng: Generator, t: Times, other: str | None, severity: float) -> Times:
    """What another fault does to the speed."""
    if other == "drag":
        shorter = 0.75 - 0.55 * severity
        return replace(t, coast_s=max(0.35, t.coast_s * shorter),
                       run_up_s=t.run_up_s * (1 + 0.8 * severity))  # fmt: skip
    if other == "face_rub":
        return replace(t, coast_s=max(0.5, t.coast_s * (1 - 0.4 * severity)))
    if other == "speed_sags":
        return replace(t, sag=float(0.03 + 0.2 * severity * rng.uniform(0.7, 1.2)))
    if other in ("did_not_start", "start_switch_stuck_open"):
        creeps = rng.uniform(0.02, 0.3) if rng.random() < 0.35 else 0.0
        held = float(rng.uniform(1.5, 5.0))
        return replace(t, starts=False, plateau=float(creeps), run_up_s=0.2,
                       steady_s=max(held, 5.0 - t.lead_s), coast_s=0.6)  # fmt: skip
    return t


def _touches(rng: Generator, t: Times) -> tuple[tuple[float, float], ...]:
    """When the burrs touch while they are brought together."""
    begin, end = t.lead_s + t.run_up_s + 0.5, t.lead_s + t.run_up_s + t.steady_s - 0.2
    count = int(rng.integers(1, 4))
    marks = np.sort(rng.uniform(begin, end, 2 * count))
    spans = [
        (round(float(a), 3), round(float(b), 3))
        for a, b in zip(marks[::2], marks[1::2], strict=True)
        if b - a >= 0.25
    ]
    middle = 0.5 * (begin + end)
    return tuple(spans) or ((round(middle - 0.5, 3), round(middle + 0.5, 3)),)


def _afflicted(rng: Generator, plan: Plan, problem: str) -> Plan:
    """The plan with a recording problem on top."""
    phone, faults, other, snr = plan.phone, plan.faults, plan.other, plan.snr_db
    touches = plan.touches
    if problem in ("no_sound", "no_machine", "other_machine"):
        faults, other = {}, None
    if problem == "loaded_run":
        other = None
    if problem == "buried_in_room_noise":
        snr = float(rng.uniform(-16, -5))
    if problem == "band_limited":
        how = rng.integers(4)
        if how == 0:
            phone = replace(phone, codec="amr", kbit=12, rate_hz=8000, channels=1)
        elif how == 1:
            codec = phone.codec if phone.codec != "amr" else "wav"
            phone = replace(phone, codec=codec, rate_hz=8000, kbit=min(phone.kbit, 24))
        else:
            phone = replace(phone, top_hz=float(rng.uniform(2200, 4200)))
    if problem == "cut_file" and phone.codec == "aac" and rng.random() < 0.4:
        phone = replace(phone, codec="wav", kbit=0)
    return replace(
        plan, problem=problem, phone=phone, faults=faults, other=other, snr_db=snr, touches=touches
    )


def draw(seed: int, index: int, n: int, kind: str) -> Plan:
    """The plan of clip ``index`` of a set of ``n``."""
    if kind not in KINDS:
        raise ValueError(f"kind must be one of {KINDS}, got {kind!r}")
    rng = np.random.default_rng([seed, index])
    maker = draw_maker(*_pool(seed, 1, max(4, n // 5), rng))
    room = draw_room(*_pool(seed, 2, max(4, n // 12), rng))
    phone = draw_phone(*_pool(seed, 3, max(4, n // 10), rng))
    wrong = kind == "problems" or (kind == "mixed" and rng.random() < MIXED_PROBLEMS)
    problem = str(PROBLEMS[int(rng.integers(len(PROBLEMS)))]) if wrong else None
    stage = str(rng.choice(STAGES, p=STAGE_SHARE))
    if wrong and stage in ("burr_setting", "hand_spin"):
        stage = "assembled"
    if problem == "loaded_run":
        stage = "assembled"
    faults, other = _contents(rng, stage)
    if wrong and other in ("did_not_start", "start_switch_stuck_open"):
        other = None
    severity = round(float(rng.uniform(0.25, 1.0)), 4)
    mains = maker.mains_hz * (1 + float(np.clip(rng.normal(0, 0.0003), -0.001, 0.001)))
    slip = float(np.clip(maker.slip * rng.normal(1, 0.06), 0.001, 0.035))
    times = _times(rng, maker)
    touches = None
    if stage == "burr_setting":
        times = replace(times, steady_s=max(times.steady_s, 4.0))
        touches = _touches(rng, times) if "burr_contact" in faults else ()
    times = _changed(rng, times, other, severity)
    if problem == "loaded_run":
        times = replace(times, load=float(rng.uniform(0.01, 0.06)))
    if other is not None and not times.starts:
        faults = {}
        touches = () if stage == "burr_setting" else None
    plan = Plan(
        seed, index, maker, room, phone, stage, mains, 2 * mains / maker.poles * (1 - slip),
        times, float(rng.uniform(8, 40)), None, faults,
        (other, severity) if other else None, touches,
    )  # fmt: skip
    return _afflicted(rng, plan, problem) if problem else plan
