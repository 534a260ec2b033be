"""Records of the logbook as frozen values.

Conventions: times are ISO 8601 with offset; masses kg; ``None`` is "not known".
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from quietrun.machine import Bearing, Machine


@dataclass(frozen=True, slots=True)
class MachineRecord:
    """A machine as its technician knows it.

    Attributes
    ----------
    tag : str
        The shop's own tag; upper and lower case are the same tag.
    place : str
    mains_hz, poles, bearings, fan_blades : see ``quietrun.machine.Machine``
    burr_mm : float or None
        Outer diameter of the burrs, mm.
    burr_life_kg : (lo, hi) or None
        The shop's own figure for the life of a burr set, kg.
    phone : str or None
        Phone usually used.
    notes : str
    """

    tag: str
    place: str = ""
    mains_hz: float | None = None
    poles: int | None = None
    bearings: tuple[Bearing, ...] = ()
    fan_blades: int | None = None
    burr_mm: float | None = None
    burr_life_kg: tuple[float, float] | None = None
    phone: str | None = None
    notes: str = ""

    def machine(self, stage: str = "assembled", phone: str | None = None) -> Machine:
        """Say what the analysis may know beforehand."""
        return Machine(
            id=self.tag,
            mains_hz=self.mains_hz,
            poles=self.poles,
            stage=stage,
            bearings=self.bearings,
            fan_blades=self.fan_blades,
            phone=phone or self.phone,
        )


@dataclass(frozen=True, slots=True)
class When:
    """A date and how far to trust it.

    Attributes
    ----------
    at : str
        Local time, ISO 8601 with offset.
    source : str
        A word of ``logbook.words.DATE_SOURCES``.
    zone : str
        Name or offset of the zone ``at`` is written in.
    zone_known : bool
        False where the recording does not say its zone and the shop's was taken.
    """

    at: str
    source: str
    zone: str
    zone_known: bool

    @property
    def day(self) -> str:
        """Local calendar day, YYYY-MM-DD."""
        return self.at[:10]


@dataclass(frozen=True, slots=True)
class AnalysisRecord:
    """One judgement of a clip.

    Attributes
    ----------
    made_at : str
    report : the verdict object of the output contract
    evidence : feature name to number or None
    scores : fault to log-odds of the general model, or None
    bands : exact third-octave centre (Hz, as text) to level over own air noise, dB
    """

    made_at: str
    report: Mapping[str, Any]
    evidence: Mapping[str, float | None] = field(default_factory=dict)
    scores: Mapping[str, float | None] = field(default_factory=dict)
    bands: Mapping[str, float | None] = field(default_factory=dict)

    @property
    def verdict(self) -> str:
        """The word."""
        return str(self.report["verdict"])

    @property
    def model_sha256(self) -> str:
        """Hash of the model that judged."""
        return str((self.report.get("tool") or {}).get("model_sha256") or "")


@dataclass(frozen=True, slots=True)
class Confirmation:
    """What a technician found with the machine open."""

    what: str
    said_at: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class ClipRecord:
    """One clip in the book, with all its judgements (oldest first).

    Attributes
    ----------
    sha256 : str
    path : str
        Where it lay when it was added.
    when : When
    stage : str
    temperature : ``"cold"``, ``"hot"`` or None
    burr_setting : str
    opened : bool or None
        Was the machine opened since the visit before?
    parts_changed : tuple of ``logbook.words.PARTS``
        Changed before this clip was recorded.
    phone : str or None
    note : str
    added_at : str
    """

    sha256: str
    path: str
    when: When
    stage: str
    temperature: str | None = None
    burr_setting: str = ""
    opened: bool | None = None
    parts_changed: tuple[str, ...] = ()
    phone: str | None = None
    note: str = ""
    added_at: str = ""
    analyses: tuple[AnalysisRecord, ...] = ()
    confirmed: tuple[Confirmation, ...] = ()

    @property
    def latest(self) -> AnalysisRecord | None:
        """The newest judgement."""
        return self.analyses[-1] if self.analyses else None

    @property
    def confirmed_quiet(self) -> bool:
        """Confirmed quiet by a person."""
        return any(found.what == "quiet" for found in self.confirmed)

    @property
    def confirmed_faults(self) -> tuple[str, ...]:
        """Faults a person found."""
        return tuple(found.what for found in self.confirmed if found.what != "quiet")


@dataclass(frozen=True, slots=True)
class Visit:
    """All clips of one machine on one local day; the best date among them."""

    when: When
    clips: tuple[ClipRecord, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Added:
    """What adding a clip did."""

    sha256: str
    when: When
    new_clip: bool
    new_analysis: bool
