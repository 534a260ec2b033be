"""Rooms: early echoes and a dying tail, and what goes on in them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from fourth_bench.people import babble, birds, dishes, music, steam, steps
from fourth_bench.tools import (
    F32,
    Paint,
    band,
    convolve,
    db,
    formants,
    harmonic_table,
    high_pass,
    hump,
    log_uniform,
    lookup,
    low_pass,
    rms,
    tilt,
    wander,
)

KINDS = {
    "cafe": ("fridge", "hush", "babble", "radio", "dishes", "steam", "vent", "street", "steps"),
    "bench": ("hush", "street", "radio", "vent", "compressor", "fridge", "steps"),
    "yard": ("hush", "street", "birds", "vent", "steps"),
    "cellar": ("hush", "fridge", "vent", "compressor"),
    "hall": ("hush", "babble", "vent", "dishes", "street", "steps"),
    "van": ("hush", "street", "compressor", "birds"),
}


@dataclass(frozen=True, slots=True)
class Room:
    """One place: its echo and its noises are seeded by ``seed``."""

    name: str
    kind: str
    seed: int


def draw_room(rng: Generator, number: int) -> Room:
    """One room."""
    kind = str(rng.choice(list(KINDS)))
    return Room(f"{kind}-{number:02d}", kind, int(rng.integers(2**31)))


def echo(room: Room, rng: Generator, rate_hz: int) -> F32:
    """Response from machine to phone; the place of the phone differs clip by clip."""
    own = np.random.default_rng(room.seed)
    scale = {"cafe": 0.5, "bench": 0.4, "yard": 0.12, "cellar": 0.9, "hall": 1.1, "van": 0.15}
    rt = scale[room.kind] * log_uniform(own, 0.6, 1.5)
    n = int(min(1.2, rt) * rate_hz)
    t = np.arange(n) / rate_hz
    if own.random() < 0.5:
        # velvet: a few thousand unit pulses a second
        dense = own.uniform(1500, 4000)
        raw = np.zeros(n)
        raw[own.integers(0, n, int(dense * n / rate_hz))] = 1.0
        raw *= rng.choice((-1.0, 1.0), n)
        raw *= np.sqrt(rate_hz / dense)
    else:
        raw = rng.standard_normal(n)
    bright = raw * np.exp(-6.9 * t / (rt * own.uniform(0.3, 0.6)))
    dark = raw * np.exp(-6.9 * t / rt)
    tail = bright + own.uniform(1, 3) * low_pass(
        dark.astype(np.float32), rate_hz, own.uniform(800, 3000)
    )
    tail *= 1 - np.exp(-t / own.uniform(0.003, 0.02))
    tail /= np.sqrt(np.sum(tail**2)) + 1e-9
    out = np.zeros(n)
    ratio = rng.uniform(-4, 14) - 4 * (rt > 0.6)
    out += tail * db(-ratio)
    delays = rng.uniform(0.0006, 0.035, int(own.integers(3, 14)))
    for d in delays[(delays * rate_hz).astype(int) < n]:
        out[int(d * rate_hz)] += rng.choice((-1, 1)) * rng.uniform(0.1, 0.7) * 0.002 / (0.002 + d)
    out[0] += 1.0
    return out.astype(np.float32)


def _fridge(rng: Generator, n: int, rate_hz: int, mains_hz: float) -> F32:
    k = np.arange(1, 16)
    amps = rng.lognormal(0, 0.8, k.size) * k ** -rng.uniform(0.8, 1.8) * (1 + 2 * (k % 2 == 0))
    hum = lookup(harmonic_table(amps, rng), np.arange(n) * (mains_hz / rate_hz))
    rattle = lookup(
        harmonic_table(rng.lognormal(0, 0.5, 8), rng),
        np.arange(n) * (mains_hz * rng.uniform(0.94, 0.985) / rate_hz),
    )
    return hum * (1 + 0.1 * wander(rng, n, rate_hz, 0.5)) + 0.2 * rattle


def _compressor(rng: Generator, n: int, rate_hz: int, mains_hz: float) -> F32:
    hz = log_uniform(rng, 8, 40)
    cycles = np.arange(n) * (hz / rate_hz)
    puff = lookup(harmonic_table(rng.lognormal(0, 0.5, 20) / np.arange(1, 21) ** 0.8, rng), cycles)
    p = Paint(n, rate_hz)
    hiss = p.noise(rng, band(p.freqs, 300, 3000))
    return puff + 0.3 * hiss * np.clip(1 + puff / (rms(puff) * 2), 0, 3)


def _vent(rng: Generator, n: int, rate_hz: int, mains_hz: float) -> F32:
    p = Paint(n, rate_hz)
    shape = hump(p.freqs, log_uniform(rng, 120, 900), 1.6) * formants(rng, p.freqs, 5, 3.0)
    tone = np.sin(2 * np.pi * log_uniform(rng, 90, 400) * np.arange(n, dtype=np.float64) / rate_hz)
    return p.noise(rng, shape) + db(rng.uniform(-40, -12)) * tone.astype(np.float32)


def _street(rng: Generator, n: int, rate_hz: int, mains_hz: float) -> F32:
    p = Paint(n, rate_hz)
    swell = np.exp(0.8 * wander(rng, p.frames, rate_hz / 512, rng.uniform(0.1, 0.5)))
    gain = tilt(p.freqs, rng.uniform(-7, -3), 300.0) * swell[:, None]
    return p.noise(rng, gain.astype(np.float32))


def _hush(rng: Generator, n: int, rate_hz: int, mains_hz: float) -> F32:
    p = Paint(n, rate_hz)
    return p.noise(rng, tilt(p.freqs, rng.uniform(-6, -2)) * formants(rng, p.freqs, 4, 3.0))


def _from_people(name: str, rng: Generator, n: int, rate_hz: int) -> F32:
    made = {"babble": babble, "radio": music, "dishes": dishes, "steam": steam, "birds": birds,
            "steps": steps}[name](rng, n, rate_hz)  # fmt: skip
    far = low_pass(made, rate_hz, rng.uniform(1500, 7000), 1)
    return high_pass(far, rate_hz, rng.uniform(80, 300))


STEADY = {"fridge": _fridge, "compressor": _compressor, "vent": _vent, "street": _street,
          "hush": _hush}  # fmt: skip
PATCHY = ("babble", "radio", "dishes", "steam", "birds", "steps")


def ambience(room: Room, rng: Generator, n: int, rate_hz: int, mains_hz: float) -> F32:
    """Noise of the room, unit level above 100 Hz."""
    own = np.random.default_rng([room.seed, 1])
    choices = KINDS[room.kind]
    picked = [name for name in choices if own.random() < 0.45 and name != "hush"][:3]
    levels = {name: own.uniform(-14, 3) for name in picked}
    levels["hush"] = own.uniform(-6, 0)
    patchy_down = own.uniform(4, 14)
    out = np.zeros(n, dtype=np.float32)
    for name, level in levels.items():
        if name in PATCHY:
            if rng.random() < 0.4:
                continue
            made, level = _from_people(name, rng, n, rate_hz), level - patchy_down
        else:
            made = STEADY[name](rng, n, rate_hz, mains_hz)
        out += made * np.float32(db(level) / rms(high_pass(made, rate_hz, 100.0)))
    return np.asarray(out / np.float32(rms(high_pass(out, rate_hz, 100.0))))


__all__ = ["KINDS", "Room", "ambience", "convolve", "draw_room", "echo"]
