"""What a worker does: judge one clip within its time, and hand back a row whatever happens.

A worker imports this module and, with the first clip, the pipeline; nothing else.
"""

from __future__ import annotations

import contextlib
import faulthandler
import importlib
import os
import signal
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from quietrun import __version__
from quietrun.batch.types import Item, Row
from quietrun.errors import ModelError

if TYPE_CHECKING:
    from quietrun.logbook.types import AnalysisRecord
    from quietrun.pipeline import Analysis

#: Beyond its limit a clip gets this much more until the process is ended from outside Python.
HARD_FACTOR = 1.25
HARD_EXTRA_S = 2.0
_PARENT_EVERY_S = 0.5


@dataclass(frozen=True, slots=True)
class Task:
    """One item on its way to a worker.

    Attributes
    ----------
    number : of the item in its batch
    item : Item
    time_limit_s : s
    analyse : ``"module:function"``
    want_record : also make what the logbook keeps
    data : the clip's bytes where they are shipped, else None
    may_die : the process is a worker that may be ended when a clip hangs
    """

    number: int
    item: Item
    time_limit_s: float
    analyse: str
    want_record: bool = False
    data: bytes | None = None
    may_die: bool = False


@dataclass(frozen=True, slots=True)
class Judged:
    """A row on its way back."""

    number: int
    row: Row
    record: AnalysisRecord | None = None


class _TimeUp(BaseException):
    """The clip's time is over. No ``Exception``, so that nothing on the way swallows it."""


def probe() -> int:
    """Show that workers can start at all."""
    return os.getpid()


def version() -> str:
    """Version of quietrun here."""
    return __version__


def judge(task: Task) -> Judged:
    """Judge one clip; every failure but a broken model becomes a row.

    Raises
    ------
    ModelError
        No clip can be judged with this model.
    """
    analyse, limits = _analyser(task.analyse), _limits(task.item)
    try:
        with _shipped(task) as path, _within(task.time_limit_s, hard=task.may_die):
            analysis = analyse(path, machine=task.item.machine, limits=limits)
    except _TimeUp:
        return Judged(task.number, gave_up_row(task.item, task.time_limit_s))
    except ModelError:
        raise
    except Exception as error:
        return Judged(task.number, failed_row(task.item, error))
    return _judged(task, analysis)


def _judged(task: Task, analysis: Analysis) -> Judged:
    from quietrun.report.contract import text, to_object

    row = to_object(analysis)
    row["clip"]["path"] = text(task.item.path)
    record = None
    if task.want_record:
        from quietrun.logbook.entries import record_of

        record = record_of(analysis, row)
    return Judged(task.number, row, record)


@lru_cache(maxsize=4)
def _analyser(dotted: str) -> Callable[..., Analysis]:
    module, _, name = dotted.partition(":")
    function: Callable[..., Analysis] = getattr(importlib.import_module(module), name)
    return function


def _limits(item: Item) -> Any:
    if item.limits is None:
        return None
    from quietrun.judge.limits import Limits

    return Limits(**item.limits)


@contextlib.contextmanager
def _shipped(task: Task) -> Iterator[str]:
    """Path of the clip: its own, or of a file made of the bytes that were sent."""
    if task.data is None:
        yield task.item.path
        return
    fd, path = tempfile.mkstemp(prefix="quietrun-")
    try:
        with open(fd, "wb") as file:
            file.write(task.data)
        yield path
    finally:
        with contextlib.suppress(OSError):
            os.unlink(path)


@contextlib.contextmanager
def _within(limit_s: float, *, hard: bool) -> Iterator[None]:
    """Stop what takes too long.

    Python code is stopped by a signal (main thread, not on Windows). Code that does not come
    back to Python is stopped by ending the whole process (``hard``), which the pool sees.
    """
    soft = hasattr(signal, "SIGALRM") and threading.current_thread() is threading.main_thread()
    with open(os.devnull, "w") as nowhere:
        if hard:
            faulthandler.disable()  # a crash is told by a row, not by a stack dump
            hard_s = limit_s * HARD_FACTOR + HARD_EXTRA_S if soft else limit_s
            faulthandler.dump_traceback_later(hard_s, exit=True, file=nowhere)
        try:
            if soft:
                with _alarm(limit_s):
                    yield
            else:
                yield
        finally:
            if hard:
                faulthandler.cancel_dump_traceback_later()


@contextlib.contextmanager
def _alarm(limit_s: float) -> Iterator[None]:
    def up(*_: object) -> None:
        raise _TimeUp

    before = signal.signal(signal.SIGALRM, up)
    signal.setitimer(signal.ITIMER_REAL, limit_s)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def settle_in(parent: int) -> None:
    """Make a new worker end soon after its parent: a killed batch leaves nothing running.

    Ctrl-C is for the parent to handle.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "getppid"):
        threading.Thread(target=_watch, args=(parent,), daemon=True).start()


def _watch(parent: int) -> None:
    """On Windows the number of a parent never changes: there, only joblib's own time ends it."""
    while os.getppid() == parent:
        time.sleep(_PARENT_EVERY_S)
    os._exit(1)


def gave_up_row(item: Item, limit_s: float) -> Row:
    """Row of a clip that took too long."""
    return _refused_row(
        item,
        f"Judging this clip was given up after {limit_s:g} s.",
        "It is far too long, on a very slow disk, or made so that it never ends.",
        "Copy it to this computer, or cut out the minute with the run; or allow --time-limit.",
    )


def crashed_row(item: Item) -> Row:
    """Row of a clip at which the worker process ended."""
    return _refused_row(
        item,
        "Judging this clip ended the program that judged it, twice.",
        "The file is damaged in a way that the decoder does not survive, or memory ran out.",
        "Send or copy it again; if it does not play on the phone either, record again.",
    )


def failed_row(item: Item, error: Exception) -> Row:
    """Row of a clip at which our own code failed."""
    return _refused_row(
        item,
        f"Judging this clip failed: {type(error).__name__}: {error}",
        "This is a bug in quietrun, not a fault of the machine.",
        f"Run quietrun check {item.path} and report what it prints.",
    )


def _refused_row(item: Item, what: str, why: str, do: str) -> Row:
    """Make the object of the contract for a clip without any measurement."""
    from quietrun.clip.types import Source
    from quietrun.fitness import Fitness
    from quietrun.judge import Verdict
    from quietrun.pipeline import Analysis, ModelStamp, general_model
    from quietrun.problems import Problem
    from quietrun.report.contract import to_object

    stamp = ModelStamp("", "")
    with contextlib.suppress(ModelError):
        model = general_model()
        stamp = ModelStamp(model.name, model.sha256)
    problem = Problem("gave_up", what, why, do, fatal=True)
    return to_object(
        Analysis(
            source=Source(item.path, None, None, None, "", 0, 0, 0.0),
            rate_hz=None,
            machine=item.machine,
            fitness=Fitness(0.0, None, (problem,)),
            run=None,
            evidence=None,
            verdict=Verdict(
                word="unusable",
                faults=(),
                findings=(),
                contacts=None,
                because=(what,),
                look_first=(do,),
                not_heard=("The whole run: nothing of it could be judged.",),
                cautions=(),
            ),
            model=stamp,
        )
    )
