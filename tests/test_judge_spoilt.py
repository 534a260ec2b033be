"""What is no empty grinder run: refused by the cards, never judged, and only where it can be."""

from dataclasses import replace

import pytest
from made_cards import card, catalogue

from quietrun.evidence import Evidence, Missing
from quietrun.fitness.types import Fitness
from quietrun.judge import Model, load_model, settle
from quietrun.judge.model import SPOILT
from quietrun.problems import Problem
from quietrun.words import FAULTS, PROBLEMS

CATALOGUE = catalogue(*FAULTS, "unlike", *SPOILT)
MODEL = Model(
    "made",
    "ab" * 32,
    tuple(CATALOGUE),
    {fault: card(fault, fault) for fault in FAULTS},
    card("unknown", "unlike"),
    spoilt={code: card(code, code) for code in SPOILT},
)
#: The features of the plain rules for beans say nothing here.
QUIET = dict.fromkeys(CATALOGUE, -5.0) | dict.fromkeys(
    (
        "knock_rate",
        "knock_strength",
        "knock_in_turn",
        "knock_coast_over",
        "turn_comb_best",
        "off_turn_together",
    ),
    Missing("made"),
)
CLEAN = Fitness(16_000.0, 25.0, ())


def settled(fitness=CLEAN, *, stage="assembled", model=MODEL, **values):
    return settle(fitness, Evidence({**QUIET, **values}), model, stage)


@pytest.mark.parametrize("code", SPOILT)
def test_over_its_limit_a_clip_is_refused_with_what_why_and_what_to_do(code):
    assert code in PROBLEMS
    assert settled().usable
    refused = settled(**{code: 2.0})
    assert not refused.usable
    (problem,) = refused.problems
    assert problem.code == code
    assert problem.fatal
    assert all((problem.what, problem.why, problem.do))
    assert "steady" in problem.disables


def test_what_was_heard_in_doubt_before_is_told_once():
    doubt = Problem("other_machine", "perhaps", "why", "do", (), False)
    talk = Problem("talked_over", "talk", "why", "do", (), False)
    refused = settled(replace(CLEAN, problems=(doubt, talk)), other_machine=2.0)
    assert [p.code for p in refused.problems] == ["other_machine", "talked_over"]
    assert [p.fatal for p in refused.problems] == [True, False]


def test_what_is_refused_already_keeps_its_reason():
    cut = Fitness(16_000.0, 25.0, (Problem("too_short", "what", "why", "do", (), True),))
    assert settled(cut, loaded_run=2.0) == cut


def test_nothing_can_be_in_a_motor_without_its_chamber():
    assert settled(stage="motor_only", loaded_run=2.0).usable
    assert not settled(stage="motor_only", other_machine=2.0).usable


@pytest.mark.parametrize(
    ("name", "value"),
    [("turn_comb_best", 6.1), ("off_turn_together", 20.1), ("knock_in_turn", 0.6)],
)
def test_what_keeps_time_with_the_shaft_is_not_beans(name, value):
    """A pitted bearing grinds as beans do, but repeats beside the turn."""
    assert settled(**{"loaded_run": 2.0, name: value}).usable
    assert not settled(**{"other_machine": 2.0, name: value}).usable


def test_a_shaft_spun_by_hand_is_not_asked():
    assert settled(stage="hand_spin", loaded_run=2.0, other_machine=2.0).usable


def test_a_model_without_such_cards_refuses_nothing_more():
    assert settled(model=replace(MODEL, spoilt={}), loaded_run=2.0).usable


def test_the_shipped_model_has_them():
    shipped = load_model()
    assert set(shipped.spoilt) == set(SPOILT)
    for one in shipped.spoilt.values():
        assert len(one.terms) >= 5
