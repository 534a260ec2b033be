"""Tops that were cut off by a microphone or a converter that could not go higher.

Two signs. In a file as it was recorded the tops end at one level, the rail, and the samples
pile up there: of those within 10 % of the highest, most lie within 0.3 % (a sine has 17 %
there, noise and a limiter's soft tops a few per cent; closed form: arccos 0.997 / arccos 0.9).
A lossy coder smears the pile; then the distribution of the levels, which for any sum of many
sounds only falls towards its end, has a bump there. A single loud tone has such a bump too, but
a wave that was not cut bends most at its top (a sine's second derivative grows with its
value, noise's does not fall), and one that was cut bends least there.

Conventions
-----------
Rails are found, not assumed: they need not be at full scale.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.order import median
from quietrun.fitness.view import View

Array = NDArray[np.float32]

_TOP, _PILE = 0.9, 0.997
_PILED_SHARE = 0.35  # twice a sine's; cut tops gave 0.55 and more
_FEW = 50
_BINS = 50
_BUMP = 1.25
_BUMP_MASS = 0.005
_FALLS_WITHIN = 0.2  # above the rail only the coder's smear is left
_BEND = 0.95  # bend at the bump over that from 45 to 75 % of its level; uncut: 1 and more
_BEND_OF_TONES = 0.55  # noise on the top of a loud tone: sqrt(2/6) = 0.58 at the least
_TROUGH = 0.25  # a sine has 0.4 of its highest density at 0.84 of its level, a cut one far less
_ONE_LINE = 0.3
_RUMBLE_HZ = 150.0


@dataclass(frozen=True, slots=True)
class Clipping:
    """How much of a clip was cut.

    Attributes
    ----------
    share : 0..1
        Samples at the rail, 0 when none was found.
    rail : float, FS
        Where the tops end.
    blocks : int
        Tenths of a second that hold cut tops.
    """

    share: float
    rail: float
    blocks: int


NONE = Clipping(0.0, 0.0, 0)


def measure_clipping(view: View) -> Clipping:
    """Look for cut tops, first piled ones, then smeared ones."""
    samples = view.frames.samples
    piled = _piled(samples, view.frames.rate_hz)
    return piled if piled.share else _smeared(view)


def _piled(samples: Array, rate_hz: float) -> Clipping:
    count = 0
    rail = 0.0
    places = []
    tops = (float(samples.max()), -float(samples.min()))
    least = min((top for top in tops if top > 0), default=0.0)
    if least <= 0:
        return NONE
    outer = np.flatnonzero(np.abs(samples) > np.float32(_TOP * least))
    values = samples[outer]
    for sign, top in zip((1.0, -1.0), tops, strict=True):
        if top <= 0:
            continue
        index = outer[values * sign > _TOP * top]
        at_rail = outer[values * sign >= _PILE * top]
        if at_rail.size >= _FEW and at_rail.size >= _PILED_SHARE * index.size:
            count += at_rail.size
            rail = max(rail, top)
            places.append(at_rail)
    if not count:
        return NONE
    tenths = np.unique(np.concatenate(places) // max(1, int(0.1 * rate_hz)))
    return Clipping(count / samples.size, rail, int(tenths.size))


def _is_broad(view: View, loud: NDArray[np.intp]) -> bool:
    """Neither one line nor the lowest octaves make the wave."""
    frames = view.frames
    mean = frames.power[loud[:: max(1, loud.size // 50)]].mean(axis=0)
    peak, slow = int(np.argmax(mean)), int(np.searchsorted(frames.freqs_hz, _RUMBLE_HZ))
    line = float(mean[max(0, peak - 2) : peak + 3].sum() / mean.sum())
    return line < _ONE_LINE and float(mean[:slow].sum() / mean.sum()) < 0.5


def _smeared(view: View) -> Clipping:
    frames = view.frames
    loud = np.flatnonzero(view.steady)
    if loud.size < 50:
        return NONE
    a, b = (int(frames.time_s[k] * frames.rate_hz) for k in loud[[0, -1]])
    step = max(1, (b - a) // 150_000)
    place = np.arange(a + 1, b - 1, step)
    middle = frames.samples[place]
    size = np.abs(middle)
    count = max(2, size.size // 10_000)
    top = float(np.partition(size, -count)[-count])
    if top <= 0:
        return NONE
    bins = np.minimum(size * np.float32(_BINS / (1.1 * top)), _BINS).astype(np.intp)
    counts = np.bincount(bins, minlength=_BINS + 1)[:_BINS].astype(np.float64) + 20.0
    ratio = counts / np.minimum.accumulate(counts)
    ratio[: _BINS // 3] = 0.0
    bump = int(np.argmax(ratio))
    mass = float((counts[bump - 1 :] - 20.0).sum() / size.size)
    fallen = np.flatnonzero(counts[bump:] < 0.5 * counts[bump])
    steep = fallen.size > 0 and fallen[0] <= _FALLS_WITHIN * bump + 1
    if ratio[bump] < _BUMP or mass < _BUMP_MASS or not steep:
        return NONE
    bend = np.abs(frames.samples[place - 1] - 2 * middle + frames.samples[place + 1])
    at_bump = median(bend[np.abs(bins - bump) <= 1])
    below = median(bend[(bins >= 0.45 * bump) & (bins <= 0.75 * bump)])
    trough = counts[int(0.8 * bump) : int(0.88 * bump) + 1].mean() / counts[bump]
    if trough > _TROUGH and at_bump >= (_BEND if _is_broad(view, loud) else _BEND_OF_TONES) * below:
        return NONE
    if at_bump >= 1.2 * below:
        return NONE
    share = mass * (b - a) / frames.samples.size
    return Clipping(share, bump * 1.1 * top / _BINS, loud.size // 10)
