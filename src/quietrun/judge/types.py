"""Judgements: value objects that reports show and never compute."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Reason:
    """Points one feature adds to the log-odds of a fault (they sum exactly)."""

    feature: str
    value: float | None
    unit: str
    usual: tuple[float, float] | None
    points: float
    says: str


@dataclass(frozen=True, slots=True)
class FaultScore:
    """One fault.

    Attributes
    ----------
    probability : 0..1, or None when the stage makes the fault impossible or
        the clip is unusable
    limit : probability over which the fault is flagged
    log_odds : the sum of ``base`` and all points
    """

    fault: str
    possible: bool
    probability: float | None
    limit: float
    flagged: bool
    log_odds: float | None
    base: float
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class Finding:
    """Something measured that a person should know."""

    code: str
    says: str
    value: float | None
    unit: str
    usual: tuple[float, float] | None
    look_at: str
    harmless: bool = False


@dataclass(frozen=True, slots=True)
class Contact:
    """Burrs touching, in a ``burr_setting`` clip."""

    start_s: float
    until_s: float
    turn_share: float | None


@dataclass(frozen=True, slots=True)
class Verdict:
    """The answer.

    ``word`` is one of ``words.VERDICTS``; texts are whole sentences. ``apart`` is False where
    faults were flagged that cannot be told from each other.
    """

    word: str
    faults: tuple[FaultScore, ...]
    findings: tuple[Finding, ...]
    contacts: tuple[Contact, ...] | None
    because: tuple[str, ...]
    look_first: tuple[str, ...]
    not_heard: tuple[str, ...]
    cautions: tuple[str, ...]
    apart: bool = True
