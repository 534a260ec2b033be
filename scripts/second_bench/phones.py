"""Phones: response, gain control, codec, file."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from second_bench.grains import F32, Curve, curve_gain

#: suffix, codec, rates and bit rates a phone or messenger writes, share of phones
FORMATS: tuple[tuple[str, str, tuple[int, ...], tuple[int, ...], float], ...] = (
    ("m4a", "aac", (48000, 44100), (64, 96, 128, 192), 0.50),
    ("opus", "libopus", (48000, 48000, 24000, 16000), (24, 32, 48, 64), 0.20),
    ("wav", "pcm_s16le", (48000, 44100, 32000, 16000), (0,), 0.13),
    ("flac", "flac", (48000, 44100), (0,), 0.07),
    ("mp3", "libmp3lame", (44100, 48000), (64, 96, 128, 192), 0.10),
)


@dataclass(frozen=True, slots=True)
class Phone:
    """One phone with one recorder app; ``ragged`` is its response over frequency, dB."""

    name: str
    suffix: str
    codec: str
    rate_hz: int
    kbps: int
    low_cut_hz: float
    low_cut_order: int
    ragged: Curve
    squeeze: float
    floor_db: float

    @property
    def label(self) -> str:
        """Codec and bit rate."""
        name = {"libopus": "opus", "libmp3lame": "mp3", "pcm_s16le": "wav"}.get(
            self.codec, self.codec
        )
        return f"{name}-{self.kbps}k" if self.kbps else name

    @property
    def band_edge_hz(self) -> float:
        """Upper edge that survives rate and codec (rough, from memory of encoder defaults)."""
        edge = 0.45 * self.rate_hz
        if self.codec == "libopus" and self.kbps <= 32:
            edge = min(edge, 7500.0)
        if self.codec in ("aac", "libmp3lame") and self.kbps <= 64:
            edge = min(edge, 11000.0)
        return edge


def draw_phone(rng: np.random.Generator, index: int) -> Phone:
    """Draw a phone; every fourth squeezes the level a little."""
    # golden-section steps spread the formats evenly even over few phones
    quota = (0.25 + index * 0.618034) % 1.0
    pick = int(np.searchsorted(np.cumsum([f[4] for f in FORMATS]), quota).clip(0, len(FORMATS) - 1))
    suffix, codec, rates, kbps, _ = FORMATS[pick]
    rate_hz = int(rng.choice(rates))
    kbit = int(rng.choice([k for k in kbps if rate_hz > 24000 or k <= 32] or list(kbps)))
    hz = 40.0 * 2.0 ** np.arange(0.0, 9.2, 1 / 3)
    walk = np.cumsum(rng.normal(0, 2.2, hz.size))
    walk = walk - np.interp(np.arange(hz.size), (0, hz.size - 1), (walk[0], walk[-1]))
    ragged = np.clip(walk + rng.normal(0, 1.2, hz.size), -10.0, 10.0)
    return Phone(
        f"phone-{index:02d}",
        suffix,
        codec,
        rate_hz,
        kbit,
        float(rng.uniform(40, 190)),
        int(rng.integers(1, 3)),
        (hz, ragged),
        float(rng.uniform(0.03, 0.15)) if index % 4 == 0 else 0.0,
        float(rng.uniform(-78.0, -58.0)),
    )


def through_microphone(rng: np.random.Generator, x: F32, phone: Phone) -> F32:
    """Low cut and ragged response."""
    size = fft.next_fast_len(x.size + 4096, real=True)
    spectrum = fft.rfft(x, size)
    grid = np.linspace(0.0, phone.rate_hz / 2, 4097)
    sos = signal.butter(
        phone.low_cut_order, phone.low_cut_hz, "highpass", fs=phone.rate_hz, output="sos"
    )
    cut = np.abs(signal.sosfreqz(sos, worN=grid, fs=phone.rate_hz)[1])
    gain = curve_gain(phone.ragged, grid) * cut
    bins = np.arange(spectrum.size) * (4096.0 / (spectrum.size - 1))
    spectrum *= np.interp(bins, np.arange(4097), gain).astype(np.float32)
    return np.asarray(fft.irfft(spectrum, size)[: x.size], dtype=np.float32)


def level_track(x: F32, rate_hz: float, attack_s: float, release_s: float) -> F32:
    """Follow the level, fast up and slow down, as an amplitude."""
    hop = max(1, int(0.01 * rate_hz))
    count = x.size // hop
    power = np.mean(x[: count * hop].reshape(count, hop) ** 2, axis=1)
    up, down = np.exp(-0.01 / attack_s), np.exp(-0.01 / release_s)
    out = np.empty(count)
    state = float(power[0])
    for index, now in enumerate(power.tolist()):
        keep = up if now > state else down
        state = keep * state + (1 - keep) * now
        out[index] = state
    level = np.sqrt(out + 1e-14)
    return np.interp(np.arange(x.size) / hop, np.arange(count) + 0.5, level).astype(np.float32)


def squeeze(x: F32, rate_hz: float, strength: float, attack_s: float, release_s: float) -> F32:
    """Automatic gain: divide by the followed level to the power ``strength``."""
    level = level_track(x, rate_hz, attack_s, release_s)
    reference = float(np.quantile(level, 0.8)) + 1e-12
    floor = reference * 1e-4
    return np.asarray(x * (np.maximum(level, floor) / reference) ** -strength, dtype=np.float32)


def recorded(rng: np.random.Generator, x: F32, phone: Phone, peak_db: float) -> F32:
    """Microphone, mild gain control, level and self-noise; peak at ``peak_db`` FS."""
    y = through_microphone(rng, x, phone)
    if phone.squeeze > 0:
        y = squeeze(y, phone.rate_hz, phone.squeeze, 0.15, 1.2)
    peak = float(np.max(np.abs(y))) + 1e-12
    y = y * np.float32(10.0 ** (peak_db / 20.0) / peak)
    hiss = rng.standard_normal(y.size, dtype=np.float32)
    return y + np.float32(10.0 ** (phone.floor_db / 20.0) * 10.0 ** (peak_db / 20.0)) * hiss


def encode(x: F32, phone: Phone, path: Path) -> None:
    """Write one channel as the phone would."""
    import av

    x = np.clip(x, -1.0, 1.0)
    # "bitexact": no random serial number, so that a seed gives the same bytes
    container = {"m4a": "ipod"}.get(phone.suffix)
    with av.open(str(path), "w", format=container, options={"fflags": "+bitexact"}) as box:
        stream: Any = box.add_stream(phone.codec, rate=phone.rate_hz, layout="mono")
        if phone.kbps:
            stream.bit_rate = 1000 * phone.kbps
        kind = {"aac": "fltp", "libmp3lame": "fltp", "libopus": "flt"}.get(phone.codec, "s16")
        stream.format = kind
        data: NDArray[Any] = np.round(x * 32767.0).astype(np.int16) if kind == "s16" else x
        step = {"libopus": phone.rate_hz // 50, "aac": 1024, "libmp3lame": 1152}.get(
            phone.codec, 4096
        )
        for start in range(0, data.size, step):
            piece = np.ascontiguousarray(data[start : start + step])[None, :]
            frame = av.AudioFrame.from_ndarray(piece, format=kind, layout="mono")
            frame.sample_rate = phone.rate_hz
            frame.pts = start
            frame.time_base = Fraction(1, phone.rate_hz)
            box.mux(stream.encode(frame))
        box.mux(stream.encode(None))
