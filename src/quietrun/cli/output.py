"""What the terminal takes, and printing to it."""

from __future__ import annotations

import errno
import os
import shutil
import sys
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from quietrun.report.terminal import Page

PIPED_COLUMNS = 80


def _encoding() -> str:
    return getattr(sys.stdout, "encoding", None) or "utf-8"


def _can_print(text: str) -> bool:
    try:
        text.encode(_encoding())
    except UnicodeEncodeError:
        return False
    return True


def page() -> Page:
    """How to set text for standard output: width, colour and signs that it takes."""
    from quietrun.report.terminal import PLAIN, Page

    tty = sys.stdout is not None and sys.stdout.isatty()
    plain = bool(os.environ.get("NO_COLOR")) or os.environ.get("TERM") == "dumb"
    return Page(
        width=shutil.get_terminal_size().columns if tty else PIPED_COLUMNS,
        colour=tty and not plain,
        unicode=_can_print("".join(PLAIN)),
    )


def say(text: str) -> None:
    """Print to standard output; signs that its encoding lacks become question marks."""
    encoding = _encoding()
    click.echo(text.encode(encoding, "replace").decode(encoding))


def note(text: str) -> None:
    """Print to standard error, which is for everything that is not the answer.

    A full disk behind it must not stop the work; a reader that left does, as anywhere.
    """
    try:
        click.echo(text, err=True)
    except OSError as error:
        if error.errno not in (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC), errno.EIO):
            raise
