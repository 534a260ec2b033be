"""What technicians found: one clip at a time, or many from a CSV."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path

from quietrun.errors import UsageError
from quietrun.logbook import fields as gate
from quietrun.logbook.clips import clip_by_name
from quietrun.logbook.dates import now_utc
from quietrun.logbook.store import Logbook
from quietrun.logbook.types import ClipRecord
from quietrun.logbook.words import CONFIRMABLE
from quietrun.words import POSSIBLE

MOST_BYTES = 10_000_000


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a confirmation CSV."""

    line: int
    clip: str
    what: str
    note: str


def confirm(
    book: Logbook, name: str, what: str, *, note: str = "", replace: bool = False
) -> ClipRecord:
    """Enter what a person found in a clip's machine.

    Parameters
    ----------
    name : file, hash or path of the clip
    what : ``"quiet"`` or a fault
    replace : drop earlier findings that contradict this one

    Raises
    ------
    UsageError
        Unknown clip or word, a fault the stage cannot have, or an earlier
        finding that says the opposite.
    """
    what = gate.choice(what, "Finding", CONFIRMABLE)
    note = gate.text(note, "Note", lines=True)
    with book.writing() as db:
        clip = clip_by_name(book, name)
        if what != "quiet" and what not in POSSIBLE[clip.stage]:
            raise UsageError(
                f"{what} cannot come from a {clip.stage} clip.",
                "The parts that make it are not fitted at that stage.",
                "Check the clip, or correct its stage by adding it again with --stage.",
            )
        against = [
            found.what for found in clip.confirmed if (found.what == "quiet") != (what == "quiet")
        ]
        if against and not replace:
            raise UsageError(
                f"This clip was confirmed as {', '.join(against)} before.",
                f"It cannot be {what} as well.",
                "Add --replace if the earlier finding was wrong.",
            )
        row_id = db.execute("SELECT id FROM clips WHERE sha256 = ?", (clip.sha256,)).fetchone()[0]
        for old in against:
            db.execute("DELETE FROM confirmations WHERE clip_id = ? AND what = ?", (row_id, old))
        db.execute(
            "INSERT INTO confirmations (clip_id, what, said_at, note) VALUES (?, ?, ?, ?)"
            " ON CONFLICT (clip_id, what) DO UPDATE SET note ="
            " CASE WHEN excluded.note = '' THEN note ELSE excluded.note END",
            (row_id, what, now_utc(), note),
        )
        return clip_by_name(book, clip.sha256)


def read_csv(path: Path) -> tuple[Row, ...]:
    """Rows of a CSV with the columns ``clip`` and ``finding`` (``note`` if you like).

    Comma, semicolon or tab; UTF-8 with or without mark. Clip names are taken
    as they stand; relative ones first from the CSV's own folder.

    Raises
    ------
    UsageError
        Not readable, a column missing, an empty field; the line is named.
    """
    content = _csv_text(path)
    head = content.split("\n", 1)[0]
    mark = max(",;\t", key=head.count)
    reader = csv.DictReader(io.StringIO(content, newline=""), delimiter=mark)
    try:
        names = [name.strip().lower() for name in reader.fieldnames or ()]
        reader.fieldnames = names
        lacking = {"clip", "finding"} - set(names)
        if lacking or len(set(names)) < len(names):
            raise UsageError(
                f"{path} needs one column each named clip and finding.",
                f"Its first line holds: {gate.shown(head)}.",
                "Write a first line such as: clip,finding,note",
            )
        return tuple(_row(path, reader.line_num, raw) for raw in reader)
    except csv.Error as error:
        raise UsageError(
            f"{path}, line {reader.line_num}: {error}.",
            "The line cannot be cut into columns.",
            "Save it as plain CSV again.",
        ) from None


def _csv_text(path: Path) -> str:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise UsageError(
                f"{path} is larger than {MOST_BYTES // 1_000_000} MB.",
                "That is no list of clips.",
                "Check the file.",
            )
        return path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(
            f"{path} cannot be read: {error}.",
            "A list of clips is plain text.",
            "Save it as CSV in UTF-8.",
        ) from None


def _row(path: Path, line: int, raw: dict[str, str | None]) -> Row:
    clip, what = ((raw.get(name) or "").strip() for name in ("clip", "finding"))
    if not clip or not what or None in raw:
        raise UsageError(
            f"{path}, line {line}: a clip and a finding are needed, nothing more.",
            "Half a line cannot be entered.",
            "Complete the line or delete it.",
        )
    beside = path.parent / clip
    name = str(beside) if beside.is_file() else clip
    return Row(line, name, what, (raw.get("note") or "").strip())


def confirm_all(book: Logbook, path: Path, *, replace: bool = False) -> int:
    """Enter a whole CSV, or nothing of it.

    Returns
    -------
    int
        Lines entered.

    Raises
    ------
    UsageError
        As ``confirm``, naming the line.
    """
    rows = read_csv(path)
    with book.writing():
        for row in rows:
            try:
                confirm(book, row.clip, row.what, note=row.note, replace=replace)
            except UsageError as error:
                raise UsageError(
                    f"{path}, line {row.line}: {error.what}",
                    f"{error.why} No line of the file was entered.",
                    error.do,
                ) from None
    return len(rows)
