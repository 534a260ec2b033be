"""Burr contact: teeth over an arc, ringing tangs, a stick-slip squeal, a light scrape."""

from __future__ import annotations

import numpy as np

from quietrun.synth.kit import (
    CONTROL_HZ,
    FS,
    Rng,
    Signal,
    band_shape,
    flowing_noise,
    harmonics,
    log_uniform,
    look_up,
    ramp,
    rings,
    wandering,
)
from quietrun.synth.parts import (
    Part,
    arc_window,
    contact_spans,
    event_train,
    part_ring,
    per_turn,
    random_band,
    speed_gain,
    touching,
    waved,
)
from quietrun.synth.scene import Scene


def _gated(scene: Scene, sound: Signal) -> Signal:
    gate = touching(scene)
    return sound if gate is None else sound * gate


def tooth_pass(scene: Scene, rng: Rng) -> Part:
    """Toothed faces out of parallel: a burst of tooth passes over an arc, once a turn."""
    share = log_uniform(rng, 0.08, 1.4)
    teeth = scene.machine.teeth
    first, last = float(scene.turns[0]), float(scene.turns[-1])
    at = first + np.arange(int((last - first) * teeth)) / teeth
    fixed = np.exp(rng.normal(0, rng.uniform(0.1, 0.6), teeth))
    size = fixed[np.arange(at.size) % teeth] * np.exp(rng.normal(0, rng.uniform(0.1, 0.5), at.size))
    size *= arc_window(at, rng.random(), share, rng.uniform(0.5, 1.5))
    at = at + rng.normal(0, 0.03 / teeth, at.size)
    train = event_train(scene, np.sort(at), size, rng.uniform(0.6, 1.2))
    train *= per_turn(scene, rng, rng.uniform(0.05, 0.4))
    ring = part_ring(rng, 1500, 9000, count=5, quality=log_uniform(rng, 5, 40))
    return Part(_gated(scene, train), None, "front", ring, contact_spans(scene), {"arc": share})


def ringing_tangs(scene: Scene, rng: Rng) -> Part:
    """Burrs struck now and then by a tooth: metal ringing, 2 to 9 kHz."""
    rate = log_uniform(rng, 0.5, 8.0)
    first, last = float(scene.turns[0]), float(scene.turns[-1])
    count = int((last - first) * rate) + 2
    at = first + np.sort(rng.random(count)) * (last - first)
    size = np.exp(rng.normal(0, 0.6, count))
    size *= 0.15 + arc_window(at, rng.random(), rng.uniform(0.2, 1.0))
    train = event_train(scene, at, size, rng.uniform(0.5, 1.2))
    freqs = np.clip(scene.machine.burr_modes, 1500, 11000) * np.exp(rng.normal(0, 0.02, 7))
    quality = np.exp(rng.uniform(np.log(40), np.log(300), 7))
    ring = rings(freqs, quality, rng.normal(0, 1, 7), length_s=0.2)
    air = _gated(scene, train)
    return Part(air, None, "front", ring / np.sqrt(np.sum(np.square(ring))), contact_spans(scene))


def squeal(scene: Scene, rng: Rng) -> Part:
    """Stick-slip: a squeal held by a resonance, breaking on and off, hardly moving with speed."""
    share = log_uniform(rng, 0.15, 1.2)
    pitch = log_uniform(rng, 1500, 7000)
    pull = rng.uniform(0, 0.12)
    wander = wandering(
        rng, scene.points, log_uniform(rng, 0.01, 0.1), log_uniform(rng, 0.0005, 0.01)
    )
    freq = pitch * (1 + pull * (scene.v - 1) + wander)
    phase = np.concatenate([[0.0], np.cumsum(freq / CONTROL_HZ)])
    steps = phase[:-1, None] + freq[:, None] * (np.arange(48) / (48 * CONTROL_HZ))
    tone = harmonics([1.0, *(rng.uniform(0, 0.6, 4) * 0.6 ** np.arange(4))], rng)
    sound = look_up(tone, steps.reshape(-1)[: scene.n])
    force = wandering(rng, scene.points, log_uniform(rng, 0.05, 0.4), 1.0)
    gate = np.clip(4 * (force + rng.uniform(-0.2, 1.0)), 0, 1) * (scene.v > rng.uniform(0.02, 0.15))
    sound *= ramp(gate * speed_gain(scene, rng.uniform(0.1, 0.6)))
    if share < 1.0:
        sound *= arc_window(scene.shaft, rng.random(), share, 0.5)
    sound *= per_turn(scene, rng, rng.uniform(0.1, 0.6))
    lo, hi = random_band(rng, (1000, 3000), (4000, 12000))
    hiss = flowing_noise(
        rng,
        scene.n,
        [(0.2 * rng.random() * speed_gain(scene, 0.8), lambda f: band_shape(f, lo, hi))],
    )
    return Part(None, _gated(scene, sound + hiss), "front", None, contact_spans(scene))


def face_scrape(scene: Scene, rng: Rng) -> Part:
    """Whole faces brushing: a bright hiss with the tooth pass and the turn in it."""
    lo, hi = random_band(rng, (1200, 4000), (5000, 14000))
    gain = speed_gain(scene, rng.uniform(0.5, 1.1))
    noise = flowing_noise(rng, scene.n, [(gain, lambda f: band_shape(f, lo, hi, 1.0))])
    noise *= waved(scene, float(scene.machine.teeth), rng, float(rng.uniform(0, 0.8)))
    noise *= waved(scene, 1.0, rng, float(rng.uniform(0, 0.6)))
    sway = np.exp(wandering(rng, scene.points, 0.15, rng.uniform(0.05, 0.3)))
    noise *= ramp(sway)
    force = np.float32(rng.uniform(0.1, 1))
    noise = _gated(scene, noise)
    return Part(
        noise * force, noise * np.float32(rng.uniform(0.1, 1)), "front", None, contact_spans(scene)
    )


def chirps(scene: Scene, rng: Rng) -> Part:
    """A light touch at the high spot: a short chirp on many turns, each starting at once."""
    first, last = float(scene.turns[0]), float(scene.turns[-1])
    at = np.arange(np.floor(first), last) + rng.random()
    at = at + rng.normal(0, rng.uniform(0.005, 0.05), at.size)
    heard = rng.random(at.size) < rng.uniform(0.3, 1.0)
    size = np.exp(rng.normal(0, 0.5, at.size)) * heard
    length = log_uniform(rng, 0.004, 0.03)
    pitch, slide = log_uniform(rng, 1800, 7500), rng.uniform(-0.15, 0.15)
    t = np.arange(int(4 * length * FS)) / FS
    freq = pitch * (1 + slide * np.exp(-t / length))
    phase = 2 * np.pi * np.cumsum(freq) / FS
    ring = np.zeros(t.size)
    for k in range(1, 4):
        ring += rng.uniform(0, 1) / k * np.sin(k * phase) * (k * pitch < 20_000)
    ring *= np.minimum(t / 0.001, 1) * np.exp(-t / length)
    ring /= np.sqrt(np.sum(np.square(ring))) + 1e-12
    train = _gated(scene, event_train(scene, at, size, rng.uniform(0.1, 0.8)))
    return Part(train, None, "front", ring.astype(np.float32), contact_spans(scene))


MODELS = {
    "chirps": chirps,
    "tooth_pass": tooth_pass,
    "ringing_tangs": ringing_tangs,
    "squeal": squeal,
    "face_scrape": face_scrape,
}
