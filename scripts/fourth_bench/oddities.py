"""The other faults: what they add to the sound (what they do to the speed is in ``plan``)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.random import Generator

from fourth_bench.motion import CTRL_HZ
from fourth_bench.tools import (
    F32,
    arc_table,
    band,
    bank,
    formants,
    gauss,
    harmonic_table,
    hump,
    log_uniform,
    lookup,
    scatter,
    wander,
)
from fourth_bench.voices import Scene


def strained_hum(s: Scene, own: Generator) -> F32:
    """Hum of a motor that pulls too hard: overdriven, rough, only while the power is on."""
    k = np.arange(1, 30)
    table = harmonic_table(own.lognormal(0, 0.6, k.size) * k ** -own.uniform(0.6, 1.6), own)
    table = np.tanh(own.uniform(1, 5) * table / np.abs(table).max()).astype(np.float32)
    beat = 1 + own.uniform(0, 0.5) * np.sin(2 * np.pi * own.uniform(0.5, 6) * s.motion.seconds)
    rough = 1 + own.uniform(0.0, 0.3) * wander(s.rng, s.motion.speed_hz.size, CTRL_HZ, 20)
    return lookup(table, 2 * s.line()) * s.motion.up(s.motion.power * beat * rough)


def magnetic_growl(s: Scene, own: Generator) -> F32:
    """Growl with the power: noise and hum ring-modulated at the mains and by slip, then silence."""
    p, m = s.paint, s.motion
    low = log_uniform(own, 150, 600)
    noise = p.noise(s.rng, band(p.freqs, low, low * own.uniform(3, 9)) * formants(own, p.freqs, 5))
    table = harmonic_table(own.lognormal(0, 0.5, 12) / np.arange(1, 13) ** 0.7, own)
    hum = lookup(table, 2 * s.line())
    slip = np.cumsum(np.maximum(m.sync_hz - m.speed_hz, 0) * s.maker.poles) / CTRL_HZ
    throb = 1 + own.uniform(0.2, 0.9) * np.sin(2 * np.pi * m.up(slip))
    share = own.uniform(0.1, 0.6)
    growl = (1 - share) * hum + share * noise * (1 + np.clip(hum, -1, 3))
    return np.asarray(growl * throb * s.gate(), dtype=np.float32)


def dull_brush(s: Scene, own: Generator) -> F32:
    """Packed grounds brush the chamber: a soft dull noise, no edge to it."""
    p = s.paint
    noise = p.noise(s.rng, hump(p.freqs, log_uniform(own, 250, 900), 0.9))
    arc = arc_table(own.random(), own.uniform(0.3, 0.9), 0.8)
    return noise * (0.5 + lookup(arc, s.motion.turn)) * s.level(own.uniform(0.6, 1.2))


def face_rub(s: Scene, own: Generator) -> F32:
    """Pre-breaker on its plate: a broad coarse scrape, one or a few arms a turn."""
    p, m = s.paint, s.motion
    low = log_uniform(own, 350, 1400)
    noise = p.noise(s.rng, band(p.freqs, low, low * own.uniform(4, 9)) * formants(own, p.freqs, 6))
    arms = int(own.integers(1, 5))
    arc = arc_table(own.random(), own.uniform(0.2, 0.7), own.uniform(0.2, 0.8))
    floor = own.uniform(0.1, 0.6)
    beat = floor + (1 - floor) * lookup(arc, m.turn * arms)
    lame = 1 + own.uniform(0, 0.5) * lookup(harmonic_table([1.0], own), m.turn)
    grain = 1 + 0.4 * np.abs(gauss(s.rng, s.n))
    fade = np.clip(m.share / 0.08, 0, 1) * m.share ** own.uniform(0.6, 1.3)
    return noise * beat * lame * grain * m.up(fade)


def loose_part(s: Scene, own: Generator) -> F32:
    """A rattling cover, lid or bolt: buzzes in bursts and at the speeds it likes."""
    m = s.motion
    hits = bank(
        own, s.rate_hz, 10, log_uniform(own, 600, 5500), octaves=own.uniform(0.3, 0.9),
        decay_s=log_uniform(own, 0.002, 0.015), noise=own.uniform(0.1, 0.6),
    )  # fmt: skip
    per = own.uniform(1, 6)
    where = m.when(np.cumsum(s.rng.exponential(1 / per, int(m.turns * per) + 5)))
    at, wide = own.uniform(0.2, 1.05), own.uniform(0.04, 0.3)
    likes = np.exp(-np.square((m.share - at) / wide))
    fits = np.clip(wander(s.rng, m.speed_hz.size, CTRL_HZ, own.uniform(0.5, 3)), 0, 2)
    level = (own.uniform(0.2, 1.0) * fits + likes) * np.minimum(1, 3 * m.share)
    amps = m.at(level, where) * s.rng.lognormal(0, 0.6, where.size)
    # a struck part bounces: each hit has weaker ones close behind
    later = where + s.rng.integers(int(0.004 * s.rate_hz), int(0.02 * s.rate_hz), where.size)
    return scatter(
        s.n, np.concatenate([where, later]), np.concatenate([amps, 0.4 * amps]), hits, s.rng
    )


def fan_in_switch(s: Scene, own: Generator) -> F32:
    """Fan crept into the start switch: plastic clatter below release speed, gone above."""
    m = s.motion
    fingers = int(own.integers(2, 7))
    where = m.when(np.arange(0, m.turns, 1 / fingers) + s.rng.normal(0, 0.03))
    release = s.maker.open_share * m.sync_hz / m.ref_hz
    back = s.maker.close_share * m.sync_hz / m.ref_hz
    rising = (m.power > 0.5) & (m.share < release)
    falling = (m.power < 0.5) & (m.share < back) & (m.share > 0.02)
    level = (rising + own.uniform(0.2, 0.8) * falling) * np.sqrt(np.maximum(m.share, 0.05))
    if s.stage == "hand_spin":
        level = np.minimum(1, 2 * m.share)
    hits = bank(
        own, s.rate_hz, 10, log_uniform(own, 500, 2600), octaves=0.8,
        decay_s=log_uniform(own, 0.003, 0.014), noise=own.uniform(0.3, 0.7),
    )  # fmt: skip
    amps = m.at(level, where) * s.rng.lognormal(0, 0.6, where.size)
    return scatter(s.n, where, amps, hits, s.rng)


def crunch(s: Scene, own: Generator, per_s: float, level: F32) -> F32:
    """Beans: brittle cracks and dull knocks of all sizes."""
    count = int(per_s * s.n / s.rate_hz) + 1
    where = np.sort(s.rng.integers(0, s.n, count))
    hits = bank(own, s.rate_hz, 8, log_uniform(own, 900, 3500), octaves=0.9, decay_s=0.004,
                noise=0.8)  # fmt: skip
    hits += bank(own, s.rate_hz, 6, log_uniform(own, 300, 900), octaves=0.6, decay_s=0.009,
                 noise=0.4)  # fmt: skip
    amps = np.minimum(s.rng.pareto(1.8, count), 10) * s.motion.at(level, where)
    return scatter(s.n, where, amps, hits, s.rng)


def few_beans(s: Scene, own: Generator) -> F32:
    """A few beans were left: crunches at the start, then stray pieces fly about."""
    m = s.motion
    t = m.seconds - (m.on_s or 0.0)
    first = np.exp(-np.clip(t, 0, None) / own.uniform(0.3, 2.0)) * (m.share > 0.05)
    stray = own.uniform(0.05, 0.4) * np.clip(
        wander(s.rng, m.speed_hz.size, CTRL_HZ, 2.0) - 0.3, 0, 2
    )
    return crunch(s, own, own.uniform(20, 70), (first + stray * m.share).astype(np.float32))


def loaded(s: Scene, own: Generator) -> F32:
    """Grinding coffee: a dense crunching roar as long as beans fall in."""
    m, p = s.motion, s.paint
    fed = np.clip((m.seconds - (m.at_speed_s or 0.0)) / own.uniform(0.1, 0.6), 0, 1) * m.power
    fed = fed * (0.8 + 0.2 * wander(s.rng, fed.size, CTRL_HZ, 5.0))
    roar = p.noise(s.rng, band(p.freqs, 300, 5000) * formants(own, p.freqs, 6))
    grains = crunch(s, own, own.uniform(150, 400), fed.astype(np.float32))
    return grains + 0.15 * roar * m.up(fed) * (1 + lookup(harmonic_table([0.5], own), m.turn))


def squeal_near_rest(s: Scene, own: Generator) -> F32:
    """The ring of the start switch sings in the last turns (harmless)."""
    m = s.motion
    below = own.uniform(0.12, 0.4)
    x = np.clip((below - m.share) / below, 0, 1) * (m.share > 0.01) * (m.share < below)
    if m.on_s is not None:
        x *= m.seconds > (m.off_s or 0.0)
    fits = np.clip(0.6 + wander(s.rng, x.size, CTRL_HZ, own.uniform(2, 8)), 0, 1.5)
    level = np.sqrt(x) * fits * np.sqrt(np.maximum(m.share, 0))
    base = log_uniform(own, 800, 4200)
    glide = (
        base
        * (0.75 + 0.25 * np.clip(m.share / below, 0, 1))
        * (1 + 0.01 * wander(s.rng, x.size, CTRL_HZ, 12))
    )
    table = harmonic_table(1 / np.arange(1, 6) ** own.uniform(0.8, 2), own)
    cycles = np.cumsum(m.up(glide) / s.rate_hz, dtype=np.float64)
    once = 1 + own.uniform(0, 0.9) * lookup(harmonic_table([1.0], own), m.turn)
    return lookup(table, cycles) * m.up(level) * once


Sound = Callable[[Scene, Generator], F32]

#: What each adds and the phase in which it is judged; ``None`` adds nothing to hear.
SOUNDS: dict[str, tuple[Sound | None, str]] = {
    "start_switch_stuck_closed": (strained_hum, "steady"),
    "start_switch_stuck_open": (strained_hum, "powered"),
    "did_not_start": (strained_hum, "powered"),
    "drag": (dull_brush, "turning"),
    "face_rub": (face_rub, "steady"),
    "loose_part": (loose_part, "turning"),
    "fan_in_switch": (fan_in_switch, "run_up"),
    "beans_in_it": (few_beans, "turning"),
    "magnetic_growl": (magnetic_growl, "steady"),
    "speed_sags": (strained_hum, "steady"),
    "switch_ring_squeal": (squeal_near_rest, "coast_down"),
}
#: Which of them a stage can have.
HAND = ("drag", "loose_part", "face_rub", "switch_ring_squeal")
MOTOR = tuple(name for name in SOUNDS if name not in ("face_rub", "beans_in_it"))
