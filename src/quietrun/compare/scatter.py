"""How far quiet runs of one machine differ, from the population file where there is one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from quietrun.errors import ModelError
from quietrun.judge.population import load_population


@dataclass(frozen=True, slots=True)
class Scatter:
    """Standard deviations between quiet runs of one machine.

    Attributes
    ----------
    features : feature to scatter, in its unit
    band_db : scatter of the difference of one third octave between two runs, dB; None: unknown
    """

    features: Mapping[str, float] = field(default_factory=dict)
    band_db: float | None = None


def scatter_of(stage: str) -> Scatter:
    """Look up the scatter at a stage; empty where the file is not there."""
    try:
        known = load_population()
    except ModelError:
        return Scatter()
    table = known.features.get(stage) or known.features.get("assembled", {})
    return Scatter({name: spread.within for name, spread in table.items()}, known.band_db)
