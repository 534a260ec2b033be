"""Recordings gone wrong: other machines, voices, hands, bad automatics, bad files."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import soundfile
from numpy.random import Generator

from fourth_bench.people import babble, dishes, music, speech
from fourth_bench.tools import (
    F32,
    F64,
    Paint,
    band,
    bank,
    db,
    formants,
    harmonic_table,
    high_pass,
    hump,
    log_uniform,
    lookup,
    rms,
    scatter,
    wander,
)


def _trigger(rng: Generator, ctrl: F64, on: float, off: float) -> tuple[F64, float]:
    """Speed of a motor that nobody ties to the mains, and its full speed, 1/s."""
    top = log_uniform(rng, 90, 520)
    rise, fall = log_uniform(rng, 0.08, 1.2), log_uniform(rng, 0.15, 2.0)
    wanted = np.where((ctrl >= on) & (ctrl < off), 1.0, 0.0)
    kind = rng.integers(3)
    if kind == 1:
        # a trigger or a stepped knob
        edges = np.sort(rng.uniform(on, off, int(rng.integers(1, 4))))
        for edge in edges:
            wanted = np.where((ctrl >= edge) & (ctrl < off), rng.uniform(0.4, 1.0), wanted)
    if kind == 2:
        # pulsed
        period, share = rng.uniform(0.8, 2.5), rng.uniform(0.4, 0.8)
        wanted *= ((ctrl - on) % period) < share * period
    now, speed = 0.0, np.empty(ctrl.size)
    up, down = 1 - np.exp(-0.005 / rise), 1 - np.exp(-0.005 / fall)
    for i, goal in enumerate(wanted.tolist()):
        now += (up if goal > now else down) * (goal - now)
        speed[i] = now
    speed *= top * (1 + 0.02 * wander(rng, ctrl.size, 200, rng.uniform(0.2, 3)))
    for _ in range(int(rng.integers(0, 5))):
        at, wide = rng.uniform(on, off), rng.uniform(0.2, 1.0)
        speed *= 1 - rng.uniform(0.05, 0.35) * np.exp(-np.square((ctrl - at) / wide))
    return np.maximum(speed, 0.0), top


def other_machine(rng: Generator, n: int, rate_hz: int) -> tuple[F32, float, float]:
    """A universal motor, a vacuum cleaner, a geared mixer, a drill: sound, on and off in s."""
    seconds = n / rate_hz
    on, off = rng.uniform(0.4, 1.5), seconds - rng.uniform(0.8, 1.8)
    ctrl = np.arange(int(seconds * 200) + 2) / 200
    speed, top = _trigger(rng, ctrl, on, off)
    x = np.arange(n) * (200 / rate_hz)
    fine = np.interp(x, np.arange(ctrl.size), speed)
    turn = np.cumsum(fine) / rate_hz
    share = (fine / top).astype(np.float32)
    segments = int(rng.integers(8, 25))
    k = np.arange(1, max(4, min(3 * segments, int(0.4 * rate_hz / top))))
    amps = rng.lognormal(0, 0.6, k.size) * k**-0.8 * (1 + 6 * (k % segments == 0))
    whine = lookup(harmonic_table(amps, rng), turn) * share
    p = Paint(n, rate_hz)
    v = np.interp(p.times, ctrl, speed / top).astype(np.float32)[:, None]
    colour = formants(rng, p.freqs, 6, 5.0)
    hiss = p.noise(rng, hump(p.freqs, log_uniform(rng, 600, 4500), 1.3) * colour * v**2.0)
    arcs = p.noise(rng, band(p.freqs, 3000, 14000) * v) * np.abs(wander(rng, n, rate_hz, 300))
    mix = whine / rms(whine) * db(rng.uniform(-9, 6)) + hiss / rms(hiss) * db(rng.uniform(-12, 6))
    mix += arcs / rms(arcs) * db(rng.uniform(-20, -3))
    if rng.random() < 0.4:
        teeth = rng.uniform(0.08, 0.6) * int(rng.integers(7, 30))
        table = harmonic_table(rng.lognormal(0, 0.5, 8) / np.arange(1, 9), rng)
        gears = lookup(table, turn * teeth) * share * (1 + 0.5 * lookup(table, turn * 0.07))
        mix += gears / rms(gears) * db(rng.uniform(-8, 4))
    return np.asarray(mix, dtype=np.float32), float(on), float(off)


def talk_over(rng: Generator, wet: F32, rate_hz: int, level: float) -> F32:
    """Somebody talks into the phone, or a radio plays beside it; at times dishes too."""
    kind = rng.integers(4)
    n = wet.size
    made = (
        speech(rng, n, rate_hz) if kind <= 1
        else music(rng, n, rate_hz) if kind == 2
        else babble(rng, n, rate_hz) + 2 * dishes(rng, n, rate_hz, 3.0)
    )  # fmt: skip
    made = high_pass(made, rate_hz, 90)
    loud = np.quantile(np.abs(made), 0.98) / 2.2 + 1e-9
    return np.asarray(wet + made * np.float32(level * db(rng.uniform(3, 14)) / loud))


def handle(rng: Generator, wet: F32, rate_hz: int, level: float) -> F32:
    """Fingers on the phone, knocks on the case, cloth over the holes, a breath of wind."""
    n = wet.size
    p = Paint(n, rate_hz)
    bursts = np.clip(wander(rng, p.frames, rate_hz / 512, rng.uniform(1, 4)) - 0.4, 0, 2)
    rub = p.noise(rng, band(p.freqs, 80, log_uniform(rng, 900, 7000)) * bursts[:, None])
    wind = p.noise(rng, hump(p.freqs, 70.0, 1.2) * np.square(bursts[::-1, None]))
    hits = bank(rng, rate_hz, 6, log_uniform(rng, 110, 900), decay_s=0.012, noise=0.4)
    count = int(n / rate_hz * rng.uniform(0.5, 3)) + 2
    where = np.sort(rng.integers(0, n, count))
    weight = np.float32(np.sqrt(0.01 * rate_hz))
    knocks = weight * scatter(n, where, rng.lognormal(0.5, 0.6, count), hits, rng)
    mix = rub * rng.uniform(0.5, 1.5) + wind * rng.uniform(0, 3) + knocks
    return np.asarray(wet + np.float32(level * db(rng.uniform(2, 12))) * mix, dtype=np.float32)


def gated(x: F32, rate_hz: int, quiet_level: float, loud_level: float, rng: Generator) -> F32:
    """A gate shuts whatever is not well above the room."""
    step = rate_hz // 100
    count = x.size // step + 1
    power = np.mean(np.square(np.pad(x, (0, count * step - x.size)).reshape(count, step)), axis=1)
    share = rng.uniform(0.35, 0.75)
    threshold = np.exp((1 - share) * np.log(quiet_level) + share * np.log(loud_level))
    threshold = max(threshold, 2.0 * quiet_level)
    opened = np.convolve(np.sqrt(power) > threshold, np.ones(int(rng.integers(3, 25))))[:count] > 0
    floor = db(-rng.uniform(25, 70))
    gain = np.where(opened, 1.0, floor)
    smooth = np.convolve(gain, np.ones(3) / 3, mode="same")
    fine = np.interp(np.arange(x.size), (np.arange(count) + 0.5) * step, smooth)
    return np.asarray(x * fine, dtype=np.float32)


def silence(rng: Generator, n: int) -> F32:
    """A file with nothing in it: zeros, a last-bit flicker or a constant."""
    kind = rng.integers(3)
    if kind == 0:
        return np.zeros(n, dtype=np.float32)
    if kind == 1:
        return (rng.integers(-1, 2, n) / 32768).astype(np.float32)
    return np.full(n, rng.uniform(-0.01, 0.01), dtype=np.float32)


def cut_bytes(path: Path, rng: Generator) -> float:
    """Cut a file short on the disk; how many seconds still decode."""
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * rng.uniform(0.35, 0.85))])
    return readable_s(path)


def readable_s(path: Path) -> float:
    """Seconds of sound that still come out of a damaged file."""
    if path.suffix in (".wav", ".flac"):
        # a damaged file may end in an error: what was read before it counts
        seconds = 0.0
        try:
            with soundfile.SoundFile(path) as file:
                while (got := file.read(4096, dtype="float32")).shape[0]:
                    seconds += got.shape[0] / file.samplerate
        except soundfile.LibsndfileError:
            return seconds
        return seconds
    seconds = 0.0
    try:
        with av.open(str(path)) as box:
            for frame in box.decode(audio=0):
                seconds += frame.samples / frame.sample_rate
    except (av.FFmpegError, IndexError):
        return seconds
    return seconds


def busy(rng: Generator, noise: F32, rate_hz: int) -> F32:
    """A place without a grinder, at times with people or dishes near the phone."""
    kind = rng.integers(6)
    n = noise.size
    if kind > 2:
        return noise
    near = speech(rng, n, rate_hz) if kind == 0 else (
        music(rng, n, rate_hz) if kind == 1 else dishes(rng, n, rate_hz, 3.0)
    )  # fmt: skip
    return np.asarray(noise + near * np.float32(rms(noise) * db(rng.uniform(-3, 12)) / rms(near)))
