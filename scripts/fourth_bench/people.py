"""Voices, music, dishes: sounds around a machine, built from tables and grains."""

from __future__ import annotations

import numpy as np
from numpy.random import Generator

from fourth_bench.tools import (
    F32,
    Paint,
    bank,
    harmonic_table,
    hump,
    log_uniform,
    lookup,
    scatter,
)

LOW_HZ = 16000
VOWELS = ((730, 1090, 2440), (270, 2290, 3010), (300, 870, 2240), (530, 1840, 2480),
          (660, 1720, 2410), (570, 840, 2410), (440, 1020, 2240))  # fmt: skip


def _resampled(x: F32, n: int) -> F32:
    return np.interp(np.linspace(0, x.size - 1, n), np.arange(x.size), x).astype(np.float32)


def _vowel(f0: float, place: tuple[int, ...], scale: float, rng: Generator) -> F32:
    k = np.arange(1, max(4, min(60, int(6500 / f0))))
    f = (k * f0).astype(np.float32)
    gain = sum(
        hump(f, scale * c, 0.12 + 0.04 * i) * 0.6**i for i, c in enumerate(place)
    ) + 0.02 / np.sqrt(k)
    return harmonic_table(gain / k**0.3, rng, 1024)


def speech(rng: Generator, n: int, rate_hz: int, busy: float = 0.8) -> F32:
    """One talker: syllables of gliding vowels with hissing consonants, breaths between."""
    length = int(n / rate_hz * LOW_HZ) + 1
    out = np.zeros(length, dtype=np.float32)
    f0, scale = log_uniform(rng, 85, 260), rng.uniform(0.9, 1.25)
    mood = rng.uniform(0.05, 0.25)
    at = int(rng.uniform(0, 0.5) * LOW_HZ)
    left = int(rng.integers(3, 14))
    while at < length:
        size = int(rng.uniform(0.09, 0.32) * LOW_HZ)
        t = np.linspace(0, 1, size)
        bend = 2.0 ** (rng.normal(0, mood) + rng.uniform(-mood, mood) * t)
        phase = np.cumsum(f0 * bend / LOW_HZ)
        a, b = rng.integers(0, len(VOWELS), 2)
        sound = (1 - t) * lookup(_vowel(f0, VOWELS[a], scale, rng), phase)
        sound += t * lookup(_vowel(f0, VOWELS[b], scale, rng), phase)
        sound *= np.minimum(1, np.minimum(t / 0.15, (1 - t) / 0.3)) * rng.lognormal(0, 0.35)
        if rng.random() < 0.6:
            hiss = int(rng.uniform(0.02, 0.12) * LOW_HZ)
            noise = np.diff(rng.standard_normal(hiss + 1))
            sound[: min(hiss, size)] += (
                rng.uniform(0.1, 0.8) * (noise * np.hanning(hiss))[: min(hiss, size)]
            )
        end = min(length, at + size)
        out[at:end] += sound[: end - at].astype(np.float32)
        at += size + int(rng.uniform(0.0, 0.06) * LOW_HZ)
        left -= 1
        if left <= 0:
            left = int(rng.integers(3, 14))
            at += int(rng.uniform(0.2, 0.6) / busy * LOW_HZ)
    return _resampled(out, n)


def babble(rng: Generator, n: int, rate_hz: int) -> F32:
    """Several talkers far away."""
    return sum(
        (rng.lognormal(0, 0.4) * speech(rng, n, rate_hz) for _ in range(int(rng.integers(3, 6)))),
        np.zeros(n, dtype=np.float32),
    )


def music(rng: Generator, n: int, rate_hz: int) -> F32:
    """A radio: chords, a bass and a beat out of a small loudspeaker."""
    length = int(n / rate_hz * LOW_HZ) + 1
    out = np.zeros(length, dtype=np.float32)
    beat = int(60 / rng.uniform(70, 150) * LOW_HZ)
    root = log_uniform(rng, 90, 220)
    scale = np.array([0, 2, 4, 5, 7, 9, 11]) if rng.random() < 0.6 else np.array([0, 2, 3, 5, 7, 8])
    voices = [harmonic_table(rng.lognormal(0, 0.5, 8) / np.arange(1, 9) ** 1.3, rng, 1024)
              for _ in range(3)]  # fmt: skip
    for number, at in enumerate(range(0, length, max(1, beat // 2))):
        notes = [(voices[0], 1.0, rng.choice(scale))] if number % 2 == 0 else []
        if rng.random() < 0.7:
            notes.append((voices[1], 4.0, rng.choice(scale)))
        if number % 4 == 0:
            notes += [(voices[2], 2.0, step) for step in rng.choice(scale, 3)]
        for table, octave, step in notes:
            size = min(length - at, int(beat * rng.uniform(0.5, 2.0)))
            t = np.arange(size) / LOW_HZ
            tone = lookup(table, root * octave * 2 ** (step / 12) * t)
            out[at : at + size] += tone * np.exp(-t / rng.uniform(0.1, 0.6)).astype(np.float32)
        size = min(length - at, 1600)
        thud = rng.standard_normal(size) * np.exp(-np.arange(size) / rng.uniform(60, 400))
        out[at : at + size] += 0.5 * thud.astype(np.float32)
    return _resampled(out, n)


def dishes(rng: Generator, n: int, rate_hz: int, per_s: float = 1.5) -> F32:
    """Cups, spoons, a tray: rings and clatters in handfuls."""
    out = np.zeros(n, dtype=np.float32)
    seconds = n / rate_hz
    for _ in range(3):
        groups = rng.uniform(0, seconds, rng.poisson(per_s * seconds / 6) + 1)
        at = np.concatenate([g + np.cumsum(rng.exponential(0.09, rng.integers(1, 7)))
                             for g in groups])  # fmt: skip
        hits = bank(rng, rate_hz, 4, log_uniform(rng, 1500, 7000), octaves=0.5,
                    decay_s=log_uniform(rng, 0.01, 0.08), noise=0.15)  # fmt: skip
        out += scatter(
            n, (at * rate_hz).astype(np.int64), rng.lognormal(0, 0.8, at.size), hits, rng
        )
    return out


def steam(rng: Generator, n: int, rate_hz: int) -> F32:
    """A gust of steam."""
    p = Paint(n, rate_hz)
    start = rng.uniform(-1, n / rate_hz - 0.5)
    t = p.times - start
    shape = (t > 0) * np.minimum(t / 0.2, 1) * np.clip((rng.uniform(1, 5) - t) / 0.3, 0, 1)
    shape = shape * (1 + 0.3 * rng.standard_normal(t.size))
    gain = hump(p.freqs, log_uniform(rng, 2500, 7000), 0.8) * shape.astype(np.float32)[:, None]
    return p.noise(rng, gain)


def birds(rng: Generator, n: int, rate_hz: int) -> F32:
    """Chirps through an open door."""
    grains = []
    for _ in range(5):
        t = np.arange(int(rng.uniform(0.05, 0.2) * rate_hz)) / rate_hz
        x = t / t[-1]
        base = log_uniform(rng, 2200, 5500)
        f = base * 2 ** (rng.uniform(-0.5, 0.5) * x + 0.05 * np.sin(2 * np.pi * 30 * t))
        tone = np.sin(2 * np.pi * np.cumsum(f) / rate_hz) * np.sin(np.pi * x)
        grains.append((tone / np.sqrt(np.sum(tone**2))).astype(np.float32))
    count = rng.poisson(n / rate_hz * 1.2)
    where = np.sort(rng.integers(0, n, count))
    return scatter(n, where, rng.lognormal(0, 0.6, count), grains, rng)


def steps(rng: Generator, n: int, rate_hz: int) -> F32:
    """Somebody walks by."""
    hits = bank(rng, rate_hz, 5, log_uniform(rng, 90, 400), decay_s=0.03, noise=0.6)
    at = np.cumsum(rng.normal(0.55, 0.05, 40)) + rng.uniform(-2, n / rate_hz / 2)
    at = at[(at > 0) & (at < n / rate_hz)]
    near = np.exp(-np.square((at - at.mean()) / 2.5)) if at.size else at
    return scatter(n, (at * rate_hz).astype(np.int64), near, hits, rng)
