"""Eight ways in which a ball bearing is heard."""

from __future__ import annotations

import numpy as np

from fifth_bench.basics import F32, SINE, Rng, arc, lookup, slow, wavy
from fifth_bench.scene import Scene, lognormal


def _seat(rng: Rng) -> str:
    return "front" if rng.random() < 0.55 else "rear"


def outer_spall(scene: Scene, rng: Rng) -> F32:
    """A pit in the outer race: a blow a ball, the way in and the way out, never quite even."""
    order = scene.maker.orders["outer"]
    turns = scene.at_order(rng, order, rng.uniform(-0.005, 0.02), rng.uniform(0.004, 0.03))
    strength = lognormal(rng, turns.size, rng.uniform(1, 4))
    if rng.random() < 0.5:
        strength *= 1 + rng.uniform(0.2, 0.7) * np.sin(2 * np.pi * turns)
    force = scene.ticks(turns, strength, rng.uniform(0.8, 1.8))
    gap = rng.uniform(0.02, 0.12) / order
    force += scene.ticks(turns + gap, strength * rng.uniform(-0.8, 0.8), 1.2)
    return scene.through(_seat(rng), force, rng.uniform(0.00005, 0.0004))


def inner_flake(scene: Scene, rng: Rng) -> F32:
    """A flake on the inner race: blows that swell once a turn as it meets the load."""
    turns = scene.at_order(
        rng, scene.maker.orders["inner"], rng.uniform(0, 0.02), rng.uniform(0.004, 0.03)
    )
    zone = np.maximum(0.0, np.cos(2 * np.pi * (turns + rng.uniform(0, 1))) + rng.uniform(-0.2, 0.7))
    strength = lognormal(rng, turns.size, rng.uniform(1, 4)) * zone ** rng.uniform(1, 1.6)
    force = scene.ticks(turns, strength, rng.uniform(0.8, 1.8))
    return scene.through(_seat(rng), force, rng.uniform(0.00005, 0.0004))


def standing_dents(scene: Scene, rng: Rng) -> F32:
    """Dents as far apart as the balls, from standing in a shaken van: a growling note."""
    orders = scene.maker.orders
    order = orders["outer"] if rng.random() < 0.6 else orders["inner"]
    count = int(rng.integers(3, 12))
    slipped = order / (1 - rng.uniform(0, 0.02))
    force = np.zeros(scene.count, np.float32)
    phase = scene.turn * slipped + 0.02 * slow(rng, scene.count, scene.rate_hz, 5.0) + 1.0
    for harmonic, strength in zip(range(1, count + 1), lognormal(rng, count, 5), strict=True):
        force += np.float32(strength / harmonic**0.4) * lookup(SINE, phase * harmonic)
    rough = scene.noise(rng, [(100, -4), (800, 0), (4000, -10)])[0]
    depth = np.float32(rng.uniform(0.1, 0.5))
    force = force * scene.law(1.3) * scene.swing(rng, rng.uniform(0, 0.5))
    return scene.through(_seat(rng), force + depth * rough * np.abs(force))


def gritty_grease(scene: Scene, rng: Rng) -> F32:
    """Coffee dust in the grease: crackle in clusters, no rule in it."""
    turns = scene.at_random(rng, rng.uniform(3, 40))
    cluster = scene.wander(rng, rng.uniform(0.6, 6.0), rng.uniform(3, 12))
    at = np.minimum(scene.when(turns), scene.count - 1).astype(np.int64)
    strength = lognormal(rng, turns.size, rng.uniform(4, 9)) * cluster[at]
    force = scene.ticks(turns, strength, rng.uniform(0.5, 1.5))
    return scene.through(_seat(rng), force, rng.uniform(0.0, 0.0003))


def dry_howl(scene: Scene, rng: Rng) -> F32:
    """Starved of grease: modes of the seat are made to sing, in gusts, by speed."""
    out = np.zeros(scene.count, np.float32)
    for _ in range(int(rng.integers(2, 5))):
        hz = rng.uniform(700, scene.top_hz)
        wander = slow(rng, scene.count, scene.rate_hz, rng.uniform(3, 25))
        step = hz * (1 + 0.004 * wander) * (0.9 + 0.1 * np.minimum(scene.u, 1.2))
        phase = np.cumsum(step, dtype=np.float64) / scene.rate_hz
        gust = scene.wander(rng, rng.uniform(0.5, 8), rng.uniform(3, 9))
        need = np.clip((scene.u - rng.uniform(0.2, 0.6)) * 4, 0, 1)
        out += np.float32(rng.uniform(0.3, 1)) * lookup(SINE, phase) * gust * need
    breath = scene.noise(rng, [(300, -25), (2500, 0), (8000, -6)])[0]
    out = out * scene.law(1.0) * scene.swing(rng, rng.uniform(0, 0.4))
    return out + np.float32(rng.uniform(0.08, 0.4)) * breath * scene.law(1.5)


def washboard(scene: Scene, rng: Rng) -> F32:
    """Flutes across the race: a hill of high passing lines that runs down with the shaft."""
    orders = scene.maker.orders
    base = orders["outer" if rng.random() < 0.6 else "inner"] / (1 - rng.uniform(0, 0.02))
    most = max(int(scene.top_hz / scene.sync_hz / base), 4)
    middle, width = rng.uniform(6, 22), rng.uniform(1.0, 5.0)
    middle = min(middle, 0.7 * most)
    out = np.zeros(scene.count, np.float32)
    for line in range(max(2, int(middle - 2 * width)), min(int(middle + 2 * width) + 2, most + 1)):
        strength = np.exp(-0.5 * ((line - middle) / width) ** 2) * 10 ** (rng.normal(0, 5) / 20)
        out += np.float32(strength) * lookup(SINE, scene.turn * (base * line) + rng.uniform(0, 1))
    out = out * scene.swing(rng, rng.uniform(0.1, 0.7), orders["cage"])
    rough = scene.noise(rng, wavy(rng, [(200, -10), (1500, 0), (5000, -3), (9000, -14)], 3))[0]
    force = out + np.float32(rng.uniform(0.1, 0.5)) * rough
    force = force * scene.swing(rng, rng.uniform(0, 0.6)) * scene.law(1.4)
    return scene.through(_seat(rng), force) * scene.wander(rng, 2.0, 1.5)


def worn_rumble(scene: Scene, rng: Rng) -> F32:
    """Worn all round: a rough rumble that surges with the cage."""
    top = rng.uniform(500, 3000)
    force = scene.noise(rng, wavy(rng, [(80, -3), (300, 0), (top, -2), (3 * top, -18)], 3.0))[0]
    force = force * scene.swing(rng, rng.uniform(0.3, 0.9), scene.maker.orders["cage"])
    force = force * scene.swing(rng, rng.uniform(0, 0.5), scene.maker.orders["outer"])
    force = force * scene.wander(rng, rng.uniform(6, 30), rng.uniform(2, 5))
    return scene.through(_seat(rng), force * scene.law(rng.uniform(1.2, 2.0)))


def loose_cage(scene: Scene, rng: Rng) -> F32:
    """The cage rattles in its pockets: worst while grease is stiff or when load goes off."""
    orders = scene.maker.orders
    turns = scene.at_order(rng, orders["cage"] * scene.maker.balls, 0.0, rng.uniform(0.15, 0.45))
    at = np.minimum(scene.when(turns), scene.count - 1).astype(np.int64)
    early = 1 + 3 * np.exp(-np.maximum(at / scene.rate_hz - 1.0, 0) / rng.uniform(1, 6))
    unloaded = np.where(scene.power[at] > 0.5, 1.0, rng.uniform(1, 3))
    strength = lognormal(rng, turns.size, 7) * early * unloaded
    strength *= rng.random(turns.size) < rng.uniform(0.3, 0.9)
    window = scene.table(arc(rng.uniform(0, 1), rng.uniform(0.4, 0.9)), orders["cage"])[at]
    force = scene.ticks(turns, strength * (0.2 + window), 0.8)
    return scene.through(_seat(rng), force, rng.uniform(0.0001, 0.0006))


MECHANISMS = {
    "outer_spall": (outer_spall, "steady"),
    "inner_flake": (inner_flake, "steady"),
    "standing_dents": (standing_dents, "steady"),
    "gritty_grease": (gritty_grease, "steady"),
    "dry_howl": (dry_howl, "steady"),
    "washboard": (washboard, "steady"),
    "worn_rumble": (worn_rumble, "steady"),
    "loose_cage": (loose_cage, "steady"),
}
