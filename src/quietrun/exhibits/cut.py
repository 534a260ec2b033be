"""Cut a stretch and a band out of a sound, slow it, shift it down, level it.

Everything in one transform: the bins of the band are kept, moved, and turned back into a
sound of another length. Slowing is plain rate reduction (pitch falls with the tempo, so what
follows the turn keeps its pattern); shifting down moves every tone by the same number of Hz.

Conventions: samples are mono float, FS; rates Hz; times s from the first sample.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]

#: Rate of every sound that is played or written, Hz.
OUT_HZ = 24000
#: Loudness of every sound, root mean square over full scale, dB; peaks stay below ``PEAK_DB``.
LEVEL_DB, PEAK_DB = -20.0, -1.0
_FADE_S = 0.03
_SKIRT = 0.06  # share of the band width over which each edge falls off, inside the band


def cut(
    samples: Array,
    rate_hz: float,
    *,
    span_s: tuple[float, float],
    band_hz: tuple[float, float],
    slow: int = 1,
    shift_hz: float = 0.0,
    out_hz: int = OUT_HZ,
) -> Array:
    """Band-pass a stretch, move it down by ``shift_hz``, and play it ``slow`` times slower.

    Parameters
    ----------
    samples : shape (n,), FS
    rate_hz : of the samples
    span_s : (from, to)
    band_hz : (lo, hi)
        Clipped to what the rate holds.
    slow : whole number
        The result lasts that many times longer, its tones lie that many times lower.
    shift_hz : Hz
        Taken off every frequency before slowing.
    out_hz : rate of the result

    Returns
    -------
    shape (slow * span * out_hz,), float32, FS, not levelled

    Raises
    ------
    ValueError
        An empty stretch or band, or a band that would not fit below ``out_hz / 2``.
    """
    a, b = (round(t * rate_hz) for t in span_s)
    part = samples[max(0, a) : max(0, b)].astype(np.float64)
    lo, hi = band_hz[0], min(band_hz[1], 0.5 * rate_hz)
    if part.size < 16 or not 0.0 <= lo < hi:
        raise ValueError(f"nothing to cut: {part.size} samples, band {band_hz}")
    if shift_hz > lo or (hi - shift_hz) / slow > 0.5 * out_hz:
        raise ValueError(f"band {band_hz} less {shift_hz} Hz does not fit {out_hz} Hz")
    part *= _ramps(part.size, round(_FADE_S * rate_hz))
    spectrum = np.fft.rfft(part)
    step = rate_hz / part.size
    k0, k1 = max(1, int(np.ceil(lo / step))), min(spectrum.size - 1, int(hi / step))
    kept = spectrum[k0 : k1 + 1] * _ramps(k1 + 1 - k0, round(_SKIRT * (k1 + 1 - k0)))
    length = round(slow * part.size * out_hz / rate_hz)
    moved = np.zeros(length // 2 + 1, dtype=np.complex128)
    first = k0 - round(shift_hz / step)
    moved[first : first + kept.size] = kept[: moved.size - first]
    made = np.fft.irfft(moved, length) * (length / part.size)
    return np.asarray(made, dtype=np.float32)


def _ramps(size: int, edge: int) -> NDArray[np.float64]:
    """Ones, with raised-cosine ramps of ``edge`` at both ends."""
    window = np.ones(size)
    edge = min(edge, size // 2)
    if edge > 0:
        ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(edge) + 0.5) / edge)
        window[:edge] *= ramp
        window[size - edge :] *= ramp[::-1]
    return window


def gain_for(samples: Array) -> float:
    """Factor that brings a sound to ``LEVEL_DB``, or less where its peaks would pass ``PEAK_DB``.

    0 for silence.
    """
    rms = float(np.sqrt(np.mean(np.square(samples, dtype=np.float64)))) if samples.size else 0.0
    if rms <= 1e-9:
        return 0.0
    peak = float(np.max(np.abs(samples)))
    return min(10 ** (LEVEL_DB / 20.0) / rms, 10 ** (PEAK_DB / 20.0) / peak)


def levelled(samples: Array) -> Array:
    """Bring a sound to the common loudness; silence stays silence."""
    return np.asarray(samples * np.float32(gain_for(samples)), dtype=np.float32)
