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

from quietrun.judge.limits import Limits
from quietrun.judge.model import Model

Report = Mapping[str, Any]
Scores = Mapping[str, float | None]

_HARMLESS = frozenset({"squeal_near_rest"})


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
    for fault, score in scores.items():
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
    return Again("inspect" if near or _otherwise_held(report) else "quiet", ())


def _limit(fault: str, limits: Limits | None, model: Model) -> tuple[float, float]:
    own = None if limits is None else limits.faults.get(fault)
    if own is None:
        return 0.0, model.cards[fault].limit
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


def log_odds_of(probability: float) -> float:
    """Turn a limit of the model into log-odds."""
    return math.log(probability / (1.0 - probability))
