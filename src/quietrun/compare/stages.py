"""Stage against stage: which parts joined, and therefore which faults can be the cause.

The order of checks is the trade's: spin by hand, motor alone, chamber on, burrs together
(the isolation order of service forums, field log section 6; common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from quietrun.compare.types import Side
from quietrun.words import FAULT_TITLES, FAULTS, POSSIBLE, STAGES

STAGE_TITLES = {
    "hand_spin": "spun by hand",
    "motor_only": "motor alone",
    "assembled": "chamber on, burrs backed off",
    "burr_setting": "burrs brought together",
}
#: What joins at a stage and was not heard before it.
JOINS = {
    "hand_spin": ("shaft in its bearings", "cooling impeller"),
    "motor_only": ("mains power", "start switch", "full speed"),
    "assembled": ("pre-breaker", "shear plate", "grind chamber", "rotating burr"),
    "burr_setting": ("the burr faces against each other",),
}
#: Faults that need what joins at a stage.
CAUSES = {
    "hand_spin": frozenset({"bearing_noise", "impeller_rub"}),
    "motor_only": frozenset({"bearing_noise", "impeller_rub"}),
    "assembled": frozenset({"pre_breaker_wobble", "burr_contact"}),
    "burr_setting": frozenset({"burr_contact"}),
}


@dataclass(frozen=True, slots=True)
class Heard:
    """What one stage showed. ``state`` is ``noisy``, ``quiet`` or ``not sure``."""

    stage: str
    names: tuple[str, ...]
    state: str
    flagged: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Narrowed:
    """The stage at which a noise first appears, and what follows from it.

    Attributes
    ----------
    heard : per stage, in the order of checks
    first : stage at which it first appears, or None
    quiet_before : last stage before it that was quiet, or None
    joined : parts that came between the two
    causes : faults that can be the cause
    ruled_out : faults that cannot be the sole cause, because they were heard out before
    says : whole sentences
    """

    heard: tuple[Heard, ...]
    first: str | None
    quiet_before: str | None
    joined: tuple[str, ...]
    causes: tuple[str, ...]
    ruled_out: tuple[str, ...]
    says: tuple[str, ...]


def narrow(sides: Sequence[Side]) -> Narrowed:
    """Narrow a noise down by the stages of reassembly.

    Raises
    ------
    ValueError
        Fewer than two different stages.
    """
    heard = tuple(_heard(stage, sides) for stage in STAGES if any(s.stage == stage for s in sides))
    if len(heard) < 2:
        raise ValueError("at least two different stages are needed")
    noisy = [one for one in heard if one.state == "noisy"]
    if not noisy:
        return Narrowed(heard, None, None, (), (), (), _all_calm(heard))
    first = noisy[0]
    earlier = heard[: heard.index(first)]
    quiet = [one.stage for one in earlier if one.state == "quiet"]
    before = quiet[-1] if quiet else None
    joined, causes = _between(before, first.stage)
    ruled_out = tuple(f for f in FAULTS if f in POSSIBLE[first.stage] and f not in causes)
    says = _sentences(heard, first, before, joined, causes, ruled_out)
    return Narrowed(heard, first.stage, before, joined, causes, ruled_out, says)


def _heard(stage: str, sides: Sequence[Side]) -> Heard:
    here = [side for side in sides if side.stage == stage]
    flagged = tuple(f for f in FAULTS if any(f in side.flagged for side in here))
    words = {str(side.report["verdict"]) for side in here}
    if flagged or "noisy" in words:
        state = "noisy"
    else:
        state = "quiet" if words == {"quiet"} else "not sure"
    return Heard(stage, tuple(side.name for side in here), state, flagged)


def _between(before: str | None, stage: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Parts that joined after ``before`` up to ``stage``, and faults that need them."""
    last = STAGES.index(stage)
    start = 0 if before is None else STAGES.index(before) + 1
    steps = STAGES[start : last + 1]
    if before is None:
        causes = set(POSSIBLE[stage])
    else:
        causes = set().union(*(CAUSES[step] for step in steps)) & POSSIBLE[stage]
    joined = tuple(part for step in steps for part in JOINS[step])
    return joined, tuple(fault for fault in FAULTS if fault in causes)


def _titles(faults: Sequence[str], last: str = "or") -> str:
    names = [FAULT_TITLES[fault] for fault in faults]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} {last} {names[-1]}"


def _all_calm(heard: tuple[Heard, ...]) -> tuple[str, ...]:
    unsure = [STAGE_TITLES[one.stage] for one in heard if one.state == "not sure"]
    lines = ["No fault is over its limit at any of these stages."]
    if unsure:
        lines.append(f"Not sure: {', '.join(unsure)}. Record again.")
    return tuple(lines)


def _sentences(
    heard: tuple[Heard, ...],
    first: Heard,
    before: str | None,
    joined: tuple[str, ...],
    causes: tuple[str, ...],
    ruled_out: tuple[str, ...],
) -> tuple[str, ...]:
    lines = [f"The noise first appears at: {STAGE_TITLES[first.stage]}."]
    if before is None:
        lines += _without_earlier(heard, first)
    else:
        lines.append(f"It was quiet before, {STAGE_TITLES[before]}. Joined since: {_list(joined)}.")
        lines.append(f"So the cause can be {_titles(causes)}.")
    if before is not None and ruled_out:
        lines.append(
            f"Not {_titles(ruled_out)} alone: heard out before. But what was fitted can press on "
            "the shaft; if nothing is found, loosen it and listen again."
        )
    against = [fault for fault in first.flagged if before is not None and fault not in causes]
    if against:
        lines.append(
            f"The sound alone points to {_titles(against, 'and')}; the order of stages does not. "
            "Trust the stages, and record both again."
        )
    lines += _gap(heard, first, before) + _later(heard, first)
    return tuple(lines)


def _list(parts: tuple[str, ...]) -> str:
    return ", ".join(parts)


def _without_earlier(heard: tuple[Heard, ...], first: Heard) -> list[str]:
    at = STAGES.index(first.stage)
    if at == 0:
        return ["It is there when the shaft is only spun by hand: bearing, or impeller touching."]
    earlier = [one.stage for one in heard if STAGES.index(one.stage) < at]
    if earlier:
        return ["The stages before it were not clearly quiet. Record them again."]
    step = STAGES[at - 1]
    return [f"No stage before it was recorded. Go one back and listen: {STAGE_TITLES[step]}."]


def _gap(heard: tuple[Heard, ...], first: Heard, before: str | None) -> list[str]:
    """A stage between the last quiet one and the first noisy one that would narrow it more."""
    if before is None:
        return []
    between = STAGES[STAGES.index(before) + 1 : STAGES.index(first.stage)]
    return [f"To narrow it down, record in between: {STAGE_TITLES[step]}." for step in between[:1]]


def _later(heard: tuple[Heard, ...], first: Heard) -> list[str]:
    gone = [one for one in heard[heard.index(first) + 1 :] if one.state == "quiet"]
    return [
        f"It is not heard at a later stage ({STAGE_TITLES[one.stage]}): it may come and go. "
        "Record that stage three times."
        for one in gone[:1]
    ]
