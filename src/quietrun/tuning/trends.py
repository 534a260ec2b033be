"""A measure of one machine watched from visit to visit.

Every visit is first turned into a standard normal number by what was known before it (a Q
statistic of Quesenberry 1991, as in the self-starting CUSUM of Hawkins 1987; from memory):

    t_i = (x_i - mean of x_1..x_(i-1)) / (s sqrt(1 + 1/(i-1))),   Q_i = Phi^-1(F_t(t_i; dof))

with s pooled from the visits before and the scatter known of other machines
(``tuning.centre``). In a steady machine the Q are independent and standard normal from the
second or third visit on, so the run lengths of the charts hold, although centre and scatter
were never given. After a signal the reference stands still, so that a change is not
learnt as normal.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.stats import arl_cusum, arl_ewma, cusum_chart, ewma_chart

Floats = NDArray[np.float64]

ALLOWANCE = 0.5  # finds a shift of one standard deviation soonest
LIMIT = 5.0
WEIGHT = 0.1
WIDTH = 2.814  # Lucas and Saccucci 1990: one chance signal in 500
LEAST_VISITS = 4
_FURTHEST = 6.0  # a single wild visit counts as this many standard deviations, no more


@dataclass(frozen=True, slots=True)
class Point:
    """One visit: the mean of its clips."""

    day: str
    value: float


@dataclass(frozen=True, slots=True)
class Watch:
    """How a measure is watched.

    Attributes
    ----------
    name, title, unit : str
    worse : +1, -1 or 0 (both directions are signals, one is worse)
    within : scatter of one machine's runs known from others, and how firmly (runs); None: not
    least : smallest scatter that can be: the measure's own resolution
    """

    name: str
    title: str
    unit: str
    worse: int
    least: float
    within: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Signal:
    """A chart went over its limit.

    Attributes
    ----------
    chart : ``"CUSUM"`` or ``"EWMA"``
    day : of the visit at which it did
    since : first visit of the change
    rising : direction
    worse : True, False, or None where the direction says nothing
    """

    chart: str
    day: str
    since: str
    rising: bool
    worse: bool | None


@dataclass(frozen=True, slots=True, eq=False)
class Trend:
    """A measure over all visits.

    Attributes
    ----------
    q : shape (n,), standardised visits; NaN-free, 0 for those before there was a reference
    high, low, ewma : shape (n,), charts of ``q``
    by_chance : visits between two chance signals of either chart, at least
    """

    watch: Watch
    points: tuple[Point, ...]
    q: Floats
    high: Floats
    low: Floats
    ewma: Floats
    signals: tuple[Signal, ...]
    by_chance: float


def standardise(values: Sequence[float], watch: Watch) -> Floats:
    """Turn visits into standard normal numbers by the visits before them.

    Parameters
    ----------
    values : oldest first
    watch : gives the scatter known of other machines and the least one

    Returns
    -------
    shape (n,)
        0 for the first visit, and for the second where no scatter is known yet.
    """
    q = np.zeros(len(values))
    count, mean, squares = 0, 0.0, 0.0
    known_sd, known_dof = watch.within or (0.0, 0.0)
    up = down = 0.0
    for i, x in enumerate(values):
        dof = known_dof + max(0, count - 1)
        if count >= 1 and dof >= 1:
            scatter = math.sqrt((known_dof * known_sd**2 + squares) / dof)
            scatter = max(scatter, watch.least)
            q[i] = _to_normal((x - mean) / (scatter * math.sqrt(1.0 + 1.0 / count)), dof)
        up, down = max(0.0, up + q[i] - ALLOWANCE), max(0.0, down - q[i] - ALLOWANCE)
        if max(up, down) <= LIMIT:
            count += 1
            step = x - mean
            mean += step / count
            squares += step * (x - mean)
    return q


def _to_normal(t: float, dof: float) -> float:
    from scipy.special import ndtri, stdtr

    tail = float(stdtr(dof, -abs(t)))
    return math.copysign(min(_FURTHEST, -float(ndtri(max(tail, 1e-12)))), t)


@lru_cache(maxsize=1)
def chance_length() -> float:
    """Visits between chance signals where both charts are read: at least 1 / (1/C + 1/E)."""
    return 1.0 / (1.0 / arl_cusum(ALLOWANCE, LIMIT) + 1.0 / arl_ewma(WEIGHT, WIDTH))


def watch_trend(points: Sequence[Point], watch: Watch) -> Trend | None:
    """Chart a measure; None for fewer than ``LEAST_VISITS`` visits."""
    if len(points) < LEAST_VISITS:
        return None
    q = standardise([point.value for point in points], watch)
    cusum = cusum_chart(q, target=0.0, allowance=ALLOWANCE, limit=LIMIT)
    ewma = ewma_chart(q, centre=0.0, spread=1.0, weight=WEIGHT, width=WIDTH)
    signals = []
    if cusum.since is not None:
        at = int(np.argmax(cusum.signal))
        rising = bool(cusum.high[at] > LIMIT)
        signals.append(_signal("CUSUM", points, at, cusum.since, rising, watch))
    if ewma.signal.any():
        at = int(np.argmax(ewma.signal))
        rising = bool(ewma.value[at] > 0)
        other = np.flatnonzero(np.sign(ewma.value[:at]) != np.sign(ewma.value[at]))
        since = int(other[-1]) + 1 if other.size else 0
        signals.append(_signal("EWMA", points, at, since, rising, watch))
    return Trend(
        watch=watch,
        points=tuple(points),
        q=q,
        high=cusum.high,
        low=cusum.low,
        ewma=ewma.value,
        signals=tuple(signals),
        by_chance=chance_length(),
    )


def _signal(
    chart: str, points: Sequence[Point], at: int, since: int, rising: bool, watch: Watch
) -> Signal:
    worse = None if watch.worse == 0 else rising == (watch.worse > 0)
    return Signal(chart, points[at].day, points[since].day, rising, worse)
