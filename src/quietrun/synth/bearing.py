"""Bearing noise: damaged spots, rough races, a dry whine, a rattling cage."""

from __future__ import annotations

from functools import partial

import numpy as np

from quietrun.machine.kinematics import BearingOrders, bearing_orders
from quietrun.machine.types import Bearing
from quietrun.synth.kit import (
    CONTROL_HZ,
    COSINE,
    Floats,
    Rng,
    angle_noise,
    band_shape,
    chance,
    flowing_noise,
    harmonics,
    log_uniform,
    look_up,
    pick,
    ramp,
    wandering,
)
from quietrun.synth.parts import Part, event_train, part_ring, speed_gain, turning, waved
from quietrun.synth.scene import Scene


def orders_of(scene: Scene, end: str) -> BearingOrders:
    """Orders of the machine's front or rear bearing."""
    m, i = scene.machine, 0 if end == "front" else 1
    return bearing_orders(
        Bearing(m.bearing_balls[i], m.bearing_ratio[i], 1.0, m.bearing_contact[i])
    )


def _hits(scene: Scene, rng: Rng, order: float, jitter: float) -> Floats:
    """Angles (turns) of impacts at an order, the gaps random about their mean."""
    first, last = float(scene.turns[0]), float(scene.turns[-1])
    count = int((last - first) * order) + 2
    gaps = (1.0 + rng.normal(0, jitter, count)) / order
    return first + (rng.random() / order) + np.cumsum(np.maximum(gaps, 0.05 / order))


def spots(scene: Scene, rng: Rng) -> Part:
    """Local damage: an impact whenever a ball passes, weighted by the load zone."""
    end = pick(rng, ("front", "rear"))
    orders = orders_of(scene, end)
    where = pick(rng, ("outer", "inner", "ball"))
    slip = 1.0 + rng.uniform(-0.02, 0.004)
    base = {"outer": orders.outer, "inner": orders.inner, "ball": orders.ball_twice}[where]
    jitter = log_uniform(rng, 0.002, 0.015)
    train = np.zeros(scene.n, dtype=np.float32)
    sharp = rng.uniform(0.5, 3.0)
    power = rng.uniform(0.6, 1.5)
    balls = scene.machine.bearing_balls[0 if end == "front" else 1]
    dents = chance(rng, 0.15)  # standstill marks: one under each ball
    many = balls if dents else 1 if chance(rng, 0.6) else int(rng.integers(2, 5))
    for i in range(many):
        apart = i / balls if dents else i * float(rng.uniform(0.1, 0.4)) / base
        at = _hits(scene, rng, base * slip, jitter) + apart
        if where == "outer":
            load = 1.0 + rng.uniform(0, 0.35) * np.cos(2 * np.pi * (at + rng.random()))
        else:
            turn = at if where == "inner" else at * orders.cage * slip
            lowest = rng.uniform(0, 0.3)
            zone = np.clip(0.5 + 0.5 * np.cos(2 * np.pi * (turn + rng.random())), 0, 1)
            load = lowest + (1 - lowest) * zone**sharp
        size = load * np.exp(rng.normal(0, rng.uniform(0.1, 0.45), at.size))
        train += event_train(scene, at, size * rng.uniform(0.4, 1.0), power)
    ring = part_ring(rng, 900, 9000, count=int(rng.integers(2, 6)), quality=log_uniform(rng, 4, 25))
    return Part(train, None, end, ring, turning(scene), {"order": base * slip})


def rough(scene: Scene, rng: Rng) -> Part:
    """Worn or dirty races: a growl whose pitch and level follow the speed."""
    end = pick(rng, ("front", "rear"))
    orders = orders_of(scene, end)
    lo, hi = log_uniform(rng, 3, 25), log_uniform(rng, 40, 250)
    growl = angle_noise(rng, scene.turns, 640, lambda o: band_shape(o, lo, hi, 1.0))
    for order in (orders.cage, 1 - orders.cage, 1.0, orders.outer, orders.inner):
        growl *= waved(scene, order, rng, float(rng.uniform(0, 0.6)))
    sway = np.exp(wandering(rng, scene.points, log_uniform(rng, 0.05, 0.4), rng.uniform(0.1, 0.5)))
    gain = speed_gain(scene, rng.uniform(0.8, 1.5)) * sway
    f_lo = log_uniform(rng, 300, 2500)
    hiss = flowing_noise(
        rng, scene.n, [(gain * rng.uniform(0, 0.6), lambda f: band_shape(f, f_lo, 4 * f_lo, 1.0))]
    )
    return Part(growl * ramp(gain) + hiss, None, end, None, turning(scene))


def _narrow(f: Floats, centre: float, half: float) -> Floats:
    return np.asarray(np.exp(-np.square((f - centre) / (half + 25.0))))


def dry_whine(scene: Scene, rng: Rng) -> Part:
    """Short of grease: narrow bands about fixed resonances and rising tones, coming and going."""
    end = pick(rng, ("front", "rear"))
    orders = orders_of(scene, end)
    total = np.zeros(scene.n, dtype=np.float32)
    power = rng.uniform(0.8, 1.5)
    for _ in range(int(rng.integers(1, 4))):
        sway = np.exp(
            wandering(rng, scene.points, log_uniform(rng, 0.03, 0.5), rng.uniform(0.2, 0.9))
        )
        gain = speed_gain(scene, power) * sway * rng.uniform(0.3, 1)
        if chance(rng, 0.5):
            order = log_uniform(rng, 40, 220)
            slide = wandering(rng, scene.points, 0.05, log_uniform(rng, 0.002, 0.02))
            drift = np.cumsum(slide * scene.speed_hz) / CONTROL_HZ
            total += look_up(COSINE, order * (scene.turns + ramp(drift))) * ramp(gain)
        else:
            centre = log_uniform(rng, 1200, 8000)
            half = centre * log_uniform(rng, 0.006, 0.06)
            total += flowing_noise(
                rng,
                scene.n,
                [(2 * gain, partial(_narrow, centre=centre, half=half))],
            )
    total *= waved(scene, orders.cage, rng, float(rng.uniform(0, 0.7)))
    return Part(total, None, end, None, turning(scene))


def cage_rattle(scene: Scene, rng: Rng) -> Part:
    """A loose cage: small hits in bunches about the cage's own turn, irregular."""
    end = pick(rng, ("front", "rear"))
    orders = orders_of(scene, end)
    turns = float(scene.turns[-1] - scene.turns[0])
    count = int(turns * log_uniform(rng, 2, 14)) + 4
    at = float(scene.turns[0]) + np.sort(rng.random(count)) * turns
    bunch = np.clip(np.cos(2 * np.pi * (at * orders.cage + rng.random())), 0, 1) ** rng.uniform(
        0.5, 3
    )
    size = (rng.uniform(0, 0.35) + bunch) * np.exp(rng.normal(0, 0.6, count))
    train = event_train(scene, at, size, rng.uniform(0.6, 1.4))
    ring = part_ring(rng, 2000, 11000, count=4, quality=log_uniform(rng, 4, 18))
    return Part(train, None, end, ring, turning(scene))


def waviness(scene: Scene, rng: Rng) -> Part:
    """Races out of round: tones at multiples of the ball passes, with the turn beside them."""
    end = pick(rng, ("front", "rear"))
    orders = orders_of(scene, end)
    slip = 1.0 + rng.uniform(-0.02, 0.004)
    base = (orders.outer if chance(rng, 0.5) else orders.inner) * slip
    centre, width = log_uniform(rng, 12, 120) / base, log_uniform(rng, 0.25, 1.0)
    number = np.arange(1, max(3, int(260 / base)))
    shape = np.exp(-0.5 * np.square(np.log(number / centre) / width))
    table = harmonics(shape * np.exp(rng.normal(0, 0.6, number.size)), rng)
    sway = np.exp(wandering(rng, scene.points, 0.1, rng.uniform(0.05, 0.4)))
    slide = wandering(rng, scene.points, 0.08, log_uniform(rng, 0.0003, 0.004))
    drift = ramp(np.cumsum(slide * scene.speed_hz) / CONTROL_HZ)
    sound = look_up(table, base * (scene.turns + drift))
    sound *= ramp(speed_gain(scene, rng.uniform(0.8, 2.0)) * sway)
    sound *= waved(scene, 1.0, rng, float(rng.uniform(0, 0.6)))
    return Part(sound, None, end, None, turning(scene))


MODELS = {
    "waviness": waviness,
    "spots": spots,
    "rough": rough,
    "dry_whine": dry_whine,
    "cage_rattle": cage_rattle,
}
__all__ = ["MODELS", "orders_of"]
