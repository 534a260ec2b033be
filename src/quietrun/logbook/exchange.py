"""The whole book as one JSON object, and back: lossless, and safe against hostile files.

A file is data, never trusted: its size, depth, keys, types, lengths and words are checked
before the first line is written, and all of it is written in one transaction or nothing.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from quietrun import __version__
from quietrun.errors import UsageError
from quietrun.logbook import fields as gate
from quietrun.logbook.clips import (
    Entry,
    add_clip,
    clean_analysis,
    clip_by_name,
    insert_analysis,
    visits,
)
from quietrun.logbook.dates import now_utc
from quietrun.logbook.limits import limits_of, put_limits
from quietrun.logbook.machines import (
    Change,
    Throughput,
    add_change,
    add_machine,
    add_throughput,
    clean_machine,
    machines,
    own_changes,
    throughputs,
)
from quietrun.logbook.store import Logbook
from quietrun.logbook.types import AnalysisRecord, ClipRecord, Confirmation, MachineRecord, When
from quietrun.logbook.visit_notes import note_visit
from quietrun.logbook.words import CONFIRMABLE
from quietrun.machine import Bearing

SCHEMA = "quietrun/logbook-1"
MOST_BYTES = 512_000_000


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import brought that was not there before."""

    machines: int
    clips: int
    analyses: int
    confirmations: int


def export_book(book: Logbook) -> dict[str, Any]:
    """Put the whole book into one JSON object."""
    return {
        "schema": SCHEMA,
        "written_by": f"quietrun {__version__}",
        "written_at": now_utc(),
        "machines": [_machine_out(book, record) for record in machines(book)],
    }


def write_export(whole: Mapping[str, Any], path: str | Path) -> None:
    """Write an export beside its place first, so that a crash leaves no half a file.

    Raises
    ------
    UsageError
        The file cannot be written.
    """
    target = Path(path)
    part = target.with_name(f".{target.name}.part")
    try:
        part.write_text(json.dumps(whole, indent=1, allow_nan=False), encoding="utf-8")
        part.replace(target)
    except OSError as error:
        raise UsageError(
            f"{target} cannot be written: {error.strerror}.",
            "The export was not kept.",
            "Choose a folder you may write to, with space left.",
        ) from None


def _machine_out(book: Logbook, record: MachineRecord) -> dict[str, Any]:
    return {
        **asdict(record),
        "changes": [asdict(change) for change in own_changes(book, record.tag)],
        "throughput": [asdict(entry) for entry in throughputs(book, record.tag)],
        "limits": [dict(raw) for raw in limits_of(book, record.tag)],
        "visits": [
            {
                "day": visit.when.day,
                "note": visit.note,
                "clips": [asdict(clip) for clip in visit.clips],
            }
            for visit in visits(book, record.tag)
        ],
    }


def read_export(path: Path) -> Mapping[str, Any]:
    """Read an export file as plain data.

    Raises
    ------
    UsageError
        Not readable, too large, not JSON, or JSON with tricks: doubled keys,
        not-a-number, endless nesting.
    """
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise gate.bad(str(path), f"larger than {MOST_BYTES // 1_000_000} MB.", "Split it.")
        raw = json.loads(
            path.read_bytes().decode("utf-8-sig"),
            object_pairs_hook=_no_doubles,
            parse_constant=_no_constant,
        )
    except (OSError, ValueError, RecursionError) as error:
        said = "it is nested too deep" if isinstance(error, RecursionError) else str(error)
        raise gate.bad(str(path), f"cannot be read: {said}.", "Export the book again.") from None
    return gate.mapping(raw, str(path))


def _no_doubles(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    record = dict(pairs)
    if len(record) < len(pairs):
        raise ValueError("a key appears twice in one object")
    return record


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is no number")


def import_book(book: Logbook, raw: Mapping[str, Any]) -> Imported:
    """Add everything an export holds; what is there already stays as it is.

    Raises
    ------
    UsageError
        Anything wrong in the file, or a machine or clip that contradicts the
        book. Then nothing is written.
    """
    where = "Export"
    gate.only(raw, where, need={"schema", "machines"}, may={"written_by", "written_at"})
    if raw["schema"] != SCHEMA:
        raise gate.bad(
            where, f"schema {gate.shown(raw['schema'])} is not {SCHEMA}.", "Update quietrun."
        )
    before = _counts(book)
    with book.writing():
        for number, one in enumerate(gate.listing(raw["machines"], f"{where}, machines")):
            _machine_in(book, one, f"machines[{number}]")
        after = _counts(book)
    return Imported(*(new - old for new, old in zip(after, before, strict=True)))


def _counts(book: Logbook) -> tuple[int, ...]:
    tables = ("machines", "clips", "analyses", "confirmations")
    found = (book.row(f"SELECT count(*) AS n FROM {name}") for name in tables)  # noqa: S608
    return tuple(row["n"] for row in found if row)


_MACHINE_KEYS = set(MachineRecord.__dataclass_fields__)
_PARTS = {"changes", "throughput", "limits", "visits"}


def _machine_in(book: Logbook, value: object, where: str) -> None:
    raw = gate.mapping(value, where)
    gate.only(raw, where, need=_MACHINE_KEYS | _PARTS, may=set())
    record = _record_in({name: raw[name] for name in _MACHINE_KEYS}, where)
    there = {found.tag.casefold(): found for found in machines(book)}.get(record.tag.casefold())
    if there is None:
        add_machine(book, record)
    elif there != record:
        differ = [n for n in sorted(_MACHINE_KEYS) if getattr(there, n) != getattr(record, n)]
        raise UsageError(
            f"Machine {record.tag} is described differently: {', '.join(differ)}.",
            "Two descriptions of one machine cannot both be right. Nothing was written.",
            "Make them alike with quietrun machine edit, or import into another --home.",
        )
    tag = record.tag
    _each(raw, "changes", where, lambda v, w: add_change(book, tag, _change_in(v, w)))
    _each(raw, "throughput", where, lambda v, w: add_throughput(book, tag, _throughput_in(v, w)))
    _each(raw, "limits", where, lambda v, w: put_limits(book, tag, gate.mapping(v, w), keep=True))
    _each(raw, "visits", where, lambda v, w: _visit_in(book, tag, v, w))


def _each(
    raw: Mapping[str, Any], name: str, where: str, take: Callable[[object, str], object]
) -> None:
    for number, value in enumerate(gate.listing(raw[name], f"{where}.{name}")):
        take(value, f"{where}.{name}[{number}]")


def _record_in(raw: Mapping[str, Any], where: str) -> MachineRecord:
    bearings = []
    for number, one in enumerate(gate.listing(raw["bearings"], f"{where}.bearings", most=8)):
        here = f"{where}.bearings[{number}]"
        part = gate.mapping(one, here)
        gate.only(part, here, need=set(Bearing.__dataclass_fields__), may=set())
        bearings.append(Bearing(**part))
    life = raw["burr_life_kg"]
    if life is not None:
        low_high = gate.listing(life, f"{where}.burr_life_kg", most=2)
        if len(low_high) != 2:
            raise gate.bad(f"{where}.burr_life_kg", "needs two numbers.", "Export again.")
        life = (low_high[0], low_high[1])
    fields: dict[str, Any] = {**raw, "bearings": tuple(bearings), "burr_life_kg": life}
    for name in ("tag", "place", "notes"):
        gate.text(fields[name], f"{where}.{name}", lines=name == "notes")
    return clean_machine(MachineRecord(**fields))


def _change_in(value: object, where: str) -> Change:
    raw = gate.mapping(value, where)
    gate.only(raw, where, need={"at", "part", "note"}, may=set())
    return Change(**raw)


def _throughput_in(value: object, where: str) -> Throughput:
    raw = gate.mapping(value, where)
    gate.only(raw, where, need={"at", "kg", "per_week"}, may=set())
    return Throughput(raw["at"], raw["kg"], gate.flag(raw["per_week"], where))


def _visit_in(book: Logbook, tag: str, value: object, where: str) -> None:
    raw = gate.mapping(value, where)
    gate.only(raw, where, need={"day", "note", "clips"}, may=set())
    for number, one in enumerate(gate.listing(raw["clips"], f"{where}.clips")):
        _clip_in(book, tag, one, f"{where}.clips[{number}]")
    note = gate.text(raw["note"], f"{where}.note", lines=True)
    if note:
        note_visit(book, tag, gate.text(raw["day"], f"{where}.day", most=10), note, keep=True)


_CLIP_KEYS = set(ClipRecord.__dataclass_fields__)


def _clip_in(book: Logbook, tag: str, value: object, where: str) -> None:
    raw = gate.mapping(value, where)
    gate.only(raw, where, need=_CLIP_KEYS, may=set())
    when = gate.mapping(raw["when"], f"{where}.when")
    gate.only(when, f"{where}.when", need=set(When.__dataclass_fields__), may=set())
    facts = {name: raw[name] for name in _CLIP_KEYS - {"when", "analyses", "confirmed"}}
    facts["parts_changed"] = tuple(gate.listing(raw["parts_changed"], where, most=50))
    known = book.row("SELECT 1 FROM clips WHERE sha256 = ?", _hash(raw, where))
    if known:
        _check_owner(book, tag, facts["sha256"], where)
    else:
        add_clip(book, Entry(machine=tag, when=When(**when), **facts))
    _each(raw, "analyses", where, lambda v, w: _analysis_in(book, facts["sha256"], v, w))
    _each(raw, "confirmed", where, lambda v, w: _confirmation_in(book, facts["sha256"], v, w))


def _hash(raw: Mapping[str, Any], where: str) -> str:
    return gate.sha256(raw["sha256"], f"{where}.sha256")


def _check_owner(book: Logbook, tag: str, sha256: str, where: str) -> None:
    row = book.row(
        "SELECT m.tag FROM machines m JOIN visits v ON v.machine_id = m.id"
        " JOIN clips c ON c.visit_id = v.id WHERE c.sha256 = ?",
        sha256,
    )
    if row is None or row["tag"].casefold() != tag.casefold():
        owner = "another machine" if row is None else row["tag"]
        raise gate.bad(
            where, f"this clip is one of {owner} in the logbook.", "One recording, one machine."
        )


def _analysis_in(book: Logbook, sha256: str, value: object, where: str) -> None:
    raw = gate.mapping(value, where)
    gate.only(raw, where, need=set(AnalysisRecord.__dataclass_fields__), may=set())
    record = clean_analysis(AnalysisRecord(**raw), where)
    clip = clip_by_name(book, sha256)
    if record in clip.analyses:
        return
    with book.writing() as db:
        row = db.execute("SELECT id FROM clips WHERE sha256 = ?", (sha256,)).fetchone()
        insert_analysis(db, row["id"], record)


def _confirmation_in(book: Logbook, sha256: str, value: object, where: str) -> None:
    raw = gate.mapping(value, where)
    gate.only(raw, where, need=set(Confirmation.__dataclass_fields__), may=set())
    what = gate.choice(raw["what"], where, CONFIRMABLE)
    said_at = gate.moment(raw["said_at"], where)
    note = gate.text(raw["note"], where, lines=True)
    there = clip_by_name(book, sha256).confirmed
    if any((found.what == "quiet") != (what == "quiet") for found in there):
        raise gate.bad(
            where,
            f"the clip is confirmed as {there[0].what} in the logbook, as {what} in the file.",
            "Correct one of them with quietrun logbook confirm --replace.",
        )
    with book.writing() as db:
        db.execute(
            "INSERT OR IGNORE INTO confirmations (clip_id, what, said_at, note)"
            " SELECT id, ?, ?, ? FROM clips WHERE sha256 = ?",
            (what, said_at, note, sha256),
        )
