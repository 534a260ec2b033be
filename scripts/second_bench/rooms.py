"""Rooms: image sources of a box, and what else sounds in them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from scipy import signal

from second_bench.grains import (
    F32,
    F64,
    a_level_db,
    band_curve,
    by_angle,
    convolve,
    measured_curve,
    shaped_noise,
    sine,
    slow_noise,
    strikes,
    struck_body,
)

SPEED_OF_SOUND = 343.0
KINDS = ("cafe", "workshop", "kitchen")


@dataclass(frozen=True, slots=True)
class Room:
    """A box with a noise of its own; ``back`` are pressure reflections, low/mid/high."""

    name: str
    kind: str
    size_m: tuple[float, float, float]
    back: tuple[float, float, float]
    fan_hz: float
    hum: float


def draw_room(rng: np.random.Generator, index: int) -> Room:
    """Draw a room; hard ones ring for about a second, soft ones for a quarter."""
    kind = KINDS[index % 3]
    size = {
        "cafe": (rng.uniform(6, 12), rng.uniform(5, 9), rng.uniform(2.7, 4.0)),
        "workshop": (rng.uniform(4, 11), rng.uniform(3.5, 8), rng.uniform(2.5, 5.0)),
        "kitchen": (rng.uniform(2.8, 5.5), rng.uniform(2.4, 4.5), rng.uniform(2.4, 3.0)),
    }[kind]
    middle = rng.uniform(0.72, 0.93)
    back = (min(0.96, middle + rng.uniform(-0.04, 0.05)), middle, middle - rng.uniform(0.02, 0.15))
    return Room(
        f"{kind}-{index:02d}",
        kind,
        (float(size[0]), float(size[1]), float(size[2])),
        (float(back[0]), float(back[1]), float(back[2])),
        float(rng.uniform(60, 400)),
        float(rng.uniform(0.0, 1.0)),
    )


def _images(size_m: float, at_m: float, far_m: float) -> tuple[F64, F64]:
    """Positions of the images along one axis, and how often each was reflected."""
    reach = int(np.ceil(far_m / (2 * size_m)))
    cells = np.arange(-reach, reach + 1)
    near = 2 * cells * size_m + at_m
    far = 2 * cells * size_m - at_m
    return np.concatenate([near, far]), np.concatenate([2 * abs(cells), abs(2 * cells - 1)])


def room_response(rng: np.random.Generator, room: Room, rate_hz: float) -> F32:
    """Impulse response between a bench and a hand-held phone, direct sound 1 at sample 0."""
    volume = float(np.prod(room.size_m))
    far_m = min(90.0, (1.4e5 * volume) ** (1 / 3) * 0.6)
    source = np.array([rng.uniform(0.15, 0.85) * s for s in room.size_m])
    source[2] = rng.uniform(0.7, 1.3)
    away = rng.uniform(0.25, 1.2)
    angle = rng.uniform(0, 2 * np.pi)
    phone = source + away * np.array([np.cos(angle), np.sin(angle), 0.3])
    phone = np.clip(phone, 0.1, np.array(room.size_m) - 0.1)
    axes = [_images(s, p, far_m) for s, p in zip(room.size_m, source, strict=True)]
    dx, dy, dz = (axis[0] - p for axis, p in zip(axes, phone, strict=True))
    squared = dx[:, None, None] ** 2 + dy[None, :, None] ** 2 + dz[None, None, :] ** 2
    bounces = axes[0][1][:, None, None] + axes[1][1][None, :, None] + axes[2][1][None, None, :]
    inside = squared < far_m**2
    distance = np.sqrt(squared[inside])
    times = bounces[inside]
    first = float(distance.min())
    # a wall is not a mirror: each bounce smears the arrival a little
    late_s = (distance - first) / SPEED_OF_SOUND * (1 + rng.normal(0, 0.004, distance.size))
    index = (np.abs(late_s) * rate_hz).astype(np.int64)
    length = int(far_m / SPEED_OF_SOUND * rate_hz) + 8
    keep = index < length
    sign = 1.0 - 2.0 * (rng.uniform(size=distance.size) < 0.12 * (times > 1))
    out = np.zeros(length)
    edges = (400.0, 2500.0)
    for band, back in enumerate(room.back):
        echo = np.bincount(index[keep], (sign * first / distance * back**times)[keep], length)
        if band == 0:
            sos = signal.butter(1, edges[0], fs=rate_hz, output="sos")
        elif band == 1:
            sos = signal.butter(1, edges, "bandpass", fs=rate_hz, output="sos")
        else:
            sos = signal.butter(1, edges[1], "highpass", fs=rate_hz, output="sos")
        out += signal.sosfilt(sos, echo)
    out *= np.hanning(2 * length)[length:] ** 0.5
    return out.astype(np.float32)


# what sounds in the room -----------------------------------------------------


def _syllable(rng: np.random.Generator, rate_hz: float, pitch_hz: float) -> F32:
    """One voiced or hissed syllable."""
    n = int(rng.uniform(0.09, 0.32) * rate_hz)
    swell = np.sin(np.pi * np.arange(n) / n) ** 0.6
    if rng.uniform() < 0.22:
        hiss = shaped_noise(rng, n, rate_hz, band_curve(2500, 7000, 12))
        return np.asarray(0.4 * hiss * swell, dtype=np.float32)
    contour = pitch_hz * (1 + 0.15 * np.sin(np.linspace(0, rng.uniform(1, 4), n)))
    phase = np.cumsum(contour) / rate_hz
    pulses = np.diff(np.floor(phase), prepend=0.0)
    voice = pulses.astype(np.float64)
    for formant_hz, width_hz in (
        (rng.uniform(300, 800), 90.0),
        (rng.uniform(900, 2300), 130.0),
        (rng.uniform(2400, 3200), 200.0),
    ):
        r = np.exp(-np.pi * width_hz / rate_hz)
        a = [1.0, -2 * r * np.cos(2 * np.pi * formant_hz / rate_hz), r * r]
        voice = voice + 0.0
        voice = signal.lfilter([1.0 - r], a, voice)
    voice *= swell
    return np.asarray(voice / (np.sqrt(np.mean(voice**2)) + 1e-12), dtype=np.float32)


def talk(rng: np.random.Generator, n: int, rate_hz: float, talkers: int) -> F32:
    """Syllables of a few voices, strung into phrases with pauses; rms about 1."""
    out = np.zeros(n, dtype=np.float32)
    for _ in range(talkers):
        pitch_hz = rng.uniform(90, 250)
        pool = [_syllable(rng, rate_hz, pitch_hz) for _ in range(8)]
        loud = rng.uniform(0.4, 1.0)
        at = int(rng.uniform(-1.0, 1.5) * rate_hz)
        while at < n:
            for _ in range(int(rng.integers(4, 16))):
                grain = pool[int(rng.integers(0, len(pool)))]
                lo, hi = max(0, at), min(n, at + grain.size)
                if hi > lo:
                    out[lo:hi] += np.float32(loud) * grain[lo - at : hi - at]
                at += int(grain.size * rng.uniform(0.7, 1.2))
            at += int(rng.exponential(0.9 if talkers < 3 else 0.5) * rate_hz)
    return out / np.float32(np.sqrt(np.mean(out**2)) + 1e-9)


def music(rng: np.random.Generator, n: int, rate_hz: float) -> F32:
    """Plucked chords on a beat, and a brush on the off-beat."""
    beat = rng.uniform(0.4, 0.75)
    root = rng.uniform(90, 220)
    out = np.zeros(n + int(2 * rate_hz), dtype=np.float32)
    length = int(1.2 * rate_hz)
    at = np.arange(length) / rate_hz
    notes = []
    for step in rng.choice([0, 2, 3, 5, 7, 8, 10, 12, 15, 19], 7, replace=False):
        hz = root * 2 ** (step / 12)
        partials = [
            np.sin(2 * np.pi * hz * k * at) * np.exp(-at * (2 + k)) / k for k in (1, 2, 3, 5)
        ]
        notes.append(np.sum(partials, axis=0).astype(np.float32))
    brush = shaped_noise(rng, int(0.08 * rate_hz), rate_hz, band_curve(4000, 9000, 9))
    brush *= np.exp(-np.arange(brush.size) / (0.02 * rate_hz)).astype(np.float32)
    when = 0.0
    while when * rate_hz < n:
        start = int(when * rate_hz)
        for _ in range(int(rng.integers(1, 4))):
            note = notes[int(rng.integers(0, len(notes)))]
            out[start : start + length] += np.float32(rng.uniform(0.3, 1)) * note
        if rng.uniform() < 0.5:
            off = start + int(0.5 * beat * rate_hz)
            out[off : off + brush.size] += np.float32(0.25) * brush
        when += beat * float(rng.choice([0.5, 1.0]))
    out = out[:n]
    return out / np.float32(np.sqrt(np.mean(out**2)) + 1e-9)


def clatter(rng: np.random.Generator, n: int, rate_hz: float, per_s: float) -> F32:
    """Cups, plates, spanners: bunches of bright blows; peak about 1."""
    out = np.zeros(n, dtype=np.float32)
    end_s = n / rate_hz
    for _ in range(int(rng.integers(2, 5))):
        bunches = rng.uniform(0, end_s, rng.poisson(per_s * end_s / 3))
        times = [b + np.cumsum(rng.gamma(1.0, 0.05, int(rng.integers(1, 7)))) for b in bunches]
        if not times:
            continue
        all_times = np.concatenate(times)
        body = struck_body(
            rng, rate_hz, (rng.uniform(900, 3000), rng.uniform(5000, 9000)), rng.uniform(0.03, 0.15)
        )
        out += convolve(strikes(n, rate_hz, all_times, rng.gamma(0.8, 1.0, all_times.size)), body)
    return out / np.float32(np.max(np.abs(out)) + 1e-9)


def fridge(rng: np.random.Generator, n: int, rate_hz: float, mains_hz: float) -> F32:
    """Compressor: twice the mains, its own slower turn, a little rush."""
    at = np.arange(n) / rate_hz
    cycle = np.arange(4096) / 4096.0
    hum = np.zeros(4096)
    for k, level in ((1, 1.0), (2, 0.5), (3, 0.25), (4, 0.15)):
        hum += level * rng.uniform(0.2, 1) * np.sin(2 * np.pi * (2 * k * cycle + rng.uniform()))
    turn_hz = mains_hz * rng.uniform(0.96, 0.99)
    out = by_angle(hum.astype(np.float32), mains_hz * at)
    out += 0.6 * sine(turn_hz * at)
    rush = shaped_noise(rng, n, rate_hz, measured_curve(rng, 400, 4, 6))
    return np.asarray(out + rng.uniform(0.2, 1.0) * rush, dtype=np.float32)


def ambience(rng: np.random.Generator, room: Room, n: int, rate_hz: float, mains_hz: float) -> F32:
    """Everything but the machine, A-weighted level 0 dB."""
    busy = rng.uniform()
    curve = measured_curve(rng, room.fan_hz, 3.0, rng.uniform(4.0, 7.0))
    out = shaped_noise(rng, n, rate_hz, curve)
    out *= 1.0 + 0.1 * slow_noise(rng, n, rate_hz, 1.5)
    level_db = a_level_db(out, rate_hz)
    out *= np.float32(10.0 ** (-level_db / 20.0))

    def add(x: F32, below_db: float) -> None:
        nonlocal out
        x = x * np.float32(10.0 ** (-(a_level_db(x, rate_hz) + below_db) / 20.0))
        out = out + x

    if room.hum > 0.5:
        add(fridge(rng, n, rate_hz, mains_hz), rng.uniform(-3, 12))
    if room.kind == "cafe" or busy < 0.25:
        voices = int(rng.integers(1, 6)) if room.kind == "cafe" else 1
        add(talk(rng, n, rate_hz, voices), rng.uniform(-6, 8))
    if room.kind == "cafe" and busy < 0.6:
        add(music(rng, n, rate_hz), rng.uniform(-4, 10))
    if room.kind != "workshop" or busy > 0.6:
        blows = clatter(rng, n, rate_hz, rng.uniform(0.2, 2.0))
        out = out + blows * np.float32(rng.uniform(1.0, 8.0))
    total_db = a_level_db_whole(out, rate_hz)
    return np.asarray(out * np.float32(10.0 ** (-total_db / 20.0)), dtype=np.float32)


def a_level_db_whole(x: F32, rate_hz: float) -> float:
    """A-weighted level over the whole clip, in stretches of 3 s."""
    step = int(3 * rate_hz)
    parts = [x[i : i + step] for i in range(0, max(1, x.size - step // 2), step)]
    return float(10 * np.log10(np.mean([10 ** (a_level_db(p, rate_hz) / 10) for p in parts])))


# real ambience ---------------------------------------------------------------


@lru_cache(maxsize=16)
def read_any(path: Path) -> tuple[F32, float]:
    """First sound stream of a file as mono, with its rate."""
    import av

    chunks: list[F32] = []
    rate_hz = 0.0
    with av.open(str(path)) as box:  # recordings of ours: their tags are sound
        stream = box.streams.audio[0]
        mixer = av.AudioResampler(format="fltp", layout="mono")
        for frame in box.decode(stream):
            rate_hz = float(frame.sample_rate)
            chunks += [piece.to_ndarray()[0] for piece in mixer.resample(frame)]
    return np.concatenate(chunks).astype(np.float32), rate_hz


def real_ambience(rng: np.random.Generator, files: tuple[Path, ...], n: int, rate_hz: float) -> F32:
    """Cut a stretch out of a recorded ambience, A-weighted level 0 dB; loops if it is short."""
    x, own_hz = read_any(files[int(rng.integers(0, len(files)))])
    need = int(n * own_hz / rate_hz) + 16
    x = np.resize(x, max(need, x.size))
    start = int(rng.integers(0, x.size - need + 1))
    part = x[start : start + need]
    out = signal.resample_poly(part, round(rate_hz), round(own_hz))[:n].astype(np.float32)
    level_db = a_level_db_whole(out, rate_hz)
    return np.asarray(out * np.float32(10.0 ** (-level_db / 20.0)), dtype=np.float32)
