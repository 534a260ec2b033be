"""Clips of the book: add, find, read; the same hash twice is one clip."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from quietrun.errors import UsageError
from quietrun.logbook import fields as gate
from quietrun.logbook.dates import utc
from quietrun.logbook.machines import machine_id
from quietrun.logbook.store import Logbook
from quietrun.logbook.types import (
    Added,
    AnalysisRecord,
    ClipRecord,
    Confirmation,
    Visit,
    When,
)
from quietrun.logbook.words import DATE_SOURCES, PARTS, TEMPERATURES
from quietrun.words import FAULTS, STAGES, VERDICTS

SCHEMA = "quietrun/verdict-1"


@dataclass(frozen=True, slots=True)
class Entry:
    """A clip to be added to a machine, with what is known about it and its judgement."""

    machine: str
    sha256: str
    path: str
    when: When
    stage: str = "assembled"
    temperature: str | None = None
    burr_setting: str = ""
    opened: bool | None = None
    parts_changed: tuple[str, ...] = ()
    phone: str | None = None
    note: str = ""
    added_at: str = ""
    analysis: AnalysisRecord | None = field(default=None)


def clean_entry(raw: Entry) -> Entry:
    """Pass every field of an entry through its gate.

    Raises
    ------
    UsageError
        A field that cannot be right.
    """
    where = f"Clip {gate.shown(raw.path)}"
    return replace(
        raw,
        machine=gate.tag(raw.machine, "Machine tag"),
        sha256=gate.sha256(raw.sha256, where),
        path=gate.text(raw.path, f"{where}, path", most=gate.PATH),
        when=_clean_when(raw.when, where),
        stage=gate.choice(raw.stage, f"{where}, stage", STAGES),
        temperature=gate.maybe(gate.choice, raw.temperature, where, words=TEMPERATURES),
        burr_setting=gate.text(raw.burr_setting, f"{where}, burr setting", most=gate.SHORT),
        opened=gate.maybe(gate.flag, raw.opened, f"{where}, opened"),
        parts_changed=tuple(
            sorted({gate.choice(part, f"{where}, parts", PARTS) for part in raw.parts_changed})
        ),
        phone=gate.maybe(gate.text, raw.phone, f"{where}, phone", most=gate.SHORT) or None,
        note=gate.text(raw.note, f"{where}, note", lines=True),
        added_at=gate.moment(raw.added_at, f"{where}, added at"),
        analysis=None if raw.analysis is None else clean_analysis(raw.analysis, where),
    )


def _clean_when(raw: When, where: str) -> When:
    return When(
        at=gate.moment(raw.at, f"{where}, date"),
        source=gate.choice(raw.source, f"{where}, date source", DATE_SOURCES),
        zone=gate.text(raw.zone, f"{where}, zone", most=gate.SHORT),
        zone_known=gate.flag(raw.zone_known, f"{where}, zone known"),
    )


def clean_analysis(raw: AnalysisRecord, where: str) -> AnalysisRecord:
    """Check a judgement's shape: finite numbers, a known schema and verdict."""
    report = gate.mapping(raw.report, f"{where}, verdict object")
    if report.get("schema") != SCHEMA:
        raise gate.bad(
            f"{where}, verdict object",
            f"schema {gate.shown(report.get('schema'))} is not {SCHEMA}.",
            "Judge the clip again with quietrun check.",
        )
    gate.plain(report, f"{where}, verdict object")
    gate.choice(report.get("verdict"), f"{where}, verdict", VERDICTS)
    _clean_parts(report, where)
    return AnalysisRecord(
        made_at=gate.moment(raw.made_at, f"{where}, judged at"),
        report=report,
        evidence=_numbers(raw.evidence, f"{where}, evidence"),
        scores=_numbers(raw.scores, f"{where}, scores"),
        bands=_numbers(raw.bands, f"{where}, bands"),
    )


_RUN_NUMBERS = (
    "mains_hz",
    "switched_on_s",
    "switched_off_s",
    "running_rpm",
    "run_up_s",
    "coast_down_s",
)
_LISTS = ("findings", "because")


def _clean_parts(report: Mapping[str, Any], where: str) -> None:
    """Check those parts of a verdict object that the book and comparing read."""
    parts = {"tool", "clip", "machine", "recording", "run", "faults", *_LISTS}
    gate.only(report, where, need=parts, may=set(report))
    for name in parts - set(_LISTS):
        gate.mapping(report[name], f"{where}, {name}")
    gate.choice(report["machine"].get("stage"), f"{where}, stage", STAGES)
    gate.only(report["run"], f"{where}, run", need=set(_RUN_NUMBERS), may=set(report["run"]))
    for name in _RUN_NUMBERS:
        gate.maybe(gate.number, report["run"][name], f"{where}, {name}")
    gate.only(report["faults"], f"{where}, faults", need=set(FAULTS), may=set())
    for name in FAULTS:
        _clean_fault(report["faults"][name], f"{where}, {name}")
    _clean_recording(report["recording"], f"{where}, recording")
    gate.only(report["clip"], f"{where}, clip", need={"path", "sha256"}, may=set(report["clip"]))
    for found in gate.listing(report["findings"], f"{where}, findings"):
        gate.text(gate.mapping(found, f"{where}, finding").get("code"), f"{where}, finding")
    gate.listing(report["because"], f"{where}, because")


def _clean_fault(value: object, where: str) -> None:
    part = gate.mapping(value, where)
    need = {"probability", "limit", "flagged", "possible"}
    gate.only(part, where, need=need, may=set(part))
    gate.flag(part["flagged"], f"{where}, flagged")
    gate.flag(part["possible"], f"{where}, possible")
    for word in ("probability", "limit"):
        gate.maybe(gate.number, part[word], f"{where}, {word}", least=0, most=1)


def _clean_recording(part: Mapping[str, Any], where: str) -> None:
    gate.only(part, where, need={"bandwidth_hz", "problems"}, may=set(part))
    gate.maybe(gate.number, part["bandwidth_hz"], f"{where}, bandwidth", least=0)
    for value in gate.listing(part["problems"], f"{where}, problems"):
        problem = gate.mapping(value, f"{where}, problem")
        words = {"code", "what", "why", "do"}
        gate.only(problem, f"{where}, problem", need=words | {"disables"}, may=set(problem))
        for word in words:
            gate.text(problem[word], f"{where}, problem, {word}")
        for name in gate.listing(problem["disables"], f"{where}, problem, disables"):
            gate.text(name, f"{where}, problem, disables")


def _numbers(raw: object, where: str) -> dict[str, float | None]:
    return {
        gate.text(name, where, most=gate.SHORT): gate.maybe(gate.number, value, f"{where}, {name}")
        for name, value in gate.mapping(raw, where).items()
    }


def add_clip(book: Logbook, entry: Entry) -> Added:
    """Enter a clip; a clip known by its hash gets new facts and a new judgement only.

    Raises
    ------
    UsageError
        No such machine, the clip belongs to another machine, a wrong field.
    """
    entry = clean_entry(entry)
    with book.writing() as db:
        owner = machine_id(book, entry.machine)
        known = db.execute(
            "SELECT c.*, v.machine_id, m.tag FROM clips c JOIN visits v ON v.id = c.visit_id"
            " JOIN machines m ON m.id = v.machine_id WHERE c.sha256 = ?",
            (entry.sha256,),
        ).fetchone()
        if known and known["machine_id"] != owner:
            raise UsageError(
                f"Clip {entry.path} is in the logbook as a clip of machine {known['tag']}.",
                "One recording cannot be of two machines.",
                f"Check the tag, or the file: it is the very same as {known['path']}.",
            )
        clip_id = _update(db, known, owner, entry) if known else _insert(db, owner, entry)
        judged = entry.analysis is not None and _add_analysis(db, clip_id, entry.analysis)
        row = db.execute("SELECT * FROM clips WHERE id = ?", (clip_id,)).fetchone()
    return Added(entry.sha256, _when(row), new_clip=known is None, new_analysis=judged)


def _when(row: sqlite3.Row) -> When:
    return When(row["at"], row["date_source"], row["zone"], bool(row["zone_known"]))


def _visit_id(db: sqlite3.Connection, owner: int, day: str) -> int:
    db.execute("INSERT OR IGNORE INTO visits (machine_id, day) VALUES (?, ?)", (owner, day))
    row = db.execute(
        "SELECT id FROM visits WHERE machine_id = ? AND day = ?", (owner, day)
    ).fetchone()
    return int(row["id"])


def _insert(db: sqlite3.Connection, owner: int, entry: Entry) -> int:
    cursor = db.execute(
        "INSERT INTO clips (sha256, visit_id, path, at, at_utc, date_source, zone, zone_known,"
        " stage, temperature, burr_setting, opened, parts_changed, phone, note, added_at)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            entry.sha256,
            _visit_id(db, owner, entry.when.day),
            entry.path,
            entry.when.at,
            utc(entry.when.at),
            entry.when.source,
            entry.when.zone,
            int(entry.when.zone_known),
            entry.stage,
            entry.temperature,
            entry.burr_setting,
            None if entry.opened is None else int(entry.opened),
            json.dumps(entry.parts_changed),
            entry.phone,
            entry.note,
            entry.added_at,
        ),
    )
    return int(cursor.lastrowid or 0)


def _update(db: sqlite3.Connection, known: sqlite3.Row, owner: int, entry: Entry) -> int:
    """Add what was not known before; a typed date beats a found one. Nothing is blanked."""
    better = DATE_SOURCES.index(entry.when.source) < DATE_SOURCES.index(known["date_source"])
    retyped = entry.when.source == "given" and known["date_source"] == "given"
    if better or retyped:
        when = entry.when
        db.execute(
            "UPDATE clips SET visit_id = ?, at = ?, at_utc = ?, date_source = ?, zone = ?,"
            " zone_known = ? WHERE id = ?",
            (
                _visit_id(db, owner, when.day),
                when.at,
                utc(when.at),
                when.source,
                when.zone,
                int(when.zone_known),
                known["id"],
            ),
        )
        _drop_empty_visits(db)
    parts = sorted({*json.loads(known["parts_changed"]), *entry.parts_changed})
    db.execute(
        "UPDATE clips SET path = ?, stage = ?, temperature = coalesce(?, temperature),"
        " burr_setting = ?, opened = coalesce(?, opened), parts_changed = ?,"
        " phone = coalesce(?, phone), note = ? WHERE id = ?",
        (
            entry.path,
            entry.stage,
            entry.temperature,
            entry.burr_setting or known["burr_setting"],
            None if entry.opened is None else int(entry.opened),
            json.dumps(parts),
            entry.phone,
            entry.note or known["note"],
            known["id"],
        ),
    )
    return int(known["id"])


def _drop_empty_visits(db: sqlite3.Connection) -> None:
    db.execute("DELETE FROM visits WHERE note = '' AND id NOT IN (SELECT visit_id FROM clips)")


def _add_analysis(db: sqlite3.Connection, clip_id: int, record: AnalysisRecord) -> bool:
    """Keep a judgement unless the newest one says the very same."""
    parts = _json_parts(record)
    newest = db.execute(
        "SELECT report, evidence, scores, bands FROM analyses WHERE clip_id = ?"
        " ORDER BY id DESC LIMIT 1",
        (clip_id,),
    ).fetchone()
    if newest and _same(tuple(newest), parts):
        return False
    insert_analysis(db, clip_id, record)
    return True


def _json_parts(record: AnalysisRecord) -> tuple[str, str, str, str]:
    return (
        as_json(record.report),
        as_json(record.evidence),
        as_json(record.scores),
        as_json(record.bands),
    )


def insert_analysis(db: sqlite3.Connection, clip_id: int, record: AnalysisRecord) -> None:
    """Write a checked judgement of a clip."""
    db.execute(
        "INSERT INTO analyses (clip_id, made_at, model_sha256, verdict, report, evidence,"
        " scores, bands) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (clip_id, record.made_at, record.model_sha256, record.verdict, *_json_parts(record)),
    )


def _same(old: tuple[str, ...], new: tuple[str, ...]) -> bool:
    """Equal but for the path in the report (a moved file is no new judgement)."""
    if old[1:] != new[1:]:
        return False
    first, second = (json.loads(text) for text in (old[0], new[0]))
    for report in (first, second):
        if isinstance(report.get("clip"), dict):
            report["clip"].pop("path", None)
    return bool(first == second)


def as_json(value: object) -> str:
    """Write compact JSON text; not-a-number is refused."""
    return json.dumps(value, allow_nan=False, separators=(",", ":"))


def clip_by_name(book: Logbook, name: str) -> ClipRecord:
    """Find the clip of a file, a hash (6 digits or more), a path or a file name in the book.

    Raises
    ------
    UsageError
        None, or more than one.
    """
    found: list[sqlite3.Row] = []
    path = Path(name)
    if path.is_file():
        found = book.rows("SELECT * FROM clips WHERE sha256 = ?", hash_file(path))
    if not found and len(name) >= 6 and set(name.lower()) <= set("0123456789abcdef"):
        found = book.rows(
            "SELECT * FROM clips WHERE substr(sha256, 1, ?) = ?", len(name), name.lower()
        )
    if not found:
        found = book.rows("SELECT * FROM clips WHERE path = ?", name) or [
            row
            for row in book.rows("SELECT * FROM clips")
            if row["path"].replace("\\", "/").rsplit("/", 1)[-1] == name
        ]
    if len(found) == 1:
        return _as_clips(book, found)[0]
    if found:
        raise UsageError(
            f"{gate.shown(name)} means {len(found)} clips.",
            "Only one can be meant.",
            "Give the file itself, its whole path, or more digits of its hash.",
        )
    raise UsageError(
        f"Clip {gate.shown(name)} is not in the logbook.",
        "Only clips in the logbook can be confirmed or compared from it.",
        f"Add it first: quietrun logbook add {name} --machine TAG.",
    )


def hash_file(path: Path) -> str:
    """SHA-256 of a file's bytes.

    Raises
    ------
    UsageError
        The file cannot be read.
    """
    digest = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while block := file.read(1 << 20):
                digest.update(block)
    except OSError as error:
        raise UsageError(
            f"{path} cannot be read: {error.strerror}.",
            "A clip is known by what it holds.",
            "Check the file and its permissions.",
        ) from None
    return digest.hexdigest()


def clips(
    book: Logbook, tag: str, *, stage: str | None = None, phone: str | None = None
) -> tuple[ClipRecord, ...]:
    """Clips of a machine in the order of their dates."""
    rows = book.rows(
        "SELECT c.* FROM clips c JOIN visits v ON v.id = c.visit_id"
        " WHERE v.machine_id = ? AND coalesce(?, c.stage) = c.stage"
        " AND (? IS NULL OR c.phone = ?) ORDER BY c.at_utc, c.id",
        machine_id(book, tag),
        stage,
        phone,
        phone,
    )
    return tuple(_as_clips(book, rows))


def visits(book: Logbook, tag: str) -> tuple[Visit, ...]:
    """Visits of a machine, oldest first, each dated by the best date among its clips."""
    notes = {
        row["day"]: row["note"]
        for row in book.rows("SELECT * FROM visits WHERE machine_id = ?", machine_id(book, tag))
    }
    by_day: dict[str, list[ClipRecord]] = {}
    for clip in clips(book, tag):
        by_day.setdefault(clip.when.day, []).append(clip)
    return tuple(
        Visit(
            when=min((c.when for c in found), key=lambda w: DATE_SOURCES.index(w.source)),
            clips=tuple(found),
            note=notes.get(day, ""),
        )
        for day, found in sorted(by_day.items())
    )


def machine_of(book: Logbook, clip: ClipRecord) -> str:
    """Tag of the machine a clip belongs to."""
    row = book.row(
        "SELECT m.tag FROM machines m JOIN visits v ON v.machine_id = m.id"
        " JOIN clips c ON c.visit_id = v.id WHERE c.sha256 = ?",
        clip.sha256,
    )
    if row is None:
        raise ValueError(f"clip {clip.sha256} is not in this book")
    return str(row["tag"])


def _as_clips(book: Logbook, rows: Iterable[sqlite3.Row]) -> list[ClipRecord]:
    return [_as_clip(book, row) for row in rows]


def _as_clip(book: Logbook, row: sqlite3.Row) -> ClipRecord:
    judged = book.rows("SELECT * FROM analyses WHERE clip_id = ? ORDER BY id", row["id"])
    said = book.rows("SELECT * FROM confirmations WHERE clip_id = ? ORDER BY id", row["id"])
    return ClipRecord(
        sha256=row["sha256"],
        path=row["path"],
        when=_when(row),
        stage=row["stage"],
        temperature=row["temperature"],
        burr_setting=row["burr_setting"],
        opened=None if row["opened"] is None else bool(row["opened"]),
        parts_changed=tuple(gate.unpacked(row["parts_changed"], f"Clip {row['path']}")),
        phone=row["phone"],
        note=row["note"],
        added_at=row["added_at"],
        analyses=tuple(_as_analysis(r) for r in judged),
        confirmed=tuple(Confirmation(r["what"], r["said_at"], r["note"]) for r in said),
    )


def _as_analysis(row: sqlite3.Row) -> AnalysisRecord:
    loaded: list[Mapping[str, Any]] = [
        gate.unpacked(row[name], f"A judgement of {row['made_at']}")
        for name in ("report", "evidence", "scores", "bands")
    ]
    return AnalysisRecord(row["made_at"], *loaded)
