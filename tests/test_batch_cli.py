"""``quietrun batch`` from the outside: words, exit codes, outputs."""

import dataclasses
import json
import os
import pty
import re
import signal
import subprocess
import sys
import time

import batch_fakes
import pytest
from batch_fakes import make_clips
from click.testing import CliRunner

from quietrun.batch.rows import read_rows
from quietrun.cli import batch as cli_batch
from quietrun.cli import main


@pytest.fixture
def run(tmp_path, monkeypatch):
    """Run the command in a folder of its own, with the quick stand-in for the analysis."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("QUIETRUN_HOME", str(tmp_path / "home"))
    real = cli_batch._settings

    def fake(given):
        return dataclasses.replace(real(given), analyse=batch_fakes.ANALYSE)

    monkeypatch.setattr(cli_batch, "_settings", fake)

    def invoke(*args, **more):
        return CliRunner().invoke(main, ["batch", *args], **more)

    return invoke


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["quiet", "quiet"], 0),
        (["quiet", "inspect"], 1),
        (["quiet", "noisy", "unreadable"], 1),
        (["quiet", "unreadable"], 4),
        (["unreadable"], 3),
    ],
)
def test_exit_codes(run, tmp_path, words, code):
    make_clips(tmp_path / "in", words)
    result = run("in", "-o", "o.jsonl")
    assert result.exit_code == code, result.output
    assert result.stdout == "", "results go to files, words to standard error"


def test_it_says_what_it_found_skipped_and_heard(run, tmp_path):
    make_clips(tmp_path / "in" / "B-1", ["noisy", "quiet", "unreadable"])
    (tmp_path / "in" / "notes.txt").write_text("Tuesday")
    result = run("in", "-o", "o.jsonl", "--csv", "o.csv", "--page", "o.html")
    said = result.stderr
    assert "3 clips found, 1 other file skipped." in said
    assert "skipped in/notes.txt: a text file" in said
    assert "3 clips: 1 noisy, 1 unusable, 1 quiet." in said
    assert re.search(r"noisy +B-1: bearing noise\n", said)
    assert "Bring both motor bearings (B-1)." in said
    assert "No answer: in/B-1/clip002.m4a: I cannot tell: The file is empty." in said
    assert "3 judged now. Rows: o.jsonl" in said
    assert {path.name for path in tmp_path.iterdir()} == {"in", "o.jsonl", "o.csv", "o.html"}
    again = run("in", "-o", "o.jsonl")
    assert "1 judged now, 2 kept from before." in again.stderr


def test_a_name_cannot_play_with_the_terminal(run, tmp_path):
    (clip,) = make_clips(tmp_path / "in", ["unreadable"])
    clip.rename(clip.with_name("a\nNo answer: \x1b[2J.m4a"))
    (tmp_path / "in" / "\x1b]0;x\x07.txt").write_text("text")
    said = run("in", "-o", "o.jsonl").stderr
    assert "\x1b" not in said
    assert "\x07" not in said
    assert "No answer: in/a\\nNo answer: \\x1b[2J.m4a: I cannot tell" in said


def test_rows_are_strict_json_in_plain_ascii(run, tmp_path):
    (clip,) = make_clips(tmp_path / "in", ["noisy"])
    clip.rename(clip.with_name("m\u00fchle \u2603.m4a"))
    run("in", "-o", "o.jsonl")
    (line,) = (tmp_path / "o.jsonl").read_bytes().splitlines()
    line.decode("ascii")

    def refuse(word):
        raise AssertionError(word)

    row = json.loads(line, parse_constant=refuse)
    assert row["clip"]["path"] == "in/m\u00fchle \u2603.m4a"


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["nowhere", "-o", "o.jsonl"], "no folder or manifest nowhere"),
        (["empty", "-o", "o.jsonl"], "There are no clips in empty"),
        (["in"], "Missing option '-o'"),
        (["in", "-o", "no/o.jsonl"], "there is no folder no"),
        (["in", "-o", "in"], "is a folder or a device, not a file"),
        (["in", "-o", "mine.txt"], "no row of a batch"),
        (["in", "-o", "o.jsonl", "--csv", "o.jsonl"], "Two outputs have the same name"),
        (["in", "-o", "o.jsonl", "--csv", "mine.txt"], "no batch made it"),
        (["in", "-o", "o.jsonl", "--page", "mine.txt"], "no batch made it"),
        (["in", "-o", "o.jsonl", "--jobs", "0"], "0 is not in the range"),
        (["in", "-o", "o.jsonl", "--log"], "There is no logbook"),
        (["in/clip000.m4a", "-o", "o.jsonl"], "is a clip"),
        (["m.csv", "-o", "o.jsonl"], "m.csv, line 2: stage is 'wrong'"),
        (["in/clip000.m4a", "-o", "o.jsonl", "--follow"], "is no folder"),
    ],
)
def test_a_mistake_is_told_and_writes_over_nothing(run, tmp_path, args, says):
    make_clips(tmp_path / "in", ["quiet"])
    clip = tmp_path / "in" / "clip000.m4a"
    clip.write_bytes(b"RIFF\0\0\0\0WAVE" + bytes(100))
    (tmp_path / "empty").mkdir()
    (tmp_path / "mine.txt").write_text("mine\n")
    (tmp_path / "m.csv").write_text("clip,stage\na.m4a,wrong\n")
    result = run(*args)
    assert result.exit_code == 2, result.output
    assert says in result.stderr
    assert "Traceback" not in result.stderr
    assert (tmp_path / "mine.txt").read_text() == "mine\n"


def test_names_on_standard_input(run, tmp_path):
    make_clips(tmp_path / "in", ["quiet", "noisy"])
    result = run("-", "-o", "o.jsonl", input="in/clip000.m4a\nin/gone.m4a\n")
    assert result.exit_code == 4
    assert [row["verdict"] for row in read_rows(tmp_path / "o.jsonl")] == ["quiet", "unusable"]


def test_a_decimal_comma_and_a_mark_for_the_table(run, tmp_path):
    make_clips(tmp_path / "in", ["quiet"])
    run("in", "-o", "o.jsonl", "--csv", "o.csv", "--decimal-comma", "--bom")
    data = (tmp_path / "o.csv").read_bytes()
    assert data.startswith(b'\xef\xbb\xbf"clip";"machine"')
    assert b";21,3;" in data


COMMAND = """
import dataclasses, sys
sys.path.insert(0, {tests!r})
import batch_fakes
from quietrun.batch.follow import follow
from quietrun.cli import batch, main
follow.__kwdefaults__.update(every_s=0.1, settle_s=0.3)  # tests have no time
real = batch._settings
batch._settings = lambda given: dataclasses.replace(real(given), analyse=batch_fakes.ANALYSE)
main(sys.argv[1:])
"""


def command(*args, cwd, **more):
    """The program in a process of its own."""
    code = COMMAND.format(tests=os.path.dirname(__file__))
    env = {**os.environ, "QUIETRUN_HOME": str(cwd / "home"), **more.pop("env", {})}
    return subprocess.Popen([sys.executable, "-c", code, *args], cwd=cwd, env=env, **more)


def test_no_bar_and_no_escape_when_piped_and_any_name_can_be_told(tmp_path):
    (clip,) = make_clips(tmp_path / "in", ["unreadable"])
    clip.rename(clip.with_name("\u2603.m4a"))
    process = command(
        *("batch", "in", "-o", "o.jsonl"),
        cwd=tmp_path,
        env={"PYTHONIOENCODING": "ascii"},
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    out, said = process.communicate(timeout=60)
    assert process.returncode == 3, said
    assert out == b""
    assert b"\x1b" not in said
    assert b"\r" not in said
    assert b"No answer: in/" in said


def test_a_bar_on_a_terminal(tmp_path):
    make_clips(tmp_path / "in", ["quiet"] * 20)
    outer, inner = pty.openpty()
    process = command(
        *("batch", "in", "-o", "o.jsonl", "--jobs", "1"),
        cwd=tmp_path,
        env={"FAKE_PAUSE_S": "0.02", "TERM": "xterm", "COLUMNS": "80"},
        stderr=inner,
    )
    os.close(inner)
    said = b""
    while True:
        try:
            data = os.read(outer, 4096)
        except OSError:  # the other end is closed
            break
        if not data:
            break
        said += data
    os.close(outer)
    assert process.wait(timeout=60) == 0
    assert b"Judging" in said
    assert b"/20" in said
    assert re.search(rb"left \S*?\d\d:\d\d", said), "the time left"
    assert b"20 clips: 20 quiet." in said


def test_following_ends_with_ctrl_c_and_the_usual_exit_code(tmp_path):
    make_clips(tmp_path / "in", ["noisy"])
    process = command(
        *("batch", "in", "-o", "o.jsonl", "--follow"), cwd=tmp_path, stderr=subprocess.PIPE
    )
    out = tmp_path / "o.jsonl"
    deadline_s = time.monotonic() + 50
    while not (out.exists() and out.stat().st_size):
        assert time.monotonic() < deadline_s
        time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=30)
    assert process.returncode == 1, said
    assert b"Watching in. Stop with Ctrl-C." in said
    assert b"Stopped; every clip that was done has its row." in said
    assert b"1 clip: 1 noisy." in said
    assert b"Traceback" not in said
    assert len(list(read_rows(out))) == 1


def test_ctrl_c_in_a_batch_says_how_to_go_on(tmp_path):
    make_clips(tmp_path / "in", ["quiet"] * 100)
    process = command(
        *("batch", "in", "-o", "o.jsonl", "--jobs", "1"),
        cwd=tmp_path,
        env={"FAKE_PAUSE_S": "0.05"},
        stderr=subprocess.PIPE,
    )
    out = tmp_path / "o.jsonl"
    while not (out.exists() and out.stat().st_size):
        time.sleep(0.02)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=30)
    assert process.returncode == 130, said
    assert b"The same command goes on where this one stopped." in said
    assert b"Traceback" not in said
