"""The file of rows: JSON lines that are whole at any moment, and go on where they stopped.

A row is the object of the output contract and one member more, ``batch``: the hash of the
settings it was judged with, and what the manifest or the names said (date, phone, note).
It stands for its clip as long as clip hash, model hash and settings are the same.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO, NamedTuple

from quietrun.batch.lock import cannot_write
from quietrun.batch.types import Row
from quietrun.errors import UsageError
from quietrun.report.contract import SCHEMA, to_json

#: How every row begins: a torn last line is ours only if it begins so too.
_START = f'{{"schema": "{SCHEMA}"'.encode("ascii")
SYNC_EVERY_S = 1.0


class Key(NamedTuple):
    """What a judgement depends on; rows with the same key say the same."""

    clip: str
    model: str
    settings: str


@dataclass(frozen=True, slots=True)
class Place:
    """Where in the file a row is, and what it stands for (``key`` None: try again)."""

    start: int
    length: int
    path: str
    word: str
    key: Key | None
    logged: bool

    @classmethod
    def of(cls, row: Row, start: int, length: int) -> Place:
        """Index a row; a ``KeyError`` or ``TypeError`` means that it is none of ours."""
        return cls(
            start,
            length,
            row["clip"]["path"],
            row["verdict"],
            key_of(row),
            bool(row["batch"]["logged"]),
        )


def key_of(row: Row) -> Key | None:
    """Key of a row, or None where the clip could not be read at all."""
    clip, model = row["clip"]["sha256"], row["tool"]["model_sha256"]
    if not clip or not model:
        return None
    return Key(clip, model, row["batch"]["settings"])


class RowFile:
    """Rows on disk. Open it under the lock of its path."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.places: list[Place] = []
        self.torn = False
        if path.exists() and not path.is_file():
            raise UsageError(
                f"{path} is a folder or a device, not a file.",
                "A batch goes on where it stopped, so it needs a file that it can read again.",
                "Give the name of a file with -o, such as week.jsonl.",
            )
        try:
            self._file: BinaryIO = open(path, "r+b" if path.exists() else "x+b", buffering=0)  # noqa: SIM115
        except OSError as error:
            raise cannot_write(path, error) from None
        try:
            self._load()
        except BaseException:
            self._file.close()
            raise
        self._synced_s = time.monotonic()

    def __enter__(self) -> RowFile:
        return self

    def __exit__(self, *_: object) -> None:
        try:
            self._sync()
        finally:
            self._file.close()

    def _load(self) -> None:
        """Index the whole rows; cut off a torn last one; refuse a file that is not ours."""
        end = 0
        with open(self.path, "rb") as file:
            for number, line in enumerate(file, start=1):
                if not line.strip(b"\0\r\n\t "):
                    if line.endswith(b"\n"):
                        end += len(line)
                    continue
                place = self._place(line, end)
                if place is None and not line.endswith(b"\n") and _may_be_torn(line):
                    break
                if place is None:
                    raise _not_ours(self.path, number)
                self.places.append(place)
                end += len(line)
        self._mend(end)

    def _mend(self, end: int) -> None:
        size = os.fstat(self._file.fileno()).st_size
        self.torn = end < size
        try:
            if self.torn:
                self._file.truncate(end)
            self._end = end
            if self.places and not self._read(self.places[-1]).endswith(b"\n"):
                last = self.places.pop()  # whole, but for its line end
                self._write(b"\n", self._end)
                self._end += 1
                self.places.append(replace(last, length=last.length + 1))
        except OSError as error:
            raise cannot_write(self.path, error) from None

    @staticmethod
    def _place(line: bytes, start: int) -> Place | None:
        if not line.startswith(_START):
            return None
        try:
            return Place.of(json.loads(line), start, len(line))
        except (ValueError, KeyError, TypeError):
            return None

    def _read(self, place: Place) -> bytes:
        self._file.seek(place.start)
        data = b""
        while len(data) < place.length:
            more = self._file.read(place.length - len(data))
            if not more:
                raise OSError(f"{self.path} was cut by another program")
            data += more
        return data

    def row(self, place: Place) -> Row:
        """Read one row."""
        row: Row = json.loads(self._read(place))
        return row

    def __iter__(self) -> Iterator[Row]:
        return (self.row(place) for place in self.places)

    def append(self, row: Row) -> None:
        """Add a row: all of it or nothing.

        Raises
        ------
        UsageError
            It could not be written; the file ends with the row before.
        """
        line = _line(row)
        try:
            self._write(line, self._end)
            if time.monotonic() - self._synced_s > SYNC_EVERY_S:
                self._sync()
        except OSError as error:
            with contextlib.suppress(OSError):
                self._file.truncate(self._end)
            raise cannot_write(self.path, error) from None
        self.places.append(Place.of(row, self._end, len(line)))
        self._end += len(line)

    def _write(self, data: bytes, at: int) -> None:
        self._file.seek(at)
        left = memoryview(data)
        while left:
            left = left[self._file.write(left) or 0 :]

    def _sync(self) -> None:
        self._synced_s = time.monotonic()
        try:
            os.fsync(self._file.fileno())
        except OSError as error:
            if error.errno not in (errno.EINVAL, errno.ENOSYS):  # a disk that cannot
                raise cannot_write(self.path, error) from None

    def renew(self, gone: Iterable[Place], new: Iterable[Row]) -> None:
        """Take rows out and put others in: all of it or nothing.

        The file is written anew beside the old one, then takes its place.

        Raises
        ------
        UsageError
            The new file could not be written; the old one is as it was.
        """
        left_out = {place.start for place in gone}
        kept = [place for place in self.places if place.start not in left_out]
        path = self.path.with_name(self.path.name + ".new")
        try:
            with open(path, "wb") as file:
                for place in kept:
                    file.write(self._read(place))
                for row in new:
                    file.write(_line(row))
                file.flush()
                os.fsync(file.fileno())
            self._file.close()  # on Windows an open file cannot be replaced
            os.replace(path, self.path)
        except OSError as error:
            with contextlib.suppress(OSError):
                path.unlink()
            raise cannot_write(self.path, error) from None
        finally:
            if self._file.closed:
                self._file = open(self.path, "r+b", buffering=0)  # noqa: SIM115
        self.reload()

    def reload(self) -> None:
        """Index the file anew: after an interrupt it may hold a row more than was noted."""
        self.places = []
        self._load()


def read_rows(path: Path) -> Iterator[Row]:
    """Read the rows of a file that a batch has written."""
    with open(path, "rb") as file:
        for line in file:
            if line.strip():
                yield json.loads(line)


def _line(row: Row) -> bytes:
    return (to_json(row) + "\n").encode("ascii")


def _may_be_torn(line: bytes) -> bool:
    """Tell a row that was cut off from the last line of somebody's other file."""
    return line.startswith(_START) or _START.startswith(line)


def _not_ours(path: Path, number: int) -> UsageError:
    return UsageError(
        f"{path} is there already, and line {number} of it is no row of a batch.",
        "A batch adds to its own file and never writes over another.",
        "Choose another name with -o, or move the file away.",
    )
