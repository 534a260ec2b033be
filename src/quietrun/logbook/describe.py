"""The book as JSON objects: what commands print with ``--json`` and texts are made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime
from typing import Any

from quietrun.logbook.baseline import baseline_advice, baseline_of
from quietrun.logbook.clips import visits
from quietrun.logbook.life import burr_life, life_object
from quietrun.logbook.limits import limits_of
from quietrun.logbook.machines import changes, machine, machine_id, machines, throughputs
from quietrun.logbook.store import Logbook
from quietrun.logbook.types import ClipRecord
from quietrun.words import FAULTS

Object = dict[str, Any]


def list_object(book: Logbook) -> Object:
    """List all machines with their last visit and verdict."""
    return {
        "schema": "quietrun/machines-1",
        "logbook": str(book.path),
        "machines": [_line(book, record.tag) for record in machines(book)],
    }


def _line(book: Logbook, tag: str) -> Object:
    """One machine in the list; asked of the database, as judgements are large."""
    record = machine(book, tag)
    number = machine_id(book, tag)
    held = book.row(
        "SELECT count(*) AS clips, count(DISTINCT v.day) AS visits, max(v.day) AS last"
        " FROM clips c JOIN visits v ON v.id = c.visit_id WHERE v.machine_id = ?",
        number,
    )
    last = book.row(
        "SELECT a.verdict FROM clips c JOIN visits v ON v.id = c.visit_id"
        " LEFT JOIN analyses a ON a.clip_id = c.id WHERE v.machine_id = ?"
        " ORDER BY c.at_utc DESC, c.id DESC, a.id DESC LIMIT 1",
        number,
    )
    return {
        "tag": record.tag,
        "place": record.place,
        "clips": held["clips"] if held else 0,
        "visits": held["visits"] if held else 0,
        "last_visit": held["last"] if held else None,
        "last_verdict": last["verdict"] if last else None,
        "tuned": [_tuned(raw) for raw in limits_of(book, tag)],
    }


def _tuned(raw: Mapping[str, Any]) -> Object:
    return {name: raw[name] for name in ("stage", "phone", "runs", "made_at", "baseline")}


def machine_object(book: Logbook, tag: str, now: datetime | None = None) -> Object:
    """Describe one machine with its parts, limits, burr life and what is due."""
    record = machine(book, tag)
    since = baseline_of(book, tag)
    return {
        "schema": "quietrun/machine-1",
        **asdict(record),
        "changes": [asdict(change) for change in changes(book, tag)],
        "throughput": [asdict(entry) for entry in throughputs(book, tag)],
        "baseline": {"since": since.since, "parts": list(since.parts)},
        "limits": [dict(raw) for raw in limits_of(book, tag)],
        "burr_life": life_object(burr_life(book, tag, now)),
        "due": list(baseline_advice(book, tag, now)),
    }


def history_object(book: Logbook, tag: str, now: datetime | None = None) -> Object:
    """Tell the history of one machine, visit by visit."""
    record = machine(book, tag)
    return {
        "schema": "quietrun/history-1",
        "machine": record.tag,
        "place": record.place,
        "changes": [asdict(change) for change in changes(book, tag)],
        "visits": [
            {
                "day": visit.when.day,
                "date_source": visit.when.source,
                "zone": visit.when.zone,
                "zone_known": visit.when.zone_known,
                "note": visit.note,
                "clips": [clip_object(clip) for clip in visit.clips],
            }
            for visit in visits(book, tag)
        ],
        "due": list(baseline_advice(book, tag, now)),
    }


def clip_object(clip: ClipRecord) -> Object:
    """Describe one clip with the measures that are watched over time."""
    record = clip.latest
    report: Mapping[str, Any] = record.report if record else {}
    faults = report.get("faults") or {}
    return {
        "sha256": clip.sha256,
        "path": clip.path,
        "at": clip.when.at,
        "date_source": clip.when.source,
        "stage": clip.stage,
        "temperature": clip.temperature,
        "burr_setting": clip.burr_setting,
        "opened": clip.opened,
        "parts_changed": list(clip.parts_changed),
        "phone": clip.phone,
        "note": clip.note,
        "verdict": record.verdict if record else None,
        "flagged": [name for name in FAULTS if (faults.get(name) or {}).get("flagged")],
        "probability": {name: (faults.get(name) or {}).get("probability") for name in FAULTS},
        "findings": [found.get("code") for found in report.get("findings") or ()],
        "run_up_s": (report.get("run") or {}).get("run_up_s"),
        "coast_down_s": (report.get("run") or {}).get("coast_down_s"),
        "confirmed": [found.what for found in clip.confirmed],
    }
