"""``report``, and ``check`` and ``logbook`` with a page, a picture, sounds."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from quietrun.cli import main

DEMO = Path(__file__).parents[1] / "synthetic_audio"
QUIET, NOISY, NO_RUN = (str(DEMO / f"{n}.opus") for n in ("quiet", "bearing", "beans"))


@pytest.fixture
def run(tmp_path, monkeypatch):
    """Call a command in an empty folder with an empty logbook; errors as exceptions."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("QUIETRUN_HOME", str(tmp_path / "home"))

    def call(*args):
        return CliRunner().invoke(main, args, standalone_mode=True)

    return call


@pytest.mark.parametrize(("clip", "code"), [(QUIET, 0), (NOISY, 1), (NO_RUN, 3)])
def test_report_exits_as_check_does(run, clip, code):
    done = run("report", clip, "-o", "page.html")
    assert done.exit_code == code
    assert run("check", clip).exit_code == code
    assert done.stdout == ""
    assert "Wrote page.html" in done.stderr
    assert Path("page.html").read_text(encoding="utf-8").startswith("<!doctype html>")


def test_report_takes_the_worst_of_several_and_compares_a_named_machine(run):
    done = run("report", NOISY, QUIET, "-o", "page.html", "--machine", "M-1", "--note", "Spring")
    assert done.exit_code == 1
    page = Path("page.html").read_text(encoding="utf-8")
    assert "2 clips: 1 noisy, 1 quiet" in page
    assert "What changed from bearing.opus to quiet.opus?" in page
    assert "M-1, bearing.opus" in page
    assert page.count("<b>Note:</b> Spring") == 2
    run("report", NOISY, QUIET, "-o", "page.html")
    assert "What changed" not in Path("page.html").read_text(encoding="utf-8")


def test_report_without_sounds(run):
    run("report", NOISY, "-o", "page.html", "--no-sounds")
    page = Path("page.html").read_text(encoding="utf-8")
    assert "<audio" not in page
    assert "Listen" not in page
    assert len(page) < 400_000


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("report", "nothing.m4a", "-o", "p.html"), "There is no file nothing.m4a"),
        (("report", QUIET, "-o", "gone/p.html"), "There is no folder gone"),
        (("report", QUIET, "-o", "clip.opus"), "does not end in .html"),
        (("report", QUIET, "-o", "mine.html"), "quietrun did not make it"),
        (("report", QUIET), "Missing option"),
        (("check", QUIET, "--page", "mine.html"), "quietrun did not make it"),
        (("check", QUIET, "--picture", "photo.png"), "quietrun did not make it"),
        (("check", QUIET, "--picture", "x.jpg"), "does not end in .png"),
        (("check", QUIET, NOISY, "--picture", "x.png"), "--picture draws one clip"),
        (("check", QUIET, "--hear", "full"), "holds something"),
        (("logbook", "M-1", "--page", "mine.html"), "quietrun did not make it"),
    ],
)
def test_mistakes_are_said_before_anything_is_judged(run, args, says):
    shutil.copy(QUIET, "clip.opus")
    Path("mine.html").write_text("<p>mine")
    Path("photo.png").write_bytes(b"\x89PNG\r\n\x1a\n mine")
    Path("full").mkdir()
    Path("full", "clip.wav").write_bytes(b"mine")
    before = {p: p.read_bytes() for p in Path().rglob("*") if p.is_file()}
    done = run(*args)
    assert done.exit_code == 2
    assert says in done.stderr
    assert done.stdout == ""
    assert {p: p.read_bytes() for p in Path().rglob("*") if p.is_file()} == before


def test_check_writes_all_three_and_says_the_same_as_without(run):
    done = run("check", NOISY, "--page", "p.html", "--picture", "p.png", "--hear", "sounds")
    assert done.exit_code == 1
    assert done.stdout == run("check", NOISY).stdout
    assert Path("p.html").stat().st_size > 100_000
    assert Path("p.png").read_bytes().startswith(b"\x89PNG")
    names = sorted(p.name for p in Path("sounds").iterdir())
    assert names[0] == "0_whole_clip.wav"
    assert any(name.startswith("1_bearing_noise_") for name in names)
    assert any(name.endswith("_quiet_machine.wav") for name in names)
    for name in names:
        assert name in done.stderr


def test_check_says_when_there_is_nothing_to_hear(run):
    done = run("check", QUIET, "--hear", "sounds")
    assert [p.name for p in Path("sounds").iterdir()] == ["0_whole_clip.wav"]
    assert "no reasons to hear" in done.stderr


def test_json_stays_json_with_a_page(run):
    done = run("check", NOISY, "--json", "--page", "p.html")
    assert json.loads(done.stdout)["verdict"] == "noisy"


def test_a_page_of_the_history_of_a_machine(run):
    assert run("machine", "add", "M-1", "--place", "<b>Corner</b>").exit_code == 0
    assert run("logbook", "M-1", "--page", "empty.html").exit_code == 0
    assert "No clips yet." in Path("empty.html").read_text(encoding="utf-8")
    run("logbook", "add", QUIET, NOISY, "--machine", "M-1", "--date", "2026-03-02")
    done = run("logbook", "M-1", "--page", "p.html")
    assert done.exit_code == 0
    assert done.stdout == run("logbook", "M-1").stdout
    page = Path("p.html").read_text(encoding="utf-8")
    assert "1 visit; on 2 March 2026 it was judged" in page
    assert "&lt;b&gt;Corner&lt;/b&gt;" in page
    assert "bearing noise" in page
    page = run("report", NOISY, "-o", "r.html", "--note", "again")
    told = Path("r.html").read_text(encoding="utf-8")
    assert "2 March 2026" in told
    assert "this machine&#39;s own run of 2026-03-02" in told
    assert "What changed from its quiet run of 2026-03-02 to bearing.opus?" in told
    assert "What changed" not in page_of_check(run, NOISY)  # which judges by options alone


def page_of_check(run, clip):
    run("check", clip, "--page", "c.html")
    return Path("c.html").read_text(encoding="utf-8")


def test_check_with_a_page_does_not_need_a_sound_logbook(run, tmp_path):
    (tmp_path / "home").mkdir()
    (tmp_path / "home" / "logbook.sqlite3").write_bytes(b"no logbook" * 1000)
    assert run("check", QUIET, "--page", "p.html").exit_code == 0
    done = run("report", QUIET, "-o", "r.html")  # which would judge by it: says so
    assert done.exit_code == 2
    assert "logbook" in done.stderr


LOADED = """
import json, sys
sys.argv = ["quietrun", *{args!r}]
from quietrun.cli import main
try:
    main()
except SystemExit as done:
    code = done.code
names = {{name.split(".")[0] for name in sys.modules}}
print("LOADED " + json.dumps([code, sorted(names)]))
"""


def loaded_by(tmp_path, *args):
    done = subprocess.run(
        [sys.executable, "-c", LOADED.format(args=args)],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env={**os.environ, "QUIETRUN_HOME": str(tmp_path)},
    )
    code, names = json.loads(done.stdout.splitlines()[-1].removeprefix("LOADED "))
    return code, set(names)


@pytest.mark.parametrize(
    ("args", "allowed"),
    [
        (("check", QUIET), set()),
        (("report", QUIET, "-o", "p.html"), {"jinja2"}),
        (("check", QUIET, "--hear", "sounds"), set()),
        (("check", QUIET, "--picture", "p.png"), {"matplotlib"}),
    ],
)
def test_only_what_is_asked_for_is_loaded(tmp_path, args, allowed):
    heavy = {"librosa", "numba", "sklearn", "matplotlib", "scipy", "pandas", "jinja2", "rich"}
    code, names = loaded_by(tmp_path, *args)
    assert code == 0
    assert names & heavy == allowed
