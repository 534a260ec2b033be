"""Ctrl-C in the midst of a write to the logbook, and disks that are full for every kind of file."""

import json
import os
import shutil
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner

from quietrun.cli import main
from quietrun.logbook.store import Logbook

CLIPS = Path(__file__).parents[1] / "synthetic_audio"
QUIET = CLIPS / "quiet.opus"


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    """A book with one machine and three quiet runs, and an export of it."""
    folder = tmp_path_factory.mktemp("kept")
    clips = []
    for day in (1, 2, 3):
        clips.append(folder / f"2026-03-{day:02d} 10.00.opus")
        clips[-1].write_bytes(QUIET.read_bytes() + bytes(day))
    for args in (
        ["machine", "add", "B-014"],
        ["logbook", "add", *map(str, clips), "--machine", "B-014"],
        ["logbook", "export", str(folder / "book.json")],
    ):
        result = CliRunner().invoke(main, [*args, "--home", str(folder / "home")])
        assert result.exit_code == 0, result.output
    return folder


@pytest.fixture
def kept(book, tmp_path):
    """A copy of it to spoil."""
    shutil.copytree(book, tmp_path / "kept")
    return tmp_path / "kept"


def exported(home):
    result = CliRunner().invoke(main, ["logbook", "export", "--home", str(home)])
    assert result.exit_code == 0, result.output
    return {**json.loads(result.stdout), "written_at": ""}


@pytest.mark.parametrize(
    "args",
    [
        ["machine", "add", "C-1"],
        ["machine", "edit", "B-014", "--place", "Elsewhere"],
        ["machine", "new-parts", "B-014", "burrs"],
        ["machine", "throughput", "B-014", "100"],
        ["logbook", "add", "CLIP", "--machine", "B-014"],
        ["logbook", "confirm", "KEPT", "quiet"],
        ["tune", "B-014"],
    ],
)
def test_ctrl_c_before_the_end_of_a_write_leaves_the_book_as_it_was(kept, monkeypatch, args):
    before = exported(kept / "home")
    words = {"CLIP": str(QUIET), "KEPT": str(kept / "2026-03-01 10.00.opus")}
    with monkeypatch.context() as patch:
        patch.setattr(Logbook, "writing", _stopped(Logbook.writing))
        called = [words.get(word, word) for word in args]
        result = CliRunner().invoke(main, [*called, "--home", str(kept / "home")])
    assert result.exit_code == 130, result.output
    assert "Stopped." in result.stderr
    assert exported(kept / "home") == before
    again = CliRunner().invoke(main, [*called, "--home", str(kept / "home")])
    assert again.exit_code == 0, again.output
    assert exported(kept / "home") != before


def test_ctrl_c_in_an_import_imports_nothing(kept, tmp_path, monkeypatch):
    args = ["logbook", "import", str(kept / "book.json"), "--home", str(tmp_path / "new")]
    with monkeypatch.context() as patch:
        patch.setattr(Logbook, "writing", _stopped(Logbook.writing))
        result = CliRunner().invoke(main, args)
    assert result.exit_code == 130, result.output
    assert exported(tmp_path / "new")["machines"] == []
    assert CliRunner().invoke(main, args).exit_code == 0
    assert exported(tmp_path / "new") == exported(kept / "home")


def _stopped(real):
    """A transaction that is interrupted just before its end."""

    @contextmanager
    def writing(self):
        with real(self) as db:
            yield db
            raise KeyboardInterrupt

    return writing


@pytest.fixture
def full_disk(tmp_path):
    """A disk without a byte left, where this user may mount one."""
    place = tmp_path / "disk"
    place.mkdir()
    if shutil.which("mount") is None or os.name == "nt" or os.geteuid() != 0:
        pytest.skip("only root may mount a small disk")
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "none", place]).returncode:
        pytest.skip("no disk can be mounted here")
    (place / "filler").write_bytes(bytes(shutil.disk_usage(place).free))
    yield place
    subprocess.run(["umount", "-l", place], check=True)


@pytest.mark.parametrize(
    "args",
    [
        ["report", QUIET, "-o", "DISK/p.html"],
        ["check", QUIET, "--page", "DISK/p.html"],
        ["check", QUIET, "--picture", "DISK/p.png"],
        ["check", QUIET, "--hear", "DISK/sounds"],
        ["batch", CLIPS, "-o", "o.jsonl", "--csv", "DISK/t.csv", "--jobs", "1"],
        ["batch", CLIPS, "-o", "o.jsonl", "--page", "DISK/p.html", "--jobs", "1"],
        ["logbook", "show", "B-014", "--page", "DISK/p.html", "--home", "HOME"],
    ],
)
def test_a_full_disk_is_said_for_every_kind_of_file(full_disk, kept, tmp_path, args):
    words = {"DISK": str(full_disk), "HOME": str(kept / "home")}
    called = [sys.executable, "-m", "quietrun"]
    for word in map(str, args):
        head, slash, tail = word.partition("/")
        called.append(words.get(head, head) + slash + tail)
    done = subprocess.run(called, cwd=tmp_path, capture_output=True, text=True, timeout=120)
    assert done.returncode == 2, done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    assert "space" in done.stderr or "full" in done.stderr
    left = [p for p in full_disk.rglob("*") if p.name != "filler" and p.is_file()]
    assert [p for p in left if p.stat().st_size and not p.name.endswith(".csv")] == []


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full")
@pytest.mark.parametrize(
    "args", [["logbook", "export"], ["logbook", "show", "B-014"], ["machine", "list", "--json"]]
)
def test_an_answer_that_finds_no_room_is_a_mistake_and_not_an_answer(kept, args):
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "quietrun", *args, "--home", str(kept / "home")],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=60,
        )
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
