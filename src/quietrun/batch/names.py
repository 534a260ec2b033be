"""What folder names and file names say: machine, stage and date.

Folders below the one given: one called like a stage (``motor_only``, ``Motor only``) sets the
stage, one with a date year-first (``2026-03-02``) the date, the first of another name is the
machine's tag. File names: ``MACHINE__STAGE__DATE__anything.m4a``, parted by two underscores;
the machine comes first, the others in any order, each may be left out. A date year-first is
found anywhere in a file name. The file name wins over folders, a manifest over both.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import PurePath

from quietrun.logbook.dates import in_file_name
from quietrun.words import STAGES

_ANYTHING = (
    "audio clips dcim download downloads inbox media music new_folder record recorder recordings"
    " sound sound_recordings sounds untitled_folder videos voice voice_memos voice_recorder"
    " voice_recordings week"
)
#: Names that phones, sync programs and people give to folders of anything.
_COMMON = frozenset(_ANYTHING.split())


@dataclass(frozen=True, slots=True)
class Said:
    """What names say; None where they say nothing."""

    machine: str | None = None
    stage: str | None = None
    date: str | None = None


def stage_of(text: str) -> str | None:
    """Read a stage however it is spelled: case, spaces and hyphens do not count."""
    word = re.sub(r"[\s-]+", "_", text.strip().lower())
    return word if word in STAGES else None


def _date_of(text: str) -> str | None:
    found = in_file_name(f"{text}.x")
    if found is None or found > datetime.now() + timedelta(days=1):  # a day to come is a name
        return None
    has_time = (found.hour, found.minute, found.second) != (0, 0, 0)
    return found.isoformat(timespec="seconds") if has_time else found.date().isoformat()


def _is_common(text: str) -> bool:
    return re.sub(r"[\s-]+", "_", text.strip().lower()) in _COMMON


def said_by_folders(parts: tuple[str, ...]) -> Said:
    """Read the folders between the one given and the file, outermost first."""
    said = Said()
    for part in parts:
        stage, date = stage_of(part), _date_of(part)
        if stage:
            said = replace(said, stage=stage)
        elif date:
            said = replace(said, date=date)
        elif said.machine is None and not _is_common(part):
            said = replace(said, machine=part.strip() or None)
    return said


def said_by_name(name: str) -> Said:
    """Read a file name of the pattern; the date is left to whoever dates the clip."""
    pieces = [piece.strip() for piece in PurePath(name).stem.split("__")]
    if len(pieces) < 2:
        return Said()
    first, others = pieces[0], pieces[1:]
    stages = [stage for stage in map(stage_of, others) if stage]
    machine = first if first and not stage_of(first) and not _date_of(first) else None
    return Said(machine=machine, stage=stages[0] if stages else stage_of(first))


def said_by_path(relative: PurePath) -> Said:
    """Put together what folders and file name say of a clip below the folder given."""
    folders, name = said_by_folders(relative.parts[:-1]), said_by_name(relative.name)
    return Said(
        machine=name.machine or folders.machine,
        stage=name.stage or folders.stage,
        date=None if in_file_name(relative.name) else folders.date,
    )
