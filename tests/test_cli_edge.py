"""The edge of the program: every way to go wrong has its message and exit code."""

import errno
import os
import signal
import subprocess
import sys
import time

import click
import pytest
from click.testing import CliRunner

from quietrun.cli.edge import BUG, INTERRUPTED, PIPE_CLOSED, USAGE, Group
from quietrun.errors import ModelError, UnreadableClip, UsageError


def group_that(action):
    """A program with one command, ``go``, that does ``action``."""

    @click.command()
    def go():
        action()

    program = Group("program", commands_at={"go": "made_here:go"})
    program.get_command = lambda ctx, name: go if name == "go" else None
    return program


def raising(error):
    def action():
        raise error

    return action


@pytest.mark.parametrize(
    ("error", "code", "message"),
    [
        (UnreadableClip("It is cut.", "No coast-down.", "Record again."), 3, "Do:   Record again."),
        (UsageError("No such stage.", "It is a word.", "See --help."), 2, "Error: No such stage."),
        (ModelError("Old model.", "Format 0.", "Update."), 2, "Why:  Format 0."),
        (click.UsageError("odd"), 2, "Error: odd"),
        (KeyboardInterrupt(), INTERRUPTED, "Stopped."),
        (BrokenPipeError(errno.EPIPE, "gone"), PIPE_CLOSED, ""),
        (OSError(errno.ENOSPC, "full"), USAGE, "the disk is full"),
        (OSError(errno.EIO, "odd disk"), BUG, "this is a bug in quietrun"),
        (ModuleNotFoundError("No module named 'av'", name="av"), USAGE, "does not load: No module"),
        (ImportError("cannot import", name="quietrun.x"), BUG, "this is a bug in quietrun"),
        (RuntimeError("torn"), BUG, "this is a bug in quietrun, not in your clip: RuntimeError"),
    ],
)
def test_errors_become_messages_and_codes(error, code, message):
    result = CliRunner().invoke(group_that(raising(error)), ["go"])
    assert result.exit_code == code
    assert message in result.stderr
    assert result.stdout == ""
    assert "Traceback" not in result.stderr


def test_a_closed_pipe_is_answered_with_silence():
    result = CliRunner().invoke(group_that(raising(BrokenPipeError(errno.EPIPE, "gone"))), ["go"])
    assert result.stderr == ""


def test_a_bug_shows_its_traceback_only_when_asked(monkeypatch):
    program = group_that(raising(RuntimeError("torn")))
    monkeypatch.setenv("QUIETRUN_DEBUG", "1")
    shown = CliRunner().invoke(program, ["go"])
    assert shown.exit_code == BUG
    assert "Traceback" in shown.stderr
    monkeypatch.setenv("QUIETRUN_DEBUG", "0")
    assert "Traceback" not in CliRunner().invoke(program, ["go"]).stderr


@pytest.mark.parametrize("code", [0, 1, 3, 4])
def test_a_command_chooses_its_exit_code(code):
    def action():
        click.get_current_context().exit(code)

    assert CliRunner().invoke(group_that(action), ["go"]).exit_code == code


def test_unknown_commands_get_a_near_name():
    program = group_that(lambda: None)
    program.commands_at = {"check": "", "compare": "", "go": ""}
    near = CliRunner().invoke(program, ["chekc"])
    assert near.exit_code == 2
    assert "Did you mean check?" in near.stderr
    far = CliRunner().invoke(program, ["zzz"])
    assert "lists them" in far.stderr


def test_a_clip_in_place_of_a_command_is_understood(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "visit.m4a").touch()
    program = group_that(lambda: None)
    program.commands_at = {"check": ""}
    result = CliRunner().invoke(program, ["visit.m4a"])
    assert result.exit_code == 2
    assert "quietrun check visit.m4a" in result.stderr


def start(*args, **kwargs):
    return subprocess.Popen(
        [sys.executable, "-m", "quietrun", *args],
        stderr=subprocess.PIPE,
        text=True,
        **kwargs,
    )


@pytest.mark.skipif(os.name == "nt", reason="POSIX pipes")
def test_a_reader_that_left_is_no_traceback():
    read_end, write_end = os.pipe()
    os.close(read_end)
    process = start("--help", stdout=write_end)
    os.close(write_end)
    assert process.communicate(timeout=30)[1] == ""
    assert process.returncode == PIPE_CLOSED


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full on this system")
def test_a_full_disk_is_said_in_plain_words():
    with open("/dev/full", "w") as full:
        process = start("--help", stdout=full)
        stderr = process.communicate(timeout=30)[1]
    assert process.returncode == USAGE
    assert "the disk is full" in stderr
    assert "Traceback" not in stderr


@pytest.mark.skipif(os.name == "nt", reason="POSIX signals")
def test_ctrl_c_exits_130(tmp_path):
    """A real SIGINT to a real process that is busy inside a command."""
    script = tmp_path / "busy.py"
    script.write_text(
        "import sys, time, click\n"
        "from quietrun.cli.edge import Group\n"
        "@click.command()\n"
        "def go():\n"
        "    print('ready', flush=True)\n"
        "    time.sleep(60)\n"
        "program = Group('program', commands_at={'go': ''})\n"
        "program.get_command = lambda ctx, name: go\n"
        "program.main(['go'])\n"
    )
    process = subprocess.Popen(
        [sys.executable, str(script)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout.readline() == "ready\n"
    time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    stderr = process.communicate(timeout=30)[1]
    assert process.returncode == INTERRUPTED
    assert "Stopped." in stderr
    assert "Traceback" not in stderr
