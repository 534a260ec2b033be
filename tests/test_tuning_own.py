"""One fault's own limit: factors, shrinkage, likelihood, and never past a confirmed fault."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietrun.dsp.stats import tolerance_factor
from quietrun.judge.population import Spread
from quietrun.tuning.centre import own_centre
from quietrun.tuning.factors import pooled_tolerance_factor, t_quantile, t_tail
from quietrun.tuning.own import (
    COVERAGE,
    MARGIN,
    SURE,
    TIGHTEST,
    alarm_rate,
    likely_limit,
    own_limit,
    quiet_limit,
)

OTHERS = Spread(centre=-4.0, between=1.8, within=0.9, dof=6.0)


@pytest.mark.parametrize(
    ("n", "k"),
    [(2, 26.260), (3, 7.656), (5, 4.203), (8, 3.187), (10, 2.911), (20, 2.396), (100, 1.927)],
)
def test_factor_is_the_textbook_one_for_own_runs_alone(n, k):
    # CHECKS T1: ISO 16269-6 / NIST, k(n, 0.95, 0.95)
    assert pooled_tolerance_factor(n, n - 1, 0.95, 0.95) == pytest.approx(k, abs=1e-3)


@pytest.mark.parametrize(("n", "k"), [(3, 10.553), (5, 5.741), (10, 3.981)])
def test_factor_for_99_percent(n, k):
    # CHECKS T3
    assert pooled_tolerance_factor(n, n - 1, 0.99, 0.95) == pytest.approx(k, abs=1e-3)


@pytest.mark.parametrize("n", [2, 5, 12, 40])
def test_factor_agrees_with_the_one_in_dsp(n):
    assert pooled_tolerance_factor(n, n - 1, 0.9, 0.95) == pytest.approx(
        tolerance_factor(n, share=0.9, confidence=0.95)
    )


def test_factor_refuses_nonsense():
    with pytest.raises(ValueError, match="no factor"):
        pooled_tolerance_factor(0, 5, 0.95, 0.95)
    with pytest.raises(ValueError, match="no factor"):
        pooled_tolerance_factor(5, 0, 0.95, 0.95)


def test_worked_limit_of_five_readings():
    # CHECKS T10: readings 52.1 52.8 51.9 52.5 52.3, 95/95 upper limit 53.788
    readings = [52.1, 52.8, 51.9, 52.5, 52.3]
    centre = own_centre(readings, None)
    assert centre.mean == pytest.approx(52.320, abs=1e-9)
    assert centre.run_sd == pytest.approx(0.34928, abs=1e-5)
    assert quiet_limit(centre)[0] == pytest.approx(53.788, abs=1e-3)
    # next-run 95 % limit 53.136
    reach = t_quantile(0.95, centre.dof) * centre.next_sd
    assert centre.centre + reach == pytest.approx(53.136, abs=1e-3)


def test_few_runs_alone_give_the_prediction_factor():
    # CHECKS T8: t(n-1) sqrt(1 + 1/n), 99 % for n = 3: 8.042
    centre = own_centre([0.0, 1.0, 2.0], None)
    assert quiet_limit(centre)[0] == pytest.approx(1.0 + 8.042 * 1.0, abs=1e-3)


def test_shrinkage_is_the_closed_form():
    centre = own_centre([-2.0], OTHERS)
    weight = 1.8**2 / (1.8**2 + 0.9**2)
    assert centre.weight == pytest.approx(weight)
    assert centre.centre == pytest.approx(weight * -2.0 + (1 - weight) * -4.0)
    assert centre.centre_sd**2 == pytest.approx(1 / (1 / 1.8**2 + 1 / 0.9**2))
    assert (centre.run_sd, centre.dof) == (pytest.approx(0.9), 6.0)


def test_own_runs_weigh_more_the_more_there_are():
    weights = [own_centre([-2.0] * n, OTHERS).weight for n in (1, 2, 3, 4, 5)]
    assert weights == sorted(weights)
    assert weights[0] < 0.85
    assert weights[-1] == 1.0


def test_machines_that_are_all_alike_lend_their_centre():
    alike = Spread(-4.0, 1e-9, 0.9, 6.0)
    assert own_centre([-1.0, -1.2], alike).centre == pytest.approx(-4.0, abs=1e-6)


@pytest.mark.parametrize("runs", [[], [1.0]])
def test_too_few_runs_alone_are_refused(runs):
    with pytest.raises(ValueError, match="at least two runs"):
        own_centre(runs, None)


@pytest.mark.parametrize("numbers", [(0, 1, 0, 5), (0, -1, 1, 5), (math.nan, 1, 1, 5)])
def test_a_spread_that_cannot_be_is_refused(numbers):
    with pytest.raises(ValueError, match="finite, positive"):
        Spread(*numbers)


@pytest.fixture(scope="module")
def machines():
    """Quiet machines drawn from the very population, tuned on n runs, heard 300 times later."""
    rng = np.random.default_rng(5)
    found = {}
    for n in (2, 5, 10):
        rows = []
        for _ in range(250):
            middle = rng.normal(OTHERS.centre, OTHERS.between)
            scatter = OTHERS.within * math.sqrt(OTHERS.dof / rng.chisquare(OTHERS.dof))
            runs = rng.normal(middle, scatter, n)
            row = own_limit("impeller_rub", list(runs), [], spread=OTHERS, general=-1.5)
            later = rng.normal(middle, scatter, 300)
            rows.append((row, later))
        found[n] = rows
    return found


@pytest.mark.parametrize("n", [2, 5, 10])
def test_expected_alarms_are_the_alarms_that_come(machines, n):
    expected = np.array([row.false_alarm for row, _ in machines[n]])
    came = np.array([np.mean(later >= row.limit) for row, later in machines[n]])
    doubt = came.std() / math.sqrt(came.size)
    assert expected.mean() == pytest.approx(came.mean(), abs=3 * doubt + 1e-3)
    assert came.mean() > 0.001, "nothing alarms: the test would prove nothing"


def test_tolerance_limits_hold_with_their_confidence(machines):
    """From five runs on: at least 95 % of later runs under it, in 95 of 100 machines."""
    for n in (5, 10):
        held = [np.mean(later < row.from_quiet) >= COVERAGE - 0.03 for row, later in machines[n]]
        assert 0.90 < np.mean(held) <= 1.0


def test_own_limits_alarm_less_than_the_general_one(machines):
    for n in (5, 10):
        own = np.mean([np.mean(later >= row.limit) for row, later in machines[n]])
        general = np.mean([np.mean(later >= -1.5) for _, later in machines[n]])
        assert own < 0.5 * general


def test_alarm_rate_is_the_t_tail():
    centre = own_centre([-4.0, -4.2, -3.8, -4.1, -3.9], OTHERS)
    assert alarm_rate(centre, centre.centre) == pytest.approx(0.5)
    far = centre.centre + 2.0 * centre.next_sd
    assert alarm_rate(centre, far) == pytest.approx(t_tail(2.0, centre.dof))


def test_likelihood_puts_the_limit_half_way_between_equals():
    quiet = [-4.0, -4.5, -3.5, -4.2, -3.8]
    faulty = [1.0, 0.5, 1.5, 1.2, 0.8]
    centre = own_centre(quiet, OTHERS)
    assert likely_limit(centre, faulty) == pytest.approx((-4.0 + 1.0) / 2, abs=1e-6)


def test_likelihood_knows_no_answer_where_the_fault_lies_lower():
    centre = own_centre([-1.0, -1.1, -0.9, -1.0, -1.2], OTHERS)
    assert likely_limit(centre, [-2.0]) is None
    row = own_limit("impeller_rub", [-1.0, -1.1, -0.9], [-2.0], spread=OTHERS, general=0.0)
    assert "cannot be told from them" in row.warnings[0]
    assert row.limit <= 0.0


def test_a_far_fault_lets_the_limit_rise_and_a_near_one_draws_it_down():
    quiet = [-2.0, -1.5, -2.5, -1.8, -2.2]
    alone = own_limit("impeller_rub", quiet, [], spread=OTHERS, general=0.0)
    far = own_limit("impeller_rub", quiet, [9.0], spread=OTHERS, general=0.0)
    near = own_limit("impeller_rub", quiet, [1.2], spread=OTHERS, general=0.0)
    assert near.limit < alone.limit < far.limit < 9.0
    assert near.warnings == far.warnings == ()


def test_no_limit_is_tightened_far_under_the_general_one():
    row = own_limit("impeller_rub", [-9.0] * 6, [], spread=OTHERS, general=0.0)
    assert row.limit == -TIGHTEST
    assert row.from_quiet < -TIGHTEST


def test_a_limit_is_tightened_only_where_it_would_hardly_ever_alarm():
    near = own_limit("impeller_rub", [-3.0] * 6, [], spread=OTHERS, general=0.0)
    assert near.from_quiet < 0.0 == near.limit, "not sure enough: the general limit stays"
    sure = own_limit("impeller_rub", [-4.0] * 6, [], spread=OTHERS, general=0.0)
    assert -TIGHTEST < sure.limit < 0.0
    assert sure.false_alarm == pytest.approx(1 - SURE, rel=1e-6)


def test_a_fault_under_the_quiet_runs_limit_is_kept_over_it_and_said():
    quiet = [-1.0, 0.5, -0.5, 0.2, -0.2]
    row = own_limit("impeller_rub", quiet, [1.0], spread=OTHERS, general=0.0)
    assert row.limit < 1.0
    held = own_limit("impeller_rub", quiet, [0.9, 6.0], spread=OTHERS, general=0.0)
    assert held.limit == pytest.approx(0.9 - MARGIN)
    assert "past a confirmed fault (log-odds 0.90)" in held.warnings[0]


def test_a_fault_that_would_cost_too_many_alarms_is_named_and_the_limit_stays():
    quiet = [-1.0, 0.5, -0.5, 0.2, -0.2]
    row = own_limit("impeller_rub", quiet, [-0.5, 3.0], spread=OTHERS, general=0.0)
    assert row.limit <= row.old == 0.0
    assert "that fault stays under it" in row.warnings[-1]


SCORES = st.floats(-8, 8)


@settings(max_examples=300, deadline=None)
@given(
    quiet=st.lists(SCORES, min_size=1, max_size=8),
    faulty=st.lists(SCORES, min_size=1, max_size=4),
    old=st.none() | SCORES,
)
def test_a_limit_is_never_moved_past_a_confirmed_fault_in_silence(quiet, faulty, old):
    row = own_limit("impeller_rub", quiet, faulty, spread=OTHERS, general=0.0, old=old)
    assert math.isfinite(row.limit)
    if row.limit > min(faulty) - MARGIN + 1e-9:
        assert row.warnings
        assert row.limit <= row.old, "loosened past a confirmed fault"


@settings(max_examples=100, deadline=None)
@given(quiet=st.lists(SCORES, min_size=5, max_size=8), by=st.floats(-3, 3))
def test_all_runs_moved_move_the_limit_alike_once_they_stand_alone(quiet, by):
    """With five runs or more nothing but the scatter is borrowed."""
    one = quiet_limit(own_centre(quiet, OTHERS))[0]
    other = quiet_limit(own_centre([x + by for x in quiet], OTHERS))[0]
    assert other == pytest.approx(one + by, abs=1e-9)
