"""A real recording: PortAudio on a virtual microphone that hears a known clip."""

import json
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from virtual_microphone import play, virtual_microphone, why_not

from quietrun.clip import read_clip
from quietrun.machine import Machine
from quietrun.pipeline import analyse

CLIPS = Path(__file__).parents[1] / "synthetic_audio"

pytestmark = pytest.mark.skipif(why_not() is not None, reason=str(why_not()))


@pytest.fixture(scope="module")
def env(tmp_path_factory):
    with virtual_microphone(tmp_path_factory.mktemp("sound")) as env:
        yield env


def start(env, *args):
    return subprocess.Popen(
        [sys.executable, "-m", "quietrun", "record", *map(str, args)],
        env=env,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def when_it_listens(recorder):
    """Read what it says up to its first step."""
    for line in recorder.stderr:
        if line.startswith("1 of"):
            return
    raise AssertionError("it never began")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Two of the shipped clips, far from any limit, as wav."""
    folder = tmp_path_factory.mktemp("made")
    for name in ("quiet", "bearing"):
        clip = read_clip(CLIPS / f"{name}.opus")
        soundfile.write(folder / f"{name}.wav", clip.samples, int(clip.rate_hz))
    return folder


@pytest.mark.parametrize("name", ["quiet", "bearing"])
def test_what_is_played_is_recorded_and_judged_the_same(env, made, tmp_path, name):
    known = made / f"{name}.wav"
    out = tmp_path / "visit.flac"
    recorder = start(env, out, "--json", "--machine", "B-014")
    when_it_listens(recorder)
    player = play(known, env)
    stdout, stderr = recorder.communicate(timeout=60)
    player.kill()
    player.wait()
    told = json.loads(stdout)
    direct = analyse(known, machine=Machine())
    heard = told["analysis"]
    assert heard["verdict"] == direct.verdict.word, (stderr, told["problems"])
    flagged = {score.fault for score in direct.verdict.faults if score.flagged}
    assert {fault for fault, score in heard["faults"].items() if score["flagged"]} == flagged
    for score in direct.verdict.faults:
        assert heard["faults"][score.fault]["probability"] == pytest.approx(
            score.probability, abs=0.15
        )
    run = heard["run"]
    if direct.run.running_rpm is not None:
        assert run["running_rpm"] == pytest.approx(direct.run.running_rpm, rel=0.005)
    assert run["switched_off_s"] - run["switched_on_s"] == pytest.approx(
        direct.run.power_off_s - direct.run.power_on_s, abs=0.15
    )
    assert told["ended"] == "done"
    assert told["problems"] == []
    assert recorder.returncode == (0 if direct.verdict.word == "quiet" else 1)
    assert [line for line in stderr.splitlines() if " of 5: " in line]


def test_the_samples_are_those_that_were_played(env, made, tmp_path):
    """The recording, moved to where it fits best, is the played clip but for resampling."""
    known, rate_hz = soundfile.read(made / "quiet.wav")
    out = tmp_path / "visit.wav"
    recorder = start(env, out, "--seconds", "6", "--no-check")
    when_it_listens(recorder)
    player = play(made / "quiet.wav", env)
    recorder.communicate(timeout=60)
    player.kill()
    player.wait()
    heard, heard_rate_hz = soundfile.read(out)
    assert len(heard) / heard_rate_hz == pytest.approx(6.0, abs=0.2)
    at = np.arange(int(5.5 * 4000)) / 4000  # compared on a common 4 kHz grid, as levels of 50 ms
    levels = [
        np.sqrt(np.mean(np.interp(at, np.arange(len(x)) / rate, x).reshape(-1, 200) ** 2, axis=1))
        for x, rate in ((known, rate_hz), (heard, heard_rate_hz))
    ]
    best = max(
        np.corrcoef(levels[0][: 110 - shift], levels[1][shift:110])[0, 1] for shift in range(30)
    )
    assert best > 0.95


def test_ctrl_c_keeps_the_whole_file(env, made, tmp_path):
    out = tmp_path / "visit.flac"
    recorder = start(env, out)
    when_it_listens(recorder)
    player = play(made / "quiet.wav", env)
    for line in recorder.stderr:
        if line.lstrip().startswith("2 s"):
            break
    recorder.send_signal(signal.SIGINT)
    _, stderr = recorder.communicate(timeout=30)
    player.kill()
    player.wait()
    assert recorder.returncode == 130, stderr
    assert 1.5 < soundfile.info(out).duration < 5.0
    assert len(soundfile.read(out)[0]) == soundfile.info(out).frames
    assert [path.name for path in tmp_path.iterdir()] == ["visit.flac"]


def test_a_muted_input_is_silence_and_not_quiet(env, tmp_path):
    out = tmp_path / "visit.flac"
    recorder = start(env, out, "--seconds", "2")
    stdout, stderr = recorder.communicate(timeout=30)
    assert recorder.returncode == 3
    assert "delivered silence only" in stderr
    assert stdout == ""
    assert not out.exists()


def test_the_input_is_listed(env):
    recorder = start(env, "--devices", "--json")
    stdout, _ = recorder.communicate(timeout=30)
    assert any("heard" in one["name"] for one in json.loads(stdout)["devices"])
