"""What the logbook knows of the machines in a plan, and entering what was judged."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from typing import Any

from quietrun.batch.types import Item, Row
from quietrun.errors import UsageError
from quietrun.logbook.baseline import baseline_of
from quietrun.logbook.clips import Entry, add_clip
from quietrun.logbook.dates import date_visit, now_utc
from quietrun.logbook.home import book_path
from quietrun.logbook.limits import limits_for
from quietrun.logbook.machines import machine
from quietrun.logbook.store import Logbook, open_logbook
from quietrun.logbook.types import AnalysisRecord, MachineRecord, When
from quietrun.machine import Machine


class Known:
    """The logbook as a batch sees it.

    Parameters
    ----------
    home : folder of the logbook, None: the usual one
    log : enter judgements; else the book is only read, and need not be there

    Raises
    ------
    UsageError
        ``log`` without a logbook, or one that cannot be used, or a clock that was never set.
    """

    def __init__(self, home: str | None, *, log: bool) -> None:
        self.log = log
        self.unknown: set[str] = set()
        self._records: dict[str, MachineRecord | None] = {}
        self._known_limits: dict[tuple[str, str | None, str], dict[str, Any] | None] = {}
        there = book_path(home) is not None
        if log:
            now_utc()  # a clock that is not set is told before anything is judged
        self._book: Logbook | None = open_logbook(home, create=False) if there or log else None

    def __enter__(self) -> Known:
        return self

    def __exit__(self, *_: object) -> None:
        if self._book is not None:
            self._book.close()

    def _record(self, tag: str) -> MachineRecord | None:
        if self._book is None:
            return None
        if tag not in self._records:
            try:
                self._records[tag] = machine(self._book, tag)
            except UsageError:
                self._records[tag] = None
                self.unknown.add(tag)
        return self._records[tag]

    def completed(self, item: Item) -> Item:
        """Add what the book knows of an item's machine; the plan's own word wins."""
        tag = item.machine.id
        record = self._record(tag) if tag else None
        if record is None:
            return item
        told = item.machine
        known = record.machine(told.stage, told.phone)
        full = dataclasses.replace(
            known,
            mains_hz=told.mains_hz if told.mains_hz is not None else known.mains_hz,
            poles=told.poles if told.poles is not None else known.poles,
        )
        return dataclasses.replace(item, machine=full, limits=self._limits(record.tag, full))

    def _limits(self, tag: str, known: Machine) -> dict[str, Any] | None:
        key = (tag, known.phone, known.stage)
        if key not in self._known_limits:
            self._known_limits[key] = self._read_limits(*key)
        return self._known_limits[key]

    def _read_limits(self, tag: str, phone: str | None, stage: str) -> dict[str, Any] | None:
        if self._book is None:
            return None
        since = baseline_of(self._book, tag).since
        limits = limits_for(self._book, tag, phone=phone, stage=stage, baseline=since)
        if limits is None:
            return None
        plain = {field.name: getattr(limits, field.name) for field in dataclasses.fields(limits)}
        plain["faults"], plain["usual"] = dict(limits.faults), dict(limits.usual)
        return plain

    def takes(self, item: Item) -> bool:
        """Tell whether a judgement of this item goes into the book."""
        return bool(self.log and item.machine.id and self._record(item.machine.id))

    def enter(self, item: Item, row: Row, record: AnalysisRecord | None) -> bool:
        """Enter a judged clip; False where it does not belong into the book.

        Raises
        ------
        UsageError
            The clip belongs to another machine, or the book cannot be written.
        """
        sha256 = row["clip"]["sha256"]
        if record is None or not sha256 or self._book is None or not self.takes(item):
            return False
        entry = Entry(
            machine=str(item.machine.id),
            sha256=sha256,
            path=row["clip"]["path"],
            when=dated(item, row["clip"]["recorded_at"]),
            stage=item.machine.stage,
            phone=item.machine.phone,
            note=item.note,
            added_at=now_utc(),
            analysis=record,
        )
        add_clip(self._book, entry)
        return True


def dated(item: Item, recorded_at: str | None) -> When:
    """Date a clip from the best source there is: manifest, file name, folder, file."""
    return date_visit(item.path, given=item.date, recorded_at=recorded_at)


def sentences(unknown: Iterable[str]) -> tuple[str, ...]:
    """Say which tags are not in the book."""
    tags = sorted(unknown)
    if not tags:
        return ()
    few = ", ".join(tags[:5]) + (f" and {len(tags) - 5} more" if len(tags) > 5 else "")
    return (
        f"Not in the logbook, so their clips are not logged: {few}. "
        f"Add one with: quietrun machine add {tags[0]}",
    )
