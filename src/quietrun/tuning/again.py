"""The word of a logged clip under other limits, from its scores and its verdict object.

``judge`` itself needs the recording; here the parts of its rule that limits touch are applied
to what was logged: a fault over its limit makes ``noisy``, near it ``inspect``; whatever else
kept the clip from ``quiet`` before (findings, phases not heard) still does.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from quietrun.judge.limits import ONE_OF_FOUR, UNKNOWN, Limits
from quietrun.judge.model import Model, Scorecard
from quietrun.judge.score import lowered_limit
from quietrun.words import FAULTS

Report = Mapping[str, Any]
Scores = Mapping[str, float | None]

#: Findings that limits do not touch and that keep no clip from ``quiet``; ``unknown_noise`` is
#: judged anew from its own score.
_HARMLESS = frozenset({"squeal_near_rest", "unknown_noise"})


@dataclass(frozen=True, slots=True)
class Again:
    """A word and the faults over their limit."""

    verdict: str
    flagged: tuple[str, ...]


def judge_again(report: Report, scores: Scores, limits: Limits | None, model: Model) -> Again:
    """Judge a logged clip once more under ``limits`` (None: the general model's)."""
    if report["verdict"] == "unusable":
        return Again("unusable", ())
    flagged, near = [], []
    probabilities = {}
    for fault in FAULTS:
        score = scores.get(fault)
        if score is None or not report["faults"][fault]["possible"]:
            continue
        shift, limit = _limit(fault, limits, model)
        probabilities[fault] = probability = _probability(score - shift)
        if probability >= limit:
            flagged.append(fault)
        elif probability >= model.cards[fault].near * limit / model.cards[fault].limit:
            near.append(fault)
    turned = all(finding["code"] != "did_not_start" for finding in report["findings"])
    if turned and _over(ONE_OF_FOUR, scores, limits, model):
        from_ = lowered_limit(max(probabilities.values(), default=0.0))
        flagged = [f for f, p in probabilities.items() if f in flagged or p >= from_]
    if flagged:
        return Again("noisy", tuple(flagged))
    strange = any(_over(name, scores, limits, model) for name in (UNKNOWN, ONE_OF_FOUR))
    if near or strange or _otherwise_held(report):
        return Again("inspect", ())
    return Again("quiet", ())


def _over(name: str, scores: Scores, limits: Limits | None, model: Model) -> bool:
    """Over its limit, where that score was logged and the model has a card for it."""
    score = scores.get(name)
    if score is None or card_of(model, name) is None:
        return False
    shift, limit = _limit(name, limits, model)
    return _probability(score - shift) >= limit


def _limit(fault: str, limits: Limits | None, model: Model) -> tuple[float, float]:
    own = None if limits is None else limits.faults.get(fault)
    if own is None:
        card = card_of(model, fault)
        if card is None:
            raise ValueError(f"the model has no card {fault}")
        return 0.0, card.limit
    return own.shift, own.probability


def _probability(log_odds: float) -> float:
    return 1.0 / (1.0 + math.exp(-max(-60.0, min(60.0, log_odds))))


def _otherwise_held(report: Report) -> bool:
    """Something besides the four faults that keeps the clip from ``quiet``."""
    codes = {finding["code"] for finding in report["findings"]}
    run = report["run"]
    lacking = report["machine"]["stage"] != "hand_spin" and (
        run["switched_on_s"] is None or run["switched_off_s"] is None or run["coast_down_s"] is None
    )
    return bool(codes - _HARMLESS) or lacking


def card_of(model: Model, fault: str) -> Scorecard | None:
    """Find the scorecard of a fault, or of a noise that no part is named for."""
    if fault == ONE_OF_FOUR:
        return model.one_of_four
    return model.unknown if fault == UNKNOWN else model.cards[fault]


def log_odds_of(probability: float) -> float:
    """Turn a limit of the model into log-odds."""
    return math.log(probability / (1.0 - probability))
