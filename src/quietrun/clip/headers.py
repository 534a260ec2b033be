"""What a file's own header promises, so that a cut copy is not taken for a whole one.

Only containers that state their length are read; a bit-rate estimate is no promise.
Layouts: RIFF/WAVE (1991; RF64: EBU Tech 3306), AIFF 1.3, CAF 1.0, Ogg (RFC 3533),
ISO 14496-12 boxes, and the frame count tag of MP3 encoders; all from memory, held by tests.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

from quietrun.clip.kinds import Kind

_MAX_CHUNKS = 1000
_STREAMED = 0x7FFFF000  # sizes from here on mean "not known when the header was written"
_OGG_TAIL = 1 << 17
#: Bytes a sample of AU's codings: mu-law, 8 to 32 bits, float, double, A-law.
_AU_BYTES = {1: 1, 2: 1, 3: 2, 4: 3, 5: 4, 6: 4, 7: 8, 27: 1}


@dataclass(frozen=True, slots=True)
class Promise:
    """What the header says.

    Attributes
    ----------
    duration_s : float or None
        Promised length, s; None where the header does not say.
    unclosed : bool
        True when the recorder never closed the file (sizes left at 0, no
        end-of-stream mark).
    index_missing : bool
        True when an MP4-like file lacks its index, or its data ends early.
    """

    duration_s: float | None = None
    unclosed: bool = False
    index_missing: bool = False


def read_promise(file: BinaryIO, kind: Kind) -> Promise:
    """Read what the header of ``file`` promises; never raises for bad content."""
    reader = _READERS.get(kind.name)
    if reader is None:
        return Promise()
    try:
        return reader(file, os.fstat(file.fileno()).st_size)
    except (struct.error, IndexError, ZeroDivisionError, OverflowError):
        return Promise()


def _chunks(file: BinaryIO, size: int, order: str) -> Iterator[tuple[bytes, int, int]]:
    """Yield (name, place of the content, size) of RIFF or IFF chunks."""
    place = 12
    for _ in range(_MAX_CHUNKS):
        if place + 8 > size:
            return
        file.seek(place)
        name, length = struct.unpack(f"{order}4sI", file.read(8))
        yield name, place + 8, length
        place += 8 + length + (length & 1)


def _wav(file: BinaryIO, size: int) -> Promise:
    file.seek(0)
    order = ">" if file.read(4) == b"RIFX" else "<"
    long_data = samples = None
    align = rate = bytes_per_s = tag = 0
    for name, place, length in _chunks(file, size, order):
        file.seek(place)
        if name == b"ds64":
            long_data = struct.unpack("<Q", file.read(24)[8:16])[0]
        elif name == b"fmt ":
            tag, _, rate, bytes_per_s, align = struct.unpack(f"{order}HHIIH", file.read(14))
        elif name == b"fact":
            samples = struct.unpack(f"{order}I", file.read(4))[0]
        elif name == b"data":
            if long_data is not None and length == 0xFFFFFFFF:
                length = long_data
            if length >= _STREAMED and place + length > size and long_data is None:
                return Promise()
            if length == 0:
                return Promise(unclosed=size > place)
            if tag in (1, 3, 6, 7, 0xFFFE):
                return Promise(length / align / rate)
            if samples:
                return Promise(samples / rate)
            return Promise(length / bytes_per_s)
    return Promise()


def _aiff(file: BinaryIO, size: int) -> Promise:
    for name, place, _ in _chunks(file, size, ">"):
        if name == b"COMM":
            file.seek(place)
            _, frames, _, exponent, mantissa = struct.unpack(">hIhHQ", file.read(18))
            rate_hz = mantissa * 2.0 ** ((exponent & 0x7FFF) - 16383 - 63)
            return Promise(frames / rate_hz)
    return Promise()


def _au(file: BinaryIO, size: int) -> Promise:
    file.seek(4)
    start, length, coding, rate, channels = struct.unpack(">5I", file.read(20))
    if length >= _STREAMED or coding not in _AU_BYTES:
        return Promise()
    if length == 0:
        return Promise(unclosed=size > start)
    return Promise(length / (_AU_BYTES[coding] * channels * rate))


def _ogg(file: BinaryIO, size: int) -> Promise:
    """Look for a whole last page with the end-of-stream mark: without it nobody closed the file."""
    file.seek(max(0, size - _OGG_TAIL))
    tail = file.read()
    place = tail.rfind(b"OggS")
    if place < 0 or place + 27 > len(tail):
        return Promise(unclosed=True)
    ended = bool(tail[place + 5] & 4)
    lacing = tail[place + 27 : place + 27 + tail[place + 26]]
    whole = place + 27 + tail[place + 26] + sum(lacing) <= len(tail)
    return Promise(unclosed=not (ended and whole))


def _mp4(file: BinaryIO, size: int) -> Promise:
    place, index = 0, False
    for _ in range(_MAX_CHUNKS):
        if place + 8 > size:
            break
        file.seek(place)
        length, name = struct.unpack(">I4s", file.read(8))
        if length == 1:
            length = struct.unpack(">Q", file.read(8))[0]
        elif length == 0:
            length = size - place
        index = index or name in (b"moov", b"moof")
        if length < 8 or place + length > size:
            return Promise(index_missing=not index or name == b"moov")
        place += length
    return Promise(index_missing=not index)


def _caf(file: BinaryIO, size: int) -> Promise:
    """Read PCM's data size, or the packet table's count of valid frames."""
    place, rate_hz, packet_bytes, packet_frames = 8, 0.0, 0, 0
    promised_s: float | None = None
    for _ in range(_MAX_CHUNKS):
        if place + 12 > size:
            break
        file.seek(place)
        name, length = struct.unpack(">4sq", file.read(12))
        if length < 0:  # to the end of the file: only sound may be so
            break
        if name == b"desc":
            rate_hz, _, _, packet_bytes, packet_frames = struct.unpack(">d4sIII", file.read(24))
        elif name == b"pakt":
            promised_s = struct.unpack(">qq", file.read(16))[1] / rate_hz
        elif name == b"data":
            if packet_bytes:
                promised_s = (length - 4) // packet_bytes * packet_frames / rate_hz
            elif place + 12 + length > size and promised_s is None:
                return Promise(unclosed=True)
        place += 12 + length
    return Promise(promised_s)


def _mpeg(file: BinaryIO, size: int) -> Promise:
    """Frame count of the tag that MP3 encoders put in the first frame."""
    file.seek(0)
    head = file.read(10)
    place = 0
    if head.startswith(b"ID3"):
        place = 10 + sum((head[6 + i] & 0x7F) << (21 - 7 * i) for i in range(4))
    file.seek(place)
    frame = file.read(256)
    for mark in (b"Xing", b"Info"):
        at = frame.find(mark)
        if at > 0 and frame[at + 7] & 1:
            count = struct.unpack(">I", frame[at + 8 : at + 12])[0]
            rate_hz, per_frame = _mpeg_frame(frame)
            return Promise(count * per_frame / rate_hz)
    return Promise()


def _mpeg_frame(frame: bytes) -> tuple[int, int]:
    """Sample rate, Hz, and samples a frame of an MPEG layer III header."""
    version = (frame[1] >> 3) & 3  # 3: MPEG 1, 2: MPEG 2, 0: MPEG 2.5
    rate_hz = (44100, 48000, 32000, 0)[(frame[2] >> 2) & 3] // {3: 1, 2: 2, 0: 4, 1: 1}[version]
    return rate_hz, 1152 if version == 3 else 576


_READERS = {
    "wav": _wav,
    "aiff": _aiff,
    "au": _au,
    "ogg": _ogg,
    "mp4": _mp4,
    "mpeg": _mpeg,
    "caf": _caf,
}
