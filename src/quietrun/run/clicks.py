"""Clicks: the start switch opening in the run-up and closing in the coast-down.

A click is over in a few milliseconds and rises in several bands at once. One
that comes alone is a switch; where such events come again and again they are
knocks, and none of them is claimed as the switch.

Conventions
-----------
Times are seconds from the first sample of the frames.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.blocks import block_means
from quietrun.dsp.frames import Frames, slice_signal
from quietrun.dsp.order import median

Floats = NDArray[np.float64]

_EDGES_HZ = (800.0, 1600.0, 3200.0, 6000.0, 10000.0, 15000.0)
_STEP_S = 0.003
_AROUND = 41  # steps: the median over 0.12 s is what a click must rise over
_LEAST_DB = 5.0  # a rise below this is no event in a band
_MOST_DB = 15.0  # and more than this counts as this
_CLEAR_DB = 15.0  # sum over the bands
_OVER_RIVALS = 1.5
_APART_S = 0.03


@dataclass(frozen=True, slots=True, eq=False)
class Snaps:
    """How much of a click is in each step.

    Attributes
    ----------
    time_s : shape (n,)
    rise_db : shape (n,)
        Sum over the bands of the rise over the surroundings, 5 to 15 dB each.
    """

    time_s: Floats
    rise_db: Floats


def snaps_of(frames: Frames) -> Snaps:
    """Measure a whole clip.

    Parameters
    ----------
    frames : Frames

    Returns
    -------
    Snaps
    """
    grid = np.arange(0.5 * _STEP_S, frames.duration_s, _STEP_S)
    total = np.zeros(grid.size)
    for lo, hi in pairwise(_EDGES_HZ):
        if hi > 0.48 * frames.rate_hz:
            break
        z, rate = slice_signal(frames, lo, hi)
        by = max(1, round(rate * _STEP_S))
        energy = block_means(z.real**2 + z.imag**2, by)
        if energy.size < 2 * _AROUND:
            return Snaps(grid, np.zeros(grid.size))
        level = 10 * np.log10(energy.astype(np.float64) + 1e-13)
        rise = level - _around(level)
        widest = rise.copy()  # the two neighbours too: bands ring for different times
        widest[1:] = np.maximum(widest[1:], rise[:-1])
        widest[:-1] = np.maximum(widest[:-1], rise[1:])
        at = (np.arange(level.size) + 0.5) * by / rate
        total += np.clip(np.interp(grid, at, widest) - _LEAST_DB, 0.0, _MOST_DB)
    return Snaps(grid, total)


def _around(level: Floats) -> Floats:
    """Running median, taken at every fourth step."""
    half = _AROUND // 2
    padded = np.pad(level, half, mode="edge")
    every = np.lib.stride_tricks.sliding_window_view(padded, _AROUND)[::4]
    return np.asarray(np.repeat(median(every, axis=1), 4)[: level.size])


def lone(snaps: Snaps, window_s: tuple[float, float]) -> tuple[float, float] | None:
    """The one clear click in a window.

    Parameters
    ----------
    snaps : Snaps
    window_s : s, from and to

    Returns
    -------
    tuple of float or None
        Time in s and summed rise in dB; None where there is none, or several alike.
    """
    inside = np.flatnonzero((snaps.time_s >= window_s[0]) & (snaps.time_s <= window_s[1]))
    if inside.size < 10:
        return None
    rise, time = snaps.rise_db[inside], snaps.time_s[inside]
    best = int(np.argmax(rise))
    away = np.abs(time - time[best]) > _APART_S
    rival = float(rise[away].max()) if away.any() else 0.0
    if rise[best] < _CLEAR_DB or rise[best] < _OVER_RIVALS * rival + 3.0:
        return None
    return float(time[best]), float(rise[best])
