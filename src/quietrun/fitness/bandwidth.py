"""Where the sound of a recording really ends, which is seldom half its rate."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.order import quantile
from quietrun.fitness.view import TINY, View

Floats = NDArray[np.float64]

#: Bins are pooled in steps of this: a low rank over a step leaves lines out and walls in.
_STEP_HZ = 140.0
_FRAMES = 32
_RANK = 0.3
#: A codec's low-pass falls by tens of dB within this; a room, a body or air never does.
_WALL_HZ = 700.0
_WALL_DB = 15.0
#: Below this a 16-bit file holds nothing but its own rounding: 2**-30 / 12 over all bins, +9 dB.
_EMPTY = 2.0**-30 / 12.0 * 8.0
_LOWEST_HZ = 1000.0
#: Above a wall the machine is gone: the run stands over the room by no more than this there.
_GONE_DB = 2.5


def upper_edge_hz(view: View) -> float:
    """Upper edge of the band that holds sound, Hz.

    Two signs, the lower one counts: from some frequency on there is nothing
    but rounding; or the spectrum falls off a wall (``_WALL_DB`` within about
    ``_WALL_HZ``) with nothing of the run above it.

    Parameters
    ----------
    view : View

    Returns
    -------
    float, Hz
        At most half the rate; to about ``_STEP_HZ``.
    """
    frames = view.frames
    bin_hz = float(frames.freqs_hz[1])
    width = max(1, round(_STEP_HZ / bin_hz))
    loud = np.flatnonzero(view.steady)
    quiet = np.flatnonzero(view.still)
    if loud.size < 10:
        loud = np.flatnonzero(view.total >= quantile(view.total, 0.5))
    loud_db = _typical_db(view, loud, width)
    quiet_db = _typical_db(view, quiet, width) if quiet.size >= 10 else None
    step_hz = width * bin_hz
    empty_db = 10.0 * np.log10(_EMPTY / frames.freqs_hz.size)
    full = np.flatnonzero(loud_db > empty_db)
    top = int(full[-1]) + 1 if full.size else 0
    wall = _wall_at(loud_db, quiet_db, step_hz)
    if wall is not None:
        top = min(top, wall)
    edge_hz = top * step_hz
    return 0.5 * frames.rate_hz if edge_hz > 0.5 * frames.rate_hz - 2 * step_hz else edge_hz


def _typical_db(view: View, index: NDArray[np.intp], width: int) -> Floats:
    """Usual level over some frames and over every ``width`` bins.

    Ranked low, because a line fills most bins of a step, and what a codec
    lets through above its edge now and then is no band to measure in.
    """
    power = view.frames.power
    some = index[:: max(1, index.size // _FRAMES)]
    count = power.shape[1] // width
    part = power[some, : count * width].reshape(some.size, count, width)
    pooled = part.transpose(1, 0, 2).reshape(count, -1)
    rank = int(_RANK * (pooled.shape[1] - 1))
    ranked = np.partition(pooled, rank, axis=1)[:, rank]
    return np.asarray(10.0 * np.log10(ranked.astype(np.float64) + TINY))


def _wall_at(loud_db: Floats, quiet_db: Floats | None, step_hz: float) -> int | None:
    """Step of the lowest wall with nothing of the run above it."""
    gap = max(1, round(_WALL_HZ / 2 / step_hz))
    steps = np.arange(max(gap, round(_LOWEST_HZ / step_hz)), loud_db.size - gap)
    if not steps.size:
        return None
    highest_above = np.maximum.accumulate(loud_db[::-1])[::-1]
    fall_db = loud_db[steps - gap] - highest_above[steps + gap]
    walls = fall_db >= _WALL_DB
    if quiet_db is not None:
        rise_db = loud_db - quiet_db
        highest_rise = np.maximum.accumulate(rise_db[::-1])[::-1]
        walls &= highest_rise[steps + gap] < np.maximum(_GONE_DB, 0.3 * rise_db[steps - gap])
    if not walls.any():
        return None
    first = int(np.argmax(walls))
    group = slice(first, first + 2 * gap)
    steepest = np.argmax(np.where(walls[group], fall_db[group], -np.inf))
    return int(steps[group][steepest])
