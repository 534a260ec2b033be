"""One batch at a time on one output: a lock file beside it.

The system's own file lock decides (it ends with the process, however that ends); the process
number in the file is for the message. Where the disk has no such locks the number decides.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import socket
from collections.abc import Iterator
from pathlib import Path

from quietrun.errors import UsageError

_UNSUPPORTED = {errno.ENOLCK, errno.ENOSYS, errno.EINVAL, getattr(errno, "ENOTSUP", errno.EINVAL)}


def lock_path(target: Path) -> Path:
    """Where the lock of an output lies."""
    return target.with_name(target.name + ".lock")


@contextlib.contextmanager
def locked(target: Path) -> Iterator[bool]:
    """Hold the lock of an output.

    Yields
    ------
    bool
        True when an earlier batch left its lock behind: it was killed.

    Raises
    ------
    UsageError
        Another batch holds it, or the folder cannot be written.
    """
    path = lock_path(target)
    fd = _open_held(path, target)
    try:
        stale = os.fstat(fd).st_size > 0
        _write_owner(fd)
        yield stale
    finally:
        with contextlib.suppress(OSError):
            path.unlink()
        os.close(fd)


def _open_held(path: Path, target: Path) -> int:
    while True:
        try:
            fd = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        except OSError as error:
            raise cannot_write(target, error) from None
        try:
            if not _take(fd):
                raise _busy(fd, target)
            if _is_still(fd, path):
                return fd
        except BaseException:
            os.close(fd)
            raise
        os.close(fd)  # the owner removed it while we waited: begin again


def _is_still(fd: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(fd), os.stat(path))
    except OSError:
        return False


def _take(fd: int) -> bool:
    """Take the lock without waiting; False when another process has it."""
    try:
        _system_lock(fd)
    except OSError as error:
        if error.errno not in _UNSUPPORTED:
            return False
        return not _owner_lives(fd)
    return True


def _system_lock(fd: int) -> None:
    if os.name == "nt":
        import msvcrt

        # Far beyond the text, which others must be able to read.
        os.lseek(fd, 1 << 20, os.SEEK_SET)
        msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
    else:
        import fcntl

        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _write_owner(fd: int) -> None:
    text = json.dumps({"pid": os.getpid(), "host": socket.gethostname()}) + "\n"
    # A full disk must not stop us here: the first row will say it better.
    with contextlib.suppress(OSError):
        os.ftruncate(fd, 0)
        os.lseek(fd, 0, os.SEEK_SET)
        os.write(fd, text.encode("ascii", "replace"))


def _owner(fd: int) -> tuple[int | None, str]:
    try:
        os.lseek(fd, 0, os.SEEK_SET)
        raw = json.loads(os.read(fd, 1000))
        return int(raw["pid"]), str(raw["host"])
    except (OSError, ValueError, KeyError, TypeError):
        return None, ""


def _owner_lives(fd: int) -> bool:
    """Tell whether the process named in the file may still be at work."""
    pid, host = _owner(fd)
    if pid is None:
        return False
    if host != socket.gethostname() or os.name == "nt":  # there, signal 0 would end it
        return True
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _busy(fd: int, target: Path) -> UsageError:
    pid, host = _owner(fd)
    who = f"process {pid} on {host}" if pid else "another process"
    return UsageError(
        f"Another batch is writing {target} ({who}).",
        "Two at once would write every clip twice.",
        f"Wait until it is done or stop it, or choose another -o. (Its lock: {lock_path(target)})",
    )


def cannot_write(path: Path, error: OSError) -> UsageError:
    """Say in plain words why an output cannot be written, and what to do."""
    if error.errno in (errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)):
        return UsageError(
            f"{path} cannot be written: the disk is full.",
            "The rows written so far are whole; the clip under way has none yet.",
            "Free some space and give the same command again: it does only what is missing.",
        )
    if error.errno in (errno.EROFS, errno.EACCES, errno.EPERM):
        return UsageError(
            f"{path} cannot be written: {(error.strerror or 'no access').lower()}.",
            "The folder or the file is read-only, or another program has it open.",
            "Choose a place you may write to with -o, or close the other program.",
        )
    if error.errno in (errno.ENOENT, errno.ENOTDIR):
        return UsageError(
            f"{path} cannot be written: there is no folder {path.parent}.",
            "Results need a folder to go to.",
            "Make the folder first, or check its name.",
        )
    return UsageError(
        f"{path} cannot be written: {(error.strerror or type(error).__name__).lower()}.",
        "The rows written so far are whole.",
        "Choose another place with -o and give the same command again.",
    )
