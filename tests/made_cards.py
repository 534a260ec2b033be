"""Scorecards of one feature whose value is the log-odds, for tests of the verdict."""

from quietrun.evidence import Feature
from quietrun.judge.model import Scorecard, Term
from quietrun.words import STAGES

STEPS = tuple(float(i) for i in range(-8, 9))


def card(name, feature, *, limit=0.5, near=0.3):
    """Card with the whole part of ``feature`` as log-odds; limit 0.5 is 0, near 0.3 is -0.85."""
    points = (STEPS[0] - 1.0, *STEPS)
    return Scorecard(name, 0.0, limit, near, (Term(feature, STEPS, points, 0.0, (-8.0, 0.0)),))


def catalogue(*names):
    """Rows of made-up features."""
    return {
        name: Feature(name, "knocks", "dB", "steady", None, 1, 0.0, STAGES, name, "made for a test")
        for name in names
    }
