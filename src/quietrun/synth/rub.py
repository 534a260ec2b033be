"""Impeller rub: one high spot, several blades, the hub, now and then."""

from __future__ import annotations

import numpy as np

from quietrun.synth.kit import (
    CONTROL_HZ,
    Rng,
    Signal,
    band_shape,
    flowing_noise,
    log_uniform,
    look_up,
    ramp,
    wandering,
)
from quietrun.synth.parts import (
    Part,
    arc_table,
    arc_window,
    event_train,
    part_ring,
    per_turn,
    random_band,
    speed_gain,
    turning,
    waved,
)
from quietrun.synth.scene import Scene


def _scrape(scene: Scene, rng: Rng, power: float) -> Signal:
    """Scraping noise: broadband, its upper edge rising a little with the speed."""
    lo, hi = random_band(rng, (150, 2500), (2000, 13000))
    gain = speed_gain(scene, power)
    return flowing_noise(
        rng,
        scene.n,
        [
            (gain, lambda f: band_shape(f, lo, hi, 1.0)),
            (gain * scene.v * rng.uniform(0, 1), lambda f: band_shape(f, 1.5 * lo, 1.6 * hi, 1.0)),
        ],
    )


def _share(rng: Rng, noise: Signal) -> tuple[Signal, Signal]:
    """Part of a scrape goes into the housing, part straight into the air."""
    force = np.float32(rng.uniform(0.1, 1.0))
    return noise * force, noise * np.float32(rng.uniform(0.1, 1.0))


def one_spot(scene: Scene, rng: Rng) -> Part:
    """One high blade or one high spot: a scrape over part of each turn."""
    noise = _scrape(scene, rng, rng.uniform(0.5, 1.1))
    share = log_uniform(rng, 0.03, 1.0)
    noise *= arc_window(scene.shaft, rng.random(), share, rng.uniform(0.6, 2.0))
    noise *= per_turn(scene, rng, rng.uniform(0.05, 0.5))
    force, air = _share(rng, noise)
    return Part(force, air, "rear", None, turning(scene), {"arc": share})


def blades(scene: Scene, rng: Rng) -> Part:
    """Several blades pass a spot: a tick each, of their own strength."""
    m = scene.machine
    first, last = float(scene.turns[0]), float(scene.turns[-1])
    whole = np.arange(np.floor(first), np.ceil(last) + 1)
    gains = np.clip(rng.normal(0.7, rng.uniform(0.1, 0.6), m.blades), 0, None)
    angles = (np.arange(m.blades) + m.blade_offsets * m.blades) / m.blades
    at = (whole[:, None] + angles + rng.normal(0, 0.002, (whole.size, m.blades))).reshape(-1)
    size = (gains * np.exp(rng.normal(0, rng.uniform(0.1, 0.5), (whole.size, m.blades)))).reshape(
        -1
    )
    order = np.argsort(at)
    train = event_train(scene, at[order], size[order], rng.uniform(0.6, 1.3))
    ring = part_ring(rng, 350, 5000, count=5, quality=log_uniform(rng, 3, 16))
    share = float(rng.uniform(0.02, 0.12))
    scrape = _scrape(scene, rng, 0.8) * np.float32(rng.uniform(0, 0.3))
    arcs = np.sum(
        [gain * arc_table(float(a), share) for a, gain in zip(angles, gains, strict=True)], axis=0
    )
    scrape *= look_up(arcs.astype(np.float32), scene.shaft)
    return Part(train, scrape, "rear", ring, turning(scene))


def hub_drag(scene: Scene, rng: Rng) -> Part:
    """The hub drags on the plate: a steady scrape, lightly modulated once a turn."""
    noise = _scrape(scene, rng, rng.uniform(0.5, 1.0))
    sway = np.exp(
        wandering(rng, scene.points, log_uniform(rng, 0.05, 0.6), rng.uniform(0.05, 0.35))
    )
    noise *= waved(scene, 1.0, rng, float(rng.uniform(0, 0.45))) * ramp(sway)
    force, air = _share(rng, noise)
    return Part(force, air, "rear", None, turning(scene))


def one_tick(scene: Scene, rng: Rng) -> Part:
    """One blade, or a wire in its way: a single tick a turn, like a card in the spokes."""
    first, last = float(scene.turns[0]), float(scene.turns[-1])
    at = np.arange(np.floor(first), last) + rng.random()
    at = at + rng.normal(0, rng.uniform(0.001, 0.01), at.size)
    missed = rng.random(at.size) < rng.uniform(0, 0.35)
    size = np.exp(rng.normal(0, rng.uniform(0.1, 0.6), at.size)) * ~missed
    train = event_train(scene, at, size, rng.uniform(0.4, 1.3))
    ring = part_ring(rng, 300, 7000, count=5, quality=log_uniform(rng, 3, 22))
    return Part(train, None, "rear", ring, turning(scene))


def now_and_then(scene: Scene, rng: Rng) -> Part:
    """A rub that comes and goes, here and there in the run."""
    inner = (one_spot, blades, hub_drag)[int(rng.integers(3))]
    part = inner(scene, rng)
    t = np.arange(scene.points) / CONTROL_HZ
    gate = np.zeros(scene.points)
    at = rng.uniform(0, 0.3)
    mean_on, mean_off = log_uniform(rng, 0.12, 0.9), log_uniform(rng, 0.15, 1.0)
    spans = []
    while at < scene.duration_s:
        length = max(0.08, rng.exponential(mean_on))
        gate = np.maximum(gate, np.clip(np.minimum(t - at, at + length - t) / 0.03, 0, 1))
        spans.append((at, at + length))
        at += length + rng.exponential(mean_off)
    curve = ramp(gate)
    for sound in (part.force, part.air):
        if sound is not None:
            sound *= curve
    return part


MODELS = {
    "one_spot": one_spot,
    "blades": blades,
    "hub_drag": hub_drag,
    "one_tick": one_tick,
    "now_and_then": now_and_then,
}
