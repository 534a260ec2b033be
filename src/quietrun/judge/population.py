"""What is known of other machines: where their quiet runs lie and how far they scatter.

The numbers are made by ``scripts/make_population.py`` from quiet synthesised machines, several
runs each, and lie beside the model they belong to.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from quietrun.errors import ModelError
from quietrun.judge.model import default_path

FORMAT = 1


@dataclass(frozen=True, slots=True)
class Spread:
    """Quiet runs of a quantity over many machines.

    Attributes
    ----------
    centre : mean over machines
    between : standard deviation of the machines' own centres
    within : standard deviation of one machine's runs, root mean square over machines
    dof : how firmly ``within`` is known for a new machine, in runs: small where
        machines differ in their scatter
    """

    centre: float
    between: float
    within: float
    dof: float

    def __post_init__(self) -> None:
        numbers = (self.centre, self.between, self.within, self.dof)
        if not all(math.isfinite(x) for x in numbers) or min(numbers[1:]) < 0 or self.within == 0:
            raise ValueError(f"a spread needs finite, positive numbers, got {numbers}")


@dataclass(frozen=True, slots=True)
class Population:
    """Spreads by stage: of fault log-odds and of features.

    Attributes
    ----------
    model_sha256 : the model whose log-odds they are
    faults, features : stage to name to Spread
    machines, runs : how many stand behind it
    band_db : scatter of the difference of one third octave between two quiet runs of one
        machine and phone, dB (``compare``)
    """

    model_sha256: str
    faults: Mapping[str, Mapping[str, Spread]]
    features: Mapping[str, Mapping[str, Spread]]
    machines: int
    runs: int
    band_db: float | None = None

    def fault(self, stage: str, name: str) -> Spread | None:
        """Find the spread of a fault's log-odds; ``assembled`` stands in for a missing stage."""
        return _of(self.faults, stage, name)

    def feature(self, stage: str, name: str) -> Spread | None:
        """Find the spread of a feature; ``assembled`` stands in for a missing stage."""
        return _of(self.features, stage, name)


def _of(table: Mapping[str, Mapping[str, Spread]], stage: str, name: str) -> Spread | None:
    return table.get(stage, {}).get(name) or table.get("assembled", {}).get(name)


def population_path() -> Path:
    """Where the shipped numbers lie: beside the model."""
    return default_path().with_name("population.json")


@lru_cache(maxsize=4)
def load_population(path: Path | None = None) -> Population:
    """Read the numbers of other machines.

    Raises
    ------
    ModelError
        No file, or not one of this tool.
    """
    where = path or population_path()
    try:
        return _population(json.loads(where.read_text(encoding="utf-8")))
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ModelError(
            f"The file {where} cannot be used: {error}.",
            "Tuning on few runs leans on what is known of other machines.",
            "Install quietrun again, or make it anew: scripts/make_population.py.",
        ) from error


def _population(raw: Mapping[str, Any]) -> Population:
    if raw["format"] != FORMAT:
        raise ValueError(f"format {raw['format']!r}, this version reads {FORMAT}")
    return Population(
        model_sha256=str(raw["model_sha256"]),
        faults=_tables(raw["faults"]),
        features=_tables(raw["features"]),
        machines=int(raw["machines"]),
        runs=int(raw["runs"]),
        band_db=None if raw.get("band_db") is None else float(raw["band_db"]),
    )


def _tables(raw: Mapping[str, Any]) -> dict[str, dict[str, Spread]]:
    return {
        stage: {name: Spread(**numbers) for name, numbers in table.items()}
        for stage, table in raw.items()
    }
