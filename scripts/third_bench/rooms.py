"""Rooms (delay networks and mirror images) and what else is heard in them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from third_bench.base import (
    COSINE,
    F32,
    Rng,
    convolve,
    events,
    modal_path,
    read,
    shaped_noise,
    slow,
    spread,
    uniform,
    white,
)
from third_bench.kernels import TABLE, TURN, delay_network
from third_bench.voices import music, speech

KINDS = ("cafe", "workshop", "garage", "back_room", "kitchen")


@dataclass(frozen=True, slots=True)
class Room:
    """Size, damping and which sources sound in it."""

    name: str
    seed: tuple[int, ...]
    size_m: tuple[float, float, float]
    decay_s: float
    sources: dict[str, float]  # dB against each other


def draw_room(seed: tuple[int, ...], number: int) -> Room:
    """A room from its seed alone."""
    rng = np.random.default_rng([*seed, 0])
    kind = KINDS[int(rng.integers(0, len(KINDS)))]
    side = sorted(rng.uniform(2.2, 11.0, 2))
    sources = {"hiss": 0.0}
    likely = {
        "fridge": 0.5,
        "vent": 0.6,
        "street": 0.4,
        "babble": 0.25,
        "radio": 0.2,
        "dishes": 0.2,
    }
    for name, chance in likely.items():
        if rng.random() < chance + (0.2 if kind == "cafe" else 0.0):
            sources[name] = uniform(rng, -8.0, 12.0)
    return Room(
        f"{kind}-{number:03d}",
        seed,
        (float(side[0]), float(side[1]), uniform(rng, 2.2, 4.2)),
        spread(rng, 0.12, 1.1),
        sources,
    )


def room_response(rng: Rng, room: Room, rate_hz: float) -> F32:
    """Impulse response from the machine to the phone, direct sound first."""
    n = int(min(room.decay_s, 0.7) * rate_hz)
    own = np.random.default_rng([*room.seed, 1])
    distance = spread(rng, 0.12, 1.6)
    sides = np.array(room.size_m)
    out = np.zeros(n)
    if own.random() < 0.5:
        count = int(own.choice((8, 12, 16)))
        mean = sides.mean() / 343.0
        delays = np.unique((own.uniform(0.35, 1.6, count) * mean * rate_hz).astype(np.int64) + 3)
        gains = 10.0 ** (-3.0 * delays / rate_hz / room.decay_s)
        tail = delay_network(
            n,
            delays,
            gains,
            own.uniform(0.05, 0.6, delays.size),
            own.choice((-1.0, 1.0), delays.size) / np.sqrt(delays.size),
        )
        late = 0.25 * tail / (np.sqrt(np.sum(tail**2)) + 1e-12)
        out += late * spread(rng, 0.3, 2.5) * np.sqrt(distance)
    else:
        out += _images(rng, own, room, rate_hz, n, distance)
    # the bench under the phone: one early mirror of the direct sound
    if rng.random() < 0.6:
        late_s = uniform(rng, 0.0002, 0.003)
        out[min(n - 1, int(late_s * rate_hz) + 1)] += uniform(rng, 0.15, 0.55)
    out[0] += 1.0
    return out.astype(np.float32)


def _images(rng: Rng, own: Rng, room: Room, rate_hz: float, n: int, distance: float) -> F32:
    """Mirror images of a box, walls duller at each bounce, relative to the direct sound."""
    sides = np.array(room.size_m)
    order = 9
    grid = np.arange(-order, order + 1)
    x, y, z = np.meshgrid(grid, grid, np.arange(-4, 5), indexing="ij")
    cell = np.stack([x.ravel(), y.ravel(), z.ravel()], axis=1)
    source = sides * rng.uniform(0.2, 0.8, 3)
    away = rng.normal(size=3)
    phone = source + distance * away / np.linalg.norm(away)
    phone = np.clip(phone, 0.05, sides - 0.05)
    at = np.where(cell % 2 == 0, cell * sides + source, (cell + 1) * sides - source)
    far = np.linalg.norm(at - phone, axis=1)
    bounces = np.abs(cell).sum(axis=1)
    keep = bounces > 0
    volume, area = (
        float(np.prod(sides)),
        2.0 * float(sides[0] * sides[1] + sides[1] * sides[2] + sides[0] * sides[2]),
    )
    absorbed = np.clip(0.161 * volume / area / room.decay_s, 0.05, 0.8)
    strength = distance / np.maximum(far, 0.1) * (1.0 - absorbed) ** (bounces / 2.0)
    late = np.maximum(far - distance, 0.0) / 343.0 * rate_hz + 1.0
    sign = np.where(own.random(bounces.size) < 0.9, 1.0, -1.0)
    spikes = events(n, late[keep], (strength * sign)[keep])
    dull = own.uniform(0.2, 0.7)
    duller = np.convolve(spikes, (1.0 - dull) * dull ** np.arange(24), "full")[:n]
    return 0.5 * spikes + duller


def ambience(rng: Rng, room: Room, n: int, rate_hz: float, mains_hz: float) -> F32:
    """Sound of the room without the machine, unit A-weighted level not assured."""
    out = np.zeros(n, dtype=np.float32)
    makers = {
        "hiss": _hiss,
        "fridge": _fridge,
        "vent": _vent,
        "street": _street,
        "babble": _babble,
        "radio": _radio,
        "dishes": _dishes,
    }
    for name, level_db in room.sources.items():
        sound = makers[name](rng, n, rate_hz, mains_hz)
        sound /= float(sound.std()) + 1e-9
        out += np.float32(10 ** ((level_db + rng.normal(0, 2.0)) / 20.0)) * sound
    return out / (float(out.std()) + 1e-9)


def _hiss(rng: Rng, n: int, rate_hz: float, mains_hz: float) -> F32:
    tilt = uniform(rng, -7.0, -2.0)
    points = [40.0, 160.0, 640.0, 2560.0, 10240.0, 24000.0]
    return shaped_noise(rng, n, rate_hz, points, [2.0 * k * tilt + rng.normal() for k in range(6)])


def _fridge(rng: Rng, n: int, rate_hz: float, mains_hz: float) -> F32:
    t = np.arange(n) / rate_hz
    out = 0.2 * shaped_noise(rng, n, rate_hz, [60.0, 400.0, 2000.0, 24000.0], [0, -6, -22, -45])
    angle = np.arange(TABLE) * (TURN / TABLE)
    mains, shaft = np.zeros(TABLE), np.zeros(TABLE)
    for k in range(1, 9):
        size = rng.rayleigh(1.0) * k ** -uniform(rng, 0.3, 1.4)
        mains += size * np.cos(k * angle + rng.uniform(0, TURN))
        if k < 5:
            shaft += 0.6 * rng.rayleigh(1.0) / k * np.cos(k * angle + rng.uniform(0, TURN))
    rotor = mains_hz * uniform(rng, 0.95, 0.985) * (1.0 if rng.random() < 0.6 else 0.5)
    out += read(mains, TURN * 2.0 * mains_hz * t) + read(shaft, TURN * rotor * t)
    return out


def _vent(rng: Rng, n: int, rate_hz: float, mains_hz: float) -> F32:
    hump = spread(rng, 80.0, 700.0)
    out = shaped_noise(
        rng, n, rate_hz, [30.0, hump, 4 * hump, 16 * hump, 24000.0], [-8, 0, -9, -22, -40]
    )
    blade = spread(rng, 60.0, 400.0)
    angle = TURN * blade * np.arange(n) / rate_hz
    out *= 1.0 + 0.1 * slow(rng, n, rate_hz, 0.5)
    return out + np.float32(0.3 * rng.random()) * read(COSINE, angle) * float(out.std())


def _street(rng: Rng, n: int, rate_hz: float, mains_hz: float) -> F32:
    out = shaped_noise(
        rng, n, rate_hz, [30.0, 100.0, 800.0, 2000.0, 24000.0], [0, 0, -14, -22, -50]
    )
    return out * np.clip(1.0 + 0.6 * slow(rng, n, rate_hz, 2.0), 0.2, 3.0)


def _babble(rng: Rng, n: int, rate_hz: float, mains_hz: float) -> F32:
    out = np.zeros(n, dtype=np.float32)
    for _ in range(int(rng.integers(3, 6))):
        out += np.float32(spread(rng, 0.4, 1.2)) * speech(rng, n, rate_hz)
    return out


def _radio(rng: Rng, n: int, rate_hz: float, mains_hz: float) -> F32:
    sound = music(rng, n, rate_hz) if rng.random() < 0.6 else speech(rng, n, rate_hz)
    box = modal_path(
        rng,
        rate_hz,
        modes=12,
        low_hz=250.0,
        high_hz=5000.0,
        loss=(0.05, 0.3),
        tilt_db=0.0,
        length_s=0.03,
    )
    return convolve(sound, box)


def _dishes(rng: Rng, n: int, rate_hz: float, mains_hz: float) -> F32:
    out = 0.05 * white(rng, n) * 0.02
    for _ in range(int(rng.integers(2, 5))):
        ping = modal_path(
            rng,
            rate_hz,
            modes=int(rng.integers(4, 14)),
            low_hz=1200.0,
            high_hz=11000.0,
            loss=(0.001, 0.01),
            tilt_db=-1.0,
            length_s=0.3,
        )
        count = rng.poisson(n / rate_hz * 0.7) + 1
        hits = events(n, rng.random(count) * n, rng.lognormal(-0.5, 0.8, count))
        out = out + convolve(hits, ping)
    return out.astype(np.float32)
