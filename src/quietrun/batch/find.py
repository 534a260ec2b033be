"""Find clips in a folder: by content, and by suffix where the content says nothing good.

A file with a recorder's suffix is always judged, so that a broken one gets its row. Any other
file counts when its first bytes are those of a sound or video file.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path

from quietrun.batch.types import Skipped
from quietrun.clip.kinds import HEAD_BYTES, UNKNOWN, sniff

_RECORDERS = (
    ".3ga .3gp .3g2 .aac .aif .aifc .aiff .amr .au .avi .awb .caf .flac .m4a .m4b .m4v .mka .mkv"
    " .mov .mp3 .mp4 .mpeg .mpg .oga .ogg .opus .qta .rf64 .snd .wav .wave .weba .webm .wma .wmv"
)
#: Suffixes of what phones, cameras, messengers and recorders write.
SUFFIXES = frozenset(_RECORDERS.split())
_ON_ITS_WAY = ".!sync .crdownload .download .filepart .part .partial .syncthing .tmp"
#: Suffixes of a file that is still being written.
UNFINISHED = frozenset(_ON_ITS_WAY.split())

_MAC_DATALESS = 0x40000000  # SF_DATALESS, sys/stat.h of macOS (from memory)
# FILE_ATTRIBUTE_OFFLINE, _RECALL_ON_OPEN, _RECALL_ON_DATA_ACCESS (winnt.h, from memory)
_WINDOWS_AWAY = 0x1000 | 0x40000 | 0x400000

_BY_SYSTEM = frozenset({"desktop.ini", "thumbs.db", "ehthumbs.db", "icon\r"})
_FOLDERS_BY_SYSTEM = frozenset(
    {"__macosx", "$recycle.bin", "system volume information", "lost+found"}
)


def find_clips(folder: str, *, leave_out: Iterable[Path] = ()) -> tuple[list[str], list[Skipped]]:
    """Look through a folder and all below it.

    Parameters
    ----------
    folder : str
    leave_out : paths of the outputs of this batch

    Returns
    -------
    clips : list of str
        Paths below ``folder``, in order of name.
    skipped : list of Skipped
    """
    skipped: list[Skipped] = []
    own = {_real(path) for path in leave_out}
    clips = []
    for path in _walk(folder, skipped):
        why = "written by this batch" if _real(path) in own else why_not(path)
        if why:
            skipped.append(Skipped(path, why))
        else:
            clips.append(path)
    return clips, skipped


def _real(path: str | Path) -> str:
    return os.path.realpath(path)


def _walk(folder: str, skipped: list[Skipped]) -> Iterator[str]:
    def unreadable(error: OSError) -> None:
        why = (error.strerror or type(error).__name__).lower()
        skipped.append(Skipped(str(error.filename), f"a folder that cannot be listed: {why}"))

    for where, folders, names in os.walk(folder, onerror=unreadable):
        for name in sorted(folders):
            path = os.path.join(where, name)
            why = _why_not_folder(path, name)
            if why:
                folders.remove(name)
                skipped.append(Skipped(path, why))
        folders.sort()
        yield from (os.path.join(where, name) for name in sorted(names))


def _why_not_folder(path: str, name: str) -> str:
    if name.startswith("."):
        return "a hidden folder"
    if name.casefold() in _FOLDERS_BY_SYSTEM:
        return "a folder of the system"
    if os.path.islink(path):
        return "a link to a folder"
    return ""


def why_not(path: str) -> str:
    """Say why a file is no clip; empty when it is one."""
    name = os.path.basename(path)
    why = _by_name(name)
    if why:
        return why
    try:
        found = os.stat(path)
    except OSError:
        return "a link to nothing" if os.path.islink(path) else ""
    if not stat.S_ISREG(found.st_mode):
        return "a pipe or a device"
    if is_sound_name(name):
        return ""
    if in_the_cloud(found):
        return "still in the cloud: only its placeholder is here"
    try:
        with open(path, "rb") as file:
            kind = sniff(file.read(HEAD_BYTES))
    except OSError as error:
        return f"cannot be opened: {(error.strerror or type(error).__name__).lower()}"
    if kind == UNKNOWN:
        return "not a recording that is known here"
    return "" if kind.may_hold_sound else kind.title


def in_the_cloud(found: os.stat_result) -> bool:
    """Tell a placeholder of a sync program from a file that is here, without opening it."""
    if getattr(found, "st_flags", 0) & _MAC_DATALESS:
        return True
    return bool(getattr(found, "st_file_attributes", 0) & _WINDOWS_AWAY)


def is_sound_name(name: str) -> bool:
    """Tell whether a file is called like a recording (in any case)."""
    return os.path.splitext(name)[1].lower() in SUFFIXES


def _by_name(name: str) -> str:
    if name.startswith("._"):
        return "the hidden companion of a file, not the file"
    if name.startswith(".") and name.endswith(".icloud"):
        return "still in the cloud: only its placeholder is here"
    if name.startswith("."):
        return "a hidden file"
    if name.casefold() in _BY_SYSTEM:
        return "a file of the system"
    suffix = os.path.splitext(name)[1].lower()
    return "a copy under way" if suffix in UNFINISHED else ""
