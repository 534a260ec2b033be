"""When the power went: the lines of the mains end and the tones of the shaft begin to slide.

With the power gone the drag slows the shaft from the first instant, so that
the phase of every tone that follows it falls behind that of a steady tone by
the square of the time. The phase tells long before the ear: a tone of 500 Hz
on a shaft that takes ten seconds to rest is half a turn behind after 0.15 s.
All tones share one instant and one deceleration; the lines of the mains stop
at the same instant. The likeliest instant is taken.

Conventions
-----------
Times are seconds from the first sample of the frames.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.frames import Frames, slice_signal

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

_HALF_HZ = 26.0  # half the band about a tone
_WITHIN_HZ = 20.0  # a tone further off its line has left the band
_BEFORE_S = 0.7
_AFTER_S = 0.6
_GRID_S = 0.01
_LEAST_S = 0.2  # of steady sound before the cut
#: Decelerations tried, as shares of the running speed lost a second.
_LOSSES = np.geomspace(0.04, 4.0, 10)
_CLEAR_NATS = 6.0
#: Of first guesses most lie within some hundredths of a second, a few anywhere (five sound models).
_GUESS_S, _ASTRAY = 0.06, 0.03
_RINGS_ON_S = 0.035  # a room of half a second rings on so long that the middle of the fall is late


def _band(frames: Frames, hz: float, span: tuple[float, float]) -> tuple[Complexes, float, float]:
    """Sound about a tone, turned back by its own frequency; its rate and the first time."""
    z, rate = slice_signal(frames, hz - _HALF_HZ, hz + _HALF_HZ, taper=0.2)
    step = frames.rate_hz / frames.padded
    offset = hz - round(max(hz - _HALF_HZ, 0.0) / step) * step
    a, b = max(0, round(span[0] * rate)), round(span[1] * rate)
    part = z[a:b] * np.exp(-2j * np.pi * offset / rate * np.arange(a, a + z[a:b].size))
    return np.asarray(part, dtype=np.complex128), rate, a / rate


def _unturn(z: Complexes, rate: float, known: int) -> Complexes:
    """Take out what the tone is off its nominal frequency, within 2 Hz, by its first part."""
    size = 1024
    spectrum = np.abs(np.fft.fft(z[:known], size))
    reach = max(1, int(2.0 / rate * size))
    index = np.arange(-reach, reach + 1)
    off = float(index[int(np.argmax(spectrum[index]))]) * rate / size
    return np.asarray(z * np.exp(-2j * np.pi * off / rate * np.arange(z.size)))


def _nats(matched: Floats, energy: float, count: int, rate: float) -> Floats:
    """Log-likelihood of a model that explains ``matched`` of an energy in noise."""
    free = count * 2 * _HALF_HZ / rate
    return np.asarray(-free * np.log(np.maximum(1.0 - matched / (energy + 1e-20), 1e-3)))


def _slides(z: Complexes, rate: float, hz: float) -> Floats:
    """Log-likelihood that a tone begins to slide at each sample with each loss of speed."""
    longest = round(_AFTER_S * rate)
    u = np.arange(longest) / rate
    loss = _LOSSES[:, None]
    inside = hz * loss * u < _WITHIN_HZ
    chirp = np.where(inside, np.exp(1j * np.pi * hz * loss * u * u), 0.0)  # conjugate
    padded = np.concatenate([z, np.zeros(longest)])
    after = np.lib.stride_tricks.sliding_window_view(padded, longest)[: z.size] @ chirp.T
    before = np.concatenate(([0.0], np.cumsum(z)))[: z.size]
    left = (z.size - np.arange(z.size))[:, None]
    size = np.arange(z.size)[:, None] + np.minimum(inside.sum(axis=1)[None, :], left)
    matched = np.abs(before[:, None] + after) ** 2 / np.maximum(size, 1)
    return _nats(matched, float(np.sum(np.abs(z) ** 2)), z.size, rate)


def _ends(z: Complexes, rate: float) -> Floats:
    """Log-likelihood that a tone ends at each sample."""
    before = np.concatenate(([0.0], np.cumsum(z)))[: z.size]
    matched = np.abs(before) ** 2 / np.maximum(np.arange(z.size), 1)
    return _nats(matched, float(np.sum(np.abs(z) ** 2)), z.size, rate)


def cut_time(
    frames: Frames,
    about_s: float,
    *,
    from_s: float,
    tones_hz: list[float],
    lines_hz: list[float],
    weight: float = 0.0,
) -> float | None:
    """Likeliest time of switch-off near a first guess.

    Parameters
    ----------
    frames : Frames
    about_s : s
    from_s : s
        Since when the speed is steady.
    tones_hz : list of Hz
        Tones that follow the shaft, at its steady speed.
    lines_hz : list of Hz
        Lines of the mains.
    weight : float
        How far the first guess is trusted. Neighbouring samples are not independent, so that the
        nats below are some times too many; the guess is weighed up by as much.

    Returns
    -------
    float or None
        s; None where tones and lines do not tell.
    """
    span = (max(from_s, about_s - _BEFORE_S, 0.0), min(about_s + _AFTER_S, frames.duration_s))
    if about_s - span[0] < _LEAST_S + 0.1 or span[1] - about_s < 0.1:
        return None
    grid = np.arange(span[0] + _LEAST_S, span[1] - 0.05, _GRID_S)
    total = np.zeros((grid.size, _LOSSES.size))
    for hz in tones_hz:
        z, rate, first = _band(frames, hz, span)
        known = round((about_s - 0.15 - first) * rate)
        if known < 8 or z.size < 16:
            continue
        still = _unturn(z, rate, known)
        # a tone that the power makes ends with it, at whatever loss of speed
        nats = np.maximum(_slides(still, rate, hz), _ends(still, rate)[:, None])
        at = (grid - first) * rate
        low = np.clip(at.astype(int), 0, nats.shape[0] - 2)
        part = (at - low)[:, None]
        total += nats[low] * (1 - part) + nats[low + 1] * part
    for hz in lines_hz:
        z, rate, first = _band(frames, hz, span)
        if z.size >= 16:
            ends = _ends(z, rate)
            total += np.interp(grid, first + np.arange(z.size) / rate, ends)[:, None]
    away = np.abs(grid - about_s - _RINGS_ON_S)
    best = total.max(axis=1)
    k = int(np.argmax(best + weight * np.log(_ASTRAY + np.exp(-away / _GUESS_S))))
    if k in (0, grid.size - 1) or best[k] - max(best[0], best[-1]) < _CLEAR_NATS:
        return None
    return float(grid[k]) - _RINGS_ON_S
