"""Build some six hundred files that are broken, or made to do harm: each is a trap for a reader.

    python tests/hostile_corpus.py FOLDER

The traps are those that people report of phone recordings and of audio libraries (cut copies,
sizes that lie, headers without sense, names from everywhere), and the tricks of those who mean
harm. Everything is made here, from tones and from one made-up quiet run; nothing is copied.
Nothing in it may ever be judged ``quiet``.
"""

from __future__ import annotations

import os
import random
import socket
import struct
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import clip_files as make
import numpy as np
import soundfile

CUTS = 20
RATE_HZ = make.RATE_HZ
#: A container's name: how to write samples of shape (n,) into a file.
Writer = Callable[[Path, np.ndarray], object]


@dataclass(frozen=True)
class Trap:
    """One input. ``codes`` are the exit codes that ``quietrun check`` may give.

    0 is ``quiet``: only for a run that is cut behind its rest.
    """

    path: str
    kind: str
    codes: frozenset[int] = frozenset({1, 3})


def _sf(kind: str, subtype: str, **more) -> Writer:
    return lambda path, x: soundfile.write(path, x, RATE_HZ, subtype, format=kind, **more)


def _av(codec: str, container: str, **more) -> Writer:
    return lambda path, x: make.encode(path, x, codec, container, **more)


def _low_rate(codec: str, container: str) -> Writer:
    """8 kHz: every sixth of averaged samples is good enough for a trap."""
    return lambda path, x: make.encode(
        path,
        x[: len(x) // 6 * 6].reshape(-1, 6).mean(axis=1),
        codec,
        container,
        rate_hz=8000,
        sample_format="s16",
    )


CONTAINERS: dict[str, Writer] = {
    "pcm16.wav": _sf("WAV", "PCM_16"),
    "pcm24.wav": _sf("WAVEX", "PCM_24"),
    "float.wav": _sf("WAV", "FLOAT"),
    "flac.flac": _sf("FLAC", "PCM_16"),
    "aiff.aiff": _sf("AIFF", "PCM_16"),
    "caf.caf": _sf("CAF", "PCM_16"),
    "au.au": _sf("AU", "PCM_16"),
    "vorbis.ogg": _sf("OGG", "VORBIS"),
    "opus.opus": _av("libopus", "ogg", sample_format="flt"),
    "webm.webm": _av("libopus", "webm", sample_format="flt"),
    "aac.m4a": _av("aac", "ipod"),
    "front.m4a": _av("aac", "ipod", options={"movflags": "faststart"}),
    "pieces.m4a": _av("aac", "mp4", options={"movflags": "frag_keyframe+empty_moov"}),
    "alac.m4a": _av("alac", "ipod", sample_format="s16p"),
    "raw.aac": _av("aac", "adts"),
    "mp3.mp3": _av("libmp3lame", "mp3"),
    "amr.amr": _low_rate("libopencore_amrnb", "amr"),
    "amr.3gp": _low_rate("libopencore_amrnb", "3gp"),
}


def quiet_run() -> np.ndarray:
    """A made-up run that reads ``quiet`` when it is whole, shape (n,), with its rest at the end."""
    return run_of(134)


def run_of(seed: int) -> np.ndarray:
    """A made-up run of a healthy machine, up to just behind its rest, shape (n,)."""
    from quietrun.synth import draw_recipe, render

    made = render(
        draw_recipe(
            np.random.default_rng(seed),
            **{"faults": {}, "snr_db": 35.0, "mains_hz": 50.0, "phone": 0, "stage": "assembled"},
        )
    )
    samples = np.asarray(made.samples, np.float32)
    rest_s = made.truth["at_rest_s"]
    assert made.rate_hz == RATE_HZ
    return samples[: int((rest_s + 0.4) * RATE_HZ)]


class Builder:
    """Writes traps into a folder, a subfolder for each kind."""

    def __init__(self, folder: Path, seed: int = 8) -> None:
        self.folder, self.rng = folder, random.Random(seed)
        self.traps: list[Trap] = []
        self.whole: dict[str, bytes] = {}
        self.tones: dict[str, bytes] = {}

    def put(self, kind: str, name: str, data: bytes, codes: frozenset[int] | None = None) -> Path:
        """Add one file."""
        path = self.folder / kind / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        self.add(kind, path, codes)
        return path

    def add(self, kind: str, path: Path | str, codes: frozenset[int] | None = None) -> None:
        """Add what is there already."""
        self.traps.append(Trap(os.fspath(path), kind, codes or frozenset({1, 3})))

    def encode_bases(self) -> None:
        """Write the run and a tone into every container that can be written here."""
        run, tone = quiet_run(), make.tone(seconds=2.0)
        scratch = self.folder / "scratch"
        scratch.mkdir(parents=True)
        for name, write in CONTAINERS.items():
            for samples, bases in ((run, self.whole), (tone, self.tones)):
                try:
                    write(scratch / name, samples)
                except ValueError:  # av: no such encoder here
                    continue
                bases[name] = (scratch / name).read_bytes()
                (scratch / name).unlink()
        scratch.rmdir()


# --- cut, flipped, random ----------------------------------------------------------------------


def cuts(builder: Builder) -> None:
    """The quiet run in each container, cut at twenty places."""
    for name, data in builder.whole.items():
        for i in range(1, CUTS + 1):
            at = len(data) * i // (CUTS + 1) + builder.rng.randrange(-3, 4)
            builder.put("cut", f"{i:02d} {name}", data[: max(1, at)], frozenset({0, 1, 3}))


def flips(builder: Builder) -> None:
    """Bits turned over in the head, and everywhere."""
    for name, data in builder.tones.items():
        for i in range(8):
            torn = bytearray(data)
            reach = min(len(torn), 300) if i < 5 else len(torn)
            for _ in range(2 ** (i % 5)):
                torn[builder.rng.randrange(reach)] ^= 1 << builder.rng.randrange(8)
            builder.put("flipped", f"{i} {name}", bytes(torn))


def shuffled(builder: Builder) -> None:
    """Pieces of a file doubled, left out, or of another file."""
    names = list(builder.tones)
    for i, name in enumerate(names):
        data, other = builder.tones[name], builder.tones[names[i - 1]]
        third = len(data) // 3
        builder.put("shuffled", f"doubled {name}", data + data)
        builder.put("shuffled", f"hole {name}", data[:third] + bytes(third) + data[2 * third :])
        builder.put("shuffled", f"left out {name}", data[:third] + data[2 * third :])
        builder.put("shuffled", f"changed horses {name}", data[:third] + other[third:])


MAGIC = {
    "riff": b"RIFF\xff\xff\xff\x7fWAVEfmt ",
    "rifx": b"RIFX\0\0\x10\0WAVEfmt ",
    "rf64": b"RF64\xff\xff\xff\xffWAVEds64",
    "w64": b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1\0\0",
    "aiff": b"FORM\0\0\x10\0AIFFCOMM",
    "aifc": b"FORM\0\0\x10\0AIFCFVER",
    "avi": b"RIFF\0\0\x10\0AVI LIST",
    "flac": b"fLaC\0\0\0\x22",
    "ogg": b"OggS\0\x02" + bytes(20) + b"\x01\x1e",
    "ogg vorbis": b"OggS\0\x02" + bytes(20) + b"\x01\x1e\x01vorbis",
    "ogg opus": b"OggS\0\x02" + bytes(20) + b"\x01\x13OpusHead\x01\x01",
    "mp4": b"\0\0\0\x20ftypisom\0\0\2\0isomiso2mp41",
    "m4a": b"\0\0\0\x18ftypM4A \0\0\0\0M4A mp42",
    "3gp": b"\0\0\0\x18ftyp3gp4\0\0\0\0isom3gp4",
    "moov": b"\0\0\x10\0moov\0\0\0\x6cmvhd",
    "mdat": b"\0\0\0\x01mdat\0\0\0\0\0\0\x20\0",
    "ebml": b"\x1aE\xdf\xa3\x01\0\0\0\0\0\0\x1f",
    "webm unknown sizes": b"\x1aE\xdf\xa3\xff\x18S\x80g\xff",
    "amr": b"#!AMR\n",
    "amr wb": b"#!AMR-WB\n",
    "caf": b"caff\0\1\0\0desc",
    "au": b".snd\0\0\0\x18",
    "asf": b"0&\xb2u\x8ef\xcf\x11\xa6\xd9\0\xaa\0b\xcel",
    "id3": b"ID3\x04\0\x80\x7f\x7f\x7f\x7f",
    "mp3": b"\xff\xfb\x90\x64",
    "adts": b"\xff\xf1\x50\x80",
    "ts": b"G@\0\x10",
    "png": b"\x89PNG\r\n\x1a\n",
    "zip": b"PK\x03\x04",
    "gzip": b"\x1f\x8b\x08",
    "pdf": b"%PDF-1.7\n",
    "elf": b"\x7fELF",
    "play list": b"#EXTM3U\n#EXTINF:3,\n",
    "sqlite": b"SQLite format 3\0",
    "nothing": b"",
}


def magic(builder: Builder) -> None:
    """Random bytes behind each magic number."""
    for name, head in MAGIC.items():
        builder.put("magic", f"{name} short", head + builder.rng.randbytes(40))
        builder.put("magic", f"{name} long", head + builder.rng.randbytes(30_000))


# --- headers without sense ---------------------------------------------------------------------


def wav_header(
    *,
    tag: int = 1,
    channels: int = 1,
    rate_hz: int = RATE_HZ,
    bits: int = 16,
    align: int | None = None,
    size: int | None = None,
    data: bytes | None = None,
) -> bytes:
    """A WAV file in which every number can be wrong."""
    body = make.tone(seconds=2.0) if data is None else None
    held = (body * 32767).astype("<i2").tobytes() if body is not None else data
    align = (channels * bits + 7) // 8 if align is None else align
    fmt = struct.pack(
        "<HHIIHH",
        tag,
        channels & 0xFFFF,
        rate_hz & 0xFFFFFFFF,
        (rate_hz * align) & 0xFFFFFFFF,
        align & 0xFFFF,
        bits,
    )
    said = len(held) if size is None else size
    chunks = b"WAVEfmt " + struct.pack("<I", len(fmt)) + fmt + b"data"
    whole = chunks + struct.pack("<I", said & 0xFFFFFFFF) + held
    return b"RIFF" + struct.pack("<I", len(whole) & 0xFFFFFFFF) + whole


WAV_HEADERS: dict[str, dict] = {
    "rate 0": {"rate_hz": 0},
    "rate 1": {"rate_hz": 1},
    "rate 7": {"rate_hz": 7},
    "rate 2 to the 31": {"rate_hz": 2**31},
    "rate 2 to the 32 less 1": {"rate_hz": 2**32 - 1},
    "channels 0": {"channels": 0},
    "channels 1025": {"channels": 1025},
    "channels 65535": {"channels": 65535},
    "bits 0": {"bits": 0},
    "bits 1": {"bits": 1},
    "bits 255": {"bits": 255},
    "align 0": {"align": 0},
    "align 65535": {"align": 65535},
    "size negative": {"size": -1},
    "size 2 to the 31": {"size": 2**31},
    "size 0": {"size": 0},
    "tag 0": {"tag": 0},
    "tag of nobody": {"tag": 0x1234},
    "tag mp3": {"tag": 0x55},
    "tag extensible without more": {"tag": 0xFFFE},
    "tag adpcm": {"tag": 2, "bits": 4},
    "tag float 64": {"tag": 3, "bits": 64},
    "nothing behind": {"data": b""},
    "one byte behind": {"data": b"\1"},
}


def headers(builder: Builder) -> None:
    """Headers that promise what cannot be."""
    for name, told in WAV_HEADERS.items():
        builder.put("header", f"wav {name}.wav", wav_header(**told))
    good = wav_header()
    many = b"".join(b"junk" + struct.pack("<I", 0) for _ in range(100_000))
    builder.put("header", "wav 100000 chunks.wav", good[:12] + many + good[12:])
    builder.put("header", "wav chunk back to itself.wav", good[:12] + b"junk\xf8\xff\xff\xff" * 9)
    builder.put("header", "wav data before fmt.wav", good[:12] + good[36:] + good[12:36])
    _aiff_headers(builder)
    _au_headers(builder)
    _caf_headers(builder)
    _flac_headers(builder)
    _mp4_headers(builder)
    _webm_headers(builder)
    _ogg_headers(builder)


def _patched(data: bytes, mark: bytes, offset: int, new: bytes) -> bytes:
    """Bytes replaced ``offset`` behind a mark that must be there."""
    at = data.index(mark) + offset
    return data[:at] + new + data[at + len(new) :]


def _aiff_headers(builder: Builder) -> None:
    base = builder.tones["aiff.aiff"]
    rates = {
        "0": bytes(10),
        "inf": b"\x7f\xff\x80" + bytes(7),
        "nan": b"\x7f\xff\xc0" + bytes(7),
        "negative": b"\xc0\x0e\xbb\x80" + bytes(6),
        "huge": b"\x7f\xfe\xff" + bytes(7),
        "tiny": b"\0\1\x80" + bytes(7),
    }
    for name, rate in rates.items():
        builder.put("header", f"aiff rate {name}.aiff", _patched(base, b"COMM", 16, rate))
    for channels in (0, -1, 0x7FFF):
        told = struct.pack(">h", channels)
        builder.put("header", f"aiff channels {channels}.aiff", _patched(base, b"COMM", 8, told))
    told = struct.pack(">I", 0xFFFFFFFF)
    builder.put("header", "aiff frames without end.aiff", _patched(base, b"COMM", 10, told))


def _au_headers(builder: Builder) -> None:
    base = builder.tones["au.au"]
    for name, place in (("start", 4), ("size", 8), ("coding", 12), ("rate", 16), ("channels", 20)):
        for value in (0, 0x80000000, 0xFFFFFFFF):
            data = base[:place] + struct.pack(">I", value) + base[place + 4 :]
            builder.put("header", f"au {name} {value:x}.au", data)


def _caf_headers(builder: Builder) -> None:
    base = builder.tones["caf.caf"]
    for name, value in (
        ("nan", "nan"),
        ("inf", "inf"),
        ("negative", -1.0),
        ("huge", 1e300),
        ("0", 0),
    ):
        told = struct.pack(">d", float(value))
        builder.put("header", f"caf rate {name}.caf", _patched(base, b"desc", 12, told))
    for value in (0, 2**31, 2**32 - 1):
        told = struct.pack(">I", value)
        builder.put("header", f"caf channels {value}.caf", _patched(base, b"desc", 36, told))
        builder.put("header", f"caf packet {value}.caf", _patched(base, b"desc", 28, told))
    for size in (-1, -2, 2**62):
        told = struct.pack(">q", size)
        builder.put("header", f"caf size {size}.caf", _patched(base, b"data", 4, told))


def _flac_headers(builder: Builder) -> None:
    base = builder.tones["flac.flac"]
    for name, at, new in (
        ("blocks of 0", 8, bytes(4)),
        ("rate 0", 18, b"\0\0\0"),
        ("rate 655350", 18, b"\x9f\xff\x60"),
        ("eight channels", 20, b"\x0e"),
        ("samples without end", 21, b"\xff\xff\xff\xff\xff"),
        ("no samples", 21, b"\xf0\0\0\0\0"),
        ("a block longer than the file", 5, b"\xff\xff\xff"),
    ):
        builder.put("header", f"flac {name}.flac", base[:at] + new + base[at + len(new) :])


def _mp4_headers(builder: Builder) -> None:
    base = builder.tones["aac.m4a"]
    longest = struct.pack(">I", 0xFFFFFFFF)
    for name, mark, offset, new in (
        ("time scale 0", b"mdhd", 16, bytes(4)),
        ("time scale greatest", b"mdhd", 16, longest),
        ("length greatest", b"mdhd", 20, longest),
        ("film time scale 0", b"mvhd", 16, bytes(4)),
        ("samples 4294967295", b"stsz", 12, longest),
        ("times 4294967295", b"stts", 8, longest),
        ("chunks 4294967295", b"stco", 8, longest),
        ("chunk far away", b"stco", 12, longest),
        ("samples a chunk 4294967295", b"stsc", 8, longest),
        ("channels 65535", b"mp4a", 20, b"\xff\xff"),
        ("channels 0", b"mp4a", 20, b"\0\0"),
        ("rate 0", b"mp4a", 28, bytes(4)),
        ("box of 0", b"trak", -4, bytes(4)),
        ("box of 7", b"trak", -4, b"\0\0\0\7"),
        ("box without end", b"trak", -4, longest),
        ("codec of nobody", b"mp4a", 0, b"zzzz"),
        ("codec settings gone", b"esds", 0, b"free"),
    ):
        builder.put("header", f"mp4 {name}.m4a", _patched(base, mark, offset, new))
    nested = b""
    for _ in range(3000):
        nested = struct.pack(">I", min(len(nested) + 8, 0xFFFFFFFF)) + b"moov" + nested
    builder.put("header", "mp4 boxes in boxes.m4a", base[:32] + nested)
    builder.put("header", "mp4 box in itself.m4a", base[:32] + b"\0\0\0\1moov" + bytes(8) * 100)
    refers = b"\0\0\0\x34moov\0\0\0\x2ctrak\0\0\0\x24dinf\0\0\0\x1curl \0\0\0\0file:///etc/passwd"
    builder.put("header", "mp4 refers elsewhere.m4a", base[:32] + refers)


def _webm_headers(builder: Builder) -> None:
    base = builder.tones["webm.webm"]
    for name, value in (("nan", "nan"), ("inf", "inf"), ("negative", -48000.0), ("0", 0.0)):
        told = struct.pack(">d", float(value))
        builder.put("header", f"webm rate {name}.webm", _patched(base, b"\xb5\x88", 2, told))
    builder.put("header", "webm channels 255.webm", _patched(base, b"\x9f\x81", 2, b"\xff"))
    builder.put("header", "webm channels 0.webm", _patched(base, b"\x9f\x81", 2, b"\0"))
    head = base[: base.index(b"\x18S\x80g")]
    nested = b"\x18S\x80g\xff" * 5000
    builder.put("header", "webm segments in segments.webm", head + nested)
    clusters = b"\x18S\x80g\xff" + b"\x1fC\xb6u\xff" * 20_000
    builder.put("header", "webm clusters of nothing.webm", head + clusters)


def _ogg_headers(builder: Builder) -> None:
    base = builder.tones["opus.opus"]
    for value in (0, 255):
        told = bytes([value])
        builder.put("header", f"opus channels {value}.opus", _patched(base, b"OpusHead", 9, told))
    builder.put("header", "opus gain.opus", _patched(base, b"OpusHead", 16, b"\xff\x7f"))
    vorbis = builder.tones["vorbis.ogg"]
    for name, offset, new in (
        ("channels 0", 11, b"\0"),
        ("rate 0", 12, bytes(4)),
        ("rate negative", 12, b"\0\0\0\x80"),
        ("block sizes", 28, b"\x0f"),
    ):
        builder.put("header", f"vorbis {name}.ogg", _patched(vorbis, b"\x01vorbis", offset, new))
    page = base[: base.index(b"OggS", 4)]
    builder.put("header", "ogg first page for ever.opus", page * 2000)
    empty = b"OggS\0\0" + bytes(8) + page[14:18] + bytes(8) + b"\0"
    builder.put("header", "ogg empty pages.opus", page + empty * 50_000)


# --- bombs ------------------------------------------------------------------------------------


def bombs(builder: Builder) -> None:
    """Small files of a great deal of sound, and files that seem to go on for ever."""
    folder = builder.folder / "bomb"
    folder.mkdir()
    _long(folder / "half an hour of nothing.flac", "FLAC", "PCM_16", RATE_HZ, 1800, 1)
    _long(folder / "eight channels.flac", "FLAC", "PCM_16", 96_000, 30, 8)
    _long(folder / "greatest rate.flac", "FLAC", "PCM_16", 655_350, 15, 2)
    _long(folder / "ten minutes.ogg", "OGG", "VORBIS", 8_000, 600, 1)
    for path in sorted(folder.iterdir()):
        builder.add("bomb", path)
    silence = np.zeros(RATE_HZ * 300, np.float32)
    for name, codec, container in (
        ("minutes.m4a", "aac", "ipod"),
        ("minutes.mp3", "libmp3lame", "mp3"),
    ):
        make.encode(folder / name, silence, codec, container)
        builder.add("bomb", folder / name)
    sparse = folder / "sparse.wav"
    with sparse.open("wb") as file:
        file.write(wav_header(size=400_000_000, data=b""))
        file.truncate(80_000_000)
    builder.add("bomb", sparse)
    frame = builder.tones["mp3.mp3"][-417:]
    builder.put("bomb", "one frame for ever.mp3", builder.tones["mp3.mp3"][:2000] + frame * 20_000)
    amr = b"#!AMR\n" + b"\x7c" * 400_000  # frames of one byte: no data
    builder.put("bomb", "frames of nothing.amr", amr)


def _long(path: Path, kind: str, subtype: str, rate_hz: int, seconds: int, channels: int) -> None:
    block = np.zeros((rate_hz, channels), np.int16)
    with soundfile.SoundFile(path, "w", rate_hz, channels, subtype, format=kind) as file:
        for _ in range(seconds):
            file.write(block)


# --- names and things that are no files ----------------------------------------------------------

NAMES = (
    b"line\nbreak.wav",
    b"quote'\".wav",
    b"-o.wav",
    b"--help",
    b"=1+1.wav",
    b"@SUM(A1).wav",
    b"+cmd.wav",
    b"tab\there.wav",
    b"<script>alert(1)<script>.wav",
    b"{{ 7*7 }}.wav",
    b"%s%n%x.wav",
    b"$(touch pwned).wav",
    b"back\\slash.wav",
    b"..wav",
    b" space .wav",
    b"\xff\xfe\x80.wav",
    b"\xed\xa0\x80.wav",
    b"\x1b[31mred\x1b[0m.wav",
    b"\x07\x08\x7f.wav",
    "‮vaw.txt".encode(),
    "☃ e\u0301.wav".encode(),
    b"con.wav",
    b"n" * 255,
    b"file:x.wav",
    b"concat:a|b.wav",
    b"http:evil.wav",
    b"pipe:0",
    b"-",
)


def names(builder: Builder) -> None:
    """A tone under every name; none of them may be taken for anything but a name."""
    folder = os.fsencode(builder.folder / "name")
    os.makedirs(folder)
    data = wav_header()
    for name in NAMES:
        path = os.path.join(folder, name)
        try:
            with open(path, "wb") as file:
                file.write(data)
        except OSError:  # this disk takes no such name
            continue
        builder.add("name", os.fsdecode(path))


def no_files(builder: Builder) -> None:
    """Links, pipes, folders, devices."""
    folder = builder.folder / "no file"
    folder.mkdir()
    usage, none = frozenset({2}), frozenset({3})
    target = folder / "target.wav"
    target.write_bytes(wav_header())
    for name, to, codes in (
        ("link to a tone.wav", target, None),
        ("link to nothing.wav", folder / "nowhere", none),
        ("link to itself.wav", folder / "link to itself.wav", none),
        ("link to a folder.wav", folder, usage),
        ("link to zeros.wav", Path("/dev/zero"), none),
        ("link to a secret.wav", Path("/etc/hostname"), none),
    ):
        (folder / name).symlink_to(to)
        builder.add("no file", folder / name, codes)
    os.mkfifo(folder / "pipe.wav")
    builder.add("no file", folder / "pipe.wav", none)
    (folder / "folder.wav").mkdir()
    builder.add("no file", folder / "folder.wav", usage)
    builder.add("no file", folder / "not there.wav", usage)
    builder.add("no file", f"{target}/below a file.wav", usage)
    builder.add("no file", "", usage)
    for device in ("/dev/null", "/dev/zero", "/dev/full", "/dev/random", "/dev/tty"):
        if os.path.exists(device):
            builder.add("no file", device, none)
    place = os.getcwd()
    os.chdir(folder)  # a socket's name has at most about a hundred bytes
    try:
        with socket.socket(socket.AF_UNIX) as one:
            one.bind("socket.wav")
    finally:
        os.chdir(place)
    builder.add("no file", folder / "socket.wav", none)


# --- sound that lies ---------------------------------------------------------------------------


def lies(builder: Builder) -> None:
    """Whole files with sound that is none: zeros, rubbish, anti-phase, other rates, half a run."""
    folder = builder.folder / "lie"
    folder.mkdir()
    run = quiet_run()
    rng = np.random.default_rng(1)
    tiny = (1e-5 * rng.standard_normal(3 * RATE_HZ)).astype("f4")
    lying: dict[str, tuple[np.ndarray, int, str]] = {
        "zeros": (np.zeros(3 * RATE_HZ), RATE_HZ, "PCM_16"),
        "one click": (np.eye(1, 3 * RATE_HZ, 1000)[0], RATE_HZ, "PCM_16"),
        "faint noise": (tiny, RATE_HZ, "FLOAT"),
        "not numbers": (np.full(3 * RATE_HZ, np.nan), RATE_HZ, "FLOAT"),
        "without bounds": (np.full(3 * RATE_HZ, np.inf), RATE_HZ, "FLOAT"),
        "huge": (1e38 * make.tone(), RATE_HZ, "FLOAT"),
        "constant": (np.full(3 * RATE_HZ, 0.5), RATE_HZ, "PCM_16"),
        "square": (np.sign(make.tone() + 1e-9), RATE_HZ, "PCM_16"),
        "white": (0.2 * rng.standard_normal(8 * RATE_HZ), RATE_HZ, "PCM_16"),
        "run without its end": (run[: len(run) // 2], RATE_HZ, "PCM_16"),
        "run without its beginning": (run[int(4 * RATE_HZ) :], RATE_HZ, "PCM_16"),
        "run hard clipped": (np.clip(200 * run, -1, 1), RATE_HZ, "PCM_16"),
        "run as a whisper": (1e-4 * run, RATE_HZ, "PCM_16"),
        "run in eight bits, faint": (0.02 * run, RATE_HZ, "PCM_U8"),
        "one sample": (np.array([0.5]), RATE_HZ, "PCM_16"),
        "two samples": (np.array([0.5, -0.5]), RATE_HZ, "PCM_16"),
        "a tenth of a second": (make.tone(seconds=0.1), RATE_HZ, "PCM_16"),
        "run at 1000 Hz": (run[: len(run) // 48 * 48 : 48], 1000, "PCM_16"),
    }
    for name, (samples, rate_hz, subtype) in lying.items():
        path = folder / f"{name}.wav"
        soundfile.write(path, samples, rate_hz, subtype)
        builder.add("lie", path)


KINDS = (cuts, flips, shuffled, magic, headers, bombs, names, no_files, lies)


def build(folder: Path) -> list[Trap]:
    """Build everything; needs some 150 MB (most of it in a file with holes)."""
    builder = Builder(folder)
    builder.encode_bases()
    for kind in KINDS:
        kind(builder)
    return builder.traps


def by_kind(traps: list[Trap]) -> Iterator[tuple[str, list[Trap]]]:
    """Traps by their kind."""
    for kind in dict.fromkeys(trap.kind for trap in traps):
        yield kind, [trap for trap in traps if trap.kind == kind]


if __name__ == "__main__":
    for kind, traps in by_kind(build(Path(sys.argv[1]))):
        print(f"{kind}: {len(traps)}")
