"""Rooms: early reflections, a tail in two bands, and what else goes on in them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.signal import resample_poly

from fifth_bench.basics import F32, SINE, Rng, lookup, ratio, rms, shaped_noise, slow, wavy

KINDS: dict[str, tuple[tuple[float, float], tuple[float, float], float]] = {
    # decay time low and high (seconds), size in metres
    "workshop": ((0.3, 0.8), (0.25, 0.6), 6.0),
    "cafe": ((0.35, 0.9), (0.25, 0.6), 8.0),
    "kitchen": ((0.3, 0.7), (0.3, 0.7), 4.0),
    "store": ((0.5, 1.4), (0.4, 1.0), 10.0),
    "garage": ((0.6, 1.5), (0.5, 1.1), 7.0),
    "office": ((0.2, 0.5), (0.15, 0.4), 5.0),
    "outdoors": ((0.05, 0.15), (0.05, 0.1), 20.0),
}


@dataclass(frozen=True, slots=True)
class Room:
    """One room."""

    name: str
    seed: int
    low_s: float
    high_s: float
    size_m: float
    noises: tuple[str, ...]


def draw(seed: int, number: int) -> Room:
    """Room ``number`` of the town of ``seed``."""
    rng = np.random.default_rng([5, seed, 202, number])
    kind = str(rng.choice(list(KINDS)))
    low, high, size = KINDS[kind]
    count = int(rng.integers(1, 4))
    noises = tuple(str(n) for n in rng.choice(list(NOISES), count, replace=False))
    return Room(
        f"{kind}-v{seed}-{number:02d}", int(rng.integers(1 << 31)), float(rng.uniform(*low)),
        float(rng.uniform(*high)), float(size * rng.uniform(0.7, 1.4)), noises,
    )  # fmt: skip


def response(room: Room, rng: Rng, rate_hz: float, distance_m: float) -> F32:
    """Impulse response from the machine to the phone; the direct sound has energy 1."""
    size = int(min(max(room.low_s, room.high_s) * 0.8, 0.9) * rate_hz)
    time_s = np.arange(size) / rate_hz
    white = rng.standard_normal(size)
    low = np.convolve(white, np.ones(24) / 24, mode="same")
    tail = low * 10 ** (-3 * time_s / room.low_s) * 1.5
    tail += (white - low) * 10 ** (-3 * time_s / room.high_s)
    tail *= np.clip(time_s / (0.25 * room.size_m / 340), 0, 1)
    critical_m = 0.057 * np.sqrt(room.size_m**2 * 2.8 / max(room.low_s, 0.05))
    wanted = (distance_m / critical_m) ** 2
    tail *= np.sqrt(wanted / (np.sum(np.square(tail)) + 1e-12))
    tail[0] += 1.0
    for _ in range(int(rng.integers(2, 7))):
        extra_m = rng.uniform(0.15, 2.0) * room.size_m / 3
        at = int(extra_m / 340 * rate_hz)
        if at < size:
            tail[at] += rng.uniform(-0.6, 0.8) * distance_m / (distance_m + extra_m)
    return np.asarray(tail, dtype=np.float32)


# --- what goes on in a room; each returns sound of about unit strength -----------------


def ventilation(rng: Rng, count: int, rate_hz: float) -> F32:
    """Air from a grille."""
    knee = rng.uniform(150, 700)
    curve = wavy(rng, [(40, 0), (knee, -2), (4 * knee, -16), (10000, -38)], 2.0)
    return shaped_noise(rng, count, rate_hz, curve)[0]


def fridge(rng: Rng, count: int, rate_hz: float, mains_hz: float = 50.0) -> F32:
    """A compressor hums on and on; it may start or stop."""
    cycle = np.arange(count) * (mains_hz / rate_hz)
    out = sum(
        np.float32(rng.uniform(0.2, 1) / k) * lookup(SINE, cycle * k + rng.uniform(0, 1))
        for k in (1, 2, 4, 6, 8)
    )
    out = out + 0.3 * shaped_noise(rng, count, rate_hz, [(60, 0), (600, -6), (4000, -30)])[0]
    if rng.random() < 0.25:
        at = int(rng.uniform(0.2, 0.8) * count)
        out[at:] *= np.float32(0.03)
    return np.asarray(out, np.float32)


def street(rng: Rng, count: int, rate_hz: float) -> F32:
    """Traffic that swells and passes."""
    curve = [(40, 3), (150, 0), (1000, -9), (4000, -24)]
    noise = shaped_noise(rng, count, rate_hz, curve)[0]
    return noise * np.exp(0.9 * slow(rng, count, rate_hz, 0.25))


def _voice(rng: Rng, seconds: float, rate_hz: float) -> F32:
    """Syllables of one talker: pulses of a gliding voice through three formants."""
    out = np.zeros(int(seconds * rate_hz), np.float32)
    pitch = rng.uniform(85, 240)
    at = rng.uniform(0, 0.4)
    while at < seconds - 0.4:
        length = rng.uniform(0.09, 0.32)
        n = int(length * rate_hz)
        t = np.arange(n) / rate_hz
        hz = pitch * (1 + rng.normal(0, 0.12) + rng.normal(0, 0.15) * t / length)
        train = np.diff(np.floor(np.cumsum(hz) / rate_hz), prepend=0.0)
        if rng.random() < 0.25:
            train = rng.standard_normal(n) * 0.25
        spectrum = np.fft.rfft(train, 2 * n)
        f = np.fft.rfftfreq(2 * n, 1 / rate_hz)
        gain = np.full(f.size, 0.01)
        for middle, width in (
            (rng.uniform(280, 850), 90), (rng.uniform(900, 2300), 130),
            (rng.uniform(2400, 3400), 200), (rng.uniform(3800, 6000), 500),
        ):  # fmt: skip
            gain = gain + 1 / (1 + ((f - middle) / width) ** 2) * (500 / (middle + 200))
        gain = gain / (1 + (f / 3000) ** 2)
        piece = np.fft.irfft(spectrum * gain)[:n] * np.sin(np.pi * t / length) ** 0.7
        start = int(at * rate_hz)
        stop = min(start + n, out.size)
        out[start:stop] += (piece[: stop - start] * rng.uniform(0.4, 1)).astype(np.float32)
        at += length * rng.uniform(0.8, 1.3) + (rng.uniform(0.2, 0.9) if rng.random() < 0.15 else 0)
    return out


def _raised(x: F32, count: int, rate_hz: float) -> F32:
    """From 16 kHz to the rate of the clip."""
    up, down = int(rate_hz) // 100, 160
    y = np.asarray(resample_poly(x, up, down), np.float32)
    return np.pad(y, (0, max(0, count - y.size)))[:count]


def talk(rng: Rng, count: int, rate_hz: float) -> F32:
    """One person talks."""
    return _raised(_voice(rng, count / rate_hz + 0.5, 16000.0), count, rate_hz)


def babble(rng: Rng, count: int, rate_hz: float) -> F32:
    """A full cafe."""
    seconds = count / rate_hz + 0.5
    parts = [_voice(rng, seconds, 16000.0) for _ in range(3)]
    total = sum(np.roll(p, int(rng.integers(p.size))) for p in parts + [p[::-1] for p in parts])
    return _raised(np.asarray(total, np.float32), count, rate_hz)


def music(rng: Rng, count: int, rate_hz: float) -> F32:
    """Chords, a bass and a beat from a small loudspeaker."""
    seconds = count / rate_hz + 0.5
    out = np.zeros(int(seconds * 16000), np.float32)
    beat = rng.uniform(0.3, 0.75)
    root = rng.uniform(90, 180)
    for k in range(int(seconds / beat)):
        n = int(min(beat * 2, 1.2) * 16000)
        t = np.arange(n) / 16000
        note = root * 2 ** (rng.choice([0, 2, 3, 5, 7, 8, 10]) / 12)
        piece = sum(
            rng.uniform(0.2, 1) / h * np.sin(2 * np.pi * note * m * h * t)
            for m in (1, 2, rng.choice([2.5, 3, 2.37])) for h in (1, 2, 3)
        )  # fmt: skip
        piece = piece * np.exp(-t / rng.uniform(0.15, 0.8)) * np.clip(t / 0.01, 0, 1)
        hat = rng.standard_normal(n) * np.exp(-t / 0.03) * rng.uniform(0, 1.0)
        start = int(k * beat * 16000)
        stop = min(start + n, out.size)
        out[start:stop] += (piece + hat)[: stop - start].astype(np.float32)
    return _raised(out, count, rate_hz)


def clatter(rng: Rng, count: int, rate_hz: float) -> F32:
    """Cups, plates, drawers, tools."""
    out = np.zeros(count + int(0.5 * rate_hz), np.float32)
    for _ in range(rng.poisson(count / rate_hz * rng.uniform(0.3, 1.5)) + 1):
        n = int(0.4 * rate_hz)
        t = np.arange(n) / rate_hz
        piece = np.zeros(n)
        piece += (
            rng.standard_normal(n) * np.exp(-t / rng.uniform(0.002, 0.02)) * rng.uniform(0.5, 3)
        )
        for _ in range(int(rng.integers(3, 12))):
            hz = rng.uniform(400, 7000)
            piece += (
                rng.uniform(0.2, 1)
                * np.sin(2 * np.pi * hz * t)
                * np.exp(-t * hz / rng.uniform(60, 700))
            )
        for _ in range(int(rng.integers(1, 4))):
            at = int(rng.uniform(0, count))
            out[at : at + n] += (piece * 10 ** rng.normal(0, 0.4)).astype(np.float32)
    return out[:count]


def other_motor(rng: Rng, count: int, rate_hz: float) -> F32:
    """A fan, a pump or a dishwasher that runs elsewhere."""
    turn = np.arange(count) * (rng.uniform(18, 58) / rate_hz)
    out = 0.5 * shaped_noise(rng, count, rate_hz, [(60, 0), (400, 0), (2000, -12), (8000, -30)])[0]
    for k in (1, 2, 3, 5, int(rng.integers(6, 12))):
        out += np.float32(rng.uniform(0.05, 0.6)) * lookup(SINE, turn * k)
    return out


NOISES: dict[str, Callable[[Rng, int, float], F32]] = {
    "ventilation": ventilation, "fridge": fridge, "street": street, "talk": talk,
    "babble": babble, "music": music, "clatter": clatter, "other_motor": other_motor,
}  # fmt: skip


def background(room: Room, rng: Rng, count: int, rate_hz: float, mains_hz: float) -> F32:
    """The room alone: a steady floor and some of its noises."""
    floor = ventilation(rng, count, rate_hz)
    out = floor / np.float32(rms(floor)) * np.float32(ratio(rng.uniform(-12, 3)))
    for name in room.noises:
        if rng.random() < 0.75:
            if name == "fridge":  # on the same mains as the machine
                noise = fridge(rng, count, rate_hz, mains_hz)
            else:
                noise = NOISES[name](rng, count, rate_hz)
            out += noise / np.float32(rms(noise)) * np.float32(ratio(rng.uniform(-10, 3)))
    return out
