"""Coast-down against the textbook solution of each case, and against a numeric one.

Numbers: closed forms evaluated for w0 = 1725 rpm and confirmed by an adaptive integrator at
rtol 1e-11; the retardation rows are from texts on electrical machines.
"""

import math
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from quietrun.machine.coastdown import (
    drag_shares,
    fit_drag,
    half_speed_time,
    retardation_power_w,
    speed,
    stop_time,
    time_to,
)

W0 = 1725 * 2 * math.pi / 60


@pytest.mark.parametrize(
    ("a", "b", "c", "stop_s"),
    [
        (20, 0, 0, 9.03208),
        (20, 0.1, 0, 6.43541),
        (20, 0, 0.001, 6.41049),
        (20, 0.1, 0.001, 5.20590),
        (1, 0.5, 0.01, 6.34976),
    ],
)
def test_time_to_rest(a, b, c, stop_s):
    assert stop_time(a, b, c, W0) == pytest.approx(stop_s, abs=1e-5)


def test_time_to_a_speed_on_the_way():
    w = 1350 * 2 * math.pi / 60  # 75 % of 1800 rpm
    assert time_to(w, 20, 0, 0, W0) == pytest.approx(1.96350, abs=1e-5)


def test_speed_and_half_speed_without_coulomb():
    assert float(speed(3.0, 0, 0.1, 0, W0)) == pytest.approx(133.8226, abs=1e-4)
    assert half_speed_time(0, 0.1, 0, W0) == pytest.approx(6.93147, abs=1e-4)
    assert float(speed(3.0, 0, 0, 0.001, W0)) == pytest.approx(117.1533, abs=1e-4)
    assert half_speed_time(0, 0, 0.001, W0) == pytest.approx(5.53582, abs=1e-4)
    assert stop_time(0, 0.1, 0.001, W0) == math.inf


def textbook_stop(a, b, c, w0):
    """One formula a case, as textbooks print them."""
    delta = 4 * a * c - b * b
    if c == 0:
        return w0 / a if b == 0 else math.log(1 + b * w0 / a) / b
    if b == 0:
        return math.atan(w0 * math.sqrt(c / a)) / math.sqrt(a * c)
    if delta > 0:
        q = math.sqrt(delta)
        return 2 / q * (math.atan((2 * c * w0 + b) / q) - math.atan(b / q))
    q = math.sqrt(-delta)
    return math.log((2 * c * w0 + b - q) * (b + q) / ((2 * c * w0 + b + q) * (b - q))) / q


def textbook_speed(t, a, b, c, w0):
    if c == 0:
        return w0 - a * t if b == 0 else (w0 + a / b) * np.exp(-b * t) - a / b
    delta = 4 * a * c - b * b
    if delta > 0:
        q = math.sqrt(delta)
        u = q * np.tan(math.atan((2 * c * w0 + b) / q) - q * t / 2)
    else:
        q = math.sqrt(-delta)
        k = (2 * c * w0 + b - q) / (2 * c * w0 + b + q) * np.exp(-q * t)
        u = q * (1 + k) / (1 - k)
    return (u - b) / (2 * c)


@given(
    a=st.floats(0.5, 60.0),
    b=st.sampled_from([0.0, 0.01, 0.1, 0.6, 2.0]),
    c=st.sampled_from([0.0, 1e-4, 1e-3, 1e-2]),
    w0=st.floats(5.0, 400.0),
)
def test_one_formula_covers_the_textbook_cases(a, b, c, w0):
    stop = stop_time(a, b, c, w0)
    assert stop == pytest.approx(textbook_stop(a, b, c, w0), rel=1e-7)
    t = np.linspace(0, 0.99 * stop, 7)
    assert speed(t, a, b, c, w0) == pytest.approx(textbook_speed(t, a, b, c, w0), rel=1e-6)


def test_the_seam_between_the_cases_is_smooth():
    a, c = 4.0, 0.01
    seam = 2 * math.sqrt(a * c)
    values = [stop_time(a, seam + d, c, W0) for d in (-1e-9, 0.0, 1e-9)]
    assert values == pytest.approx([values[1]] * 3, rel=1e-7)


@pytest.mark.parametrize("abc", [(20, 0.1, 0.001), (1, 0.5, 0.01), (3, 0.0, 0.004)])
def test_an_ode_solver_agrees(abc):
    a, b, c = abc
    t = np.linspace(0, 0.95 * stop_time(a, b, c, W0), 50)
    solved = solve_ivp(
        lambda _, w: -(a + b * w + c * w * w), (0, t[-1]), [W0], t_eval=t, rtol=1e-10, atol=1e-10
    )
    assert speed(t, a, b, c, W0) == pytest.approx(solved.y[0], rel=1e-7)


@given(scale=st.floats(0.01, 100.0), stretch=st.floats(0.1, 10.0))
def test_units_of_speed_and_time_do_not_matter(scale, stretch):
    stop = stop_time(20, 0.1, 0.001, W0)
    there = stop_time(20 * scale / stretch, 0.1 / stretch, 0.001 / scale / stretch, W0 * scale)
    assert there == pytest.approx(stop * stretch, rel=1e-9)


def test_speed_is_zero_after_the_stop():
    assert speed([0.0, 9.0, 9.1, 50.0], 20, 0, 0, W0)[2:].tolist() == [0.0, 0.0]


def test_shares_of_the_drag():
    found = drag_shares(20, 0.1, 0.001, 100.0)
    assert (found.coulomb, found.viscous, found.windage) == pytest.approx((0.5, 0.25, 0.25))
    with pytest.raises(ValueError, match="no drag"):
        drag_shares(0, 0, 0, 100.0)


def test_retardation_test():
    """J = 0.01 kg m2, 1725 rpm, 60 rpm/s: 11.350 W; texts round the constant to 0.011."""
    assert retardation_power_w(0.01, 1725, 60) == pytest.approx(11.350, abs=0.001)
    assert retardation_power_w(1, 1, 1) == pytest.approx(0.011, rel=4e-3)


def test_two_retardation_runs_of_textbooks():
    """Texts on electrical machines: with a known load W', the stray loss is W' t2 / (t1 - t2).

    The drag is taken as constant over the small fall of speed, as the texts do: the loss is
    to the load as the Coulomb drag alone is to the drag the load adds.
    """

    def stray(load_w, slow_s, quick_s):
        own = 1.0 / slow_s
        loaded = 1.0 / quick_s
        assert stop_time(own, 0, 0, 1.0) == pytest.approx(slow_s)
        assert stop_time(loaded, 0, 0, 1.0) == pytest.approx(quick_s)
        return load_w * own / (loaded - own)

    assert (220 + 190) / 2 * 10 == 2050
    assert stray(2050, 30, 20) == pytest.approx(4100, rel=1e-3)
    loss = stray((240 + 225) / 2 * 10, 25, 6)
    assert loss == pytest.approx(734.2, abs=0.1)
    copper = 24**2 * 0.4 + 250**2 / 250
    efficiency = (250 * 25 - copper - loss) / (250 * 25)
    assert 100 * efficiency == pytest.approx(80.6, abs=0.1)


@pytest.mark.parametrize("args", [(-1, 0, 0, 1.0), (1, -1, 0, 1.0), (1, 0, 0, -1.0)])
def test_negative_drag_is_a_bug_of_the_caller(args):
    with pytest.raises(ValueError, match="not negative"):
        stop_time(*args)


def test_a_speed_above_the_start_is_never_reached():
    with pytest.raises(ValueError, match="w1 must lie"):
        time_to(200.0, 20, 0, 0, 100.0)


# --- the fit

MACHINES = [
    (20, 0, 0),
    (20, 0.1, 0),
    (20, 0, 0.001),
    (20, 0.1, 0.001),
    (1, 0.5, 0.01),
    (5, 0.02, 0.004),
]


@pytest.mark.parametrize(("a", "b", "c"), MACHINES)
def test_a_clean_run_down_gives_back_its_drag(a, b, c):
    stop = stop_time(a, b, c, W0)
    t = np.arange(0, 0.95 * stop, 0.02)
    found = fit_drag(t + 3.0, speed(t, a, b, c, W0))
    assert found.stop_s == pytest.approx(stop, rel=1e-3)
    wanted = drag_shares(a, b, c, W0)
    got = drag_shares(found.a, found.b, found.c, W0)
    assert (got.coulomb, got.viscous, got.windage) == pytest.approx(
        (wanted.coulomb, wanted.viscous, wanted.windage), abs=0.02
    )
    assert found.w0 == pytest.approx(W0, rel=1e-3)


@pytest.mark.parametrize(("a", "b", "c"), MACHINES)
def test_noise_and_wild_points_do_not_move_the_stop_by_a_tenth(a, b, c):
    """1 % noise, 3 % of the points anywhere, the last 15 % of the time not heard."""
    rng = np.random.default_rng(7)
    stop = stop_time(a, b, c, W0)
    t = np.arange(0, 0.85 * stop, 0.01)
    off = []
    for _ in range(20):
        w = speed(t, a, b, c, W0) + rng.normal(0, 0.01 * W0, t.size)
        wild = rng.random(t.size) < 0.03
        w[wild] = rng.uniform(0, W0, int(wild.sum()))
        found = fit_drag(t, w)
        assert min(found.a, found.b, found.c) >= 0.0
        off.append(abs(found.stop_s / stop - 1))
    assert np.quantile(off, 0.9) < 0.10


def test_the_spread_of_the_stop_covers_it():
    rng = np.random.default_rng(11)
    a, b, c = 20, 0.1, 0.001
    stop = stop_time(a, b, c, W0)
    t = np.arange(0, 0.8 * stop, 0.02)
    hits = 0
    for _ in range(60):
        found = fit_drag(t, speed(t, a, b, c, W0) + rng.normal(0, 1.0, t.size))
        hits += abs(found.stop_s - stop) < 2 * found.stop_spread_s
    assert hits >= 51  # 95 % expected; 85 % lies 3.5 sigma of the binomial below


def test_weights_of_zero_take_points_out():
    t = np.arange(0, 4, 0.02)
    w = speed(t, 20, 0.1, 0.001, W0)
    spoilt, weight = w.copy(), np.ones_like(w)
    spoilt[50:90] = 10.0
    weight[50:90] = 0.0
    assert fit_drag(t, spoilt, weight).stop_s == pytest.approx(fit_drag(t, w).stop_s, rel=0.01)


@settings(max_examples=25)
@given(scale=st.floats(1e-3, 1e3), stretch=st.floats(0.2, 5.0))
def test_the_fit_scales_with_its_units(scale, stretch):
    t = np.arange(0, 4, 0.05)
    w = speed(t, 20, 0.1, 0.001, W0)
    one, other = fit_drag(t, w), fit_drag(t * stretch, w * scale)
    assert other.stop_s == pytest.approx(one.stop_s * stretch, rel=1e-4)
    assert other.w0 == pytest.approx(one.w0 * scale, rel=1e-4)


def test_the_fit_takes_less_than_two_milliseconds():
    rng = np.random.default_rng(3)
    t = np.arange(0, 4.5, 0.01)
    w = speed(t, 20, 0.1, 0.001, W0) + rng.normal(0, 1.5, t.size)
    spent = []
    for _ in range(15):
        start = time.process_time()
        fit_drag(t, w)
        spent.append(time.process_time() - start)
    # 1.0 ms here; the bound leaves room for slower machines and a busy neighbour
    assert np.median(spent) < 0.008


@pytest.mark.parametrize(
    ("t", "w", "weight", "says"),
    [
        (np.arange(5.0), np.arange(5.0)[::-1], None, "at least 6 points"),
        (np.arange(9.0), np.arange(8.0), None, "shapes differ"),
        (np.arange(9.0), np.arange(9.0), None, "does not fall"),
        (np.zeros(9), np.arange(9.0)[::-1], None, "must increase"),
        (np.arange(9.0), np.full(9, np.nan), None, "finite"),
        (np.arange(9.0), np.arange(9.0)[::-1], -np.ones(9), "positive weight"),
    ],
)
def test_what_cannot_be_fitted_is_refused(t, w, weight, says):
    with pytest.raises(ValueError, match=says):
        fit_drag(t, w, weight)
