"""What headers promise, on headers made by hand from the containers' descriptions."""

import struct
from types import SimpleNamespace

import numpy as np
import pytest

from quietrun.batch.follow import looks_whole
from quietrun.clip import Clip, Source, headers, refusals
from quietrun.clip.headers import Promise, read_promise
from quietrun.clip.survey import Survey
from quietrun.dsp.frames import frames_of


def promise(kind, data, tmp_path):
    path = tmp_path / "x"
    path.write_bytes(data)
    with path.open("rb") as file:
        return read_promise(file, SimpleNamespace(name=kind))


def chunk(name, content, order="<"):
    return name + struct.pack(f"{order}I", len(content)) + content + b"\0" * (len(content) & 1)


def fmt(tag=1, channels=1, rate=8000, align=2, order="<"):
    return chunk(
        b"fmt ", struct.pack(f"{order}HHIIHH", tag, channels, rate, rate * align, align, 16), order
    )


def wav(*chunks, order="<"):
    body = b"".join(chunks)
    head = b"RIFF" if order == "<" else b"RIFX"
    return head + struct.pack(f"{order}I", 4 + len(body)) + b"WAVE" + body


@pytest.mark.parametrize("order", ["<", ">"])
def test_plain_wav(tmp_path, order):
    data = wav(fmt(order=order), chunk(b"data", bytes(16_000), order), order=order)
    assert promise("wav", data, tmp_path) == Promise(1.0)


def test_a_coded_wav_counts_its_samples_or_its_bytes(tmp_path):
    coded = fmt(tag=0x11, align=256)
    told = chunk(b"fact", struct.pack("<I", 4000))
    assert promise("wav", wav(coded, told, chunk(b"data", bytes(100))), tmp_path) == Promise(0.5)
    bytes_per_s = 8000 * 256
    untold = promise("wav", wav(coded, chunk(b"data", bytes(1024))), tmp_path)
    assert untold.duration_s == pytest.approx(1024 / bytes_per_s)


def test_a_wav_that_was_never_closed(tmp_path):
    open_data = wav(fmt()) + b"data" + bytes(4)
    assert promise("wav", open_data, tmp_path) == Promise()  # nor anything recorded
    assert promise("wav", open_data + bytes(100), tmp_path) == Promise(unclosed=True)
    streamed = wav(fmt()) + b"data\xff\xff\xff\xff" + bytes(100)
    assert promise("wav", streamed, tmp_path) == Promise()


def test_a_long_wav_has_its_size_elsewhere(tmp_path):
    size = chunk(b"ds64", struct.pack("<QQQ", 0, 32_000, 0))
    data = wav(size, fmt()) + b"data\xff\xff\xff\xff" + bytes(100)
    assert promise("wav", data, tmp_path) == Promise(2.0)


def test_chunks_are_counted(tmp_path, monkeypatch):
    """A file of thousands of empty chunks is left alone after some."""
    monkeypatch.setattr(headers, "_MAX_CHUNKS", 5)
    junk = chunk(b"junk", b"")
    near = wav(*[junk] * 3, fmt(), chunk(b"data", bytes(16_000)))
    far = wav(*[junk] * 4, fmt(), chunk(b"data", bytes(16_000)))
    assert promise("wav", near, tmp_path) == Promise(1.0)
    assert promise("wav", far, tmp_path) == Promise()
    box = struct.pack(">I4s", 8, b"free")
    assert promise("mp4", box * 9, tmp_path) == Promise(index_missing=True)
    caf = b"caff\0\1\0\0" + (b"free" + bytes(8)) * 9
    assert promise("caf", caf, tmp_path) == Promise()


def au(length, coding=3, rate=8000, channels=1):
    return b".snd" + struct.pack(">5I", 24, length, coding, rate, channels)


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (au(16_000), Promise(1.0)),
        (au(16_000, channels=2), Promise(0.5)),
        (au(0), Promise()),
        (au(0) + bytes(10), Promise(unclosed=True)),
        (au(0xFFFFFFFF), Promise()),
        (au(100, coding=99), Promise()),
        (au(100, rate=0), Promise()),
        (b".snd", Promise()),
    ],
)
def test_au(tmp_path, data, told):
    assert promise("au", data, tmp_path) == told


def caf(*chunks):
    return b"caff\0\1\0\0" + b"".join(
        name + struct.pack(">q", len(body) if size is None else size) + body
        for name, body, size in chunks
    )


DESC = (b"desc", struct.pack(">d4sIIIII", 8000.0, b"lpcm", 0, 2, 1, 1, 16), None)
CODED = (b"desc", struct.pack(">d4sIIIII", 8000.0, b"alac", 0, 0, 4096, 1, 16), None)
TABLE = (b"pakt", struct.pack(">qqii", 3, 12_000, 0, 0), None)


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (caf(DESC, (b"data", bytes(16_004), None)), Promise(1.0)),
        (caf(DESC, (b"data", bytes(8), 16_004)), Promise(1.0)),
        (caf(DESC, (b"data", bytes(8), -1)), Promise()),
        (caf(CODED, TABLE, (b"data", bytes(8), None)), Promise(1.5)),
        (caf(CODED, (b"data", bytes(8), None), TABLE), Promise(1.5)),
        (caf(CODED, (b"data", bytes(8), 1000)), Promise(unclosed=True)),
        (caf(CODED, TABLE, (b"data", bytes(8), 1000)), Promise(1.5)),
        (caf(DESC, (b"free", bytes(8), -1000)), Promise()),  # would lead before the file's start
        (caf(DESC, (b"free", bytes(8), 2**62)), Promise()),
    ],
)
def test_caf(tmp_path, data, told):
    assert promise("caf", data, tmp_path) == told


def test_aiff_has_its_rate_in_eighty_bits(tmp_path):
    rate = struct.pack(">HQ", 16383 + 15, 48_000 << 48)
    comm = chunk(b"COMM", struct.pack(">hIh", 1, 96_000, 16) + rate, ">")
    data = b"FORM" + struct.pack(">I", 4 + len(comm)) + b"AIFF" + comm
    assert promise("aiff", data, tmp_path) == Promise(2.0)
    assert promise("aiff", data[:12], tmp_path) == Promise()


def boxes(*parts):
    return b"".join(struct.pack(">I", 8 + len(body)) + name + body for name, body in parts)


FTYP = (b"ftyp", b"M4A \0\0\0\0M4A ")


@pytest.mark.parametrize(
    ("data", "whole"),
    [
        (boxes(FTYP, (b"moov", bytes(8)), (b"mdat", bytes(8))), True),
        (boxes(FTYP, (b"mdat", bytes(8))), False),  # no index
        (boxes(FTYP, (b"moov", bytes(8)))[:-1], False),
        (boxes(FTYP, (b"moov", bytes(8))) + bytes(4) + b"mdat" + bytes(20), True),  # to the end
        (boxes(FTYP, (b"moov", b"")) + b"\0\0\0\1mdat" + struct.pack(">Q", 24) + bytes(8), True),
        (boxes(FTYP, (b"moov", b"")) + b"\0\0\0\1mdat" + struct.pack(">Q", 25) + bytes(8), False),
        (boxes(FTYP, (b"moov", b"")) + b"\0\0\0\7mdat", False),
    ],
)
def test_whether_an_mp4_is_all_there(tmp_path, data, whole):
    path = tmp_path / "x.m4a"
    path.write_bytes(data)
    assert looks_whole(str(path)) is whole


@pytest.mark.parametrize(
    ("data", "whole"),
    [
        (wav(fmt(), chunk(b"data", bytes(100))), True),
        (wav(fmt(), chunk(b"data", bytes(100)))[:-1], True),  # a pad byte may lack
        (wav(fmt(), chunk(b"data", bytes(100)))[:-2], False),
        (b"RIFF\xff\xff\xff\xffWAVE" + fmt(), True),  # streamed: nobody can say
        (b"RIFF\0\0\0\0WAVE" + fmt(), False),
        (b"", False),
    ],
)
def test_whether_a_wav_is_all_there(tmp_path, data, whole):
    path = tmp_path / "x.wav"
    path.write_bytes(data)
    assert looks_whole(str(path)) is whole


def test_what_is_no_file_is_not_waited_for(tmp_path):
    assert looks_whole(str(tmp_path)) is True
    assert looks_whole(str(tmp_path / "gone")) is False


# --- values that are refused -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("error", "path", "code"),
    [
        (FileNotFoundError(2, "no"), "a/.clip.m4a.icloud", "in_the_cloud"),
        (FileNotFoundError(2, "no"), "gone.wav", None),
        (IsADirectoryError(21, "no"), "folder", None),
        (NotADirectoryError(20, "no"), "file/x.wav", None),
        (OSError(36, "too long"), "n" * 300, None),
        (PermissionError(13, "Permission denied"), "x.wav", None),
    ],
)
def test_what_a_failure_to_open_means(error, path, code):
    told = refusals.from_os_error(error, path)
    assert told.what
    assert told.do
    if code == "in_the_cloud":
        assert told.code == refusals.in_the_cloud().code
    if isinstance(error, IsADirectoryError | NotADirectoryError):
        assert "folder" in told.what


@pytest.mark.parametrize(
    ("samples", "rate_hz", "says"),
    [
        (np.zeros((2, 5), np.float32), 8000.0, "float32"),
        (np.zeros(5), 8000.0, "float32"),
        (np.zeros(5, np.float32), 0.0, "rate_hz must be positive"),
        (np.zeros(5, np.float32), float("nan"), "rate_hz must be positive"),
    ],
)
def test_samples_that_are_none(samples, rate_hz, says):
    source = Source("x", None, None, None, "", 1, 0, 1.0)
    with pytest.raises(ValueError, match=says):
        Clip(samples, rate_hz, source)
    with pytest.raises(ValueError, match=says):
        frames_of(samples, rate_hz)


def test_of_channels_that_are_all_spoilt_the_loudest_is_used():
    """Each has piled-up tops; the second is as loud as any."""
    survey = Survey()
    square = np.sign(np.sin(np.arange(8000) * 0.05)).astype(np.float32)
    block = np.stack([0.3 * square, 0.9 * square, 0.5 * square])
    survey.add(block, 400, 100_000)
    assert survey.channel() == 1


def test_reading_never_raises_for_what_a_header_says(tmp_path):
    rng = np.random.default_rng(1)
    for kind, head in (
        ("wav", b"RIFF\0\0\0\0WAVE"),
        ("aiff", b"FORM\0\0\0\0AIFF"),
        ("au", b".snd"),
        ("mp4", b""),
        ("caf", b"caff\0\1\0\0"),
        ("ogg", b"OggS"),
    ):
        for size in (0, 3, 20, 60, 500):
            told = promise(kind, head + rng.bytes(size), tmp_path)
            assert isinstance(told, Promise)
            assert told.duration_s is None or told.duration_s == told.duration_s
    assert promise("text", b"", tmp_path) == Promise()
