"""Statistics against published tables and worked examples.

NIST: NIST/SEMATECH e-Handbook of Statistical Methods. Pages seen: 7.2.4.1, 7.2.4.2 (inputs),
7.2.6.3 (a spreadsheet copy). Others are from memory and were recomputed.
"""

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import signal
from scipy.stats import binomtest, chi2, norm
from sklearn.metrics import roc_auc_score

from quietrun.dsp.stats import (
    IQR_FACTOR,
    MAD_FACTOR,
    arl_cusum,
    arl_cusum_siegmund,
    arl_ewma,
    arl_shewhart,
    brier,
    calibration_error,
    clopper_pearson_interval,
    crest_factor,
    cusum_chart,
    cusum_limit,
    ewma_chart,
    ewma_width,
    gaussian_crest,
    harmonic_mean,
    iqr_scale,
    kurtosis,
    mad_scale,
    noise_rise_db,
    partial_auc,
    prediction_factor,
    roc_auc,
    tolerance_factor,
    tolerance_factor_approximate,
    tolerance_factor_two_sided,
    wilson_interval,
)

# --- tolerance and prediction factors

# ISO 16269-6 and NIST tables, from memory
K_95_95 = {
    **{2: 26.260, 3: 7.656, 4: 5.144, 5: 4.203, 6: 3.708, 7: 3.399, 8: 3.187, 10: 2.911},
    **{12: 2.736, 15: 2.566, 20: 2.396, 30: 2.220, 50: 2.065, 100: 1.927},
}


@pytest.mark.parametrize("n", K_95_95)
def test_tolerance_factors_95_95(n):
    assert tolerance_factor(n) == pytest.approx(K_95_95[n], abs=1e-3)


@pytest.mark.parametrize(
    ("share", "table"),
    [
        (0.90, {3: 6.155, 5: 3.407, 10: 2.355, 20: 1.926}),
        (0.99, {3: 10.553, 5: 5.741, 10: 3.981, 20: 3.295}),
    ],
)
def test_tolerance_factors_of_other_shares(share, table):
    found = [tolerance_factor(n, share=share) for n in table]
    assert found == pytest.approx(list(table.values()), abs=1e-3)


def test_the_nist_example_of_one_sided_factors():
    """7.2.6.3: n = 43, 90 % of the population, 99 % confidence; approximate and exact."""
    approximate = tolerance_factor_approximate(43, share=0.90, confidence=0.99)
    assert approximate == pytest.approx(1.8751896, abs=1e-6)
    exact = tolerance_factor(43, share=0.90, confidence=0.99)
    assert exact == pytest.approx(1.8740, abs=5e-4)
    assert approximate / exact - 1 == pytest.approx(0.0007, abs=1e-4)


def test_the_nist_example_of_the_two_sided_factor():
    found = tolerance_factor_two_sided(43, share=0.90, confidence=0.99)
    assert found == pytest.approx(2.2173159, abs=1e-6)


def test_two_sided_factors_of_a_textbook():
    """Statistics for Environmental Engineers, table 21.1; Howe's are within 1 %."""
    table = {
        **{4: 6.34, 5: 5.08, 6: 4.42, 7: 4.02, 8: 3.75, 9: 3.55, 10: 3.39, 12: 3.17},
        **{20: 2.76, 25: 2.64, 30: 2.55},
    }
    found = [tolerance_factor_two_sided(n) for n in table]
    assert found == pytest.approx(list(table.values()), rel=0.01)


def test_prediction_factors():
    """t(n - 1) sqrt(1 + 1/n); the t behind it: two-sided 95 % row of NIST TN 1297, table B.1."""
    table = {3: 3.372, 5: 2.335, 7: 2.077, 10: 1.923, 20: 1.772}
    found = [prediction_factor(n) for n in table]
    assert found == pytest.approx(list(table.values()), abs=1e-3)
    table = {3: 8.042, 5: 4.105, 7: 3.360, 10: 2.959, 20: 2.602}
    found = [prediction_factor(n, confidence=0.99) for n in table]
    assert found == pytest.approx(list(table.values()), abs=1e-3)
    for confidence, quantiles in (
        (0.95, {2: 2.920, 4: 2.132, 9: 1.833, 19: 1.729}),
        (0.975, {2: 4.303, 4: 2.776, 9: 2.262, 19: 2.093}),
    ):
        for df, t in quantiles.items():
            factor = prediction_factor(df + 1, confidence=confidence)
            assert factor / math.sqrt(1 + 1 / (df + 1)) == pytest.approx(t, abs=1e-3)


def test_limits_from_five_readings():
    x = np.array([52.1, 52.8, 51.9, 52.5, 52.3])
    mean, s = x.mean(), x.std(ddof=1)
    assert (mean, s) == pytest.approx((52.320, 0.34928), abs=1e-5)
    assert mean + tolerance_factor(5) * s == pytest.approx(53.788, abs=1e-3)
    assert mean + prediction_factor(5) * s == pytest.approx(53.136, abs=1e-3)


@pytest.mark.parametrize("call", [tolerance_factor, tolerance_factor_two_sided, prediction_factor])
def test_one_reading_gives_no_limit(call):
    with pytest.raises(ValueError, match="no limit from"):
        call(1)


def test_where_the_approximation_breaks_down():
    with pytest.raises(ValueError, match="no value at n = 2"):
        tolerance_factor_approximate(2, confidence=0.95)


# --- proportions


def test_clopper_pearson():
    """NIST 7.2.4.2: 4 of 20, 90 % two-sided."""
    found = clopper_pearson_interval(4, 20, confidence=0.90)
    assert found == pytest.approx((0.071354, 0.401028), abs=2e-6)


def test_none_of_n():
    for n, upper in ((10, 0.3085), (20, 0.1684)):
        assert clopper_pearson_interval(0, n).hi == pytest.approx(upper, abs=1e-4)
    for n, upper in ((10, 0.2589), (20, 0.1391), (30, 0.0950), (60, 0.0487)):
        found = clopper_pearson_interval(0, n, one_sided=True)
        assert found.hi == pytest.approx(upper, abs=1e-4)
        assert found.lo == 0.0
        assert upper == pytest.approx(1 - 0.05 ** (1 / n), abs=1e-4)


@pytest.mark.parametrize(
    ("count", "n", "confidence", "lo", "hi"),
    [
        (4, 20, 0.90, 0.0931, 0.3784),
        (0, 10, 0.95, 0.0, 0.2775),
        (1, 10, 0.95, 0.0179, 0.4042),
        (9, 10, 0.95, 0.5958, 0.9821),
        (0, 20, 0.95, 0.0, 0.1611),
    ],
)
def test_wilson(count, n, confidence, lo, hi):
    """Formula of NIST 7.2.4.1; numbers by algebra."""
    found = wilson_interval(count, n, confidence=confidence)
    assert found == pytest.approx((lo, hi), abs=1e-4)


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 60), st.floats(0.5, 0.999), st.data())
def test_intervals_equal_a_reference_library(n, confidence, data):
    count = data.draw(st.integers(0, n))
    test = binomtest(count, n)
    for own, method in ((wilson_interval, "wilson"), (clopper_pearson_interval, "exact")):
        wanted = test.proportion_ci(confidence, method)
        found = own(count, n, confidence=confidence)
        assert found == pytest.approx((wanted.low, wanted.high), abs=1e-9)


def test_counts_that_cannot_be():
    with pytest.raises(ValueError, match="no interval"):
        wilson_interval(3, 2)
    with pytest.raises(ValueError, match="no interval"):
        clopper_pearson_interval(0, 0)


# --- charts

# NIST 6.3.2.4, EWMA example (data from memory)
EWMA_DATA = [
    *(52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5),
    *(49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1),
]
EWMA_VALUES = [
    *(50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33),
    *(50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99),
]


def test_the_nist_ewma_chart():
    found = ewma_chart(EWMA_DATA, centre=50.0, spread=2.0539, weight=0.3)
    assert found.value.tolist() == pytest.approx(EWMA_VALUES, abs=5e-3)
    assert found.upper.tolist() == pytest.approx([52.5884] * 20, abs=1e-4)
    assert found.lower.tolist() == pytest.approx([47.4115] * 20, abs=1e-4)
    assert not found.signal.any()


def test_ewma_limits_from_the_start():
    found = ewma_chart(EWMA_DATA, centre=50.0, spread=2.0539, weight=0.3, from_start=True)
    upper = found.upper[[0, 1, 2, 9]]
    assert upper.tolist() == pytest.approx([51.8485, 52.2564, 52.4314, 52.5874], abs=1e-4)


# NIST 6.3.2.3, CUSUM example (data from memory)
CUSUM_DATA = [
    *(324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600),
    *(324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350),
]


def test_the_nist_cusum_chart():
    limit = 2 * 0.3175 * math.log(1 / 0.00135)
    assert limit == pytest.approx(4.1959, abs=1e-4)
    found = cusum_chart(CUSUM_DATA, target=325.0, allowance=0.3175, limit=limit)
    high = [3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035]
    assert found.high[12:].tolist() == pytest.approx(high, abs=1e-4)
    assert found.low[7] == pytest.approx(0.715, abs=1e-4)
    assert found.low[10] == pytest.approx(0.3125, abs=1e-4)
    assert int(np.argmax(found.signal)) + 1 == 14
    assert found.since + 1 == 13
    assert found.plain[-1] == pytest.approx(19.075, abs=1e-4)


def test_a_textbook_cusum_without_signal():
    """Montgomery and Runger, Applied Statistics and Probability, example 16-6, table 16-8."""
    data = [
        *(102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1),
        *(101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0),
    ]
    high = [2.0, 0, 0, 0, 2.0, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1.0]
    low = [0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1.0, 2.3, 0, 0, 0.8, 0]
    found = cusum_chart(data, target=99.0, allowance=1.0, limit=10.0)
    assert found.high.tolist() == pytest.approx(high, abs=0.05)
    assert found.low.tolist() == pytest.approx(low, abs=0.05)
    assert not found.signal.any()
    assert found.since is None
    assert found.plain[-1] == pytest.approx(1.9, abs=0.05)


def test_a_chart_that_cannot_be():
    with pytest.raises(ValueError, match="no chart"):
        ewma_chart([1.0], centre=0.0, spread=0.0)
    with pytest.raises(ValueError, match="no chart"):
        cusum_chart([1.0], target=0.0, allowance=-1.0, limit=1.0)


# --- run lengths

SHIFTS = [0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4]


@pytest.mark.parametrize(
    ("limit", "table"),
    [
        (4, [168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71]),
        (5, [465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01]),
    ],
)
def test_run_lengths_of_the_cusum(limit, table):
    """Montgomery; Lucas and Crosier (from memory). k = 0.5."""
    found = [arl_cusum(0.5, limit, shift) for shift in SHIFTS]
    assert found == pytest.approx(table, rel=0.005)


def test_cusum_limits_for_a_run_length():
    assert arl_cusum(0.5, 4.77) == pytest.approx(370, rel=0.01)
    assert cusum_limit(0.5, 370) == pytest.approx(4.77, abs=0.01)
    assert arl_cusum(0.5, 4, one_sided=True) == pytest.approx(2 * arl_cusum(0.5, 4))


def test_siegmunds_approximation():
    assert arl_cusum_siegmund(0.5, 5) == pytest.approx(469.1, abs=0.1)
    assert arl_cusum_siegmund(0.5, 5, 1.0) == pytest.approx(10.34, abs=0.1)


LUCAS_SACCUCCI = {  # Technometrics 32 (1990), from memory
    (0.40, 3.054): [500, 224, 71.2, 28.4, 14.3, 5.9, 3.5, 2.5, 2.0, 1.4],
    (0.25, 2.998): [500, 170, 48.2, 20.1, 11.1, 5.5, 3.6, 2.7, 2.3, 1.7],
    (0.20, 2.962): [500, 150, 41.8, 18.2, 10.5, 5.5, 3.7, 2.9, 2.4, 1.9],
    (0.10, 2.814): [500, 106, 31.3, 15.9, 10.3, 6.1, 4.4, 3.4, 2.9, 2.2],
    (0.05, 2.615): [500, 84.1, 28.8, 16.4, 11.4, 7.1, 5.2, 4.2, 3.5, 2.7],
}


@pytest.mark.parametrize("chart", LUCAS_SACCUCCI)
def test_run_lengths_of_the_ewma(chart):
    found = [arl_ewma(*chart, shift) for shift in SHIFTS]
    # the table has three figures: 0.5 %, or half of its last digit
    for got, wanted in zip(found, LUCAS_SACCUCCI[chart], strict=True):
        assert got == pytest.approx(wanted, rel=0.005, abs=0.05)


def test_a_three_sigma_ewma_is_no_370_chart():
    assert arl_ewma(0.3, 3.0) == pytest.approx(465.6, rel=0.005)
    assert arl_ewma(0.3, 3.0, 1.0) == pytest.approx(11.70, rel=0.005)
    assert arl_ewma(0.2, ewma_width(0.2, 370)) == pytest.approx(370, rel=1e-4)


def test_run_lengths_of_single_values():
    found = [arl_shewhart(3.0, shift) for shift in (0, 0.5, 1, 1.5, 2, 3)]
    wanted = [370.4, 155.2, 43.9, 15.0, 6.3, 2.0]
    assert found == pytest.approx(wanted, rel=1e-3, abs=0.05)
    assert arl_ewma(1.0, 3.0) == pytest.approx(370.4, rel=1e-3)


def test_a_run_length_by_simulation():
    rng = np.random.default_rng(4)
    lengths = []
    for _ in range(400):
        chart = cusum_chart(rng.normal(1.0, 1.0, 200), target=0.0, allowance=0.5, limit=4.0)
        lengths.append(int(np.argmax(chart.signal)) + 1)
    assert np.mean(lengths) == pytest.approx(arl_cusum(0.5, 4.0, 1.0), rel=0.1)


# --- robust scale


def test_robust_scales():
    assert pytest.approx(1.482602, abs=1e-6) == MAD_FACTOR
    assert pytest.approx(0.741301, abs=1e-6) == IQR_FACTOR
    assert mad_scale([1, 2, 3, 4, 100]) == pytest.approx(1.4826, abs=1e-4)
    x = np.random.default_rng(2).normal(7.0, 3.0, 40_000)
    assert mad_scale(x) == pytest.approx(3.0, rel=0.02)
    assert iqr_scale(x) == pytest.approx(3.0, rel=0.02)
    with pytest.raises(ValueError, match="finite values"):
        mad_scale([1.0, math.nan])


# --- crest and kurtosis of plain signals (textbook values)


def test_crest_and_kurtosis_of_plain_signals():
    t = np.arange(48_000) / 48_000
    sine = np.sin(2 * np.pi * 100 * t)
    assert crest_factor(sine) == pytest.approx(math.sqrt(2), abs=1e-4)
    assert 20 * math.log10(crest_factor(sine)) == pytest.approx(3.01, abs=0.01)
    assert kurtosis(sine) == pytest.approx(1.5, abs=1e-4)
    square = signal.square(2 * np.pi * 100 * (t + 1e-5))
    assert (crest_factor(square), kurtosis(square)) == pytest.approx((1.0, 1.0), abs=1e-9)
    triangle = signal.sawtooth(2 * np.pi * 100 * (t + 1e-5), 0.5)
    assert (crest_factor(triangle), kurtosis(triangle)) == pytest.approx((1.732, 1.8), abs=0.01)
    uniform = np.random.default_rng(1).uniform(-1, 1, 480_000)
    assert (crest_factor(uniform), kurtosis(uniform)) == pytest.approx((1.732, 1.8), abs=0.01)


def test_gaussian_noise_has_a_crest_that_grows():
    n = 480_000
    x = np.random.default_rng(0).standard_normal(n)
    assert kurtosis(x) == pytest.approx(3.0, abs=4 * math.sqrt(24 / n))
    assert gaussian_crest(n) == pytest.approx(4.82, abs=0.005)
    assert crest_factor(x) == pytest.approx(4.82, abs=0.5)
    crests = [crest_factor(np.random.default_rng(i).standard_normal(2000)) for i in range(200)]
    assert float(np.median(crests)) == pytest.approx(gaussian_crest(2000), abs=0.06)


def test_impulse_train():
    """Every 480 samples: crest sqrt(480), kurtosis about zero 480, about the mean 478.002."""
    x = np.zeros(48_000)
    x[::480] = 1.0
    assert crest_factor(x) == pytest.approx(21.909, abs=1e-3)
    assert kurtosis(x, about_mean=False) == pytest.approx(480, abs=1e-3)
    assert kurtosis(x) == pytest.approx(478.002, abs=1e-3)


def test_silence_has_neither():
    with pytest.raises(ValueError, match="no crest"):
        crest_factor(np.zeros(5))
    with pytest.raises(ValueError, match="no kurtosis"):
        kurtosis(np.ones(5))


# --- scores


def test_scores_of_documented_examples():
    """AUC and Brier: examples of a machine-learning library's documentation (from memory)."""
    assert roc_auc([0, 0, 1, 1], [0.1, 0.4, 0.35, 0.8]) == 0.75
    assert brier([0, 1, 1, 0], [0.1, 0.9, 0.8, 0.3]) == pytest.approx(0.0375)


def test_calibration_error():
    """Definition after Naeini 2015 and Guo 2017; no value lies on the edge of a bin."""
    p = [0.95, 0.91, 0.85, 0.65, 0.62, 0.55, 0.31, 0.22, 0.11, 0.05]
    y = [1, 1, 0, 1, 0, 1, 0, 1, 0, 0]
    found = calibration_error(y, p, bins=5)
    assert (found.expected, found.most) == pytest.approx((0.2060, 0.4500), abs=1e-6)
    assert brier(y, p) == pytest.approx(0.21616, abs=1e-6)
    assert roc_auc(y, p) == pytest.approx(0.76, abs=1e-6)


def test_partial_area_of_chance():
    """Definition: false positives up to 0.1 (README of the DCASE 2023 task 2 evaluator)."""
    assert partial_auc([0, 1] * 50, [0.0] * 100) == 0.5
    assert partial_auc([0, 0, 1, 1], [0.1, 0.2, 0.8, 0.9]) == 1.0


@settings(max_examples=40, deadline=None)
@example([], 0.05)
@example([(True, 0), (False, 3), (False, 9), (True, 9)], 1 / 3)
@given(
    st.lists(st.tuples(st.booleans(), st.integers(0, 9)), min_size=4, max_size=60),
    st.floats(0.05, 1.0),
)
def test_areas_equal_a_reference_library(rows, most_false):
    y = [row[0] for row in rows] + [True, False]
    s = [row[1] / 10 for row in rows] + [0.45, 0.55]
    assert roc_auc(y, s) == pytest.approx(roc_auc_score(y, s), abs=1e-12)
    if most_false < 1.0:
        wanted = roc_auc_score(y, s, max_fpr=most_false)
        assert partial_auc(y, s, most_false=most_false) == pytest.approx(wanted, abs=1e-9)


def test_the_score_of_a_public_challenge():
    """README of the organisers' dcase2023_task2_evaluator: 21 areas give 0.6105082187."""
    source = [
        *(0.836434267021059, 0.7409411378914575, 0.8476602762317048),
        *(0.8130, 0.6678, 0.8012, 0.8384),
    ]
    target = [
        *(0.5885844748858448, 0.50682261208577, 0.6299533799533801),
        *(0.4622, 0.409, 0.4532, 0.9006),
    ]
    partial = [
        *(0.5753594967896497, 0.5955291246149972, 0.6233307541280444, 0.5142105263157895),
        *(0.5089473684210526, 0.5384210526315789, 0.653157894736842),
    ]
    found = harmonic_mean(source + target + partial)
    assert found == pytest.approx(0.6105082187, abs=1e-9)


def test_scores_need_both_classes():
    with pytest.raises(ValueError, match="both classes"):
        roc_auc([1, 1], [0.1, 0.2])
    with pytest.raises(ValueError, match="alike rows"):
        brier([1], [0.1, 0.2])
    with pytest.raises(ValueError, match="positive values"):
        harmonic_mean([0.0, 1.0])


@pytest.mark.parametrize("share", [0.9, 0.95, 0.995])
@pytest.mark.parametrize("freedom", [4, 10, 60])
def test_noise_rises_over_its_median_as_chi_square_does(share, freedom):
    wanted = 10 * np.log10(chi2.ppf(share, freedom) / chi2.median(freedom))
    assert float(noise_rise_db(norm.ppf(share), freedom)) == pytest.approx(wanted, abs=0.05)
