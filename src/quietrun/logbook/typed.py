"""What people type about a machine, as fields of its record."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from quietrun.errors import UsageError
from quietrun.machine import Bearing
from quietrun.machine.bearings import parse

_RANGE = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(?:-|to)\s*(\d+(?:\.\d+)?)\s*(?:kg)?\s*")


def as_fields(given: Mapping[str, Any]) -> dict[str, Any]:
    """Keep what was typed, with bearings and burr life read.

    Raises
    ------
    UsageError
        A bearing or a range that cannot be read.
    """
    fields = {name: value for name, value in given.items() if value not in (None, ())}
    if "bearings" in fields:
        fields["bearings"] = bearings_of(fields["bearings"])
    if "burr_life_kg" in fields:
        fields["burr_life_kg"] = range_of(fields["burr_life_kg"])
    return fields


def bearings_of(texts: Sequence[str]) -> tuple[Bearing, ...]:
    """Read bearings as typed: a size such as 6203, or balls, ball and pitch diameter in mm."""
    return tuple(parse(text) for text in texts)


def range_of(text: str) -> tuple[float, float]:
    """Read LOW-HIGH."""
    found = _RANGE.fullmatch(text)
    if not found or float(found[1]) > float(found[2]):
        raise UsageError(
            f"{text!r} is no range.", "Burr life is never one number.", "Write it like 5900-6800."
        )
    return float(found[1]), float(found[2])
