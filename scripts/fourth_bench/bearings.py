"""What a bad bearing sounds like, seven descriptions.

All follow the shaft down after the power is cut and repeat, if they repeat at all,
at rates that are no whole number of turns.
"""

from __future__ import annotations

import numpy as np
from numpy.random import Generator

from fourth_bench.motion import CTRL_HZ
from fourth_bench.tools import (
    F32,
    F64,
    band,
    bank,
    convolve,
    formants,
    harmonic_table,
    hump,
    log_uniform,
    lookup,
    ring,
    scatter,
    wander,
)
from fourth_bench.voices import Scene


def _uneven(s: Scene, hz: float, depth: float) -> F32:
    """A level that never rests, at the sample rate."""
    return np.exp(depth * s.motion.up(wander(s.rng, s.motion.speed_hz.size, CTRL_HZ, hz)))


def _passes(s: Scene, order: float, slip: float, jitter: float) -> tuple[F64, F64]:
    """Turn numbers at which a ball meets a flaw, and the number of each meeting."""
    real = order * (1 - slip)
    k = np.arange(1, int(s.motion.turns * real))
    return (k + s.rng.normal(0, jitter, k.size)) / real, k


def growl(s: Scene, own: Generator) -> F32:
    """Growl: broad low-mid noise, rough at the ball-pass rates, swelling with the cage."""
    p, o = s.paint, s.maker.orders
    low = log_uniform(own, 120, 500)
    shape = band(p.freqs, low, low * own.uniform(4, 14), 3.0) * formants(own, p.freqs, 6, 5.0)
    noise = p.noise(s.rng, shape * s.share_frames(own.uniform(0.8, 1.6)))
    rough = harmonic_table(own.lognormal(0, 0.5, 4) / np.arange(1, 5), own)
    drift = 0.06 * s.motion.up(np.cumsum(wander(s.rng, s.motion.speed_hz.size, CTRL_HZ, 2.0)) / 90)
    order = o[str(own.choice(["outer", "inner", "ball"]))] * (1 - own.uniform(0, 0.015))
    depth = own.uniform(0.3, 0.9)
    beat = 1 + depth * lookup(rough / np.abs(rough).max(), s.motion.turn * order + drift)
    cage = 1 + own.uniform(0.1, 0.6) * np.sin(2 * np.pi * o["cage"] * s.motion.turn + 1.0)
    return np.asarray(noise * beat * cage.astype(np.float32), dtype=np.float32)


def ball_ticks(s: Scene, own: Generator) -> F32:
    """Tick-tick-tick of balls over a pit: quick grains at a non-integer rate."""
    o = s.maker.orders
    kind = str(own.choice(["outer", "inner", "ball"]))
    at, k = _passes(s, o[kind], own.uniform(0.0, 0.015), own.uniform(0.005, 0.03))
    strength = s.rng.lognormal(0.0, own.uniform(0.15, 0.5), at.size)
    if kind == "inner":
        strength *= 0.25 + 0.75 * np.clip(np.cos(2 * np.pi * at), 0, 1) ** own.uniform(0.5, 1.5)
    elif kind == "ball":
        strength *= 0.35 + 0.65 * np.square(np.cos(np.pi * o["cage"] * at))
        strength *= np.where(k % 2, 1.0, own.uniform(0.4, 1.0))
    inside = (at > s.motion.turn[0]) & (at < s.motion.turn[-1])
    where = np.searchsorted(s.motion.turn, at[inside])
    amps = strength[inside] * s.motion.at(s.motion.share ** own.uniform(0.8, 1.6), where)
    hits = bank(
        own, s.rate_hz, 8, log_uniform(own, 1100, 6500), octaves=own.uniform(0.2, 0.6),
        partials=int(own.integers(3, 8)), decay_s=log_uniform(own, 0.0008, 0.006),
        noise=own.uniform(0.1, 0.6),
    )  # fmt: skip
    return scatter(s.n, where, amps, hits, s.rng)


def dry_whine(s: Scene, own: Generator) -> F32:
    """High dry whine with the speed: wavering partials in a thin hiss."""
    m = s.motion
    order = own.uniform(700, 3200) / m.ref_hz
    order += 0.37 - (order % 1) * 0.2
    out = np.zeros(s.n, dtype=np.float32)
    wobble = np.cumsum(wander(s.rng, m.speed_hz.size, CTRL_HZ, own.uniform(3, 25)))
    follow = own.uniform(0.6, 1.0)
    rate = order * m.ref_hz * m.share**follow
    cycles = np.cumsum(rate / CTRL_HZ) + own.uniform(0.02, 0.12) * wobble
    x = np.arange(s.n) * (CTRL_HZ / s.rate_hz)
    fine = np.interp(x, np.arange(cycles.size), cycles)
    for part in range(1, int(own.integers(2, 5))):
        if part * order * m.ref_hz < 0.42 * s.rate_hz:
            turn = (part * fine) % 1.0
            out += own.uniform(0.2, 1) / part * np.sin(2 * np.pi * turn.astype(np.float32))
    centre = s.share_frames(follow) * order * m.ref_hz + 30.0
    hiss = s.paint.noise(s.rng, hump(s.paint.freqs, centre, own.uniform(0.1, 0.4)))
    level = m.up(m.share ** own.uniform(0.8, 1.8) * (m.share > 0.08))
    return (out + own.uniform(0.1, 1.2) * hiss) * level * _uneven(s, 3.0, own.uniform(0.1, 0.6))


def gritty(s: Scene, own: Generator) -> F32:
    """Sand in the grease: a dense dry crackle without any beat, thinning out as it slows."""
    m = s.motion
    rate = log_uniform(own, 6, 60) * m.ref_hz / 25
    per_turn = rate * 25 / m.ref_hz
    at = np.cumsum(s.rng.exponential(1 / per_turn, int(m.turns * per_turn * 1.1) + 10))
    where = m.when(at)
    burst = np.exp(0.8 * wander(s.rng, m.speed_hz.size, CTRL_HZ, 4.0))
    power = own.uniform(0.5, 1.3)
    amps = s.rng.pareto(own.uniform(1.6, 3.0), where.size) * m.at(m.share**power * burst, where)
    hits = bank(
        own, s.rate_hz, 10, log_uniform(own, 2200, 8000), octaves=0.5,
        decay_s=log_uniform(own, 0.0004, 0.0025), noise=own.uniform(0.5, 1.0),
    )  # fmt: skip
    hiss = s.paint.noise(s.rng, band(s.paint.freqs, 1500, 9000) * s.share_frames(1.2))
    return scatter(s.n, where, np.minimum(amps, 8.0), hits, s.rng) + 0.02 * hiss


def cage_chirps(s: Scene, own: Generator) -> F32:
    """Dry cage: short squeaky chirps that come in groups, tied to the cage, never to the turn."""
    m = s.motion
    per_cage = int(own.integers(1, 4))
    while per_cage * s.maker.orders["cage"] * m.turns < 5:  # a short spin by hand
        per_cage += 1
    at, _ = _passes(s, s.maker.orders["cage"] * per_cage, 0.0, 0.06)
    where = m.when(at)
    awake = m.at(wander(s.rng, m.speed_hz.size, CTRL_HZ, own.uniform(0.4, 2.0)), where)
    awake += max(0.0, 1.0 - float(awake.max(initial=0.0)))
    amps = np.clip(awake + own.uniform(0.1, 0.9), 0, 2) * m.at(m.share**0.7, where)
    base, grains = log_uniform(own, 1400, 4800), []
    for _ in range(10):
        t = np.arange(int(own.uniform(0.012, 0.06) * s.rate_hz)) / s.rate_hz
        x = t / t[-1]
        glide = base * (1 + own.uniform(-0.15, 0.15)) * 2.0 ** (own.uniform(-0.3, 0.3) * x)
        phase = 2 * np.pi * np.cumsum(glide) / s.rate_hz
        tone = np.sin(phase) + own.uniform(0, 0.6) * np.sin(2 * phase) + 0.2 * np.sin(3 * phase)
        tone += own.uniform(0.05, 0.5) * own.standard_normal(t.size)
        tone *= np.sin(np.pi * x) ** own.uniform(0.5, 1.5)
        grains.append((tone / np.sqrt(np.sum(tone**2))).astype(np.float32))
    return scatter(s.n, where, amps, grains, s.rng)


def ringing_rumble(s: Scene, own: Generator) -> F32:
    """Loose fit: a rolling rumble that sets the housing ringing in random short fits."""
    m, p = s.motion, s.paint
    shape = band(p.freqs, 60, log_uniform(own, 300, 1200)) * s.share_frames(own.uniform(0.7, 1.5))
    noise = p.noise(s.rng, shape)
    beat = wander(s.rng, s.n, s.rate_hz, s.maker.orders["outer"] * m.ref_hz * 0.5)
    noise = noise * np.square(beat)
    tones = np.exp(own.uniform(np.log(400), np.log(3800), int(own.integers(3, 9))))
    answer = ring(own, s.rate_hz, tones, log_uniform(own, 0.004, 0.02), own.uniform(0.05, 0.5))
    hard = np.tanh(own.uniform(1, 4) * noise / (np.std(noise) + 1e-9)).astype(np.float32)
    return convolve(hard * s.level(1.0), answer)


def scream(s: Scene, own: Generator) -> F32:
    """Howl of a starved bearing: loud uneven bands of noise that slide down with the shaft."""
    p, m = s.paint, s.motion
    f = p.freqs
    v = np.maximum(s.share_frames(), 0.02)
    gain = np.zeros((p.frames, f.size), dtype=np.float32)
    for _ in range(int(own.integers(2, 5))):
        centre = log_uniform(own, 900, 5200) * v ** own.uniform(0.4, 1.0)
        slow = np.interp(p.times, m.seconds, wander(s.rng, m.speed_hz.size, CTRL_HZ, 1.5))
        gain += own.uniform(0.3, 1) * hump(
            f, centre * (1 + 0.02 * slow[:, None]), own.uniform(0.04, 0.15)
        )
    noise = p.noise(s.rng, gain * v ** own.uniform(1.0, 2.0) * (v > 0.05))
    rough = 1 + own.uniform(0.2, 0.9) * lookup(
        harmonic_table([1.0, 0.5, 0.3], own) / 1.8, m.turn * s.maker.orders["outer"] * 0.99
    )
    return noise * rough * _uneven(s, 6.0, own.uniform(0.1, 0.5))


BEARING = {
    "growl": (growl, "coast_down"),
    "ball_ticks": (ball_ticks, "steady"),
    "dry_whine": (dry_whine, "steady"),
    "gritty_crackle": (gritty, "steady"),
    "cage_chirps": (cage_chirps, "steady"),
    "ringing_rumble": (ringing_rumble, "steady"),
    "howl": (scream, "steady"),
}
