"""Charts that start by themselves: what chance, a change and standing still do to them."""

from datetime import date, timedelta

import numpy as np
import pytest

from quietrun.dsp.stats import arl_cusum, arl_ewma
from quietrun.tuning.trends import (
    ALLOWANCE,
    LEAST_VISITS,
    LIMIT,
    WEIGHT,
    WIDTH,
    Point,
    Watch,
    chance_length,
    standardise,
    watch_trend,
)

ALONE = Watch("run_up_s", "run-up time", "s", +1, 1e-6)
LENT = Watch("run_up_s", "run-up time", "s", +1, 1e-6, within=(1.0, 8.0))


def points(values):
    first = date(2026, 1, 1)
    return [Point(str(first + timedelta(days=i)), float(x)) for i, x in enumerate(values)]


def test_the_charts_are_the_published_ones():
    # CHECKS T19 (k = 0.5, h = 5: 465; 10.4 at one sigma) and T22 (0.10 / 2.814: 500)
    assert arl_cusum(ALLOWANCE, LIMIT) == pytest.approx(465, rel=0.005)
    assert arl_cusum(ALLOWANCE, LIMIT, 1.0) == pytest.approx(10.4, rel=0.005)
    assert arl_ewma(WEIGHT, WIDTH) == pytest.approx(500, rel=0.005)
    assert chance_length() == pytest.approx(1 / (1 / 465.4 + 1 / 499.6), rel=0.01)


@pytest.mark.parametrize("watch", [ALONE, LENT], ids=["alone", "lent"])
def test_visits_of_a_steady_machine_become_independent_standard_normal(watch):
    """Whatever centre and scatter are, and from the first reference on."""
    rng = np.random.default_rng(7)
    rows = []
    for _ in range(1500):
        scatter = 1.0
        if watch is LENT:  # machines differ in scatter as the lent degrees of freedom say
            scatter = np.sqrt(8.0 / rng.chisquare(8.0))
        rows.append(standardise(rng.normal(40.0, scatter, 8), watch))
    q = np.array(rows)
    first = 2 if watch is ALONE else 1
    assert np.all(q[:, :first] == 0)
    used = q[:, first:]
    assert used.mean(axis=0) == pytest.approx(np.zeros(used.shape[1]), abs=0.1)
    assert used.std(axis=0) == pytest.approx(np.ones(used.shape[1]), abs=0.08)
    together = np.corrcoef(used.T) - np.eye(used.shape[1])
    assert np.abs(together).max() < 0.12
    tails = np.mean(np.abs(used) > 1.96)
    assert tails == pytest.approx(0.05, abs=0.01)


def test_chance_signals_come_no_sooner_than_said():
    rng = np.random.default_rng(11)
    lengths = []
    for _ in range(60):
        trend = watch_trend(points(rng.normal(3.0, 0.4, 1500)), ALONE)
        days = [(date.fromisoformat(s.day) - date(2026, 1, 1)).days + 1 for s in trend.signals]
        lengths.append(min(days, default=1500))
    doubt = np.std(lengths) / np.sqrt(len(lengths))
    assert np.mean(lengths) > chance_length() - 2 * doubt
    assert np.mean(lengths) < 700


@pytest.mark.parametrize(("by", "rising"), [(1.2, True), (-1.2, False)])
def test_a_change_is_found_and_dated(by, rising):
    rng = np.random.default_rng(3)
    found, late = 0, []
    for _ in range(40):
        values = rng.normal(0.8, 0.05, 40)
        values[20:] += by * 0.1  # 2.4 standard deviations
        trend = watch_trend(points(values), ALONE)
        hits = [s for s in trend.signals if s.chart == "CUSUM" and s.rising is rising]
        found += bool(hits)
        late += [(date.fromisoformat(s.since) - date(2026, 1, 21)).days for s in hits]
        assert all(s.worse is rising for s in trend.signals if s.rising is rising)
    assert found >= 38
    assert abs(np.median(late)) <= 1


def test_a_change_is_not_learnt_as_normal():
    values = [*np.random.default_rng(2).normal(0.8, 0.05, 15), *([1.4] * 40)]
    trend = watch_trend(points(values), ALONE)
    assert trend.q[-1] > 3
    assert trend.high[-1] > LIMIT


def test_a_creeping_change_is_found():
    rng = np.random.default_rng(4)
    values = rng.normal(-4, 0.5, 24)
    values[6:] += 0.25 * np.arange(18)
    trend = watch_trend(points(values), Watch("bearing_noise", "b", "log-odds", +1, 0.1, (0.5, 8)))
    assert trend.signals
    assert "2026-01-07" <= min(s.since for s in trend.signals) <= "2026-01-15"


@pytest.mark.parametrize("values", [[0.8] * 12, [0.8] * 6 + [0.8 + 1e-9] * 6])
def test_standing_still_is_no_signal_and_no_division_by_nothing(values):
    watch = Watch("run_up_s", "run-up time", "s", +1, 0.02)
    trend = watch_trend(points(values), watch)
    assert trend.signals == ()
    assert np.isfinite(trend.q).all()


def test_one_wild_visit_is_not_the_end_of_the_chart():
    values = [0.8, 0.81, 0.79, 0.8, 0.8, 50.0, 0.8, 0.81]
    trend = watch_trend(points(values), ALONE)
    assert np.isfinite(trend.q).all()
    assert trend.q.max() == 6.0


def test_too_few_visits_make_no_chart():
    assert watch_trend(points([0.8] * (LEAST_VISITS - 1)), ALONE) is None


def test_scale_and_origin_do_not_matter():
    values = np.random.default_rng(6).normal(0, 1, 20)
    one = standardise(values, ALONE)
    other = standardise(5.0 + 0.3 * values, ALONE)
    assert other == pytest.approx(one, abs=1e-6)
