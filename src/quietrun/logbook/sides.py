"""Clips for ``compare``: from files, with what the logbook knows of them, or from the book."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from quietrun.compare.reading import side_of_file
from quietrun.compare.types import Side
from quietrun.errors import UsageError
from quietrun.logbook.baseline import own_limits
from quietrun.logbook.clips import clip_by_name, hash_file, machine_of
from quietrun.logbook.machines import machine
from quietrun.logbook.store import Logbook
from quietrun.logbook.types import ClipRecord
from quietrun.machine import Machine


def sides_of(
    book: Logbook | None,
    names: Sequence[str],
    *,
    stages: Sequence[str] = (),
    phones: Sequence[str] = (),
    base: Machine | None = None,
) -> tuple[Side, ...]:
    """Read clips for comparing.

    Parameters
    ----------
    book : None where there is none
    names : files, or clips of the book by hash or path
    stages, phones : one for all or one for each name; what the book says otherwise
    base : what is known of a machine that is not in the book

    Raises
    ------
    UsageError
        A name that is neither, or a wrong number of stages or phones.
    """
    stage_of, phone_of = _each(stages, names, "--stage"), _each(phones, names, "--phone")
    return tuple(
        _side(book, name, stage, phone, base or Machine())
        for name, stage, phone in zip(names, stage_of, phone_of, strict=True)
    )


def _each(given: Sequence[str], names: Sequence[str], option: str) -> list[str | None]:
    if len(given) not in (0, 1, len(names)):
        raise UsageError(
            f"{option} is given {len(given)} times for {len(names)} clips.",
            "It is not clear which belongs to which.",
            "Give it once for all, or once for each clip in their order.",
        )
    return list(given) if len(given) == len(names) else [*given, None][:1] * len(names)


def _side(
    book: Logbook | None, name: str, stage: str | None, phone: str | None, base: Machine
) -> Side:
    known = _known(book, name)
    if known is None or book is None:
        return side_of_file(name, _machine(base, stage, phone))
    if Path(name).is_file():
        return _fresh(book, known, name, stage, phone)
    record = known.latest
    if record is None:
        raise UsageError(
            f"{name} was never judged.", "There is nothing to compare.", "Add the file again."
        )
    return Side(
        name=known.path,
        report=record.report,
        evidence=record.evidence,
        bands=record.bands,
        phone=known.phone,
        temperature=known.temperature,
        burr_setting=known.burr_setting or None,
        day=known.when.day,
        parts_changed=known.parts_changed,
    )


def _known(book: Logbook | None, name: str) -> ClipRecord | None:
    if Path(name).is_file():
        if book is None:
            return None
        found = book.row("SELECT sha256 FROM clips WHERE sha256 = ?", hash_file(Path(name)))
        return None if found is None else clip_by_name(book, found["sha256"])
    if book is None:
        raise UsageError(
            f"There is no file {name}.", "And there is no logbook to find it in.", "Check the name."
        )
    return clip_by_name(book, name)


def _machine(base: Machine, stage: str | None, phone: str | None) -> Machine:
    return Machine(
        id=base.id,
        mains_hz=base.mains_hz,
        poles=base.poles,
        stage=stage or base.stage,
        bearings=base.bearings,
        fan_blades=base.fan_blades,
        phone=phone or base.phone,
    )


def _fresh(
    book: Logbook, known: ClipRecord, path: str, stage: str | None, phone: str | None
) -> Side:
    """Judge the file now, with the present model, and what the book knows beside it."""
    tag = machine_of(book, known)
    used = stage or known.stage
    held = phone or known.phone
    return side_of_file(
        path,
        machine(book, tag).machine(used, held),
        limits=own_limits(book, tag, phone=held, stage=used),
        temperature=known.temperature,
        burr_setting=known.burr_setting or None,
        day=known.when.day,
        parts_changed=known.parts_changed,
    )
