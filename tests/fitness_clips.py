"""Plain runs of a made-up motor, and what phones, rooms and people do to them.

Independent of ``quietrun.synth``: a few lines of physics (speed follows torque, fan noise with
the 5.5th power of speed, hum at twice the mains only while powered), known times, and one
function a fault of the recording. Levels are RMS re full scale.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from quietrun.clip import Clip, Source
from quietrun.run import Run


@dataclass(frozen=True)
class Take:
    """Samples with the times that are true for them."""

    x: np.ndarray
    rate_hz: float
    on_s: float | None
    speed_s: float | None
    off_s: float | None
    rest_s: float | None
    machine: np.ndarray | None = None

    def clip(self) -> Clip:
        """The samples as a clip, 16 bit, held to full scale."""
        x = np.round(np.clip(self.x, -1, 1 - 2**-15) * 32768) / 32768
        source = Source(
            "x.wav", "0" * 64, "wav", "pcm_16", "soundfile", 1, 0, x.size / self.rate_hz
        )
        return Clip(x.astype("f4"), float(self.rate_hz), source)

    def run(self, **more) -> Run:
        """The course of the run, as it truly was."""
        end = self.x.size / self.rate_hz
        steady_to = self.off_s if self.off_s is not None else end
        phases = {"steady": (self.speed_s if self.speed_s is not None else 0.0, steady_to)}
        if self.on_s is not None:
            phases["room"] = (0.0, self.on_s)
            phases["run_up"] = (self.on_s, self.speed_s)
        if self.off_s is not None:
            phases["coast_down"] = (self.off_s, min(end, self.rest_s))
            if self.rest_s < end - 0.1:
                phases["rest"] = (self.rest_s, end)
        facts = {
            "mains_hz": 50.0,
            "mains_measured": True,
            "poles": 4,
            "power_on_s": self.on_s,
            "at_speed_s": self.speed_s if self.on_s is not None else None,
            "power_off_s": self.off_s,
            "rest_s": self.rest_s if self.off_s is not None and self.rest_s < end else None,
            "shaft_hz": 24.8,
            "shaft_confidence": 8.0,
            "rotation_heard": self.off_s is not None,
            "phases": phases,
        }
        return Run(**{**facts, **more})


def coloured(rng, n: int, rate_hz: float, slope_db_octave: float, low_hz: float = 40.0):
    """Gaussian noise whose density falls by a slope from ``low_hz`` on; RMS 1."""
    f = np.fft.rfftfreq(n, 1 / rate_hz)
    shape = (np.maximum(f, low_hz) / low_hz) ** (slope_db_octave / 6.02)
    x = np.fft.irfft(np.fft.rfft(rng.normal(0, 1, n)) * shape, n)
    return x / np.std(x)


def band(x, rate_hz: float, lo_hz: float, hi_hz: float):
    """Keep a band, with edges that fall over a tenth of it."""
    f = np.fft.rfftfreq(x.size, 1 / rate_hz)
    rise = np.clip((f - 0.9 * lo_hz) / (0.1 * lo_hz + 1e-9), 0, 1)
    fall = np.clip((1.1 * hi_hz - f) / (0.1 * hi_hz), 0, 1)
    return np.fft.irfft(np.fft.rfft(x) * rise * fall, x.size)


def body(rng, x, rate_hz: float, modes: int = 25):
    """Pass through a body with random modes, +-10 dB."""
    f = np.fft.rfftfreq(x.size, 1 / rate_hz)
    gain_db = np.zeros(f.size)
    for _ in range(modes):
        centre = np.exp(rng.uniform(np.log(120), np.log(9000)))
        width = centre * rng.uniform(0.01, 0.1)
        gain_db += rng.uniform(-8, 14) / (1 + ((f - centre) / width) ** 2)
    return np.fft.irfft(np.fft.rfft(x) * 10 ** (np.clip(gain_db, -12, 18) / 20), x.size)


def room_sound(rng, x, rate_hz: float):
    """Add the sound of the room: a decaying tail."""
    rt_s = rng.uniform(0.2, 0.6)
    n = int(rt_s * rate_hz)
    tail = rng.normal(0, 1, n) * np.exp(-6.9 * np.arange(n) / n)
    tail *= rng.uniform(0.2, 1.0) / np.sqrt(np.sum(tail**2))
    tail[0] += 1.0
    size = 1 << (x.size + n - 1).bit_length()
    return np.fft.irfft(np.fft.rfft(x, size) * np.fft.rfft(tail, size), size)[: x.size]


def speed_of(rng, n, rate_hz, on_s, off_s):
    """Share of the steady speed, with the times at which it is reached and lost."""
    t = np.arange(n) / rate_hz
    up_s, down_s = rng.uniform(0.3, 0.9), rng.uniform(1.2, 2.6)
    share = np.clip((t - on_s) / up_s, 0, 1)
    share = np.sin(0.5 * np.pi * share) ** 0.8
    left = np.clip(1 - (t - off_s) / down_s, 0, 1)
    share = np.where(t > off_s, 0.6 * left + 0.4 * left**2, share)
    return share, on_s + up_s, off_s + down_s


def whole_run(
    seed: int = 0,
    *,
    rate_hz: int = 48_000,
    seconds: float = 10.0,
    on_s: float = 1.5,
    off_s: float = 6.0,
    snr_db: float = 28.0,
    level: float = 0.05,
    mains_hz: float = 50.0,
    hum: float = 1.0,
    room=None,
) -> Take:
    """A healthy run in a room; ``room`` may be other sound of the same length, any level."""
    rng = np.random.default_rng(seed)
    n = int(seconds * rate_hz)
    t = np.arange(n) / rate_hz
    share, speed_s, rest_s = speed_of(rng, n, rate_hz, on_s, off_s)
    power = ((t >= on_s) & (t < off_s)).astype(float)
    shaft_hz = mains_hz / 2 * rng.uniform(0.98, 0.997)
    turn = 2 * np.pi * np.cumsum(share) / rate_hz * shaft_hz
    machine = coloured(rng, n, rate_hz, rng.uniform(-7, -3), 150.0) * share**2.75
    hiss = band(rng.normal(0, 1, n), rate_hz, 1500, 0.42 * rate_hz)
    machine += rng.uniform(0.2, 0.6) * hiss / np.std(hiss) * share**1.2 * (1 + 0.1 * np.cos(turn))
    for order in (1, 2, 7, 14, 21, 28, 56):
        amplitude = rng.uniform(0.05, 0.5) * share ** rng.uniform(1.0, 2.5)
        machine += amplitude * np.cos(order * turn + rng.uniform(0, 6))
    machine = body(rng, machine, rate_hz)
    lines = np.zeros(n)
    for k in range(1, 11):
        lines += (
            rng.uniform(0.1, 0.6) / k * np.cos(4 * np.pi * mains_hz * k * t + rng.uniform(0, 6))
        )
    slot = np.cos(28 * turn) * np.cos(4 * np.pi * mains_hz * t) * rng.uniform(0, 0.3)
    machine = room_sound(rng, machine / np.std(machine) + hum * (lines + slot) * power, rate_hz)
    machine = band(machine, rate_hz, rng.uniform(60, 110), 0.46 * rate_hz)
    steady = (t > speed_s) & (t < off_s)
    machine *= level / np.std(machine[steady])
    if room is None:
        room = coloured(rng, n, rate_hz, rng.uniform(-6, -3), 80.0)
    scale = (
        level
        * 10 ** (-snr_db / 20)
        / weighted(room, rate_hz)
        * (weighted(machine[steady], rate_hz) / np.std(machine[steady]))
    )
    return Take(machine + scale * room, rate_hz, on_s, speed_s, off_s, rest_s, machine)


def weighted(x, rate_hz: float) -> float:
    """A-weighted RMS (IEC 61672-1, analytic form)."""
    f2 = np.fft.rfftfreq(x.size, 1 / rate_hz) ** 2
    top = 12194.217**2 * f2**2
    low = (f2 + 20.599**2) * np.sqrt((f2 + 107.653**2) * (f2 + 737.862**2)) * (f2 + 12194.217**2)
    power = np.abs(np.fft.rfft(x) * 1.2589 * top / low) ** 2
    return float(np.sqrt(2 * power.sum()) / x.size)


def cut(take: Take, from_s: float, to_s: float) -> Take:
    """Keep a part; what lies outside was not heard."""
    a, b = int(from_s * take.rate_hz), int(to_s * take.rate_hz)

    def moved(time_s):
        if time_s is None or time_s <= from_s or time_s >= to_s:
            return None
        return time_s - from_s

    off_s = moved(take.off_s)
    rest_s = None if off_s is None else take.rest_s - from_s
    speed_s = moved(take.speed_s) or 0.0
    return Take(take.x[a:b], take.rate_hz, moved(take.on_s), speed_s, off_s, rest_s)


# --- what happens to a recording --------------------------------------------------------------


def low_passed(take: Take, edge_hz: float) -> Take:
    """A brick wall, as a voice codec leaves it."""
    spectrum = np.fft.rfft(take.x)
    spectrum[np.fft.rfftfreq(take.x.size, 1 / take.rate_hz) > edge_hz] = 0
    return replace(take, x=np.fft.irfft(spectrum, take.x.size))


def clipped(take: Take, over_db: float, rail: float = 1.0) -> Take:
    """Turn up until the steady run's 99.9 % peak is ``over_db`` over the rail, and cut."""
    peak = np.quantile(np.abs(take.x), 0.999)
    return replace(take, x=np.clip(take.x * 10 ** (over_db / 20) / peak, -1, 1) * rail)


def limited(take: Take, over_db: float, ceiling: float = 0.9) -> Take:
    """A limiter: the gain falls at once and recovers in 50 ms, so that peaks keep their shape."""
    x = take.x * 10 ** (over_db / 20) * ceiling / np.quantile(np.abs(take.x), 0.999)
    n = int(0.002 * take.rate_hz)
    blocks = np.abs(x[: x.size // n * n]).reshape(-1, n).max(axis=1)
    peak = np.maximum(blocks, np.maximum(np.roll(blocks, 1), np.roll(blocks, -1)))
    gain, now, back = np.empty(peak.size), 1.0, np.exp(-0.002 / 0.05)
    for i, want in enumerate(np.minimum(1.0, ceiling / np.maximum(peak, 1e-9)).tolist()):
        now = want if want < now else want + (now - want) * back
        gain[i] = now
    at = np.arange(x.size) / n - 0.5
    return replace(take, x=x * np.interp(at, np.arange(gain.size), gain))


def gain_ridden(
    take: Take,
    target: float = 0.1,
    attack_s: float = 0.15,
    release_s: float = 1.5,
    range_db: float = 30.0,
) -> Take:
    """Automatic gain: the level is pulled to a target, quickly down and slowly up."""
    hop = int(0.01 * take.rate_hz)
    blocks = take.x[: take.x.size // hop * hop].reshape(-1, hop)
    level_db = 10 * np.log10(np.mean(blocks**2, axis=1) + 1e-12)
    want_db = np.clip(20 * np.log10(target) - level_db, -range_db / 2, range_db / 2)
    gain_db, now = np.empty(want_db.size), float(want_db[0])
    for i, want in enumerate(want_db.tolist()):
        time_s = attack_s if want < now else release_s
        now += (want - now) * (1 - np.exp(-0.01 / time_s))
        gain_db[i] = now
    at = np.arange(take.x.size) / hop - 0.5
    return replace(take, x=take.x * 10 ** (np.interp(at, np.arange(gain_db.size), gain_db) / 20))


def suppressed(take: Take, depth_db: float = 20.0, time_s: float = 1.5) -> Take:
    """Noise suppression: a steady sound is taken for noise and faded."""
    t = np.arange(take.x.size) / take.rate_hz
    fade_db = -depth_db * (1 - np.exp(-np.maximum(t - take.on_s - 0.4, 0) / time_s))
    fade_db = np.where(t > take.off_s, fade_db[int(take.off_s * take.rate_hz)], fade_db)
    return replace(take, x=take.x * 10 ** (fade_db / 20))


def gated(take: Take, under_db: float = 12.0, floor: float = 0.0) -> Take:
    """A gate: what is more than ``under_db`` below the steady run is turned off."""
    hop = int(0.01 * take.rate_hz)
    blocks = take.x[: take.x.size // hop * hop].reshape(-1, hop)
    level_db = 10 * np.log10(np.mean(blocks**2, axis=1) + 1e-12)
    steady = level_db[int(take.speed_s * 100) : int(take.off_s * 100)]
    is_open = level_db > np.median(steady) - under_db
    gain = np.repeat(np.where(is_open, 1.0, floor), hop)
    gain = np.pad(gain, (0, take.x.size - gain.size), mode="edge")
    n = int(0.004 * take.rate_hz)
    gain = np.convolve(gain, np.ones(n) / n, mode="same")
    return replace(take, x=take.x * gain)


def with_sound(take: Take, sound, over_db: float, from_s: float = 0.0, to_s: float = 1e9) -> Take:
    """Mix in a sound ``over_db`` over the machine (A-weighted, its loud parts), in a span."""
    t = np.arange(take.x.size) / take.rate_hz
    sound = np.resize(sound, take.x.size) * ((t >= from_s) & (t < to_s))
    steady = (t > take.speed_s) & (t < (take.off_s or t[-1]))
    hop = int(0.05 * take.rate_hz)
    blocks = sound[: sound.size // hop * hop].reshape(-1, hop)
    loud = blocks[np.argsort(np.mean(blocks**2, axis=1))[-max(3, len(blocks) // 10) :]].ravel()
    scale = weighted(take.x[steady], take.rate_hz) / weighted(loud, take.rate_hz)
    return replace(take, x=take.x + sound * scale * 10 ** (over_db / 20))


def talk(rng, seconds: float, rate_hz: float):
    """Voice-like sound: gliding harmonics through moving formants, in syllables with pauses."""
    out = np.zeros(int(seconds * rate_hz))
    at, pitch_hz = 0.0, rng.uniform(95, 220)
    while at < seconds - 0.4:
        length_s = rng.uniform(0.09, 0.28)
        n = int(length_s * rate_hz)
        t = np.arange(n) / rate_hz
        glide = pitch_hz * (1 + rng.uniform(-0.15, 0.15) * t / length_s + rng.uniform(-0.1, 0.1))
        phase = 2 * np.pi * np.cumsum(glide) / rate_hz
        formants = (rng.uniform(300, 800), rng.uniform(900, 2200), rng.uniform(2300, 3200))
        syllable = np.zeros(n)
        for k in range(1, int(4000 / pitch_hz)):
            gain = sum(
                g / (1 + ((k * pitch_hz - f) / w) ** 2)
                for f, w, g in zip(formants, (70, 110, 160), (1, 0.5, 0.25), strict=True)
            )
            syllable += gain * np.cos(k * phase + k * k)
        hiss = rng.normal(0, 0.15, n) * np.exp(-t / 0.03)
        start = int(at * rate_hz)
        out[start : start + n] += (syllable + hiss)[: out.size - start] * np.hanning(n)
        at += length_s + (rng.uniform(0.02, 0.08) if rng.random() < 0.75 else rng.uniform(0.2, 0.6))
    return out


def music(rng, seconds: float, rate_hz: float):
    """Chords of three plucked tones, two a second, over a bass."""
    out = np.zeros(int(seconds * rate_hz))
    for beat in range(int(seconds / 0.5)):
        root = 110 * 2 ** (rng.integers(0, 12) / 12)
        n = int(0.6 * rate_hz)
        t = np.arange(n) / rate_hz
        for ratio in (1, 2, 2 * 2 ** (4 / 12), 2 * 2 ** (7 / 12)):
            for k in range(1, 7):
                tone = np.cos(2 * np.pi * root * ratio * k * t) * np.exp(-t * (2 + k)) / k
                start = int(beat * 0.5 * rate_hz)
                out[start : start + n] += tone[: max(0, out.size - start)]
    return out


def handling(rng, seconds: float, rate_hz: float):
    """Bumps and rubbing on the phone: low thumps, scraping in fits and starts."""
    n = int(seconds * rate_hz)
    t = np.arange(n) / rate_hz
    out = np.zeros(n)
    at = rng.uniform(0.1, 0.4)
    while at < seconds:
        age = np.maximum(t - at, 0)
        decay = rng.uniform(0.03, 0.09)
        out += (
            (t > at)
            * rng.uniform(0.5, 1.5)
            * np.exp(-age / decay)
            * np.sin(2 * np.pi * rng.uniform(35, 110) * age)
        )
        at += rng.uniform(0.2, 0.7)
    rub = band(rng.normal(0, 1, n), rate_hz, 60, 1500)
    slow = np.clip(band(rng.normal(0, 1, n), rate_hz, 0.5, 6) * 3, 0, None)
    return out + 0.15 * rub / np.std(rub) * slow / (np.std(slow) + 1e-9)


def beans(rng, seconds: float, rate_hz: float):
    """Crackle: broken beans at random times, fast decays from 800 to 9000 Hz."""
    n = int(seconds * rate_hz)
    out = np.zeros(n)
    starts = np.cumsum(rng.exponential(1 / 60, int(80 * seconds)))
    for at in starts[starts < seconds - 0.05]:
        k = int(rng.uniform(0.003, 0.02) * rate_hz)
        out[int(at * rate_hz) : int(at * rate_hz) + k] += (
            rng.lognormal(0, 0.9) * rng.normal(0, 1, k) * np.exp(-4 * np.arange(k) / k)
        )
    out = band(out, rate_hz, 700, 9000)
    feed = 1 + 0.6 * np.sin(2 * np.pi * rng.uniform(0.5, 1.5) * np.arange(n) / rate_hz)
    return out * feed


def universal_motor(seed: int = 0, rate_hz: int = 48_000, seconds: float = 10.0) -> Take:
    """A household machine: brushes, 300 turns a second, the speed wanders and no hum leads."""
    rng = np.random.default_rng(seed)
    n = int(seconds * rate_hz)
    t = np.arange(n) / rate_hz
    share, speed_s, rest_s = speed_of(rng, n, rate_hz, 1.5, 6.0)
    wander = 1 + 0.03 * np.sin(2 * np.pi * rng.uniform(0.15, 0.4) * t) + 0.015 * np.exp(-(t - 1.5))
    turn = 2 * np.pi * np.cumsum(share * wander) / rate_hz * rng.uniform(180, 320)
    x = coloured(rng, n, rate_hz, -3, 300.0) * share**2.5
    for order in (1, 2, 3, 4, 8, 11, 22):
        x += rng.uniform(0.1, 0.7) * share**1.5 * np.cos(order * turn)
    x = room_sound(rng, body(rng, x, rate_hz), rate_hz)
    x *= 0.05 / np.std(x[(t > speed_s) & (t < 6.0)])
    x += 0.05 * 10 ** (-30 / 20) * coloured(rng, n, rate_hz, -4, 80.0)
    return Take(x, rate_hz, 1.5, speed_s, 6.0, rest_s)
