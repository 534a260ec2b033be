"""Phones: microphone, its processing, and the file it writes."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
from scipy import fft
from scipy.signal import resample_poly

from fifth_bench.basics import F32, Rng, gain_at, ratio, rms

#: Codec: what PyAV calls it, container, suffix, rates it takes, bit rates in kbit/s.
CODECS: dict[str, tuple[str, str, str, tuple[int, ...], tuple[float, ...]]] = {
    "wav": ("pcm_s16le", "wav", ".wav", (), ()),
    "flac": ("flac", "flac", ".flac", (), ()),
    "alac": ("alac", "ipod", ".m4a", (), ()),
    "aac": ("aac", "ipod", ".m4a", (), (40, 64, 96, 128, 192)),
    "mp4": ("aac", "mp4", ".mp4", (), (64, 96, 128)),
    "mp3": ("libmp3lame", "mp3", ".mp3", (), (48, 64, 96, 128, 192)),
    "opus": ("libopus", "ogg", ".opus", (16000, 24000, 48000), (16, 24, 32, 64, 96)),
    "webm": ("libopus", "webm", ".webm", (48000,), (32, 64, 96)),
    "vorbis": ("vorbis", "ogg", ".ogg", (44100, 48000), (96,)),
    "amr": ("libopencore_amrnb", "amr", ".amr", (8000,), (4.75, 7.95, 12.2)),
}
USUAL = {
    "aac": 0.36, "wav": 0.13, "opus": 0.17, "flac": 0.08, "mp3": 0.1, "alac": 0.04,
    "mp4": 0.06, "webm": 0.06,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Phone:
    """One phone and its settings."""

    name: str
    seed: int
    rate_hz: int
    codec: str
    kbps: float
    low_hz: float
    top_hz: float
    curve: tuple[tuple[float, float], ...]
    agc: float
    suppress_db: float
    gate_db: float
    drive_db: float
    hiss_db: float


def draw(seed: int, number: int) -> Phone:
    """Phone ``number`` of the town of ``seed``."""
    rng = np.random.default_rng([5, seed, 303, number])
    codec = str(rng.choice(list(USUAL), p=list(USUAL.values())))
    rates = CODECS[codec][3] or (16000, 22050, 24000, 32000, 44100, 48000)
    weights = np.array([{44100: 6, 48000: 8, 32000: 1.5}.get(r, 1.0) for r in rates])
    rate = int(rng.choice(rates, p=weights / weights.sum()))
    kbps = float(rng.choice(CODECS[codec][4])) if CODECS[codec][4] else 0.0
    hz = 80 * 2.0 ** (np.arange(15) / 2)
    tilt = rng.normal(0, 1.0)
    level = rng.normal(0, rng.uniform(1, 3.5), 15) + tilt * np.log2(hz / 1000)
    curve = tuple(zip(hz.tolist(), level.tolist(), strict=True))
    return Phone(
        name=f"v{seed}-phone-{number:02d}",
        seed=int(rng.integers(1 << 31)),
        rate_hz=rate,
        codec=codec,
        kbps=kbps,
        low_hz=float(np.exp(rng.uniform(np.log(30), np.log(280)))),
        top_hz=min(float(rng.uniform(9000, 21000)), 0.46 * rate),
        curve=curve,
        agc=float(rng.choice([0.0, 0.0, 0.0, rng.uniform(0.05, 0.3)])),
        suppress_db=float(rng.choice([0.0, 0.0, 0.0, rng.uniform(3, 9)])),
        gate_db=0.0,
        drive_db=float(rng.choice([0.0, 0.0, rng.uniform(0, 4)])),
        hiss_db=float(rng.uniform(-68, -48)),
    )


def microphone_gain(phone: Phone, hz: np.ndarray) -> F32:
    """Amplitude gain of microphone and filters at frequencies."""
    coarse = np.linspace(0, hz[-1], 1500)
    gain = gain_at(coarse, list(phone.curve))
    gain *= (coarse / phone.low_hz) ** 2 / (1 + (coarse / phone.low_hz) ** 2)
    gain /= np.sqrt(1 + (coarse / phone.top_hz) ** 24)
    return np.interp(hz, coarse, gain).astype(np.float32)


def suppressed(x: F32, rate_hz: float, depth_db: float) -> F32:
    """Light noise suppression: bins near their own quiet level are turned down."""
    size = 512 if rate_hz < 30000 else 1024
    hop = size // 2
    window = np.sqrt(np.hanning(size + 1)[:size]).astype(np.float32)
    padded = np.pad(x, (hop, size))
    frames = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop] * window
    spectra = fft.rfft(frames)
    power = np.abs(spectra)
    floor = np.quantile(power[::8], 0.12, axis=0) * 2.2
    gain = np.clip((power - floor) / (power + 1e-12), ratio(-depth_db), 1).astype(np.float32)
    gain[1:] = 0.5 * (gain[1:] + gain[:-1])
    pieces = fft.irfft(spectra * gain, size) * window
    out = np.zeros((pieces.shape[0] + 1) * hop, np.float32)
    halves = pieces.reshape(-1, 2, hop)
    out[: pieces.shape[0] * hop] = halves[:, 0].ravel()
    out[hop : hop + pieces.shape[0] * hop] += halves[:, 1].ravel()
    return out[hop : hop + x.size]


def _level(x: F32, rate_hz: float, hop_s: float = 0.01) -> F32:
    hop = int(hop_s * rate_hz)
    count = x.size // hop
    return np.sqrt(np.mean(np.square(x[: count * hop].reshape(count, hop)), axis=1) + 1e-12)


def _spread(gain: np.ndarray, count: int, rate_hz: float, hop_s: float = 0.01) -> F32:
    where = np.arange(count) / (int(hop_s * rate_hz)) - 0.5
    return np.interp(where, np.arange(gain.size), gain).astype(np.float32)


def ridden(x: F32, rate_hz: float, strength: float) -> F32:
    """Automatic gain: quick down, slow up; ``strength`` 1 levels everything."""
    level = _level(x, rate_hz)
    gain = np.empty(level.size)
    held = float(np.median(level))
    for k, now in enumerate(level.tolist()):
        held += (now - held) * (0.12 if now > held else 0.007)
        gain[k] = held
    gain = (gain / np.median(gain)) ** -strength
    return x * _spread(np.clip(gain, 0.02, 30.0), x.size, rate_hz)


def gated(x: F32, rate_hz: float, depth_db: float, threshold: float) -> F32:
    """A gate that shuts between sounds."""
    level = _level(x, rate_hz)
    gain = np.empty(level.size)
    state = 1.0
    for k, now in enumerate(level.tolist()):
        goal = 1.0 if now > threshold else ratio(-depth_db)
        state += (goal - state) * (0.5 if goal > state else 0.12)
        gain[k] = state
    return x * _spread(gain, x.size, rate_hz)


def processed(phone: Phone, x: F32, rate_hz: float, rng: Rng, peak: float) -> F32:
    """What the phone does to what its microphone gives; output within -1..1."""
    if phone.suppress_db:
        x = suppressed(x, rate_hz, phone.suppress_db)
    if phone.agc:
        x = ridden(x, rate_hz, phone.agc)
    if phone.gate_db:
        x = gated(x, rate_hz, phone.gate_db, 0.3 * float(np.quantile(_level(x, rate_hz), 0.6)))
    top = float(np.quantile(np.abs(x[::7]), 0.9995)) + 1e-9
    x = x * np.float32(peak / top)
    if phone.drive_db:
        x = np.tanh(x * np.float32(ratio(phone.drive_db))).astype(np.float32)
    x = x + np.float32(ratio(phone.hiss_db) * 0.1) * rng.standard_normal(x.size, dtype=np.float32)
    over = np.abs(x) > 0.9  # a soft knee, so that rare peaks do not make flat tops
    soft = np.sign(x) * (0.9 + 0.1 * np.tanh((np.abs(x) - 0.9) * 10))
    return np.where(over, soft, x).astype(np.float32)


def at_rate(x: F32, rate_hz: int, wanted_hz: int) -> F32:
    """The sound at the rate of the file."""
    if rate_hz == wanted_hz:
        return x
    common = int(np.gcd(rate_hz, wanted_hz))
    return np.asarray(resample_poly(x, wanted_hz // common, rate_hz // common), np.float32)


def write(path: Path, x: F32, rate_hz: int, codec: str, kbps: float) -> None:
    """Write ``x`` with a real encoder."""
    name, container, _, _, _ = CODECS[codec]
    options = {"write_xing": "0"} if codec == "mp3" and rms(x) < 1e-4 else {}
    with av.open(str(path), "w", format=container, options=options) as out:
        stream = out.add_stream(name, rate=rate_hz)
        stream.codec_context.layout = "stereo" if name == "vorbis" else "mono"
        if name == "vorbis":
            stream.codec_context.options = {"strict": "experimental"}
        if kbps:
            stream.codec_context.bit_rate = int(kbps * 1000)
        pcm = np.clip(np.round(x * 32767), -32768, 32767).astype(np.int16)[None]
        frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(pcm), "s16", "mono")
        frame.sample_rate = rate_hz
        stream.codec_context.open()
        resampler = av.AudioResampler(
            format=stream.codec_context.format, layout=stream.codec_context.layout,
            rate=rate_hz, frame_size=stream.codec_context.frame_size or 0,
        )  # fmt: skip
        for part in [*resampler.resample(frame), *resampler.resample(None)]:
            out.mux(stream.encode(part))
        out.mux(stream.encode(None))


def decoded_s(path: Path) -> float:
    """How many seconds of the file can be read (0 where none)."""
    total = 0.0
    try:
        with av.open(str(path)) as box:
            for frame in box.decode(audio=0):
                total += frame.samples / frame.sample_rate
    except (av.FFmpegError, IndexError, ValueError):
        return total
    return total
