"""What the hostile files taught the reader: each finding as a small test of its own."""

import io
import struct

import clip_files as make
import hostile_corpus
import numpy as np
import pytest
import soundfile

from quietrun.clip import read_clip
from quietrun.clip.decoders import LEAST_RATE_HZ, MOST_RATE_HZ, Calm
from quietrun.errors import UnreadableClip
from quietrun.pipeline import analyse


@pytest.mark.parametrize("rate_hz", [0, 1, 7, LEAST_RATE_HZ - 1, MOST_RATE_HZ + 1, 2**31 - 1])
def test_rates_that_no_recorder_has_are_refused(tmp_path, rate_hz):
    path = tmp_path / "odd.wav"
    path.write_bytes(hostile_corpus.wav_header(rate_hz=rate_hz))
    with pytest.raises(UnreadableClip, match="Do:") as caught:
        read_clip(path)
    assert caught.value.code == "cut_file"


@pytest.mark.parametrize("rate_hz", [LEAST_RATE_HZ, 8_000, 192_000, MOST_RATE_HZ])
def test_rates_that_one_may_have_are_read(tmp_path, rate_hz):
    path = tmp_path / "fine.wav"
    path.write_bytes(hostile_corpus.wav_header(rate_hz=rate_hz))
    assert read_clip(path).rate_hz == rate_hz


@pytest.mark.parametrize("rate", ["inf", "nan", "1e300", "-1"])
def test_a_rate_without_sense_takes_neither_time_nor_memory(tmp_path, rate):
    """Blocks were made for the rate: gigabytes, and half a minute."""
    good = io.BytesIO()
    soundfile.write(good, make.tone(), make.RATE_HZ, "PCM_16", format="CAF")
    data = bytearray(good.getvalue())
    at = data.index(b"desc") + 12
    data[at : at + 8] = struct.pack(">d", float(rate))
    path = tmp_path / "odd.caf"
    path.write_bytes(bytes(data))
    with pytest.raises(UnreadableClip, match="damaged"):
        read_clip(path)


@pytest.mark.parametrize(
    ("offset", "whence", "place"),
    [
        (-5, io.SEEK_SET, 0),
        (2**63 - 1, io.SEEK_SET, 10),
        (-(2**63), io.SEEK_CUR, 0),
        (3, io.SEEK_CUR, 7),
        (-3, io.SEEK_END, 7),
        (99, io.SEEK_END, 10),
        (6, io.SEEK_SET, 6),
    ],
)
def test_a_jump_out_of_the_file_ends_at_its_edge(offset, whence, place):
    file = io.BytesIO(b"0123456789")
    calm = Calm(file)
    assert calm.tell() == 0
    calm.seek(4)
    assert calm.seek(offset, whence) == place
    assert calm.tell() == place
    assert calm.read(1) == b"0123456789"[place : place + 1]


def test_decoders_print_nothing_of_jumps_they_could_not_make(tmp_path, capfd):
    good = io.BytesIO()
    soundfile.write(good, make.tone(), make.RATE_HZ, "PCM_16", format="CAF")
    data = bytearray(good.getvalue())
    at = data.index(b"data") + 4
    data[at : at + 8] = struct.pack(">q", 2**62)
    path = tmp_path / "odd.caf"
    path.write_bytes(bytes(data))
    read_clip(path)
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT", "ULAW"])
def test_a_cut_au_file_is_named(tmp_path, subtype):
    whole = tmp_path / "whole.au"
    soundfile.write(whole, make.tone(), make.RATE_HZ, subtype, format="AU")
    assert read_clip(whole).problems == ()
    cut = tmp_path / "cut.au"
    cut.write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    (problem,) = read_clip(cut).problems
    assert problem.code == "cut_file"
    assert "1.50 of 3.00 s are missing" in problem.what


def test_a_stream_that_nobody_closed_is_not_quiet(tmp_path):
    """Cut inside the coast-down, where no header says how long it was: not ``quiet``."""
    run = hostile_corpus.quiet_run()
    whole = tmp_path / "whole.opus"
    hostile_corpus.CONTAINERS["opus.opus"](whole, run)
    assert analyse(whole).verdict.word == "quiet"
    data = whole.read_bytes()
    last_pages = [at for at in range(len(data) - 4) if data[at : at + 4] == b"OggS"][-2:]
    cut = tmp_path / "cut.opus"
    cut.write_bytes(data[: last_pages[0]])
    verdict = analyse(cut).verdict
    assert verdict.word == "inspect"
    assert any("did not finish" in line for line in verdict.because)


def test_a_rest_behind_the_end_was_not_heard(tmp_path):
    """A course that was fitted to a cut coast-down comes to rest after the clip ends."""
    run = hostile_corpus.quiet_run()
    data = hostile_corpus.wav_header(data=(np.clip(run, -1, 1) * 32767).astype("<i2").tobytes())
    whole_s = len(run) / hostile_corpus.RATE_HZ
    for kept_s in np.arange(4.0, whole_s - 0.2, 0.2):
        path = tmp_path / "cut.wav"
        path.write_bytes(data[: 44 + int(kept_s * hostile_corpus.RATE_HZ) * 2])
        analysis = analyse(path)
        rest_s = analysis.run.rest_s
        if rest_s is None or rest_s > kept_s:
            assert analysis.verdict.word != "quiet", kept_s


HEADS = {
    "mp3 tag": b"ID3\x04\0\0\0\0\0\x0aTIT2" + bytes(60),
    **{name: head + bytes(60) for name, head in hostile_corpus.MAGIC.items() if head},
}


@pytest.mark.parametrize("name", [name for name in HEADS if "amr" not in name])  # zeros are frames
def test_a_head_cut_anywhere_is_refused(tmp_path, name):
    """Five bytes of an MP3 tag were an IndexError (found by scripts/fuzz.py)."""
    path = tmp_path / "head"
    for length in range(1, len(HEADS[name])):
        path.write_bytes(HEADS[name][:length])
        with pytest.raises(UnreadableClip, match="Do:"):
            read_clip(path)
