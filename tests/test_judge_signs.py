"""Findings told by a card of several features."""

from dataclasses import replace

import made_analyses
import pytest
from made_cards import card, catalogue

from quietrun.evidence import Evidence, Missing
from quietrun.fitness import Fitness
from quietrun.judge.decide import decide
from quietrun.judge.findings import SIGNS
from quietrun.judge.model import Model, load_model
from quietrun.machine import Machine
from quietrun.words import FAULTS, FINDINGS

CATALOGUE = catalogue(*FAULTS, "unlike", *SIGNS)
MODEL = Model(
    "made",
    "ab" * 32,
    tuple(CATALOGUE),
    {fault: card(fault, fault) for fault in FAULTS},
    card("unknown", "unlike"),
    {},
    {code: card(code, code) for code in SIGNS},
)
QUIET = dict.fromkeys(CATALOGUE, -5.0) | {
    "tone_near_rest": Missing("no tone"),
    "tone_best": Missing("no tone"),
}


def judged(run=None, **values):
    return decide(
        machine=Machine(stage="assembled"),
        run=run or made_analyses.full_run(),
        fitness=Fitness(16_000.0, 30.0, ()),
        evidence=Evidence({**QUIET, **values}),
        model=MODEL,
        catalogue=CATALOGUE,
    )


def _serious(verdict):
    return [f.code for f in verdict.findings if not f.harmless]


@pytest.mark.parametrize("code", SIGNS)
def test_a_sign_over_its_limit_is_told_with_what_to_look_at_and_is_not_quiet(code):
    assert code in FINDINGS
    assert judged().word == "quiet"
    verdict = judged(**{code: 2.0})
    assert verdict.word == "inspect"
    (found,) = [f for f in verdict.findings if f.code == code]
    assert found.value == pytest.approx(1 / (1 + 2.718281828**-2), abs=1e-6)
    assert found.usual == (0.0, 0.5)
    assert found.look_at in verdict.look_first
    assert found.says in verdict.because


def test_knocks_without_a_beat_give_way_to_a_fault_with_a_name():
    both = judged(irregular_knocks=2.0, bearing_noise=2.0)
    assert both.word == "noisy"
    assert all(f.code != "irregular_knocks" for f in both.findings)
    switch = judged(start_switch_open_not_heard=2.0, bearing_noise=2.0)
    assert _serious(switch) == ["start_switch_open_not_heard"]


def test_a_switch_told_in_earnest_is_told_once():
    run = replace(made_analyses.full_run(), switch_open=None)
    plain = [f for f in judged(run).findings if f.code == "start_switch_open_not_heard"]
    assert [f.harmless for f in plain] == [True]
    told = judged(run, start_switch_open_not_heard=2.0)
    found = [f for f in told.findings if f.code == "start_switch_open_not_heard"]
    assert [f.harmless for f in found] == [False]


def test_a_sag_that_was_measured_is_not_told_twice():
    run = replace(made_analyses.full_run(), sag_percent=4.0)
    found = [f for f in judged(run, speed_sags=2.0).findings if f.code == "speed_sags"]
    assert len(found) == 1
    assert found[0].unit == "%"


def test_a_named_finding_takes_the_place_of_the_nameless_one():
    verdict = judged(unlike=3.0, mains_hum_strong=2.0)
    assert _serious(verdict) == ["mains_hum_strong"]
    assert _serious(judged(unlike=3.0)) == ["unknown_noise"]


def test_a_motor_that_did_not_start_has_no_signs():
    run = replace(made_analyses.full_run(), started=False)
    assert [f.code for f in judged(run, mains_hum_strong=2.0).findings] == ["did_not_start"]


def test_the_shipped_model_has_a_card_for_each_sign():
    assert set(load_model().signs) == set(SIGNS)
