"""Signal pieces: noise painted in time and frequency, grains, tables read by angle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from scipy import fft, signal

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

SIZE = 1024
HOP = SIZE // 2


def db(value: float) -> float:
    """Amplitude of a level in dB."""
    return float(10.0 ** (value / 20.0))


def gauss(rng: Generator, n: int) -> F32:
    """White noise of unit power."""
    return rng.standard_normal(n, dtype=np.float32)


def rms(x: F32) -> float:
    """Root of the mean square, never zero."""
    return float(np.sqrt(np.mean(np.square(x), dtype=np.float64) + 1e-24)) if x.size else 1e-12


def log_uniform(rng: Generator, low: float, high: float) -> float:
    """Uniform on a logarithmic axis."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


@dataclass(frozen=True, slots=True, eq=False)
class Paint:
    """Noise painted on a grid of frames; gains have shape (frames, bins) or broadcast to it.

    Attributes
    ----------
    n : samples of the sound
    rate_hz : Hz
    """

    n: int
    rate_hz: int

    @property
    def frames(self) -> int:
        """Number of half-overlapping frames that cover the sound."""
        return self.n // HOP + 2

    @property
    def freqs(self) -> F32:
        """Bin frequencies, Hz, shape (bins,); the first is moved off zero."""
        f = np.fft.rfftfreq(SIZE, 1.0 / self.rate_hz).astype(np.float32)
        f[0] = f[1] / 2
        return f

    @property
    def times(self) -> F64:
        """Frame centres, s, shape (frames,)."""
        return np.asarray(np.arange(self.frames) * HOP / self.rate_hz)

    def noise(self, rng: Generator, gain: F32) -> F32:
        """Noise whose power at (t, f) is the square of ``gain``, shape (n,)."""
        frames, bins = self.frames, SIZE // 2 + 1
        raw = rng.standard_normal((frames, 2 * bins), dtype=np.float32).view(np.complex64)
        raw *= np.broadcast_to(gain, (frames, bins))
        blocks = fft.irfft(raw, SIZE, axis=1)
        blocks *= np.sin(np.pi * (np.arange(SIZE, dtype=np.float32) + 0.5) / SIZE)
        out = np.zeros((frames + 1, HOP), dtype=np.float32)
        out[:-1] += blocks[:, :HOP]
        out[1:] += blocks[:, HOP:]
        # the first half frame lies before the start
        return np.asarray(out.reshape(-1)[HOP : HOP + self.n] * np.float32(np.sqrt(SIZE / 2)))


def hump(freqs: F32, centre_hz: float | F32, octaves: float) -> F32:
    """Amplitude of a bell on the octave axis, 1 at its centre, shape as broadcast."""
    return np.exp(-0.5 * np.square(np.log2(freqs / centre_hz) / octaves)).astype(np.float32)


def formants(rng: Generator, freqs: F32, count: int, spread_db: float = 6.0) -> F32:
    """Uneven amplitude curve of a body: bells and dips at random places."""
    curve = np.zeros_like(freqs)
    for _ in range(count):
        centre = log_uniform(rng, 120.0, 9000.0)
        curve += rng.normal(0.0, spread_db) * hump(freqs, centre, rng.uniform(0.08, 0.5))
    return np.asarray(10.0 ** (curve / 20.0), dtype=np.float32)


def tilt(freqs: F32, db_per_octave: float, at_hz: float = 1000.0) -> F32:
    """Straight slope through 1 at ``at_hz``; flat below 60 Hz."""
    octaves = np.log2(np.maximum(freqs, 60.0) / at_hz)
    return np.asarray(10.0 ** (db_per_octave * octaves / 20.0), dtype=np.float32)


def band(freqs: F32, low_hz: float, high_hz: float, steep: float = 4.0) -> F32:
    """Band with soft edges, amplitude."""
    up = 1.0 / (1.0 + (low_hz / freqs) ** steep)
    down = 1.0 / (1.0 + (freqs / high_hz) ** steep)
    return np.asarray(up * down, dtype=np.float32)


def lookup(table: F32, cycles: F64) -> F32:
    """Read a periodic table (length a power of two) at phases in cycles."""
    where = (cycles - np.floor(cycles)) * table.size
    return np.asarray(table[where.astype(np.int32) & (table.size - 1)])


def harmonic_table(amps: Sequence[float] | F64, rng: Generator, size: int = 4096) -> F32:
    """One period of harmonics 1, 2, ... with random phases."""
    spectrum = np.zeros(size // 2 + 1, dtype=np.complex128)
    amps = np.asarray(amps, dtype=np.float64)
    phases = np.exp(2j * np.pi * rng.random(amps.size))
    spectrum[1 : amps.size + 1] = amps * phases * size / 2
    return np.asarray(fft.irfft(spectrum, size), dtype=np.float32)


def arc_table(centre: float, width: float, edge: float = 0.2, size: int = 1024) -> F32:
    """Envelope over one turn: 1 inside an arc of ``width`` turns, raised-cosine edges."""
    x = np.arange(size) / size
    far = np.abs((x - centre + 0.5) % 1.0 - 0.5)
    half, soft = width / 2, max(1e-3, edge * width)
    return np.asarray(
        0.5 * (1 + np.cos(np.pi * np.clip((far - half) / soft + 0.5, 0, 1))), dtype=np.float32
    )


def wander(rng: Generator, n: int, rate_hz: float, hz: float) -> F32:
    """Slow unit-variance random curve with content up to about ``hz``."""
    points = max(4, int(n / rate_hz * 2.0 * hz) + 4)
    raw = rng.standard_normal(points)
    x = np.linspace(0.0, points - 1.0, n)
    return np.interp(x, np.arange(points), raw).astype(np.float32)


def hit(
    rng: Generator,
    rate_hz: int,
    centre_hz: float,
    *,
    octaves: float = 0.6,
    partials: int = 5,
    decay_s: float = 0.01,
    noise: float = 0.5,
    attack_s: float = 0.0004,
    tones_hz: F64 | None = None,
) -> F32:
    """One hit: inharmonic partials and a band of noise, both dying away; unit energy."""
    n = int(min(0.4, 7.0 * decay_s + 4 * attack_s) * rate_hz) + 8
    t = np.arange(n) / rate_hz
    if tones_hz is None:
        tones_hz = centre_hz * 2.0 ** rng.normal(0.0, octaves, partials)
    out = np.zeros(n)
    for f in tones_hz:
        if f < 0.45 * rate_hz:
            own = decay_s * (centre_hz / f) ** 0.5 * rng.uniform(0.7, 1.3)
            out += rng.uniform(0.3, 1.0) * np.exp(-t / own) * np.sin(2 * np.pi * f * t)
    out /= np.sqrt(np.sum(out**2) + 1e-12)
    if noise > 0.0:
        hiss = rng.standard_normal(n) * np.exp(-t / (decay_s * rng.uniform(0.4, 0.9)))
        low = np.clip(centre_hz * 2.0 ** (-octaves - 0.3), 40.0, 0.35 * rate_hz)
        high = np.clip(centre_hz * 2.0 ** (octaves + 0.3), 1.3 * low, 0.47 * rate_hz)
        sos = signal.butter(2, [low, high], "bandpass", fs=rate_hz, output="sos")
        hiss = signal.sosfilt(sos, hiss)
        out = (1 - noise) * out + noise * hiss / np.sqrt(np.sum(hiss**2) + 1e-12)
    out *= 1.0 - np.exp(-t / attack_s)
    out[-n // 5 :] *= np.linspace(1.0, 0.0, n // 5 + (n % 5 > 0))[: out[-n // 5 :].size]
    return np.asarray(out / np.sqrt(np.sum(out**2) + 1e-12), dtype=np.float32)


def bank(rng: Generator, rate_hz: int, count: int, centre_hz: float, **kind: float | int) -> list:
    """Hits of one object: the same partials, never twice quite the same."""
    octaves, partials = float(kind.pop("octaves", 0.6)), int(kind.pop("partials", 5))
    tones = centre_hz * 2.0 ** rng.normal(0.0, octaves, partials)
    out = []
    for _ in range(count):
        near = tones * 2.0 ** rng.normal(0.0, 0.01, partials)
        out.append(hit(rng, rate_hz, centre_hz, octaves=octaves, tones_hz=near, **kind))
    return out


def scatter(n: int, where: I64, amps: F64 | F32, grains: Sequence[F32], rng: Generator) -> F32:
    """Lay grains, drawn at random from the bank, at sample numbers; shape (n,)."""
    out = np.zeros(n, dtype=np.float32)
    which = rng.integers(0, len(grains), len(where))
    for at, amp, number in zip(where.tolist(), amps.tolist(), which.tolist(), strict=True):
        grain = grains[number]
        end = min(n, at + grain.size)
        if 0 <= at < end:
            out[at:end] += np.float32(amp) * grain[: end - at]
    return out


def ring(rng: Generator, rate_hz: int, tones_hz: F64, decay_s: float, dry: float) -> F32:
    """Impulse response of a body that rings at ``tones_hz`` beside the direct sound."""
    n = int(min(0.25, 6 * decay_s) * rate_hz)
    t = np.arange(n, dtype=np.float64) / rate_hz
    out = np.zeros(n)
    for f in tones_hz[tones_hz < 0.46 * rate_hz]:
        own = decay_s * rng.uniform(0.4, 1.6)
        tone = np.exp(-t / own) * np.sin(2 * np.pi * f * t + rng.uniform(0, 2 * np.pi))
        out += rng.uniform(0.3, 1.0) * tone / np.sqrt(np.sum(tone**2) + 1e-12)
    out /= np.sqrt(np.sum(out**2) + 1e-12)
    out[0] += dry
    return np.asarray(out, dtype=np.float32)


def convolve(x: F32, response: F32) -> F32:
    """Linear convolution cut to the length of ``x``."""
    if response.size < 8192:
        return np.asarray(signal.oaconvolve(x, response)[: x.size], dtype=np.float32)
    size = fft.next_fast_len(x.size + response.size, real=True)
    spectrum = fft.rfft(x, size)
    spectrum *= fft.rfft(response, size)
    return np.asarray(fft.irfft(spectrum, size)[: x.size], dtype=np.float32)


def high_pass(x: F32, rate_hz: int, hz: float, order: int = 2) -> F32:
    """Butterworth high-pass."""
    sos = signal.butter(order, hz, "highpass", fs=rate_hz, output="sos")
    return np.asarray(signal.sosfilt(sos.astype(np.float32), x), dtype=np.float32)


def low_pass(x: F32, rate_hz: int, hz: float, order: int = 2) -> F32:
    """Butterworth low-pass."""
    if hz >= 0.49 * rate_hz:
        return x
    sos = signal.butter(order, hz, "lowpass", fs=rate_hz, output="sos")
    return np.asarray(signal.sosfilt(sos.astype(np.float32), x), dtype=np.float32)
