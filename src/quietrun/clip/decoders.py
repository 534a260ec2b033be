"""Two ways to turn an open file into blocks of float32 samples: PyAV and soundfile.

Conventions
-----------
A block is an array of shape (channels, n), float32, 1.0 = digital full scale, good until the
next one is asked for. Blocks are ``block_frames`` long but for the last. Each decoder imports
its library when it is opened, so that a run pays only for the one it needs.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, BinaryIO, Protocol

import numpy as np
from numpy.typing import NDArray

Block = NDArray[np.float32]

#: A change of rate within this time of the start is a decoder finding its feet.
_SETTLE_S = 0.5
#: Packets in a row that cannot be decoded before the rest is given up.
_MAX_BAD_PACKETS = 200
#: Values a block may hold: it stays in the second-level cache, and its memory is used again.
_BLOCK_VALUES = 1 << 16

#: Sample rates of anything that records sound, Hz, with room on both sides; others are a header
#: without sense, and would make every length that is computed from them one too.
LEAST_RATE_HZ, MOST_RATE_HZ = 2_000, 800_000

#: PyAV opens only these: no play lists, scripts or picture sequences that name other files.
FORMATS = (
    "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,ogg,mp3,aac,amr,amrnb,amrwb,caf,wav,w64,flac,aiff,au,"
    "avi,asf,flv,mpegts,mpeg,ac3,eac3,wv,tta,ape,latm,loas"
)


class NotDecodable(Exception):
    """A decoder cannot read a file; ``reason`` is a word of ours."""

    def __init__(self, reason: str, detail: str = "") -> None:
        super().__init__(reason, detail)
        self.reason, self.detail = reason, detail


class Calm:
    """An open file for the decoders, in which a jump out of the file ends at its edge.

    Headers without sense make decoders jump anywhere. An exception of the system's would be
    printed by the callbacks of the libraries, which cannot raise it.
    """

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._size = file.seek(0, os.SEEK_END)
        file.seek(0)
        self.name = ""
        self.read, self.tell = file.read, file.tell

    def readinto(self, buffer: Any) -> int:
        """Fill a buffer."""
        return int(self._file.readinto(buffer))  # type: ignore[attr-defined]

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Jump, at most to an edge of the file."""
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._file.tell(), os.SEEK_END: self._size}
        return self._file.seek(min(max(0, base.get(whence, 0) + offset), self._size))


def _sane_rate(rate_hz: int) -> int:
    """Let a sample rate pass that a recorder can have.

    Raises
    ------
    NotDecodable
    """
    if not LEAST_RATE_HZ <= rate_hz <= MOST_RATE_HZ:
        raise NotDecodable("absurd_rate", f"{rate_hz} Hz")
    return rate_hz


@dataclass(slots=True)
class Facts:
    """What a decoder has found out about a file; grows while blocks are read."""

    decoder: str
    container: str
    codec: str
    rate_hz: int = 0
    channels: int = 0
    promised_s: float | None = None
    created_at: str | None = None
    started_at: str | None = None
    changed: str = ""
    bad_packets: int = 0
    error: str = ""
    tried: list[str] = field(default_factory=list)


class Decoder(Protocol):
    """An open file that can be read once, from the start."""

    facts: Facts

    def blocks(self, from_frame: int = 0) -> Iterator[tuple[int, Block]]:
        """Yield (frame number of its first sample, block); may start before ``from_frame``."""

    def close(self) -> None:
        """Let go of the library's own memory."""


def block_frames(rate_hz: int, channels: int) -> int:
    """Length of a block: whole twentieths of a second, at most ``_BLOCK_VALUES`` values."""
    hop = max(1, round(rate_hz / 20))
    return hop * max(1, _BLOCK_VALUES // (hop * max(1, channels)))


class SoundfileDecoder:
    """libsndfile: WAV of every kind, FLAC, AIFF, AU, Ogg Vorbis."""

    def __init__(self, file: BinaryIO) -> None:
        import soundfile

        try:
            self._file = soundfile.SoundFile(Calm(file))
        except (soundfile.SoundFileError, TypeError, ValueError) as error:
            raise NotDecodable("not_recognised", str(error)) from error
        self._error = soundfile.SoundFileError
        self.facts = Facts(
            decoder="soundfile",
            container=self._file.format.lower(),
            codec=self._file.subtype.lower(),
            rate_hz=_sane_rate(int(self._file.samplerate)),
            channels=int(self._file.channels),
            promised_s=self._file.frames / max(1, self._file.samplerate),
            started_at=_whole_moment(self._file),
        )

    def blocks(self, from_frame: int = 0) -> Iterator[tuple[int, Block]]:
        """Yield blocks, from ``from_frame`` where the file can be searched."""
        length = block_frames(self.facts.rate_hz, self.facts.channels)
        place = 0
        try:
            if from_frame and self._file.seekable():
                place = int(self._file.seek(from_frame))
            while True:
                data = self._file.read(length, dtype="float32", always_2d=True)
                if not len(data):
                    return
                yield place, np.ascontiguousarray(data.T)
                place += len(data)
        except self._error as error:
            self.facts.error = str(error)

    def close(self) -> None:
        """Close libsndfile's handle, not the file."""
        self._file.close()


def _whole_moment(file: Any) -> str | None:
    """Take a file's date tag where it is a moment with its zone; years and days are no start."""
    try:
        text = str(file.date)
        when = datetime.fromisoformat(text.strip())
    except (UnicodeDecodeError, ValueError):
        return None
    return text if when.tzinfo is not None else None


def _lenient(av: Any) -> dict[str, Any]:
    """Have tags that are no UTF-8 passed over; from 19 on PyAV does so and takes no setting."""
    return {"metadata_errors": "ignore"} if int(av.__version__.split(".")[0]) < 19 else {}


class AvDecoder:
    """PyAV: whatever a phone, a messenger or a camera makes."""

    def __init__(self, file: BinaryIO) -> None:
        import av

        self._av = av
        self._file = file
        self._skip: set[int] = set()
        self._container: Any = None
        self._open()
        self.facts = self._describe()

    def _open(self) -> None:
        self.close()
        try:
            self._container = self._av.open(
                Calm(self._file), options={"format_whitelist": FORMATS}, **_lenient(self._av)
            )
        except Exception as error:  # the binding raises by FFmpeg's error number, and others
            raise NotDecodable("not_recognised", str(error)) from error
        self._stream = self._pick()

    def _pick(self) -> Any:
        """First audio stream with a decoder; a stream without a codec context is not touched."""
        streams = list(self._container.streams.audio)
        if not streams:
            raise NotDecodable("no_sound_track", str(self._container.format.long_name))
        for stream in streams:
            if stream.index not in self._skip and stream.codec_context is not None:
                return stream
        raise NotDecodable("unknown_codec", f"{len(streams)} sound tracks")

    def _describe(self) -> Facts:
        stream, container = self._stream, self._container
        tags = dict(container.metadata)
        return Facts(
            decoder="av",
            container=str(container.format.name),
            codec=str(stream.codec_context.name),
            promised_s=self._promised_s(),
            created_at=tags.get("creation_time") or stream.metadata.get("creation_time"),
            started_at=tags.get("com.apple.quicktime.creationdate"),
        )

    def _promised_s(self) -> float | None:
        """Length by the container's index; raw streams have only an estimate, which is none."""
        if not {"mov", "matroska", "caf", "flac", "asf", "wv", "tta"} & set(
            self._container.format.name.split(",")
        ):
            return None
        stream = self._stream
        if stream.duration is not None and stream.time_base is not None:
            return float(stream.duration * stream.time_base)
        if self._container.duration is not None:
            return float(self._container.duration) / self._av.time_base
        return None

    def blocks(self, from_frame: int = 0) -> Iterator[tuple[int, Block]]:
        """Yield blocks of the first stream that decodes."""
        while True:
            got = False
            for item in self._stream_blocks():
                got = True
                yield item
            if got:
                return
            self._skip.add(self._stream.index)
            self.facts.tried.append(self.facts.codec)
            try:
                self._open()
            except NotDecodable:
                return
            self.facts.codec = str(self._stream.codec_context.name)
            self.facts.promised_s = self._promised_s()

    def _stream_blocks(self) -> Iterator[tuple[int, Block]]:
        facts, place = self.facts, 0
        fifo, length = None, 0
        for frame in self._frames():
            rate_hz, channels = frame.sample_rate, frame.layout.nb_channels
            if fifo is not None and (rate_hz != facts.rate_hz or channels != facts.channels):
                if place + fifo.samples > _SETTLE_S * facts.rate_hz:
                    facts.changed = _change(facts, rate_hz, channels)
                    break
                fifo, place = None, 0
            if fifo is None:
                fifo = self._av.AudioFifo()
                facts.rate_hz, facts.channels = _sane_rate(rate_hz), channels
                length = block_frames(rate_hz, channels)
            frame.pts = None
            try:
                fifo.write(frame)
            except ValueError:  # the sample format changed
                facts.changed = "the sample format changes"
                break
            if fifo.samples >= length:
                yield place, _to_float(fifo.read(length), channels)
                place += length
        while fifo is not None and fifo.samples:
            chunk = _to_float(fifo.read(min(length, fifo.samples)), facts.channels)
            yield place, chunk
            place += chunk.shape[1]

    def _frames(self) -> Iterator[Any]:
        """Frames of the chosen stream; a damaged packet is counted and passed over."""
        self._stream.thread_type = "NONE"
        packets = self._container.demux(self._stream)
        errors = (self._av.FFmpegError, ValueError, EOFError, IndexError, RuntimeError)
        bad_in_a_row = 0
        while bad_in_a_row < _MAX_BAD_PACKETS:
            try:
                packet = next(packets)
            except StopIteration:
                return
            except errors as error:
                self.facts.error = str(error)
                return
            try:
                frames = packet.decode()
            except errors as error:
                self.facts.error = str(error)
                self.facts.bad_packets += 1
                bad_in_a_row += 1
                continue
            bad_in_a_row = 0
            for frame in frames:
                if frame.samples and frame.sample_rate:
                    yield frame

    def close(self) -> None:
        """Free the demuxer and the decoder."""
        if self._container is not None:
            self._container.close()
            self._container = None


def _change(facts: Facts, rate_hz: int, channels: int) -> str:
    if rate_hz != facts.rate_hz:
        return f"the sample rate changes from {facts.rate_hz} to {rate_hz} Hz"
    return f"the number of channels changes from {facts.channels} to {channels}"


def _to_float(frame: Any, channels: int) -> Block:
    """Turn an audio frame into samples, shape (channels, n), full scale = 1.

    Packed frames come as one interleaved row; integers come unscaled and 8-bit ones
    not centred.
    """
    if frame.format.name == "fltp":
        planes = [np.frombuffer(plane, np.float32, frame.samples) for plane in frame.planes]
        return np.array(planes)
    raw: NDArray[Any] = frame.to_ndarray()
    if not frame.format.is_planar:
        raw = raw.reshape(-1, channels).T
    if raw.dtype == np.uint8:
        return np.ascontiguousarray((raw.astype(np.float32) - 128.0) / 128.0)
    if raw.dtype.kind == "i":
        scale = np.float32(2.0 ** (1 - 8 * raw.dtype.itemsize))
        return np.ascontiguousarray(raw.astype(np.float32) * scale)
    with np.errstate(over="ignore"):  # a double beyond float32 is rubbish: infinite, cleaned later
        return np.ascontiguousarray(raw, dtype=np.float32)


DECODERS: dict[str, Callable[[BinaryIO], Decoder]] = {
    "soundfile": SoundfileDecoder,
    "av": AvDecoder,
}


def can_decode(codec: str) -> bool:
    """Say whether FFmpeg's decoder of this name is there."""
    import av

    try:
        av.codec.Codec(codec, "r")
    except ValueError:  # UnknownCodecError is one
        return False
    return True


def library_versions() -> Iterator[tuple[str, str]]:
    """Name and version of the libraries behind the decoders."""
    import av
    import soundfile

    yield "libsndfile", str(soundfile.__libsndfile_version__)
    for name, numbers in sorted(av.library_versions.items()):
        yield name, ".".join(str(number) for number in numbers)
