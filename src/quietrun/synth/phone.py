"""The phone: its linear path, its gain control, its limits."""

from __future__ import annotations

import numpy as np

from quietrun.synth.families import PhoneFamily
from quietrun.synth.kit import Floats, Rng, Signal, white


def linear_response(phone: PhoneFamily, freqs_hz: Floats) -> np.ndarray:
    """Complex response of microphone and input stage over frequency."""
    f = np.maximum(freqs_hz, 1.0)
    eq = np.interp(np.log(f), np.log(phone.eq_hz), phone.eq_db)
    size = 10 ** (eq / 20.0) / np.sqrt(1 + (f / phone.top_hz) ** 24)
    s = 1j * f / phone.high_pass_hz
    poles = np.exp(
        1j * np.pi / 2 * (1 + (2 * np.arange(phone.high_pass_order) + 1) / phone.high_pass_order)
    )
    high = np.ones_like(s)
    for p in poles:
        high = high * s / (s - p)
    return np.asarray(size * high)


def ride(
    x: Signal, rate_hz: int, *, attack_s: float, release_s: float, range_db: float, target: float
) -> Signal:
    """Automatic gain: pulls the level towards a target, within a range, at its own speeds."""
    block = max(1, rate_hz // 200)
    count = x.size // block + 1
    padded = np.pad(x, (0, count * block - x.size))
    level = np.sqrt(np.square(padded.reshape(count, block)).mean(axis=1)) + 1e-7
    step = block / rate_hz
    up, down = np.exp(-step / attack_s), np.exp(-step / release_s)
    env, out = float(level[0]), []
    for value in level.tolist():
        keep = up if value > env else down
        env = keep * env + (1 - keep) * value
        out.append(env)
    wanted = 20 * np.log10(target / np.asarray(out))
    gain = 10 ** (np.clip(wanted, -range_db, range_db) / 20.0)
    at = np.arange(x.size) / block
    return np.asarray(x * np.interp(at, np.arange(count), gain), dtype=np.float32)


def soft_limit(x: Signal) -> Signal:
    """Limiter as a soft knee towards full scale."""
    return np.asarray(
        np.where(np.abs(x) < 0.6, x, np.sign(x) * (0.6 + 0.39 * np.tanh((np.abs(x) - 0.6) / 0.39))),
        dtype=np.float32,
    )


def self_noise(phone: PhoneFamily, rng: Rng, n: int) -> Signal:
    """Noise of the microphone and its amplifier."""
    return white(rng, n) * np.float32(10 ** (phone.noise_dbfs / 20.0))
