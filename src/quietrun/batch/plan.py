"""From what the user gave (folder, manifest, list of names) to a plan."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable
from pathlib import Path, PurePath

from quietrun.batch.find import find_clips
from quietrun.batch.manifest import item_of, read_manifest
from quietrun.batch.names import Said, said_by_name, said_by_path
from quietrun.batch.types import Item, Outputs, Plan
from quietrun.clip.kinds import HEAD_BYTES, sniff
from quietrun.errors import UsageError
from quietrun.machine import Machine


def plan_for(source: str, *, outputs: Outputs | None = None) -> Plan:
    """Find out what there is to judge.

    Parameters
    ----------
    source : a folder, a manifest, or ``"-"`` for names on standard input
    outputs : of this batch: they are no clips, and must not be the manifest

    Raises
    ------
    UsageError
        Nothing there, no clips in it, or a mistake in the manifest.
    """
    own = outputs.paths if outputs else ()
    if source == "-":
        return plan_list(sys.stdin.buffer.read())
    if os.path.isdir(source):
        return plan_folder(source, leave_out=own)
    if os.path.realpath(source) in map(os.path.realpath, own):
        raise UsageError(
            f"{source} is both the manifest and an output.",
            "It would be written over.",
            "Give the output another name.",
        )
    if not os.path.lexists(source):
        raise UsageError(
            f"There is no folder or manifest {source}.",
            "Nothing was judged.",
            "Check the name.",
        )
    _refuse_clip(source)
    return plan_manifest(source)


def _refuse_clip(path: str) -> None:
    try:
        with open(path, "rb") as file:
            kind = sniff(file.read(HEAD_BYTES))
    except OSError:
        return  # reading the manifest will say it
    if kind.name:
        raise UsageError(
            f"{path} is a clip: {kind.title}.",
            "A batch takes a folder of clips, or a manifest that names them.",
            f"To judge this one: quietrun check {path}",
        )


def folder_to_follow(source: str) -> str:
    """Check that a folder was given.

    Raises
    ------
    UsageError
        It is none: only a folder can be watched.
    """
    if not os.path.isdir(source):
        raise UsageError(
            f"{source} is no folder.",
            "Only a folder can be watched for clips that come into it.",
            "Give the folder that the phone syncs into, or leave --follow out.",
        )
    return source


def plan_folder(folder: str, *, leave_out: Iterable[Path] = ()) -> Plan:
    """Plan for all clips below a folder.

    Raises
    ------
    UsageError
        There are none.
    """
    clips, skipped = find_clips(folder, leave_out=leave_out)
    if not clips:
        others = "1 other file" if len(skipped) == 1 else f"{len(skipped)} other files"
        files = others if skipped else "nothing at all"
        why = "; ".join(f"{one.path}: {one.why}" for one in skipped[:3])
        raise UsageError(
            f"There are no clips in {folder}: {files} in it.",
            f"For example {why}." if why else "The folder is empty.",
            "Check the folder, or fetch the recordings first.",
        )
    items = tuple(item_in(folder, path) for path in clips)
    return Plan(folder, items, tuple(skipped))


def item_in(folder: str, path: str) -> Item:
    """Item for a clip below a folder, with what the names say."""
    return _item(path, said_by_path(PurePath(os.path.relpath(path, folder))))


def _item(path: str, said: Said) -> Item:
    return Item(
        path=path,
        machine=Machine(id=said.machine, stage=said.stage or "assembled"),
        date=said.date,
        date_from="folder" if said.date else "",
    )


def plan_manifest(path: str) -> Plan:
    """Plan for the clips that a manifest names; where it is silent, file names speak."""
    manifest = read_manifest(path)
    folder = os.path.dirname(path)
    items = []
    for entry in manifest.entries:
        item = item_of(entry, folder)
        said = said_by_name(os.path.basename(item.path))
        machine = Machine(
            id=item.machine.id or said.machine,
            mains_hz=item.machine.mains_hz,
            poles=item.machine.poles,
            stage=entry.stage or said.stage or "assembled",
            phone=item.machine.phone,
        )
        items.append(Item(item.path, machine, item.date, item.date_from, item.note))
    return Plan(path, tuple(items), notes=manifest.notes)


def plan_list(data: bytes) -> Plan:
    r"""Plan for names, one a line, or parted by zero bytes as ``find -print0`` writes them.

    Raises
    ------
    UsageError
        There are none.
    """
    separator = b"\0" if b"\0" in data else b"\n"
    names = [
        os.fsdecode(name.removesuffix(b"\r") if separator == b"\n" else name)
        for name in data.removeprefix(b"\xef\xbb\xbf").split(separator)
    ]
    paths = list(dict.fromkeys(name for name in names if name.strip()))
    if not paths:
        raise UsageError(
            "There are no names on standard input.",
            "With - a batch reads the names of its clips there, one a line.",
            "For example: find visits -name '*.m4a' | quietrun batch - -o week.jsonl",
        )
    return Plan("-", tuple(_item(path, said_by_name(os.path.basename(path))) for path in paths))
