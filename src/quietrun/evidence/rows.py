"""Short forms for catalogue rows and missing values."""

from __future__ import annotations

from quietrun.evidence.types import Feature, Missing

Value = float | Missing
_ALL = ("motor_only", "assembled", "burr_setting")


def row(
    name: str,
    family: str,
    unit: str,
    phase: str,
    band_hz: tuple[float, float] | None,
    worse: int,
    says: str,
    source: str,
    stages: tuple[str, ...] = _ALL,
) -> Feature:
    """One catalogue row; the bandwidth needed is the top of its band."""
    return Feature(
        name=name,
        family=family,
        unit=unit,
        phase=phase,
        band_hz=None if band_hz is None else (float(band_hz[0]), float(band_hz[1])),
        worse=worse,
        needs_hz=0.0 if band_hz is None else float(band_hz[1]),
        stages=stages,
        says=says,
        source=source,
    )


def missing(because: str) -> Missing:
    """Not measurable, because."""
    return Missing(because)
