"""Small tools: tables over a turn, slow drifts, modal paths, levels."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from third_bench.kernels import TABLE, TURN, read_table, ring

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
Rng = np.random.Generator

COSINE = np.cos(np.arange(TABLE) * TURN / TABLE).astype(np.float32)


def uniform(rng: Rng, low: float, high: float) -> float:
    """One number."""
    return float(rng.uniform(low, high))


def spread(rng: Rng, low: float, high: float) -> float:
    """One number, even on a log scale."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def amplitude(level_db: float) -> float:
    """Decibels to an amplitude factor."""
    return float(10.0 ** (level_db / 20.0))


def white(rng: Rng, n: int) -> F32:
    """Normal noise, unit power."""
    return rng.standard_normal(n, dtype=np.float32)


def slow(rng: Rng, n: int, rate_hz: float, hold_s: float) -> F32:
    """A smooth random drift of unit spread, knots every ``hold_s``."""
    knots = max(4, int(n / rate_hz / hold_s) + 4)
    at = np.linspace(0, knots - 1.001, n) if n < 2000 else None
    values = rng.standard_normal(knots)
    if at is None:
        coarse = np.interp(np.linspace(0, knots - 1, 16 * knots), np.arange(knots), values)
        coarse = np.convolve(np.pad(coarse, 16, "edge"), np.hanning(33) / 16.0, "same")[16:-16]
        return np.interp(
            np.arange(n) * ((coarse.size - 1) / max(1, n - 1)), np.arange(coarse.size), coarse
        ).astype(np.float32)
    return np.interp(at, np.arange(knots), values).astype(np.float32)


def profile(rng: Rng, slope: float, low: int, high: int) -> F64:
    """A random surface over one turn: amplitude of order n goes as n**-slope, unit spread."""
    orders = np.arange(TABLE // 2 + 1)
    # six points a wave at least, so that slow reading makes no mirror tones
    high = min(high, TABLE // 6)
    size = np.zeros(orders.size)
    inside = (orders >= max(1, low)) & (orders <= high)
    size[inside] = orders[inside] ** -float(slope)
    if high > 200:  # contacts have a length: the finest waves fade, no edge
        size *= np.exp(-4.0 * (orders / high) ** 2)
    spectrum = (
        size * np.exp(1j * rng.uniform(0.0, TURN, orders.size)) * rng.rayleigh(1.0, size.size)
    )
    out = fft.irfft(spectrum, TABLE)
    return np.asarray(out / (out.std() + 1e-30))


def bump(centre: float, width: float) -> F64:
    """A smooth bump of unit height at an angle, rad, over one turn."""
    angle = np.arange(TABLE) * (TURN / TABLE)
    away = np.abs((angle - centre + np.pi) % TURN - np.pi) / width
    return np.asarray(np.where(away < 1.0, 0.5 + 0.5 * np.cos(np.pi * np.minimum(away, 1.0)), 0.0))


def read(table: NDArray[np.floating], theta: F64) -> F32:
    """A table over one turn, read at angles."""
    return read_table(table, theta)


def convolve(x: F32, response: F32) -> F32:
    """Causal convolution cut to the length of ``x``."""
    return signal.oaconvolve(x, response)[: x.size].astype(np.float32, copy=False)


def modal_path(
    rng: Rng,
    rate_hz: float,
    *,
    modes: int,
    low_hz: float,
    high_hz: float,
    loss: tuple[float, float],
    tilt_db: float,
    length_s: float = 0.22,
    direct: float = 0.3,
) -> F32:
    """Impulse response from a force to sound: random modes plus a dull direct part.

    ``tilt_db`` is the change of mode strength per octave. Thin shells have modes evenly
    spaced in frequency, beams and housings in log frequency: mixed here at random.
    """
    evenly = rng.random() < 0.5
    share = np.sort(rng.random(modes))
    freq = low_hz + share * (high_hz - low_hz) if evenly else low_hz * (high_hz / low_hz) ** share
    losses = np.exp(rng.uniform(np.log(loss[0]), np.log(loss[1]), modes))
    size = rng.rayleigh(1.0, modes) * 10 ** (tilt_db * np.log2(freq / 1000.0) / 20.0)
    size = size * np.sqrt(losses * freq / 50.0)
    size *= 1.0 / (1.0 + (freq / (0.75 * high_hz)) ** 4)
    keep = freq < 0.46 * rate_hz
    n = int(length_s * rate_hz)
    out = ring(n, rate_hz, freq[keep], losses[keep], size[keep], rng.uniform(0, TURN, modes)[keep])
    fade = np.ones(n)
    fade[n // 2 :] = np.hanning(2 * (n - n // 2))[n - n // 2 :]
    out *= fade
    short = int(spread(rng, 0.0006, 0.004) * rate_hz) + 8
    dull = rng.standard_normal(short) * np.exp(-np.arange(short) * 5.0 / short)
    out[:short] += direct * np.sqrt(np.sum(out**2) / (np.sum(dull**2) + 1e-30)) * dull
    return (out / (np.sqrt(np.sum(out**2)) + 1e-30)).astype(np.float32)


def shaped_noise(rng: Rng, n: int, rate_hz: float, points_hz: list[float], db: list[float]) -> F32:
    """Noise whose spectrum runs through the points (log frequency, dB)."""
    block = 1 << 15
    freq = np.maximum(fft.rfftfreq(block, 1.0 / rate_hz), 1.0)
    level = np.interp(np.log(freq), np.log(points_hz), db)
    kernel = fft.irfft(10 ** (level / 20.0), block)
    kernel = np.roll(kernel, 1024)[:2048] * np.hanning(2048)
    return convolve(white(rng, n + 2048), kernel.astype(np.float32))[2048:]


def a_weight(freq_hz: F64) -> F64:
    """A weighting as a power factor (IEC 61672-1 formula, constants from memory)."""
    f2 = np.square(freq_hz)
    top = 12194.0**2 * f2**2
    bottom = (f2 + 20.6**2) * np.sqrt((f2 + 107.7**2) * (f2 + 737.9**2)) * (f2 + 12194.0**2)
    return np.asarray(np.square(1.2589 * top / (bottom + 1e-30)))


def heard_level(x: F32, rate_hz: float) -> float:
    """A-weighted rms of (at most 2 s in the middle of) a sound."""
    want = int(2.0 * rate_hz)
    if x.size > want:
        start = (x.size - want) // 2
        x = x[start : start + want]
    if x.size < 16:
        return 0.0
    power = np.abs(fft.rfft(x)) ** 2
    weight = a_weight(fft.rfftfreq(x.size, 1.0 / rate_hz))
    return float(np.sqrt(2.0 * np.sum(power * weight)) / x.size)


def events(n: int, at: NDArray[np.floating], size: NDArray[np.floating]) -> F32:
    """A train of unit pulses at (fractional) samples."""
    out = np.zeros(n, dtype=np.float32)
    at = np.asarray(at, dtype=np.float64)
    inside = (at >= 0) & (at < n - 2)
    index = at[inside].astype(np.int64)
    part = (at[inside] - index).astype(np.float32)
    strength = np.asarray(size)[inside].astype(np.float32)
    np.add.at(out, index, strength * (1 - part))
    np.add.at(out, index + 1, strength * part)
    return out
