"""Seven ways in which a fan touches its housing."""

from __future__ import annotations

import numpy as np

from fifth_bench.basics import F32, SINE, Rng, arc, lookup, slow, wavy
from fifth_bench.scene import Scene, lognormal


def _scratch(scene: Scene, rng: Rng, low: float = 500, high: float = 6000) -> F32:
    """Rubbing noise: a rough band, its grain stirred."""
    middle = np.exp(rng.uniform(np.log(low), np.log(high)))
    curve = wavy(rng, [(middle / 6, -22), (middle / 2, -3), (middle, 0), (4 * middle, -14)], 3.0)
    return scene.noise(rng, curve)[0] * scene.wander(rng, rng.uniform(30, 150), rng.uniform(2, 5))


def one_high_blade(scene: Scene, rng: Rng) -> F32:
    """One blade stands proud and scrapes over a high spot of the cowl, once a turn."""
    window = scene.table(arc(rng.uniform(0, 1), rng.uniform(0.04, 0.2), rng.uniform(0.2, 1)))
    force = _scratch(scene, rng) * window * scene.wander(rng, 4.0, rng.uniform(1, 4))
    force = force * scene.law(rng.uniform(0.8, 1.6))
    return scene.through("cowl", force) + np.float32(rng.uniform(0, 0.5)) * force


def hub_drag(scene: Scene, rng: Rng) -> F32:
    """The hub drags on the end shield all round: a scrape, stronger on one side."""
    force = _scratch(scene, rng) * scene.swing(rng, rng.uniform(0.2, 0.9))
    if rng.random() < 0.5:
        force = force * scene.swing(rng, rng.uniform(0.2, 0.7), float(scene.maker.blades))
    return scene.through("cowl", force * scene.law(rng.uniform(0.7, 1.5)))


def trembling_cowl(scene: Scene, rng: Rng) -> F32:
    """A loose cowl that trembles into the fan now and then, for some turns together."""
    touch = np.clip(slow(rng, scene.count, scene.rate_hz, rng.uniform(0.5, 3)) * 2, 0, 1)
    window = scene.table(arc(rng.uniform(0, 1), rng.uniform(0.1, 0.5)))
    grate = _scratch(scene, rng, 400, 4000) * window
    turns = scene.at_angle(rng, float(scene.maker.blades), 0.03)
    slaps = scene.ticks(turns, lognormal(rng, turns.size, 5), 1.0)
    slaps *= window * np.float32(rng.uniform(5, 40))
    force = (grate * scene.law(1.2) + slaps) * touch
    return scene.through("cowl", force, rng.uniform(0.0002, 0.001))


def warped_disc(scene: Scene, rng: Rng) -> F32:
    """A warped disc breathes against felt or paper: shh, shh, without an edge."""
    window = scene.table(arc(rng.uniform(0, 1), rng.uniform(0.4, 0.9), 1.0))
    air = scene.noise(rng, wavy(rng, [(400, -14), (1800, 0), (7000, -3), (12000, -14)], 2.0))[0]
    return air * window * scene.law(rng.uniform(0.8, 1.8)) * scene.wander(rng, 2.0, 1.5)


def cable_flick(scene: Scene, rng: Rng) -> F32:
    """Each blade flicks a cable tie: a purr at blade pass, with blades that miss."""
    blades = scene.maker.blades
    turns = np.arange(int(scene.turn[-1]) + 1)[:, None] + np.array(scene.maker.blade_places) % 1.0
    reach = lognormal(rng, blades, rng.uniform(1, 8))
    strength = np.broadcast_to(reach, turns.shape) * lognormal(rng, turns.size, 3).reshape(
        turns.shape
    )
    missing = rng.random(turns.shape) < rng.uniform(0, 0.4)
    order = np.argsort(turns, axis=None)
    force = scene.ticks(turns.ravel()[order], (strength * ~missing).ravel()[order], 0.8)
    return scene.through("cowl", force, rng.uniform(0.0002, 0.0015))


def plastic_moan(scene: Scene, rng: Rng) -> F32:
    """Plastic on metal moans: stick-slip at a note of its own, in a window of speed."""
    hz = rng.uniform(180, 1100)
    drift = slow(rng, scene.count, scene.rate_hz, 4.0)
    phase = np.cumsum(hz * (1 + 0.03 * drift), dtype=np.float64) / scene.rate_hz + 1
    tooth = sum(
        np.float32(1 / k**1.1) * lookup(SINE, phase * k) for k in range(1, int(rng.integers(4, 14)))
    )
    window = scene.table(arc(rng.uniform(0, 1), rng.uniform(0.3, 0.95), 0.5))
    best, width = rng.uniform(0.7, 1.0), rng.uniform(0.25, 0.8)
    speeds = np.exp(-np.square((scene.u - best) / width)) * np.clip(scene.u * 8, 0, 1)
    gust = scene.wander(rng, rng.uniform(1, 5), rng.uniform(2, 6))
    return scene.through("cowl", tooth * window * speeds.astype(np.float32) * gust)


def walking_fan(scene: Scene, rng: Rng) -> F32:
    """A fan that walks along its shaft: it scrapes while speed changes and little between."""
    change = np.gradient(scene.u[::256].astype(np.float64)) * scene.rate_hz / 256
    change = np.repeat(np.clip(np.abs(change) * rng.uniform(0.7, 2.0), 0, 1), 256)[: scene.count]
    change = np.pad(change, (0, scene.count - change.size), mode="edge").astype(np.float32)
    rest = np.float32(rng.uniform(0.0, 0.08))
    window = scene.table(arc(rng.uniform(0, 1), rng.uniform(0.2, 0.8), 0.6))
    force = _scratch(scene, rng) * (np.sqrt(change) + rest) * window
    return scene.through("cowl", force * scene.law(0.7))


MECHANISMS = {
    "one_high_blade": (one_high_blade, "steady"),
    "hub_drag": (hub_drag, "steady"),
    "trembling_cowl": (trembling_cowl, "steady"),
    "warped_disc": (warped_disc, "steady"),
    "cable_flick": (cable_flick, "steady"),
    "plastic_moan": (plastic_moan, "steady"),
    "walking_fan": (walking_fan, "run_up"),
}
