"""Ways to get many clips judged: one after the other, or in worker processes.

Each yields ``Judged`` in the order in which clips are done. A clip that ends its worker costs
only its own row: what was under way is judged again, each clip alone, and the one that ends
its worker once more is to blame.
"""

from __future__ import annotations

import contextlib
import os
import time
import warnings
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any, Protocol

from quietrun.batch.types import Settings
from quietrun.batch.work import Judged, Task, crashed_row, gave_up_row, judge, probe, settle_in

Note = Callable[[str], None]
Results = Generator[Judged, None, None]

#: Up to so many clips are judged in this process: starting workers would take longer.
FEW = 12
#: A further worker pays when it has at least so many clips to do.
CLIPS_A_WORKER = 6
#: Clips sent to a worker in one go, and clips under way or waiting for each worker.
AT_ONCE, AHEAD = 2, 6


class Broken(Exception):
    """A pool lost a worker; what was under way has no result."""


class Pool(Protocol):
    """Somewhere to judge."""

    def run(self, tasks: Sequence[Task]) -> Results:
        """Judge, in any order."""


class Serial:
    """One clip after the other, in the process that asks."""

    def run(self, tasks: Sequence[Task]) -> Results:
        """Judge, in the order given."""
        for task in tasks:
            yield judge(task)


class Workers:
    """Worker processes on this machine (joblib with loky), kept warm between calls.

    Parameters
    ----------
    jobs : number of processes
    note : who is told when there can be none
    """

    def __init__(self, jobs: int, note: Note) -> None:
        self.jobs, self.note = jobs, note

    def run(self, tasks: Sequence[Task]) -> Results:
        """Judge side by side."""
        if not _can_start():
            return self.fallback(tasks)
        tasks = [replace(task, may_die=True) for task in tasks]
        return with_blame(tasks, self)

    def many(self, tasks: Iterable[Task], count: int) -> Results:
        """Judge side by side; raises ``Broken`` when a worker is lost."""
        at_once = AT_ONCE if count >= AHEAD * AT_ONCE * self.jobs else 1
        ahead = 1 if self.jobs == 1 else AHEAD * self.jobs
        return _calls(((judge, (task,), {}) for task in tasks), self.jobs, at_once, ahead)

    def alone(self, task: Task) -> Judged:
        """Judge one clip with nothing beside it; raises ``Broken`` when its worker is lost."""
        (judged,) = _calls([(judge, (task,), {})], self.jobs, 1, 1)
        result: Judged = judged
        return result

    def works(self) -> bool:
        """Tell whether a worker that only says its number comes back."""
        try:
            return len(list(_calls([(probe, (), {})], self.jobs, 1, 1))) == 1
        except Broken:
            return False

    def fallback(self, tasks: Sequence[Task]) -> Results:
        """Judge in this process, with a note."""
        self.note("Worker processes cannot start here: the clips are judged one after the other.")
        return Serial().run([replace(task, may_die=False) for task in tasks])


def _can_start() -> bool:
    """Ask joblib whether this system has what worker processes need."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # joblib's own words for the same thing
        import joblib

        return int(joblib.effective_n_jobs(2)) > 1


def _calls(calls: Iterable[Any], jobs: int, at_once: int, ahead: int) -> Generator[Any, None, None]:
    import joblib
    from joblib.externals.loky.process_executor import BrokenProcessPool

    with joblib.parallel_config(
        "loky", inner_max_num_threads=1, initializer=settle_in, initargs=(os.getpid(),)
    ):
        parallel = joblib.Parallel(
            n_jobs=max(2, jobs),  # joblib takes 1 to mean this very process
            return_as="generator_unordered",
            batch_size=at_once,
            pre_dispatch=ahead,
            max_nbytes=None,
        )
    # The pool says so when it replaces a worker that has been idle; it needs no attention.
    warnings.filterwarnings("ignore", message="A worker stopped while some jobs")
    try:
        results = parallel(calls)
    except (BrokenProcessPool, OSError) as error:  # processes cannot start (now)
        raise Broken from error
    try:
        for result in results:  # noqa: UP028 - "yield from" would close it first
            yield result
    except BrokenProcessPool as error:
        raise Broken from error
    finally:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # advice on results that nobody fetched
            results.close()


class CanLose(Protocol):
    """A pool whose workers may die."""

    def many(self, tasks: Iterable[Task], count: int) -> Results:
        """Judge side by side; raises ``Broken`` when a worker is lost."""

    def alone(self, task: Task) -> Judged:
        """Judge one clip; raises ``Broken`` when its worker is lost."""

    def works(self) -> bool:
        """Tell whether workers can start at all."""

    def fallback(self, tasks: Sequence[Task]) -> Results:
        """Judge where no worker can start."""


def with_blame(tasks: Sequence[Task], pool: CanLose) -> Results:
    """Judge all, whatever happens to the workers."""
    left = {task.number: task for task in tasks}
    while left:
        sent: list[Task] = []
        try:
            many = pool.many(_noted(tuple(left.values()), sent), len(left))
            with contextlib.closing(many):
                for judged in many:
                    del left[judged.number]
                    yield judged
        except Broken:
            pass
        else:
            return
        suspects = [task for task in sent if task.number in left]
        while suspects and pool.works():
            judged = _alone_or_blamed(suspects.pop(0), pool)
            del left[judged.number]
            yield judged
        if suspects or not sent:
            yield from pool.fallback(tuple(left.values()))
            return


def _noted(tasks: Iterable[Task], sent: list[Task]) -> Iterator[Task]:
    for task in tasks:
        sent.append(task)
        yield task


def _alone_or_blamed(task: Task, pool: CanLose) -> Judged:
    start_s = time.monotonic()
    with contextlib.suppress(Broken):
        return pool.alone(task)
    late = time.monotonic() - start_s >= task.time_limit_s
    row = gave_up_row(task.item, task.time_limit_s) if late else crashed_row(task.item)
    return Judged(task.number, row)


def pool_for(settings: Settings, count: int, note: Note, *, careful: bool) -> Pool:
    """Choose where to judge.

    Parameters
    ----------
    settings : Settings
    count : clips to judge
    note : who is told of fallbacks
    careful : judge in worker processes even where this one would do: an earlier
        batch was killed, perhaps by a clip, or this one is to run for days
    """
    if settings.cluster:
        from quietrun.batch.cluster import Cluster

        return Cluster(settings.cluster, time_limit_s=settings.time_limit_s, ship=settings.ship)
    jobs = settings.jobs or default_jobs(count)
    if jobs == 1 and not careful:
        return Serial()
    return Workers(jobs, note)


def default_jobs(count: int) -> int:
    """Worker processes for so many clips: all cores, but none that would not pay."""
    if count <= FEW:
        return 1
    import joblib

    return max(1, min(int(joblib.cpu_count()), count // CLIPS_A_WORKER))
