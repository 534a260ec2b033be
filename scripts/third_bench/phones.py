"""Phones: microphone, gain control, noise reduction, limiter, and the file they write."""

from __future__ import annotations

import io
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import soundfile as sf
from numpy.typing import NDArray
from scipy import fft, signal

from third_bench.base import F32, Rng, slow, spread, uniform, white
from third_bench.kernels import follow_level

# name: container, suffix, encoder, bit rates, highest band edge in Hz
CODECS: dict[str, tuple[str, str, str, tuple[int, ...]]] = {
    "aac": ("mp4", ".m4a", "aac", (48000, 64000, 96000, 128000, 192000)),
    "aac-mov": ("mov", ".mov", "aac", (96000, 160000)),
    "alac": ("mp4", ".m4a", "alac", (0,)),
    "opus": ("ogg", ".ogg", "libopus", (16000, 24000, 32000, 64000)),
    "opus-webm": ("webm", ".webm", "libopus", (32000, 64000)),
    "mp3": ("mp3", ".mp3", "libmp3lame", (64000, 96000, 128000, 192000)),
    "amr": ("3gp", ".3gp", "libopencore_amrnb", (12200, 7950)),
    "wav": ("", ".wav", "PCM_16", (0,)),
    "wav24": ("", ".wav", "PCM_24", (0,)),
    "flac": ("", ".flac", "PCM_16", (0,)),
    "vorbis": ("", ".ogg", "VORBIS", (0,)),
}
USUAL = (
    "aac",
    "aac",
    "aac",
    "aac-mov",
    "alac",
    "opus",
    "opus",
    "opus-webm",
    "mp3",
    "wav",
    "wav",
    "wav24",
    "flac",
    "vorbis",
)


@dataclass(frozen=True, slots=True)
class Phone:
    """A recorder."""

    name: str
    seed: tuple[int, ...]
    rate_hz: int
    edge_hz: float
    low_cut_hz: float
    low_order: int
    codec: str
    bit_rate: int
    channels: int
    noise_db: float
    reducer: float  # 0 off .. 1 strong
    leveller_db: float
    limiter: bool

    @property
    def inner_rate_hz(self) -> int:
        """Rate at which the scene is built."""
        return 48000 if self.rate_hz > 32000 else max(self.rate_hz, 16000)


def draw_phone(seed: tuple[int, ...], number: int, narrow: bool = False) -> Phone:
    """A recorder from its seed alone; ``narrow`` for telephone and headset paths."""
    rng = np.random.default_rng([*seed, 0])
    codec = str(rng.choice(USUAL))
    rate = int(rng.choice((48000, 44100, 32000, 24000, 16000), p=(0.45, 0.33, 0.06, 0.06, 0.10)))
    if narrow:
        codec = str(rng.choice(("amr", "amr", "wav", "aac", "opus", "mp3")))
        rate = 8000 if codec == "amr" else int(rng.choice((8000, 16000, 44100, 48000)))
    if CODECS[codec][2] == "libopus":
        rate = 48000 if rate > 24000 else 16000
    edge = 0.5 * rate * uniform(rng, 0.88, 0.97)
    if rng.random() < 0.3:
        edge = min(edge, spread(rng, 7000.0, 16000.0))
    if narrow:
        edge = min(0.45 * rate, uniform(rng, 3100.0, 3900.0))
    rates = CODECS[codec][3]
    return Phone(
        name=f"phone-{number:03d}" + ("n" if narrow else ""),
        seed=seed,
        rate_hz=rate,
        edge_hz=edge,
        low_cut_hz=spread(rng, 25.0, 190.0),
        low_order=int(rng.integers(1, 4)),
        codec=codec,
        bit_rate=int(rng.choice(rates)),
        channels=2 if rng.random() < 0.3 and codec != "amr" else 1,
        noise_db=uniform(rng, -80.0, -58.0),
        reducer=uniform(rng, 0.1, 0.5) if rng.random() < 0.2 else 0.0,
        leveller_db=uniform(rng, 0.5, 2.5) if rng.random() < 0.25 else 0.0,
        limiter=rng.random() < 0.5,
    )


def _microphone(rng: Rng, phone: Phone, rate_hz: float) -> F32:
    """Linear-phase response: low cut, ripple, a port resonance, band edge."""
    size = 4096
    freq = np.maximum(fft.rfftfreq(size, 1.0 / rate_hz), 5.0)
    octave = np.log2(freq / 1000.0)
    knots = np.arange(-6.0, 5.0, 0.8)
    level = np.interp(octave, knots, rng.normal(0.0, uniform(rng, 0.8, 3.0), knots.size))
    level += uniform(rng, -1.0, 1.0) * octave
    port = np.log2(freq / spread(rng, 2500.0, 12000.0))
    level += uniform(rng, 0.0, 9.0) * np.exp(-((port / 0.35) ** 2))
    level -= 10.0 * phone.low_order * np.log10(1.0 + (phone.low_cut_hz / freq) ** 2)
    steep = spread(rng, 12.0, 60.0)
    level -= 10.0 * np.log10(1.0 + (freq / phone.edge_hz) ** steep)
    kernel = np.roll(fft.irfft(10 ** (level / 20.0), size), size // 2)
    kernel = kernel[size // 2 - 512 : size // 2 + 512] * np.hanning(1024)
    return kernel.astype(np.float32)


def capture(rng: Rng, phone: Phone, sound: F32, rate_hz: float, peak_db: float) -> NDArray:
    """Sound at the microphone -> samples at the phone's rate, shape (n,) or (n, 2), within 1."""
    own = np.random.default_rng([*phone.seed, 1])
    kernel = _microphone(own, phone, rate_hz)
    heard = signal.oaconvolve(sound, kernel)[512 : 512 + sound.size].astype(np.float32)
    size = np.abs(heard)
    loud = max(float(np.quantile(size[::7], 0.9999)), 0.6 * float(size.max()))
    heard *= 10 ** (peak_db / 20.0) / (loud + 1e-12)
    heard += 10 ** (phone.noise_db / 20.0) * white(rng, heard.size)
    if phone.reducer > 0.0:
        heard = reduce_noise(heard, rate_hz, phone.reducer)
    if phone.leveller_db > 0.0:
        heard = ride(heard, rate_hz, phone.leveller_db, 0.8)
    if phone.limiter:
        heard = limit(heard, rate_hz, 0.7)
    if rate_hz != phone.rate_hz:
        share = Fraction(phone.rate_hz, int(rate_hz))
        heard = signal.resample_poly(heard, share.numerator, share.denominator).astype(np.float32)
    if phone.channels == 1:
        return np.clip(heard, -1.0, 1.0)
    return np.clip(_second_channel(own, rng, heard, phone), -1.0, 1.0)


def _second_channel(own: Rng, rng: Rng, heard: F32, phone: Phone) -> NDArray:
    late = int(own.integers(0, max(2, int(0.0006 * phone.rate_hz))))
    other = np.roll(heard, late) * uniform(own, 0.3, 1.1)
    kind = own.random()
    if kind < 0.15:
        other = -other
    elif kind < 0.3:
        other = 0.001 * white(rng, heard.size)
    else:
        other = other + 0.4 * np.r_[np.float32(0.0), other[:-1]] * (own.random() - 0.5)
    pair = (heard, other) if own.random() < 0.7 else (other, heard)
    return np.stack(pair, axis=1).astype(np.float32)


def limit(x: F32, rate_hz: float, top: float) -> F32:
    """Turn down peaks over ``top``, fast down and slow back."""
    size = int(0.002 * rate_hz)
    n = x.size // size * size
    peak = np.abs(x[:n]).reshape(-1, size).max(axis=1).astype(np.float64)
    level = follow_level(np.square(peak), 0.9, 1.0 - np.exp(-0.002 / 0.15))
    gain = np.minimum(1.0, top / (np.sqrt(level) + 1e-9))
    at = (np.arange(gain.size) + 0.5) * size
    return (x * np.interp(np.arange(x.size), at, gain)).astype(np.float32)


def ride(x: F32, rate_hz: float, range_db: float, speed_s: float) -> F32:
    """Automatic gain: loud is turned down, quiet up, within ``range_db`` in all."""
    size = int(0.01 * rate_hz)
    n = x.size // size * size
    power = np.square(x[:n].astype(np.float64)).reshape(-1, size).mean(axis=1)
    level = follow_level(power, 1 - np.exp(-0.01 / (0.12 * speed_s)), 1 - np.exp(-0.01 / speed_s))
    db = 10.0 * np.log10(level + 1e-10)
    middle = np.quantile(db, 0.7)
    move = np.clip(0.6 * (middle - db), -0.5 * range_db, 0.5 * range_db)
    at = (np.arange(move.size) + 0.5) * size
    return (x * 10 ** (np.interp(np.arange(x.size), at, move) / 20.0)).astype(np.float32)


def reduce_noise(x: F32, rate_hz: float, strength: float) -> F32:
    """Spectral gating: what stays near its own floor is turned down."""
    size = 512 if rate_hz < 30000 else 1024
    _, _, z = signal.stft(x, rate_hz, nperseg=size, noverlap=size // 2)
    power = np.abs(z) ** 2
    floor = np.quantile(power[:, ::3], 0.1, axis=1, keepdims=True) * 3.0 + 1e-14
    gain = 1.0 - strength * floor / (power + floor)
    _, y = signal.istft(z * gain, rate_hz, nperseg=size, noverlap=size // 2)
    return (
        y[: x.size].astype(np.float32)
        if y.size >= x.size
        else np.pad(y, (0, x.size - y.size)).astype(np.float32)
    )


def gate(rng: Rng, x: F32, rate_hz: float, over_db: float) -> F32:
    """A noise gate: silence, or nearly, while the level is near the floor."""
    size = int(0.01 * rate_hz)
    n = x.size // size * size
    power = np.square(x[:n].astype(np.float64)).reshape(-1, size).mean(axis=1)
    level = 10.0 * np.log10(follow_level(power, 0.6, 0.12) + 1e-12)
    floor = float(np.quantile(level, 0.08))
    wide = float(np.quantile(level, 0.9)) - floor
    open_ = level > floor + min(over_db, 0.55 * wide)
    hold = int(spread(rng, 3, 40))
    open_ = np.convolve(open_, np.ones(hold), "full")[: open_.size] > 0.5
    shut = 10 ** (-uniform(rng, 25.0, 90.0) / 20.0)
    gain = np.where(open_, 1.0, shut)
    gain = np.convolve(np.pad(gain, 2, "edge"), np.ones(3) / 3, "same")[2:-2]
    at = (np.arange(gain.size) + 0.5) * size
    return (x * np.interp(np.arange(x.size), at, gain)).astype(np.float32)


def write(phone: Phone, samples: NDArray, stem: Path) -> tuple[Path, str]:
    """Write the file; returns its path and the codec's name for the truth."""
    container, suffix, encoder, _ = CODECS[phone.codec]
    path = stem.with_suffix(suffix)
    if not container:
        kind = "OGG" if encoder == "VORBIS" else suffix[1:].upper()
        # libsndfile's vorbis encoder takes stack by the length it is given: small pieces
        columns = 1 if samples.ndim == 1 else samples.shape[1]
        with sf.SoundFile(path, "w", phone.rate_hz, columns, encoder, format=kind) as out:
            for start in range(0, len(samples), 65536):
                out.write(samples[start : start + 65536])
        return path, phone.codec
    _encode(path, container, encoder, phone, samples)
    name = phone.codec if phone.bit_rate == 0 else f"{phone.codec}-{phone.bit_rate / 1000:g}k"
    return path, name


def _encode(path: Path, container: str, encoder: str, phone: Phone, samples: NDArray) -> None:
    stereo = samples.ndim == 2
    layout = "stereo" if stereo else "mono"
    buffer = io.BytesIO()
    # bit-exact: no random stream numbers in the file
    with av.open(buffer, "w", format=container, options={"fflags": "+bitexact"}) as out:
        stream = out.add_stream(encoder, rate=phone.rate_hz, layout=layout)
        if phone.bit_rate:
            stream.bit_rate = phone.bit_rate
        planes = np.ascontiguousarray(samples.T if stereo else samples[None, :], dtype=np.float32)
        size = 16384
        for start in range(0, planes.shape[1], size):
            piece = np.ascontiguousarray(planes[:, start : start + size])
            frame = av.AudioFrame.from_ndarray(piece, format="fltp", layout=layout)
            frame.sample_rate = phone.rate_hz
            frame.pts = start
            frame.time_base = Fraction(1, phone.rate_hz)
            for packet in stream.encode(frame):
                out.mux(packet)
        for packet in stream.encode(None):
            out.mux(packet)
    path.write_bytes(buffer.getvalue())


def readable_s(path: Path) -> float:
    """Seconds that can be decoded from a file, 0 where nothing can."""
    total_s = 0.0
    try:
        with av.open(str(path)) as box:
            stream = box.streams.audio[0]
            for frame in box.decode(stream):
                total_s += frame.samples / float(frame.sample_rate)
    except (av.error.FFmpegError, IndexError, ValueError):
        return total_s  # what came before the break can be heard
    return total_s


__all__ = [
    "Phone",
    "capture",
    "draw_phone",
    "gate",
    "readable_s",
    "reduce_noise",
    "ride",
    "slow",
    "write",
]
