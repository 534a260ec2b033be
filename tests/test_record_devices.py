"""Each way in which a live input fails, played by a double: the message, the file, the code.

The failures are those that people report of PortAudio and its Python binding: no device, rate
refused (-9997), channels refused (-9998), busy (-9985), zeros without an error where the system
forbids listening, garbage, lost samples, a headset's rate under another name.
"""

import builtins
import errno
import functools
import itertools
import json
import re
import signal
from datetime import datetime

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from fake_sounddevice import Fake

from quietrun.cli import main
from quietrun.clip import microphone, read_clip, take
from quietrun.errors import UsageError
from quietrun.judge.limits import FaultLimit, Limits
from quietrun.logbook.home import book_path
from quietrun.logbook.limits import as_object, put_limits
from quietrun.logbook.machines import add_machine
from quietrun.logbook.store import open_logbook
from quietrun.logbook.types import MachineRecord
from quietrun.pipeline import general_model
from quietrun.synth import draw_recipe, render

RATE_HZ = 48_000


def hiss(seconds=4.0, level=0.01, channels=1, rate_hz=RATE_HZ):
    rng = np.random.default_rng(5)
    shape = (int(seconds * rate_hz), channels)
    return (level * rng.standard_normal(shape)).astype(np.float32)


@pytest.fixture(scope="module")
def run():
    """A whole made-up run: samples and rate."""
    made = render(
        draw_recipe(np.random.default_rng(3), faults={}, snr_db=35.0, mains_hz=50.0, phone=0)
    )
    return np.asarray(made.samples, np.float32), float(made.rate_hz)


@pytest.fixture
def go(monkeypatch, tmp_path):
    """Run ``quietrun record`` with a double of sounddevice."""

    def record(fake, *args, out="visit.flac"):
        monkeypatch.setattr(microphone, "load_backend", lambda: fake)
        monkeypatch.setenv("QUIETRUN_HOME", str(tmp_path / "home"))
        timed = functools.partial(microphone.Microphone, clock=fake.clock)
        monkeypatch.setattr(microphone, "Microphone", timed)
        path = tmp_path / out
        result = CliRunner().invoke(main, ["record", str(path), *args])
        assert "Traceback" not in result.stderr
        assert not list(tmp_path.glob(".*")), "a part of a file was left behind"
        return result, path

    monkeypatch.setattr(microphone, "STALL_S", 0.4)
    return record


# Everything is well


@pytest.mark.parametrize("out", ["visit.flac", "visit.WAV"])
def test_a_run_is_recorded_as_heard_and_judged(go, run, out):
    samples, rate_hz = run
    fake = Fake(samples=samples, rate_hz=rate_hz)
    result, path = go(fake, "--machine", "B-014", "--seconds", "10", "--json", out=out)
    told = json.loads(result.stdout)
    assert result.exit_code in (0, 1)
    assert told["analysis"]["verdict"] in ("quiet", "inspect", "noisy")
    assert told["analysis"]["machine"]["id"] == "B-014"
    assert told["analysis"]["run"]["switched_off_s"] is not None
    assert (told["sample_rate_hz"], told["ended"], told["problems"]) == (rate_hz, "done", [])
    kept, kept_rate_hz = soundfile.read(path, dtype="float32")
    assert kept_rate_hz == rate_hz
    assert len(kept) == pytest.approx(10 * rate_hz, abs=fake.block + rate_hz * 0.05)
    # 24 bits: half a step is 2**-24.
    np.testing.assert_allclose(kept, samples[: len(kept)], atol=2**-23)
    assert fake.closed == 1


@pytest.mark.parametrize("out", ["visit.flac", "visit.wav"])
def test_date_machine_and_device_are_in_the_file(go, out):
    result, path = go(Fake(samples=hiss()), "--machine", "Küche", "--seconds", "2", out=out)
    with soundfile.SoundFile(path) as file:
        tags = file.copy_metadata()
    told = json.loads(tags["comment"])
    assert (told["machine"], told["device"]) == ("Küche", "Desk microphone")
    assert told["stage"] == "assembled"
    assert tags["title"] == "Küche"
    assert tags["software"].startswith("quietrun ")
    assert read_clip(path).source.recorded_at == tags["date"]
    assert datetime.fromisoformat(tags["date"]).utcoffset() is not None
    assert result.exit_code == 3  # hiss is no machine


@pytest.mark.parametrize("date", ["2024", "2024-05-01", "2024-05-01T10:00:00", "yesterday"])
def test_a_date_that_is_no_moment_is_not_taken_for_the_start(tmp_path, date):
    path = tmp_path / "other.wav"
    with soundfile.SoundFile(path, "w", RATE_HZ, 1) as file:
        file.date = date
        file.write(hiss(2.0))
    assert read_clip(path).source.recorded_at is None


def test_the_logbook_tells_the_machine_and_its_own_limits(go, run, tmp_path):
    """A machine whose own limits let nothing pass: what it records is not quiet."""
    samples, rate_hz = run
    args = ("--machine", "b-014", "--seconds", "10", "--json")
    home = str(tmp_path / "home")
    with open_logbook(home) as book:
        add_machine(book, MachineRecord(tag="B-014", mains_hz=50.0, poles=2, fan_blades=9))
    result, _ = go(Fake(samples=samples, rate_hz=rate_hz), *args, out="first.flac")
    first = json.loads(result.stdout)["analysis"]
    assert (first["machine"]["id"], first["machine"]["poles"]) == ("B-014", 2)
    strict = Limits(
        "B-014", "", "assembled", general_model().sha256, {"bearing_noise": FaultLimit(0.0, -50.0)}
    )
    with open_logbook(home) as book:
        put_limits(book, "B-014", as_object(strict, baseline=None))
    result, _ = go(Fake(samples=samples, rate_hz=rate_hz), *args, out="second.flac")
    second = json.loads(result.stdout)["analysis"]
    flagged = [told["faults"]["bearing_noise"]["flagged"] for told in (first, second)]
    assert flagged == [False, True]
    assert (second["verdict"], result.exit_code) != ("quiet", 0)


def test_a_book_that_cannot_be_used_keeps_no_recording_from_being_judged(go, run, tmp_path):
    samples, rate_hz = run
    with open_logbook(str(tmp_path / "home")):
        pass
    book_path(str(tmp_path / "home")).write_text("rubbish")
    args = ("--machine", "B-014", "--seconds", "10", "--json")
    result, path = go(Fake(samples=samples, rate_hz=rate_hz), *args)
    assert path.is_file()
    assert result.exit_code in (0, 1)
    assert "The logbook was not used" in result.stderr


def test_without_a_check_only_the_recording_is_looked_at(go, run):
    samples, rate_hz = run
    fake = Fake(samples=samples, rate_hz=rate_hz)
    result, _ = go(fake, "--no-check", "--seconds", "10", "--json")
    assert result.exit_code == 0
    assert json.loads(result.stdout)["analysis"] is None
    result, _ = go(fake, "--no-check", "--seconds", "10", "--force")
    assert result.exit_code == 0
    assert "Nothing is wrong with the recording; it was not judged." in result.stdout


def test_what_is_of_no_use_is_said_without_a_check_too(go):
    result, path = go(Fake(samples=hiss()), "--no-check", "--seconds", "3")
    assert result.exit_code == 3
    assert "No run was heard" in result.stdout or "Nothing stands out" in result.stdout
    assert path.exists()


def test_too_loud_is_said(go, run):
    samples, rate_hz = run
    loud = np.clip(samples * (40.0 / np.abs(samples).max()), -1, 1)
    result, _ = go(Fake(samples=loud, rate_hz=rate_hz), "--no-check", "--seconds", "10", "--json")
    assert "clipped" in [one["code"] for one in json.loads(result.stdout)["problems"]]
    assert "TOO LOUD" in result.stderr


def test_the_start_duty_is_said_but_not_for_a_hand_spin(go):
    powered, _ = go(Fake(samples=hiss()), "--seconds", "1", out="one.wav")
    by_hand, _ = go(Fake(samples=hiss()), "--seconds", "1", "--stage", "hand_spin", out="two.wav")
    assert "starts an hour" in powered.stderr
    assert "starts an hour" not in by_hand.stderr
    assert "fingers" in by_hand.stderr


# The device does not open


@pytest.mark.parametrize(
    ("told", "says"),
    [
        ({"open_error": ("Device unavailable", -9985)}, "Close the programs"),
        ({"open_error": ("Unanticipated host error", -9999)}, "sound service refuses"),
        ({"open_error": ("Invalid device", -9996)}, "Plug it in again"),
        ({"open_error": ("odd",)}, "sound service refuses"),
        ({"start_error": ("Device unavailable", -9985)}, "exclusive mode"),
        ({"query_error": ("PortAudio not initialized", -10000)}, "sound service refuses"),
        ({"refuse_rates": (48000.0, 44100.0, 32000.0, 16000.0)}, "48000 Hz"),
        ({"refuse_channels": (1, 2)}, "neither one channel nor two"),
        ({"devices": (), "default": -1}, "has no microphone"),
        ({"samples": np.zeros((0, 1), np.float32)}, "delivers nothing"),
        ({"samples": np.zeros((0, 1), np.float32), "stalls": True}, "delivers nothing"),
    ],
)
def test_a_device_that_does_not_open_is_named_and_nothing_is_written(go, told, says):
    fake = Fake(**told)
    result, path = go(fake)
    assert result.exit_code == 3
    assert all(word in result.stderr for word in ("Error: ", "Why:  ", "Do:   "))
    assert says in result.stderr
    assert result.stdout == ""
    assert not path.exists()
    assert fake.closed == (1 if "start_error" in told or "samples" in told else 0)


def test_another_rate_is_taken_where_its_own_is_refused(go):
    fake = Fake(samples=hiss(rate_hz=44_100), refuse_rates=(48_000.0,))
    result, path = go(fake, "--seconds", "2", "--json")
    assert [rate for _, _, rate in fake.opened] == [48_000.0, 44_100.0]
    assert soundfile.info(path).samplerate == 44_100
    assert json.loads(result.stdout)["sample_rate_hz"] == 44_100


def test_two_channels_where_it_gives_no_single_one(go):
    fake = Fake(samples=hiss(channels=2), refuse_channels=(1,))
    fake.samples[:, 0] *= 0.01
    _, path = go(fake, "--seconds", "2")
    assert [channels for _, channels, _ in fake.opened] == [1, 2]
    assert soundfile.info(path).channels == 2
    assert read_clip(path).source.channel_used == 1


# The device opens and fails


@pytest.mark.parametrize("level", [0.0, 1e-6])
@pytest.mark.parametrize(
    ("platform", "says"),
    [("darwin", "Privacy & Security"), ("win32", "desktop apps"), ("linux", "not muted")],
)
def test_silence_is_a_matter_of_permission(go, monkeypatch, platform, says, level):
    monkeypatch.setattr(take, "permission_hint", lambda: microphone.permission_hint(platform))
    result, path = go(Fake(samples=hiss(level=level / 5)), "--seconds", "3")
    assert result.exit_code == 3
    assert "delivered silence only" in result.stderr
    assert says in result.stderr
    assert not path.exists()


@pytest.mark.parametrize("rubbish", [np.nan, np.inf, 1e38])
def test_rubbish_is_not_kept(go, rubbish):
    result, path = go(Fake(samples=np.full(4 * RATE_HZ, rubbish, np.float32)), "--seconds", "3")
    assert result.exit_code == 3
    assert "delivered rubbish" in result.stderr
    assert not path.exists()


def test_single_rubbish_samples_become_silence(go, run):
    samples, rate_hz = run
    samples = samples.copy()
    samples[5000:5010] = np.nan
    result, path = go(Fake(samples=samples, rate_hz=rate_hz), "--seconds", "10")
    assert result.exit_code in (0, 1, 3)
    assert np.all(soundfile.read(path)[0][5000:5010] == 0.0)


@pytest.mark.parametrize("stalls", [False, True])
def test_a_device_that_goes_away_keeps_what_came(go, run, stalls):
    samples, rate_hz = run
    fake = Fake(
        samples=samples[: int(4.0 * rate_hz)],
        rate_hz=rate_hz,
        stalls=stalls,
        close_error=("Invalid stream pointer", -9988),
    )
    result, path = go(fake, "--json")
    told = json.loads(result.stdout)
    assert told["ended"] == "gone"
    assert soundfile.info(path).duration == pytest.approx(4.0, abs=0.05)
    assert "went away after 4.0 s" in told["problems"][0]["what"]
    assert told["analysis"]["verdict"] in ("inspect", "unusable")
    assert result.exit_code in (1, 3)


@pytest.mark.parametrize(("blocks", "times"), [((50,), "once"), ((50, 90), "2 times")])
def test_lost_samples_are_said_and_hold_back_quiet(go, run, blocks, times):
    samples, rate_hz = run
    fake = Fake(samples=samples, rate_hz=rate_hz, overflow_at=blocks)
    result, path = go(fake, "--seconds", "10", "--json")
    told = json.loads(result.stdout)
    assert f"Samples were lost while recording ({times})." in [p["what"] for p in told["problems"]]
    assert told["analysis"]["verdict"] != "quiet"
    with soundfile.SoundFile(path) as file:
        assert json.loads(file.comment)["overflows"] == len(blocks)


def test_samples_lost_without_a_word_show_by_the_clock(go, run):
    samples, rate_hz = run
    fake = Fake(samples=samples, rate_hz=rate_hz, true_rate_hz=0.85 * rate_hz)
    result, _ = go(fake, "--seconds", "10", "--json")
    lost = [p["what"] for p in json.loads(result.stdout)["problems"]]
    assert "Samples were lost while recording (15 % of the sound)." in lost


@pytest.mark.parametrize("true_rate_hz", [16_000.0, 24_000.0, 44_100.0])
def test_a_rate_under_another_name_is_caught_by_the_clock(go, true_rate_hz):
    """A headset's rate stored as 48 kHz: everything too high and too short."""
    fake = Fake(samples=hiss(6.0), true_rate_hz=true_rate_hz)
    result, path = go(fake, "--seconds", "5", "--json")
    told = json.loads(result.stdout)
    told_rates = [re.search(r"about (\d+) samples a", one["what"]) for one in told["problems"]]
    assert [int(one[1]) for one in told_rates if one] == [pytest.approx(true_rate_hz, rel=0.01)]
    assert told["analysis"]["verdict"] == "unusable"
    assert result.exit_code == 3
    assert path.exists()


def test_a_good_clock_raises_nothing():
    """Blocks come in steps and clocks differ a little: 0.2 % is no fault."""
    fake = Fake(samples=hiss(12.0), true_rate_hz=RATE_HZ * 1.002)
    source = microphone.Microphone(fake, _desk(fake), clock=fake.clock)
    frames = list(itertools.islice(source.frames(), 200))
    assert all(frame.shape == (2400, 1) for frame in frames)
    source.done()
    assert list(take.problems(source.take())) == []


def test_nobody_records_for_ever(monkeypatch):
    monkeypatch.setattr(microphone, "LONGEST_S", 1.0)
    fake = Fake(samples=hiss(5.0))
    source = microphone.Microphone(fake, _desk(fake), clock=fake.clock)
    assert len(list(source.frames())) <= 21
    assert source.take().ended == "longest"


def _desk(fake):
    return microphone.choose(microphone.inputs(fake))


# Ctrl-C


def test_ctrl_c_keeps_what_was_recorded(go, monkeypatch):
    from quietrun.clip.guide import Guide

    real, heard = Guide.hear, []

    def hear(self, level_db):
        heard.append(level_db)
        if len(heard) == 60:
            raise KeyboardInterrupt
        return real(self, level_db)

    monkeypatch.setattr(Guide, "hear", hear)
    result, path = go(Fake(samples=hiss(8.0)), "--json")
    assert result.exit_code == 130
    told = json.loads(result.stdout)
    assert (told["ended"], told["analysis"]) == ("stopped", None)
    info = soundfile.info(path)
    assert info.duration == pytest.approx(3.0, abs=0.1)
    assert info.frames == round(told["duration_s"] * RATE_HZ)


def test_ctrl_c_while_the_file_is_written_is_held_off(go, monkeypatch):
    real = soundfile.SoundFile.write

    def write(self, data):
        signal.raise_signal(signal.SIGINT)
        return real(self, data)

    monkeypatch.setattr(soundfile.SoundFile, "write", write)
    before = signal.getsignal(signal.SIGINT)
    result, path = go(Fake(samples=hiss()), "--seconds", "2")
    assert result.exit_code == 3
    assert soundfile.info(path).duration >= 2.0
    assert signal.getsignal(signal.SIGINT) is before


def test_ctrl_c_before_anything_came_writes_nothing(go, monkeypatch):
    def ask():
        raise KeyboardInterrupt

    monkeypatch.setattr("quietrun.cli.record_screen.wait_for_person", ask)
    result, path = go(Fake(samples=hiss()))
    assert result.exit_code == 130
    assert not path.exists()


# The call


def test_inputs_are_listed(go):
    fake = Fake()
    result, _ = go(fake, "--devices")
    assert result.exit_code == 0
    assert result.stdout == "*   1  Desk microphone (Sound), 2 channels, 48000 Hz\n"
    told = json.loads(go(fake, "--devices", "--json")[0].stdout)
    assert told["devices"] == [
        {
            "index": 1,
            "name": "Desk microphone",
            "api": "Sound",
            "channels": 2,
            "rate_hz": 48000.0,
            "default": True,
        }
    ]
    assert "No inputs." in go(Fake(devices=(), default=-1), "--devices")[0].stdout
    assert fake.opened == []


@pytest.mark.parametrize("wanted", ["2", "rear", "Rear mic"])
def test_a_device_is_chosen_by_number_or_name(wanted):
    assert microphone.choose(DEVICES, wanted).index == 2


def _input(index, name, default=False):
    return microphone.Input(index, name, "Sound", 1, 48_000.0, default)


DEVICES = (_input(1, "Front mic", default=True), _input(2, "Rear mic"), _input(5, "Front mic 2"))


def test_an_exact_name_wins_over_a_longer_one():
    assert microphone.choose(DEVICES, "front mic").index == 1


@pytest.mark.parametrize(
    ("wanted", "says"), [("7", "No input"), ("top", "No input"), ("front", "More than one")]
)
def test_a_wrong_device_is_a_usage_error(wanted, says):
    with pytest.raises(UsageError, match=says):
        microphone.choose(DEVICES, wanted)


def test_without_a_default_the_first_is_taken():
    assert microphone.choose(DEVICES[1:]).index == 2


def test_a_file_that_is_there_is_kept(go, tmp_path):
    (tmp_path / "visit.flac").write_bytes(b"precious")
    fake = Fake(samples=hiss())
    result, path = go(fake)
    assert result.exit_code == 2
    assert "is there already" in result.stderr
    assert path.read_bytes() == b"precious"
    assert fake.opened == [], "the machine must not be started for nothing"


@pytest.mark.parametrize(
    ("out", "says"),
    [
        ("visit.mp3", "Name it visit.flac"),
        ("visit", "Name it visit.flac"),
        ("nowhere/visit.flac", "cannot be written"),
        ("\udcff/visit.flac", "cannot be written"),
        (f"{'n' * 300}.flac", "cannot be written"),
    ],
)
def test_a_place_that_cannot_be_written_is_named_before_recording(go, out, says):
    fake = Fake(samples=hiss())
    result, _ = go(fake, out=out)
    assert result.exit_code == 2
    assert says in result.stderr
    assert fake.opened == []


def test_a_folder_is_no_place(go, tmp_path):
    (tmp_path / "week.wav").mkdir()
    result, _ = go(Fake(samples=hiss()), out="week.wav")
    assert result.exit_code == 2
    assert "is a folder" in result.stderr


def test_a_disk_that_fills_up_leaves_no_half_file(go, monkeypatch, capfd):
    def full(handle):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(take.os, "fsync", full)
    result, path = go(Fake(samples=hiss()), "--seconds", "2")
    assert result.exit_code == 2
    assert "No space left on device" in result.stderr
    assert not path.exists()
    assert capfd.readouterr() == ("", "")


def test_no_name_no_recording():
    result = CliRunner().invoke(main, ["record"])
    assert result.exit_code == 2
    assert "Name the file to write" in result.stderr


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (ModuleNotFoundError("No module named 'sounddevice'"), "pip install 'quietrun[record]'"),
        (OSError("PortAudio library not found"), "apt install libportaudio2"),
    ],
)
def test_a_missing_library_is_named_with_the_way_to_get_it(monkeypatch, tmp_path, error, says):
    real = builtins.__import__

    def refuse(name, *args, **kwargs):
        if name == "sounddevice":
            raise error
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", refuse)
    for args in (["record", str(tmp_path / "a.wav")], ["record", "--devices"]):
        result = CliRunner().invoke(main, args)
        assert result.exit_code == 2
        assert says in result.stderr
        assert "Traceback" not in result.stderr
