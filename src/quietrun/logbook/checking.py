"""Is the book sound? Damage, contradictions, and what was judged by different models."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from quietrun.errors import UsageError
from quietrun.logbook.clips import clean_analysis, clips
from quietrun.logbook.dates import utc
from quietrun.logbook.limits import from_object, limits_of
from quietrun.logbook.machines import clean_machine, machine, machines
from quietrun.logbook.store import Logbook
from quietrun.logbook.types import ClipRecord
from quietrun.words import POSSIBLE


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing found. ``serious`` ones make the check fail."""

    serious: bool
    what: str
    do: str


def check_book(book: Logbook) -> tuple[Remark, ...]:
    """Look through the whole book.

    Returns
    -------
    tuple of Remark
        Serious ones first; empty for a sound book.
    """
    found = _damage(book)
    if not found:
        tags = [row["tag"] for row in book.rows("SELECT tag FROM machines ORDER BY tag")]
        found = [remark for tag in tags for remark in _machine(book, tag)]
        if not any(remark.serious for remark in found):
            found += _models(book)
    return tuple(sorted(found, key=lambda remark: not remark.serious))


def _damage(book: Logbook) -> list[Remark]:
    said = [row[0] for row in book.rows("PRAGMA integrity_check(20)")]
    found = [Remark(True, f"The file is damaged: {text}.", _BACK) for text in said if text != "ok"]
    for row in book.rows("PRAGMA foreign_key_check"):
        found.append(Remark(True, f"An entry of {row[0]} belongs to nothing.", _BACK))
    return found


_BACK = "Put back a copy of the file, or import an export into a new --home."


def _machine(book: Logbook, tag: str) -> list[Remark]:
    found: list[Remark] = []
    try:
        clean_machine(machine(book, tag))
        for raw in limits_of(book, tag):
            from_object(raw, tag, f"Limits of {tag}")
    except (UsageError, ValueError, KeyError, TypeError) as error:
        found.append(Remark(True, f"Machine {tag}: {_first(error)}", _BACK))
    try:
        held = clips(book, tag)
    except (UsageError, ValueError, KeyError, TypeError) as error:
        return [*found, Remark(True, f"Clips of {tag} cannot be read: {_first(error)}", _BACK)]
    for clip in held:
        found += _clip(tag, clip)
    return found


def _first(error: Exception) -> str:
    return error.what if isinstance(error, UsageError) else str(error)


def _clip(tag: str, clip: ClipRecord) -> list[Remark]:
    name = f"{tag}, clip {clip.path} ({clip.sha256[:8]})"
    found: list[Remark] = []
    for record in clip.analyses:
        try:
            clean_analysis(record, name)
        except UsageError as error:
            found.append(Remark(True, error.what, "Judge the clip again."))
            continue
        judged = (record.report.get("machine") or {}).get("stage")
        if record is clip.latest and judged not in (None, clip.stage):
            found.append(
                Remark(
                    False,
                    f"{name} was judged as {judged} but is kept as {clip.stage}.",
                    f"Judge it again: quietrun logbook add --stage {clip.stage}.",
                )
            )
    for what in clip.confirmed_faults:
        if what not in POSSIBLE[clip.stage]:
            found.append(
                Remark(True, f"{name}: {what} is confirmed, but {clip.stage} cannot have it.", _SAY)
            )
    if clip.confirmed_quiet and clip.confirmed_faults:
        found.append(Remark(True, f"{name} is confirmed as quiet and as faulty.", _SAY))
    if datetime.fromisoformat(utc(clip.when.at)) > datetime.now(UTC) + timedelta(days=1):
        found.append(Remark(False, f"{name} is dated in the future.", "Add it again with --date."))
    if not clip.analyses:
        found.append(Remark(False, f"{name} was never judged.", "Add the file again."))
    if not Path(clip.path).exists():
        found.append(
            Remark(False, f"{name} is no longer where it was.", "Add it again from its new place.")
        )
    return found


def check_object(book: Logbook) -> dict[str, Any]:
    """Look through the whole book; a JSON object."""
    counts = {
        name: len(book.rows(f"SELECT id FROM {name}"))  # noqa: S608
        for name in ("machines", "clips")
    }
    return {
        "schema": "quietrun/logbook-check-1",
        "logbook": str(book.path),
        **counts,
        "remarks": [asdict(remark) for remark in check_book(book)],
    }


_SAY = "Correct it with quietrun logbook confirm --replace."


def _models(book: Logbook) -> list[Remark]:
    """Scores of different models do not compare."""
    count: Counter[str] = Counter()
    for record in machines(book):
        count.update(c.latest.model_sha256 for c in clips(book, record.tag) if c.latest)
    if len(count) < 2:
        return []
    text = ", ".join(f"{n} by {sha[:8]}" for sha, n in count.most_common())
    return [
        Remark(
            False,
            f"Clips were judged by {len(count)} models ({text}); their scores do not compare.",
            "Add the older clips again to judge them with the present model.",
        )
    ]
