"""What people type about a machine, as fields of its record."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from quietrun.errors import UsageError
from quietrun.machine import Bearing

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
    return tuple(_bearing(text.strip()) for text in texts)


def _bearing(text: str) -> Bearing:
    parts = text.split(",")
    if len(parts) in (3, 4):
        try:
            numbers = [float(part) for part in parts]
            if numbers[0] == int(numbers[0]):
                angle = numbers[3] if len(numbers) == 4 else 0.0
                return Bearing(int(numbers[0]), numbers[1], numbers[2], angle)
        except (ValueError, OverflowError):
            pass
    elif len(parts) == 1:
        known = _by_size(text)
        if known is not None:
            return known
    raise UsageError(
        f"{text!r} is no bearing.",
        "Its geometry tells where a defect is heard.",
        "Give a size such as 6203, or balls, ball and pitch diameter in mm: 8,6.75,28.5.",
    )


def _by_size(text: str) -> Bearing | None:
    from quietrun.machine.file import bearing_by_name

    return bearing_by_name(text)


def range_of(text: str) -> tuple[float, float]:
    """Read LOW-HIGH."""
    found = _RANGE.fullmatch(text)
    if not found or float(found[1]) > float(found[2]):
        raise UsageError(
            f"{text!r} is no range.", "Burr life is never one number.", "Write it like 5900-6800."
        )
    return float(found[1]), float(found[2])
