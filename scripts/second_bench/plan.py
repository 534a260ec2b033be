"""What each clip of a set shall be."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from second_bench.faults import mechanisms_of
from second_bench.names import FAULTS, OTHERS, POSSIBLE, PROBLEMS

KINDS = ("usable", "problems", "mixed", "hand_spin")
STAGE_SHARES = {"assembled": 0.70, "motor_only": 0.20, "burr_setting": 0.05, "hand_spin": 0.05}
#: healthy, healthy with traces, one fault, two faults, other fault
MIX: tuple[tuple[str, float], ...] = (
    ("healthy", 0.175),
    ("traces", 0.175),
    ("one", 0.50),
    ("two", 0.05),
    ("other", 0.10),
)
PROBLEM_SHARE_OF_MIXED = 0.2


@dataclass(frozen=True, slots=True)
class ClipPlan:
    """One clip to be made; ``faults`` are severities over 0, ``sources`` their mechanisms."""

    index: int
    seed: int
    machine: int
    room: int
    phone: int
    stage: str
    faults: dict[str, float] = field(default_factory=dict)
    sources: dict[str, str] = field(default_factory=dict)
    other: dict[str, float] = field(default_factory=dict)
    problem: str | None = None
    snr_db: float = 25.0


def exact_shares(names: list[str], shares: list[float], n: int) -> list[str]:
    """``n`` names in these shares, as exactly as whole numbers allow."""
    edges = np.round(np.cumsum(np.array(shares) / sum(shares)) * n).astype(int)
    counts = np.diff(edges, prepend=0)
    return [name for name, count in zip(names, counts, strict=True) for _ in range(count)]


def _pick_source(rng: np.random.Generator, fault: str) -> str:
    options = mechanisms_of(fault)
    return options[int(rng.integers(0, len(options)))].name


def _pick_fault(rng: np.random.Generator, stage: str) -> str:
    options = list(POSSIBLE[stage])
    if stage == "burr_setting":
        weights = np.array([0.6 if f == "burr_contact" else 0.4 / 3 for f in options])
        return str(rng.choice(options, p=weights))
    return options[int(rng.integers(0, len(options)))]


def _other_for(rng: np.random.Generator, stage: str) -> str:
    if stage == "hand_spin":
        return "drag" if rng.uniform() < 0.5 else "loose_part"
    options = [name for name in OTHERS if stage != "motor_only" or name not in _CHAMBER]
    return options[int(rng.integers(0, len(options)))]


_CHAMBER = frozenset({"face_rub", "beans_in_it"})


def _contents(
    rng: np.random.Generator, category: str, stage: str
) -> tuple[dict[str, float], dict[str, float]]:
    """Severities of faults and of others for one category."""
    faults: dict[str, float] = {}
    other: dict[str, float] = {}
    possible = list(POSSIBLE[stage])
    if category in ("one", "two"):
        first = _pick_fault(rng, stage)
        faults[first] = float(rng.uniform(0.05, 1.0))
        rest = [f for f in possible if f != first]
        if category == "two":
            second = rest[int(rng.integers(0, len(rest)))]
            faults[second] = float(rng.uniform(0.2, 1.0))
            faults[first] = max(0.2, faults[first])
        elif rng.uniform() < 0.25:
            faults[rest[int(rng.integers(0, len(rest)))]] = float(rng.uniform(0.02, 0.15))
    elif category == "traces":
        count = min(len(possible), int(rng.integers(1, 3)))
        for fault in rng.choice(possible, count, replace=False):
            faults[str(fault)] = float(rng.uniform(0.02, 0.19))
    elif category == "other":
        other[_other_for(rng, stage)] = float(rng.uniform(0.25, 1.0))
    return faults, other


def pool_sizes(n: int) -> tuple[int, int, int]:
    """Machines, rooms and phones for a set of ``n`` clips."""
    return max(6, n // 5), max(6, min(30, n // 20)), max(8, min(40, n // 20))


def draw_plans(n: int, seed: int, kind: str) -> list[ClipPlan]:
    """Plan a set. The mix is exact, its order and all else random."""
    if kind not in KINDS:
        raise ValueError(f"kind must be one of {KINDS}, got {kind!r}")
    rng = np.random.default_rng([seed, 0])
    troubled = {"problems": n, "mixed": round(n * PROBLEM_SHARE_OF_MIXED)}.get(kind, 0)
    categories = exact_shares([name for name, _ in MIX], [share for _, share in MIX], n)
    rng.shuffle(categories)
    stages = exact_shares(list(STAGE_SHARES), list(STAGE_SHARES.values()), n)
    rng.shuffle(stages)
    if kind == "hand_spin":
        stages = ["hand_spin"] * n
    problems: list[str | None] = [None] * (n - troubled)
    problems += exact_shares(list(PROBLEMS), [1.0] * len(PROBLEMS), troubled)
    rng.shuffle(problems)
    machines, rooms, phones = pool_sizes(n)
    plans = []
    for index in range(n):
        problem, stage, category = problems[index], stages[index], categories[index]
        if problem is not None:
            if stage in ("hand_spin", "burr_setting"):
                stage = "assembled"
            if category == "other":
                category = "healthy"
        faults, other = _contents(rng, category, stage)
        plans.append(
            ClipPlan(
                index=index,
                seed=seed,
                machine=int(rng.integers(0, machines)),
                room=int(rng.integers(0, rooms)),
                phone=int(rng.integers(0, phones)),
                stage=stage,
                faults=faults,
                sources={fault: _pick_source(rng, fault) for fault in faults},
                other=other,
                problem=problem,
                snr_db=float(rng.uniform(8.0, 40.0)),
            )
        )
    return plans


__all__ = ["FAULTS", "KINDS", "ClipPlan", "draw_plans", "exact_shares", "pool_sizes"]
