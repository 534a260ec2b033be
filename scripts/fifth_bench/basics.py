"""Small tools: noise of a given spectrum, tables over angle, slow wanderings, levels."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
Rng = np.random.Generator
TABLE = 16384


def ratio(level_db: float) -> float:
    """Amplitude ratio of a level difference."""
    return float(10.0 ** (level_db / 20.0))


def rms(x: F32) -> float:
    """Root of the mean square, never zero."""
    return float(np.sqrt(np.mean(np.square(x), dtype=np.float64) + 1e-24)) if x.size else 1e-12


def power_db(x: F32) -> float:
    """Mean square in dB."""
    return 20.0 * float(np.log10(rms(x)))


def gain_at(hz: F64, curve: list[tuple[float, float]]) -> F64:
    """Amplitude gain of a curve of (Hz, dB) points, straight lines over log frequency."""
    at = np.log2([point[0] for point in curve])
    level_db = np.interp(np.log2(np.maximum(hz, 1.0)), at, [point[1] for point in curve])
    return np.asarray(10.0 ** (level_db / 20.0))


def wavy(rng: Rng, curve: list[tuple[float, float]], spread_db: float) -> list[tuple[float, float]]:
    """The curve with a bump or a dip every half octave, as measured spectra have."""
    hz = 60.0 * 2.0 ** (np.arange(17) / 2.0)
    base = 20.0 * np.log10(gain_at(hz, curve))
    return list(zip(hz.tolist(), (base + rng.normal(0, spread_db, hz.size)).tolist(), strict=True))


def fine_gain(bins: int, rate_hz: float, curve: list[tuple[float, float]]) -> F32:
    """Gain on a long linear frequency grid, by way of a coarse one."""
    coarse = gain_at(np.linspace(0, rate_hz / 2, 1025), curve)
    where = np.linspace(0, 1024, bins)
    return np.interp(where, np.arange(1025), coarse).astype(np.float32)


def shaped_noise(rng: Rng, count: int, rate_hz: float, *curves: list[tuple[float, float]]) -> F32:
    """Gaussian noises from one white one, a row a curve, shape (curves, count)."""
    size = fft.next_fast_len(count, real=True)
    bins = size // 2 + 1
    white = rng.standard_normal(2 * bins, dtype=np.float32).view(np.complex64)
    rows = [
        fft.irfft(white * fine_gain(bins, rate_hz, curve), size)[:count] * np.sqrt(size)
        for curve in curves
    ]
    return np.asarray(rows, dtype=np.float32)


def slow(rng: Rng, count: int, rate_hz: float, hz: float) -> F32:
    """A wandering of mean 0 and spread 1 that changes about ``hz`` times a second."""
    knots = max(4, int(count / rate_hz * hz * 2) + 4)
    values = rng.standard_normal(knots)
    values = (values + np.roll(values, 1)) / np.sqrt(2.0)
    where = np.linspace(0, knots - 1.001, count)
    return np.interp(where, np.arange(knots), values).astype(np.float32)


def lookup(table: F32, cycles: F64) -> F32:
    """Values of a periodic table (a power of two long) at ``cycles`` turns (not negative)."""
    index = (cycles * table.size).astype(np.int64)
    index &= table.size - 1
    return table[index]


def waves(orders: list[float] | F64, amplitudes: F64, phases: F64) -> F32:
    """One period of a sum of cosines at whole orders."""
    spectrum = np.zeros(TABLE // 2 + 1, dtype=np.complex128)
    for order, amplitude, phase in zip(orders, amplitudes, phases, strict=True):
        spectrum[int(order)] += amplitude * np.exp(2j * np.pi * phase)
    return (fft.irfft(spectrum, TABLE) * TABLE / 2).astype(np.float32)


SINE = waves([1.0], np.ones(1), np.full(1, -0.25))


def arc(centre: float, width: float, edge: float = 0.3) -> F32:
    """One period of a window over an arc of the turn; ``edge`` is the share that rises."""
    turn = (np.arange(TABLE) / TABLE - centre + 0.5) % 1.0 - 0.5
    away = np.abs(turn) / max(width / 2, 1e-6)
    window = np.clip((1.0 - away) / max(edge, 1e-3), 0.0, 1.0)
    return (0.5 - 0.5 * np.cos(np.pi * window)).astype(np.float32)


def a_weight(hz: F64) -> F64:
    """Power gain of the A weighting (IEC 61672-1, from memory), unscaled."""
    f2 = np.square(hz)
    top = 12194.0**4 * f2 * f2
    low = (f2 + 20.6**2) ** 2 * (f2 + 107.7**2) * (f2 + 737.9**2) * (f2 + 12194.0**2) ** 2
    return np.asarray(top * f2 * f2 / low)


def heard_db(x: F32, rate_hz: float) -> float:
    """A-weighted level of a passage, mean over a dozen pieces of a fifth of a second."""
    size = min(x.size, 8192)
    if size < 256:
        return -240.0
    starts = np.linspace(0, x.size - size, 12).astype(int)
    hz = fft.rfftfreq(size, 1 / rate_hz)
    window = np.hanning(size).astype(np.float32)
    total = 0.0
    for start in starts:
        spectrum = fft.rfft(x[start : start + size] * window)
        total += float(np.sum(np.square(np.abs(spectrum)) * a_weight(hz)))
    return 10.0 * float(np.log10(total / 12 / size**2 + 1e-24))
