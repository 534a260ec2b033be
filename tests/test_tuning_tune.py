"""A whole tuning: what counts, what it will cost, which past clips it changes, what it warns of."""

from dataclasses import replace

import numpy as np
import pytest
from made_logbook import MODEL_SHA, made_report

from quietrun.errors import ModelError, UsageError
from quietrun.evidence import Evidence
from quietrun.judge.limits import ONE_OF_FOUR, FaultLimit, Limits
from quietrun.judge.model import Model, Scorecard
from quietrun.judge.population import Population, Spread, load_population
from quietrun.judge.score import probability_of, unknown_limit, unknown_score
from quietrun.report.tune_text import tune_text
from quietrun.tuning.again import judge_again, log_odds_of
from quietrun.tuning.tune import Logged, as_object, expected_alarms, tune
from quietrun.words import FAULTS

OTHERS = Spread(-4.0, 1.8, 0.9, 6.0)
MODEL = Model(
    name="made",
    sha256=MODEL_SHA,
    features=(),
    cards={name: Scorecard(name, -4.0, 0.5, 0.35, ()) for name in FAULTS},
    unknown=Scorecard("unknown", -4.0, 0.5, 0.35, ()),
)
POPULATION = Population(
    MODEL_SHA,
    {"assembled": dict.fromkeys(FAULTS, OTHERS)},
    {"assembled": {"run_up_s": Spread(0.8, 0.4, 0.05, 8.0)}},
    machines=50,
    runs=250,
)


def logged(number, rub, *, quiet=True, faults=(), day=None, report=None):
    """A clip whose impeller score is ``rub`` and whose other scores are calm."""
    scores = {name: -4.0 + 0.1 * (number % 3) for name in FAULTS} | {"impeller_rub": rub}
    if report is None:
        over = [name for name, score in scores.items() if score >= 0]
        report = made_report(number, verdict="noisy" if over else "quiet", flagged=over)
    return Logged(
        name=f"clip-{number}",
        day=day or f"2026-03-{number + 1:02d}",
        scores=scores,
        evidence={"run_up_s": 0.5 + 0.01 * number},
        report=report,
        quiet=quiet,
        faults=faults,
    )


def tuned(clips, **changes):
    given = {
        "machine": "B-014",
        "phone": "old phone",
        "stage": "assembled",
        "model": MODEL,
        "population": POPULATION,
        "old": None,
        "rng": np.random.default_rng(3),
        **changes,
    }
    return tune(clips, **given)


LOUD = [logged(n, 0.1 + 0.2 * (n % 3)) for n in range(6)]  # quiet, but over the general limit


def row(found, fault):
    return next(one for one in found.faults if one.fault == fault)


def test_a_machine_loud_by_nature_gets_a_higher_limit_and_its_clips_are_freed():
    found = tuned(LOUD)
    assert row(found, "impeller_rub").limit > 0.5
    assert row(found, "impeller_rub").shift == pytest.approx(0.3 + 4.0)
    assert [(m.before.verdict, m.after.verdict) for m in found.moved] == [("noisy", "quiet")] * 6
    own = found.limits.faults["impeller_rub"]
    assert own.general == pytest.approx(row(found, "impeller_rub").limit)


def test_limits_fit_what_judge_does_with_them():
    """Flagged by judge's own rule, on the shifted score, exactly when over the limit found."""
    found = tuned(LOUD)
    own = found.limits.faults["impeller_rub"]
    for score in np.linspace(-2, 4, 61):
        flagged = probability_of(score - own.shift) >= own.probability
        assert flagged == (score >= row(found, "impeller_rub").limit - 1e-9)


def test_judge_uses_the_own_limit_of_unknown_noise():
    own = Limits("B", "", "assembled", MODEL_SHA, {"unknown": FaultLimit(shift=-3.0, limit=0.5)})
    for limits, probability, limit in (
        (None, probability_of(-4.0), 0.5),
        (own, probability_of(-1.0), probability_of(0.5)),
    ):
        said, _ = unknown_score(MODEL, Evidence({}), {}, limits)
        assert said == pytest.approx(probability)
        assert unknown_limit(MODEL, limits) == pytest.approx(limit)


def test_a_confirmed_fault_stays_over_the_limit_and_the_clip_noisy():
    clips = [*LOUD, logged(9, 1.1, quiet=False, faults=("impeller_rub",))]
    found = tuned(clips)
    assert row(found, "impeller_rub").limit < 1.1
    again = judge_again(clips[-1].report, clips[-1].scores, found.limits, MODEL)
    assert again.flagged == ("impeller_rub",)


def test_a_confirmed_fault_of_one_kind_leaves_the_other_limits_alone():
    clips = [*LOUD, logged(9, 3.0, quiet=False, faults=("impeller_rub",))]
    assert row(tuned(clips), "bearing_noise") == row(tuned(LOUD), "bearing_noise")


WITH_ANY = replace(MODEL, one_of_four=Scorecard(ONE_OF_FOUR, -4.0, 0.5, 0.35, ()))


def _any(clip, score):
    return replace(clip, scores={**clip.scores, ONE_OF_FOUR: score})


def test_what_is_one_of_the_four_gets_its_own_limit_held_under_any_confirmed_fault():
    calm = [logged(n, -4.0) for n in range(6)]
    loud = [_any(clip, 0.1 + 0.2 * (n % 3)) for n, clip in enumerate(calm)]
    free = row(tuned(loud, model=WITH_ANY), ONE_OF_FOUR).limit
    assert free > 0.5, "loud by nature: over the general limit of 0"
    faulty = _any(logged(9, -3.0, quiet=False, faults=("impeller_rub",)), free - 0.1)
    found = tuned([*loud, faulty], model=WITH_ANY)
    assert row(found, ONE_OF_FOUR).limit < free - 0.1
    assert all(one.fault != ONE_OF_FOUR for one in tuned(loud).faults), "the model has no card"


def test_only_possible_faults_get_limits():
    report = made_report(1, stage="motor_only")
    clips = [logged(n, -4.0, report=report) for n in range(3)]
    found = tuned(clips, stage="motor_only")
    assert set(found.limits.faults) == {"bearing_noise", "impeller_rub"}


def test_no_quiet_run_is_a_clear_message():
    with pytest.raises(UsageError, match="no quiet run of stage assembled"):
        tuned([logged(1, 3.0, quiet=False, faults=("impeller_rub",))])
    with pytest.raises(UsageError, match="One quiet run is too few"):
        tuned([logged(1, -3.0)], population=None)


def test_limits_from_own_runs_alone_say_so():
    found = tuned(LOUD, population=None)
    assert any("rest on the own runs alone" in line for line in found.warnings)


def test_own_usual_ranges_are_narrower_than_those_of_all_machines():
    low, high = tuned(LOUD).limits.usual["run_up_s"]
    assert 0.3 < low < 0.50
    assert 0.55 < high < 0.75


def test_expected_alarms_agree_with_the_rates_of_the_faults():
    found = tuned(LOUD)
    rates = [one.false_alarm for one in found.faults]
    union = 1 - np.prod([1 - rate for rate in rates])
    mean, low, high = expected_alarms(found.faults, np.random.default_rng(1), draws=40_000)
    assert mean == pytest.approx(union, rel=0.1)
    assert low < mean < high
    assert found.per_100 == pytest.approx(100 * union, rel=0.3)


def test_the_interval_narrows_with_more_runs():
    many = [logged(n, 0.1 + 0.2 * (n % 3), day=f"2026-03-{n % 28 + 1:02d}") for n in range(60)]
    few, lots = tuned(LOUD), tuned(many)
    assert (lots.per_100_range[1] - lots.per_100_range[0]) < (
        few.per_100_range[1] - few.per_100_range[0]
    )


def test_runs_left_out_are_counted():
    odd = [*LOUD[:5], logged(7, 5.0)]
    found = tuned(odd)
    assert found.left_out == (1, 6)
    low, high = found.left_out_range
    assert low == pytest.approx(3.0, abs=0.1)  # Wilson 95 % of 1 in 6: 0.0301 to 0.5635
    assert high == pytest.approx(56.4, abs=0.1)
    assert tuned(LOUD).left_out == (0, 6)
    assert tuned(LOUD[:1]).left_out_range is None


def test_warnings_name_one_day_and_the_run_that_stands_out():
    same_day = [logged(n, -3.0 + 0.1 * n, day="2026-03-05") for n in range(3)]
    assert any("All quiet runs are of one day" in line for line in tuned(same_day).warnings)
    odd = [*LOUD[:5], logged(7, 5.0)]
    assert any("clip-7 (2026-03-08) stands out in impeller_rub" in w for w in tuned(odd).warnings)
    assert tuned(LOUD).warnings == ()


def test_old_limits_are_the_machines_own_ones():
    old = Limits(
        "B-014", "old phone", "assembled", MODEL_SHA, {"impeller_rub": FaultLimit(1.0, 0.7)}
    )
    found = tuned(LOUD, old=old)
    assert row(found, "impeller_rub").old == pytest.approx(1.7)
    assert row(found, "bearing_noise").old == 0.0
    assert found.moved == (), "0.1 to 0.5 were free under the old own limits already"


def test_judging_again_keeps_what_else_held_a_clip():
    held = made_report(1, verdict="inspect")
    held["findings"] = [{"code": "slow_run_up"}]
    calm = {name: -4.0 for name in FAULTS}
    assert judge_again(held, calm, None, MODEL).verdict == "inspect"
    half = made_report(1, verdict="inspect")
    half["run"]["switched_on_s"] = None
    assert judge_again(half, calm, None, MODEL).verdict == "inspect"
    harmless = made_report(1)
    harmless["findings"] = [{"code": "squeal_near_rest"}]
    assert judge_again(harmless, calm, None, MODEL).verdict == "quiet"
    near = calm | {"impeller_rub": log_odds_of(0.4)}
    assert judge_again(harmless, near, None, MODEL).verdict == "inspect"
    assert judge_again(made_report(1, verdict="unusable"), calm, None, MODEL).verdict == "unusable"


def test_the_text_says_what_the_object_says():
    clips = [*LOUD, logged(9, 1.1, quiet=False, faults=("impeller_rub",))]
    found = as_object(tuned(clips), dry_run=True) | {"not_used": []}
    text = tune_text(found)
    assert "B-014, assembled, phone old phone: 6 quiet runs" in text
    assert "Expected false alarms in 100 quiet visits" in text
    assert "2026-03-01  clip-0: noisy -> quiet (impeller rub, confirmed quiet)" in text
    assert "Nothing was stored" in text
    assert max(map(len, text.splitlines())) <= 92
    assert "Stored. Back to the general" in tune_text(found | {"stored": True})


def test_a_population_file_comes_back_and_a_wrong_one_is_named(tmp_path):
    path = tmp_path / "population.json"
    spread = '{"centre": -4, "between": 1.8, "within": 0.9, "dof": 6}'
    path.write_text(
        '{"format": 1, "model_sha256": "x", "machines": 3, "runs": 9, "band_db": 1.5,'
        f' "faults": {{"assembled": {{"impeller_rub": {spread}}}}}, "features": {{}}}}'
    )
    found = load_population(path)
    assert found.fault("motor_only", "impeller_rub") == OTHERS, "assembled stands in"
    assert found.band_db == 1.5
    for number, wrong in enumerate(("", "[]", '{"format": 9}', '{"format": 1}')):
        bad = tmp_path / f"bad-{number}.json"
        bad.write_text(wrong)
        with pytest.raises(ModelError, match="cannot be used"):
            load_population(bad)
    with pytest.raises(ModelError, match="cannot be used"):
        load_population(tmp_path / "none.json")
