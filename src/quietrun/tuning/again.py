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

from quietrun.judge.limits import UNKNOWN, Limits
from quietrun.judge.model import Model, Scorecard
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
    for fault in FAULTS:
        score = scores.get(fault)
        if score is None or not report["faults"][fault]["possible"]:
            continue
        shift, limit = _limit(fault, limits, model)
        probability = _probability(score - shift)
        if probability >= limit:
            flagged.append(fault)
        elif probability >= model.cards[fault].near * limit / model.cards[fault].limit:
            near.append(fault)
    if flagged:
        return Again("noisy", tuple(flagged))
    if near or _unlike(scores, limits, model) or _otherwise_held(report):
        return Again("inspect", ())
    return Again("quiet", ())


def _unlike(scores: Scores, limits: Limits | None, model: Model) -> bool:
    """Not like a quiet machine, where that score was logged."""
    score = scores.get(UNKNOWN)
    if score is None:
        return False
    shift, limit = _limit(UNKNOWN, limits, model)
    return _probability(score - shift) >= limit


def _limit(fault: str, limits: Limits | None, model: Model) -> tuple[float, float]:
    own = None if limits is None else limits.faults.get(fault)
    if own is None:
        return 0.0, card_of(model, fault).limit
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


def card_of(model: Model, fault: str) -> Scorecard:
    """Find the scorecard of a fault, or of what is not like a quiet machine."""
    return model.unknown if fault == UNKNOWN else model.cards[fault]


def log_odds_of(probability: float) -> float:
    """Turn a limit of the model into log-odds."""
    return math.log(probability / (1.0 - probability))
