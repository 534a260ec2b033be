"""``quietrun example``: a made-up clip of each fault, as a file that can be played."""

import json

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from quietrun.cli import main
from quietrun.words import FAULTS


def run(*args):
    return CliRunner().invoke(main, ["example", *args])


def made(tmp_path, sound, *args):
    out = tmp_path / "out.wav"
    done = run(sound, "-o", str(out), "--json", "--force", *args)
    assert done.exit_code == 0, done.output
    samples, rate_hz = soundfile.read(out)
    return json.loads(done.stdout)["truth"], samples, rate_hz


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_written_as_its_truth_says(tmp_path, fault):
    truth, samples, rate_hz = made(tmp_path, fault, "--severity", "0.8")
    assert truth["faults"] == {fault: 0.8}
    assert truth["problem"] is None
    assert len(samples) / rate_hz == pytest.approx(truth["duration_s"], abs=0.1)
    assert 0.01 < np.abs(samples).max() <= 1.0


def test_severity_zero_is_the_quiet_machine_itself(tmp_path):
    _, quiet, _ = made(tmp_path, "quiet")
    _, none, _ = made(tmp_path, "impeller_rub", "--severity", "0")
    _, rub, _ = made(tmp_path, "impeller_rub", "--severity", "1")
    assert np.array_equal(quiet, none)
    assert not np.array_equal(quiet, rub)


def test_severity_is_audibility(tmp_path):
    """At 0.2 the fault reaches the machine's own level, at 1.0 it stands about 20 dB over it."""
    low, _, _ = made(tmp_path, "bearing_noise", "--severity", "0.2")
    high, _, _ = made(tmp_path, "bearing_noise", "--severity", "1.0")
    assert low["audibility_db"]["bearing_noise"] == pytest.approx(0, abs=1.5)
    assert high["audibility_db"]["bearing_noise"] == pytest.approx(20, abs=1.5)


def test_the_seed_decides(tmp_path):
    _, first, _ = made(tmp_path, "quiet", "--seed", "3")
    _, again, _ = made(tmp_path, "quiet", "--seed", "3")
    _, other, _ = made(tmp_path, "quiet", "--seed", "4")
    assert np.array_equal(first, again)
    assert first.shape != other.shape or not np.array_equal(first, other)


def test_options_reach_the_recipe(tmp_path):
    truth, _, _ = made(tmp_path, "quiet", "--mains", "60", "--stage", "motor_only", "--phone", "12")
    assert truth["mains_hz"] == pytest.approx(60.0, abs=0.1)
    assert truth["stage"] == "motor_only"
    assert truth["family"]["phone"] == 12


def test_flac_holds_the_same_sound(tmp_path):
    _, wav, _ = made(tmp_path, "quiet")
    assert run("quiet", "-o", str(tmp_path / "out.flac")).exit_code == 0
    flac, _ = soundfile.read(tmp_path / "out.flac")
    assert np.abs(wav - flac).max() <= 1 / 32768  # the library rounds the two by a step


def test_a_file_that_is_there_is_kept(tmp_path):
    out = tmp_path / "mine.wav"
    out.write_bytes(b"my own recording")
    done = run("quiet", "-o", str(out))
    assert done.exit_code == 2
    assert "is there already" in done.stderr
    assert out.read_bytes() == b"my own recording"


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (["quiet", "-o", "x.mp3"], r"Name it x.wav"),
        (["quiet", "-o", "nowhere/x.wav"], "cannot be written: No such file"),
        (["burr_contact", "--stage", "motor_only", "-o", "x.wav"], "not possible at stage"),
        (["bearing", "-o", "x.wav"], "'bearing_noise'"),
        (["quiet", "--severity", "2", "-o", "x.wav"], "0.0<=x<=1.0"),
    ],
)
def test_mistakes_are_told_with_a_way_out(tmp_path, monkeypatch, args, message):
    monkeypatch.chdir(tmp_path)
    done = run(*args)
    assert done.exit_code == 2
    assert message in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_the_text_says_that_it_is_made_up(tmp_path):
    done = run("burr_contact", "-o", str(tmp_path / "b.wav"))
    assert "burr contact at severity 0.7" in done.stdout
    assert "computed, not recorded" in done.stdout
