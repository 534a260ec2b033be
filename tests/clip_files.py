"""Make sound files of every kind with PyAV and soundfile, for the tests of reading."""

from __future__ import annotations

import io
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

RATE_HZ = 48_000
TONE_HZ = 997.0
ONSET_S = 0.5


def tone(rate_hz: int = RATE_HZ, seconds: float = 3.0, level: float = 0.3) -> np.ndarray:
    """A tone that starts at ``ONSET_S``: rate, length, level and time can be read off it."""
    t = np.arange(int(rate_hz * seconds)) / rate_hz
    return np.where(t < ONSET_S, 0.0, level * np.sin(2 * np.pi * TONE_HZ * t)).astype("f4")


class Pipe(io.RawIOBase):
    """An output that cannot seek, like a live stream."""

    def __init__(self) -> None:
        super().__init__()
        self.data = bytearray()

    def writable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return False

    def write(self, data) -> int:
        self.data += bytes(data)
        return len(data)


def encode(
    path: Path,
    x: np.ndarray,
    codec: str,
    container: str,
    *,
    rate_hz: int = RATE_HZ,
    sample_format: str = "fltp",
    options: dict[str, str] | None = None,
    tags: dict[str, str] | None = None,
    pipe: bool = False,
    tracks: int = 1,
    bit_rate: int | None = None,
) -> Path:
    """Encode ``x``, shape (n,) or (channels, n), with PyAV."""
    data = np.atleast_2d(x).astype("f4")
    layout = {1: "mono", 2: "stereo"}[data.shape[0]]
    target = Pipe() if pipe else str(path)
    with av.open(target, "w", format=container, options=options or {}) as out:
        out.metadata.update(tags or {})
        streams = [out.add_stream(codec, rate=rate_hz) for _ in range(tracks)]
        for stream in streams:
            stream.layout = layout
            if bit_rate is not None:
                stream.bit_rate = bit_rate
        for stream in streams:
            frame = av.AudioFrame.from_ndarray(data, format="fltp", layout=layout)
            frame.sample_rate, frame.pts, frame.time_base = rate_hz, 0, Fraction(1, rate_hz)
            resampler = av.AudioResampler(format=sample_format, layout=layout, rate=rate_hz)
            fifo = av.AudioFifo()
            for piece in resampler.resample(frame) + resampler.resample(None):
                fifo.write(piece)
            size = stream.codec_context.frame_size or 1024
            while fifo.samples:
                piece = fifo.read(min(size, fifo.samples))
                for packet in stream.encode(piece):
                    out.mux(packet)
            for packet in stream.encode(None):
                out.mux(packet)
    if pipe:
        path.write_bytes(bytes(target.data))
    return path


def video_without_sound(path: Path) -> Path:
    """Ten black pictures in a MOV file."""
    with av.open(str(path), "w") as out:
        stream = out.add_stream("mpeg4", rate=10)
        stream.width = stream.height = 64
        stream.pix_fmt = "yuv420p"
        for _ in range(10):
            picture = av.VideoFrame.from_ndarray(np.zeros((64, 64, 3), "u1"), format="rgb24")
            for packet in stream.encode(picture):
                out.mux(packet)
        for packet in stream.encode():
            out.mux(packet)
    return path


def spoil_track(path: Path, number: int) -> Path:
    """Rename the codec of one track of a MOV file to one that nobody decodes."""
    data = path.read_bytes()
    entry = data.find(b"moov")
    for _ in range(number + 1):
        entry = data.find(b"stsd", entry + 4)
    start = data.find(b"mp4a", entry)
    end = data.find(b"stts", start)
    changed = data[start:end].replace(b"mp4a", b"apac").replace(b"wave", b"free")
    path.write_bytes(data[:start] + changed.replace(b"esds", b"free") + data[end:])
    return path


def has_encoder(codec: str) -> bool:
    """Tell whether this PyAV was built with an encoder."""
    try:
        av.Codec(codec, "w")
    except (av.FFmpegError, ValueError):
        return False
    return True


def set_wav_sizes(path: Path, value: bytes) -> Path:
    """Overwrite the RIFF and the data size of a WAV file."""
    data = bytearray(path.read_bytes())
    at = data.find(b"data")
    data[4:8] = data[at + 4 : at + 8] = value * 4
    path.write_bytes(bytes(data))
    return path


def loudest_hz(x: np.ndarray, rate_hz: float) -> float:
    """Frequency of the strongest line."""
    power = np.abs(np.fft.rfft(x * np.hanning(x.size)))
    return float(np.argmax(power) * rate_hz / x.size)


def onset_s(x: np.ndarray, rate_hz: float) -> float:
    """First time at which the tone reaches a third of its peak."""
    return float(np.argmax(np.abs(x) > np.abs(x).max() / 3) / rate_hz)
