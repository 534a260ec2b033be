"""Other faults and oddities: what is none of the four, and must not read quiet."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from quietrun.synth.healthy import decaying_gate, unit
from quietrun.synth.kit import (
    CONTROL_HZ,
    Rng,
    angle_noise,
    band_shape,
    chance,
    flowing_noise,
    harmonics,
    hump,
    log_uniform,
    look_up,
    place,
    ramp,
    wandering,
)
from quietrun.synth.parts import (
    Part,
    arc_window,
    part_ring,
    per_turn,
    random_band,
    spans_of,
    speed_gain,
    turning,
)
from quietrun.synth.scene import Scene


def face_rub(scene: Scene, rng: Rng) -> Part:
    """The pre-breaker on its face plate: a deep metallic scrape, part of the turn or all of it."""
    lo, hi = random_band(rng, (180, 900), (1500, 6000))
    gain = speed_gain(scene, rng.uniform(0.4, 0.9))
    noise = flowing_noise(rng, scene.n, [(gain, lambda f: band_shape(f, lo, hi, 1.0))])
    grain = angle_noise(rng, scene.turns, 300, lambda o: band_shape(o, 6, 120, 1.0))
    noise += np.float32(rng.uniform(0, 1.0)) * grain * ramp(gain)
    if chance(rng, 0.6):
        noise *= 0.1 + arc_window(scene.shaft, rng.random(), log_uniform(rng, 0.2, 0.9))
    noise *= per_turn(scene, rng, rng.uniform(0.1, 0.5))
    return Part(noise, noise * np.float32(0.3), "front", None, turning(scene))


def loose_part(scene: Scene, rng: Rng) -> Part:
    """A part that has come loose: knocks without order, driven by the shaking."""
    rate = log_uniform(rng, 1.5, 30)
    count = max(3, int(rate * scene.duration_s))
    times = np.sort(rng.uniform(0, scene.duration_s, count))
    shaking = speed_gain(scene, rng.uniform(0.5, 2.0)) + 0.4 * np.exp(
        -np.square((scene.speed_hz - scene.machine.resonance_hz) / 3.0)
    ) * (scene.v > 0.02)
    sizes = np.exp(rng.normal(0, 0.8, count)) * scene.at(times, shaking)
    bunches = np.clip(1 + 1.5 * wandering(rng, scene.points, log_uniform(rng, 0.1, 1.0), 1.0), 0, 4)
    sizes = sizes * scene.at(times, bunches)
    ring = part_ring(rng, 200, 5000, count=6, quality=log_uniform(rng, 4, 40))
    end = "front" if chance(rng, 0.5) else "rear"
    return Part(place(times, sizes, scene.n), None, end, ring, turning(scene))


def fan_on_switch(scene: Scene, rng: Rng) -> Part:
    """The fan has crept into the start switch: clatter below its release speed, gone at speed."""
    m = scene.machine
    per_turn_hits = int(rng.integers(1, 1 + m.blades))
    first, last = float(scene.turns[0]), float(scene.turns[-1])
    count = int((last - first) * per_turn_hits) + 2
    at = first + (np.arange(count) + rng.normal(0, 0.2, count)) / per_turn_hits
    times = scene.time_at(np.sort(at))
    winding = scene.at(times, scene.motion.winding)
    share = scene.at(times, scene.share)
    coasting = (scene.at(times, scene.powered) < 0.5) & (share < m.closes)
    touching = np.where(coasting, 1.0, winding) * (share > 0.01)
    sizes = touching * np.exp(rng.normal(0, 0.5, times.size)) * (0.3 + 0.7 * np.sqrt(share))
    train = place(times, sizes, scene.n)
    ring = part_ring(rng, 400, 7000, count=6, quality=log_uniform(rng, 4, 20))
    low = (scene.share < m.closes) & (scene.share > 0.05)
    spans = spans_of(np.where(scene.powered > 0.5, scene.motion.winding > 0.5, low))
    return Part(train, None, "rear", ring, spans)


def beans(scene: Scene, rng: Rng) -> Part:
    """Beans in the chamber: cracking and grinding as long as it turns."""
    gain = speed_gain(scene, 0.7) * (scene.v > 0.1)
    low, high = log_uniform(rng, 250, 900), log_uniform(rng, 1500, 5000)
    sway = np.exp(wandering(rng, scene.points, 0.05, 0.35))
    grind = flowing_noise(
        rng,
        scene.n,
        [
            (gain * sway, lambda f: hump(f, low, 5, 6)),
            (0.6 * gain * sway, lambda f: hump(f, high, 5, 6)),
        ],
    )
    count = int(scene.duration_s * log_uniform(rng, 30, 250))
    times = rng.uniform(0, scene.duration_s, count)
    cracks = place(times, np.exp(rng.normal(0, 0.9, count)) * scene.at(times, gain), scene.n)
    return Part(cracks * 3 + grind, 0.5 * grind, "front", None, turning(scene))


def switch_ring_squeal(scene: Scene, rng: Rng) -> Part:
    """The switch ring squeals in the last turns: usually harmless."""
    below = rng.uniform(0.08, 0.3)
    low = (scene.share < below) & (scene.share > 0.004) & (scene.powered < 0.5)
    if scene.recipe.stage == "hand_spin":
        low = (scene.v < 0.6) & (scene.v > 0.03)
    pitch = log_uniform(rng, 500, 4500)
    wander = wandering(rng, scene.points, 0.05, 0.01)
    freq = pitch * (1 + 0.25 * rng.random() * (scene.share - below) / below + wander)
    phase = np.concatenate([[0.0], np.cumsum(freq[:-1] / CONTROL_HZ)])
    steps = phase[:-1, None] + freq[:-1, None] * (np.arange(48) / (48 * CONTROL_HZ))
    tone = unit(harmonics([1.0, *rng.uniform(0, 0.6, 3)], rng))
    gate = np.convolve(low.astype(float), np.hanning(60) / 30, mode="same")
    sound = look_up(tone, steps.reshape(-1)) * ramp(gate)
    sound *= 0.1 + arc_window(scene.shaft, rng.random(), rng.uniform(0.3, 1.5))
    return Part(0.3 * sound, sound, "rear", None, spans_of(low))


def magnetic_growl(scene: Scene, rng: Rng) -> Part:
    """A growl of the iron: rough at multiples of the mains, gone at once with the power."""
    gate = decaying_gate(scene, rng.uniform(0.003, 0.02)) * np.sqrt(scene.current)
    lo, hi = random_band(rng, (80, 400), (700, 3000))
    noise = flowing_noise(rng, scene.n, [(gate, lambda f: band_shape(f, lo, hi, 1.0))])
    depth = rng.uniform(0.3, 1.2)
    beat = np.cumsum(2 * scene.mains_hz - scene.recipe.poles * scene.speed_hz) / CONTROL_HZ
    swell = ramp(1 + rng.uniform(0, 0.6) * np.cos(2 * np.pi * beat))
    table = unit(harmonics(np.exp(rng.normal(0, 0.7, 14)) * 0.75 ** np.arange(14), rng))
    rough = 1 + np.float32(depth) * look_up(table, scene.line)
    lines = np.exp(rng.normal(0, 0.8, 30)) * hump(2 * scene.mains_hz * np.arange(1, 31), 400, 3, 6)
    comb = look_up(unit(harmonics(lines, rng)), scene.line, 2) * ramp(gate)
    sound = (noise * rough + np.float32(rng.uniform(0.2, 1.5)) * comb) * swell
    return Part(sound, 0.3 * sound, "rear", None, turning(scene))


def loose_knocks(scene: Scene, rng: Rng) -> Part:
    """Pieces of a sheared drive knocking about in the base."""
    rate = log_uniform(rng, 2, 14)
    times = np.sort(rng.uniform(0, scene.duration_s, max(3, int(rate * scene.duration_s))))
    sizes = np.exp(rng.normal(0, 0.6, times.size)) * (scene.speed_at(times) > 0.05)
    train = place(times, sizes, scene.n)
    ring = part_ring(rng, 300, 4500, count=6, quality=log_uniform(rng, 6, 40))
    return Part(train, None, "front", ring, turning(scene))


def dry_drag(scene: Scene, rng: Rng) -> Part:
    """Packed grounds or a tight fit: a soft brushing, far quieter than what it takes."""
    gain = speed_gain(scene, 0.6) * np.exp(wandering(rng, scene.points, 0.2, 0.2))
    lo, hi = random_band(rng, (200, 900), (1200, 5000))
    noise = flowing_noise(rng, scene.n, [(gain, lambda f: band_shape(f, lo, hi, 1.0))])
    return Part(noise, None, "front", None, turning(scene))


Model = Callable[[Scene, Rng], Part]
#: other fault -> (its sound, audibility in dB at 0 and at 1)
SOUNDS: dict[str, tuple[Model, tuple[float, float]]] = {
    "face_rub": (face_rub, (-4, 20)),
    "loose_part": (loose_part, (0, 22)),
    "fan_on_switch": (fan_on_switch, (0, 22)),
    "beans": (beans, (8, 30)),
    "switch_ring_squeal": (switch_ring_squeal, (0, 30)),
    "magnetic_growl": (magnetic_growl, (0, 20)),
    "start_switch_stuck_closed": (magnetic_growl, (-8, 14)),
    "sheared_drive": (loose_knocks, (2, 20)),
    "drag": (dry_drag, (-25, -8)),
}


__all__ = ["SOUNDS"]
