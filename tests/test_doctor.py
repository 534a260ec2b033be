"""The checkup: all is looked at, each thing that is wrong is said, nothing private is told."""

import json
import os
import shutil
import subprocess
import sys
from collections import namedtuple
from pathlib import Path

import pytest
from click.testing import CliRunner
from fake_sounddevice import Fake

from quietrun import pipeline
from quietrun.cli import main
from quietrun.clip import decoders, microphone
from quietrun.doctor import examine as looking
from quietrun.doctor import private
from quietrun.errors import ModelError
from quietrun.logbook.store import open_logbook


@pytest.fixture
def healthy(monkeypatch, tmp_path):
    """An installation with a microphone, and a home of its own."""
    monkeypatch.setenv("QUIETRUN_HOME", str(tmp_path / "home"))
    monkeypatch.setattr(microphone, "load_backend", Fake)
    monkeypatch.setattr(looking, "_installed", _with_microphone(looking._installed))
    return tmp_path / "home"


@pytest.fixture
def quick(healthy, monkeypatch):
    """The same, without trying every codec and judging a run each time."""
    monkeypatch.setattr(looking, "_codecs", lambda: ())
    monkeypatch.setattr(looking, "_self_test", lambda: "left out")
    return healthy


def _with_microphone(real):
    return lambda name: real(name) or ("9.9" if name == "sounddevice" else None)


def told(code):
    result = CliRunner().invoke(main, ["doctor", "--json"])
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    return json.loads(result.stdout)


def trouble(found):
    (only,) = found["troubles"]
    assert only["what"]
    assert only["why"]
    assert only["do"]
    return only["what"]


def test_a_sound_installation(healthy):
    found = told(0)
    assert found["troubles"] == []
    assert found["versions"]["quietrun"]
    assert {"numpy", "av", "soundfile", "libsndfile", "libavcodec", "sqlite"} <= set(
        found["versions"]
    )
    assert all(codec["decodes"] for codec in found["codecs"])
    tried = {codec["name"] for codec in found["codecs"] if codec["how"] == "tried"}
    assert {"wav", "flac", "m4a (AAC)", "m4a (ALAC)"} <= tried
    assert found["model"]["sha256"] == pipeline.general_model().sha256
    assert found["inputs"] == ["* 1 Desk microphone (Sound), 2 ch, 48000 Hz"]
    assert found["logbook"] == "none yet"
    assert "was judged in" in found["self_test"]
    assert all(place["writable"] for place in found["places"])
    assert not healthy.exists(), "a checkup must not make a logbook"


def test_the_text_tells_the_same(healthy):
    result = CliRunner().invoke(main, ["doctor"])
    assert result.exit_code == 0
    assert result.stdout.startswith("Nothing is wrong.")
    joined = "".join(result.stdout.split())
    found = told(0)
    for name, version in found["versions"].items():
        assert "".join(f"{name}{version or 'not installed'}".split()) in joined
    assert found["model"]["sha256"] in joined
    assert all(len(line) <= 80 for line in result.stdout.splitlines())


def test_without_recording_no_input_is_looked_for(quick, monkeypatch):
    real = looking._installed
    monkeypatch.setattr(
        looking, "_installed", lambda name: None if name == "sounddevice" else real(name)
    )
    monkeypatch.setattr(microphone, "load_backend", lambda: pytest.fail("asked"))
    assert told(0)["inputs"] is None


def test_a_missing_portaudio_is_a_trouble_where_recording_is_installed(quick, monkeypatch):
    def refuse():
        raise microphone.NoRecording("No PortAudio in /opt/secret/lib.", "Why.", "Do.")

    monkeypatch.setattr(microphone, "load_backend", refuse)
    found = told(1)
    assert trouble(found) == "No PortAudio in .../lib."
    assert found["inputs"] == []


@pytest.mark.parametrize(
    ("have", "says"), [(None, "numpy is not installed"), ("1.2.3", "numpy is 1.2.3")]
)
def test_a_missing_or_old_library(quick, monkeypatch, have, says):
    real = looking._installed
    monkeypatch.setattr(looking, "_installed", lambda name: have if name == "numpy" else real(name))
    assert says in trouble(told(1))


def test_a_decoder_that_does_not_decode(healthy, monkeypatch):
    monkeypatch.setattr(decoders.DECODERS["av"], "blocks", lambda self, start=0: iter(()))
    assert "m4a (AAC), m4a (ALAC)" in trouble(told(1))


def test_decoders_that_do_not_load(healthy, monkeypatch):
    def torn(path):
        raise ImportError("libavcodec.so.62: cannot open shared object file")

    monkeypatch.setattr("quietrun.clip.read_clip", torn)
    assert "ImportError: libavcodec.so.62" in trouble(told(1))


def test_a_model_that_does_not_load(healthy, monkeypatch):
    def torn():
        raise ModelError(f"{Path.home()}/secret/model.json is cut.", "Why.", "Do.")

    monkeypatch.setattr(pipeline, "general_model", torn)
    found = told(1)
    assert found["model"] is None
    assert {one["what"] for one in found["troubles"]} == {
        "The model does not load: ~/secret/model.json is cut.",
        "A made-up clip cannot be judged: ~/secret/model.json is cut.",
    }


def test_a_home_that_cannot_be_written_to(quick):
    """A file stands where the folder should be."""
    quick.write_text("not a folder")
    monkey = told(0)  # the folder above it takes it
    assert monkey["logbook"] == "none yet"


@pytest.mark.skipif(os.name == "nt", reason="POSIX permissions")
def test_places_that_refuse_to_be_written_to(quick, monkeypatch):
    real = looking.tempfile.TemporaryFile

    def refuse(dir=None):
        if str(dir) == str(quick.parent):
            raise PermissionError(13, "Permission denied")
        return real(dir=dir)

    monkeypatch.setattr(looking.tempfile, "TemporaryFile", refuse)
    assert "The folder for the logbook (QUIETRUN_HOME) cannot be written" in trouble(told(1))


def test_a_disk_that_is_nearly_full(quick, monkeypatch):
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage(1, 1, 3_000_000))
    found = told(1)
    assert len(found["troubles"]) == 3
    assert "3 MB are free" in found["troubles"][0]["what"]


def test_a_logbook_is_looked_at_and_left_alone(quick):
    open_logbook(quick).close()
    book = quick / "logbook.sqlite3"
    before = book.read_bytes()
    assert told(0)["logbook"].startswith("there, 0.")
    assert book.read_bytes() == before
    book.write_bytes(b"no database at all" * 100)
    found = told(1)
    assert "file is not a database" in trouble(found)
    assert found["logbook"] == "there, but cannot be read"


def test_a_torn_self_test_is_told(healthy, monkeypatch):
    def torn(*_, **__):
        raise RuntimeError("torn")

    monkeypatch.setattr(pipeline, "analyse_clip", torn)
    assert trouble(told(1)) == "A made-up clip cannot be judged: RuntimeError: torn"


@pytest.mark.skipif(os.name == "nt", reason="HOME is POSIX")
@pytest.mark.parametrize("where", ["own", "elsewhere"])
def test_nothing_private_is_told(tmp_path, where):
    """Real processes with telling names: of the person, her folders, her working folder."""
    own = tmp_path / "Annabella" / "Ownfolder"
    work = own / "Workplace"
    other = tmp_path / "Otherdisk" / "Shopfolder"
    for folder in (work, other, own / "Tmpfolder"):
        folder.mkdir(parents=True)
    home = own / "Bookfolder" if where == "own" else other
    (home).mkdir(exist_ok=True)
    (home / "logbook.sqlite3").write_bytes(b"torn")
    env = {
        **os.environ,
        "HOME": str(own),
        "USER": "annabella",
        "LOGNAME": "annabella",
        "TMPDIR": str(own / "Tmpfolder"),
        "QUIETRUN_HOME": str(home),
    }
    for args in (["doctor"], ["doctor", "--json"]):
        done = subprocess.run(
            [sys.executable, "-m", "quietrun", *args],
            cwd=work,
            env=env,
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert done.returncode == 1
        said = done.stdout + done.stderr
        for secret in ("annabella", "ownfolder", "workplace", "otherdisk", "shopfolder"):
            assert secret not in said.lower()
        assert str(tmp_path) not in said
        assert "~/Bookfolder" in said or where == "elsewhere"
    assert list((own / "Tmpfolder").glob("quietrun*")) == []


@pytest.mark.parametrize(
    ("text", "clean"),
    [
        ("/srv/shops/Anna/clip.wav is cut", ".../clip.wav is cut"),
        (r"C:\Users\Anna\clip.wav is cut", ".../clip.wav is cut"),
        ("about 1/2 of it, and/or more", "about 1/2 of it, and/or more"),
        ("(/srv/Anna/x)", "(.../x)"),
    ],
)
def test_paths_in_messages_lose_their_folders(text, clean):
    assert private.without_names(text) == clean


def test_a_login_name_is_taken_out_but_not_out_of_words(monkeypatch):
    monkeypatch.setenv("LOGNAME", "anna")
    assert private.without_names("Anna's headset, annals") == "(user)'s headset, annals"


def test_a_working_folder_that_is_gone(monkeypatch, tmp_path):
    gone = tmp_path / "gone"
    gone.mkdir()
    monkeypatch.chdir(gone)
    gone.rmdir()
    assert private.without_names("torn") == "torn"
