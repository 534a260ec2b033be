"""Files of any length: the first run is kept, in bounded memory."""

from __future__ import annotations

import json
import struct
import subprocess
import sys
from pathlib import Path

import clip_files as make
import numpy as np
import pytest
import soundfile

from quietrun.clip import read_clip, survey

RATE_HZ = 8_000


def day(seconds: float, seed: int = 0, room: float = 1e-3) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, room, int(seconds * RATE_HZ)).astype("f4")


def add_run(x: np.ndarray, start_s: float, seconds: float = 6.0, level: float = 0.05) -> np.ndarray:
    """A machine: steady noise from ``start_s`` on."""
    n = int(seconds * RATE_HZ)
    at = int(start_s * RATE_HZ)
    x[at : at + n] += np.random.default_rng(9).normal(0, level, n).astype("f4")
    return x


def add_talk(x: np.ndarray, start_s: float, seconds: float, level: float = 0.02) -> np.ndarray:
    """Noise in syllables, four a second, with pauses: loud but not steady."""
    n = int(seconds * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    syllables = np.clip(np.sin(2 * np.pi * 4 * t) + 0.3 * np.sin(2 * np.pi * 0.9 * t), 0, None) ** 2
    at = int(start_s * RATE_HZ)
    x[at : at + n] += (level * syllables * np.random.default_rng(5).normal(0, 1, n)).astype("f4")
    return x


def written(path: Path, x: np.ndarray) -> Path:
    soundfile.write(path, x, RATE_HZ)
    return path


def test_the_first_run_is_kept(tmp_path):
    x = add_run(add_run(day(300), 200.0), 260.0)
    clip = read_clip(written(tmp_path / "x.wav", x))
    assert clip.start_s == pytest.approx(197.0, abs=0.5)
    assert clip.duration_s == 60.0
    assert clip.source.duration_s == 300.0
    start = round(clip.start_s * RATE_HZ)
    np.testing.assert_allclose(clip.samples, x[start : start + clip.samples.size], atol=4e-5)


def test_talk_before_the_run_is_not_the_run(tmp_path):
    x = add_run(add_talk(day(300), 40.0, 30.0), 200.0)
    clip = read_clip(written(tmp_path / "x.wav", x))
    assert clip.start_s == pytest.approx(197.0, abs=0.5)


def test_a_small_rise_ahead_of_the_run_is_passed_over(tmp_path):
    x = add_run(add_run(day(300), 60.0, 20.0, level=3e-3), 200.0)
    clip = read_clip(written(tmp_path / "x.wav", x))
    assert clip.start_s == pytest.approx(197.0, abs=0.5)


def test_where_nothing_rises_the_start_is_kept(tmp_path):
    clip = read_clip(written(tmp_path / "x.wav", day(200)))
    assert (clip.start_s, clip.duration_s) == (0.0, 60.0)


def test_digital_silence_before_the_room_is_no_run(tmp_path):
    x = add_run(day(300), 200.0)
    x[: 2 * RATE_HZ] = 0.0
    clip = read_clip(written(tmp_path / "x.wav", x))
    assert clip.start_s == pytest.approx(197.0, abs=0.5)


def test_a_run_near_the_end_is_kept_whole(tmp_path):
    x = add_run(day(100), 90.0)
    clip = read_clip(written(tmp_path / "x.wav", x))
    assert clip.start_s == pytest.approx(40.0, abs=0.5)
    assert clip.duration_s == 60.0


def test_a_file_of_just_keep_s_is_whole(tmp_path):
    x = add_run(day(60), 50.0)
    clip = read_clip(written(tmp_path / "x.wav", x))
    assert (clip.start_s, clip.duration_s) == (0.0, 60.0)


def test_keep_s_is_obeyed(tmp_path):
    x = add_run(day(60), 40.0)
    clip = read_clip(written(tmp_path / "x.wav", x), keep_s=12.0)
    assert clip.start_s == pytest.approx(37.0, abs=0.5)
    assert clip.duration_s == 12.0


def test_the_second_pass_of_a_coded_file_fits_the_first(tmp_path):
    x = add_run(day(90), 70.0)
    path = make.encode(tmp_path / "x.m4a", x, "aac", "ipod", rate_hz=RATE_HZ)
    clip = read_clip(path, keep_s=15.0)
    whole = read_clip(path, keep_s=100.0)
    start = round(clip.start_s * RATE_HZ)
    assert clip.start_s == pytest.approx(67.0, abs=1.0)
    np.testing.assert_array_equal(clip.samples, whole.samples[start : start + clip.samples.size])


def test_the_second_pass_keeps_the_better_channel(tmp_path):
    x = add_run(day(100), 80.0)
    pair = np.stack([0.2 * x, x], axis=1)
    soundfile.write(tmp_path / "x.wav", pair, RATE_HZ)
    clip = read_clip(tmp_path / "x.wav", keep_s=15.0)
    assert clip.source.channel_used == 1
    start = round(clip.start_s * RATE_HZ)
    np.testing.assert_allclose(clip.samples, x[start : start + clip.samples.size], atol=4e-5)


def test_rubbish_in_the_second_pass_is_cleaned_too(tmp_path):
    x = add_run(day(100), 80.0)
    x[85 * RATE_HZ] = np.nan
    soundfile.write(tmp_path / "x.wav", x, RATE_HZ, "FLOAT")
    clip = read_clip(tmp_path / "x.wav", keep_s=15.0)
    assert np.isfinite(clip.samples).all()


def test_levels_are_mean_squares():
    x = np.full((2, 1000), 0.5, "f4")
    x[1] = np.tile([0.1, -0.1], 500)
    levels = survey.measure(x, 100)
    assert levels.shape == (10, 2)
    np.testing.assert_allclose(levels[:, 0], 0.25)  # the larger channel
    np.testing.assert_allclose(levels[:, 1], 0.04 * 99 / 100, rtol=1e-5)  # steps of 0.2


def sparse_wav(path: Path, hours: float, channels: int, rate_hz: int, run_s: float) -> Path:
    """Hours of digital silence that take no room on the disk, with ten seconds of noise."""
    size = int(hours * 3600 * rate_hz) * channels * 2
    fmt = struct.pack("<HHIIHH", 1, channels, rate_hz, rate_hz * channels * 2, channels * 2, 16)
    head = b"RIFF" + struct.pack("<I", size + 36) + b"WAVEfmt " + struct.pack("<I", 16) + fmt
    noise = np.random.default_rng(0).normal(0, 3000, (10 * rate_hz, channels)).astype("<i2")
    with path.open("wb") as file:
        file.write(head + b"data" + struct.pack("<I", size))
        file.truncate(44 + size)
        file.seek(44 + int(run_s * rate_hz) * channels * 2)
        file.write(noise.tobytes())
    return path


def repeated_aac(path: Path, minutes: int, run_minute: int) -> Path:
    """ADTS frames stand alone: a minute of room is coded once and repeated."""
    rate_hz = 48_000
    rng = np.random.default_rng(1)
    room = rng.normal(0, 1e-3, 10 * rate_hz).astype("f4")
    run = room + np.where(np.arange(room.size) < 5 * rate_hz, 0, rng.normal(0, 0.1, room.size))
    coded = [
        make.encode(path, x, "aac", "adts", rate_hz=rate_hz, pipe=True).read_bytes()
        for x in (room, run)
    ]
    parts = [coded[0]] * (6 * minutes)
    parts[6 * run_minute] = coded[1]
    path.write_bytes(b"".join(parts))
    return path


MEASURE = """
import json, pathlib, resource, sys
from quietrun.clip import read_clip
clip = read_clip(sys.argv[1])
peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
if sys.platform == "darwin":
    peak_mib /= 1024
status = pathlib.Path("/proc/self/status")
if status.exists():  # Linux's ru_maxrss still holds the size of the process that started us
    line = [one for one in status.read_text().splitlines() if one.startswith("VmHWM")][0]
    peak_mib = int(line.split()[1]) / 1024
print(json.dumps([clip.start_s, clip.duration_s, clip.source.duration_s, peak_mib]))
"""


def measured(path: Path) -> list[float]:
    done = subprocess.run(
        [sys.executable, "-c", MEASURE, str(path)], capture_output=True, text=True, check=True
    )
    return json.loads(done.stdout)


@pytest.mark.skipif(sys.platform == "win32", reason="resource is not on Windows")
@pytest.mark.parametrize(
    ("hours", "channels", "rate_hz", "kept_s"), [(1.5, 1, 48_000, 60), (0.1, 8, 96_000, 30)]
)
def test_memory_of_a_long_wav(tmp_path, hours, channels, rate_hz, kept_s):
    path = sparse_wav(tmp_path / "x.wav", hours, channels, rate_hz, run_s=300.0)
    start_s, duration_s, whole_s, peak_mib = measured(path)
    assert start_s == pytest.approx(297.0, abs=0.5)
    assert (duration_s, whole_s) == (kept_s, pytest.approx(hours * 3600))
    assert peak_mib < 100


@pytest.mark.skipif(sys.platform == "win32", reason="resource is not on Windows")
def test_memory_of_a_long_phone_clip(tmp_path):
    path = repeated_aac(tmp_path / "x.aac", minutes=25, run_minute=15)
    start_s, duration_s, whole_s, peak_mib = measured(path)
    assert start_s == pytest.approx(15 * 60 + 5 - 3, abs=5)  # each repeat adds 1024 samples
    assert duration_s == 60.0
    assert whole_s == pytest.approx(25 * 60, rel=0.01)
    assert peak_mib < 110
