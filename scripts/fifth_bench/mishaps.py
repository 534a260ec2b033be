"""Sounds of recordings that went wrong: another machine, hands on the phone."""

from __future__ import annotations

import numpy as np

from fifth_bench.basics import F32, SINE, Rng, lookup, shaped_noise, slow, wavy


def other_machine(rng: Rng, count: int, rate_hz: float) -> tuple[F32, float, float]:
    """A machine with brushes (a drill, a blender, a cleaner); sound, on and off in seconds."""
    seconds = count / rate_hz
    on_s, off_s = rng.uniform(0.4, 1.5), seconds - rng.uniform(1.2, 2.5)
    time_s = np.arange(count) / rate_hz
    top_hz = rng.uniform(130, 480)
    rise, fall = rng.uniform(0.15, 0.8), rng.uniform(0.3, 1.2)
    speed = np.clip(1 - np.exp(-(time_s - on_s) / rise), 0, 1) * (time_s >= on_s)
    after = time_s >= off_s
    speed[after] = speed[int(off_s * rate_hz) - 1] * np.exp(-(time_s[after] - off_s) / fall)
    speed[speed < 0.02] = 0.0
    speed *= 1 + 0.015 * slow(rng, count, rate_hz, 1.5)
    turn = np.cumsum(speed) * top_hz / rate_hz
    bars = float(rng.choice([16, 20, 22, 24, 28, 32]))
    out = np.zeros(count, np.float32)
    for order, strength in ((1, 0.5), (2, 0.3), (bars, 0.8), (2 * bars, 0.3), (bars / 2, 0.2)):
        if order * top_hz < 0.42 * rate_hz:
            out += np.float32(strength * rng.uniform(0.3, 1)) * lookup(SINE, turn * order)
    if rng.random() < 0.6:
        gear = rng.uniform(0.05, 0.3) * float(rng.integers(7, 30))
        out += np.float32(rng.uniform(0.2, 0.8)) * lookup(SINE, turn * gear)
    wind = shaped_noise(rng, count, rate_hz, wavy(rng, [(100, -8), (1200, 0), (9000, -12)], 3))[0]
    level = speed.astype(np.float32)
    return (0.6 * out * level**1.3 + rng.uniform(0.3, 0.9) * wind * level**2.5), on_s, off_s


def handling(rng: Rng, count: int, rate_hz: float) -> F32:
    """Thumps and rubbing of a phone in a restless hand; peak about 1."""
    out = np.zeros(count, np.float32)
    for _ in range(int(rng.integers(6, 18))):
        at = int(rng.uniform(0, count))
        n = min(int(rng.uniform(0.03, 0.5) * rate_hz), count - at)
        t = np.arange(n) / rate_hz
        if rng.random() < 0.5:
            hz = rng.uniform(25, 120)
            piece = np.sin(2 * np.pi * hz * t) * np.exp(-t / rng.uniform(0.02, 0.08))
            piece += 0.3 * rng.standard_normal(n) * np.exp(-t / 0.004)
        else:
            rub = np.convolve(rng.standard_normal(n), np.hanning(48) / 8, mode="same")
            piece = 1.2 * rub * np.sin(np.pi * np.arange(n) / max(n, 1))
        out[at : at + n] += (piece * 10 ** rng.normal(0, 0.25)).astype(np.float32)
    return out
