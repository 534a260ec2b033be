"""What a recording shows while it goes on: the step, and a level bar. All on standard error."""

from __future__ import annotations

import sys
from types import TracebackType
from typing import TYPE_CHECKING, Any, Protocol

import click

from quietrun.cli.output import note

if TYPE_CHECKING:
    from quietrun.clip.guide import Step

BAR_CELLS = 30
BAR_FLOOR_DB = -60.0
LOUD_DB = -1.0
FAINT_DB = -50.0


def bar(peak_db: float) -> str:
    """Draw a level between ``BAR_FLOOR_DB`` and full scale, with a word for what is wrong."""
    share = 1.0 - peak_db / BAR_FLOOR_DB
    filled = min(BAR_CELLS, max(0, round(share * BAR_CELLS)))
    word = " TOO LOUD" if peak_db >= LOUD_DB else " faint" if peak_db < FAINT_DB else ""
    return f"[{'#' * filled}{'.' * (BAR_CELLS - filled)}] {max(peak_db, -99.0):4.0f} dB{word}"


class Screen(Protocol):
    """Shows how a recording goes."""

    def __enter__(self) -> Screen:
        """Begin."""

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Leave the terminal as it was."""

    def begin(self, number: int, count: int, step: Step) -> None:
        """Show a new step."""

    def level(self, at_s: float, left_s: float, peak_db: float) -> None:
        """Show the level of the latest moment."""


class Lines:
    """For a pipe, a log or a dumb terminal: a line a step, a line a second."""

    def __init__(self) -> None:
        self._second = 0
        self._peak_db = -99.0

    def __enter__(self) -> Lines:
        """Begin."""
        return self

    def __exit__(self, *_: object) -> None:
        """Nothing to put back."""

    def begin(self, number: int, count: int, step: Step) -> None:
        """Print the step."""
        note(f"{number} of {count}: {step.says}")

    def level(self, at_s: float, left_s: float, peak_db: float) -> None:
        """Print the greatest level of each second."""
        self._peak_db = max(self._peak_db, peak_db)
        if int(at_s) > self._second:
            self._second = int(at_s)
            note(f"  {self._second:3d} s {bar(self._peak_db)}")
            self._peak_db = -99.0


class Live:
    """For a terminal: the steps stand, the bar moves."""

    def __init__(self) -> None:
        from rich.console import Console
        from rich.live import Live as RichLive

        self._console = Console(stderr=True, highlight=False)
        self._live = RichLive(console=self._console, refresh_per_second=15, transient=True)

    def __enter__(self) -> Live:
        """Begin to draw."""
        self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Give the terminal its cursor back."""
        self._live.stop()

    def begin(self, number: int, count: int, step: Step) -> None:
        """Print the step above the bar."""
        from rich.text import Text

        self._console.print(Text(f"{number} of {count}: {step.says}", style="bold"))

    def level(self, at_s: float, left_s: float, peak_db: float) -> None:
        """Move the bar."""
        from rich.text import Text

        loud = peak_db >= LOUD_DB
        shown = Text(f"  {at_s:5.1f} s {bar(peak_db)}", style="red" if loud else "")
        self._live.update(Text.assemble(shown, f"  up to {left_s:.0f} s more"))


def screen() -> Screen:
    """Take the live one where standard error is a terminal that moves."""
    error: Any = sys.stderr
    import os

    if error is not None and error.isatty() and os.environ.get("TERM") != "dumb":
        return Live()
    return Lines()


def wait_for_person() -> None:
    """Let the person at the keyboard start; a pipe starts at once."""
    if sys.stdin is not None and sys.stdin.isatty() and sys.stderr.isatty():
        click.prompt(
            "Press Enter when you are ready, then wait for each step",
            default="",
            show_default=False,
            prompt_suffix=". ",
            err=True,
        )
