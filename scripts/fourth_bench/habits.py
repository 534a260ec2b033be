"""Small sounds that some sound machines and their people make; none is a fault."""

from __future__ import annotations

import numpy as np
from numpy.random import Generator

from fourth_bench.motion import CTRL_HZ
from fourth_bench.tools import (
    F32,
    Paint,
    band,
    bank,
    db,
    hump,
    log_uniform,
    rms,
    scatter,
    wander,
)
from fourth_bench.voices import Scene


def whistle(s: Scene, own: Generator) -> F32:
    """Air over a slot: a breathy tone that rises with the speed and locks in steps."""
    p = s.paint
    top = log_uniform(own, 700, 4500)
    v = np.maximum(s.share_frames(), 0.02)
    if own.random() < 0.5:
        steps = int(own.integers(2, 6))
        v = np.ceil(v * steps) / steps * (0.9 + 0.1 * v)
    centre = top * v + 20.0
    gain = hump(p.freqs, centre, own.uniform(0.02, 0.08)) * s.share_frames(own.uniform(2, 4))
    return p.noise(s.rng, gain)


def start_growl(s: Scene, own: Generator) -> F32:
    """The hard pull at the start: a rough roar that goes as the speed comes."""
    p, m = s.paint, s.motion
    noise = p.noise(s.rng, band(p.freqs, log_uniform(own, 120, 400), log_uniform(own, 900, 4000)))
    beat = 1 + own.uniform(0.3, 1.0) * np.cos(4 * np.pi * s.line()).astype(np.float32)
    pull = m.power * np.clip(1.02 - m.share, 0, 1) ** own.uniform(0.4, 1.5)
    return noise * beat * m.up(pull)


def cold_grease(s: Scene, own: Generator) -> F32:
    """Stiff grease after a long stand: a soft rustle that fades in the first seconds."""
    p, m = s.paint, s.motion
    noise = p.noise(s.rng, hump(p.freqs, log_uniform(own, 600, 3000), 0.9))
    since = np.clip(m.seconds - (m.on_s or 0.0), 0, None)
    fade = np.exp(-since / own.uniform(0.8, 4.0)) * np.minimum(1, m.share)
    return noise * m.up(fade)


def relay_buzz(s: Scene, own: Generator) -> F32:
    """A contactor that sings a little at twice the mains, only with the power on."""
    step = s.rate_hz / (2 * s.mains_hz)
    where = np.arange(0, s.n - 1, step).astype(np.int64)
    hits = bank(own, s.rate_hz, 3, log_uniform(own, 900, 5000), decay_s=0.0015, noise=0.2)
    wobble = np.clip(1 + 0.3 * wander(s.rng, s.motion.speed_hz.size, CTRL_HZ, 1.0), 0.1, 2)
    return scatter(s.n, where, s.motion.at(s.motion.power * wobble, where), hits, s.rng)


def last_rock(s: Scene, own: Generator) -> F32:
    """The shaft rocks into its place: a soft tock or two at the very end."""
    m = s.motion
    if m.rest_s is None:
        return np.zeros(s.n, dtype=np.float32)
    hits = bank(own, s.rate_hz, 3, log_uniform(own, 200, 1500), decay_s=0.006, noise=0.5)
    at = m.rest_s + np.cumsum(own.uniform(-0.03, 0.12, int(own.integers(1, 3))))
    return scatter(s.n, (at * s.rate_hz).astype(np.int64), np.ones(at.size), hits, s.rng)


def hand_push(s: Scene, own: Generator) -> F32:
    """A hand on the coupling: rustle of skin while it pushes."""
    m, p = s.motion, s.paint
    rising = np.clip(np.gradient(m.speed_hz), 0, None)
    level = np.sqrt(rising / (rising.max() + 1e-9))
    noise = p.noise(s.rng, band(p.freqs, 150, log_uniform(own, 900, 4000)))
    return noise * m.up(level)


def detents(s: Scene, own: Generator) -> F32:
    """The adjusting ring: dull clicks at the pace of a hand while the burrs are brought in."""
    m = s.motion
    begin, end = (m.at_speed_s or 0.0) + 0.3, (m.off_s or 1.0) - 0.2
    at = begin + np.cumsum(s.rng.exponential(own.uniform(0.15, 0.6), 60) + 0.08)
    at = at[at < end]
    hits = bank(own, s.rate_hz, 6, log_uniform(own, 400, 2500), decay_s=0.004, noise=0.4)
    amps = s.rng.lognormal(0, 0.4, at.size)
    return scatter(s.n, (at * s.rate_hz).astype(np.int64), amps, hits, s.rng)


#: name, share of the machines that have it, level over the steady sound in dB (mean, spread)
LAYERS = (
    (whistle, 0.22, -16.0, 6.0),
    (start_growl, 0.45, -3.0, 6.0),
    (cold_grease, 0.25, -10.0, 5.0),
    (relay_buzz, 0.15, -24.0, 5.0),
)
MOMENTS = ((last_rock, 0.3, -12.0, 8.0),)


def habits(s: Scene) -> F32:
    """What this machine adds to its plain healthy sound (which is at unit level)."""
    own = np.random.default_rng([s.maker.voice, 40])
    spin = s.stage == "hand_spin"
    weight = float(np.sqrt(0.01 * s.rate_hz))
    out = np.zeros(s.n, dtype=np.float32)
    for layer, share, mean, spread in LAYERS:
        has, level = own.random() < share, own.normal(mean, spread)
        voice = np.random.default_rng([s.maker.voice, 41, int(own.integers(1000))])
        if not has or (spin and layer is not cold_grease):
            continue
        made = layer(s, voice)
        if layer is relay_buzz:
            level += 20 * np.log10(1 / (rms(made[s.motion.span("steady")]) + 1e-9))
        elif layer is whistle:
            made = s.unit(made, "steady")
        out += np.float32(db(level)) * made
    for layer, share, mean, spread in MOMENTS:
        has, level = own.random() < share, own.normal(mean, spread)
        if has:
            out += np.float32(weight * db(level)) * layer(s, own)
    if spin:
        out += np.float32(db(own.normal(-4, 6))) * hand_push(s, own)
    if s.stage == "burr_setting" and s.rng.random() < 0.6:
        out += np.float32(weight * db(own.normal(-8, 6))) * detents(s, own)
    return out


def operator(rng: Generator, n: int, rate_hz: int) -> F32:
    """The person with the phone: it is put down at the beginning, tapped at the end."""
    out = np.zeros(n, dtype=np.float32)
    weight = np.sqrt(0.01 * rate_hz)
    if rng.random() < 0.3:
        hits = bank(rng, rate_hz, 3, log_uniform(rng, 100, 900), decay_s=0.01, noise=0.5)
        at = np.sort(rng.uniform(0, 0.25, int(rng.integers(1, 4))))
        amps = weight * rng.lognormal(-1.2, 0.7, at.size)
        out += scatter(n, (at * rate_hz).astype(np.int64), amps, hits, rng)
    if rng.random() < 0.35:
        hits = bank(rng, rate_hz, 2, log_uniform(rng, 300, 2500), decay_s=0.005, noise=0.5)
        at = n / rate_hz - rng.uniform(0.03, 0.25, 1)
        amps = weight * rng.lognormal(-1.2, 0.7, 1)
        out += scatter(n, (at * rate_hz).astype(np.int64), amps, hits, rng)
    if rng.random() < 0.2:
        p = Paint(n, rate_hz)
        shape = np.exp(-np.square((p.times - rng.uniform(0, 0.4)) / 0.12)).astype(np.float32)
        cloth = p.noise(rng, band(p.freqs, 120, 3000) * shape[:, None])
        out += np.float32(db(rng.uniform(-24, -6))) * cloth
    return out
