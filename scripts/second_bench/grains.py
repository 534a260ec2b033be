"""Building blocks: noise shaped in frequency, strikes, waveguides, patterns of the turn."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
Curve = tuple[F64, F64]


def measured_curve(
    rng: np.random.Generator,
    peak_hz: float,
    rise_db_oct: float,
    fall_db_oct: float,
    ragged_db: float = 2.5,
) -> Curve:
    """Draw a spectrum as a third-octave measurement would show it.

    A broad hump at ``peak_hz`` with straight flanks, and a correlated random
    walk from band to band.

    Returns
    -------
    frequencies, Hz, and density, dB : shape (31,) each
    """
    hz = 20.0 * 2.0 ** (np.arange(31) / 3.0)
    octaves = np.log2(hz / peak_hz)
    hump = np.where(octaves < 0, rise_db_oct * octaves, -fall_db_oct * octaves)
    walk = np.cumsum(rng.normal(0.0, 1.0, 31))
    walk = walk - np.linspace(walk[0], walk[-1], 31)
    return hz, hump + ragged_db * walk / 2.0


def band_curve(lo_hz: float, hi_hz: float, skirt_db_oct: float = 18.0) -> Curve:
    """Flat from ``lo_hz`` to ``hi_hz``, straight skirts outside."""
    hz = np.array([lo_hz / 16, lo_hz, hi_hz, hi_hz * 16])
    return hz, np.array([-4 * skirt_db_oct, 0.0, 0.0, -4 * skirt_db_oct])


def curve_gain(curve: Curve, hz: F64) -> F64:
    """Amplitude of a curve at frequencies, straight lines over log frequency."""
    at = np.maximum(hz, 1.0)
    return np.asarray(10.0 ** (np.interp(np.log(at), np.log(curve[0]), curve[1]) / 20.0))


def shaped_noise(rng: np.random.Generator, n: int, rate_hz: float, curve: Curve) -> F32:
    """Gaussian noise with a given density, rms 1, made in the frequency domain."""
    size = fft.next_fast_len(n, real=True)
    bins = size // 2 + 1
    spectrum = rng.standard_normal(2 * bins, dtype=np.float32).view(np.complex64)
    grid = np.linspace(0.0, rate_hz / 2, 4097)
    gain = curve_gain(curve, grid)
    gain[0] = 0.0
    spectrum *= np.interp(np.arange(bins) * (4096.0 / (bins - 1)), np.arange(4097), gain).astype(
        np.float32
    )
    x = np.asarray(fft.irfft(spectrum, size)[:n], dtype=np.float32)
    x *= np.float32(1.0 / (float(np.sqrt(np.mean(x * x))) + 1e-20))
    return x


def slow_noise(rng: np.random.Generator, n: int, rate_hz: float, knots_hz: float) -> F32:
    """Random wander of standard deviation 1 about 0: straight lines between Gaussian knots."""
    count = max(3, int(n / rate_hz * knots_hz) + 2)
    knots = rng.standard_normal(count)
    at = np.arange(n) * (knots_hz / rate_hz)
    return np.asarray(np.interp(at, np.arange(count), knots), dtype=np.float32)


def wander(rng: np.random.Generator, n: int, rate_hz: float, per_s: float, hold_s: float) -> F32:
    """Leaky random walk: ``per_s`` is its spread after one second without leak."""
    knots_hz = 40.0
    count = max(3, int(n / rate_hz * knots_hz) + 2)
    steps = rng.normal(0.0, per_s / np.sqrt(knots_hz), count)
    walk = signal.lfilter([1.0], [1.0, -np.exp(-1.0 / (hold_s * knots_hz))], steps)
    at = np.arange(n) * (knots_hz / rate_hz)
    return np.asarray(np.interp(at, np.arange(count), walk), dtype=np.float32)


def strikes(n: int, rate_hz: float, times_s: F64, strength: F64) -> F32:
    """Impulses between samples (two-point), those outside the clip dropped."""
    at = np.asarray(times_s) * rate_hz
    keep = (at >= 0) & (at < n - 2) & np.isfinite(at)
    at, strength = at[keep], np.asarray(strength)[keep]
    whole = at.astype(np.int64)
    part = at - whole
    out = np.bincount(whole, strength * (1 - part), n) + np.bincount(whole + 1, strength * part, n)
    return out[:n].astype(np.float32)


def convolve(x: F32, response: F32) -> F32:
    """Causal convolution, same length as ``x``."""
    return np.asarray(signal.oaconvolve(x, response)[: x.size], dtype=np.float32)


def waveguide(
    rng: np.random.Generator,
    rate_hz: float,
    delays_s: Sequence[float],
    reflection: Sequence[float],
    band_hz: tuple[float, float],
    loss_hz: float,
    size: int = 4096,
) -> F32:
    """Response of a body of lossy waveguides, unit energy.

    H(f) = sum_k g_k / (1 - r_k exp(-f / loss_hz) exp(-2 pi i f tau_k)), within a band.

    Returns
    -------
    shape (size,)
    """
    hz = np.arange(size // 2 + 1) * (rate_hz / size)
    total = np.zeros(hz.size, dtype=np.complex128)
    for delay_s, back in zip(delays_s, reflection, strict=True):
        loop = back * np.exp(-hz / loss_hz) * np.exp(-2j * np.pi * hz * delay_s)
        total += rng.uniform(0.4, 1.0) * rng.choice([-1.0, 1.0]) / (1.0 - loop)
    top_hz = min(band_hz[1], 0.47 * rate_hz)
    low_hz = min(band_hz[0], 0.5 * top_hz)
    sos = signal.butter(2, (low_hz, top_hz), "bandpass", fs=rate_hz, output="sos")
    total *= signal.sosfreqz(sos, worN=hz, fs=rate_hz)[1]
    response = np.fft.irfft(total, size)
    response *= np.hanning(2 * size)[size:] ** 0.25
    return np.asarray(response / np.sqrt(np.sum(response**2)), dtype=np.float32)


def struck_body(
    rng: np.random.Generator,
    rate_hz: float,
    band_hz: tuple[float, float],
    ring_s: float,
    size: int = 4096,
) -> F32:
    """Response to a blow of a part whose lowest travel time lies in the band."""
    lo_hz, hi_hz = band_hz
    first_hz = rng.uniform(lo_hz, 0.5 * (lo_hz + hi_hz))
    delays = [1.0 / (first_hz * ratio) for ratio in (1.0, rng.uniform(1.2, 1.9), rng.uniform(2, 3))]
    back = [np.exp(-6.9 * delay / ring_s) for delay in delays]
    return waveguide(rng, rate_hz, delays, back, band_hz, 3.0 * hi_hz, size)


def pattern(rng: np.random.Generator, centres: F64, widths: F64, heights: F64) -> F32:
    """One turn of a pattern made of bumps, shape (4096,), peak about 1."""
    at = np.arange(4096) / 4096.0
    out = np.zeros(4096)
    for centre, width, height in zip(centres, widths, heights, strict=True):
        away = (at - centre + 0.5) % 1.0 - 0.5
        out += height * np.exp(-0.5 * (away / width) ** 2)
    return np.asarray(out / (np.max(np.abs(out)) + 1e-12), dtype=np.float32)


def by_angle(table: F32, turns: F64) -> F32:
    """Read a table of one turn (or one cycle) at angles in turns, linear between entries.

    The size of the table is a power of two.
    """
    at = turns * table.size
    floor = np.floor(at)
    part = (at - floor).astype(np.float32)
    index = floor.astype(np.int64) & (table.size - 1)
    step = np.roll(table, -1) - table
    return np.asarray(table[index] + part * step[index], dtype=np.float32)


_SINE = np.sin(2.0 * np.pi * np.arange(4096) / 4096.0).astype(np.float32)


def sine(turns: F64) -> F32:
    """Sine of an angle in turns, from a table (error below 1e-6)."""
    return by_angle(_SINE, turns)


def times_at(phase: F64, rate_hz: float, marks: F64) -> F64:
    """Say when a rising phase passes each mark, s; NaN where it never does."""
    step = 16
    coarse = phase[::step]
    times = np.interp(marks, coarse, np.arange(coarse.size) * (step / rate_hz))
    inside = (marks > phase[0]) & (marks < phase[-1])
    return np.where(inside, times, np.nan)


def share_at(share: F32, rate_hz: float, times_s: F64) -> F64:
    """Speed share at times; 0 where the time is not a number."""
    at = np.nan_to_num(times_s * rate_hz, nan=0.0).astype(np.int64).clip(0, share.size - 1)
    return np.where(np.isfinite(times_s), share[at], 0.0).astype(np.float64)


def rms(x: F32 | F64) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(x, dtype=np.float64)) + 1e-30))


def a_level_db(x: F32, rate_hz: float) -> float:
    """A-weighted level of the middle of a stretch, dB re 1 (IEC 61672-1 analytic form).

    The largest power of two of samples within the stretch and within 3 s.
    """
    size = 1 << (min(x.size, int(3 * rate_hz)).bit_length() - 1)
    start = (x.size - size) // 2
    part = x[start : start + size]
    power = np.abs(np.fft.rfft(part.astype(np.float64))) ** 2
    hz2 = np.square(np.arange(power.size) * (rate_hz / part.size))
    weight = (
        12194.217**2
        * hz2**2
        / ((hz2 + 20.598997**2) * (hz2 + 12194.217**2))
        / np.sqrt((hz2 + 107.65265**2) * (hz2 + 737.86223**2))
    )
    mean = 2.0 * np.sum(power * (1.2589 * weight) ** 2) / part.size**2
    return float(10.0 * np.log10(mean + 1e-30))
