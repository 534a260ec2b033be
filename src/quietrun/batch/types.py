"""What is to be judged, how, and what came of it.

Conventions: paths are strings as the user gave them, joined below a folder; what a row shows
of a path is ``report.contract.text(path)``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from quietrun.machine import Machine

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Item:
    """One clip to judge, with what is known about it.

    Attributes
    ----------
    path : str
    machine : Machine
    date : str or None
        As typed in a manifest, or as a folder is called; None: see the file.
    date_from : str
        ``"given"`` or ``"folder"``; ``""`` without ``date``.
    note : str
    limits : mapping or None
        Arguments of ``judge.Limits``: the machine's own limits, from the logbook.
    """

    path: str
    machine: Machine = field(default_factory=Machine)
    date: str | None = None
    date_from: str = ""
    note: str = ""
    limits: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Skipped:
    """A file that was left out, and why."""

    path: str
    why: str


@dataclass(frozen=True, slots=True)
class Plan:
    """All that is to be judged.

    Attributes
    ----------
    source : str
        What was given: a folder, a manifest or ``"-"``.
    items : tuple of Item
    skipped : tuple of Skipped
    notes : tuple of str
        Sentences for the user.
    """

    source: str
    items: tuple[Item, ...]
    skipped: tuple[Skipped, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Outputs:
    """Where the results go.

    Attributes
    ----------
    rows : path of the JSON lines
    table : path of the CSV, or None
    page : path of the HTML summary, or None
    decimal_comma : write 22,5 and separate cells with semicolons
    bom : begin the CSV with a byte order mark
    """

    rows: Path
    table: Path | None = None
    page: Path | None = None
    decimal_comma: bool = False
    bom: bool = False

    @property
    def paths(self) -> tuple[Path, ...]:
        """All that are asked for."""
        return tuple(path for path in (self.rows, self.table, self.page) if path is not None)


@dataclass(frozen=True, slots=True)
class Settings:
    """How to judge.

    Attributes
    ----------
    jobs : int or None
        Worker processes; None: by cores and number of clips.
    time_limit_s : float, s
        A clip that takes longer is given up.
    cluster : str or None
        Address of a dask.distributed scheduler.
    ship : bool
        Send the clips' bytes to the cluster instead of their paths.
    log : bool
        Enter the judgements into the logbook.
    home : str or None
        Folder of the logbook.
    analyse : str
        ``"module:function"`` that judges one clip; tests put their own here.
    """

    jobs: int | None = None
    time_limit_s: float = 60.0
    cluster: str | None = None
    ship: bool = False
    log: bool = False
    home: str | None = None
    analyse: str = "quietrun.pipeline:analyse"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a batch came to.

    Attributes
    ----------
    counts : verdict to number of clips of this batch
    failed : (path, why) of each clip without a verdict
    judged, kept : int
        Clips judged now, and clips whose rows were there already.
    """

    counts: Mapping[str, int]
    failed: tuple[tuple[str, str], ...]
    judged: int
    kept: int

    @property
    def exit_code(self) -> int:
        """As README's table has it: the worst that was heard, then what was not heard."""
        if self.counts.get("noisy") or self.counts.get("inspect"):
            return 1
        unusable = self.counts.get("unusable", 0)
        if not unusable:
            return 0
        return 4 if self.counts.get("quiet") else 3


class Listener(Protocol):
    """Who is told how a batch goes on."""

    def note(self, text: str) -> None:
        """Take a sentence for the user."""

    def begin(self, total: int, done: int) -> None:
        """Hear how many clips there are, and how many of them have a row already."""

    def row(self, row: Row) -> None:
        """Hear of a clip that is done."""


class Silent:
    """Nobody is told."""

    def note(self, text: str) -> None:
        """Do nothing."""

    def begin(self, total: int, done: int) -> None:
        """Do nothing."""

    def row(self, row: Row) -> None:
        """Do nothing."""
