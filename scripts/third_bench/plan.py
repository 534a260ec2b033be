"""What each clip of a set is to be; drawn from (seed, index) alone."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from second_bench.names import FAULTS, OTHERS, POSSIBLE, PROBLEMS

from third_bench import bearings, drive, rubs

KINDS = ("usable", "problems", "mixed")
MECHANISMS = {
    "bearing_noise": bearings.MECHANISMS,
    "impeller_rub": rubs.IMPELLER,
    "pre_breaker_wobble": drive.MECHANISMS,
    "burr_contact": rubs.BURRS,
}
#: Stages in which an other fault can show itself.
WHERE = {
    "face_rub": ("assembled", "burr_setting"),
    "beans_in_it": ("assembled",),
    "drag": ("hand_spin", "motor_only", "assembled", "burr_setting"),
    "loose_part": ("hand_spin", "motor_only", "assembled", "burr_setting"),
}
POWERED = ("motor_only", "assembled", "burr_setting")


@dataclass(frozen=True, slots=True)
class Plan:
    """One clip, before anything sounds."""

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

    def rng(self, *key: int) -> np.random.Generator:
        """Random numbers of this clip alone."""
        return np.random.default_rng([self.seed, 3, self.index, *key])


def draw_plan(index: int, seed: int, count: int, kind: str) -> Plan:
    """The plan of one clip of a set of ``count``."""
    rng = np.random.default_rng([seed, 1, index])
    stage = str(
        rng.choice(
            ("assembled", "motor_only", "burr_setting", "hand_spin"), p=(0.70, 0.20, 0.05, 0.05)
        )
    )
    problem = None
    if kind == "problems":
        problem = PROBLEMS[index % len(PROBLEMS)]
    elif kind == "mixed" and rng.random() < 0.2:
        problem = str(rng.choice(PROBLEMS))
    if problem == "loaded_run" or (problem and stage in ("hand_spin", "burr_setting")):
        stage = "assembled"
    faults: dict[str, float] = {}
    other: dict[str, float] = {}
    what = str(
        rng.choice(("healthy", "trace", "one", "two", "other"), p=(0.175, 0.175, 0.50, 0.05, 0.10))
    )
    can = list(POSSIBLE[stage])
    if what == "trace":
        for name in rng.permutation(can)[: int(rng.choice((1, 1, 2)))]:
            faults[str(name)] = float(rng.uniform(0.02, 0.19))
    elif what in ("one", "two"):
        for name in rng.permutation(can)[: 1 if what == "one" else 2]:
            faults[str(name)] = float(rng.uniform(0.05, 1.0))
    elif what == "other" and problem is None:
        fits = [name for name in OTHERS if stage in WHERE.get(name, POWERED)]
        other[str(rng.choice(fits))] = float(rng.uniform(0.25, 1.0))
    if problem in ("no_sound", "no_machine", "other_machine"):
        faults = {}
    sources = {name: str(rng.choice(list(MECHANISMS[name]))) for name in faults}
    if stage == "hand_spin":
        # what lives on power alone cannot be heard in a spin by hand
        sources = {
            k: ("hub_face" if v in ("axial_creep", "warm_rub") else v) for k, v in sources.items()
        }
    return Plan(
        index=index,
        seed=seed,
        machine=int(rng.integers(0, max(4, count // 5))),
        room=int(rng.integers(0, max(6, count // 10))),
        phone=int(rng.integers(0, max(12, count // 8))),
        stage=stage,
        faults=faults,
        sources=sources,
        other=other,
        problem=problem,
    )


__all__ = ["FAULTS", "KINDS", "MECHANISMS", "Plan", "draw_plan"]
