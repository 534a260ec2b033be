"""Recording problems, as things that happen to a recording."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy import signal

from second_bench.grains import (
    F32,
    a_level_db,
    band_curve,
    by_angle,
    convolve,
    measured_curve,
    pattern,
    rms,
    shaped_noise,
    slow_noise,
    strikes,
    struck_body,
    wander,
)
from second_bench.phones import Phone, squeeze
from second_bench.rooms import talk


def near_talk(rng: np.random.Generator, n: int, rate_hz: float, over_db: float) -> F32:
    """One voice beside the phone, A-weighted level while it speaks."""
    voice = talk(rng, n, rate_hz, 1)
    return voice * np.float32(10.0 ** ((over_db - a_level_db(voice, rate_hz)) / 20.0))


def handling(rng: np.random.Generator, n: int, rate_hz: float, over: float) -> F32:
    """Bumps and rubs of a hand on the phone's case; ``over`` is their amplitude."""
    end_s = n / rate_hz
    bumps = np.sort(rng.uniform(0, end_s, int(rng.integers(8, 25))))
    blow = struck_body(rng, rate_hz, (60.0, 500.0), 0.04)
    out = convolve(strikes(n, rate_hz, bumps, rng.gamma(2.0, 0.5, bumps.size)), blow)
    out /= np.float32(np.max(np.abs(out)) + 1e-9)
    rub = shaped_noise(rng, n, rate_hz, band_curve(80, 2500, 6))
    spells = np.maximum(0.0, wander(rng, n, rate_hz, 3.0, 0.4) - 0.6)
    spells /= np.float32(np.max(spells) + 1e-9)
    return np.asarray(np.float32(over) * (out + 0.35 * rub * spells), dtype=np.float32)


def crunching(rng: np.random.Generator, n: int, rate_hz: float, share: F32) -> F32:
    """Beans between the burrs: dense cracks over a roar; rms about 1."""
    end_s = n / rate_hz
    times = np.cumsum(rng.gamma(0.8, 1 / (0.8 * rng.uniform(150, 500)), int(700 * end_s)))
    times = times[times < end_s]
    crack = convolve(
        strikes(n, rate_hz, times, rng.gamma(0.5, 1.0, times.size)),
        struck_body(rng, rate_hz, (700.0, 6000.0), 0.004),
    )
    roar = shaped_noise(rng, n, rate_hz, measured_curve(rng, 900, 5, 5))
    level = 1.0 + 0.2 * slow_noise(rng, n, rate_hz, 6.0)
    out = (crack / (rms(crack) + 1e-9) + 0.7 * roar) * level * np.maximum(share, 0.0)
    return np.asarray(out / (rms(out) + 1e-9), dtype=np.float32)


def commutator_machine(rng: np.random.Generator, rate_hz: float) -> tuple[F32, dict[str, float]]:
    """A brush motor: no tie to the mains, whine that wanders, quick start and stop."""
    lead_s, up_s, on_s, down_s = (
        rng.uniform(0.5, 2.0),
        rng.uniform(0.1, 0.5),
        rng.uniform(2.0, 6.0),
        rng.uniform(0.4, 2.0),
    )
    end_s = lead_s + up_s + on_s + down_s + rng.uniform(0.5, 1.5)
    n = int(end_s * rate_hz)
    at = np.arange(n) / rate_hz
    knots_s = [0, lead_s, lead_s + up_s, lead_s + up_s + on_s, end_s]
    share = np.interp(at, knots_s, [0, 0, 1, 1, 1])
    off_s = lead_s + up_s + on_s
    falling = np.exp(-np.maximum(0.0, at - off_s) / (down_s / 3.5))
    share = np.where(at > off_s + down_s, 0.0, share * falling).astype(np.float32)
    share *= 1.0 + 0.01 * wander(rng, n, rate_hz, 2.0, 0.8) + 0.015 * slow_noise(rng, n, rate_hz, 3)
    turn_hz = rng.uniform(110.0, 420.0)
    turns = np.cumsum(np.maximum(share, 0), dtype=np.float64) * (turn_hz / rate_hz)
    slots = int(rng.integers(9, 25))
    comb = pattern(
        rng,
        (np.arange(slots) + rng.normal(0, 0.08, slots)) / slots,
        np.full(slots, 0.2 / slots),
        1 + rng.normal(0, 0.2, slots),
    )
    whine = by_angle(comb - comb.mean(), turns) * share
    brush = shaped_noise(rng, n, rate_hz, band_curve(2000, 9000, 6)) * by_angle(comb, turns)
    air = shaped_noise(rng, n, rate_hz, measured_curve(rng, 1500, 5, 5))
    power = np.maximum(share, 0.0)
    out = whine / rms(whine) * rng.uniform(0.5, 1.5) + 0.7 * air * power**2.5 + 0.6 * brush * power
    return out.astype(np.float32), {"on": float(lead_s), "off": float(off_s)}


def low_pass(x: F32, rate_hz: float, edge_hz: float) -> F32:
    """Steep upper band edge of a headset or an old codec."""
    sos = signal.cheby2(10, 60, edge_hz * 1.08, fs=rate_hz, output="sos")
    return np.asarray(signal.sosfilt(sos, x), dtype=np.float32)


def clipped(rng: np.random.Generator, x: F32) -> F32:
    """Far too much gain."""
    loud = float(np.quantile(np.abs(x), 0.98)) + 1e-9
    gain = np.float32(10.0 ** (rng.uniform(6, 16) / 20.0) / loud)
    return np.asarray(np.clip(x * gain, -1.0, 1.0), dtype=np.float32)


def riding(rng: np.random.Generator, x: F32, rate_hz: float) -> F32:
    """A gain control that wants one level for everything."""
    y = squeeze(x, rate_hz, rng.uniform(0.6, 0.95), rng.uniform(0.05, 0.3), rng.uniform(0.5, 2.5))
    return np.asarray(y * np.float32(0.5 / (np.max(np.abs(y)) + 1e-9)), dtype=np.float32)


def gated(rng: np.random.Generator, x: F32, rate_hz: float, on_s: float, off_s: float) -> F32:
    """Noise suppression: the room is cut to nothing, the steady machine sinks away."""
    at = np.arange(x.size) / rate_hz
    running = (at > on_s) & (at < off_s)
    hold = rng.uniform(0.4, 1.0)
    sunk = 10.0 ** (-rng.uniform(14, 32) / 20.0)
    fade = np.exp(-np.maximum(0.0, at - on_s - hold) / rng.uniform(0.3, 0.9))
    gain = np.where(running, np.maximum(fade, sunk), 0.0006)
    late = np.exp(-np.maximum(0.0, at - off_s) / 0.25)
    gain = np.where(at >= off_s, np.maximum(0.0006, sunk * late), gain)
    smooth = np.hanning(int(0.03 * rate_hz))
    gain = signal.oaconvolve(gain, smooth / smooth.sum(), mode="same")
    return np.asarray(x * np.maximum(gain, 0.0), dtype=np.float32)


def nothing(rng: np.random.Generator, phone: Phone) -> F32:
    """Zeros, dither, or a constant."""
    n = int(rng.uniform(4, 14) * phone.rate_hz)
    kind = int(rng.integers(0, 3))
    if kind == 0:
        return np.zeros(n, dtype=np.float32)
    if kind == 1:
        return (rng.integers(-1, 2, n) / 32768.0).astype(np.float32)
    return np.full(n, rng.uniform(-0.02, 0.02), dtype=np.float32)


def cut_bytes(path: Path, keep: float) -> None:
    """Lose the end of a file."""
    data = path.read_bytes()
    path.write_bytes(data[: max(64, int(len(data) * keep))])
