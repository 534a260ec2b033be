"""Scorecards: points add up, limits shift, models are checked before use."""

import json
import math

import pytest

from quietrun.errors import ModelError
from quietrun.evidence import Evidence, Feature, Missing
from quietrun.judge import load_model
from quietrun.judge.limits import FaultLimit, Limits
from quietrun.judge.model import Scorecard, Term, check_catalogue
from quietrun.judge.score import probability_of, score_fault

FEATURES = {
    name: Feature(name, "impacts", "dB", "steady", None, 1, 0.0, ("assembled",), name, "test")
    for name in ("a", "b")
}
CARD = Scorecard(
    "bearing_noise",
    -1.25,
    0.5,
    0.4,
    (
        Term("a", (0.0, 2.0), (-1.0, 0.5, 2.0), 0.25, (-1.0, 1.0)),
        Term("b", (1.0,), (0.75, -0.5), -0.125, (0.0, 2.0)),
    ),
)


@pytest.mark.parametrize(
    ("a", "b", "log_odds"),
    [(-1.0, 0.0, -1.5), (0.0, 0.0, 0.0), (1.99, 1.0, -1.25), (2.0, 0.5, 1.5)],
)
def test_a_value_on_an_edge_belongs_to_the_step_above(a, b, log_odds):
    score = score_fault("bearing_noise", CARD, Evidence({"a": a, "b": b}), FEATURES, possible=True)
    assert score.log_odds == pytest.approx(log_odds, abs=1e-12)


def test_missing_features_bring_their_own_points():
    evidence = Evidence({"a": Missing("not heard"), "b": 5.0})
    score = score_fault("bearing_noise", CARD, evidence, FEATURES, possible=True)
    assert {r.feature: r.points for r in score.reasons} == {"a": 0.25, "b": -0.5}
    assert score.log_odds == pytest.approx(-1.25 + 0.25 - 0.5, abs=1e-12)


def test_the_probability_is_the_logistic_of_the_sum_and_flags_at_the_limit():
    score = score_fault(
        "bearing_noise", CARD, Evidence({"a": 0.0, "b": 0.0}), FEATURES, possible=True
    )
    assert score.probability == pytest.approx(0.5)
    assert score.flagged
    below = score_fault(
        "bearing_noise", CARD, Evidence({"a": -1.0, "b": 0.0}), FEATURES, possible=True
    )
    assert below.probability == pytest.approx(1 / (1 + math.exp(1.5)))
    assert not below.flagged


def test_probability_does_not_overflow():
    assert probability_of(1e9) == pytest.approx(1.0)
    assert 0.0 < probability_of(-1e9) < 1e-20


def test_an_impossible_fault_has_no_score():
    score = score_fault(
        "burr_contact", CARD, Evidence({"a": 5.0, "b": 0.0}), FEATURES, possible=False
    )
    assert (score.possible, score.probability, score.flagged, score.reasons) == (
        False,
        None,
        False,
        (),
    )


def test_a_machines_own_shift_is_one_more_line_of_the_sum():
    limits = Limits("M-7", "", "assembled", "x", {"bearing_noise": FaultLimit(1.0, 0.5)}, {}, 5)
    score = score_fault(
        "bearing_noise",
        CARD,
        Evidence({"a": 2.0, "b": 0.0}),
        FEATURES,
        possible=True,
        limits=limits,
    )
    assert score.log_odds == pytest.approx(1.5 - 1.0)
    assert score.base + math.fsum(r.points for r in score.reasons) == pytest.approx(score.log_odds)
    assert score.limit == pytest.approx(probability_of(0.5))
    assert score.flagged


def _model(**changes):
    term = {"feature": "a", "edges": [0.0], "points": [-1.0, 1.0], "missing": 0.0, "usual": [-1, 1]}
    card = {"base": -1.0, "limit": 0.5, "near": 0.4, "terms": [term]}
    model = {
        "format": 1,
        "name": "t",
        "features": [{"name": "a", "unit": "dB"}],
        "faults": {
            f: card for f in ("bearing_noise", "impeller_rub", "pre_breaker_wobble", "burr_contact")
        },
        "unknown": card,
    }
    return model | changes


def _card(**changes):
    term = {"feature": "a", "edges": [0.0], "points": [-1.0, 1.0], "missing": 0.0, "usual": [-1, 1]}
    return {"base": -1.0, "limit": 0.5, "near": 0.4, "terms": [term | changes]}


def test_a_good_model_file_is_read(tmp_path):
    path = tmp_path / "model.json"
    path.write_text(json.dumps(_model()))
    model = load_model(path)
    assert model.features == ("a",)
    assert model.cards["impeller_rub"].terms[0].of(0.0) == 1.0


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({"format": 2}, "format 2"),
        ({"features": []}, "does not list"),
        ({"unknown": _card(points=[1.0])}, "not a model"),
        ({"unknown": _card(edges=[0.0, 1.0], points=[0.0, 1.0, 0.5])}, "rise and fall"),
        ({"unknown": _card(edges=[1.0, 1.0], points=[0.0, 1.0, 2.0])}, "edges of a"),
        ({"unknown": _card(missing="nan")}, "not a model"),
        ({"faults": {}}, "not a model"),
    ],
)
def test_a_model_that_cannot_be_right_is_refused(tmp_path, changes, match):
    path = tmp_path / "model.json"
    path.write_text(json.dumps(_model(**changes)))
    with pytest.raises(ModelError, match=match):
        load_model(path)


@pytest.mark.parametrize("content", [b"", b"hello", b"[1]", b"\x80\x04K.", b"[" * 5000])
def test_a_file_that_is_no_model_is_refused_unexecuted(tmp_path, content):
    path = tmp_path / "model.json"
    path.write_bytes(content)
    with pytest.raises(ModelError, match="not a model"):
        load_model(path)


def test_a_missing_model_says_what_to_do(tmp_path):
    with pytest.raises(ModelError, match="Install quietrun again"):
        load_model(tmp_path / "none.json")


def test_a_model_for_another_catalogue_is_refused(tmp_path):
    path = tmp_path / "model.json"
    path.write_text(json.dumps(_model()))
    with pytest.raises(ModelError, match="does not measure"):
        check_catalogue(load_model(path), frozenset({"b"}))
