"""The room: how sound gets to the phone, and what else is heard in it."""

from __future__ import annotations

import numpy as np

from quietrun.synth.families import RoomFamily
from quietrun.synth.kit import (
    FS,
    Floats,
    Rng,
    Signal,
    flowing_noise,
    hump,
    log_uniform,
    wandering,
)


def room_response(
    family: RoomFamily, rng: Rng, *, distance: tuple[float, float] = (0.2, 1.5)
) -> Signal:
    """Impulse response from a source to the phone, direct sound first with size 1.

    Early reflections and a tail that decays faster at high frequencies; the
    nearer the phone, the weaker both are against the direct sound.
    """
    metres = log_uniform(rng, *distance)
    length = int(FS * min(0.85 * family.reverb_s + 0.05, 0.9))
    ir = np.zeros(length, dtype=np.float32)
    ir[0] = 1.0
    bounce = int(family.table_delay_s * FS * np.exp(rng.normal(0, 0.3)))
    ir[max(1, min(bounce, length - 1))] += np.float32(family.table_gain * rng.uniform(0.4, 1.0))
    critical = 0.057 * np.sqrt(60.0 / family.reverb_s) * np.exp(rng.normal(0, 0.25))
    late = metres / max(critical, 0.05)  # diffuse over direct, amplitude at equal energy
    for _ in range(family.reflections):
        delay = log_uniform(rng, 0.002, 0.04)
        ir[int(delay * FS)] += np.float32(rng.normal(0, 1) * metres / (metres + 343.0 * delay))
    t = np.arange(length) / FS
    slow = np.exp(-6.9 * t / family.reverb_s)
    fast = np.exp(-6.9 * t / (family.reverb_s * family.bright))
    noise = rng.standard_normal(length)
    smooth = np.convolve(noise, np.full(8, 0.125), mode="same") * 2.0
    tail = slow * smooth + fast * (noise - 0.5 * smooth)
    tail[: int(0.003 * FS)] = 0.0
    tail *= 0.6 * late / np.sqrt(np.sum(np.square(tail)) + 1e-12)
    ir += tail.astype(np.float32)
    return ir


def room_floor(family: RoomFamily, rng: Rng, n: int, points: int) -> Signal:
    """Steady noise of the room: ventilation, traffic, people far away."""
    slope = family.floor_slope

    def spectrum(f: Floats) -> Floats:
        level = -slope * np.log2(np.maximum(f, 30.0) / 200.0)
        bump = family.floor_hump_db * np.exp(
            -np.square(np.log2(np.maximum(f, 10) / family.floor_hump_hz))
        )
        return np.asarray(10 ** ((level + bump) / 20.0))

    sway = 1.0 + wandering(rng, points, 0.6, 0.08)
    return flowing_noise(rng, n, [(sway, spectrum)])


def speech_shape(f: Floats) -> Floats:
    """Long-term spectrum of speech, roughly."""
    return hump(f, 450.0, 5.0, 7.5)
