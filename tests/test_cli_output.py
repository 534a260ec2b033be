"""What the terminal takes: width, colour, signs."""

import io
import os

import pytest

from quietrun.cli import output


class Terminal(io.TextIOWrapper):
    """A stand-in for standard output that may claim to be a terminal."""

    def __init__(self, *, encoding="utf-8", tty=True):
        super().__init__(io.BytesIO(), encoding=encoding)
        self.tty = tty

    def isatty(self):
        return self.tty


@pytest.fixture
def shown(monkeypatch):
    def put(columns=90, **kwargs):
        terminal = Terminal(**kwargs)
        monkeypatch.setattr("sys.stdout", terminal)
        monkeypatch.setattr("shutil.get_terminal_size", lambda: os.terminal_size((columns, 24)))
        return output.page()

    for name in ("NO_COLOR", "TERM"):
        monkeypatch.delenv(name, raising=False)
    return put


def test_a_terminal_gets_its_width_and_colour(shown):
    page = shown()
    assert (page.width, page.colour, page.unicode) == (90, True, True)


def test_a_pipe_gets_80_columns_and_no_colour(shown):
    page = shown(tty=False, columns=200)
    assert (page.width, page.colour) == (80, False)


@pytest.mark.parametrize(("name", "value"), [("NO_COLOR", "1"), ("TERM", "dumb")])
def test_colour_can_be_refused(shown, monkeypatch, name, value):
    monkeypatch.setenv(name, value)
    assert not shown().colour


@pytest.mark.parametrize(
    ("encoding", "unicode"),
    [("utf-8", True), ("ascii", False), ("cp1252", False), ("latin-1", False)],
)
def test_signs_follow_the_encoding(shown, encoding, unicode):
    assert shown(encoding=encoding).unicode == unicode


@pytest.mark.parametrize(
    ("encoding", "expected"),
    [("ascii", b"caf? ? 80\n"), ("cp1252", b"caf\xe9 ? 80\n"), ("utf-8", "café ☃ 80\n".encode())],
)
def test_what_the_encoding_lacks_becomes_a_question_mark(monkeypatch, encoding, expected):
    terminal = Terminal(encoding=encoding, tty=False)
    monkeypatch.setattr("sys.stdout", terminal)
    output.say("café ☃ 80")
    terminal.flush()
    assert terminal.buffer.getvalue().replace(b"\r\n", b"\n") == expected


def test_a_name_that_is_no_utf8_does_not_stop_the_answer(monkeypatch):
    terminal = Terminal(tty=False)
    monkeypatch.setattr("sys.stdout", terminal)
    output.say("bad\udce9.wav")
    assert terminal.buffer.getvalue().startswith(b"bad?.wav")


def test_without_any_output_nothing_breaks(monkeypatch):
    monkeypatch.setattr("sys.stdout", None)
    assert output.page().width == 80
    output.say("nobody listens")
