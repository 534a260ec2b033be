"""Phones: a microphone's colour, its automatics, and the file it writes."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
import soundfile
from numpy.random import Generator
from scipy import fft, signal

from fourth_bench.tools import (
    F32,
    HOP,
    SIZE,
    db,
    formants,
    gauss,
    high_pass,
    hump,
    log_uniform,
    low_pass,
    rms,
)

#: container, encoder, kbit/s choices, rates an encoder takes
CODECS: dict[str, tuple[str, str, tuple[int, ...]]] = {
    "aac": ("m4a", "aac", (48, 64, 96, 128, 192)),
    "opus": ("opus", "libopus", (16, 24, 32, 64, 96)),
    "mp3": ("mp3", "libmp3lame", (48, 64, 96, 128, 192)),
    "amr": ("amr", "libopencore_amrnb", (12,)),
}
#: Samples an AAC encoder puts before the sound (measured by correlation with PyAV).
AAC_LEAD = 1024
OPUS_RATES = (16000, 24000, 48000)


@dataclass(frozen=True, slots=True)
class Phone:
    """One phone; ``seed`` fixes its colour."""

    name: str
    seed: int
    rate_hz: int
    channels: int
    codec: str
    kbit: int
    low_hz: float
    top_hz: float
    peak_db: float
    agc: float
    gate_db: float
    hiss_db: float

    @property
    def label(self) -> str:
        """Codec as the truth names it."""
        return self.codec if self.codec in ("wav", "flac") else f"{self.codec}-{self.kbit}k"


def draw_phone(rng: Generator, number: int) -> Phone:
    """One phone."""
    codec = str(rng.choice(("aac", "wav", "flac", "opus", "mp3"), p=(0.42, 0.18, 0.08, 0.2, 0.12)))
    if codec == "opus":
        rate = int(rng.choice(OPUS_RATES, p=(0.3, 0.1, 0.6)))
    else:
        rates = (16000, 22050, 24000, 32000, 44100, 48000)
        rate = int(rng.choice(rates, p=(0.07, 0.05, 0.04, 0.12, 0.32, 0.4)))
    kbit = int(rng.choice(CODECS[codec][2])) if codec in CODECS else 0
    if codec in ("aac", "mp3") and rate < 32000:
        kbit = min(kbit, 64)
    soft = rng.random() < 0.15
    return Phone(
        name=f"set-{number:02d}",
        seed=int(rng.integers(2**31)),
        rate_hz=rate,
        channels=int(rng.choice((1, 2), p=(0.65, 0.35))),
        codec=codec,
        kbit=kbit,
        low_hz=log_uniform(rng, 20, 220),
        top_hz=float(rng.uniform(5500, 9000) if soft else rng.uniform(11000, 23000)),
        peak_db=float(rng.uniform(-22, -1.5)),
        agc=float(rng.uniform(0.05, 0.25) if rng.random() < 0.25 else 0.0),
        gate_db=float(rng.uniform(2, 8) if rng.random() < 0.2 else 0.0),
        hiss_db=float(rng.uniform(-78, -56)),
    )


def colour(phone: Phone, rate_hz: int) -> F32:
    """Impulse response of microphone and case."""
    own = np.random.default_rng(phone.seed)
    f = np.fft.rfftfreq(2048, 1 / rate_hz).astype(np.float32)
    f[0] = 1.0
    gain = formants(own, f, 6, 4.0) * (
        1 + own.uniform(0, 1.5) * hump(f, own.uniform(4e3, 9e3), 0.4)
    )
    slope = own.uniform(-1.5, 1.5) * np.log2(np.clip(f, 100, 12000) / 1000)
    gain = gain * 10 ** (slope / 20)
    # minimum phase from the real cepstrum: no echo before the sound
    cep = fft.irfft(np.log(np.maximum(gain, 1e-3)))
    fold = np.zeros(cep.size)
    fold[0], fold[1:1024] = 1, 2
    fold[1024] = 1
    return np.asarray(fft.irfft(np.exp(fft.rfft(cep * fold)))[:512], dtype=np.float32)


def microphone(x: F32, phone: Phone, rate_hz: int) -> F32:
    """Colour and band of the microphone."""
    y = np.asarray(signal.oaconvolve(x, colour(phone, rate_hz))[: x.size], dtype=np.float32)
    y = high_pass(y, rate_hz, phone.low_hz, 2)
    return low_pass(y, rate_hz, phone.top_hz, 4) if phone.top_hz < 10000 else y


def ride(x: F32, rate_hz: int, strength: float, attack_s: float, release_s: float) -> F32:
    """Automatic gain: pulls the level towards a target by ``strength`` (0 none, 1 wholly)."""
    step = rate_hz // 100
    count = x.size // step + 1
    padded = np.pad(x, (0, count * step - x.size))
    level = np.log(np.sqrt(np.mean(np.square(padded.reshape(count, step)), axis=1)) + 1e-5)
    follow = np.empty(count)
    now = level[: max(1, count // 50)].mean()
    up, down = 1 - np.exp(-0.01 / attack_s), 1 - np.exp(-0.01 / release_s)
    for i, value in enumerate(level.tolist()):
        now += (up if value > now else down) * (value - now)
        follow[i] = now
    gain = np.exp(-strength * (follow - follow.max()))
    fine = np.interp(np.arange(x.size), (np.arange(count) + 0.5) * step, gain)
    return np.asarray(x * fine, dtype=np.float32)


def suppress(x: F32, rate_hz: int, quiet: slice, floor_db: float) -> F32:
    """Noise suppression: bins near the quiet stretch's level are turned down."""
    frames = x.size // HOP + 2
    padded = np.pad(x, (HOP, (frames + 1) * HOP - x.size))
    window = np.sin(np.pi * (np.arange(SIZE, dtype=np.float32) + 0.5) / SIZE)
    blocks = np.lib.stride_tricks.sliding_window_view(padded, SIZE)[::HOP][:frames] * window
    spectra = fft.rfft(blocks, axis=1)
    power = np.square(np.abs(spectra))
    first, last = quiet.start // HOP, max(quiet.start // HOP + 2, quiet.stop // HOP)
    noise = power[first:last].mean(axis=0)
    gain = np.sqrt(np.clip(1 - 1.5 * noise / (power + 1e-12), db(-floor_db) ** 2, 1))
    gain[1:] = 0.5 * (gain[1:] + gain[:-1])
    blocks = fft.irfft(spectra * gain.astype(np.float32), SIZE, axis=1) * window
    out = np.zeros((frames + 1, HOP), dtype=np.float32)
    out[:-1] += blocks[:, :HOP]
    out[1:] += blocks[:, HOP:]
    return np.asarray(out.reshape(-1)[HOP : HOP + x.size], dtype=np.float32)


def limited(x: F32, knee: float = 0.7) -> F32:
    """Soft limiter above the knee."""
    over = np.abs(x) - knee
    bent = knee + (1 - knee) * np.tanh(np.maximum(over, 0) / (1 - knee))
    return np.asarray(np.where(over > 0, np.sign(x) * bent, x), dtype=np.float32)


def to_rate(x: F32, have_hz: int, want_hz: int) -> F32:
    """Resample."""
    if have_hz == want_hz:
        return x
    common = int(np.gcd(have_hz, want_hz))
    return np.asarray(
        signal.resample_poly(x, want_hz // common, have_hz // common), dtype=np.float32
    )


def tracks(x: F32, phone: Phone, rng: Generator) -> F32:
    """Channels of the file, shape (channels, n)."""
    if phone.channels == 1:
        return x[None, :]
    own = np.random.default_rng([phone.seed, 2])
    lag = int(own.integers(0, 12))
    other = np.roll(x, lag) * np.float32(db(own.uniform(-8, 1)))
    if own.random() < 0.5:
        other = low_pass(other, phone.rate_hz, 0.35 * phone.rate_hz, 1)
    other = other + np.float32(db(phone.hiss_db)) * gauss(rng, x.size)
    return np.stack([x, other] if own.random() < 0.7 else [other, x]).astype(np.float32)


def write(path: Path, data: F32, phone: Phone) -> None:
    """Write channels (channels, n) as the phone does."""
    data = np.clip(data, -1.0, 1.0)
    if phone.codec == "aac":
        # the first frame is the encoder's own run-in and is decoded with the rest
        data = data[:, AAC_LEAD:]
    if phone.codec in ("wav", "flac"):
        soundfile.write(path, data.T, phone.rate_hz, subtype="PCM_16")
        return
    _, encoder, _ = CODECS[phone.codec]
    layout = "stereo" if data.shape[0] == 2 else "mono"
    with av.open(str(path), "w") as box:
        stream = box.add_stream(encoder, rate=phone.rate_hz, layout=layout)
        stream.bit_rate = 12200 if phone.codec == "amr" else 1000 * phone.kbit
        whole = np.round(data * 32767).astype(np.int16)
        frame = av.AudioFrame.from_ndarray(
            np.ascontiguousarray(whole.T.reshape(1, -1)), format="s16", layout=layout
        )
        frame.sample_rate = phone.rate_hz
        for packet in stream.encode(frame):
            box.mux(packet)
        for packet in stream.encode(None):
            box.mux(packet)


def level_of(x: F32) -> float:
    """Level in dB."""
    return 20 * float(np.log10(rms(x)))
