"""Writing what a report makes: whole or not at all, and never over something else.

A page and a picture carry the program's name; what does not carry it is not written over, so
that a slip on the command line cannot cost a recording.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from quietrun.errors import UsageError
from quietrun.report.exhibit import Exhibit, Passage, Sound
from quietrun.report.page_sound import wav

_HEAD_BYTES = 4096
PAGE_MARKS = (b'<meta name="generator" content="quietrun',)
PICTURE_MARKS = (b"quietrun",)
_KIND_WORDS = {
    "heard": "",
    "slowed": "_4x_slower",
    "quiet": "_quiet_machine",
    "quiet_slowed": "_quiet_machine_4x_slower",
}


@dataclass(frozen=True, slots=True)
class Written:
    """Sound files that were written, and what each holds."""

    path: Path
    what: str


def check_page_place(path: str | os.PathLike[str]) -> Path:
    """Say no to a place where no page can or may be written, before any work is done.

    Raises
    ------
    UsageError
    """
    return _check(path, (".html", ".htm"), PAGE_MARKS, "page")


def check_picture_place(path: str | os.PathLike[str]) -> Path:
    """Say no to a place where no picture can or may be written; see ``check_page_place``."""
    return _check(path, (".png",), PICTURE_MARKS, "picture")


def check_sound_folder(folder: str | os.PathLike[str]) -> Path:
    """Say no to a folder that holds something already: its files could be recordings.

    Raises
    ------
    UsageError
    """
    place = Path(folder)
    _check_parent(place)
    try:
        taken = place.exists() and (not place.is_dir() or any(place.iterdir()))
    except OSError as error:
        raise _cannot(place, error) from None
    if taken:
        raise UsageError(
            f"{place} is there already and holds something.",
            "Sounds would be mixed with other files, or written over them.",
            "Name a new or empty folder.",
        )
    return place


def _check(
    path: str | os.PathLike[str], endings: tuple[str, ...], marks: tuple[bytes, ...], what: str
) -> Path:
    place = Path(path)
    if place.suffix.lower() not in endings:
        raise UsageError(
            f"{place.name} does not end in {endings[0]}.",
            "The end of the name tells other programs what is in it.",
            f"Name it {place.with_suffix(endings[0]).name}",
        )
    _check_parent(place)
    try:
        with open(place, "rb") as file:
            head = file.read(_HEAD_BYTES)
    except FileNotFoundError:
        return place
    except OSError as error:
        raise _cannot(place, error) from None
    if head and not any(mark in head for mark in marks):
        raise UsageError(
            f"{place} is there already, and quietrun did not make it.",
            f"The {what} would be written over it.",
            "Choose another name, or move the file away.",
        )
    return place


def _check_parent(place: Path) -> None:
    parent = place.parent
    if not parent.is_dir():
        raise UsageError(
            f"There is no folder {parent}.",
            "Nothing was written.",
            f"Make it first, or name a file in a folder that is there: {place.name}",
        )


def _cannot(path: Path, error: OSError) -> UsageError:
    return UsageError(
        f"{path} cannot be written: {error.strerror or error}.",
        "Nothing was written.",
        "Name a place with room on the disk that you may write to.",
    )


def write_whole(path: Path, content: bytes) -> None:
    """Write a file whole, or not at all.

    Raises
    ------
    UsageError
    """
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        part.write_bytes(content)
        os.replace(part, path)
    except OSError as error:
        raise _cannot(path, error) from None
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def write_page(path: str | os.PathLike[str], page: str) -> None:
    """Write a page.

    Raises
    ------
    UsageError
        It cannot be written, or something else has that name.
    """
    write_whole(check_page_place(path), page.encode("utf-8", "backslashreplace"))


def write_sounds(folder: str | os.PathLike[str], exhibits: Sequence[Exhibit]) -> list[Written]:
    """Write the sounds of clips as wav files; of several clips each in a folder of its own.

    Raises
    ------
    UsageError
        The folder holds something, or cannot be written to.
    """
    place = check_sound_folder(folder)
    made: list[Written] = []
    for i, exhibit in enumerate(exhibits, start=1):
        where = place
        if len(exhibits) > 1:
            where = place / f"{i}_{_plain(Path(exhibit.analysis.source.path).stem)}"
        try:
            where.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise _cannot(where, error) from None
        made += _write_clip(where, exhibit)
    return made


def _write_clip(where: Path, exhibit: Exhibit) -> list[Written]:
    made = []
    if exhibit.whole is not None:
        made.append(_write(where / "0_whole_clip.wav", exhibit.whole, exhibit.whole.what))
    for number, passage in enumerate(exhibit.passages, start=1):
        for sound in passage.sounds:
            name = sound_name(number, passage, sound)
            made.append(_write(where / name, sound, f"{passage.says} ({sound.what})"))
    return made


def _write(path: Path, sound: Sound, what: str) -> Written:
    write_whole(path, wav(sound))
    return Written(path, what)


def sound_name(number: int, passage: Passage, sound: Sound) -> str:
    """Plain file name: ``1_bearing_noise_growl_2.0-4.0_kHz_4x_slower.wav``."""
    lo, hi = (hz / 1000.0 for hz in passage.band_hz)
    band = f"{lo:.1f}-{hi:.1f}_kHz"
    words = f"{number}_{passage.fault}_{_plain(passage.short)}_{band}"
    return f"{words}{_KIND_WORDS[sound.kind]}.wav"


def _plain(text: str) -> str:
    """Letters, digits and underscores only: good on every file system."""
    return re.sub(r"[^A-Za-z0-9]+", "_", text).strip("_")[:60] or "clip"
