"""The scorecard: a model as data, read with numpy alone, never unpickled.

A score is ``base`` plus the points of every term; a term turns one feature
into points by a monotone staircase. Points are log-odds, so they add up to
the log-odds of the fault exactly, and a missing feature brings the points
that missing ones brought in training.
"""

from __future__ import annotations

import hashlib
import json
import math
from bisect import bisect_right
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

from quietrun.errors import ModelError
from quietrun.words import FAULTS, FINDINGS, POSSIBLE

FORMAT = 1
_HAND = "hand_spin"
#: Recording problems that a model may have cards for.
SPOILT = ("loaded_run", "other_machine")
LARGEST_BYTES = 8_000_000
_RETRAIN = "Use the model that came with this version, or retrain: scripts/train_model.py."


@dataclass(frozen=True, slots=True)
class Term:
    """Points against one feature.

    Attributes
    ----------
    feature : str
    edges : tuple of float, increasing
    points : tuple of float, one more than ``edges``, all rising or all falling
        A value equal to an edge belongs to the step above it.
    missing : float
        Points where the feature could not be measured.
    usual : (lo, hi)
        Central 90 % of quiet machines in training, in the feature's unit.
    """

    feature: str
    edges: tuple[float, ...]
    points: tuple[float, ...]
    missing: float
    usual: tuple[float, float]

    def of(self, value: float | None) -> float:
        """Points of a value; None is a missing one."""
        return self.missing if value is None else self.points[bisect_right(self.edges, value)]


@dataclass(frozen=True, slots=True)
class Scorecard:
    """One fault's terms. ``limit`` is a probability."""

    name: str
    base: float
    limit: float
    near: float
    terms: tuple[Term, ...]


@dataclass(frozen=True, slots=True)
class Model:
    """A checked model file.

    Attributes
    ----------
    name : str
    sha256 : str
        Of the file's bytes.
    features : tuple of str
    cards : dict of fault -> Scorecard
    unknown : Scorecard
        "Not like a quiet machine", for noises that are none of the four.
    by_hand : dict of fault -> Scorecard
        For a shaft spun by hand, where there is neither power nor a steady speed; empty
        in a model that was not trained on such clips.
    signs : dict of finding -> Scorecard
        Findings that are told by several features together; empty in a model without.
    one_of_four : Scorecard or None
        "One of the four faults, whichever", against a quiet machine; None in a model without.
    spoilt : dict of recording problem -> Scorecard
        What is no empty grinder run at all; empty in a model without.
    """

    name: str
    sha256: str
    features: tuple[str, ...]
    cards: dict[str, Scorecard]
    unknown: Scorecard
    by_hand: dict[str, Scorecard] = field(default_factory=dict)
    signs: dict[str, Scorecard] = field(default_factory=dict)
    one_of_four: Scorecard | None = None
    spoilt: dict[str, Scorecard] = field(default_factory=dict)

    def card(self, fault: str, stage: str) -> Scorecard:
        """The scorecard of a fault at a stage."""
        return self.by_hand.get(fault, self.cards[fault]) if stage == _HAND else self.cards[fault]


def default_path() -> Path:
    """Where the shipped model lies: inside the package, or at the checkout's top."""
    inside = Path(__file__).parents[1] / "_models" / "general" / "model.json"
    if inside.exists():
        return inside
    return Path(__file__).parents[3] / "models" / "general" / "model.json"


def load_model(path: Path | None = None) -> Model:
    """Read and check a model file.

    Parameters
    ----------
    path : Path or None
        The shipped general model where None.

    Raises
    ------
    ModelError
        No file, too large, not JSON, an unknown format, or numbers that cannot be.
    """
    where = path or default_path()
    try:
        if where.stat().st_size > LARGEST_BYTES:
            raise ModelError(
                f"The model file {where.name} is too large.",
                f"A model of this tool stays below {LARGEST_BYTES // 1_000_000} MB.",
                _RETRAIN,
            )
        data = where.read_bytes()
    except OSError as error:
        raise ModelError(
            f"The model file {where} cannot be read.",
            str(error.strerror or error),
            "Install quietrun again, or name another model.",
        ) from error
    try:
        got = json.loads(data)
        return _model(got, hashlib.sha256(data).hexdigest())
    except ModelError:
        raise
    except (
        ValueError,
        KeyError,
        TypeError,
        AttributeError,
        OverflowError,
        RecursionError,
    ) as error:
        raise ModelError(
            f"The file {where.name} is not a model of this tool.",
            f"Reading it failed at: {error!r}.",
            _RETRAIN,
        ) from error


def _model(got: dict[str, Any], sha256: str) -> Model:
    if not isinstance(got, dict):
        raise ValueError("not an object")
    if got.get("format") != FORMAT:
        raise ModelError(
            f"The model has format {got.get('format')!r}, this version reads format {FORMAT}.",
            "Another format may mean other things by the same numbers.",
            _RETRAIN,
        )
    features = tuple(str(f["name"]) for f in got["features"])
    cards = {fault: _card(fault, got["faults"][fault], features) for fault in FAULTS}
    by_hand = {
        fault: _card(fault, card, features)
        for fault, card in got.get("by_hand", {}).items()
        if fault in POSSIBLE[_HAND]
    }
    unknown = _card("unknown", got["unknown"], features)
    signs = {
        code: _card(code, card, features)
        for code, card in got.get("findings", {}).items()
        if code in FINDINGS
    }
    name = "one_of_four"
    one_of_four = _card(name, got[name], features) if name in got else None
    spoilt = {
        code: _card(code, card, features)
        for code, card in got.get("spoilt", {}).items()
        if code in SPOILT
    }
    return Model(
        str(got["name"]), sha256, features, cards, unknown, by_hand, signs, one_of_four, spoilt
    )


def _card(name: str, got: dict[str, Any], features: tuple[str, ...]) -> Scorecard:
    terms = tuple(_term(t) for t in got["terms"])
    strange = {t.feature for t in terms} - set(features)
    if strange:
        raise ModelError(
            f"The scorecard for {name} uses features that the model does not list.",
            f"Unknown: {', '.join(sorted(strange)[:5])}.",
            _RETRAIN,
        )
    limit, near, base = float(got["limit"]), float(got["near"]), float(got["base"])
    if not (0 < near <= limit < 1 and math.isfinite(base)):
        raise ValueError(f"limit of {name}")
    return Scorecard(name, base, limit, near, terms)


def _term(got: dict[str, Any]) -> Term:
    edges = tuple(float(x) for x in got["edges"])
    points = tuple(float(x) for x in got["points"])
    usual = (float(got["usual"][0]), float(got["usual"][1]))
    numbers = (*edges, *points, *usual, float(got["missing"]))
    if len(points) != len(edges) + 1 or not all(math.isfinite(x) for x in numbers):
        raise ValueError(f"steps of {got['feature']}")
    if any(b <= a for a, b in pairwise(edges)):
        raise ValueError(f"edges of {got['feature']}")
    rising = all(b >= a for a, b in pairwise(points))
    falling = all(b <= a for a, b in pairwise(points))
    if not (rising or falling):
        raise ValueError(f"points of {got['feature']} rise and fall")
    return Term(str(got["feature"]), edges, points, float(got["missing"]), usual)


def check_catalogue(model: Model, known: frozenset[str]) -> None:
    """Refuse a model whose features this version does not measure.

    Raises
    ------
    ModelError
    """
    strange = sorted(set(model.features) - known)
    if strange:
        raise ModelError(
            f"The model {model.name} needs features that this version does not measure.",
            f"Unknown: {', '.join(strange[:5])}.",
            _RETRAIN,
        )
