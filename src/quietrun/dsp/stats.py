"""Small samples, charts over time, and how good a score is.

Conventions
-----------
``share`` is the part of a population to be covered, ``confidence`` the probability that it
is; both 0 .. 1. Factors multiply the sample standard deviation (n - 1 in it). One-sided
limits stand on the side that is worse. Control charts work in the unit of the data; run
lengths in numbers of visits, shifts in standard deviations.

Quantiles of t, chi-square and beta come from scipy, imported inside the functions: none of
this runs while a clip is judged.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

#: Standard deviation over the median absolute deviation, for normal data.
MAD_FACTOR = 1.482602218505602
#: Standard deviation over the range from quartile to quartile, for normal data.
IQR_FACTOR = 0.741301109252801

_NODES = 80  # of the Gauss-Legendre rule of the run lengths: five digits at all usual limits


class Interval(NamedTuple):
    """An interval."""

    lo: float
    hi: float


# --- limits from few readings


def tolerance_factor(n: int, *, share: float = 0.95, confidence: float = 0.95) -> float:
    """One-sided normal tolerance factor k, exact.

    Mean + k s lies above ``share`` of the population with ``confidence``:
    k = t'(confidence; n - 1, z sqrt(n)) / sqrt(n), t' the non-central t quantile.

    Parameters
    ----------
    n : int, at least 2
        Readings.

    References
    ----------
    .. [1] ISO 16269-6; NIST/SEMATECH e-Handbook 7.2.6.3.
    """
    from scipy.stats import nct

    _readings(n, share, confidence)
    root = math.sqrt(n)
    return float(nct.ppf(confidence, n - 1, _quantile(share) * root) / root)


def tolerance_factor_approximate(n: int, *, share: float = 0.95, confidence: float = 0.95) -> float:
    """One-sided tolerance factor after Natrella, as NIST's page prints it.

    Without scipy; 0.07 % high at n = 43, poor below about 10.

    Raises
    ------
    ValueError
        n below 2, or so small that the approximation breaks down.
    """
    _readings(n, share, confidence)
    z, zc = _quantile(share), _quantile(confidence)
    a = 1.0 - zc**2 / (2.0 * (n - 1))
    b = z**2 - zc**2 / n
    if not a > 0.0:
        raise ValueError(f"the approximation has no value at n = {n}")
    return (z + math.sqrt(max(0.0, z**2 - a * b))) / a


def tolerance_factor_two_sided(n: int, *, share: float = 0.95, confidence: float = 0.95) -> float:
    """Two-sided tolerance factor after Howe (1969): within 1 % of the exact one."""
    from scipy.stats import chi2

    _readings(n, share, confidence)
    z = _quantile((1.0 + share) / 2.0)
    return float(z * math.sqrt((n - 1) * (1.0 + 1.0 / n) / chi2.ppf(1.0 - confidence, n - 1)))


def prediction_factor(n: int, *, confidence: float = 0.95) -> float:
    """One-sided factor for the next single reading: t sqrt(1 + 1/n)."""
    from scipy.stats import t

    _readings(n, 0.5, confidence)
    return float(t.ppf(confidence, n - 1) * math.sqrt(1.0 + 1.0 / n))


def clopper_pearson_interval(
    count: int, n: int, *, confidence: float = 0.95, one_sided: bool = False
) -> Interval:
    """Exact interval for a proportion.

    Parameters
    ----------
    count, n : int
        ``count`` of ``n``.
    confidence : 0..1
    one_sided : bool
        Each bound holds by itself with ``confidence``.
    """
    from scipy.stats import beta

    _counts(count, n, confidence)
    tail = (1.0 - confidence) / (1.0 if one_sided else 2.0)
    lo = 0.0 if count == 0 else float(beta.ppf(tail, count, n - count + 1))
    hi = 1.0 if count == n else float(beta.ppf(1.0 - tail, count + 1, n - count))
    return Interval(lo, hi)


def wilson_interval(count: int, n: int, *, confidence: float = 0.95) -> Interval:
    """Wilson's two-sided interval for a proportion (NIST/SEMATECH e-Handbook 7.2.4.1)."""
    _counts(count, n, confidence)
    z = _quantile((1.0 + confidence) / 2.0)
    p, d = count / n, 1.0 + z * z / n
    middle = (p + z * z / (2.0 * n)) / d
    half = z * math.sqrt(p * (1.0 - p) / n + z * z / (4.0 * n * n)) / d
    return Interval(max(0.0, middle - half), min(1.0, middle + half))


# --- charts


@dataclass(frozen=True, slots=True, eq=False)
class EwmaChart:
    """Exponentially weighted moving average with its limits.

    Attributes
    ----------
    value, lower, upper : shape (n,), unit of the data
    signal : shape (n,), True where the value lies outside
    """

    value: Floats
    lower: Floats
    upper: Floats
    signal: NDArray[np.bool_]


def ewma_chart(
    values: ArrayLike,
    *,
    centre: float,
    spread: float,
    weight: float = 0.2,
    width: float = 3.0,
    from_start: bool = False,
) -> EwmaChart:
    """EWMA chart: z_i = weight x_i + (1 - weight) z_(i-1), beginning at the centre.

    Limits: centre +- width spread sqrt(weight / (2 - weight)); with ``from_start`` times
    sqrt(1 - (1 - weight)^(2 i)), which is narrower for the first visits.

    Raises
    ------
    ValueError
        A weight outside (0, 1], or a spread or width that is not positive.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook 6.3.2.4.
    """
    x = np.asarray(values, dtype=np.float64)
    if not 0.0 < weight <= 1.0 or not spread > 0.0 or not width > 0.0 or x.ndim != 1:
        raise ValueError(f"no chart with weight {weight!r}, spread {spread!r}, width {width!r}")
    z, last = np.empty(x.size), centre
    for i, value in enumerate(x):
        last = weight * float(value) + (1.0 - weight) * last
        z[i] = last
    half = np.full(x.size, width * spread * math.sqrt(weight / (2.0 - weight)))
    if from_start:
        half *= np.sqrt(1.0 - (1.0 - weight) ** (2.0 * np.arange(1, x.size + 1)))
    return EwmaChart(z, centre - half, centre + half, np.abs(z - centre) > half)


@dataclass(frozen=True, slots=True, eq=False)
class CusumChart:
    """Tabular CUSUM.

    Attributes
    ----------
    high, low : shape (n,), unit of the data
        Sums of what lies more than the allowance above, below the target.
    plain : shape (n,)
        Running sum of the deviations.
    signal : shape (n,), True where either sum is over the limit
    since : int or None
        Index of the first visit of the excursion that gave the first signal: the visit
        after its sum was last zero.
    """

    high: Floats
    low: Floats
    plain: Floats
    signal: NDArray[np.bool_]
    since: int | None


def cusum_chart(values: ArrayLike, *, target: float, allowance: float, limit: float) -> CusumChart:
    """Tabular CUSUM: S = max(0, S + x - target - allowance), and its mirror.

    Parameters
    ----------
    values : shape (n,)
    target, allowance, limit : unit of the data
        Usually half the shift to be found, and 4 to 5 spreads.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook 6.3.2.3.
    """
    x = np.asarray(values, dtype=np.float64)
    if not allowance >= 0.0 or not limit > 0.0 or x.ndim != 1:
        raise ValueError(f"no chart with allowance {allowance!r} and limit {limit!r}")
    high, low = np.empty(x.size), np.empty(x.size)
    up = down = 0.0
    for i, value in enumerate(x - target):
        up = max(0.0, up + float(value) - allowance)
        down = max(0.0, down - float(value) - allowance)
        high[i], low[i] = up, down
    signal = (high > limit) | (low > limit)
    since = None
    if signal.any():
        at = int(np.argmax(signal))
        side = high if high[at] > limit else low
        zero = np.flatnonzero(side[:at] == 0.0)
        since = int(zero[-1]) + 1 if zero.size else 0
    return CusumChart(high, low, np.cumsum(x - target), signal, since)


# --- run lengths


def arl_shewhart(width: float, shift: float = 0.0) -> float:
    """Mean run length of a chart of single values with limits at +-``width`` spreads."""
    from scipy.special import ndtr

    return float(1.0 / (ndtr(-width - shift) + ndtr(-width + shift)))


def arl_cusum(
    allowance: float, limit: float, shift: float = 0.0, *, one_sided: bool = False
) -> float:
    """Mean run length of a tabular CUSUM, all in standard deviations.

    The integral equation L(z) = 1 + L(0) Phi(k - z) + int_0^h L(y) phi(y - z + k) dy, solved
    with an 80-point Gauss rule; two sides join as 1/L = 1/L+ + 1/L-.
    """
    up = _arl_cusum(allowance, limit, shift)
    if one_sided:
        return up
    return 1.0 / (1.0 / up + 1.0 / _arl_cusum(allowance, limit, -shift))


def arl_cusum_siegmund(allowance: float, limit: float, shift: float = 0.0) -> float:
    """Siegmund's approximation to ``arl_cusum`` (two-sided), without scipy."""

    def one(drift: float) -> float:
        b = limit + 1.166
        if abs(drift) < 1e-12:
            return b * b
        return (math.exp(-2.0 * drift * b) + 2.0 * drift * b - 1.0) / (2.0 * drift * drift)

    return 1.0 / (1.0 / one(shift - allowance) + 1.0 / one(-shift - allowance))


def arl_ewma(weight: float, width: float, shift: float = 0.0) -> float:
    """Mean run length of an EWMA chart with fixed limits (Lucas and Saccucci 1990)."""
    if weight == 1.0:
        return arl_shewhart(width, shift)
    edge = width * math.sqrt(weight / (2.0 - weight))
    y, w = _gauss(-edge, edge)

    def step(z: Floats) -> Floats:
        return w * _density((y - (1.0 - weight) * z[:, None]) / weight - shift) / weight

    inside = np.linalg.solve(np.eye(y.size) - step(y), np.ones(y.size))
    return float(1.0 + (step(np.zeros(1)) @ inside)[0])


def cusum_limit(allowance: float, run_length: float) -> float:
    """Find the limit (in spreads) at which chance signals come every ``run_length`` visits."""
    return _solve(lambda h: arl_cusum(allowance, h) - run_length, 0.1, 30.0)


def ewma_width(weight: float, run_length: float) -> float:
    """Find the width (in spreads) at which chance signals come every ``run_length`` visits."""
    return _solve(lambda width: arl_ewma(weight, width) - run_length, 0.1, 8.0)


# --- peaks of a signal


def crest_factor(x: NDArray[np.floating]) -> float:
    """Highest absolute value over the root mean square (sine: 1.414).

    It grows with the length of a noise (``gaussian_crest``), so a limit on it must name one.

    Raises
    ------
    ValueError
        Empty, not finite, or silent.
    """
    values = _sample(x)
    rms = math.sqrt(float(np.mean(values * values)))
    if rms == 0.0:
        raise ValueError("silence has no crest")
    return float(np.abs(values).max()) / rms


def gaussian_crest(n: int) -> float:
    """Median crest factor of n samples of Gaussian noise (4.8 for 480,000)."""
    return _quantile(1.0 - 0.5 * -math.expm1(-math.log(2.0) / n))


def noise_rise_db(z: float, freedom: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """How far a quantile of chi-square noise power stands over its median.

    Parameters
    ----------
    z : quantile of the normal distribution that the share asked for has
    freedom : degrees of freedom of a power, 1.5 or more; any shape

    Returns
    -------
    dB, of the shape of ``freedom``. Within 0.05 dB for z of 1.2 to 2.6 and freedoms from 4 on.
    Source: E. B. Wilson and M. M. Hilferty, Proc. Natl. Acad. Sci. 17 (1931) 684 (from memory).
    """
    part = 2.0 / (9.0 * np.asarray(freedom, dtype=np.float64))
    return np.asarray(30.0 * np.log10(1.0 + z * np.sqrt(part) / (1.0 - part)))


def kurtosis(x: NDArray[np.floating], *, about_mean: bool = True) -> float:
    """Fourth moment over the squared second one (Gaussian 3 +- sqrt(24 / n), sine 1.5).

    Raises
    ------
    ValueError
        Empty, not finite, or without any spread.
    """
    values = _sample(x)
    values = values - values.mean() if about_mean else values
    square = values * values
    spread = float(square.mean())
    if spread == 0.0:
        raise ValueError("a constant has no kurtosis")
    return float(np.mean(square * square)) / spread**2


# --- robust scale


def mad_scale(values: ArrayLike) -> float:
    """Spread from the median absolute deviation, equal to the standard one for normal data."""
    x = _sample(values)
    return MAD_FACTOR * float(np.median(np.abs(x - np.median(x))))


def iqr_scale(values: ArrayLike) -> float:
    """Spread from the quartiles, equal to the standard one for normal data."""
    low, high = np.quantile(_sample(values), (0.25, 0.75))
    return IQR_FACTOR * float(high - low)


# --- scores


def roc_auc(truth: ArrayLike, score: ArrayLike) -> float:
    """Probability that a positive scores above a negative; ties count half.

    Raises
    ------
    ValueError
        Shapes differ, or one of the two classes is missing.
    """
    y, s = _pairs(truth, score)
    rank = _mean_ranks(s)
    ones = int(y.sum())
    return float((rank[y].sum() - ones * (ones + 1) / 2.0) / (ones * (y.size - ones)))


def partial_auc(truth: ArrayLike, score: ArrayLike, *, most_false: float = 0.1) -> float:
    """Area up to a false-positive rate, standardised after McClish: 0.5 chance, 1 perfect."""
    y, s = _pairs(truth, score)
    if not 0.0 < most_false <= 1.0:
        raise ValueError(f"most_false must lie within 0 .. 1, got {most_false!r}")
    order = np.argsort(-s, kind="stable")
    y, s = y[order], s[order]
    last = np.append(np.diff(s) != 0.0, True)  # one corner a distinct score
    hit = np.concatenate(([0.0], np.cumsum(y)[last] / y.sum()))
    false = np.concatenate(([0.0], np.cumsum(~y)[last] / (~y).sum()))
    stop = int(np.searchsorted(false, most_false, side="right"))
    x, h = false[:stop], hit[:stop]
    if stop < false.size:  # the limit cuts a segment
        share = (most_false - x[-1]) / (false[stop] - x[-1])
        x, h = np.append(x, most_false), np.append(h, h[-1] + share * (hit[stop] - h[-1]))
    area = float(np.sum(np.diff(x) * (h[1:] + h[:-1]) / 2.0))
    least = most_false**2 / 2.0
    return 0.5 * (1.0 + (area - least) / (most_false - least))


def brier(truth: ArrayLike, probability: ArrayLike) -> float:
    """Mean squared error of probabilities."""
    y, p = _pairs(truth, probability, both=False)
    return float(np.mean((p - y) ** 2))


@dataclass(frozen=True, slots=True)
class CalibrationError:
    """Expected (mean, weighted) and maximum gap between said and seen frequency."""

    expected: float
    most: float


def calibration_error(
    truth: ArrayLike, probability: ArrayLike, *, bins: int = 10
) -> CalibrationError:
    """Gap between probability and frequency over equal bins of probability.

    ECE = sum_b n_b / n |frequency_b - mean probability_b|.

    References
    ----------
    .. [1] Naeini et al. 2015; Guo et al. 2017 (definitions, from memory).
    """
    y, p = _pairs(truth, probability, both=False)
    which = np.minimum((p * bins).astype(int), bins - 1)
    n = np.bincount(which, minlength=bins)
    seen = np.bincount(which, weights=y, minlength=bins)
    said = np.bincount(which, weights=p, minlength=bins)
    gap = np.abs(seen - said)[n > 0] / n[n > 0]
    return CalibrationError(float(np.sum(gap * n[n > 0]) / y.size), float(gap.max()))


def harmonic_mean(values: ArrayLike) -> float:
    """Harmonic mean of positive values."""
    x = _sample(values)
    if not (x > 0.0).all():
        raise ValueError("a harmonic mean needs positive values")
    return float(x.size / np.sum(1.0 / x))


def _quantile(p: float) -> float:
    from statistics import NormalDist

    return NormalDist().inv_cdf(p)


def _readings(n: int, share: float, confidence: float) -> None:
    if n < 2 or not 0.0 < share < 1.0 or not 0.0 < confidence < 1.0:
        raise ValueError(f"no limit from n = {n!r}, share {share!r}, confidence {confidence!r}")


def _counts(count: int, n: int, confidence: float) -> None:
    if n < 1 or not 0 <= count <= n or not 0.0 < confidence < 1.0:
        raise ValueError(f"no interval for {count!r} of {n!r} at {confidence!r}")


def _gauss(lo: float, hi: float) -> tuple[Floats, Floats]:
    node, weight = np.polynomial.legendre.leggauss(_NODES)
    return (hi - lo) / 2.0 * node + (hi + lo) / 2.0, (hi - lo) / 2.0 * weight


def _density(x: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi))


def _arl_cusum(k: float, h: float, shift: float) -> float:
    from scipy.special import ndtr

    y, w = _gauss(0.0, h)
    z = np.concatenate(([0.0], y))
    matrix = np.empty((z.size, z.size))
    matrix[:, 0] = ndtr(k - z - shift)
    matrix[:, 1:] = w * _density(y - z[:, None] + k - shift)
    return float(np.linalg.solve(np.eye(z.size) - matrix, np.ones(z.size))[0])


def _solve(rising: Callable[[float], float], lo: float, hi: float) -> float:
    from scipy.optimize import brentq

    return float(brentq(rising, lo, hi, xtol=1e-6))


def _sample(values: ArrayLike) -> Floats:
    x = np.asarray(values, dtype=np.float64).ravel()
    if x.size == 0 or not np.isfinite(x).all():
        raise ValueError("finite values are needed, and at least one")
    return x


def _pairs(
    truth: ArrayLike, score: ArrayLike, *, both: bool = True
) -> tuple[NDArray[np.bool_], Floats]:
    y, s = np.asarray(truth, dtype=bool), np.asarray(score, dtype=np.float64)
    if y.ndim != 1 or y.shape != s.shape or y.size == 0:
        raise ValueError(f"two alike rows are needed, got {y.shape} and {s.shape}")
    if both and y.all() == y.any():
        raise ValueError("both classes are needed")
    return y, s


def _mean_ranks(s: Floats) -> Floats:
    _, which, counts = np.unique(s, return_inverse=True, return_counts=True)
    top = np.cumsum(counts)
    return np.asarray(top - (counts - 1) / 2.0, dtype=np.float64)[which]
