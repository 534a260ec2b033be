"""Clips -> exhibits and before-and-after pictures of one page."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

from quietrun.compare.bands import bands_of
from quietrun.compare.same import BAND_CLEAR_DB, band_changes
from quietrun.compare.scatter import scatter_of
from quietrun.compare.types import Side
from quietrun.errors import UsageError
from quietrun.exhibits.gather import exhibit_of
from quietrun.exhibits.known import Known, known_of, own_quiet, quiet_of, told_of
from quietrun.logbook.store import Logbook, open_if_there
from quietrun.machine import Machine
from quietrun.report.contract import to_object
from quietrun.report.exhibit import BandsPicture, Exhibit


@dataclass(frozen=True, slots=True)
class Asked:
    """What the caller of a page told.

    Attributes
    ----------
    machine : by options and machine file
    tag : of the machine of all clips, or None
    stage : of all clips, or None
    note : for all clips
    sounds : False: pictures only, no voice of the shop on the page
    """

    machine: Machine
    tag: str | None = None
    stage: str | None = None
    note: str = ""
    sounds: bool = True


def exhibits_of(
    book: Logbook | None, paths: Sequence[str], asked: Asked
) -> tuple[tuple[Exhibit, ...], tuple[BandsPicture, ...]]:
    """Judge clips and make everything that a page shows of them.

    Raises
    ------
    UsageError
        The book knows a clip as another machine's.
    """
    made = []
    for path in paths:
        known = known_of(book, path, asked.machine, tag=asked.tag, stage=asked.stage)
        exhibit = exhibit_of(
            path,
            machine=known.machine,
            limits=known.limits,
            quiet=quiet_of(book, known) if asked.sounds else None,
            sounds=asked.sounds,
        )
        recorded = exhibit.analysis.source.recorded_at
        told = told_of(known, path, recorded, asked.note)
        made.append(dataclasses.replace(exhibit, told=told))
    if len(made) == 1:
        own = against_own(book, known, made[0])
        return tuple(made), () if own is None else (own,)
    return tuple(made), _before_after(made)


def exhibit_alone(path: str, machine: Machine) -> Exhibit:
    """Judge a clip by the options alone, as ``check`` does; the book gives a quiet run and a date.

    The limits stay those of the general model: page and text must say the same.
    """
    try:
        with open_if_there(None) as book:
            known = known_of(book, path, machine, tag=None, stage=machine.stage)
            quiet = quiet_of(book, known)
    except UsageError:  # a book that cannot be used does not keep a clip from being judged
        known = known_of(None, path, machine, tag=None, stage=machine.stage)
        quiet = quiet_of(None, known)
    exhibit = exhibit_of(path, machine=machine, quiet=quiet)
    known = dataclasses.replace(known, limits=None)
    told = told_of(known, path, exhibit.analysis.source.recorded_at)
    return dataclasses.replace(exhibit, told=told)


def _before_after(exhibits: Sequence[Exhibit]) -> tuple[BandsPicture, ...]:
    """Each clip against the one before it of the same named machine and stage."""
    pictures: list[BandsPicture] = []
    last: dict[tuple[str, str], Exhibit] = {}
    for exhibit in exhibits:
        machine = exhibit.analysis.machine
        if machine.id is None or exhibit.analysis.verdict.word == "unusable":
            continue
        key = (machine.id.casefold(), machine.stage)
        if key in last:
            picture = bands_picture(last[key], exhibit)
            if picture is not None:
                pictures.append(picture)
        last[key] = exhibit
    return tuple(pictures)


def bands_picture(before: Exhibit, after: Exhibit) -> BandsPicture | None:
    """Third octaves of two clips, as ``compare`` has them; None where they cannot be compared."""
    return _picture(_side(before), _side(after))


def against_own(book: Logbook | None, known: Known, exhibit: Exhibit) -> BandsPicture | None:
    """Third octaves against the machine's own quiet run, as the book holds it."""
    if exhibit.analysis.verdict.word == "unusable":
        return None
    for clip in own_quiet(book, known):
        record = clip.latest
        if record is not None and record.bands:
            before = Side(
                name=f"its quiet run of {clip.when.day}",
                report=record.report,
                evidence=record.evidence,
                bands=record.bands,
                phone=clip.phone,
            )
            return _picture(before, _side(exhibit))
    return None


def _picture(one: Side, other: Side) -> BandsPicture | None:
    known = scatter_of(other.stage)
    clear_db = BAND_CLEAR_DB if known.band_db is None else 1.96 * known.band_db
    changes, against = band_changes(one, other, clear_db)
    if not changes:
        return None
    return BandsPicture(
        centres_hz=tuple(float(change.name.split()[0]) for change in changes),
        before_db=tuple(change.before for change in changes),
        after_db=tuple(change.after for change in changes),
        clear=tuple(change.clear for change in changes),
        before=one.name,
        after=other.name,
        against=against,
        clear_db=clear_db,
    )


def _side(exhibit: Exhibit) -> Side:
    analysis = exhibit.analysis
    path = analysis.source.path
    evidence = analysis.evidence
    numbers = {} if evidence is None else {n: evidence.number(n) for n in evidence.values}
    return Side(
        name=path.replace("\\", "/").rsplit("/", 1)[-1],
        report=to_object(analysis),
        evidence=numbers,
        bands=bands_of(path, analysis.run, analysis.fitness.bandwidth_hz),
        phone=analysis.machine.phone,
    )
