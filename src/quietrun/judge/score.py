"""Evidence against scorecards: log-odds, points, reasons."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from quietrun.evidence.types import Evidence, Feature
from quietrun.judge.limits import UNKNOWN, Limits
from quietrun.judge.model import Model, Scorecard
from quietrun.judge.types import FaultScore, Reason


def probability_of(log_odds: float) -> float:
    """1 / (1 + exp(-x)), without overflow."""
    return 1.0 / (1.0 + math.exp(-max(-60.0, min(60.0, log_odds))))


def log_odds_of(card: Scorecard, evidence: Evidence) -> float:
    """Sum of a card's base and the points of its terms."""
    return card.base + math.fsum(term.of(evidence.number(term.feature)) for term in card.terms)


def reasons_of(
    card: Scorecard, evidence: Evidence, catalogue: Mapping[str, Feature]
) -> tuple[Reason, ...]:
    """Points of every term, largest contribution first."""
    found = []
    for term in card.terms:
        value = evidence.number(term.feature)
        feature = catalogue[term.feature]
        found.append(
            Reason(term.feature, value, feature.unit, term.usual, term.of(value), feature.says)
        )
    return tuple(sorted(found, key=lambda reason: -abs(reason.points)))


def score_fault(
    fault: str,
    card: Scorecard,
    evidence: Evidence,
    catalogue: Mapping[str, Feature],
    *,
    possible: bool,
    limits: Limits | None = None,
) -> FaultScore:
    """Score one fault.

    The machine's own shift, where there is one, joins the reasons as a line
    of its own, so that ``base`` and all points still add up to the log-odds.

    Parameters
    ----------
    fault : str
    card : Scorecard
    evidence : Evidence
    catalogue : feature name to Feature
    possible : bool
        False where the stage rules the fault out.
    limits : Limits or None
        The machine's own.
    """
    if not possible:
        return FaultScore(fault, False, None, card.limit, False, None, card.base, ())
    reasons = reasons_of(card, evidence, catalogue)
    limit = card.limit
    own = limits.faults.get(fault) if limits is not None else None
    if limits is not None and own is not None:
        shift = Reason(
            "machine_own",
            None,
            "",
            None,
            -own.shift,
            f"What this machine's own {limits.runs} quiet runs add to the score by nature.",
        )
        reasons = (*reasons, shift)
        limit = own.probability
    if limits is not None:
        reasons = tuple(replace(r, usual=limits.usual.get(r.feature, r.usual)) for r in reasons)
    log_odds = card.base + math.fsum(reason.points for reason in reasons)
    probability = probability_of(log_odds)
    return FaultScore(
        fault, True, probability, limit, probability >= limit, log_odds, card.base, reasons
    )


def unknown_score(
    model: Model,
    evidence: Evidence,
    catalogue: Mapping[str, Feature],
    limits: Limits | None = None,
) -> tuple[float, tuple[Reason, ...]]:
    """Probability that this is not a quiet machine, whatever the cause, and why."""
    reasons = reasons_of(model.unknown, evidence, catalogue)
    own = None if limits is None else limits.faults.get(UNKNOWN)
    log_odds = model.unknown.base + math.fsum(r.points for r in reasons)
    return probability_of(log_odds - (own.shift if own else 0.0)), reasons


def unknown_limit(model: Model, limits: Limits | None) -> float:
    """Probability from which a clip counts as not like a quiet machine."""
    own = None if limits is None else limits.faults.get(UNKNOWN)
    return model.unknown.limit if own is None else own.probability
