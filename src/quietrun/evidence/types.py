"""Evidence: one row a feature, each a number or a reason why there is none."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Feature:
    """One row of the catalogue.

    Attributes
    ----------
    name : str
    family : str
        One of ``FAMILIES``.
    unit : str
    phase : str
        Phase of the run it is measured in.
    band_hz : (lo, hi) or None
    worse : +1, -1 or 0
        Direction that is worse for a machine (0: depends on the fault).
    needs_hz : float
        Bandwidth the recording must have.
    stages : tuple of str
    says : str
        One plain sentence for the report.
    source : str
        Where the physics is from.
    """

    name: str
    family: str
    unit: str
    phase: str
    band_hz: tuple[float, float] | None
    worse: int
    needs_hz: float
    stages: tuple[str, ...]
    says: str
    source: str


@dataclass(frozen=True, slots=True)
class Missing:
    """Not measurable, because."""

    because: str


@dataclass(frozen=True, slots=True)
class Evidence:
    """Feature name to value, in the feature's unit, or ``Missing``."""

    values: Mapping[str, float | Missing]

    def number(self, name: str) -> float | None:
        """The value of a feature, or None where it is missing."""
        value = self.values[name]
        return None if isinstance(value, Missing) else value
