"""Pre-breaker wobble: a loose driven part, play in its drive, and what makes it cross the play."""

from __future__ import annotations

import numpy as np

from third_bench.base import COSINE, F32, Rng, convolve, events, read, slow, spread, uniform, white
from third_bench.healthy import path
from third_bench.kernels import TURN, gap_contact
from third_bench.machine import Machine, Motion


def _ripple(motion: Motion) -> F32:
    """Torque at twice the mains, with the current: unit size in the steady run."""
    t = np.arange(motion.n) / motion.rate_hz
    return (motion.current * read(COSINE, TURN * 2.0 * motion.mains_exact_hz * t)).astype(
        np.float32
    )


def _play(
    rng: Rng,
    motion: Motion,
    *,
    ripple: float,
    gravity: float,
    hold: float,
    slack: float,
    restitution: float,
    jitter: float = 0.3,
    own_drag: float = 1.0,
) -> F32:
    """Contact force across the play, accelerations in units of ``hold``.

    ``own_drag``: how much of its drag the part keeps when the shaft coasts; below the
    shaft's own slowing it overruns and falls on the other face at the cut-off.
    """
    n, rate = motion.n, motion.rate_hz
    unit = 900.0
    stiff = (TURN * spread(rng, 250.0, 1400.0)) ** 2
    damp = 2.0 * np.sqrt(stiff) * np.clip(-np.log(restitution) / np.pi, 0.05, 0.9)
    shake = unit * ripple * _ripple(motion) + 4.0 * motion.acceleration
    turning = np.minimum(motion.speed * 8.0, 1.0)
    share = own_drag + (1.0 - own_drag) * motion.powered
    pressed = unit * hold * share * turning + np.float32(0.02 * unit)
    knocks = unit * jitter * slow(rng, n, rate, 0.004) * turning
    return gap_contact(
        n,
        rate,
        shake.astype(np.float32),
        unit * gravity,
        motion.theta,
        np.minimum(motion.speed * 20.0, 1.0).astype(np.float32),
        pressed.astype(np.float32),
        slack,
        stiff,
        damp,
        knocks.astype(np.float32),
    )


def _sound(rng: Rng, machine: Machine, motion: Motion, force: F32, bright: float) -> F32:
    """Only the changes of the force are heard; a hard face makes them brighter."""
    change = np.diff(force, prepend=force[:1])
    edge = np.diff(change, prepend=change[:1])
    size = float(np.abs(change[motion.span("all")]).std()) + 1e-12
    sharp = float(np.abs(edge[motion.span("all")]).std()) + 1e-12
    drive = change / size + bright * edge / sharp
    out = convolve(drive.astype(np.float32), path(machine, "chamber", motion.rate_hz))
    if rng.random() < 0.6:
        ring = convolve(drive.astype(np.float32), path(machine, "burr", motion.rate_hz))
        out += np.float32(uniform(rng, 0.1, 0.8)) * ring
    return out


def torque_chatter(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """Pulsing torque throws the driver from face to face all through the run."""
    force = _play(
        rng,
        motion,
        ripple=spread(rng, 1.3, 5.0),
        gravity=uniform(rng, 0.0, 0.8),
        hold=1.0,
        slack=spread(rng, 0.0004, 0.004),
        restitution=uniform(rng, 0.25, 0.7),
        own_drag=uniform(rng, 0.4, 1.0),
    )
    return _sound(rng, machine, motion, force, uniform(rng, 0.1, 1.0))


def gravity_knock(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """A lopsided plate on a lying shaft falls through its play once a turn."""
    force = _play(
        rng,
        motion,
        ripple=uniform(rng, 0.0, 0.5),
        gravity=spread(rng, 1.3, 3.5),
        hold=1.0,
        slack=spread(rng, 0.0008, 0.012),
        restitution=uniform(rng, 0.2, 0.6),
        own_drag=uniform(rng, 0.7, 1.0),
    )
    return _sound(rng, machine, motion, force, uniform(rng, 0.1, 1.0))


def start_stop_clunk(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """Big play: a clatter while the starting torque pulses, a clunk when power goes."""
    force = _play(
        rng,
        motion,
        ripple=uniform(rng, 0.25, 0.75),
        gravity=uniform(rng, 0.0, 0.6),
        hold=1.0,
        slack=spread(rng, 0.004, 0.04),
        restitution=uniform(rng, 0.2, 0.6),
        own_drag=uniform(rng, 0.0, 0.25),
    )
    extra = np.zeros(motion.n, dtype=np.float32)
    if motion.off_s is not None and motion.on_s is not None and motion.powered.any():
        late = motion.off_s + rng.uniform(0.004, 0.12) + np.cumsum(rng.exponential(0.03, 3))
        size = rng.uniform(0.4, 1.0) * 0.5 ** np.arange(3)
        at = np.r_[motion.on_s + rng.uniform(0.005, 0.05), late]
        extra = events(motion.n, at * motion.rate_hz, np.r_[0.8, size])
        if motion.open_s is not None:
            extra += events(motion.n, np.array([motion.open_s + 0.01]) * motion.rate_hz, [0.4])
    change = np.abs(np.diff(force, prepend=force[:1]))
    peak = float(np.quantile(change[motion.span("all")], 0.9999)) + 1e-9
    force = force + np.cumsum(extra) * 0.0 + extra * peak * 6.0
    return _sound(rng, machine, motion, force.astype(np.float32), uniform(rng, 0.1, 0.8))


def loose_shear_plate(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """The small plate itself jumps in its slot: light, metallic, without a beat."""
    force = _play(
        rng,
        motion,
        ripple=spread(rng, 0.6, 2.5),
        gravity=spread(rng, 0.8, 3.0),
        hold=0.25,
        slack=spread(rng, 0.0003, 0.003),
        restitution=uniform(rng, 0.45, 0.85),
        jitter=spread(rng, 0.5, 2.5),
        own_drag=0.3,
    )
    change = np.diff(force, prepend=force[:1])
    change /= float(change[motion.span("all")].std()) + 1e-12
    edge = np.diff(change, prepend=change[:1])
    drive = (edge / (float(edge.std()) + 1e-9)).astype(np.float32)
    tin = convolve(drive, path(machine, "tin", motion.rate_hz))
    return tin + np.float32(uniform(rng, 0.0, 0.7)) * convolve(
        drive, path(machine, "chamber", motion.rate_hz)
    )


def _turn_events(
    rng: Rng, motion: Motion, order: float, jitter: float, sizes: tuple[float, ...]
) -> F32:
    """Strokes at given places of a turn of ``order`` times the shaft."""
    at: list[float] = []
    strength: list[float] = []
    for k, size in enumerate(sizes):
        place = motion.theta * order / TURN + k / len(sizes) * 0.93
        hits = np.flatnonzero(np.diff(np.floor(place)) > 0).astype(np.float64)
        speed = motion.speed[hits.astype(np.int64)]
        hits = hits + jitter * rng.standard_normal(hits.size) * motion.rate_hz * 0.02
        at.extend(hits)
        strength.extend(size * speed * rng.lognormal(0.0, 0.25, hits.size))
    return events(motion.n, np.array(at), np.array(strength))


def _stroke(rng: Rng, motion: Motion, hits: F32) -> F32:
    """A soft blow of a heavy part: a pulse of a few ms with a hard front."""
    size = int(spread(rng, 0.0004, 0.006) * motion.rate_hz) + 6
    pulse = np.sin(np.pi * np.arange(size) / size) ** 2 * np.exp(-np.arange(size) * 3.0 / size)
    return convolve(hits, (pulse / np.sqrt(np.sum(pulse**2))).astype(np.float32))


def rocking_plate(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """A plate loose on its shoulder rocks over: one or two unequal blows a turn."""
    sizes = (1.0, uniform(rng, 0.0, 0.8))
    hits = _turn_events(rng, motion, 1.0, spread(rng, 0.02, 0.2), sizes)
    hits *= np.clip(1.0 + 0.4 * slow(rng, motion.n, motion.rate_hz, 0.3), 0.1, 2.5)
    out = convolve(_stroke(rng, motion, hits), path(machine, "chamber", motion.rate_hz))
    rub = np.maximum(read(COSINE, motion.theta) - 0.6, 0.0).astype(np.float32) * motion.speed
    rub = rub * white(rng, motion.n) * float(np.abs(hits).max()) * spread(rng, 0.001, 0.03)
    return out + convolve(rub, path(machine, "chamber", motion.rate_hz))


def whirl(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """The worn bore rolls around the shaft: thumps at a rate that is not the shaft's."""
    order = uniform(rng, 0.35, 0.92)
    sizes = (1.0,) if rng.random() < 0.6 else (1.0, uniform(rng, 0.3, 0.9))
    hits = _turn_events(rng, motion, order, spread(rng, 0.02, 0.15), sizes)
    beat = 1.0 + 0.6 * np.cos((1.0 - order) * motion.theta)
    hits *= (beat * np.clip(1.0 + 0.3 * slow(rng, motion.n, motion.rate_hz, 0.2), 0, 2)).astype(
        np.float32
    )
    return convolve(_stroke(rng, motion, hits), path(machine, "chamber", motion.rate_hz))


def slipping_slot(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """A worn slot lets go and catches: bursts of knocks, thick in run-up and coast-down."""
    force = _play(
        rng,
        motion,
        ripple=spread(rng, 0.5, 1.6),
        gravity=spread(rng, 0.6, 1.8),
        hold=0.8,
        slack=spread(rng, 0.001, 0.01),
        restitution=uniform(rng, 0.3, 0.7),
        jitter=spread(rng, 0.4, 1.5),
        own_drag=uniform(rng, 0.1, 0.6),
    )
    bursts = np.clip(0.7 + slow(rng, motion.n, motion.rate_hz, 0.5), 0.0, 2.0)
    return _sound(rng, machine, motion, force, uniform(rng, 0.1, 0.8)) * bursts


MECHANISMS = {
    "torque_chatter": (torque_chatter, "all"),
    "gravity_knock": (gravity_knock, "all"),
    "start_stop_clunk": (start_stop_clunk, "all"),
    "loose_shear_plate": (loose_shear_plate, "all"),
    "rocking_plate": (rocking_plate, "run"),
    "whirl": (whirl, "run"),
    "slipping_slot": (slipping_slot, "all"),
}
