"""Machines of the book: add, edit, list; new parts and throughput."""

from __future__ import annotations

import difflib
import json
import sqlite3
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

from quietrun.errors import UsageError
from quietrun.logbook import fields as gate
from quietrun.logbook.dates import utc
from quietrun.logbook.store import Logbook
from quietrun.logbook.types import MachineRecord
from quietrun.logbook.words import PARTS, RESERVED_TAGS
from quietrun.machine import Bearing

_COLUMNS = tuple(field.name for field in fields(MachineRecord))


@dataclass(frozen=True, slots=True)
class Change:
    """A part renewed on a day."""

    at: str
    part: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Throughput:
    """Coffee ground: ``kg`` in all on this burr set at a day, or ``kg`` a week from it on."""

    at: str
    kg: float
    per_week: bool


def clean_machine(raw: MachineRecord) -> MachineRecord:
    """Pass every field of a record through its gate.

    Raises
    ------
    UsageError
        A field that cannot be right.
    """
    where = f"Machine {gate.shown(raw.tag)}"
    life = raw.burr_life_kg
    if life is not None:
        low = gate.number(life[0], f"{where}, burr life", least=1, most=1e6)
        life = (low, gate.number(life[1], f"{where}, burr life", least=low, most=1e6))
    poles = gate.maybe(gate.whole, raw.poles, f"{where}, poles", least=2, most=8)
    if poles is not None and poles % 2:
        raise gate.bad(f"{where}, poles", "poles come in pairs.", "Use 2, 4, 6 or 8.")
    return MachineRecord(
        tag=gate.tag(raw.tag, "Machine tag", RESERVED_TAGS),
        place=gate.text(raw.place, f"{where}, place", most=200),
        mains_hz=gate.maybe(gate.number, raw.mains_hz, f"{where}, mains", least=45, most=65),
        poles=poles,
        bearings=tuple(_clean_bearing(b, f"{where}, bearing") for b in raw.bearings),
        fan_blades=gate.maybe(gate.whole, raw.fan_blades, f"{where}, fan blades", least=2, most=99),
        burr_mm=gate.maybe(gate.number, raw.burr_mm, f"{where}, burr size", least=20, most=500),
        burr_life_kg=life,
        phone=gate.maybe(gate.text, raw.phone, f"{where}, phone", most=gate.SHORT) or None,
        notes=gate.text(raw.notes, f"{where}, notes", lines=True),
    )


def _clean_bearing(raw: Bearing, where: str) -> Bearing:
    ball = gate.number(raw.ball_mm, f"{where} ball", least=0.5, most=100)
    return Bearing(
        balls=gate.whole(raw.balls, f"{where} balls", least=3, most=40),
        ball_mm=ball,
        pitch_mm=gate.number(raw.pitch_mm, f"{where} pitch", least=1.5 * ball, most=500),
        contact_deg=gate.number(raw.contact_deg, f"{where} contact angle", least=0, most=60),
        name=gate.text(raw.name, f"{where} name", most=gate.SHORT),
    )


def add_machine(book: Logbook, record: MachineRecord) -> MachineRecord:
    """Enter a new machine.

    Raises
    ------
    UsageError
        The tag is taken, or a field cannot be right.
    """
    record = clean_machine(record)
    with book.writing() as db:
        if db.execute("SELECT 1 FROM machines WHERE tag = ?", (record.tag,)).fetchone():
            raise UsageError(
                f"Machine {record.tag} is in the logbook already.",
                "A tag names one machine.",
                f"Change it with quietrun machine edit {record.tag}, or choose another tag.",
            )
        names = ", ".join(_COLUMNS)
        marks = ", ".join("?" * len(_COLUMNS))
        db.execute(f"INSERT INTO machines ({names}) VALUES ({marks})", _as_row(record))  # noqa: S608
    return record


def edit_machine(book: Logbook, tag: str, /, **changes: Any) -> MachineRecord:
    """Change fields of a machine; everything else stays.

    Raises
    ------
    UsageError
        No such machine, nothing to change, the new tag is taken, a wrong field.
    """
    if not changes:
        raise UsageError("Nothing to change.", "No field was given.", "Give one, such as --place.")
    with book.writing() as db:
        old_id, old = _found(book, tag)
        record = clean_machine(replace(old, **changes))
        taken = db.execute(
            "SELECT 1 FROM machines WHERE tag = ? AND id != ?", (record.tag, old_id)
        ).fetchone()
        if taken:
            raise UsageError(
                f"Machine {record.tag} is in the logbook already.",
                "A tag names one machine.",
                "Choose another tag.",
            )
        sets = ", ".join(f"{name} = ?" for name in _COLUMNS)
        db.execute(f"UPDATE machines SET {sets} WHERE id = ?", (*_as_row(record), old_id))  # noqa: S608
    return record


def machine(book: Logbook, tag: str) -> MachineRecord:
    """Find the machine of a tag.

    Raises
    ------
    UsageError
        No such machine; the nearest tag is named.
    """
    return _found(book, tag)[1]


def machine_id(book: Logbook, tag: str) -> int:
    """Row number of a machine; raises as ``machine``."""
    return _found(book, tag)[0]


def machines(book: Logbook) -> tuple[MachineRecord, ...]:
    """All machines, by tag."""
    return tuple(_as_record(row) for row in book.rows("SELECT * FROM machines ORDER BY tag"))


def add_change(book: Logbook, tag: str, change: Change) -> bool:
    """Note a new part; False when that very note is there already."""
    part = gate.choice(change.part, "Part", PARTS)
    at = gate.moment(change.at, "Date of the change")
    note = gate.text(change.note, "Note of the change")
    with book.writing() as db:
        cursor = db.execute(
            "INSERT OR IGNORE INTO changes (machine_id, at, at_utc, part, note)"
            " VALUES (?, ?, ?, ?, ?)",
            (machine_id(book, tag), at, utc(at), part, note),
        )
        return cursor.rowcount == 1


def own_changes(book: Logbook, tag: str) -> tuple[Change, ...]:
    """Parts noted by themselves, without those that came with a clip."""
    rows = book.rows(
        "SELECT at, part, note FROM changes WHERE machine_id = ? ORDER BY at_utc, part",
        machine_id(book, tag),
    )
    return tuple(Change(row["at"], row["part"], row["note"]) for row in rows)


def changes(book: Logbook, tag: str) -> tuple[Change, ...]:
    """Parts renewed, oldest first: noted by themselves or with a clip."""
    sql = (
        "SELECT at, part, note, at_utc FROM changes WHERE machine_id = ? UNION "
        "SELECT c.at, p.value, '', c.at_utc FROM clips c JOIN visits v ON v.id = c.visit_id, "
        "json_each(c.parts_changed) p WHERE v.machine_id = ? ORDER BY at_utc, part"
    )
    number = machine_id(book, tag)
    return tuple(Change(r["at"], r["part"], r["note"]) for r in book.rows(sql, number, number))


def add_throughput(book: Logbook, tag: str, entry: Throughput) -> None:
    """Note coffee ground; a second entry of the same moment and kind replaces the first."""
    kg = gate.number(entry.kg, "Throughput in kg", least=0, most=1e7)
    at = gate.moment(entry.at, "Date of the throughput")
    with book.writing() as db:
        db.execute(
            "INSERT INTO throughput (machine_id, at, at_utc, kg, per_week) VALUES (?, ?, ?, ?, ?)"
            " ON CONFLICT (machine_id, at_utc, per_week) DO UPDATE SET kg = excluded.kg",
            (machine_id(book, tag), at, utc(at), kg, int(entry.per_week)),
        )


def throughputs(book: Logbook, tag: str) -> tuple[Throughput, ...]:
    """All throughput entries, oldest first."""
    rows = book.rows(
        "SELECT * FROM throughput WHERE machine_id = ? ORDER BY at_utc, per_week",
        machine_id(book, tag),
    )
    return tuple(Throughput(r["at"], r["kg"], bool(r["per_week"])) for r in rows)


def _found(book: Logbook, tag: str) -> tuple[int, MachineRecord]:
    row = book.row("SELECT * FROM machines WHERE tag = ?", tag.strip())
    if row:
        return row["id"], _as_record(row)
    known = [r["tag"] for r in book.rows("SELECT tag FROM machines ORDER BY tag")]
    near = difflib.get_close_matches(tag.strip(), known, n=1)
    raise UsageError(
        f"There is no machine {gate.shown(tag)} in the logbook.",
        f"The nearest tag is {near[0]}." if near else f"It holds {len(known)} machines.",
        "List the tags with quietrun machine list, or add it: quietrun machine add TAG.",
    )


def _as_row(record: MachineRecord) -> tuple[object, ...]:
    values = {name: getattr(record, name) for name in _COLUMNS}
    values["bearings"] = json.dumps([asdict(bearing) for bearing in record.bearings])
    life = record.burr_life_kg
    values["burr_life_kg"] = None if life is None else json.dumps(life)
    return tuple(values.values())


def _as_record(row: sqlite3.Row) -> MachineRecord:
    values = {name: row[name] for name in _COLUMNS}
    where = f"Machine {gate.shown(row['tag'])}"
    stored = gate.listing(gate.unpacked(row["bearings"], where), where)
    values["bearings"] = tuple(Bearing(**gate.mapping(raw, where)) for raw in stored)
    life = row["burr_life_kg"]
    values["burr_life_kg"] = None if life is None else tuple(gate.unpacked(life, where))
    return MachineRecord(**values)
