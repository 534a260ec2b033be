"""Impeller rub and burr contact: gaps that close over part of a turn."""

from __future__ import annotations

import numpy as np

from third_bench.base import (
    COSINE,
    F32,
    F64,
    Rng,
    bump,
    convolve,
    profile,
    read,
    slow,
    spread,
    uniform,
    white,
)
from third_bench.healthy import moving, path
from third_bench.kernels import TABLE, TURN, blade_rub, hopf
from third_bench.machine import Machine, Motion

# impeller ------------------------------------------------------------------------


def _fine(rng: Rng, motion: Motion, slope: float) -> F64:
    return profile(rng, slope, 20, int(0.4 * motion.rate_hz * TURN / motion.full_rad_s))


def _scrape(rng: Rng, motion: Motion, pressure: F32) -> F32:
    """Sound of a pressed rub: marks of the surface, fresh abrasion, faster is louder."""
    marks = read(_fine(rng, motion, uniform(rng, 0.1, 0.7)).astype(np.float32), motion.theta)
    fresh = white(rng, motion.n)
    mix = uniform(rng, 0.2, 0.9)
    speed = np.maximum(motion.speed, 0.0) ** uniform(rng, 0.4, 1.2)
    force = pressure * speed * (mix * marks + (1.0 - mix) * fresh)
    return (force + spread(rng, 0.05, 1.5) * np.diff(pressure, prepend=pressure[:1])).astype(
        np.float32
    )


def _gap_for(values: F64 | F32, share: float) -> float:
    """Gap that leaves contact over ``share`` of a turn."""
    return float(np.quantile(values, 1.0 - share))


def _bladed(rng: Rng, machine: Machine, motion: Motion, reach: F64, wall: F64, gap: F32) -> F32:
    rough = _fine(rng, motion, 0.3) * uniform(rng, 0.2, 0.8)
    press = blade_rub(
        motion.theta,
        np.array(machine.blade_angle),
        reach,
        wall.astype(np.float32),
        rough.astype(np.float32),
        gap,
    )
    press /= float(press[motion.span("all")].max()) + 1e-12
    force = _scrape(rng, motion, press)
    out = convolve(force, path(machine, "shroud", motion.rate_hz))
    if rng.random() < 0.5:
        out += uniform(rng, 0.2, 1.0) * convolve(force, path(machine, "tin", motion.rate_hz))
    return out


def high_blade(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """One blade stands out and meets an oval wall once (or twice) a turn."""
    reach = rng.uniform(0.0, 0.3, machine.blades)
    reach[int(rng.integers(0, machine.blades))] = 1.0
    if rng.random() < 0.25:
        other = int(rng.integers(0, machine.blades))
        reach[other] = max(reach[other], uniform(rng, 0.9, 1.0))
    wall = 0.4 * bump(uniform(rng, 0, TURN), uniform(rng, 0.2, 1.5)) + 0.03 * profile(rng, 1, 1, 9)
    gap = _gap_for(1.0 + wall, uniform(rng, 0.01, 0.12))
    drift = 0.02 * slow(rng, motion.n, motion.rate_hz, 0.3)
    return _bladed(rng, machine, motion, reach, wall, (gap + drift).astype(np.float32))


def dented_wall(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """A dent in the cover that every blade passes: clicks at blade rate, uneven."""
    reach = 1.0 - rng.uniform(0.0, uniform(rng, 0.05, 0.4), machine.blades)
    wall = bump(uniform(rng, 0, TURN), spread(rng, 0.02, 0.15))
    if rng.random() < 0.3:
        wall = np.maximum(wall, 0.9 * bump(uniform(rng, 0, TURN), spread(rng, 0.02, 0.15)))
    gap = 1.0 + uniform(rng, 0.4, 0.75)
    drift = 0.05 * slow(rng, motion.n, motion.rate_hz, 0.2)
    return _bladed(rng, machine, motion, reach, wall, (gap + drift).astype(np.float32))


def _wobble(rng: Rng, motion: Motion) -> F32:
    """Axial run-out of the hub over the turn, about unit height."""
    second = uniform(rng, 0.0, 0.4)
    angle = motion.theta
    return (read(COSINE, angle) + second * read(COSINE, 2.0 * angle + rng.uniform(0, TURN))).astype(
        np.float32
    )


def hub_face(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """The whole hub wipes along the plate: nearly all of the turn, breathing once a turn."""
    height = _wobble(rng, motion)
    gap = _gap_for(height, uniform(rng, 0.35, 1.0)) - uniform(rng, 0.0, 0.6)
    press = np.maximum(height - gap + 0.15 * slow(rng, motion.n, motion.rate_hz, 0.3), 0.0)
    force = _scrape(rng, motion, press / 2.0)
    return convolve(force, path(machine, "shroud", motion.rate_hz))


def warm_rub(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """Thermal growth: nothing at first, then longer and longer arcs; it comes and goes."""
    height = _wobble(rng, motion)
    seconds = np.arange(motion.n) / motion.rate_hz - (motion.on_s or 0.0)
    ends = (motion.off_s or seconds[-1]) - (motion.on_s or 0.0)
    growth = np.clip((seconds / max(ends, 0.5) - uniform(rng, 0.05, 0.45)) * 2.0, -0.2, 1.0)
    gap = 1.05 - growth * uniform(rng, 0.3, 0.9) + 0.1 * slow(rng, motion.n, motion.rate_hz, 0.25)
    press = np.maximum(height - gap, 0.0).astype(np.float32)
    press /= float(press.max()) + 1e-9
    return convolve(_scrape(rng, motion, press), path(machine, "shroud", motion.rate_hz))


def axial_creep(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """Crept along the shaft: the field pulls the rotor to its middle, so power moves the rub."""
    height = _wobble(rng, motion)
    pulled = motion.current * (1.0 if rng.random() < 0.5 else -1.0) * uniform(rng, 0.2, 0.9)
    settle = np.exp(-np.arange(4000) * 8.0 / 4000).astype(np.float32)
    pulled = convolve(pulled.astype(np.float32), settle / settle.sum())
    base = height + pulled + 0.1 * slow(rng, motion.n, motion.rate_hz, 0.2)
    gap = _gap_for(base[motion.span("all")], uniform(rng, 0.15, 0.6))
    press = np.maximum(base - gap, 0.0).astype(np.float32)
    press /= float(press.max()) + 1e-9
    return convolve(_scrape(rng, motion, press), path(machine, "shroud", motion.rate_hz))


def wheel_squeal(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """A rub that makes the wheel sing: friction feeds one or two of its modes each turn."""
    height = _wobble(rng, motion)
    press = np.maximum(height - _gap_for(height, uniform(rng, 0.1, 0.7)), 0.0)
    press = (press * (1.0 + 0.4 * slow(rng, motion.n, motion.rate_hz, 0.2))).astype(np.float32)
    slip = np.minimum(motion.speed * 4.0, 1.0) / (1.0 + motion.speed * uniform(rng, 0.0, 1.5))
    out = np.zeros(motion.n, dtype=np.float32)
    for _ in range(int(rng.integers(1, 4))):
        f0 = spread(rng, 500.0, min(6000.0, 0.4 * motion.rate_hz))
        growth = spread(rng, 150.0, 700.0) * press * slip - spread(rng, 25.0, 90.0)
        freq = np.full(motion.n, f0) * (1.0 + 0.003 * slow(rng, motion.n, motion.rate_hz, 0.1))
        out += hopf(
            motion.rate_hz, freq, growth, 40.0 * moving(motion) * white(rng, motion.n), 0.004
        )
    scrape = convolve(_scrape(rng, motion, press / 2), path(machine, "shroud", motion.rate_hz))
    return out + np.float32(spread(rng, 0.1, 2.0)) * scrape


# burrs ---------------------------------------------------------------------------


def burr_force(
    rng: Rng, machine: Machine, motion: Motion, share: float, gate: F32, hardness: float
) -> tuple[F32, F32]:
    """Two toothed rings, one tilted, one running out: pressure and force of the contact.

    The smallest gap of a cos(phi - p) + b cos(phi - theta) over phi is known in closed
    form; there the teeth of one ring pass those of the other.
    """
    tilt, run_out = 1.0, spread(rng, 0.1, 2.0)
    turn = motion.theta + rng.uniform(0, TURN)
    reach = np.sqrt(tilt**2 + run_out**2 + 2.0 * tilt * run_out * np.cos(turn))
    where = np.arctan2(run_out * np.sin(turn), tilt + run_out * np.cos(turn))
    reach = reach + 0.12 * read(profile(rng, 1.0, 2, 30), motion.theta)
    gap = _gap_for(reach[motion.span("all")], share)
    breathing = 0.08 * slow(rng, motion.n, motion.rate_hz, 0.3)
    press = np.maximum(reach - gap + breathing, 0.0).astype(np.float32) * gate
    press /= float(press.max()) + 1e-9
    mesh = machine.teeth * (where - turn)
    tooth = np.zeros(TABLE)
    tooth += bump(0.0, spread(rng, 0.15, 2.0))
    tooth = tooth - tooth.mean()
    each = 1.0 + uniform(rng, 0.1, 0.7) * profile(rng, 0.1, 1, machine.teeth)
    teeth = read(tooth.astype(np.float32), mesh) * read(each.astype(np.float32), motion.theta)
    cut = white(rng, motion.n) * uniform(rng, 0.1, 0.8)
    force = (
        press**hardness * (teeth + cut) * np.maximum(motion.speed, 0.0) ** uniform(rng, 0.5, 1.3)
    )
    return press, force.astype(np.float32)


def _burr_sound(rng: Rng, machine: Machine, motion: Motion, force: F32, ringing: float) -> F32:
    ring = convolve(force, path(machine, "burr", motion.rate_hz))
    body = convolve(force, path(machine, "chamber", motion.rate_hz))
    return np.float32(ringing) * ring + body


def tilt_chirp(rng: Rng, machine: Machine, motion: Motion, gate: F32) -> F32:
    """A short arc of contact once a turn that makes the burrs ring: chirp, chirp."""
    _, force = burr_force(rng, machine, motion, uniform(rng, 0.04, 0.25), gate, 1.0)
    return _burr_sound(rng, machine, motion, force, uniform(rng, 1.0, 3.0))


def full_ring(rng: Rng, machine: Machine, motion: Motion, gate: F32) -> F32:
    """Closed over nearly the whole turn: harsh, with the tooth rate in it."""
    _, force = burr_force(rng, machine, motion, uniform(rng, 0.6, 1.0), gate, 0.7)
    return _burr_sound(rng, machine, motion, force, uniform(rng, 0.3, 1.5))


def high_spot(rng: Rng, machine: Machine, motion: Motion, gate: F32) -> F32:
    """A few proud teeth against one proud place: hard short strokes."""
    spots = np.zeros(TABLE)
    for _ in range(int(rng.integers(1, 5))):
        spots += bump(uniform(rng, 0, TURN), spread(rng, 0.01, 0.12)) * uniform(rng, 0.4, 1.0)
    press = read(spots.astype(np.float32), motion.theta)
    press = press * np.clip(1.0 + 0.4 * slow(rng, motion.n, motion.rate_hz, 0.08), 0.0, 2.5)
    stroke = np.abs(np.diff(press, prepend=press[:1])) * 40.0
    cut = (press * uniform(rng, 0.2, 1.0) + stroke) * white(rng, motion.n)
    force = (cut * gate * motion.speed**0.8).astype(np.float32)
    return _burr_sound(rng, machine, motion, force, uniform(rng, 0.8, 3.0))


def light_brush(rng: Rng, machine: Machine, motion: Motion, gate: F32) -> F32:
    """Metal just touching: thin high brushing in the turn's rhythm."""
    press, _ = burr_force(rng, machine, motion, uniform(rng, 0.15, 0.7), gate, 1.0)
    n = motion.n
    rate = spread(rng, 0.02, 0.3)
    grains = (rng.random(n, dtype=np.float32) < rate * np.sqrt(press)).astype(np.float32)
    force = grains * white(rng, n) * (0.3 + press) * np.minimum(motion.speed * 1.5, 1.0)
    force = np.diff(force, prepend=force[:1]).astype(np.float32)
    return _burr_sound(rng, machine, motion, force, uniform(rng, 0.3, 2.0))


def burr_squeal(rng: Rng, machine: Machine, motion: Motion, gate: F32) -> F32:
    """Contact that locks on a ring mode: a howl that swells with the pressure."""
    press, force = burr_force(rng, machine, motion, uniform(rng, 0.2, 0.9), gate, 1.0)
    out = _burr_sound(rng, machine, motion, force, 1.0)
    out /= float(out[motion.span("all")].std()) + 1e-9
    slip = np.minimum(motion.speed * 3.0, 1.0)
    for _ in range(int(rng.integers(1, 3))):
        f0 = spread(rng, 1200.0, min(8000.0, 0.4 * motion.rate_hz))
        growth = spread(rng, 150.0, 600.0) * press * slip - spread(rng, 30.0, 100.0)
        freq = f0 * (1.0 + 0.002 * slow(rng, motion.n, motion.rate_hz, 0.1))
        tone = hopf(
            motion.rate_hz, freq, growth, 50.0 * moving(motion) * white(rng, motion.n), 0.003
        )
        out += np.float32(spread(rng, 0.5, 4.0)) * tone
    return out


def proud_screw(rng: Rng, machine: Machine, motion: Motion, gate: F32) -> F32:
    """Screw heads that stand out: n regular ticks a turn, one louder than the others."""
    screws = int(rng.choice((2, 3, 3, 4)))
    spots = np.zeros(TABLE)
    for k in range(screws):
        size = 1.0 if k == 0 else uniform(rng, 0.0, 0.9)
        spots += size * bump(k * TURN / screws + 0.3, spread(rng, 0.01, 0.06))
    press = read(spots.astype(np.float32), motion.theta)
    lively = np.clip(1.0 + 0.3 * slow(rng, motion.n, motion.rate_hz, 0.1), 0.2, 2.0)
    force = np.diff(press, prepend=press[:1]) * 30.0 + 0.3 * press * white(rng, motion.n)
    force = (force * gate * motion.speed**0.7 * lively).astype(np.float32)
    return _burr_sound(rng, machine, motion, force, uniform(rng, 0.5, 2.0))


IMPELLER = {
    "high_blade": (high_blade, "run"),
    "dented_wall": (dented_wall, "run"),
    "hub_face": (hub_face, "run"),
    "warm_rub": (warm_rub, "run"),
    "axial_creep": (axial_creep, "run"),
    "wheel_squeal": (wheel_squeal, "run"),
}
BURRS = {
    "tilt_chirp": (tilt_chirp, "run"),
    "full_ring": (full_ring, "run"),
    "high_spot": (high_spot, "run"),
    "light_brush": (light_brush, "run"),
    "burr_squeal": (burr_squeal, "run"),
    "proud_screw": (proud_screw, "run"),
}
