"""Where the sound of a recording really ends, which is seldom half its rate."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from quietrun.fitness.view import TINY, View

Floats = NDArray[np.float64]

_SMOOTH_HZ = 140.0
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
        At most half the rate.
    """
    frames = view.frames
    step_hz = float(frames.freqs_hz[1])
    loud, quiet = _typical(view)
    width = max(1, round(_SMOOTH_HZ / step_hz))
    loud, quiet = _smooth(loud, width), _smooth(quiet, width)
    top = min(_empty_from(loud), _wall_at(loud, quiet, step_hz))
    return float(min(frames.freqs_hz[top], 0.5 * frames.rate_hz))


def _typical(view: View) -> tuple[Floats, Floats]:
    """Median spectrum of the loud and of the quiet frames.

    The median, because what a codec lets through above its edge now and then
    is no band to measure in; over every few frames only, which is enough.
    """
    power = view.frames.power
    loud = np.flatnonzero(view.steady)
    quiet = np.flatnonzero(view.still)
    if loud.size < 10:
        loud = np.flatnonzero(view.total >= np.quantile(view.total, 0.5))
    if quiet.size < 10:
        quiet = np.zeros(0, dtype=np.intp)
    spectra = []
    for index in (loud, quiet):
        some = index[:: max(1, index.size // 32)]
        spectra.append(
            np.median(power[some], axis=0).astype(np.float64)
            if some.size
            else np.zeros(power.shape[1])
        )
    return spectra[0], spectra[1]


def _smooth(spectrum: Floats, width: int) -> Floats:
    """Running median over ``width`` bins each side: lines go, walls stay."""
    padded = np.pad(spectrum, width, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * width + 1)
    return np.asarray(np.median(windows, axis=1))


def _empty_from(loud: Floats) -> int:
    """First bin from which nothing but rounding is left."""
    level = _EMPTY / loud.size
    full = np.flatnonzero(loud > level)
    return int(full[-1]) if full.size else 0


def _wall_at(loud: Floats, quiet: Floats, step_hz: float) -> int:
    """Bin of the lowest wall with nothing of the run above it, or the last bin."""
    gap = max(2, round(_WALL_HZ / 2 / step_hz))
    level_db = 10.0 * np.log10(loud + TINY)
    start = max(gap, round(_LOWEST_HZ / step_hz))
    bins = np.arange(start, loud.size - gap)
    if not bins.size:
        return loud.size - 1
    highest_above = np.maximum.accumulate(level_db[::-1])[::-1]
    fall_db = level_db[bins - gap] - highest_above[bins + gap]
    walls = fall_db >= _WALL_DB
    if quiet.any():
        rise_db = level_db - 10.0 * np.log10(quiet + TINY)
        highest_rise = np.maximum.accumulate(rise_db[::-1])[::-1]
        walls &= highest_rise[bins + gap] < np.maximum(_GONE_DB, 0.3 * rise_db[bins - gap])
    if not walls.any():
        return loud.size - 1
    first = int(np.argmax(walls))
    group = slice(first, first + 2 * gap)
    return int(bins[group][np.argmax(np.where(walls[group], fall_db[group], -np.inf))])
