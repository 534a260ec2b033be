"""Compare any number of clips: same stage before and after, or stage against stage."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from quietrun.compare.same import (
    BAND_CLEAR_DB,
    band_changes,
    fault_lines,
    feature_changes,
    not_comparable,
)
from quietrun.compare.stages import narrow
from quietrun.compare.types import Change, Side
from quietrun.errors import UsageError
from quietrun.words import FAULTS

SCHEMA = "quietrun/compare-1"
Object = dict[str, Any]
_TIMES = (
    ("run_up_s", "Run-up"),
    ("coast_down_s", "Coast-down"),
)


def compare(
    sides: Sequence[Side],
    scatter: Mapping[str, float] | None = None,
    band_scatter_db: float | None = None,
) -> Object:
    """Compare clips of one machine.

    Parameters
    ----------
    sides : two or more, in the order of time
    scatter : feature to the scatter of one machine's quiet runs, as far as known
    band_scatter_db : scatter of a third octave between two quiet runs, if known

    Returns
    -------
    dict
        One JSON object, schema ``quietrun/compare-1``.

    Raises
    ------
    UsageError
        Fewer than two clips, the same clip twice, nothing usable.
    """
    _check(sides)
    usable = [side for side in sides if side.usable]
    stages = {side.stage for side in usable}
    found: Object = {
        "schema": SCHEMA,
        "clips": [_side(side) for side in sides],
        "stages": None,
        "pairs": [],
    }
    if len(stages) > 1:
        found["stages"] = asdict(narrow(usable))
    for one, other in _pairs(usable):
        clear_db = BAND_CLEAR_DB if band_scatter_db is None else 1.96 * band_scatter_db
        found["pairs"].append(_pair(one, other, scatter or {}, clear_db))
    return found


def _check(sides: Sequence[Side]) -> None:
    if len(sides) < 2:
        raise UsageError(
            "Two clips are needed.", "One alone shows no change.", "Name BEFORE and AFTER."
        )
    hashes = [side.report["clip"]["sha256"] for side in sides]
    for i, one in enumerate(hashes):
        if one is not None and one in hashes[:i]:
            first = sides[hashes.index(one)].name
            raise UsageError(
                f"{first} and {sides[i].name} hold the very same recording.",
                "There is nothing to compare.",
                "Check the file names.",
            )
    dead = [side for side in sides if not side.usable]
    if len(sides) - len(dead) < 2:
        reasons = "; ".join(f"{side.name}: {_why(side)}" for side in dead)
        raise UsageError(
            f"Fewer than two of these clips carry an answer. {reasons}",
            "A clip that cannot be judged cannot be compared.",
            "Record it again as its own check says: quietrun check CLIP",
        )


def _why(side: Side) -> str:
    return str(next(iter(side.report["because"]), "no verdict"))


def _pairs(sides: Sequence[Side]) -> list[tuple[Side, Side]]:
    """Each clip against the one before it at the same stage."""
    last: dict[str, Side] = {}
    pairs = []
    for side in sides:
        if side.stage in last:
            pairs.append((last[side.stage], side))
        last[side.stage] = side
    return pairs


def _side(side: Side) -> Object:
    faults = side.report["faults"]
    return {
        "name": side.name,
        "stage": side.stage,
        "day": side.day,
        "phone": side.phone,
        "verdict": side.report["verdict"],
        "flagged": list(side.flagged),
        "probability": {name: faults[name]["probability"] for name in FAULTS},
        "parts_changed": list(side.parts_changed),
    }


def _pair(one: Side, other: Side, scatter: Mapping[str, float], clear_db: float) -> Object:
    features = feature_changes(one, other, scatter)
    bands, against = band_changes(one, other, clear_db)
    return {
        "before": one.name,
        "after": other.name,
        "stage": one.stage,
        "says": [*fault_lines(one, other), *_time_lines(one, other, features)],
        "features": [asdict(change) for change in features],
        "bands": [asdict(change) for change in bands],
        "bands_against": against,
        "not_compared": [asdict(part) for part in not_comparable(one, other)],
    }


def _time_lines(one: Side, other: Side, features: Sequence[Change]) -> list[str]:
    clear = {change.name: change for change in features if change.clear}
    lines = []
    for name, title in _TIMES:
        if name in clear:
            change = clear[name]
            word = "longer" if change.change > 0 else "shorter"
            lines.append(f"{title} is {word}: {change.before:.1f} s before, {change.after:.1f} s.")
    return lines
