"""What a rubbing impeller and touching burrs sound like, six descriptions each.

Both repeat by the turn (or by the blade or tooth), need the shaft to turn, and stop with it.
"""

from __future__ import annotations

import numpy as np
from numpy.random import Generator

from fourth_bench.motion import CTRL_HZ
from fourth_bench.tools import (
    F32,
    F64,
    arc_table,
    band,
    bank,
    convolve,
    formants,
    gauss,
    harmonic_table,
    hump,
    log_uniform,
    lookup,
    ring,
    scatter,
    wander,
)
from fourth_bench.voices import Scene


def _press(s: Scene, hz: float, floor: float) -> F32:
    """How hard it touches: drifts slowly, may lift off, control rate."""
    return np.clip(1 + 0.5 * wander(s.rng, s.motion.speed_hz.size, CTRL_HZ, hz), floor, 3.0).astype(
        np.float32
    )


def _dying(own: Generator, s: Scene) -> F32:
    """Level of a rub against speed: weak dependence, then suddenly nothing; control rate."""
    share = s.motion.share
    return np.asarray(
        share ** own.uniform(0.5, 1.6) * np.clip(share / own.uniform(0.02, 0.12), 0, 1) ** 2
    )


# impeller --------------------------------------------------------------------


def shhk(s: Scene, own: Generator) -> F32:
    """Shhk-shhk: one dull sweep of noise a turn, a little different each time."""
    p, m = s.paint, s.motion
    centre = log_uniform(own, 900, 4500)
    noise = p.noise(s.rng, hump(p.freqs, centre, own.uniform(0.5, 1.1)) * formants(own, p.freqs, 5))
    arc = arc_table(own.random(), own.uniform(0.06, 0.4), own.uniform(0.2, 0.8))
    place = m.up(0.03 * wander(s.rng, m.speed_hz.size, CTRL_HZ, 3.0))
    level = m.up(_dying(own, s) * _press(s, own.uniform(0.3, 4), 0.15))
    return noise * lookup(arc, m.turn + place) * level


def blade_slaps(s: Scene, own: Generator) -> F32:
    """Each blade clips the shroud: a purr of dull plastic slaps, some blades louder."""
    m, blades = s.motion, s.maker.blades
    reach = np.clip(own.normal(own.uniform(0.0, 0.8), 0.6, blades), 0.0, None)
    if reach.max() < 0.2:
        reach[int(own.integers(blades))] = 1.0
    seat = own.normal(0, 0.1, blades)
    turns = np.arange(int(m.turns))
    at = (turns[:, None] + (np.arange(blades) + seat) / blades).ravel()
    strength = np.tile(reach, turns.size)
    keep = strength > 0.02
    where = m.when(at[keep])
    strength = strength[keep][: where.size]
    amps = strength * m.at(_dying(own, s) * _press(s, 2.0, 0.1), where)
    amps *= s.rng.lognormal(0, 0.3, where.size)
    hits = bank(
        own, s.rate_hz, 8, log_uniform(own, 500, 3500), octaves=own.uniform(0.3, 0.8),
        decay_s=log_uniform(own, 0.001, 0.006), noise=own.uniform(0.3, 0.9),
    )  # fmt: skip
    return scatter(s.n, where, amps, hits, s.rng)


def steady_hiss(s: Scene, own: Generator) -> F32:
    """A rub all the way round: an even scraping hiss, hardly any beat, gone at a stop."""
    p, m = s.paint, s.motion
    low = log_uniform(own, 700, 3000)
    v = s.share_frames()
    moving = low * (0.5 + 0.5 * v)
    shape = band(p.freqs, moving, moving * own.uniform(2, 6), 3.0) * formants(own, p.freqs, 6)
    noise = p.noise(s.rng, shape)
    swing = 1 + own.uniform(0.05, 0.4) * lookup(
        harmonic_table(own.lognormal(0, 0.5, 3), own), m.turn
    )
    fine = 1 + own.uniform(0, 0.4) * lookup(harmonic_table([1.0], own), m.turn * s.maker.blades)
    return noise * np.clip(swing, 0, 3) * fine * m.up(_dying(own, s) * _press(s, 1.0, 0.3))


def squeaky_rub(s: Scene, own: Generator) -> F32:
    """Stick-slip once a turn: a short squeak on plastic, pitch nearly fixed."""
    p, m = s.paint, s.motion
    arc = arc_table(own.random(), own.uniform(0.08, 0.35), 0.6)
    press = lookup(arc, m.turn) * m.up(_dying(own, s) * _press(s, 2.0, 0.0))
    base = log_uniform(own, 600, 3200)
    bend = own.uniform(0.0, 0.12)
    rate = base * (1 + bend * (press - 0.5)) * (1 + 0.01 * wander(s.rng, s.n, s.rate_hz, 15.0))
    phase = np.cumsum(rate / s.rate_hz, dtype=np.float64)
    table = harmonic_table(1 / np.arange(1, 7) ** own.uniform(0.7, 2.0), own)
    scratch = p.noise(s.rng, hump(p.freqs, base * 1.6, 0.6))
    return (lookup(table, phase) + own.uniform(0.2, 1.2) * scratch) * press


def wire_flutter(s: Scene, own: Generator) -> F32:
    """Something hangs in the blades: a fluttering buzz at the blade rate that comes and goes."""
    m = s.motion
    per = s.maker.blades if own.random() < 0.7 else 1
    where = m.when(np.arange(0, m.turns, 1 / per) + s.rng.normal(0, 0.04 / per))
    touch = m.at(wander(s.rng, m.speed_hz.size, CTRL_HZ, own.uniform(0.6, 5)), where)
    touch += max(0.0, 1.0 - float(touch.max(initial=0.0)))
    amps = np.clip(touch + own.uniform(0.0, 0.8), 0, 1.5) * m.at(_dying(own, s), where)
    hits = bank(
        own, s.rate_hz, 8, log_uniform(own, 900, 5000), octaves=0.7,
        decay_s=log_uniform(own, 0.0008, 0.004), noise=own.uniform(0.4, 0.9),
    )  # fmt: skip
    return scatter(s.n, where, amps * s.rng.lognormal(0, 0.4, where.size), hits, s.rng)


def grating_hub(s: Scene, own: Generator) -> F32:
    """Hub on the end bell: a coarse grating, ring-modulated by its own surface every turn."""
    p, m = s.paint, s.motion
    noise = p.noise(s.rng, band(p.freqs, log_uniform(own, 200, 700), log_uniform(own, 1500, 5000)))
    surface = np.repeat(own.standard_normal(int(own.choice([64, 128, 256]))), 16)
    size = 1 << int(np.log2(surface.size))
    surface = np.abs(surface[:size]).astype(np.float32)
    lobes = 1 + own.uniform(0.2, 0.8) * lookup(
        harmonic_table(own.lognormal(0, 0.4, int(own.integers(1, 4))), own) / 2, m.turn
    )
    grate = (own.uniform(0.05, 0.5) + lookup(surface, m.turn)) * np.clip(lobes, 0.05, 3)
    return noise * grate * m.up(_dying(own, s) * _press(s, 1.5, 0.2))


IMPELLER = {
    "shhk_once_a_turn": (shhk, "steady"),
    "blade_slaps": (blade_slaps, "steady"),
    "steady_scraping_hiss": (steady_hiss, "steady"),
    "squeaky_plastic": (squeaky_rub, "steady"),
    "fluttering_wire": (wire_flutter, "steady"),
    "grating_hub": (grating_hub, "steady"),
}


# burrs -----------------------------------------------------------------------


def _steel(own: Generator, s: Scene, low: float = 1800, high: float = 9500) -> F64:
    """Inharmonic tones of a steel disc."""
    base = log_uniform(own, low, 0.5 * high)
    ratios = np.cumprod(own.uniform(1.12, 1.9, int(own.integers(3, 8))))
    tones = np.concatenate([[base], base * ratios])
    return tones[tones < min(high * 1.3, 0.45 * s.rate_hz)]


def ring_arc(s: Scene, own: Generator) -> F32:
    """Metallic ringing over an arc of each turn: noise through the tones of a disc."""
    m = s.motion
    arc = arc_table(own.random(), own.uniform(0.06, 0.5), own.uniform(0.1, 0.5))
    drive = gauss(s.rng, s.n) * lookup(arc, m.turn)
    drive *= m.up(_dying(own, s) * _press(s, own.uniform(0.5, 4), 0.1))
    answer = ring(own, s.rate_hz, _steel(own, s), log_uniform(own, 0.003, 0.04), 0.05)
    return convolve(drive, answer)


def tooth_zing(s: Scene, own: Generator) -> F32:
    """Zing: teeth over teeth, a tone of many cycles a turn that slides with the speed."""
    m = s.motion
    teeth = int(own.integers(14, 70))
    while teeth * m.ref_hz > 0.4 * s.rate_hz:
        teeth //= 2
    top = max(1, min(6, int(0.45 * s.rate_hz / (teeth * m.ref_hz))))
    table = harmonic_table(own.lognormal(0, 0.5, top), own)
    twist = own.uniform(0.0, 0.4) * np.sin(2 * np.pi * m.turn)
    zing = lookup(table, teeth * m.turn + twist)
    arc = arc_table(own.random(), own.uniform(0.1, 0.8), own.uniform(0.2, 0.8))
    clang = convolve(
        zing * (1 + own.uniform(0.2, 1) * gauss(s.rng, s.n)),
        ring(own, s.rate_hz, _steel(own, s, 1200), 0.004, own.uniform(0.2, 1.5)),
    )
    return clang * lookup(arc, m.turn) * m.up(_dying(own, s) * _press(s, 2.0, 0.05))


def chirp_point(s: Scene, own: Generator) -> F32:
    """The chirp point: one bright chirp a turn, rising or falling a little."""
    m = s.motion
    where = m.when(np.arange(0, m.turns) + own.random() + s.rng.normal(0, 0.006))
    amps = m.at(_dying(own, s) * _press(s, 3.0, 0.0), where)
    amps *= s.rng.lognormal(0, own.uniform(0.1, 0.5), where.size)
    base, length = log_uniform(own, 2200, 6800), own.uniform(0.08, 0.3) / m.ref_hz
    fall = own.uniform(-0.5, 0.5)
    grains = []
    for _ in range(8):
        t = np.arange(int(min(0.12, length * own.uniform(0.8, 1.2)) * s.rate_hz) + 32) / s.rate_hz
        x = t / t[-1]
        phase = 2 * np.pi * np.cumsum(base * own.uniform(0.97, 1.03) * 2 ** (fall * x)) / s.rate_hz
        tone = np.sin(phase) + 0.5 * np.sin(own.uniform(1.3, 1.7) * phase)
        tone = (tone + own.uniform(0.1, 0.8) * own.standard_normal(t.size)) * np.sin(np.pi * x)
        grains.append((tone / np.sqrt(np.sum(tone**2))).astype(np.float32))
    return scatter(s.n, where, amps, grains, s.rng)


def screech(s: Scene, own: Generator) -> F32:
    """Harsh scrape of steel on steel: narrow bands that wander, loud over most of the turn."""
    p, m = s.paint, s.motion
    f = p.freqs
    gain = 0.08 * band(f, 2000, 11000)[None, :] * np.ones((p.frames, 1), np.float32)
    for _ in range(int(own.integers(2, 6))):
        slow = np.interp(p.times, m.seconds, wander(s.rng, m.speed_hz.size, CTRL_HZ, 3.0))
        centre = log_uniform(own, 2000, 8500) * np.exp(0.04 * slow)[:, None]
        gain = gain + own.uniform(0.3, 1) * hump(f, centre, own.uniform(0.02, 0.12))
    noise = p.noise(s.rng, gain.astype(np.float32))
    arc = arc_table(own.random(), own.uniform(0.25, 0.95), own.uniform(0.1, 0.6))
    floor = own.uniform(0.02, 0.4)
    shape = floor + (1 - floor) * lookup(arc, m.turn * own.choice([1, 1, 1, 2]))
    return noise * shape * m.up(_dying(own, s) * _press(s, 3.0, 0.05))


def high_spot_ting(s: Scene, own: Generator) -> F32:
    """Ting-ting: one or a few high spots meet each turn and the burr rings after."""
    m = s.motion
    spots = own.random(int(own.integers(1, 4)))
    at = np.sort((np.arange(int(m.turns))[:, None] + spots).ravel())
    where = m.when(at + s.rng.normal(0, 0.003, at.size))
    amps = m.at(_dying(own, s) * _press(s, 4.0, 0.0), where)
    amps *= s.rng.lognormal(0, own.uniform(0.2, 0.6), where.size)
    tones = _steel(own, s)
    hits = bank(
        own, s.rate_hz, 8, float(tones[0]), octaves=0.7, partials=6, attack_s=0.0001,
        decay_s=log_uniform(own, 0.004, 0.05), noise=own.uniform(0.02, 0.3),
    )  # fmt: skip
    return scatter(s.n, where, amps, hits, s.rng)


def grind_roar(s: Scene, own: Generator) -> F32:
    """Full face on full face: a hard grinding roar, overdriven, gritty by the turn."""
    p, m = s.paint, s.motion
    noise = p.noise(s.rng, band(p.freqs, log_uniform(own, 700, 1800), 9000) * s.share_frames(0.5))
    grit = np.abs(own.standard_normal(512)).astype(np.float32)
    drive = noise * (0.2 + lookup(grit, m.turn * own.choice([1, 2, 4])))
    hard = np.tanh(own.uniform(1, 5) * drive).astype(np.float32)
    steel = ring(
        own, s.rate_hz, _steel(own, s), log_uniform(own, 0.002, 0.012), own.uniform(0.3, 2)
    )
    return convolve(hard, steel) * m.up(_dying(own, s) * _press(s, 1.0, 0.3))


BURRS = {
    "ringing_arc": (ring_arc, "steady"),
    "tooth_zing": (tooth_zing, "steady"),
    "chirp_point": (chirp_point, "steady"),
    "steel_screech": (screech, "steady"),
    "high_spot_ting": (high_spot_ting, "steady"),
    "grinding_roar": (grind_roar, "steady"),
}
