"""Seven ways in which a pre-breaker wobbles in its slot."""

from __future__ import annotations

import numpy as np

from fifth_bench.basics import F32, Rng, arc, wavy
from fifth_bench.scene import Scene, lognormal


def _pulse(rng: Rng) -> float:
    return float(np.exp(rng.uniform(np.log(0.0003), np.log(0.004))))


def slot_slap(scene: Scene, rng: Rng) -> F32:
    """Play in the slot, driven by the pulse of the torque: it knocks in some of the cycles."""
    at = scene.two_f(rng, 0.06)
    where = at.astype(np.int64)
    # the play opens where torque is small: at speed without load, more so with the wobble
    ready = rng.uniform(0.1, 0.5) * (1 + scene.tone(1.0)[where] * rng.uniform(0.3, 1.0))
    ready = ready + 0.7 * scene.start_in[where]
    hit = rng.random(at.size) < ready
    strength = lognormal(rng, at.size, rng.uniform(3, 6)) * hit
    strength *= 1 + rng.uniform(0.5, 2) * scene.start_in[where]
    force = scene.knocks(at, strength) + _reknock(scene, rng)
    return scene.through("chamber", force, _pulse(rng))


def _reknock(scene: Scene, rng: Rng) -> F32:
    """When power goes, the parts swing back through the play: a few knocks."""
    at, strength = [], []
    for _, off_s in scene.motion.timing.runs:
        begin = (off_s + rng.uniform(0.0, 0.04)) * scene.rate_hz
        count = int(rng.integers(2, 7))
        at.append(begin + np.cumsum(rng.uniform(0.01, 0.09, count)) * scene.rate_hz)
        strength.append(lognormal(rng, count, 4) * 2 * np.exp(-0.3 * np.arange(count)))
    return scene.knocks(np.concatenate(at), np.concatenate(strength))


def bolts_in_a_box(scene: Scene, rng: Rng) -> F32:
    """Clatter while it gathers speed, gone when centrifugal force has seated it."""
    seated = rng.uniform(0.55, 0.97)
    turns = scene.at_random(rng, rng.uniform(3, 14))
    at = np.minimum(scene.when(turns), scene.count - 1).astype(np.int64)
    loose = np.clip((seated - scene.u[at]) / 0.15, 0, 1) * (scene.power[at] > 0.5)
    loose += np.clip((0.8 * seated - scene.u[at]) / 0.2, 0, 1) * rng.uniform(0, 0.6)
    loose += rng.uniform(0.0, 0.06)
    force = scene.ticks(turns, lognormal(rng, turns.size, 6) * loose, 0.4)
    return scene.through("chamber", force + _reknock(scene, rng) * 0.5, _pulse(rng))


def nodding_plate(scene: Scene, rng: Rng) -> F32:
    """It sits askew and nods: a dull thump a turn, sometimes with an echo half a turn on."""
    turns = scene.at_angle(rng, 1.0, rng.uniform(0.005, 0.03))
    strength = lognormal(rng, turns.size, rng.uniform(1, 4))
    force = scene.ticks(turns, strength, rng.uniform(0.8, 1.6))
    if rng.random() < 0.6:
        force += scene.ticks(turns + rng.uniform(0.35, 0.6), strength * rng.uniform(0.2, 0.7), 1.0)
    place = "chamber" if rng.random() < 0.7 else "panel"
    return scene.through(place, force, rng.uniform(0.001, 0.005))


def chattering_shear_plate(scene: Scene, rng: Rng) -> F32:
    """The shear plate chatters on its pins under power, in spells that come and go."""
    at = scene.two_f(rng, 0.1)
    where = at.astype(np.int64)
    spell = scene.wander(rng, rng.uniform(0.8, 4), rng.uniform(4, 10))[where]
    bounce = at + rng.uniform(0.15, 0.4) * scene.rate_hz / (2 * scene.mains_hz)
    strength = lognormal(rng, at.size, 3) * spell * (1 + 0.6 * scene.tone(1.0)[where])
    force = scene.knocks(at, strength)
    force += scene.knocks(bounce, strength * rng.uniform(-0.7, 0.7))
    return scene.through("chamber", force + 0.7 * _reknock(scene, rng), rng.uniform(2e-4, 1e-3))


def two_lugs(scene: Scene, rng: Rng) -> F32:
    """Two lugs knock each turn while gravity still beats the spin; at speed only a few."""
    turns = scene.at_angle(rng, 2.0, 0.04)
    at = np.minimum(scene.when(turns), scene.count - 1).astype(np.int64)
    stay = rng.uniform(0.15, 0.5)
    falls = rng.random(turns.size) < np.clip(1.1 - scene.u[at] * (1 - stay), 0, 1)
    uneven = np.where(np.arange(turns.size) % 2, rng.uniform(0.3, 1), 1.0)
    strength = lognormal(rng, turns.size, 4) * falls * uneven
    force = scene.ticks(turns, strength, rng.uniform(0.2, 0.7))
    return scene.through("chamber", force, _pulse(rng))


def orbiting_scuff(scene: Scene, rng: Rng) -> F32:
    """The breaker orbits in its clearance: a scuff that comes round slower than the shaft."""
    order = float(rng.choice([0.5, rng.uniform(0.36, 0.49), rng.uniform(0.9, 1.1)]))
    window = scene.table(arc(rng.uniform(0, 1), rng.uniform(0.15, 0.5), 0.7), order)
    low = rng.uniform(200, 900)
    scuff = scene.noise(rng, wavy(rng, [(low / 3, -15), (low, 0), (4 * low, -8), (9000, -25)], 3))
    turns = scene.at_random(rng, rng.uniform(2, 10))
    grains = scene.ticks(turns, lognormal(rng, turns.size, 5), 0.8) * np.float32(20)
    force = (scuff[0] * scene.law(1.2) + grains) * window * scene.wander(rng, 1.5, 3.0)
    return scene.through("chamber", force, rng.uniform(0.0003, 0.001))


def odd_double_knock(scene: Scene, rng: Rng) -> F32:
    """Every second or so a double or triple knock, as the play is taken up and lost."""
    groups = scene.at_random(rng, rng.uniform(0.5, 5) / scene.sync_hz)
    per_second = rng.uniform(1.5, 7)
    extra = np.sort(rng.uniform(0, scene.count, rng.poisson(per_second * scene.count / 48000)))
    at = np.concatenate([scene.when(groups), extra])
    gap = rng.uniform(0.015, 0.07) * scene.rate_hz
    all_at = np.concatenate([at, at + gap, at + 1.8 * gap])
    strength = lognormal(rng, all_at.size, 3)
    strength[at.size :] *= rng.uniform(0.3, 0.9)
    where = np.minimum(all_at, scene.count - 1).astype(np.int64)
    strength *= (scene.u[where] > 0.05) * (1 + scene.start_in[where])
    return scene.through("chamber", scene.knocks(all_at, strength), _pulse(rng))


MECHANISMS = {
    "slot_slap": (slot_slap, "powered"),
    "bolts_in_a_box": (bolts_in_a_box, "run_up"),
    "nodding_plate": (nodding_plate, "steady"),
    "chattering_shear_plate": (chattering_shear_plate, "steady"),
    "two_lugs": (two_lugs, "turning"),
    "orbiting_scuff": (orbiting_scuff, "steady"),
    "odd_double_knock": (odd_double_knock, "turning"),
}
