"""Evidence against scorecards: log-odds, points, reasons."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from quietrun.evidence.types import Evidence, Feature
from quietrun.judge.limits import ONE_OF_FOUR, UNKNOWN, Limits
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


@dataclass(frozen=True, slots=True)
class Nameless:
    """How likely a noise is that no part has been named for, and from where on it counts."""

    probability: float
    limit: float

    @property
    def over(self) -> bool:
        """Tell whether it counts."""
        return self.probability >= self.limit


def one_of_four(model: Model, evidence: Evidence, limits: Limits | None = None) -> Nameless | None:
    """Whether one of the four faults is in the sound, whichever; None: the model cannot say.

    Telling a fault from a quiet machine carries over to unheard machines far better than
    telling one fault from another, so the two questions have cards of their own.
    """
    card = model.one_of_four
    if card is None:
        return None
    own = None if limits is None else limits.faults.get(ONE_OF_FOUR)
    log_odds = log_odds_of(card, evidence)
    if own is None:
        return Nameless(probability_of(log_odds), card.limit)
    return Nameless(probability_of(log_odds - own.shift), own.probability)


#: Where one of the four is surely there, those are flagged whose odds are at least this share of
#: the likeliest one's: they cannot be told apart for certain.
WITHIN = 0.3
#: A fault less likely than this is not named, whatever else is sure.
LEAST = 0.1


def lowered_limit(likeliest: float) -> float:
    """Probability from which a fault is flagged where one of the four is surely there.

    Parameters
    ----------
    likeliest : probability of the likeliest fault
    """
    if likeliest >= 1.0:
        return 1.0
    odds = WITHIN * likeliest / (1.0 - likeliest)
    return max(LEAST, odds / (1.0 + odds))


def name_the_likeliest(faults: tuple[FaultScore, ...]) -> tuple[FaultScore, ...]:
    """Flag the likeliest of the four, and those that cannot be told from it.

    For clips in which one of the four is surely there (``one_of_four``). Limits of the
    faults that are flagged by it are lowered to where they are; all others keep theirs.
    """
    likeliest = max((f.probability for f in faults if f.probability is not None), default=0.0)
    limit = lowered_limit(likeliest)
    return tuple(
        replace(f, limit=limit, flagged=True)
        if f.probability is not None and not f.flagged and f.probability >= limit
        else f
        for f in faults
    )


def unknown_limit(model: Model, limits: Limits | None) -> float:
    """Probability from which a clip counts as not like a quiet machine."""
    own = None if limits is None else limits.faults.get(UNKNOWN)
    return model.unknown.limit if own is None else own.probability
