"""Other faults: heard or felt, none of the four."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from fifth_bench.basics import F32, SINE, Rng, lookup, slow, waves, wavy
from fifth_bench.healthy import excitement
from fifth_bench.scene import Scene, lognormal

Source = Callable[[Scene, Rng], F32]


def growl(scene: Scene, rng: Rng) -> F32:
    """The field pulls hard and unevenly: a growl that dies with the power."""
    count = int(rng.integers(8, 30))
    orders = 2.0 * np.arange(1, count + 1)
    strength = np.arange(1, count + 1) ** -rng.uniform(0.3, 1.0) * lognormal(rng, count, 5)
    force = scene.mains_table(waves(orders, strength, rng.uniform(0, 1, count)))
    force = force * scene.swing(rng, rng.uniform(0.2, 0.8)) * excitement(scene, rng, 0.02)
    rough = scene.noise(rng, [(100, -5), (500, 0), (3000, -15)])[0]
    mod = scene.power * np.abs(scene.mains_table(SINE))
    return scene.through("stator", force + np.float32(0.5) * rough * mod)


def standing_buzz(scene: Scene, rng: Rng) -> F32:
    """Power on and the shaft stands: a loud buzz, laminations and all."""
    count = int(rng.integers(6, 24))
    orders = 2.0 * np.arange(1, count + 1)
    strength = np.arange(1, count + 1) ** -rng.uniform(0.5, 1.5) * lognormal(rng, count, 4)
    force = scene.mains_table(waves(orders, strength, rng.uniform(0, 1, count)))
    return scene.through("stator", force * excitement(scene, rng, 0.02) * scene.wander(rng, 1, 0.7))


def drag(scene: Scene, rng: Rng) -> F32:
    """Packed grounds: a soft rub, if anything."""
    force = scene.noise(rng, wavy(rng, [(100, -6), (700, 0), (4000, -14)], 2))[0]
    return scene.through("chamber", force * scene.law(0.7) * scene.swing(rng, 0.3))


def face_rub(scene: Scene, rng: Rng) -> F32:
    """The breaker brushes the face plate: flat metal on flat metal, a brushed swish a turn."""
    low = rng.uniform(600, 2500)
    force = scene.noise(rng, wavy(rng, [(low / 3, -18), (low, 0), (4 * low, -4), (12000, -20)], 2))
    force = force[0] * scene.swing(rng, rng.uniform(0.3, 0.95)) * scene.wander(rng, 3, 2)
    return scene.through("chamber", force * scene.law(1.0))


def loose_part(scene: Scene, rng: Rng) -> F32:
    """Something loose jumps about: knocks in heaps, of all strengths."""
    turns = scene.at_random(rng, rng.uniform(0.15, 2.5))
    at = np.minimum(scene.when(turns), scene.count - 1).astype(np.int64)
    heap = scene.wander(rng, 1.5, 8.0)[at]
    force = scene.ticks(turns, lognormal(rng, turns.size, 7) * heap, 0.8)
    place = str(rng.choice(["panel", "case", "cowl"]))
    return scene.through(place, force, float(np.exp(rng.uniform(np.log(2e-4), np.log(3e-3)))))


def fan_in_switch(scene: Scene, rng: Rng) -> F32:
    """The fan has crept into the switch: a racket below its speed, peace above."""
    turns = scene.at_angle(rng, float(rng.choice([2, 3, 4])), 0.12)
    at = np.minimum(scene.when(turns), scene.count - 1).astype(np.int64)
    below = (scene.u[at] < scene.maker.open_share) * (scene.u[at] > 0.03)
    force = scene.ticks(turns, lognormal(rng, turns.size, 6) * below, 0.5)
    return scene.through("cowl", force, 0.0005) + scene.through("case", force, 0.0002)


def beans(scene: Scene, rng: Rng) -> F32:
    """Some beans in it: cracks that come thick and thin out."""
    seconds = scene.count / scene.rate_hz
    rate = rng.uniform(8, 60)
    at = rng.uniform(0, scene.count, rng.poisson(seconds * rate))
    where = at.astype(np.int64)
    begin = scene.motion.timing.runs[0][0]
    lasting = np.exp(-np.maximum(at / scene.rate_hz - begin, 0) / rng.uniform(2, 15))
    strength = lognormal(rng, at.size, 6) * scene.u[where] * lasting
    crunch = scene.noise(rng, wavy(rng, [(200, -4), (1500, 0), (8000, -8)], 2))[0]
    grains = scene.through("chamber", scene.knocks(at, strength), rng.uniform(2e-4, 1e-3))
    return grains + grains * np.clip(crunch, -2, 2)


def load(scene: Scene, rng: Rng) -> F32:
    """Grinding in earnest: a torrent of cracks and a roar while power is on."""
    seconds = scene.count / scene.rate_hz
    at = rng.uniform(0, scene.count, rng.poisson(seconds * rng.uniform(120, 500)))
    strength = lognormal(rng, at.size, 5) * scene.u[at.astype(np.int64)]
    cracks = scene.through("chamber", scene.knocks(at, strength), rng.uniform(1e-4, 8e-4))
    roar = scene.noise(rng, wavy(rng, [(100, -3), (900, 0), (6000, -6), (12000, -16)], 3))[0]
    roar = roar * scene.law(1.0) * scene.wander(rng, 10, 3)
    feed = 0.15 + np.clip(0.85 + 0.5 * slow(rng, scene.count, scene.rate_hz, 1.0), 0, 1)
    level = np.float32(np.sqrt(np.mean(np.square(cracks)) / (np.mean(np.square(roar)) + 1e-9)))
    return (cracks + np.float32(rng.uniform(0.4, 1.5)) * level * roar) * feed


def ring_squeal(scene: Scene, rng: Rng) -> F32:
    """The ring of the start switch sings in the last turns; harmless."""
    top = rng.uniform(0.15, 0.38)
    hz = rng.uniform(600, 3800)
    drift = slow(rng, scene.count, scene.rate_hz, 8.0)
    phase = np.cumsum(hz * (1 + 0.01 * drift) * (0.85 + 0.5 * scene.u), dtype=np.float64)
    phase = phase / scene.rate_hz + 1
    voice = lookup(SINE, phase) + np.float32(0.4) * lookup(SINE, phase * 2)
    inside = np.clip((top - scene.u) * 12, 0, 1) * np.clip(scene.u * 30, 0, 1)
    falling = np.float32(1.0) - scene.power
    return voice * inside * falling * scene.swing(rng, rng.uniform(0.2, 0.9))


#: Name: source and the phase it is judged in. No source: heard in the motion alone.
SOURCES: dict[str, tuple[Source | None, str]] = {
    "start_switch_stuck_closed": (growl, "steady"),
    "start_switch_stuck_open": (standing_buzz, "powered"),
    "did_not_start": (standing_buzz, "powered"),
    "drag": (drag, "steady"),
    "face_rub": (face_rub, "steady"),
    "loose_part": (loose_part, "turning"),
    "fan_in_switch": (fan_in_switch, "run_up"),
    "beans_in_it": (beans, "steady"),
    "magnetic_growl": (growl, "steady"),
    "speed_sags": (None, "steady"),
    "switch_ring_squeal": (ring_squeal, "near_rest"),
}
#: Other faults that need the grind chamber.
CHAMBER = ("face_rub", "beans_in_it")
#: Other faults a shaft spun by hand can have.
BY_HAND = ("drag", "face_rub", "loose_part", "switch_ring_squeal")
