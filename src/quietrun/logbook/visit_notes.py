"""Notes on a visit as a whole."""

from __future__ import annotations

from quietrun.errors import UsageError
from quietrun.logbook import fields as gate
from quietrun.logbook.machines import machine_id
from quietrun.logbook.store import Logbook


def note_visit(book: Logbook, tag: str, day: str, note: str, *, keep: bool = False) -> None:
    """Write the note of a visit (``keep``: only where there is none).

    Raises
    ------
    UsageError
        No visit of that machine on that day.
    """
    note = gate.text(note, "Note of the visit", lines=True)
    sql = "UPDATE visits SET note = ? WHERE machine_id = ? AND day = ?"
    with book.writing() as db:
        number = machine_id(book, tag)
        row = db.execute(
            "SELECT note FROM visits WHERE machine_id = ? AND day = ?", (number, day)
        ).fetchone()
        if row is None:
            raise UsageError(
                f"{tag} has no visit on {gate.shown(day)}.",
                "A note belongs to a visit with clips.",
                f"See the days with quietrun logbook {tag}.",
            )
        if not (keep and row["note"]):
            db.execute(sql, (note, number, day))
