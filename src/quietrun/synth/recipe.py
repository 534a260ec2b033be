"""A recipe: everything that fixes one synthetic clip, and how to draw one.

Nuisances (machine, room, phone, timing, level, noise) are drawn without a
look at the faults, so that no class can be told by them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from types import MappingProxyType
from typing import Any

from quietrun.synth.kit import Rng, chance, log_uniform
from quietrun.words import FAULTS, POSSIBLE, PROBLEMS, STAGES

#: Source models of each fault; each is an independent idea of how the fault sounds.
SOURCE_MODELS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "bearing_noise": ("spots", "rough", "dry_whine", "cage_rattle", "waviness"),
        "impeller_rub": ("one_spot", "blades", "hub_drag", "one_tick", "now_and_then"),
        "pre_breaker_wobble": ("backlash", "chatter", "reknock", "rocking", "plate_buzz"),
        "burr_contact": ("tooth_pass", "ringing_tangs", "squeal", "face_scrape", "chirps"),
    }
)

#: Other faults, findings and oddities that are none of the four.
OTHER = (
    "start_switch_stuck_closed",
    "start_switch_stuck_open",
    "did_not_start",
    "drag",
    "face_rub",
    "loose_part",
    "fan_on_switch",
    "beans",
    "switch_ring_squeal",
    "magnetic_growl",
    "sheared_drive",
    "sag",
)
#: Of these, the ones that a healthy machine may show.
HARMLESS = frozenset({"switch_ring_squeal"})

_STAGE_SHARE = {"assembled": 0.58, "motor_only": 0.2, "burr_setting": 0.12, "hand_spin": 0.1}
#: Faults that fewer stages allow are drawn more often where they can be.
_FAULT_WEIGHT = {
    "bearing_noise": 1.0,
    "impeller_rub": 1.0,
    "pre_breaker_wobble": 2.0,
    "burr_contact": 1.5,
}
_CHAMBER = frozenset({"face_rub", "beans", "sheared_drive"})
_NOT_BY_HAND = frozenset({"already_running", "no_switch_off", "several_runs", "loaded_run"})
_POWERED = frozenset(OTHER) - {"drag", "face_rub", "loose_part", "switch_ring_squeal"}


@dataclass(frozen=True, slots=True)
class Recipe:
    """What to render.

    Attributes
    ----------
    seed : int
        Fixes all chance that the other fields do not.
    stage : str
        A word of ``words.STAGES``.
    mains_hz : float
        Nominal, 50 or 60; the rendered one drifts by up to 0.1 %, and the
        recorder's clock by up to 50 ppm.
    poles : int
    faults : fault -> severity 0..1 (below 0.2: a trace)
    sources : fault -> name of a source model; missing ones are drawn from the seed
    other : word of ``OTHER`` -> 0..1
    machine, room, phone : int
        Family numbers: each fixes one machine, room or phone chain.
    problem : word of ``words.PROBLEMS`` or None
    snr_db : float or None
        Steady machine over the room's steady noise, A-weighted; None: drawn.
    """

    seed: int
    stage: str = "assembled"
    mains_hz: float = 50.0
    poles: int = 4
    faults: Mapping[str, float] = field(default_factory=dict)
    sources: Mapping[str, str] = field(default_factory=dict)
    other: Mapping[str, float] = field(default_factory=dict)
    machine: int = 0
    room: int = 0
    phone: int = 0
    problem: str | None = None
    snr_db: float | None = None

    def __post_init__(self) -> None:
        if self.stage not in STAGES:
            raise ValueError(f"stage must be one of {STAGES}, got {self.stage!r}")
        if self.poles not in (2, 4):
            raise ValueError(f"poles must be 2 or 4, got {self.poles!r}")
        if not 40.0 < self.mains_hz < 70.0:
            raise ValueError(f"mains_hz must be near 50 or 60, got {self.mains_hz!r}")
        if self.problem is not None and self.problem not in PROBLEMS:
            raise ValueError(f"problem must be one of {PROBLEMS}, got {self.problem!r}")
        if self.problem is not None and not problem_possible(self.problem, self.stage):
            raise ValueError(f"{self.problem!r} cannot occur at stage {self.stage!r}")
        for fault, severity in self.faults.items():
            if fault not in POSSIBLE[self.stage]:
                raise ValueError(f"{fault!r} cannot occur at stage {self.stage!r}")
            if not 0.0 <= severity <= 1.0:
                raise ValueError(f"severity must be 0..1, got {severity!r} for {fault!r}")
        for fault, source in self.sources.items():
            if source not in SOURCE_MODELS.get(fault, ()):
                raise ValueError(f"{fault!r} has no source model {source!r}")
        for word in self.other:
            if word not in OTHER:
                raise ValueError(f"other must be of {OTHER}, got {word!r}")
            if not other_possible(word, self.stage):
                raise ValueError(f"{word!r} cannot occur at stage {self.stage!r}")


def source_models(fault: str) -> tuple[str, ...]:
    """Names of the source models of a fault."""
    return SOURCE_MODELS[fault]


def _severity(rng: Rng) -> float:
    return float(rng.uniform(0.2, 1.0))


def _trace(rng: Rng) -> float:
    return float(rng.uniform(0.02, 0.2))


def other_possible(word: str, stage: str) -> bool:
    """Say whether an other fault can occur at a stage."""
    if stage == "hand_spin" and word in _POWERED:
        return False
    return not (stage == "motor_only" and word in _CHAMBER)


def problem_possible(problem: str, stage: str) -> bool:
    """Say whether a recording problem can occur at a stage."""
    if stage == "hand_spin" and problem in _NOT_BY_HAND:
        return False
    return not (stage == "motor_only" and problem == "loaded_run")


def _stages_for(fixed: Mapping[str, Any]) -> list[str]:
    """Stages at which all that is given can occur."""
    faults, other = fixed.get("faults") or {}, fixed.get("other") or {}
    problem = fixed.get("problem")
    return [
        stage
        for stage in _STAGE_SHARE
        if all(fault in POSSIBLE[stage] for fault in faults)
        and all(other_possible(word, stage) for word in other)
        and (problem in (None, "any") or problem_possible(str(problem), stage))
    ]


def _condition(rng: Rng, stage: str) -> tuple[dict[str, float], dict[str, float]]:
    """Draw what is wrong: (faults, other)."""
    possible = [fault for fault in FAULTS if fault in POSSIBLE[stage]]
    kind = rng.choice(["healthy", "one", "two", "other"], p=[0.35, 0.45, 0.08, 0.12])
    count = {"healthy": 0, "one": 1, "two": 2, "other": 0}[str(kind)]
    weights = [_FAULT_WEIGHT[fault] for fault in possible]
    shares = [w / sum(weights) for w in weights]
    order = [str(f) for f in rng.choice(possible, len(possible), replace=False, p=shares)]
    faults = {fault: _severity(rng) for fault in order[:count]}
    left = order[count:]
    if left and chance(rng, 0.45):
        traces = 1 if chance(rng, 0.7) else min(2, len(left))
        faults.update({fault: _trace(rng) for fault in left[:traces]})
    other: dict[str, float] = {}
    if kind == "other":
        words = [w for w in OTHER if other_possible(w, stage) and w not in HARMLESS | {"beans"}]
        other[words[int(rng.integers(len(words)))]] = float(rng.uniform(0.35, 1.0))
    if chance(rng, 0.07):
        other["switch_ring_squeal"] = float(rng.uniform(0.2, 1.0))
    return faults, other


def draw_recipe(rng: Rng, **fixed: Any) -> Recipe:
    """Draw a recipe in the mix for training; whatever is given is kept.

    Parameters
    ----------
    rng : numpy.random.Generator
    **fixed
        Fields of ``Recipe`` to keep. ``problem="any"`` draws one of the
        recording problems. Where ``faults`` or ``other`` is given, the other
        of the two is empty unless it is given too.

    Returns
    -------
    Recipe
    """
    unknown = set(fixed) - {f.name for f in fields(Recipe)}
    if unknown:
        raise ValueError(f"a recipe has no field {sorted(unknown)}")
    stages = _stages_for(fixed)
    if not stages:
        raise ValueError("no stage allows these faults, other faults and problem together")
    total = sum(_STAGE_SHARE[stage] for stage in stages)
    stage = str(rng.choice(stages, p=[_STAGE_SHARE[stage] / total for stage in stages]))
    drawn: dict[str, Any] = {
        "seed": int(rng.integers(1 << 40)),
        "stage": stage,
        "mains_hz": float(rng.choice([50.0, 60.0])),
        "poles": int(rng.choice([2, 4], p=[0.35, 0.65])),
        "machine": int(rng.integers(100_000)),
        "room": int(rng.integers(100_000)),
        "phone": int(rng.integers(100_000)),
        "problem": None,
        "snr_db": None,
    }
    if fixed.get("problem") == "any":
        at = fixed.get("stage", stage)
        fixed["problem"] = str(rng.choice([p for p in PROBLEMS if problem_possible(p, at)]))
    drawn.update(fixed)
    if "faults" in fixed or "other" in fixed:
        drawn.setdefault("faults", {})
        drawn.setdefault("other", {})
    else:
        drawn["faults"], drawn["other"] = _condition(rng, drawn["stage"])
    sources = dict(fixed.get("sources", {}))
    for fault in drawn["faults"]:
        models = SOURCE_MODELS[fault]
        sources.setdefault(fault, models[int(rng.integers(len(models)))])
    drawn["sources"] = sources
    return Recipe(**drawn)


def draw_snr_db(rng: Rng) -> float:
    """Steady machine over room, dB: 5 to 40, mostly 12 to 30."""
    if chance(rng, 0.8):
        return float(rng.uniform(12, 30))
    return float(rng.uniform(5, 12)) if chance(rng, 0.5) else float(rng.uniform(30, 40))


def draw_lengths(rng: Rng) -> tuple[float, float, float]:
    """Room, steady run and rest, s."""
    return float(rng.uniform(0.3, 2.5)), log_uniform(rng, 2.0, 6.0), float(rng.uniform(0.3, 1.8))
