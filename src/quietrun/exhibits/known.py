"""What the logbook knows of a clip: machine, own limits, date, note, a quiet run of its own."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path

from quietrun.errors import UsageError
from quietrun.exhibits.passages import Quiet
from quietrun.exhibits.quiet import quiet_example, quiet_run
from quietrun.judge import Limits
from quietrun.logbook.baseline import baseline_clips, own_limits
from quietrun.logbook.clips import clip_by_name, hash_file, machine_of
from quietrun.logbook.dates import date_visit
from quietrun.logbook.machines import machine
from quietrun.logbook.store import Logbook
from quietrun.logbook.types import ClipRecord
from quietrun.machine import Machine
from quietrun.report.exhibit import Told

_SOURCES = {
    "given": "",
    "file_name": "by the file name",
    "container": "by the recorder's clock",
    "file_time": "by the time of the file",
}


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a clip before it is read.

    Attributes
    ----------
    machine : Machine
    limits : the machine's own, or None
    record : the clip in the book, or None
    """

    machine: Machine
    limits: Limits | None
    record: ClipRecord | None


def known_of(
    book: Logbook | None, path: str, told: Machine, *, tag: str | None, stage: str | None
) -> Known:
    """Put together what options and logbook say; the options win.

    Parameters
    ----------
    book : None where there is none
    path : of the clip
    told : by options and machine file
    tag : of the machine, as told; else the book's where it holds the clip
    stage : as told; else the book's

    Raises
    ------
    UsageError
        The book holds the clip under another machine than the one told.
    """
    record = _record(book, path)
    held = None if record is None or book is None else machine_of(book, record)
    if tag and held and tag.casefold() != held.casefold():
        raise UsageError(
            f"{path} is in the logbook as a clip of {held}, not of {tag}.",
            "A page must not name the wrong machine.",
            f"Leave --machine out, or say --machine {held}",
        )
    name = held or tag or told.id
    used = stage or (record.stage if record else told.stage)
    phone = told.phone or (record.phone if record else None)
    told = dataclasses.replace(told, id=name, stage=used, phone=phone)
    if book is None or name is None or not _in_book(book, name):
        return Known(told, None, record)
    base = machine(book, name).machine(used, phone)
    full = dataclasses.replace(
        base,
        mains_hz=told.mains_hz if told.mains_hz is not None else base.mains_hz,
        poles=told.poles if told.poles is not None else base.poles,
        bearings=told.bearings or base.bearings,
        fan_blades=told.fan_blades if told.fan_blades is not None else base.fan_blades,
    )
    limits = own_limits(book, name, phone=full.phone, stage=full.stage)
    return Known(full, limits, record)


def _in_book(book: Logbook, tag: str) -> bool:
    try:
        machine(book, tag)
    except UsageError:
        return False
    return True


def _record(book: Logbook | None, path: str) -> ClipRecord | None:
    if book is None or not Path(path).is_file():
        return None
    found = book.row("SELECT sha256 FROM clips WHERE sha256 = ?", hash_file(Path(path)))
    return None if found is None else clip_by_name(book, found["sha256"])


def told_of(known: Known, path: str, recorded_at: str | None, note: str = "") -> Told:
    """Date and note of a clip, from the book or else from the file."""
    record = known.record
    when = record.when if record is not None else date_visit(path, recorded_at=recorded_at)
    source = _SOURCES.get(when.source, when.source)
    if when.source == "container" and not when.zone_known:
        source = f"{source}, whose zone is not known"
    at = when.day if when.at[11:19] == "00:00:00" else when.at
    told = note or (record.note if record is not None else "")
    if known.limits is None:
        return Told(at, source, told)
    return Told(at, source, told, f"the machine's own, from {known.limits.runs} quiet runs")


def own_quiet(book: Logbook | None, known: Known) -> tuple[ClipRecord, ...]:
    """Quiet clips of this machine, stage and phone since the last new parts, the surest first."""
    if book is None or not known.machine.id or not _in_book(book, known.machine.id):
        return ()
    own = baseline_clips(
        book, known.machine.id, stage=known.machine.stage, phone=known.machine.phone
    )
    mine = known.record.sha256 if known.record is not None else None
    ranked = sorted(own, key=lambda clip: (not clip.confirmed_quiet, clip.when.at))
    return tuple(clip for clip in ranked if clip.sha256 != mine and _quiet(clip))


def quiet_of(book: Logbook | None, known: Known) -> Quiet | None:
    """A quiet run of this machine whose file is still there, else the shipped example."""
    for clip in own_quiet(book, known):
        if _same_file(clip):
            words = "confirmed quiet" if clip.confirmed_quiet else "judged quiet"
            source = f"this machine's own run of {clip.when.day}, {words}"
            found = quiet_run(clip.path, known.machine, source)
            if found is not None:
                return found
    return quiet_example()


def _quiet(clip: ClipRecord) -> bool:
    if clip.confirmed_faults:
        return False
    return clip.confirmed_quiet or (clip.latest is not None and clip.latest.verdict == "quiet")


def _same_file(clip: ClipRecord) -> bool:
    path = Path(clip.path)
    return path.is_file() and hash_file(path) == clip.sha256
