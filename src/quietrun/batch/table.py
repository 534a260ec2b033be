"""Rows as a CSV that a spreadsheet opens rightly.

Conventions: RFC 4180 (comma, CR LF, quotes doubled), or semicolons and decimal commas. Text is
always quoted, numbers never. Text that a spreadsheet would run as a formula gets an apostrophe
in front; numbers, also negative ones, are left alone. The characters that start a formula are
those of OWASP, "CSV Injection", and their full-width forms.
"""

from __future__ import annotations

import contextlib
import csv
import io
import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from quietrun.batch.lock import cannot_write
from quietrun.batch.types import Row
from quietrun.errors import UsageError
from quietrun.words import FAULTS

Cell = str | float | None

_FORMULA_STARTS = tuple("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")
_BOM = "\ufeff"


def _member(*names: str) -> Callable[[Row], Cell]:
    def get(row: Row) -> Cell:
        value: Any = row
        for name in names:
            value = value[name]
        return "yes" if value is True else "no" if value is False else value

    return get


def _flagged(row: Row) -> str:
    return ", ".join(name for name in FAULTS if row["faults"][name]["flagged"])


def _join(*names: str, of: str | None = None) -> Callable[[Row], str]:
    def get(row: Row) -> str:
        value: Any = row
        for name in names:
            value = value[name]
        return " ".join(str(one[of]) if of else str(one) for one in value)

    return get


#: Heading to value, in order.
COLUMNS: dict[str, Callable[[Row], Cell]] = {
    "clip": _member("clip", "path"),
    "machine": _member("machine", "id"),
    "date": _member("batch", "date"),
    "date_source": _member("batch", "date_source"),
    "stage": _member("machine", "stage"),
    "verdict": _member("verdict"),
    "flagged": _flagged,
    **{name: _member("faults", name, "probability") for name in FAULTS},
    "findings": _join("findings", of="code"),
    "problems": _join("recording", "problems", of="code"),
    "because": _join("because"),
    "look_first": _join("look_first"),
    "usable": _member("recording", "usable"),
    "bandwidth_hz": _member("recording", "bandwidth_hz"),
    "room_snr_db": _member("recording", "room_snr_db"),
    "mains_hz": _member("run", "mains_hz"),
    "running_rpm": _member("run", "running_rpm"),
    "slip_percent": _member("run", "slip_percent"),
    "run_up_s": _member("run", "run_up_s"),
    "coast_down_s": _member("run", "coast_down_s"),
    "switch_open_share": _member("run", "start_switch_open_share_of_speed"),
    "switch_close_share": _member("run", "start_switch_close_share_of_speed"),
    "duration_s": _member("clip", "duration_s"),
    "sample_rate_hz": _member("clip", "sample_rate_hz"),
    "recorded_at": _member("clip", "recorded_at"),
    "phone": _member("batch", "phone"),
    "note": _member("batch", "note"),
    "sha256": _member("clip", "sha256"),
    "model_sha256": _member("tool", "model_sha256"),
    "quietrun": _member("tool", "version"),
}


class _CommaFloat(float):
    """A number that prints with a decimal comma."""

    def __str__(self) -> str:
        return float.__repr__(self).replace(".", ",")


def defused(text: str) -> str:
    """Put an apostrophe before what a spreadsheet would take for a formula."""
    bare = text.lstrip(" \u00a0\ufeff\0")
    return "'" + text if bare.startswith(_FORMULA_STARTS) else text


def line_of(cells: Iterable[Cell], *, decimal_comma: bool = False) -> str:
    """Write cells as one line of a table (several, where a text holds line ends)."""
    out = io.StringIO()
    writer = csv.writer(
        out,
        delimiter=";" if decimal_comma else ",",
        quoting=csv.QUOTE_NONNUMERIC,
        lineterminator="\r\n",
    )
    writer.writerow([_cell(cell, decimal_comma) for cell in cells])
    return out.getvalue()


def _cell(cell: Cell, decimal_comma: bool) -> Cell:
    if cell is None:
        return ""
    if isinstance(cell, str):
        return defused(cell.replace("\0", ""))
    return _CommaFloat(cell) if decimal_comma and isinstance(cell, float) else cell


class TableFile:
    """The CSV of a batch: ``renew`` it from the rows there are, then one line a row."""

    def __init__(self, path: Path, *, decimal_comma: bool = False, bom: bool = False) -> None:
        self.path, self.decimal_comma, self.bom = path, decimal_comma, bom
        check_ours(path)
        try:
            self._file = open(path, "ab", buffering=0)  # noqa: SIM115
        except OSError as error:
            raise cannot_write(path, error) from None
        self._end = 0

    def __enter__(self) -> TableFile:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def renew(self, rows: Iterable[Row]) -> None:
        """Begin again with these rows.

        Raises
        ------
        UsageError
            It could not be written.
        """
        try:
            self._file.truncate(0)
        except OSError as error:
            raise cannot_write(self.path, error) from None
        self._end = 0
        head = line_of(COLUMNS, decimal_comma=self.decimal_comma)
        self._write((_BOM if self.bom else "") + head)
        for row in rows:
            self.append(row)

    def append(self, row: Row) -> None:
        """Add the line of a row.

        Raises
        ------
        UsageError
            It could not be written; the file ends with the line before.
        """
        cells = [get(row) for get in COLUMNS.values()]
        self._write(line_of(cells, decimal_comma=self.decimal_comma))

    def _write(self, text: str) -> None:
        data = memoryview(text.encode("utf-8", "backslashreplace"))
        length = len(data)
        try:
            while data:
                data = data[self._file.write(data) or 0 :]
        except OSError as error:
            with contextlib.suppress(OSError):
                self._file.truncate(self._end)
            raise cannot_write(self.path, error) from None
        self._end += length


def check_ours(path: Path) -> None:
    """Refuse to write over a file that no batch has made.

    Raises
    ------
    UsageError
        The file is there, not empty, and begins with other headings.
    """
    try:
        with open(path, "rb") as file:
            start = file.read(200)
    except FileNotFoundError:
        return
    except OSError as error:
        raise cannot_write(path, error) from None
    if not start or os.path.getsize(path) == 0:
        return
    plain = start.removeprefix(_BOM.encode()).replace(b'"', b"").replace(b";", b",")
    if not plain.startswith(",".join(list(COLUMNS)[:6]).encode("ascii")):
        raise UsageError(
            f"{path} is there already, and no batch made it.",
            "It would be written over.",
            "Choose another name, or move the file away.",
        )
