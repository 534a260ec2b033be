"""Bearing faults: what changes in the profiles or in the friction of a ball bearing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from third_bench.base import (
    F32,
    F64,
    Rng,
    bump,
    convolve,
    events,
    profile,
    read,
    slow,
    spread,
    uniform,
    white,
)
from third_bench.healthy import Surfaces, bearing_force, cage_angle, highest_order, moving, path
from third_bench.kernels import TABLE, TURN, hopf
from third_bench.machine import Bearing, Machine, Motion


def _pick(rng: Rng, machine: Machine) -> Bearing:
    return machine.front if rng.random() < 0.5 else machine.rear


def _smooth(rng: Rng) -> Surfaces:
    """Rings of glass, so that only the fault makes force."""
    none = np.zeros(TABLE)
    radial = uniform(rng, 0.1, 1.2)
    return Surfaces(none, none, none, 1.0, radial, spread(rng, 0.02, 0.3), 0.0, 1.0)


def _dent(rng: Rng, centre: float, width: float, depth: float) -> F64:
    """A pit with raised edges: the ball climbs, drops, and hits the far side."""
    hole = -bump(centre, width)
    rim = uniform(rng, 0.0, 0.6)
    edge = bump(centre - 1.15 * width, 0.35 * width) + bump(centre + 1.15 * width, 0.35 * width)
    sharp = np.where(np.roll(hole, TABLE // 3000) < -0.05, hole, 0.5 * hole)
    patch = np.hanning(13)  # the contact has a length
    shape = np.convolve(np.r_[sharp[-6:], sharp, sharp[:6]], patch / patch.sum(), "valid")
    return depth * (shape + rim * edge)


def _through_housing(rng: Rng, machine: Machine, motion: Motion, force: F32) -> F32:
    bright = uniform(rng, 0.0, 0.8)
    force = force + bright * np.diff(force, prepend=force[:1]) * 3.0
    return convolve(force.astype(np.float32), path(machine, "bearing", motion.rate_hz))


def _edge_hits(
    rng: Rng, bearing: Bearing, motion: Motion, cage: F64, at: float, inner: bool
) -> F32:
    """Each ball strikes the far edge of a pit: as short as a contact, harder when fast."""
    place = (cage - motion.theta if inner else cage) - at
    turn = np.floor(place * bearing.balls / TURN)
    hits = np.flatnonzero(np.diff(turn) != 0)
    zone = np.cos(cage[hits] if inner else np.full(hits.size, at))
    load = np.maximum(0.08 + rng.random() * 0.3, zone)
    size = load * motion.speed[hits] ** uniform(rng, 0.7, 1.6) * rng.lognormal(0, 0.2, hits.size)
    width = int(spread(rng, 0.00003, 0.0003) * motion.rate_hz) + 2
    pulse = np.hanning(width + 2)[1:-1].astype(np.float32)
    return convolve(events(motion.n, hits.astype(np.float64), size), pulse)


def _race_pits(rng: Rng, machine: Machine, motion: Motion, inner: bool) -> F32:
    bearing = _pick(rng, machine)
    skin = _smooth(rng)
    cage = cage_angle(rng, bearing, motion)
    hurt = np.zeros(TABLE)
    struck = np.zeros(motion.n, dtype=np.float32)
    first = uniform(rng, 0, TURN) if inner else 0.3 * rng.normal()
    for k in range(int(rng.choice((1, 1, 1, 2, 3)))):
        centre = first + k * uniform(rng, 0.2, 1.4)
        hurt += _dent(rng, centre, spread(rng, 0.004, 0.05), spread(rng, 0.02, 0.3) / (1 + k))
        struck += _edge_hits(rng, bearing, motion, cage, centre, inner) / (1 + k)
    floor = profile(rng, 0.3, 30, highest_order(bearing, motion))
    hurt = hurt + 0.1 * hurt * floor
    skin = replace(skin, inner=hurt) if inner else replace(skin, outer=hurt)
    rolled = bearing_force(rng, bearing, motion, skin, cage)
    span = motion.span("all")
    share = spread(rng, 0.1, 4.0) * float(rolled[span].std()) / (float(struck[span].std()) + 1e-12)
    return _through_housing(rng, machine, motion, rolled + np.float32(share) * struck)


def outer_pit(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """One to three spalls in the loaded part of the still ring."""
    return _race_pits(rng, machine, motion, False)


def inner_pit(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """Spalls that turn through the load zone with the shaft."""
    return _race_pits(rng, machine, motion, True)


def ball_flat(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """A hurt ball that meets both rings, and comes and goes as its axis wanders."""
    bearing = _pick(rng, machine)
    cage = cage_angle(rng, bearing, motion)
    spun = np.cumsum(np.diff(cage, prepend=cage[0]) * (1.0 / bearing.ratio - bearing.ratio) / 0.77)
    hurt = _dent(rng, 1.0, spread(rng, 0.03, 0.15), 1.0)
    hurt += uniform(rng, 0.4, 1.0) * _dent(rng, 1.0 + np.pi, spread(rng, 0.03, 0.15), 1.0)
    table = np.diff(hurt, append=hurt[:1]).astype(np.float32)
    load = np.maximum(0.15, np.cos(cage)) * np.clip(
        0.8 + 0.8 * slow(rng, motion.n, motion.rate_hz, 0.35), 0.0, 2.0
    )
    force = read(table, spun) * load * motion.speed
    return _through_housing(rng, machine, motion, force.astype(np.float32))


def standstill_dents(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """False brinelling: a mark under every ball, so all balls fall in at once."""
    bearing = _pick(rng, machine)
    skin = _smooth(rng)
    marks = np.zeros(TABLE)
    width = spread(rng, 0.01, 0.08)
    for k in range(bearing.balls):
        deep = uniform(rng, 0.4, 1.0) * max(0.1, 0.6 + 0.5 * np.cos(k * TURN / bearing.balls))
        marks += _dent(rng, k * TURN / bearing.balls + 0.01 * rng.normal(), width, 0.1 * deep)
    inner = rng.random() < 0.5
    skin = replace(skin, inner=marks) if inner else replace(skin, outer=marks)
    cage = cage_angle(rng, bearing, motion)
    rolled = bearing_force(rng, bearing, motion, skin, cage)
    struck = _edge_hits(rng, bearing, motion, cage, 0.0, inner)
    span = motion.span("all")
    share = spread(rng, 0.05, 2.0) * float(rolled[span].std()) / (float(struck[span].std()) + 1e-12)
    return _through_housing(rng, machine, motion, rolled + np.float32(share) * struck)


def corroded(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """Rust: hundreds of small pits in patches on both rings."""
    bearing = _pick(rng, machine)
    skin = _smooth(rng)
    rings = []
    for _ in range(2):
        patch = np.clip(profile(rng, 1.0, 1, 6) + uniform(rng, -0.5, 0.8), 0.0, 2.5)
        pits = np.zeros(TABLE)
        count = int(spread(rng, 20, 300))
        np.add.at(pits, rng.integers(0, TABLE, count), -rng.exponential(1.0, count))
        width = int(spread(rng, 6, 60))
        pits = np.convolve(np.tile(pits, 2), np.hanning(max(width, 11)), "same")[
            TABLE // 2 : -TABLE // 2
        ]
        rings.append(0.05 * pits * patch)
    skin = replace(skin, outer=rings[0], inner=rings[1])
    return _through_housing(rng, machine, motion, bearing_force(rng, bearing, motion, skin))


def worn_rough(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """Evenly worn: long waves and roughness many times those of a sound ring."""
    bearing = _pick(rng, machine)
    top = highest_order(bearing, motion)
    rings = [
        0.02 * profile(rng, uniform(rng, 0.7, 1.6), 3, 90)
        + 0.02 * profile(rng, uniform(rng, 0.0, 0.5), 15, top)
        for _ in range(3)
    ]
    skin = replace(
        _smooth(rng),
        outer=rings[0],
        inner=rings[1],
        rolling=rings[2],
        asperity=spread(rng, 0.3, 3.0),
        asperity_power=uniform(rng, 0.6, 1.4),
    )
    return _through_housing(rng, machine, motion, bearing_force(rng, bearing, motion, skin))


def dry_grease(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """Starved: asperity hiss gated by the balls, with bursts as grease is fed or lost."""
    bearing = _pick(rng, machine)
    cage = cage_angle(rng, bearing, motion)
    n, rate = motion.n, motion.rate_hz
    pass_table = np.zeros(TABLE)
    for k in range(bearing.balls):
        pass_table += bump(k * TURN / bearing.balls, uniform(rng, 0.1, 0.45)) * uniform(rng, 0.5, 1)
    lively = np.clip(1.0 + 0.7 * slow(rng, n, rate, 0.12) + 0.5 * slow(rng, n, rate, 1.0), 0.05, 4)
    hiss = white(rng, n) * lively * read(pass_table.astype(np.float32) + 0.2, cage)
    force = hiss * motion.speed ** uniform(rng, 0.6, 1.3)
    crackles = rng.poisson(motion.n / rate * spread(rng, 5, 120))
    spot = rng.random(crackles) * n
    grains = events(n, spot, motion.speed[spot.astype(np.int64)] * rng.lognormal(0, 0.8, crackles))
    force = force + spread(rng, 2.0, 25.0) * grains
    return _through_housing(rng, machine, motion, force.astype(np.float32))


def cage_rattle(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """A worn cage thrown from pocket to pocket as balls enter the load zone."""
    bearing = _pick(rng, machine)
    cage = cage_angle(rng, bearing, motion)
    per_turn = bearing.balls
    passes = np.floor(cage * per_turn / TURN)
    at = np.flatnonzero(np.diff(passes) > 0).astype(np.float64)
    at = at + rng.normal(0.0, 0.0025, at.size) * motion.rate_hz
    keep = rng.random(at.size) < uniform(rng, 0.25, 0.9)
    at = np.clip(at[keep], 0, motion.n - 3)
    swing = 0.6 + 0.4 * np.cos(cage[at.astype(np.int64)] + 1.0)
    size = swing * motion.speed[at.astype(np.int64)] * rng.lognormal(0.0, 0.5, at.size)
    second = at + rng.exponential(0.003, at.size) * motion.rate_hz
    hits = events(motion.n, np.r_[at, second], np.r_[size, 0.5 * size])
    tin = convolve(hits, path(machine, "tin", motion.rate_hz))
    return tin + 0.6 * _through_housing(rng, machine, motion, hits)


def cage_squeal(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """Dry cage whirl: a tone that starts, breaks and starts again over a hiss."""
    n, rate = motion.n, motion.rate_hz
    bearing = _pick(rng, machine)
    cage = cage_angle(rng, bearing, motion)
    wet = slow(rng, n, rate, uniform(rng, 0.1, 0.8)) + uniform(rng, -0.4, 0.9)
    growth = 160.0 * wet + 60.0 * np.cos(cage) - 40.0
    growth = np.where(motion.speed > 0.03, growth * np.minimum(motion.speed * 2.5, 1.2), -80.0)
    f0 = spread(rng, 900.0, min(5500.0, 0.35 * rate))
    follow = uniform(rng, 0.0, 0.25)
    freq = f0 * (1.0 - follow + follow * motion.speed)
    tone = hopf(rate, freq, growth, 60.0 * moving(motion) * white(rng, n), uniform(rng, 0.0, 0.02))
    rich = tone + uniform(rng, 0.1, 0.7) * np.tanh(3.0 * tone) ** 3
    hiss = spread(rng, 0.01, 0.1) * white(rng, n) * motion.speed
    return (rich + convolve(hiss.astype(np.float32), path(machine, "bearing", rate))).astype(
        np.float32
    )


def loose_fit(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """A ring creeping in its seat: rumble of a shaft that hops at once and half a turn."""
    bearing = _pick(rng, machine)
    top = highest_order(bearing, motion)
    swing = uniform(rng, 0.9, 1.6)
    skin = replace(
        _smooth(rng),
        outer=0.015 * profile(rng, 1.0, 2, top),
        inner=0.015 * profile(rng, 1.0, 2, top),
        preload=uniform(rng, 0.05, 0.35),
        radial=0.5 * swing,
        unbalance=swing,
    )
    return _through_housing(rng, machine, motion, bearing_force(rng, bearing, motion, skin))


MECHANISMS = {
    "outer_pit": (outer_pit, "run"),
    "inner_pit": (inner_pit, "run"),
    "ball_flat": (ball_flat, "run"),
    "standstill_dents": (standstill_dents, "run"),
    "corroded": (corroded, "run"),
    "worn_rough": (worn_rough, "run"),
    "dry_grease": (dry_grease, "run"),
    "cage_rattle": (cage_rattle, "run"),
    "cage_squeal": (cage_squeal, "run"),
    "loose_fit": (loose_fit, "run"),
}
