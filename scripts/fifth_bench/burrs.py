"""Eight ways in which flat burrs touch."""

from __future__ import annotations

import numpy as np

from fifth_bench.basics import F32, SINE, Rng, arc, lookup, slow, wavy
from fifth_bench.scene import Scene, lognormal


def _arc(scene: Scene, rng: Rng, low: float = 0.05, high: float = 0.5) -> F32:
    table = arc(rng.uniform(0, 1), rng.uniform(low, high), rng.uniform(0.2, 1.0))
    return scene.table(table)


def _note(scene: Scene, rng: Rng) -> float:
    """One of the plate's own notes, as far as a phone and an ear still take it."""
    notes = scene.body.rings_hz[scene.body.rings_hz < scene.top_hz]
    return float(rng.choice(notes)) if notes.size else float(rng.uniform(0.3, 0.9) * scene.top_hz)


def teeth_over_arc(scene: Scene, rng: Rng) -> F32:
    """Teeth meet over an arc of the turn and the plate rings with each."""
    order = float(scene.maker.teeth)
    turns = scene.at_angle(rng, order, rng.uniform(0.02, 0.2))
    at = np.minimum(scene.when(turns), scene.count - 1).astype(np.int64)
    strength = lognormal(rng, turns.size, 3) * _arc(scene, rng)[at]
    force = scene.ticks(turns, strength, rng.uniform(0.5, 1.2))
    force = force * scene.wander(rng, 2.0, 2.0)
    return scene.through("plate", force, rng.uniform(0.0, 0.0002))


def zero_chirp(scene: Scene, rng: Rng) -> F32:
    """The chirp point: once a turn the high spot sings for a moment, gliding a little."""
    window = _arc(scene, rng, 0.05, 0.25)
    whole = np.linspace(0, 2 * np.pi, 16384, endpoint=False)
    glide = scene.table(np.cos(whole).astype(np.float32))
    voice = np.zeros(scene.count, np.float32)
    for _ in range(int(rng.integers(1, 4))):
        step = _note(scene, rng) * (1 + rng.uniform(-0.04, 0.04) * glide)
        phase = np.cumsum(step, dtype=np.float64) / scene.rate_hz
        voice += np.float32(rng.uniform(0.3, 1)) * lookup(SINE, phase)
    grain = scene.noise(rng, wavy(rng, [(500, -16), (2500, 0), (7000, 0), (12000, -8)], 3))[0]
    voice += np.float32(rng.uniform(0.1, 0.5)) * grain
    gust = scene.wander(rng, 6.0, rng.uniform(1, 5)) * np.clip(scene.u * 5, 0, 1)
    sung = voice * window * gust
    return scene.through("plate", sung * scene.law(0.6)) + sung


def full_face(scene: Scene, rng: Rng) -> F32:
    """Faces rub all round: a harsh grind, rough at tooth pass, that brakes."""
    middle = rng.uniform(1200, 6000)
    force = scene.noise(rng, wavy(rng, [(150, -14), (middle / 2, -2), (middle, 0), (12000, -8)], 3))
    teeth = scene.swing(rng, rng.uniform(0.2, 0.9), float(scene.maker.teeth))
    force = force[0] * teeth * scene.swing(rng, rng.uniform(0.1, 0.7))
    force = force * scene.wander(rng, 20.0, 2.0) * scene.law(rng.uniform(0.6, 1.4))
    return scene.through("plate", force)


def stray_ting(scene: Scene, rng: Rng) -> F32:
    """Tip meets tip now and then: clear tings, far apart, at much the same angle."""
    turns = np.arange(1, int(scene.turn[-1]) + 1) + rng.uniform(0, 1)
    turns = turns + rng.normal(0, 0.02, turns.size)
    often = rng.uniform(0.05, 0.4)
    spell = np.clip(slow(rng, turns.size, 1.0, 0.08) + 0.7, 0.1, 2)
    keep = rng.random(turns.size) < often * spell
    force = scene.ticks(np.sort(turns[keep]), lognormal(rng, int(keep.sum()), 5), 0.8)
    return scene.through("plate", force, 0.0)


def steel_scream(scene: Scene, rng: Rng) -> F32:
    """Steel on steel screams: a note with harmonics that starts and stops by itself."""
    hz = _note(scene, rng)
    drift = slow(rng, scene.count, scene.rate_hz, 6.0)
    phase = np.cumsum(hz * (1 + 0.006 * drift), dtype=np.float64) / scene.rate_hz
    voice = sum(
        np.float32(1 / k**1.5) * lookup(SINE, phase * k)
        for k in (1, 2, 3, 5)
        if k * hz < 0.45 * scene.rate_hz
    )
    on = np.clip(3 * slow(rng, scene.count, scene.rate_hz, rng.uniform(0.5, 3)) + 1.5, 0, 1)
    grain = scene.noise(rng, [(500, -20), (4000, 0), (10000, -4)])[0]
    out = (
        voice * scene.swing(rng, rng.uniform(0.2, 0.9)) + np.float32(rng.uniform(0.15, 0.4)) * grain
    )
    return out * on * np.clip(scene.u * 4, 0, 1) * scene.law(0.7)


def grit_between(scene: Scene, rng: Rng) -> F32:
    """Old grounds and a chip between the faces: crunches that thin out as it clears."""
    turns = scene.at_random(rng, rng.uniform(1.5, 12))
    at = np.minimum(scene.when(turns), scene.count - 1).astype(np.int64)
    clears = 0.25 + np.exp(-np.maximum(at / scene.rate_hz - 1.5, 0) / rng.uniform(1.5, 12))
    strength = lognormal(rng, turns.size, 6) * clears
    window = 0.3 + _arc(scene, rng, 0.3, 0.8)[at]
    force = scene.ticks(turns, strength * window, 0.5)
    fine = scene.noise(rng, [(300, -12), (3000, 0), (9000, -8)])[0]
    spread = np.float32(rng.uniform(0.0, 0.03)) * fine * scene.law(0.8)
    return scene.through("plate", force + spread, rng.uniform(0.0001, 0.0009))


def warming_touch(scene: Scene, rng: Rng) -> F32:
    """Set close and growing warm: nothing at first, then a scrape a turn that widens."""
    first = scene.span("steady")
    grow = np.zeros(scene.count, np.float32)
    middle = first.start + int(rng.uniform(-0.3, 0.5) * (first.stop - first.start))
    grow += np.clip(
        (np.arange(scene.count) - middle) / (rng.uniform(0.4, 2.5) * scene.rate_hz), 0, 1
    )
    window = _arc(scene, rng, 0.1, 0.6)
    force = scene.noise(rng, wavy(rng, [(400, -18), (2500, 0), (7000, 0), (12000, -10)], 3))[0]
    force = force * window * grow * scene.law(0.9) * scene.wander(rng, 5.0, 2.0)
    return scene.through("plate", force) + np.float32(0.3) * force


def thrust_kiss(scene: Scene, rng: Rng) -> F32:
    """End play lets the burr come forward as torque comes and goes: a kiss at start and stop."""
    change = np.zeros(scene.count, np.float32)
    change += np.clip(scene.start_in * scene.power, 0, 1)
    for _, off_s in scene.motion.timing.runs:
        begin = int(off_s * scene.rate_hz)
        reach = int(rng.uniform(0.15, 0.8) * scene.rate_hz)
        stop = min(begin + reach, scene.count)
        if begin < scene.count:
            change[begin:stop] += np.linspace(1, 0, reach, dtype=np.float32)[: stop - begin]
    change = np.clip(change, 0, 1) + np.float32(rng.uniform(0.0, 0.15))
    turns = scene.at_angle(rng, float(scene.maker.teeth), 0.15)
    ring = scene.ticks(turns, lognormal(rng, turns.size, 4), 0.6) * np.float32(15)
    rub = scene.noise(rng, [(400, -15), (3000, 0), (10000, -6)])[0] * scene.law(0.7)
    return scene.through("plate", (ring + rub) * change * (0.2 + _arc(scene, rng, 0.2, 0.8)))


MECHANISMS = {
    "teeth_over_arc": (teeth_over_arc, "steady"),
    "zero_chirp": (zero_chirp, "steady"),
    "full_face": (full_face, "steady"),
    "stray_ting": (stray_ting, "steady"),
    "steel_scream": (steel_scream, "steady"),
    "grit_between": (grit_between, "steady"),
    "warming_touch": (warming_touch, "steady"),
    "thrust_kiss": (thrust_kiss, "run_up"),
}
