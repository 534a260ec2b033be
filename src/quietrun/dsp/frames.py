"""The one frame matrix and the one long transform that every later step reads.

Conventions
-----------
Samples are mono ``float32``, shape ``(n,)``, 1.0 is digital full scale (FS).
Times are seconds from the first sample; rates and frequencies are in Hz.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.blocks import block_means

Array = NDArray[np.float32]
Complexes = NDArray[np.complex64]

FRAME_S = 0.0427  # 2048 samples at 48 kHz: 23 Hz a bin, short enough for a falling tone
HOP_S = 0.010
_BLOCK = 64  # frames a block: the working set stays in the second-level cache


@dataclass(frozen=True, slots=True, eq=False)
class Frames:
    """Short power spectra and one long transform of the same samples.

    Attributes
    ----------
    samples : shape (n,), float32, FS
    rate_hz : float
    hop_s : float
        Time between frames.
    time_s : shape (k,), s
        Centre of each frame.
    freqs_hz : shape (m,), Hz
    power : shape (k, m), float32, FS^2
        One-sided Hann power spectra; a frame's bins add up to its mean square.
    spectrum : shape (q,), complex64
        One-sided transform of all samples, zero-padded to ``2 (q - 1)``.
    padded : int
        Length of that transform's input.
    """

    samples: Array
    rate_hz: float
    hop_s: float
    time_s: NDArray[np.float64]
    freqs_hz: NDArray[np.float64]
    power: Array
    spectrum: Complexes
    padded: int

    @property
    def duration_s(self) -> float:
        """Length of the samples, s."""
        return self.samples.size / self.rate_hz

    def bins(self, lo_hz: float, hi_hz: float) -> slice:
        """Bins of ``power`` whose centre lies in [lo_hz, hi_hz)."""
        lo, hi = np.searchsorted(self.freqs_hz, (lo_hz, hi_hz))
        return slice(int(lo), int(hi))

    def frame_at(self, time_s: float) -> int:
        """Index of the frame whose centre is nearest to ``time_s``."""
        return int(np.clip(round((time_s - self.time_s[0]) / self.hop_s), 0, self.time_s.size - 1))


def fast_length(at_least: int, *, even: bool = True) -> int:
    """Smallest 5-smooth (even) length from ``at_least`` on: quick to transform."""
    n = max(2, at_least)
    while True:
        m = n
        for p in (2, 3, 5):
            while m % p == 0:
                m //= p
        if m == 1 and not (even and n % 2):
            return n
        n += 1


@lru_cache(maxsize=256)
def _long_length(at_least: int) -> int:
    """A 5-smooth even length found by enumeration, for long inputs."""
    best = 1 << max(1, (at_least - 1).bit_length())
    five = 1
    while five < best:
        three = five
        while three < best:
            n = three
            while n < at_least or n % 2:
                n *= 2
            best = min(best, n)
            three *= 3
        five *= 5
    return best


def frames_of(samples: Array, rate_hz: float) -> Frames:
    """Cut samples into Hann frames and transform them, once for all later steps.

    Parameters
    ----------
    samples : shape (n,), float32, FS
        Not modified. Shorter than one frame: padded with zeros to one frame.
    rate_hz : Hz

    Returns
    -------
    Frames

    Raises
    ------
    ValueError
        Not one-dimensional float32, or a rate that is not positive.
    """
    if samples.ndim != 1 or samples.dtype != np.float32:
        raise ValueError(f"samples must be float32 (n,), got {samples.dtype} {samples.shape}")
    if not rate_hz > 0:
        raise ValueError(f"rate_hz must be positive, got {rate_hz!r}")
    n_fft = fast_length(round(FRAME_S * rate_hz))
    hop = max(1, round(HOP_S * rate_hz))
    x = samples if samples.size >= n_fft else np.pad(samples, (0, n_fft - samples.size))
    # first, while nothing else is held: its scratch memory is the peak for a long clip
    padded = _long_length(x.size)
    spectrum = np.fft.rfft(x, padded).astype(np.complex64, copy=False)
    window = np.hanning(n_fft + 1)[:-1].astype(np.float32)
    view = np.lib.stride_tricks.sliding_window_view(x, n_fft)[::hop]
    count, m = view.shape[0], n_fft // 2 + 1
    power = np.empty((count, m), dtype=np.float32)
    scale = np.float32(2.0 / (n_fft * float(np.sum(window.astype(np.float64) ** 2))))
    weighted = np.empty((_BLOCK, n_fft), dtype=np.float32)  # one scratch for all blocks
    for start in range(0, count, _BLOCK):
        block = power[start : start + _BLOCK]
        part = weighted[: block.shape[0]]
        np.multiply(view[start : start + _BLOCK], window, out=part)
        lines = np.fft.rfft(part, axis=1).astype(np.complex64, copy=False)
        squares = lines.view(np.float32)
        squares *= squares
        np.add(squares[:, 0::2], squares[:, 1::2], out=block)  # real and imaginary part
        block *= scale
    power[:, 0] *= 0.5
    power[:, -1] *= 0.5
    return Frames(
        samples=samples,
        rate_hz=float(rate_hz),
        hop_s=hop / rate_hz,
        time_s=np.asarray((np.arange(count) * hop + n_fft / 2) / rate_hz, dtype=np.float64),
        freqs_hz=np.asarray(np.arange(m) * (rate_hz / n_fft), dtype=np.float64),
        power=power,
        spectrum=spectrum,
        padded=padded,
    )


def band_power(frames: Frames, edges_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean square per frame in adjoining bands.

    Parameters
    ----------
    frames : Frames
    edges_hz : shape (b + 1,), Hz, increasing

    Returns
    -------
    shape (k, b), FS^2
        0 where a band holds no bin or lies above half the rate.
    """
    cuts = np.clip(np.searchsorted(frames.freqs_hz, edges_hz), 0, frames.freqs_hz.size)
    out = np.zeros((frames.time_s.size, cuts.size - 1))
    for i, (lo, hi) in enumerate(pairwise(cuts.tolist())):
        if hi > lo:
            out[:, i] = frames.power[:, lo:hi].sum(axis=1)
    return out


def slice_signal(
    frames: Frames, lo_hz: float, hi_hz: float, *, taper: float = 0.1
) -> tuple[Complexes, float]:
    """Complex baseband signal of the band [lo_hz, hi_hz], by slicing the long transform.

    The magnitude is the envelope (amplitude) of the band-passed sound; the
    first sample sits at time 0.

    Parameters
    ----------
    frames : Frames
    lo_hz, hi_hz : Hz
        Clipped to what the rate can carry.
    taper : 0..1
        Share of the band over which each edge falls off (raised cosine).

    Returns
    -------
    z : shape (p,), complex64, FS
    rate_hz : float
        Sample rate of ``z``, at least ``hi_hz - lo_hz``.
    """
    step = frames.rate_hz / frames.padded
    k0 = max(1, round(lo_hz / step))
    k1 = min(frames.spectrum.size - 1, round(hi_hz / step))
    width = max(2, k1 - k0)
    length = _long_length(width)
    part = np.zeros(length, dtype=np.complex64)
    got = frames.spectrum[k0 : k0 + width]
    part[: got.size] = got
    edge = int(taper * width)
    if edge > 1:
        ramp = (0.5 - 0.5 * np.cos(np.pi * (np.arange(edge) + 0.5) / edge)).astype(np.float32)
        part[:edge] *= ramp
        part[width - edge : width] *= ramp[::-1]
    z = np.fft.ifft(part).astype(np.complex64, copy=False)
    z *= np.float32(2.0 * length / frames.padded)
    rate = length * step
    return z[: int(frames.samples.size / frames.rate_hz * rate)], rate


def band_envelope(
    frames: Frames, lo_hz: float, hi_hz: float, *, rate_hz: float
) -> tuple[Array, float]:
    """Squared envelope of a band, averaged down to about ``rate_hz``.

    Returns
    -------
    shape (p,), float32, FS^2 (mean over time = 2 x the band's mean square)
    rate_hz : float
        The rate got: the slice's own rate over a whole number.
    """
    z, rate = slice_signal(frames, lo_hz, hi_hz)
    energy = z.real * z.real
    energy += z.imag * z.imag
    by = max(1, int(rate // rate_hz))
    return block_means(energy, by) if by > 1 else energy, rate / by
