"""A fault that is surely there though none is sure alone: which are named, under which limits."""

import json
import math
from dataclasses import replace

import made_analyses
import pytest
from made_cards import catalogue
from made_logbook import MODEL_SHA, made_report

from quietrun.evidence import Evidence, Missing
from quietrun.fitness import Fitness
from quietrun.judge.decide import decide
from quietrun.judge.limits import ONE_OF_FOUR, FaultLimit, Limits
from quietrun.judge.model import Model, Scorecard, Term, load_model
from quietrun.judge.score import LEAST, WITHIN, lowered_limit
from quietrun.machine import Machine
from quietrun.report.text import sentence
from quietrun.tuning.again import judge_again
from quietrun.words import FAULTS

STEPS = tuple(round(0.005 * i, 3) for i in range(-1600, 1601))


def card(name, feature, *, limit=0.5, near=None):
    """Card whose log-odds are the feature, to 0.005."""
    terms = (Term(feature, STEPS, (STEPS[0] - 1.0, *STEPS), 0.0, (-8.0, 0.0)),)
    return Scorecard(name, 0.0, limit, limit if near is None else near, terms)


CATALOGUE = catalogue(*FAULTS, "unlike", "any")
MODEL = Model(
    "made",
    MODEL_SHA,
    tuple(CATALOGUE),
    {fault: card(fault, fault, limit=0.9) for fault in FAULTS},
    card("unknown", "unlike"),
    one_of_four=card(ONE_OF_FOUR, "any", limit=0.8),
)
QUIET = dict.fromkeys(CATALOGUE, -5.0) | {
    "tone_near_rest": Missing("no tone"),
    "tone_best": Missing("no tone"),
}
SURE = math.log(4.0) + 0.01  # just over a limit of 0.8


def judged(*, stage="assembled", run=None, model=MODEL, limits=None, **values):
    return decide(
        machine=Machine(stage=stage),
        run=run or made_analyses.full_run(),
        fitness=Fitness(16_000.0, 30.0, ()),
        evidence=Evidence({**QUIET, **values}),
        model=model,
        catalogue=CATALOGUE,
        limits=limits,
    )


def flagged(verdict):
    return [f.fault for f in verdict.faults if f.flagged]


def odds(share):
    return math.log(share)


def test_what_is_sure_to_be_one_of_the_four_is_named_after_the_likeliest():
    calm = judged(burr_contact=0.0)
    assert (calm.word, flagged(calm)) == ("quiet", [])
    verdict = judged(burr_contact=0.0, any=SURE)
    assert verdict.word == "noisy"
    assert flagged(verdict) == ["burr_contact"]
    assert verdict.because[0] == (
        "One of the four faults is in the sound (probability 0.80, limit 0.80); what fits it "
        "best is named."
    )
    assert verdict.because[1].startswith("It sounds like burr contact (probability 0.50, limit ")
    assert not any(f.code == "unknown_noise" for f in verdict.findings)


def test_just_under_its_limit_it_names_nothing():
    assert judged(burr_contact=0.0, any=SURE - 0.02).word == "quiet"


def test_those_that_cannot_be_told_apart_are_all_named_and_the_rest_are_not():
    within, beyond = odds(WITHIN) + 0.01, odds(WITHIN) - 0.01
    verdict = judged(burr_contact=0.0, impeller_rub=within, bearing_noise=beyond, any=SURE)
    assert flagged(verdict) == ["impeller_rub", "burr_contact"]
    by_name = {f.fault: f for f in verdict.faults}
    assert by_name["burr_contact"].limit == by_name["impeller_rub"].limit
    assert by_name["burr_contact"].limit == pytest.approx(0.3 / 1.3)
    assert by_name["bearing_noise"].limit == 0.9, "what is not named keeps its own limit"
    assert not verdict.apart
    assert sentence(verdict) == "It sounds like burr contact or impeller rub."
    for fault in verdict.faults:
        assert fault.flagged == (fault.probability >= fault.limit)


def test_a_fault_over_its_own_limit_keeps_it_and_needs_no_other_reason():
    verdict = judged(burr_contact=3.0, any=SURE)
    (over,) = [f for f in verdict.faults if f.flagged]
    assert over.limit == 0.9
    assert verdict.apart
    assert verdict.because[0].startswith("It sounds like burr contact")


def test_what_is_likely_for_none_is_an_unknown_noise():
    verdict = judged(any=SURE)
    assert verdict.word == "inspect"
    assert flagged(verdict) == []
    (found,) = [f for f in verdict.findings if f.code == "unknown_noise"]
    assert (round(found.value, 2), found.usual) == (0.80, (0.0, 0.8))
    least = odds(LEAST / (1 - LEAST))
    assert flagged(judged(burr_contact=least + 0.01, any=SURE)) == ["burr_contact"]
    assert flagged(judged(burr_contact=least - 0.01, any=SURE)) == []


def test_the_stage_still_rules_faults_out():
    verdict = judged(stage="motor_only", burr_contact=3.0, bearing_noise=-1.0, any=SURE)
    assert flagged(verdict) == ["bearing_noise"]


def test_a_motor_that_did_not_turn_and_a_shaft_spun_by_hand_are_not_asked():
    still = replace(made_analyses.full_run(), started=False)
    assert flagged(judged(run=still, burr_contact=0.0, any=SURE)) == []
    by_hand = replace(MODEL, by_hand={f: card(f, f, limit=0.9) for f in FAULTS})
    spun = judged(stage="hand_spin", model=by_hand, bearing_noise=0.0, any=SURE)
    assert flagged(spun) == []


def test_the_machines_own_limit_counts_for_this_card_too():
    own = Limits(
        machine="B-1",
        phone="",
        stage="assembled",
        model_sha256=MODEL_SHA,
        faults={ONE_OF_FOUR: FaultLimit(shift=2.0, limit=0.0)},
    )
    assert flagged(judged(burr_contact=0.0, any=1.99, limits=own)) == []
    verdict = judged(burr_contact=0.0, any=2.01, limits=own)
    assert flagged(verdict) == ["burr_contact"]
    assert "(probability 0.50, limit 0.50)" in verdict.because[0]


@pytest.mark.parametrize("likeliest", [0.0, 0.05, 0.2, 0.5, 0.97, 1.0])
def test_the_lowered_limit_is_never_above_the_likeliest_nor_below_the_least(likeliest):
    limit = lowered_limit(likeliest)
    assert limit >= LEAST
    assert limit <= max(likeliest, LEAST)


def test_judging_again_from_the_logbook_follows_the_same_rule():
    for scores in (
        {"burr_contact": 0.0, "any": SURE},
        {"burr_contact": 0.0, "impeller_rub": odds(WITHIN) + 0.01, "any": SURE},
        {"burr_contact": 0.0, "any": SURE - 0.02},
        {"any": SURE},
        {"burr_contact": 3.0},
    ):
        verdict = judged(**scores)
        logged = {f: scores.get(f, -5.0) for f in FAULTS} | {ONE_OF_FOUR: scores.get("any", -5.0)}
        again = judge_again(made_report(1), logged, None, MODEL)
        assert again.verdict == verdict.word
        assert [*again.flagged] == flagged(verdict)


def test_a_motor_that_did_not_turn_is_not_asked_from_the_logbook_either():
    logged = dict.fromkeys(FAULTS, -5.0) | {"burr_contact": 0.0, ONE_OF_FOUR: SURE}
    still = made_report(1, verdict="inspect") | {"findings": [{"code": "did_not_start"}]}
    assert judge_again(still, logged, None, MODEL).flagged == ()
    assert judge_again(made_report(1), logged, None, MODEL).flagged == ("burr_contact",)


def test_a_model_without_that_card_is_still_read(tmp_path):
    shipped = load_model()
    assert shipped.one_of_four is not None
    assert len(shipped.one_of_four.terms) >= 5
    from quietrun.judge.model import default_path

    got = json.loads(default_path().read_text())
    del got[ONE_OF_FOUR]
    path = tmp_path / "model.json"
    path.write_text(json.dumps(got))
    assert load_model(path).one_of_four is None
