"""A machine's own limits in the book: one set for each phone and stage.

``phone`` is ``""`` where it is not known; such limits serve clips of unknown phones only.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from quietrun.judge.limits import NAMELESS, FaultLimit, Limits
from quietrun.logbook import fields as gate
from quietrun.logbook.dates import now_utc
from quietrun.logbook.machines import machine_id
from quietrun.logbook.store import Logbook
from quietrun.words import FAULTS, STAGES

_KEYS = {"phone", "stage", "made_at", "baseline", "model_sha256", "runs", "faults", "usual"}


def as_object(
    limits: Limits, *, baseline: str | None, made_at: str | None = None
) -> dict[str, Any]:
    """Write limits as a JSON object, with the start of the baseline they belong to."""
    return {
        "phone": limits.phone,
        "stage": limits.stage,
        "made_at": made_at or now_utc(),
        "baseline": baseline,
        "model_sha256": limits.model_sha256,
        "runs": limits.runs,
        "faults": {n: {"shift": f.shift, "limit": f.limit} for n, f in limits.faults.items()},
        "usual": {name: list(low_high) for name, low_high in limits.usual.items()},
    }


def from_object(raw: Mapping[str, Any], tag: str, where: str) -> Limits:
    """Read limits from a JSON object.

    Raises
    ------
    UsageError
        A field that cannot be right.
    """
    gate.only(raw, where, need=_KEYS, may=set())
    gate.moment(raw["made_at"], where)
    gate.maybe(gate.moment, raw["baseline"], where)
    faults = {}
    for name, value in gate.mapping(raw["faults"], where).items():
        part = gate.mapping(value, where)
        gate.only(part, where, need={"shift", "limit"}, may=set())
        faults[gate.choice(name, where, (*FAULTS, *NAMELESS))] = FaultLimit(
            shift=gate.number(part["shift"], where, least=-100, most=100),
            limit=gate.number(part["limit"], where, least=-100, most=100),
        )
    return Limits(
        machine=tag,
        phone=gate.text(raw["phone"], where, most=gate.SHORT),
        stage=gate.choice(raw["stage"], where, STAGES),
        model_sha256=gate.text(raw["model_sha256"], where, most=gate.SHORT),
        faults=faults,
        usual=_ranges(raw["usual"], where),
        runs=gate.whole(raw["runs"], where, least=0, most=100_000),
    )


def _ranges(value: object, where: str) -> dict[str, tuple[float, float]]:
    ranges = {}
    for name, raw in gate.mapping(value, where).items():
        pair = gate.listing(raw, where, most=2)
        if len(pair) != 2:
            raise gate.bad(where, "a usual range needs two numbers.", "Tune the machine again.")
        low = gate.number(pair[0], where)
        key = gate.text(name, where, most=gate.SHORT)
        ranges[key] = (low, gate.number(pair[1], where, least=low))
    return ranges


def put_limits(book: Logbook, tag: str, raw: Mapping[str, Any], *, keep: bool = False) -> None:
    """Store limits in place of older ones (``keep``: only where there are none)."""
    limits = from_object(raw, tag, f"Limits of {gate.shown(tag)}")
    how = "OR IGNORE" if keep else "OR REPLACE"
    with book.writing() as db:
        db.execute(
            f"INSERT {how} INTO limits (machine_id, phone, stage, made_at, limits)"  # noqa: S608
            " VALUES (?, ?, ?, ?, ?)",
            (
                machine_id(book, tag),
                limits.phone,
                limits.stage,
                raw["made_at"],
                json.dumps(raw, allow_nan=False),
            ),
        )


def limits_of(book: Logbook, tag: str) -> tuple[Mapping[str, Any], ...]:
    """All limits of a machine as they are stored."""
    rows = book.rows(
        "SELECT limits FROM limits WHERE machine_id = ? ORDER BY phone, stage",
        machine_id(book, tag),
    )
    return tuple(json.loads(row["limits"]) for row in rows)


def stored_for(
    book: Logbook, tag: str, *, phone: str | None, stage: str
) -> Mapping[str, Any] | None:
    """Find the stored limits of a phone and stage, whatever baseline they belong to."""
    for raw in limits_of(book, tag):
        if raw["stage"] == stage and raw["phone"] == (phone or ""):
            return raw
    return None


def limits_for(
    book: Logbook, tag: str, *, phone: str | None, stage: str, baseline: str | None
) -> Limits | None:
    """Find the limits that serve a clip of that phone and stage.

    ``baseline`` is the start of the present one (``baseline.baseline_of``): limits made
    before new parts were fitted do not serve.
    """
    raw = stored_for(book, tag, phone=phone, stage=stage)
    if raw is None or raw["baseline"] != baseline:
        return None
    return from_object(raw, tag, f"Limits of {gate.shown(tag)}")


def drop_limits(book: Logbook, tag: str, *, phone: str | None, stage: str | None) -> int:
    """Forget limits; None stands for every phone or stage. Returns how many there were."""
    with book.writing() as db:
        cursor = db.execute(
            "DELETE FROM limits WHERE machine_id = ? AND (? IS NULL OR phone = ?)"
            " AND (? IS NULL OR stage = ?)",
            (machine_id(book, tag), phone, phone, stage, stage),
        )
        return cursor.rowcount
