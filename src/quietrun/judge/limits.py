"""A machine's own limits: what tuning hands to judging."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from quietrun.words import FAULTS

UNKNOWN = "unknown"
ONE_OF_FOUR = "one_of_four"
#: What has a limit beside the four faults: names no part.
NAMELESS = (UNKNOWN, ONE_OF_FOUR)


@dataclass(frozen=True, slots=True)
class FaultLimit:
    """One fault's own limit.

    Attributes
    ----------
    shift : log-odds
        Taken off the general model's log-odds before anything else: what this
        machine's sound adds to the score by nature. Shown as one more line
        of the explanation, so that the points still add up.
    limit : log-odds
        The fault is flagged when its shifted log-odds exceed it.
    """

    shift: float
    limit: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.shift) and math.isfinite(self.limit)):
            raise ValueError(f"shift and limit must be finite, got {self.shift}, {self.limit}")

    @property
    def general(self) -> float:
        """The limit on the general model's own scale, log-odds."""
        return self.limit + self.shift

    @property
    def probability(self) -> float:
        """The limit as a probability, for the output contract."""
        return 1.0 / (1.0 + math.exp(-max(-700.0, min(700.0, self.limit))))


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of one machine, phone and stage. Faults not named keep the model's limit.

    ``"unknown"`` stands beside the four faults for what is not like a quiet machine,
    ``"one_of_four"`` for what is sure to be one of them, whichever.

    Attributes
    ----------
    machine, phone, stage : str
        Whose they are; ``phone`` is ``""`` where it is not known.
    model_sha256 : str
        The model whose log-odds they speak about; another model voids them.
    faults : fault to FaultLimit
    usual : feature to (lo, hi)
        The machine's own usual range, in the feature's unit, for ``Reason.usual``.
    runs : int
        Quiet runs they rest on.
    """

    machine: str
    phone: str
    stage: str
    model_sha256: str
    faults: Mapping[str, FaultLimit]
    usual: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    runs: int = 0

    def __post_init__(self) -> None:
        unknown = self.faults.keys() - {*FAULTS, *NAMELESS}
        if unknown:
            raise ValueError(f"unknown faults: {sorted(unknown)}")
        object.__setattr__(self, "faults", MappingProxyType(dict(self.faults)))
        object.__setattr__(self, "usual", MappingProxyType(dict(self.usual)))

    def fits(self, *, model_sha256: str, stage: str) -> bool:
        """Tell whether these limits may judge a clip of that stage with that model."""
        return self.model_sha256 == model_sha256 and self.stage == stage
