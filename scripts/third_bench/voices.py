"""Speech-like and music-like sound from simple sources: pulse trains, formants, strings."""

from __future__ import annotations

import numpy as np
from scipy import signal

from third_bench.base import F32, Rng, slow, spread, uniform, white
from third_bench.kernels import TURN

VOWELS = (
    (730.0, 1090.0, 2440.0),
    (530.0, 1840.0, 2480.0),
    (270.0, 2290.0, 3010.0),
    (570.0, 840.0, 2410.0),
    (300.0, 870.0, 2240.0),
    (440.0, 1020.0, 2240.0),
)
"""Mean formants of vowels, Hz, from memory of the classic table (Peterson and Barney 1952)."""


def speech(rng: Rng, n: int, rate_hz: float, busy: float = 0.8) -> F32:
    """Syllables of a voice with pauses; not words, but their rhythm, pitch and formants."""
    out = np.zeros(n, dtype=np.float32)
    pitch = spread(rng, 85.0, 240.0)
    tract = uniform(rng, 0.9, 1.2)
    at = int(rng.exponential(0.2) * rate_hz)
    while at < n:
        length = int(uniform(rng, 0.1, 0.32) * rate_hz)
        end = min(n, at + length)
        size = end - at
        if size > 64:
            out[at:end] += _syllable(rng, length, rate_hz, pitch, tract)[:size]
        pause = rng.exponential(0.05) if rng.random() < busy else uniform(rng, 0.25, 0.9)
        at = end + int(pause * rate_hz)
    return out / (float(out.std()) + 1e-9)


def _syllable(rng: Rng, n: int, rate_hz: float, pitch: float, tract: float) -> F32:
    glide = pitch * np.exp(np.linspace(0, rng.normal(0, 0.2), n) + 0.12 * rng.normal())
    phase = np.cumsum(glide) / rate_hz
    source = np.diff(np.maximum(0.0, (phase % 1.0) - 0.4) ** 2 * 3.0, prepend=0.0) * 20.0
    source = source + 0.02 * rng.standard_normal(n)
    for formant in VOWELS[int(rng.integers(0, len(VOWELS)))]:
        f = min(formant * tract, 0.45 * rate_hz)
        r = np.exp(-np.pi * (60.0 + 0.05 * f) / rate_hz)
        a = [1.0, -2.0 * r * np.cos(TURN * f / rate_hz), r * r]
        source = signal.lfilter([1.0 - r], a, source)
    source = source / (source.std() + 1e-9) * np.hanning(n) ** 0.5
    if rng.random() < 0.4:
        size = n // 3
        hiss = np.diff(rng.standard_normal(size + 1)) * np.hanning(size)
        source[:size] += uniform(rng, 0.1, 0.5) * hiss
    return (source * spread(rng, 0.4, 1.2)).astype(np.float32)


def music(rng: Rng, n: int, rate_hz: float) -> F32:
    """Chords of plucked strings over a beat with noise drums."""
    out = np.zeros(n, dtype=np.float32)
    beat = uniform(rng, 0.28, 0.62)
    root = spread(rng, 110.0, 260.0)
    steps = (0, 3, 4, 5, 7, 9, 10, 12, 15, 16, 19)
    for k in range(int(n / rate_hz / beat) + 1):
        at = int(k * beat * rate_hz)
        for _ in range(int(rng.integers(1, 4))):
            f = root * 2 ** (rng.choice(steps) / 12.0)
            size = min(n - at, int(beat * uniform(rng, 0.8, 3.0) * rate_hz))
            if size < 64:
                continue
            t = np.arange(size, dtype=np.float32) / np.float32(rate_hz)
            fade = np.exp(-t * np.float32(3.0)) * np.minimum(t * 200.0, 1.0)
            for h in range(1, 6):
                out[at : at + size] += (fade / h * np.sin(np.float32(TURN * f * h) * t)).astype(
                    np.float32
                )
        size = min(n - at, int(0.08 * rate_hz))
        if size > 64 and rng.random() < 0.7:
            out[at : at + size] += (
                white(rng, size) * np.exp(-np.arange(size) * 6.0 / size)
            ).astype(np.float32)
    return out / (float(out.std()) + 1e-9)


def universal_motor(rng: Rng, n: int, rate_hz: float, start: int, stop: int) -> F32:
    """Another machine: series motor with brushes, free speed, commutator whine, gears."""
    top = spread(rng, 90.0, 420.0)
    up = spread(rng, 0.15, 0.9)
    t = (np.arange(n) - start) / rate_hz
    speed = np.where(t > 0, 1.0 - np.exp(-np.maximum(t, 0) / up), 0.0)
    speed = speed * (1.0 + 0.02 * slow(rng, n, rate_hz, 0.3)) * (1.0 - 0.02 * np.maximum(t, 0) / 5)
    down = spread(rng, 0.15, 1.2)
    gone = (np.arange(n) - stop) / rate_hz
    speed = np.where(gone > 0, speed * np.exp(-np.maximum(gone, 0) / down), speed)
    angle = TURN * top * np.cumsum(speed) / rate_hz
    bars = int(rng.choice((12, 16, 22, 24, 32)))
    out = np.zeros(n)
    for k, size in ((1, 0.5), (2, 0.3), (bars, 1.2), (2 * bars, 0.6), (7, 0.5), (9, 0.4)):
        if k * top < 0.45 * rate_hz:
            out += size * rng.rayleigh(1.0) * np.cos(k * angle + rng.uniform(0, TURN))
    noise = white(rng, n) * (1.0 + 0.4 * np.cos(bars * angle))
    out = out * speed**1.5 + spread(rng, 0.3, 2.0) * noise * speed**2.5
    return out.astype(np.float32)
