"""What cannot be read is refused with its own code; what is cut says how much is missing."""

from __future__ import annotations

import errno
import os
import pickle
import socket
import subprocess
import sys
from pathlib import Path

import clip_files as make
import numpy as np
import pytest
import soundfile

from quietrun import words
from quietrun.clip import read, read_clip, refusals, sniff, sniff_file
from quietrun.errors import UnreadableClip

SHARED = Path(__file__).parents[2] / "shared"


def refused(path) -> UnreadableClip:
    """Read, expect a refusal with a code and three sentences, and hand it back."""
    with pytest.raises(UnreadableClip, match="Do:") as caught:
        read_clip(path)
    error = caught.value
    assert error.code in {*words.UNREADABLE, "no_sound", "cut_file"}
    for text in (error.what, error.why, error.do):
        assert text[0].isupper()
        assert text.endswith(".")
    assert str(pickle.loads(pickle.dumps(error))) == str(error)
    return error


def wav(path: Path) -> Path:
    soundfile.write(path, make.tone(), make.RATE_HZ, "PCM_16", format="WAV")
    return path


# --- files that are not recordings -----------------------------------------------------------

NOT_RECORDINGS = {
    "text": b"hello",
    "zeros": bytes(20_000),
    "noise": np.random.default_rng(3).integers(0, 256, 20_000, dtype="u1").tobytes(),
    "png": b"\x89PNG\r\n\x1a\n" + bytes(200),
    "jpeg": b"\xff\xd8\xff\xe0" + bytes(200),
    "pdf": b"%PDF-1.7\n" + bytes(200),
    "zip": b"PK\x03\x04" + bytes(200),
    "companion": bytes.fromhex("0005160700020000") + b"Mac OS X".ljust(16) + bytes(100),
    "play list": b"#EXTM3U\n#EXTINF:3,\n/etc/hostname\n",
    "concat script": b"ffconcat version 1.0\nfile 'ok.wav'\n",
    "html": b"<!doctype html><html></html>",
    "heic": b"\0\0\0\x18ftypheic" + bytes(200),
}


@pytest.mark.parametrize("what", NOT_RECORDINGS)
def test_what_is_not_a_recording(tmp_path, what):
    wav(tmp_path / "ok.wav")
    path = tmp_path / "x.m4a"
    path.write_bytes(NOT_RECORDINGS[what])
    assert refused(path).code == "not_a_recording"


def test_an_empty_file(tmp_path):
    (tmp_path / "x.wav").write_bytes(b"")
    assert refused(tmp_path / "x.wav").code == "empty_file"


def test_a_header_and_nothing_else(tmp_path):
    data = wav(tmp_path / "x.wav").read_bytes()
    (tmp_path / "x.wav").write_bytes(data[: data.find(b"data") + 8])
    assert refused(tmp_path / "x.wav").code == "no_sound"


def test_a_video_without_sound(tmp_path):
    assert refused(make.video_without_sound(tmp_path / "v.mov")).code == "no_sound_track"


def test_a_codec_that_nobody_decodes(tmp_path):
    path = make.encode(tmp_path / "x.mov", make.tone(), "aac", "mov")
    assert refused(make.spoil_track(path, 0)).code == "unknown_codec"


def test_samples_that_are_not_numbers_throughout(tmp_path):
    x = np.full(make.RATE_HZ, np.nan, "f4")
    soundfile.write(tmp_path / "x.wav", x, make.RATE_HZ, "FLOAT")
    assert refused(tmp_path / "x.wav").code == "no_sound"


@pytest.mark.parametrize(
    "magic", ["fLaC", "OggS", "RIFF\0\0\0\0WAVEfmt ", "caff", "\x1aE\xdf£", "ID3"]
)
def test_rubbish_behind_a_good_magic_number(tmp_path, magic):
    rubbish = np.random.default_rng(8).integers(0, 256, 5000, dtype="u1").tobytes()
    (tmp_path / "x").write_bytes(magic.encode("latin-1") + rubbish)
    assert refused(tmp_path / "x").code in ("cut_file", "no_sound", "not_a_recording")


# --- cut and unfinished files ----------------------------------------------------------------


@pytest.mark.parametrize("share", [0.9, 0.5, 0.1])
def test_a_cut_wav_says_how_much_is_missing(tmp_path, share):
    path = wav(tmp_path / "x.wav")
    data = path.read_bytes()
    path.write_bytes(data[: 44 + int(share * (len(data) - 44)) + 1])  # also inside a sample
    clip = read_clip(path)
    assert clip.duration_s == pytest.approx(3 * share, abs=0.01)
    (problem,) = clip.problems
    assert problem.code == "cut_file"
    assert f"{3 * (1 - share):.2f} of 3.00 s are missing" in problem.what
    assert set(problem.disables) == {"coast_down", "rest"}


@pytest.mark.parametrize(
    ("name", "codec", "container", "more"),
    [
        ("first.m4a", "aac", "ipod", {"options": {"movflags": "faststart"}}),
        ("x.flac", "flac", "flac", {"sample_format": "s16"}),
        ("x.mka", "libopus", "matroska", {"sample_format": "s16"}),
        ("x.mp3", "libmp3lame", "mp3", {"sample_format": "s16p"}),
        ("x.caf", "pcm_s16be", "caf", {"sample_format": "s16"}),
        ("x.opus", "libopus", "ogg", {"sample_format": "s16"}),
    ],
)
def test_half_of_a_coded_file(tmp_path, name, codec, container, more):
    path = make.encode(tmp_path / name, make.tone(), codec, container, **more)
    whole = read_clip(path)
    assert whole.problems == ()
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    clip = read_clip(path)
    assert 0.5 < clip.duration_s < 2.6
    assert [problem.code for problem in clip.problems] == ["cut_file"]
    if container != "ogg":  # Ogg does not promise a length: only that it has an end
        assert "are missing" in clip.problems[0].what


def test_a_half_vorbis_file(tmp_path):
    soundfile.write(tmp_path / "x.ogg", make.tone(), make.RATE_HZ)
    assert read_clip(tmp_path / "x.ogg").problems == ()
    data = (tmp_path / "x.ogg").read_bytes()
    (tmp_path / "x.ogg").write_bytes(data[: len(data) // 2])
    assert refused(tmp_path / "x.ogg").code == "cut_file"  # not one page of sound is left
    (tmp_path / "x.ogg").write_bytes(data[:-200])
    (problem,) = read_clip(tmp_path / "x.ogg").problems
    assert problem.code == "cut_file"


def test_a_half_aiff(tmp_path):
    soundfile.write(tmp_path / "x.aiff", make.tone(), make.RATE_HZ)
    data = (tmp_path / "x.aiff").read_bytes()
    (tmp_path / "x.aiff").write_bytes(data[: len(data) // 2])
    (problem,) = read_clip(tmp_path / "x.aiff").problems
    assert "1.50 of 3.00 s are missing" in problem.what


def test_an_m4a_whose_index_is_missing(tmp_path):
    path = make.encode(tmp_path / "x.m4a", make.tone(), "aac", "ipod")
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    error = refused(path)
    assert error.code == "cut_file"
    assert "incomplete" in error.what


def test_sizes_of_ff_are_clamped(tmp_path):
    path = make.set_wav_sizes(wav(tmp_path / "x.wav"), b"\xff")
    clip = read_clip(path)
    assert clip.duration_s == 3.0
    assert clip.problems == ()


def test_sizes_of_zero_need_the_second_decoder(tmp_path):
    path = make.set_wav_sizes(wav(tmp_path / "x.wav"), b"\0")
    clip = read_clip(path)
    assert (clip.duration_s, clip.source.decoder) == (3.0, "av")
    (problem,) = clip.problems
    assert problem.code == "cut_file"
    assert "second decoder" in problem.what
    assert problem.disables == ("coast_down", "rest")


def test_a_damaged_packet_is_counted(tmp_path):
    path = make.encode(tmp_path / "x.aac", make.tone(), "aac", "adts", pipe=True)
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 300] = bytes(300)
    path.write_bytes(bytes(data))
    clip = read_clip(path)
    assert 2.5 < clip.duration_s < 3.1
    assert [problem.code for problem in clip.problems] == ["cut_file"]


# --- names and places ------------------------------------------------------------------------


def test_a_folder(tmp_path):
    assert refused(tmp_path).code == "not_a_file"


def test_nothing_there(tmp_path):
    assert refused(tmp_path / "no.wav").code == "not_a_file"


def test_a_name_with_a_zero_byte():
    assert refused("a\0b.wav").code == "not_a_file"


def test_a_name_that_is_too_long(tmp_path):
    assert refused(tmp_path / ("x" * 3000)).code == "not_a_file"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes on this system")
def test_a_named_pipe_does_not_hang(tmp_path):
    os.mkfifo(tmp_path / "pipe.wav")
    assert refused(tmp_path / "pipe.wav").code == "not_a_file"


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="no device files on this system")
def test_a_device():
    assert refused("/dev/zero").code == "not_a_file"


@pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="no sockets in files on this system")
def test_a_socket(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # the name of a socket must be short
    with socket.socket(socket.AF_UNIX) as end:
        end.bind("s.wav")
        assert refused("s.wav").code == "not_a_file"


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="no symbolic links on this system")
def test_links(tmp_path):
    wav(tmp_path / "ok.wav")
    (tmp_path / "link.wav").symlink_to("ok.wav")
    assert read_clip(tmp_path / "link.wav").duration_s == 3.0
    (tmp_path / "loop.wav").symlink_to("loop.wav")
    assert refused(tmp_path / "loop.wav").code == "not_a_file"
    (tmp_path / "dangling.wav").symlink_to("gone.wav")
    assert refused(tmp_path / "dangling.wav").code == "not_a_file"


def test_no_permission(tmp_path, monkeypatch):
    path = wav(tmp_path / "x.wav")

    def closed(*_args, **_kwargs):
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(read, "open", closed, raising=False)
    error = refused(path)
    assert error.code == "no_access"
    assert "permission denied" in error.what


@pytest.mark.parametrize("number", [11, 22, errno.EDEADLK])
def test_a_file_that_is_still_in_the_cloud(tmp_path, monkeypatch, number):
    path = wav(tmp_path / "x.wav")

    def fail(_file):
        raise OSError(number, "Resource deadlock avoided")

    monkeypatch.setattr(read, "_hash", fail)
    assert refused(path).code == "in_the_cloud"


def test_a_failing_disk(tmp_path, monkeypatch):
    path = wav(tmp_path / "x.wav")

    def fail(_file):
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(read, "_hash", fail)
    assert refused(path).code == "no_access"


def test_cloud_stubs(tmp_path):
    (tmp_path / ".clip.m4a.icloud").write_bytes(b"bplist00" + bytes(100))
    assert refused(tmp_path / ".clip.m4a.icloud").code == "in_the_cloud"
    assert refused(tmp_path / "clip.m4a").code == "in_the_cloud"


def test_reading_that_never_ends(tmp_path, monkeypatch):
    monkeypatch.setattr(read, "GIVE_UP_S", -1.0)
    assert refused(wav(tmp_path / "x.wav")).code == "gave_up"


def test_a_refusal_needs_no_stderr(tmp_path):
    """FFmpeg must not write its own complaints beside ours."""
    path = make.encode(tmp_path / "x.m4a", make.tone(), "aac", "ipod")
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    code = (
        "import sys\nfrom quietrun.clip import read_clip\n"
        "try: read_clip(sys.argv[1])\nexcept Exception as error: print(error.code)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True
    )
    assert (done.stdout, done.stderr) == ("cut_file\n", "")


# --- sniffing --------------------------------------------------------------------------------


def test_sniff_names_what_it_sees(tmp_path):
    path = make.encode(tmp_path / "x.wav", make.tone(), "aac", "ipod")
    assert sniff_file(path).name == "mp4"
    assert sniff(b"\x89PNG\r\n").title == "a picture (PNG)"
    assert not sniff(b"#EXTM3U\nhttp://example.invalid/").may_hold_sound
    assert sniff(b"").may_hold_sound  # unknown: a decoder may try
    with pytest.raises(UnreadableClip, match="no file of this name"):
        sniff_file(tmp_path / "gone")


@pytest.mark.parametrize("code", words.UNREADABLE)
def test_every_code_has_a_refusal(code):
    made = [
        refusals.empty_file(),
        refusals.not_a_recording("a text file"),
        refusals.no_sound_track("a video"),
        refusals.unknown_codec("x"),
        refusals.in_the_cloud(),
        refusals.not_a_file("This is a folder."),
        refusals.no_access("no permission"),
        refusals.gave_up(60),
    ]
    assert code in {one.code for one in made}


# --- recordings by others --------------------------------------------------------------------

CONTAINERS = {  # rate, channels, length by an independent count of decoded samples
    "exo_bear-opus.mka": (48_000, 2, 2.74),
    "exo_bear.opus": (48_000, 2, 2.74),
    "exo_sample.adts": (44_100, 1, 3.32),
    "exo_sample_ima_adpcm.wav": (44_100, 1, 1.02),
    "exo_sample_nb.amr": (8_000, 1, 4.36),
    "exo_sample_opus.mp4": (48_000, 2, 1.00),
    "exo_sample_wb.amr": (16_000, 1, 3.38),
    "exo_video_desks.3gp": (8_000, 1, 5.25),
}


@pytest.mark.parametrize("name", CONTAINERS)
def test_phone_and_camera_files(name):
    path = SHARED / "data" / "containers" / name
    if not path.exists():
        pytest.skip("the shared recordings are not here")
    rate_hz, channels, seconds = CONTAINERS[name]
    clip = read_clip(path)
    assert (clip.rate_hz, clip.source.channels) == (rate_hz, channels)
    # FFmpeg 9 leaves the first frame of AAC out, which only fills the coder: 0.13 s at 8 kHz
    assert clip.duration_s == pytest.approx(seconds, abs=0.06 if rate_hz > 8_000 else 0.13)
    assert np.abs(clip.samples).max() > 1e-3
    assert clip.problems == ()


def test_a_real_video_without_sound():
    path = SHARED / "data" / "containers" / "exo_sample_android_slow_motion.mp4"
    if not path.exists():
        pytest.skip("the shared recordings are not here")
    assert refused(path).code == "no_sound_track"


BAD = {  # what make_bad_files.py builds: a length in s, or a refusal's code
    "01_aac.m4a": 3.0,
    "03_alac.m4a": 3.0,
    "04_a.mp4": 3.0,
    "04_a.qta": 3.0,
    "04_no_suffix": 3.0,
    "05_two_tracks.mov": 3.0,
    "06_no_audio.mov": "no_sound_track",
    "06_text.m4a": "not_a_recording",
    "06_zeros.m4a": "not_a_recording",
    "07_amr.3gp": 3.0,
    "08_opus16k.opus": 3.0,
    "09_live.webm": 3.0,
    "11_fragmented.m4a": 3.0,
    "11_raw.aac": 3.0,
    "13_stereo.wav": 3.0,
    "15_ext24.wav": 3.0,
    "16_u8.wav": 3.0,
    "17_ffff.wav": 3.0,
    "17_pipe.wav": 3.0,
    "18_size0.wav": 3.0,
    "19_half.wav": 1.5,
    "19_mid_sample.wav": 0.02,
    "20_empty.wav": "empty_file",
    "20_header_only.wav": "no_sound",
    "21_cut.m4a": 1.58,
    "21_index_first.m4a": 3.0,
    "21_no_index.m4a": "cut_file",
    "23_antiphase.m4a": 3.0,
    "23_antiphase.wav": 3.0,
    "24_tone15k.wav": 3.0,
    "28_one_click.wav": 1.0,
    "28_zeros.wav": 1.0,
    "._33_companion.m4a": "not_a_recording",
    "=1+1.wav": 3.0,
    "@x.wav": 3.0,
    "-34.wav": 3.0,
}


@pytest.fixture(scope="module")
def bad_files(tmp_path_factory):
    script = SHARED / "field" / "make_bad_files.py"
    if not script.exists():
        pytest.skip("the shared recipe for bad files is not here")
    folder = tmp_path_factory.mktemp("bad")
    subprocess.run([sys.executable, str(script), str(folder)], check=True, capture_output=True)
    return folder


@pytest.mark.parametrize("name", BAD)
def test_every_known_trap(bad_files, name):
    path = bad_files / name
    if not path.exists():
        pytest.skip("not built on this system")
    if isinstance(BAD[name], str):
        assert refused(path).code == BAD[name]
        return
    clip = read_clip(path)
    assert clip.duration_s == pytest.approx(BAD[name], abs=0.06)
    cut = name.startswith(("18", "19", "21_cut"))
    assert [problem.code for problem in clip.problems] == (["cut_file"] if cut else [])


def test_no_trap_ends_in_a_traceback(bad_files):
    paths = sorted(bad_files.iterdir())
    assert len(paths) > 40
    refusals_seen = []
    for path in paths:
        try:
            read_clip(path)
        except UnreadableClip as error:
            refusals_seen.append(error.code)
    assert len(refusals_seen) == sum(isinstance(one, str) for one in BAD.values())
