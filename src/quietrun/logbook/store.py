"""The file of the book: open, migrate, read, and write one at a time.

Every write is one transaction: after a crash the book holds all of it or nothing of it
(write-ahead log, ``synchronous=FULL``). A second writer waits some seconds, then is told.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from os import PathLike
from pathlib import Path

from quietrun.errors import UsageError
from quietrun.logbook.home import FILE_NAME, book_path, home_folder
from quietrun.logbook.schema import APPLICATION_ID, STEPS, VERSION

WAIT_S = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class Logbook:
    """An open logbook. Use it as a context manager."""

    path: Path
    db: sqlite3.Connection

    def __enter__(self) -> Logbook:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self.db.close()

    def rows(self, sql: str, *values: object) -> list[sqlite3.Row]:
        """All rows of a question."""
        with _told(self.path):
            return self.db.execute(sql, values).fetchall()

    def row(self, sql: str, *values: object) -> sqlite3.Row | None:
        """Ask for the first row, or None."""
        found = self.rows(sql, *values)
        return found[0] if found else None

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction: all of it or nothing. Inside another one it joins that."""
        if self.db.in_transaction:
            yield self.db
            return
        with _told(self.path):
            self.db.execute("BEGIN IMMEDIATE")
        try:
            with _told(self.path):
                yield self.db
                self.db.execute("COMMIT")
        except BaseException:
            if self.db.in_transaction:
                self.db.execute("ROLLBACK")
            raise


def open_logbook(
    home: str | PathLike[str] | None = None, *, create: bool = True, wait_s: float = WAIT_S
) -> Logbook:
    """Open the book of a home folder, bringing an older one up to date.

    Parameters
    ----------
    home : folder; None: ``QUIETRUN_HOME`` or the user's data folder
    create : make a new book where there is none
    wait_s : s
        How long to wait for another writer.

    Raises
    ------
    UsageError
        No book (and ``create`` is False), not a logbook, damaged, made by a
        newer quietrun, being written by another, or the folder cannot be used.
    """
    path = home_folder(home) / FILE_NAME
    if not os.path.exists(path):  # unlike Path.exists also for names that no disk takes
        if not create:
            raise UsageError(
                f"There is no logbook at {path}.",
                "Nothing has been logged there yet.",
                "Add a machine first: quietrun machine add TAG (or give another --home).",
            )
        _make_folder(path.parent)
    with _told(path):
        db = _connect(path, wait_s)
        try:
            db.row_factory = sqlite3.Row
            _prepare(db, path)
        except BaseException:
            db.close()
            raise
    return Logbook(path, db)


def _connect(path: Path, wait_s: float) -> sqlite3.Connection:
    """Open the file; on a disk that takes no writing only to be read.

    A write-ahead log needs its two helper files even for reading. Where they cannot be made
    and are not there, nobody is writing: then the file may be taken as it is.
    """
    db = sqlite3.connect(path, timeout=wait_s, isolation_level=None)
    try:
        db.execute("PRAGMA user_version")
    except sqlite3.DatabaseError as error:
        db.close()
        if not isinstance(error, sqlite3.OperationalError):
            raise
        log = path.with_name(f"{path.name}-wal")
        if os.path.exists(log) or os.access(path.parent, os.W_OK):
            raise
        address = f"{path.absolute().as_uri()}?immutable=1"
        db = sqlite3.connect(address, uri=True, timeout=wait_s, isolation_level=None)
    return db


@contextmanager
def open_if_there(home: str | PathLike[str] | None = None) -> Iterator[Logbook | None]:
    """Open the book of a home folder where there is one, else give None."""
    if book_path(home) is None:
        yield None
        return
    with open_logbook(home) as book:
        yield book


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(
            f"The folder {folder} cannot be made: {error.strerror}.",
            "The logbook needs a place to live.",
            "Give a folder you may write to with --home or QUIETRUN_HOME.",
        ) from None


def _prepare(db: sqlite3.Connection, path: Path) -> None:
    """Check whose file it is, set it up, migrate."""
    version = db.execute("PRAGMA user_version").fetchone()[0]
    owner = db.execute("PRAGMA application_id").fetchone()[0]
    empty = not db.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchone()
    if owner != APPLICATION_ID and not (owner == 0 and version == 0 and empty):
        raise UsageError(
            f"{path} is a database, but no quietrun logbook.",
            "Writing into it could spoil another program's data.",
            "Move it away or choose another --home.",
        )
    if version > VERSION:
        raise UsageError(
            f"{path} was written by a newer quietrun (format {version}, this one knows {VERSION}).",
            "An older version could lose what it does not know.",
            "Update quietrun.",
        )
    db.execute("PRAGMA foreign_keys = ON")
    if version < VERSION:
        db.execute("PRAGMA journal_mode = WAL")
        _migrate(db, path)
    db.execute("PRAGMA synchronous = FULL")


def _migrate(db: sqlite3.Connection, path: Path) -> None:
    """Take the missing steps in one transaction; an old book is copied beside itself first."""
    db.execute("BEGIN IMMEDIATE")
    try:
        version = db.execute("PRAGMA user_version").fetchone()[0]  # another may have been faster
        if 0 < version < VERSION:
            _copy_aside(path, version)
        for step in STEPS[version:]:
            for statement in step.split(";\n"):
                if statement.strip():
                    db.execute(statement)
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        db.execute(f"PRAGMA user_version = {VERSION}")
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise


def _copy_aside(path: Path, version: int) -> None:
    """Copy the old book whole, so that a step back is possible."""
    target = sqlite3.connect(path.with_name(f"{path.stem}.format-{version}{path.suffix}"))
    source = sqlite3.connect(path)
    try:
        source.backup(target)
    finally:
        source.close()
        target.close()


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Say in plain words what the database could not do."""
    try:
        yield
    except sqlite3.DatabaseError as error:
        raise _as_usage_error(error, path) from error


def _as_usage_error(error: sqlite3.DatabaseError, path: Path) -> UsageError:
    said = str(error)
    if "locked" in said or "busy" in said:
        return UsageError(
            f"The logbook {path} is being written by another quietrun.",
            "Only one may write at a time, so that no entry is lost.",
            "Wait until the other one has finished, then run this again.",
        )
    if "not a database" in said or "malformed" in said or "corrupt" in said:
        return UsageError(
            f"The logbook {path} is damaged: {said}.",
            "What it says could be wrong.",
            "Put a copy or an export back: move the file away and run quietrun logbook import.",
        )
    if isinstance(error, sqlite3.IntegrityError):
        return UsageError(
            f"The logbook {path} refused an entry: {said}.",
            "Entries that contradict each other are not kept.",
            "Run quietrun logbook check.",
        )
    return UsageError(
        f"The logbook {path} cannot be used: {said}.",
        "Nothing was written.",
        "Check that the folder exists, may be written to and has space left.",
    )
