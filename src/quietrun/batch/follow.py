"""Watch a folder that a phone syncs into, and judge each clip once it is complete.

The folder is looked through again and again: that works on every disk, also on a network's. A
clip is complete when its size and time have stood still for a while and its container says
that all of it is there; one whose container never says so is judged after a longer while, so
that a cut recording gets its row too. Placeholders of a cloud are never opened.
"""

from __future__ import annotations

import os
import stat
import struct
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, NamedTuple

from quietrun.batch.find import find_clips, in_the_cloud
from quietrun.batch.plan import item_in
from quietrun.batch.run import Batch
from quietrun.batch.types import Listener, Outcome, Outputs, Settings
from quietrun.clip.headers import read_promise
from quietrun.clip.kinds import HEAD_BYTES, sniff

EVERY_S = 2.0
#: A file that did not change for so long is taken to be written.
SETTLE_S = 4.0
#: One that still looks incomplete is judged as it is after so long.
PATIENCE_S = 300.0

_STREAMED = 0x7FFFF000  # RIFF sizes from here on mean "not known when the header was written"


class _Look(NamedTuple):
    size: int
    changed_ns: int


@dataclass(slots=True)
class _Seen:
    look: _Look
    since_s: float
    judged: bool = False


@dataclass(slots=True)
class Watch:
    """What a folder looked like so far.

    Attributes
    ----------
    folder : str
    leave_out : outputs of the batch
    note : told once why a file waits
    settle_s, patience_s : s
    """

    folder: str
    leave_out: tuple[Path, ...]
    note: Callable[[str], None]
    settle_s: float = SETTLE_S
    patience_s: float = PATIENCE_S
    _seen: dict[str, _Seen] = field(default_factory=dict)
    _told: set[tuple[str, str]] = field(default_factory=set)

    def ready(self, now_s: float) -> list[str]:
        """Look once; paths of clips that have become complete, or changed since they were."""
        paths, skipped = find_clips(self.folder, leave_out=self.leave_out)
        for one in skipped:
            if "cloud" in one.why or "under way" in one.why or "cannot" in one.why:
                self._tell(one.path, one.why)
        return [path for path in paths if self._is_ready(path, now_s)]

    def _tell(self, path: str, why: str) -> None:
        if (path, why) not in self._told:
            self._told.add((path, why))
            self.note(f"Waiting for {path}: {why}")

    def _is_ready(self, path: str, now_s: float) -> bool:
        try:
            now = os.stat(path)
        except OSError:
            return False
        if in_the_cloud(now):
            self._tell(path, "still in the cloud, only its placeholder is here")
            return False
        look = _Look(now.st_size, now.st_mtime_ns)
        seen = self._seen.get(path)
        if seen is None or seen.look != look:
            seen = self._seen[path] = _Seen(look, now_s)
        if seen.judged or now_s - seen.since_s < self.settle_s:
            return False
        if not looks_whole(path) and now_s - seen.since_s < self.patience_s:
            self._tell(path, "only a part of it is here, a copy may be under way")
            return False
        seen.judged = True
        return True


def follow(
    folder: str,
    outputs: Outputs,
    settings: Settings,
    listener: Listener,
    *,
    stop: Callable[[], bool] = lambda: False,
    every_s: float = EVERY_S,
    settle_s: float = SETTLE_S,
    patience_s: float = PATIENCE_S,
) -> Outcome:
    """Judge what is in a folder and what comes into it, until stopped.

    Parameters
    ----------
    folder, outputs, settings, listener : as for ``run_batch``
    stop : asked between looks; Ctrl-C stops too, and loses nothing
    every_s, settle_s, patience_s : s

    Raises
    ------
    UsageError
        As ``run_batch``.
    """
    watch = Watch(folder, outputs.paths, listener.note, settle_s, patience_s)
    with Batch(outputs, settings, listener) as batch:
        try:
            while not stop():
                ready = watch.ready(time.monotonic())
                if ready:
                    batch.judge([item_in(folder, path) for path in ready], careful=True)
                    batch.finish()
                time.sleep(every_s)
        except KeyboardInterrupt:
            batch.settle()
            listener.note("Stopped; every clip that was done has its row.")
        batch.finish()
        return batch.outcome()


def looks_whole(path: str) -> bool:
    """Tell whether all that a container speaks of is in the file; True where it cannot say."""
    try:
        if not stat.S_ISREG(os.stat(path).st_mode):
            return True
        with open(path, "rb") as file:
            size = os.fstat(file.fileno()).st_size
            if size == 0:
                return False
            kind = sniff(file.read(HEAD_BYTES))
            if kind.name == "mp4":
                return _boxes_whole(file, size)
            if kind.name in ("wav", "aiff"):
                return _chunk_whole(file, size)
            promise = read_promise(file, kind)
            return not (promise.unclosed or promise.index_missing)
    except OSError:
        return False


def _boxes_whole(file: BinaryIO, size: int) -> bool:
    """ISO 14496-12: the boxes of the file end where it ends, and the index is one of them."""
    place, index = 0, False
    while place + 8 <= size:
        file.seek(place)
        length, name = struct.unpack(">I4s", file.read(8))
        if length == 1 and place + 16 <= size:
            length = struct.unpack(">Q", file.read(8))[0]
        elif length == 0:
            length = size - place
        index = index or name in (b"moov", b"moof")
        if length < 8:
            return False
        place += length
    return index and place == size


def _chunk_whole(file: BinaryIO, size: int) -> bool:
    """RIFF and IFF: the size of the form is that of the file (0 or huge: never closed)."""
    file.seek(0)
    head = file.read(8)
    if len(head) < 8:
        return False
    order = "<" if head[:4] == b"RIFF" else ">"
    (length,) = struct.unpack(f"{order}I", head[4:])
    if head[:4] == b"RIFF" and length >= _STREAMED:
        return True
    return bool(0 < length <= size - 8 + 1)  # a last odd byte may lack its pad
