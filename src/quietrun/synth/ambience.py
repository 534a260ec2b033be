"""What else sounds in a workshop or a café: made, not recorded.

Each source returns samples and their own rate; ``Layer`` sums sources of any
rate in the frequency domain. Steady sources make up the room's floor, against
which the signal-to-noise ratio counts; the others are events.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietrun.synth.families import RoomFamily
from quietrun.synth.healthy import knock, strike, unit
from quietrun.synth.kit import (
    CONTROL_HZ,
    FS,
    Floats,
    Rng,
    Signal,
    band_shape,
    chance,
    flowing_noise,
    harmonics,
    hump,
    log_uniform,
    look_up,
    pick,
    ramp,
    rings,
    smooth_gate,
    wandering,
    white,
)
from quietrun.synth.room import room_floor, speech_shape

VOICE_HZ = 24_000
MUSIC_HZ = 24_000

#: First three formants of plain vowels, Hz (after Peterson and Barney 1952; from memory).
_VOWELS = np.array(
    [
        [270, 2290, 3010],
        [390, 1990, 2550],
        [530, 1840, 2480],
        [660, 1720, 2410],
        [730, 1090, 2440],
        [570, 840, 2410],
        [440, 1020, 2240],
        [300, 870, 2240],
        [640, 1190, 2390],
        [490, 1350, 1690],
    ],
    dtype=np.float64,
)


@dataclass(frozen=True, slots=True, eq=False)
class Voiced:
    """Samples at their own rate."""

    samples: Signal
    rate_hz: int


def _vowel(rng: Rng, tract: float) -> Signal:
    """Impulse response of a mouth at one vowel."""
    freqs = _VOWELS[int(rng.integers(len(_VOWELS)))] * tract * np.exp(rng.normal(0, 0.04, 3))
    freqs = np.append(freqs, 3500 * tract)
    widths = np.array([60.0, 90.0, 130.0, 200.0]) * rng.uniform(0.8, 1.4)
    gains = np.array([1.0, 0.6, 0.3, 0.12]) * np.exp(rng.normal(0, 0.2, 4))
    return rings(freqs, freqs / widths, gains, length_s=0.03, rate_hz=VOICE_HZ)


def voice(rng: Rng, seconds: float) -> Signal:
    """One talker: syllables of voiced vowels and noisy consonants, with pauses, at 24 kHz."""
    from scipy import signal

    n = int(seconds * VOICE_HZ)
    out = np.zeros(n + VOICE_HZ, dtype=np.float32)
    man = chance(rng, 0.5)
    base = rng.uniform(85, 150) if man else rng.uniform(160, 260)
    tract = rng.uniform(0.92, 1.05) if man else rng.uniform(1.05, 1.25)
    pace = rng.uniform(3.2, 6.0)
    at = rng.uniform(0, 0.8)
    loud = 1.0
    vowels = [_vowel(rng, tract) for _ in range(10)]
    while at < seconds:
        if chance(rng, 0.14):
            at += rng.uniform(0.25, 1.4)
            loud = rng.uniform(0.6, 1.3)
            continue
        length = np.clip(rng.normal(1 / pace, 0.25 / pace), 0.07, 0.5)
        size = int(length * VOICE_HZ)
        first = int(at * VOICE_HZ)
        pitch = base * np.exp(rng.normal(0, 0.09)) * np.linspace(1.0, rng.uniform(0.85, 1.12), size)
        phase = np.cumsum(pitch / VOICE_HZ)
        pulses = np.diff(np.floor(phase), prepend=0.0).astype(np.float32)
        pulses += white(rng, size) * np.float32(0.02)
        tone = signal.fftconvolve(pulses, vowels[int(rng.integers(10))])[:size]
        swing = np.sin(np.pi * np.linspace(0, 1, size)) ** rng.uniform(0.4, 1.0)
        out[first : first + size] += (loud * tone * swing)[: out.size - first]
        if chance(rng, 0.5):
            span = int(rng.uniform(0.03, 0.12) * VOICE_HZ)
            hiss = np.diff(white(rng, span + 1)) * np.hanning(span) * rng.uniform(0.02, 0.1) * loud
            out[first : first + span] += hiss[: out.size - first]
        at += length * rng.uniform(0.85, 1.1)
    return unit(out[:n])


def talk(rng: Rng, seconds: float, *, whole: bool = False) -> Voiced:
    """One or two people near by, often in part of the clip only (``whole``: all through)."""
    sound = voice(rng, seconds)
    if chance(rng, 0.5):
        sound = sound + voice(rng, seconds) * np.float32(rng.uniform(0.3, 1))
    if chance(rng, 0.6) and not whole:
        length = rng.uniform(0.15, 0.8) * seconds
        begin = rng.uniform(0, seconds - length)
        t = np.arange(sound.size) / VOICE_HZ
        sound = sound * ((t > begin) & (t < begin + length)).astype(np.float32)
    return Voiced(sound, VOICE_HZ)


def babble(rng: Rng, seconds: float) -> Voiced:
    """Many people: a few voices, each heard several times over at other times."""
    total = np.zeros(int(seconds * VOICE_HZ), dtype=np.float32)
    for _ in range(int(rng.integers(2, 5))):
        sound = voice(rng, seconds)
        for _ in range(int(rng.integers(2, 6))):
            sign = 1 if chance(rng, 0.5) else -1
            late = int(rng.integers(sound.size))
            total += np.roll(sound, late) * np.float32(sign * rng.uniform(0.3, 1.0))
    return Voiced(unit(total), VOICE_HZ)


def music(rng: Rng, seconds: float) -> Voiced:
    """Chords, a tune, a bass and a beat from a small loudspeaker."""
    rate = MUSIC_HZ
    out = np.zeros(int((seconds + 3) * rate), dtype=np.float32)
    beat = rng.uniform(0.35, 0.75)
    root = 110.0 * 2 ** (rng.integers(0, 12) / 12)
    scale = (
        np.array([0, 2, 4, 5, 7, 9, 11]) if chance(rng, 0.6) else np.array([0, 2, 3, 5, 7, 8, 10])
    )
    timbre = unit(harmonics(rng.uniform(0.2, 1, 9) * 0.6 ** np.arange(9), rng))
    bass = unit(harmonics(0.5 ** np.arange(4), rng))

    def note(at: float, hz: float, length: float, size: float, table: Signal) -> None:
        i, m = int(at * rate), int(length * rate)
        t = np.arange(m) / rate
        shape = (
            np.minimum(t / 0.01, 1)
            * np.exp(-t / (0.5 * length))
            * np.minimum((length - t) / 0.02, 1)
        )
        out[i : i + m] += (size * look_up(table, hz * t) * shape).astype(np.float32)[: out.size - i]

    drums = chance(rng, 0.6)
    tune = int(rng.integers(7))
    for k in range(int(seconds / beat) + 1):
        at = k * beat
        if k % 4 == 0:
            step = int(rng.integers(7))
            for third in (0, 2, 4):
                hz = root * 2 ** ((scale[(step + third) % 7] + 12 * ((step + third) // 7)) / 12)
                note(at, hz, 4 * beat, 0.5, timbre)
            note(at, root / 2 * 2 ** (scale[step] / 12), 2 * beat, 0.9, bass)
        for half in range(2):
            if chance(rng, 0.6):
                tune = int(np.clip(tune + rng.integers(-2, 3), 0, 13))
                hz = root * 2 * 2 ** ((scale[tune % 7] + 12 * (tune // 7)) / 12)
                note(at + half * beat / 2, hz, beat * rng.uniform(0.4, 1), 0.8, timbre)
        if drums:
            i, m = int(at * rate), int(0.06 * rate)
            out[i : i + m] += (
                white(rng, m)
                * np.exp(-np.arange(m) / (0.012 * rate)).astype(np.float32)
                * np.float32(0.7)
            )
    return Voiced(unit(out[: int(seconds * rate)]), rate)


def clatter(rng: Rng, seconds: float) -> Voiced:
    """Cups, spoons and plates."""
    out = np.zeros(round(seconds * FS), dtype=np.float32)
    for _ in range(max(1, int(rng.poisson(0.25 * seconds)))):
        at = rng.uniform(0, seconds)
        freqs = log_uniform(rng, 900, 3500) * np.cumprod(rng.uniform(1.05, 1.7, 6))
        ir = rings(freqs, np.full(6, log_uniform(rng, 30, 250)), rng.normal(0, 1, 6), length_s=0.2)
        for _ in range(int(rng.integers(1, 7))):
            strike(out, at, ir, float(np.exp(rng.normal(0, 0.6))))
            at += rng.exponential(0.08)
    return Voiced(unit(out), FS)


def slam(rng: Rng, seconds: float) -> Voiced:
    """A door, a drawer, a knock-out box: deep bangs."""
    out = np.zeros(round(seconds * FS), dtype=np.float32)
    for _ in range(int(rng.integers(1, 4))):
        at = rng.uniform(0, seconds)
        strike(out, at, knock(rng, (50, 500), quality=5.0), 1.0)
        strike(
            out,
            at + rng.uniform(0, 0.02),
            knock(rng, (400, 3000), quality=5.0),
            rng.uniform(0.1, 0.6),
        )
    return Voiced(unit(out), FS)


def _part_time(rng: Rng, points: int, seconds: float) -> Floats:
    """Gate of a machine that runs for part of the clip, or all of it."""
    if chance(rng, 0.35):
        return np.ones(points)
    length = rng.uniform(0.15, 0.7) * seconds
    begin = rng.uniform(-0.1 * seconds, seconds - 0.5 * length)
    return smooth_gate(points, [(begin, begin + length)], 0.15)


def machine_near(rng: Rng, seconds: float, mains_hz: float) -> Voiced:
    """Another machine: vibration pump, steam, blender, second grinder, dishwasher."""
    n = round(seconds * FS)
    points = n // 48 + 1
    gate = _part_time(rng, points, seconds)
    mains = mains_hz * np.arange(n) / FS
    kind = pick(rng, ("pump", "steam", "blender", "grinder", "dishwasher"))
    if kind == "pump":
        lines = np.exp(rng.normal(0, 0.6, 60)) * hump(mains_hz * np.arange(1, 61), 500, 2, 5)
        sound = look_up(unit(harmonics(lines, rng)), mains) * ramp(gate)
    elif kind == "steam":
        lo = log_uniform(rng, 600, 2500)
        swell = gate * np.exp(wandering(rng, points, 0.3, 0.4))
        sound = flowing_noise(rng, n, [(swell, lambda f: band_shape(f, lo, 5 * lo, 1.0))])
    elif kind == "blender":
        hz = rng.uniform(120, 400) * (1 + wandering(rng, points, 0.5, 0.04)) * (0.3 + 0.7 * gate)
        turns = np.concatenate([[0.0], np.cumsum(ramp(hz).astype(np.float64) / FS)])[:n]
        lines = np.exp(rng.normal(0, 0.8, 40)) * hump(np.arange(1, 41) * 250.0, 1500, 3, 5)
        sound = look_up(unit(harmonics(lines, rng)), turns) * ramp(gate)
        sound += flowing_noise(rng, n, [(gate, lambda f: hump(f, 1200, 4, 5))])
    else:
        slope = 4.0 if kind == "grinder" else 7.0
        centre = log_uniform(rng, 300, 1500)
        sound = flowing_noise(rng, n, [(gate, lambda f: hump(f, centre, 4, slope))])
        lines = 0.6 ** np.arange(12) * np.exp(rng.normal(0, 0.5, 12))
        sound += look_up(unit(harmonics(lines, rng)), 2 * mains) * ramp(gate)
    return Voiced(unit(sound), FS)


def fridge(rng: Rng, seconds: float, mains_hz: float, share: float) -> Voiced:
    """A compressor: lines of twice the mains and of its own turn, with a low rumble."""
    n = round(seconds * FS)
    t = np.arange(n) / FS
    hum = 0.65 ** np.arange(10) * np.exp(rng.normal(0, 0.6, 10))
    sound = look_up(unit(harmonics(hum, rng)), 2 * mains_hz * t)
    turn = 0.7 ** np.arange(20) * np.exp(rng.normal(0, 0.6, 20))
    sound += look_up(unit(harmonics(turn, rng)), share * mains_hz * t)
    rumble = np.ones(n // 48 + 1)
    sound += flowing_noise(rng, n, [(rumble, lambda f: hump(f, 200, 5, 8))])
    return Voiced(unit(sound), FS)


def vent(rng: Rng, seconds: float, tone_hz: float) -> Voiced:
    """Ventilation: a broad hump and perhaps a tone of its own."""
    n = round(seconds * FS)
    points = n // 48 + 1
    centre = log_uniform(rng, 80, 900)
    sway = 1 + wandering(rng, points, 0.4, 0.1)
    sound = flowing_noise(rng, n, [(sway, lambda f: hump(f, centre, 4, 6))])
    tone = unit(harmonics(0.4 ** np.arange(4), rng))
    sound += look_up(tone, tone_hz * np.arange(n) / FS) * np.float32(rng.uniform(0, 0.6))
    return Voiced(unit(sound), FS)


def beeps(rng: Rng, seconds: float) -> Voiced:
    """A till or an appliance that beeps."""
    n = round(seconds * FS)
    hz = log_uniform(rng, 800, 4200)
    begin, period = rng.uniform(0, seconds), rng.uniform(0.15, 1.2)
    spans = [
        (begin + k * period, begin + k * period + 0.09) for k in range(int(rng.integers(1, 5)))
    ]
    tone = unit(harmonics([1.0, 0.0, rng.uniform(0, 0.5)], rng))
    sound = look_up(tone, hz * np.arange(n) / FS) * ramp(smooth_gate(n // 48 + 1, spans, 0.01))
    return Voiced(unit(sound + 1e-6), FS)


def passing(rng: Rng, seconds: float) -> Voiced:
    """A car or a train outside: a deep swell."""
    n = round(seconds * FS)
    t = np.arange(n // 48 + 1) / CONTROL_HZ
    swell = np.exp(-np.square((t - rng.uniform(0, seconds)) / rng.uniform(0.8, 4.0)))
    centre = log_uniform(rng, 60, 250)
    return Voiced(unit(flowing_noise(rng, n, [(swell, lambda f: hump(f, centre, 3, 7))])), FS)


def handling(rng: Rng, seconds: float) -> Voiced:
    """Fingers on the phone: thumps and rustle, much nearer than anything else."""
    n = round(seconds * FS)
    out = np.zeros(n, dtype=np.float32)
    for at in rng.uniform(0, seconds, int(rng.poisson(2.5 * seconds)) + 2):
        strike(
            out, float(at), knock(rng, (30, 400), quality=3.0), float(np.exp(rng.normal(0, 0.7)))
        )
    points = n // 48 + 1
    level = np.clip(wandering(rng, points, 0.12, 0.6), 0, None) ** 1.5
    lo = log_uniform(rng, 100, 500)
    rustle = flowing_noise(rng, n, [(level, lambda f: band_shape(f, lo, 8 * lo, 1.0))])
    return Voiced(unit(out * 20 + rustle), FS)


#: Events: name -> share of rooms' attribute that scales it
EVENTS = ("talk", "music", "clatter", "slam", "machines", "beeps", "passing")


def event(name: str, rng: Rng, seconds: float, mains_hz: float, *, whole: bool = False) -> Voiced:
    """Make an event of a kind; ``whole``: talk goes on all through."""
    if name == "talk":
        return talk(rng, seconds, whole=whole)
    if name == "machines":
        return machine_near(rng, seconds, mains_hz)
    makers = {
        "music": music,
        "clatter": clatter,
        "slam": slam,
        "beeps": beeps,
        "passing": passing,
        "handling": handling,
    }
    return makers[name](rng, seconds)


def floor_layers(
    family: RoomFamily, rng: Rng, n: int, points: int, mains_hz: float
) -> list[tuple[Voiced, float]]:
    """Steady sources of a room with their amplitudes (the plain floor is 1)."""
    seconds = n / FS
    layers = [(Voiced(unit(room_floor(family, rng, n, points)), FS), 1.0)]
    if family.vent and chance(rng, 0.8):
        layers.append((vent(rng, seconds, family.vent_tone_hz), 2.0 * family.vent * rng.random()))
    if family.fridge and chance(rng, 0.7):
        part = fridge(rng, seconds, mains_hz, family.fridge_hz_share * 0.5)
        layers.append((part, 2.0 * family.fridge * rng.random()))
    if family.babble and chance(rng, 0.8):
        layers.append((babble(rng, seconds), 3.0 * family.babble * rng.random()))
    return layers


__all__ = ["EVENTS", "Voiced", "event", "floor_layers", "speech_shape", "voice"]
