"""One recording to be compared, as data: judged before, here or in the logbook."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

Report = Mapping[str, Any]
Numbers = Mapping[str, float | None]


@dataclass(frozen=True, slots=True)
class Side:
    """A judged clip.

    Attributes
    ----------
    name : how the user knows it
    report : object of the output contract
    evidence : feature to value, or None
    bands : see ``compare.bands``
    phone, temperature, burr_setting, day : as told or logged, None where not known
    parts_changed : renewed before this clip
    """

    name: str
    report: Report
    evidence: Numbers
    bands: Numbers = field(default_factory=dict)
    phone: str | None = None
    temperature: str | None = None
    burr_setting: str | None = None
    day: str | None = None
    parts_changed: tuple[str, ...] = ()

    @property
    def stage(self) -> str:
        """Stage of assembly."""
        return str(self.report["machine"]["stage"])

    @property
    def usable(self) -> bool:
        """False where there is nothing to compare."""
        return bool(self.report["verdict"] != "unusable")

    @property
    def problems(self) -> tuple[Mapping[str, Any], ...]:
        """What is wrong with the recording."""
        return tuple(self.report["recording"]["problems"])

    @property
    def flagged(self) -> tuple[str, ...]:
        """Faults over their limit."""
        return tuple(name for name, part in self.report["faults"].items() if part["flagged"])


@dataclass(frozen=True, slots=True)
class NotCompared:
    """Something that the two recordings do not allow to compare."""

    what: str
    why: str
    do: str


@dataclass(frozen=True, slots=True)
class Change:
    """A measure before and after.

    Attributes
    ----------
    change : after - before
    usual_change : size that two quiet runs of one machine exceed once in twenty; None: not known
    clear : larger than that
    worse : True, False, or None where the direction says nothing
    """

    name: str
    unit: str
    before: float
    after: float
    change: float
    usual_change: float | None
    clear: bool
    worse: bool | None
    says: str
