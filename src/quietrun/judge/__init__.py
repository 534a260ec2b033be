"""What the evidence means."""

from quietrun.judge.decide import decide
from quietrun.judge.limits import Limits
from quietrun.judge.model import Model, Scorecard, Term, load_model
from quietrun.judge.spoilt import settle
from quietrun.judge.types import Contact, FaultScore, Finding, Reason, Verdict

__all__ = [
    "Contact",
    "FaultScore",
    "Finding",
    "Limits",
    "Model",
    "Reason",
    "Scorecard",
    "Term",
    "Verdict",
    "decide",
    "load_model",
    "settle",
]
