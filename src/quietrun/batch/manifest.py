"""Read a manifest: a CSV that names clips and says what is known about each.

Columns ``clip, machine, stage, mains_hz, poles, date, phone, note`` in any order; only ``clip``
is required. Comma, semicolon or tab; UTF-8 with or without byte order mark, or what a
spreadsheet calls "Unicode text" (UTF-16). Clips lie relative to the manifest; their names are
matched however accents are composed.
"""

from __future__ import annotations

import codecs
import csv
import difflib
import io
import os
import unicodedata
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from quietrun.batch.names import stage_of
from quietrun.batch.types import Item
from quietrun.errors import UsageError
from quietrun.logbook.dates import parse_given
from quietrun.machine import Machine
from quietrun.words import STAGES

COLUMNS = ("clip", "machine", "stage", "mains_hz", "poles", "date", "phone", "note")
_MAX_CELL = 4000


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of a manifest, checked; None where a cell is empty."""

    line: int
    clip: str
    machine: str | None
    stage: str | None
    mains_hz: float | None
    poles: int | None
    date: str | None
    phone: str | None
    note: str | None


@dataclass(frozen=True, slots=True)
class Manifest:
    """All lines, and sentences for the user."""

    entries: tuple[Entry, ...]
    notes: tuple[str, ...]


def read_manifest(path: str) -> Manifest:
    """Read and check a manifest.

    Raises
    ------
    UsageError
        With the number of the line that is wrong, and what to write instead.
    """
    text = _text(path)
    rows = list(_cells(path, text))
    if not rows:
        raise UsageError(
            f"{path} is empty.",
            "A manifest begins with a line of column names.",
            f"Write them in its first line: {','.join(COLUMNS)} (only clip is required).",
        )
    (line, header), *body = rows
    columns, notes = _columns(path, line, header)
    entries = tuple(_entry(path, line, columns, cells) for line, cells in body)
    if not entries:
        raise UsageError(
            f"{path} names no clips.",
            "There are column names in it, and nothing below them.",
            "Write one line for each clip.",
        )
    _refuse_twice(path, entries)
    return Manifest(entries, notes)


def _text(path: str) -> str:
    try:
        with open(path, "rb") as file:
            data = file.read()
    except OSError as error:
        raise UsageError(
            f"The manifest {path} cannot be read: {(error.strerror or 'no access').lower()}.",
            "Without it nobody knows which clips to judge.",
            "Check the file.",
        ) from None
    wide = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    try:
        return data.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise UsageError(
            f"{path}, line {line}: a letter that is not UTF-8.",
            "It was saved in an older code page, where accents have other numbers.",
            "Save it from the spreadsheet as 'CSV UTF-8'.",
        ) from None


def _cells(path: str, text: str) -> Iterator[tuple[int, list[str]]]:
    """Lines that are not blank, with their numbers."""
    if "\0" in text:
        raise _wrong(path, text[: text.index("\0")].count("\n") + 1, "a zero byte is in it")
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text), strict=True)
    line = 1
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                yield line, [cell.strip() for cell in cells]
            line = reader.line_num + 1
    except csv.Error as error:
        raise _wrong(path, line, f"its quotes are not in order ({error})") from None


def _delimiter(text: str) -> str:
    """Of comma, semicolon and tab, the one that parts the known names of the first line."""
    first = next((line for line in text.splitlines() if line.strip()), "")

    def known(delimiter: str) -> int:
        return sum(_name(cell.strip(' "')) in COLUMNS for cell in first.split(delimiter))

    return max(",;\t", key=known)


def _name(heading: str) -> str:
    return heading.strip().lower().replace(" ", "_")


def _columns(path: str, line: int, header: list[str]) -> tuple[list[str], tuple[str, ...]]:
    """Names of the columns, ``""`` for one that is not ours."""
    names = [_name(cell) for cell in header]
    notes = []
    for i, name in enumerate(names):
        if name in COLUMNS:
            if name in names[:i]:
                raise _wrong(path, line, f"the column {name} is there twice")
            continue
        near = difflib.get_close_matches(name, COLUMNS, n=1, cutoff=0.75) if name else []
        if near and near[0] not in names:
            raise UsageError(
                f"{path}, line {line}: there is no column {header[i]!r}.",
                f"The columns are {', '.join(COLUMNS)}.",
                f"Did you mean {near[0]}?",
            )
        if name:
            notes.append(f"The column {header[i]!r} of {path} is not used.")
            names[i] = ""
    if "clip" not in names:
        raise UsageError(
            f"{path}, line {line}: there is no column clip.",
            "It says which file each line is about.",
            f"Name the columns in the first line, such as: {','.join(COLUMNS)}",
        )
    return names, tuple(notes)


def _entry(path: str, line: int, columns: Sequence[str], cells: list[str]) -> Entry:
    if len(cells) > len(columns) and any(cells[len(columns) :]):
        raise _wrong(
            path,
            line,
            f"it has {len(cells)} cells for {len(columns)} columns",
            "Put text that holds the separator between quotes.",
        )
    raw = {name: cell for name, cell in zip(columns, cells, strict=False) if name and cell}
    for name, cell in raw.items():
        if len(cell) > _MAX_CELL:
            raise _wrong(path, line, f"the cell {name} has {len(cell)} letters")
    if "clip" not in raw:
        raise _wrong(path, line, "the cell clip is empty", "Name the file.")
    gate = _Gate(path, line, raw)
    return Entry(
        line=line,
        clip=raw["clip"],
        machine=gate.get("machine", _tag),
        stage=gate.get("stage", _stage),
        mains_hz=gate.get("mains_hz", _mains_hz),
        poles=gate.get("poles", _poles),
        date=gate.get("date", _date),
        phone=raw.get("phone"),
        note=raw.get("note"),
    )


@dataclass(frozen=True, slots=True)
class _Gate:
    path: str
    line: int
    raw: Mapping[str, str]

    def get(self, name: str, read: Callable[[str], Any]) -> Any:
        """Read a cell; what is wrong with it is told with file, line and column."""
        if name not in self.raw:
            return None
        try:
            return read(self.raw[name])
        except ValueError as error:
            shown = self.raw[name][:40]
            raise _wrong(self.path, self.line, f"{name} is {shown!r}", f"Write {error}.") from None


def _tag(text: str) -> str:
    if text.startswith("-") or any(ord(letter) < 32 for letter in text):
        raise ValueError("the machine's tag in one line; it cannot begin with '-'")
    return text


def _stage(text: str) -> str:
    stage = stage_of(text)
    if stage is None:
        raise ValueError(f"one of {', '.join(STAGES)}, or leave it empty (assembled)")
    return stage


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def _mains_hz(text: str) -> float:
    wanted = "50 or 60, or leave it empty (it is measured)"
    try:
        value = _number(text.lower().removesuffix("hz").strip())
    except ValueError:
        raise ValueError(wanted) from None
    if value not in (50.0, 60.0):
        raise ValueError(wanted)
    return value


def _poles(text: str) -> int:
    wanted = "2 or 4, or leave it empty"
    try:
        value = _number(text)
    except ValueError:
        raise ValueError(wanted) from None
    if value not in (2.0, 4.0):
        raise ValueError(wanted)
    return int(value)


def _date(text: str) -> str:
    wanted = "it year first, like 2026-03-05 or 2026-03-05T14:22+01:00"
    try:
        when = parse_given(text, None)
        believable = when <= datetime.now(UTC) + timedelta(days=1) and when.year >= 2000
    except (UsageError, ValueError, OverflowError, OSError):
        raise ValueError(wanted) from None
    if not believable:
        raise ValueError("the day of the visit: this one lies in the future or before 2000")
    return text


def _wrong(
    path: str, line: int, what: str, do: str = "Put the line right, then try again."
) -> UsageError:
    return UsageError(
        f"{path}, line {line}: {what}.", "Nothing was judged: a guess would be worse.", do
    )


def _refuse_twice(path: str, entries: Sequence[Entry]) -> None:
    seen: dict[str, int] = {}
    for entry in entries:
        name = unicodedata.normalize("NFC", os.path.normpath(entry.clip))
        if name in seen:
            raise _wrong(
                path,
                entry.line,
                f"the clip {entry.clip} is in line {seen[name]} already",
                "Keep one line for each clip.",
            )
        seen[name] = entry.line


def locate(folder: str, name: str) -> str:
    """Path of a clip as it is on disk: names are compared in one form of accents (NFC).

    A clip that is not there keeps its name, so that it gets a row that says so.
    """
    path = os.path.join(folder, name)
    if os.path.lexists(path):
        return path
    here = ""
    for part in _parts(path):
        step = os.path.join(here, part) if here else part
        if not os.path.lexists(step):
            step = _same_name(here or ".", part, step)
        here = step
    return here if os.path.lexists(here) else path


def _parts(path: str) -> list[str]:
    drive, rest = os.path.splitdrive(path)
    root = drive + (os.sep if rest.startswith(("/", os.sep)) else "")
    parts = [part for part in rest.replace(os.altsep or os.sep, os.sep).split(os.sep) if part]
    return [root, *parts] if root else parts


def _same_name(folder: str, name: str, otherwise: str) -> str:
    wanted = unicodedata.normalize("NFC", name)
    try:
        for one in os.listdir(folder):
            if unicodedata.normalize("NFC", one) == wanted:
                return one if folder == "." else os.path.join(folder, one)
    except OSError:
        pass
    return otherwise


def item_of(entry: Entry, folder: str) -> Item:
    """Turn a line into an item; what the logbook knows is added later."""
    return Item(
        path=locate(folder, entry.clip),
        machine=Machine(
            id=entry.machine,
            mains_hz=entry.mains_hz,
            poles=entry.poles,
            stage=entry.stage or "assembled",
            phone=entry.phone,
        ),
        date=entry.date,
        date_from="given" if entry.date else "",
        note=entry.note or "",
    )
