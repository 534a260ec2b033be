"""The same batch on a dask.distributed cluster that the user already runs.

joblib's dask backend sends the clips; the cluster itself gives those of a lost worker to
another one. What it gives back as failed is asked for once more, each clip alone.
"""

from __future__ import annotations

import contextlib
import importlib
import warnings
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any

from quietrun import __version__
from quietrun.batch.pool import Broken, Results, with_blame
from quietrun.batch.work import Judged, Task, judge, version
from quietrun.errors import ModelError, UsageError

CONNECT_S = 10.0
#: With no clip done for so long beyond the time limit, the cluster is asked whether it lives.
PATIENCE_S = 60.0
#: Clips under way or waiting for each of the cluster's threads.
AHEAD = 4


class Cluster:
    """A scheduler and its workers.

    Parameters
    ----------
    address : of the scheduler, such as ``tcp://10.0.0.5:8786``
    time_limit_s : of one clip, s
    ship : send the bytes of the clips; else workers open the paths on a shared disk
    connect_s, patience_s : s

    Raises
    ------
    UsageError
        dask.distributed is not installed, nobody answers, or the workers run
        another version of quietrun.
    """

    def __init__(
        self,
        address: str,
        *,
        time_limit_s: float,
        ship: bool = False,
        connect_s: float = CONNECT_S,
        patience_s: float = PATIENCE_S,
    ) -> None:
        self.address, self.ship, self.connect_s = address, ship, connect_s
        self.longest_s = time_limit_s + patience_s
        self._client = _connect(address, connect_s)
        try:
            self._check_versions()
        except BaseException:
            self._close()
            raise

    def run(self, tasks: Sequence[Task]) -> Results:
        """Judge on the cluster; leaves it at the end."""
        try:
            yield from with_blame(tasks, self)
        finally:
            self._close()

    def many(self, tasks: Iterable[Task], count: int) -> Results:
        """Judge side by side; raises ``Broken`` when the cluster gives one back as failed."""
        import joblib

        with joblib.parallel_config(backend=_backend_class()(client=self._client), n_jobs=-1):
            parallel = joblib.Parallel(
                return_as="generator_unordered",
                batch_size=1,
                pre_dispatch=f"{AHEAD}*n_jobs",
                timeout=self.longest_s,
            )
        try:
            results = parallel((judge, (self._sent(task),), {}) for task in tasks)
            try:
                for result in results:  # noqa: UP028 - "yield from" would close it first
                    yield result
            finally:
                with _quietly():
                    results.close()
        except ModelError:
            raise
        except Exception as error:
            raise Broken from error

    def alone(self, task: Task) -> Judged:
        """Judge one clip; raises ``Broken`` when the cluster gives it up."""
        future = self._client.submit(judge, self._sent(task), pure=False)
        try:
            judged: Judged = future.result(timeout=self.longest_s)
        except ModelError:
            raise
        except Exception as error:
            future.cancel()
            raise Broken from error
        return judged

    def works(self) -> bool:
        """Tell whether a worker answers."""
        future = self._client.submit(version, pure=False)
        try:
            return bool(future.result(timeout=self.longest_s) == __version__)
        except Exception:
            return False

    def fallback(self, tasks: Sequence[Task]) -> Results:
        """Give up: the user asked for a cluster.

        Raises
        ------
        UsageError
        """
        raise UsageError(
            f"The cluster at {self.address} does no more work: {len(tasks)} clips are left.",
            "Its scheduler or all of its workers are gone.",
            "Start it again and give the same command: it does only what is missing.",
        )

    def _sent(self, task: Task) -> Task:
        """Add the clip's bytes where they are shipped; what cannot be read goes by its path."""
        if not self.ship:
            return task
        try:
            with open(task.item.path, "rb") as file:
                return replace(task, data=file.read())
        except OSError:
            return task

    def _check_versions(self) -> None:
        future = self._client.submit(version, pure=False)
        try:
            theirs = future.result(timeout=self.connect_s)
        except TimeoutError:
            raise UsageError(
                f"The cluster at {self.address} has no worker.",
                "The scheduler answers, but nobody would judge the clips.",
                f"Start workers there: dask worker {self.address}",
            ) from None
        except Exception as error:
            theirs = f"none ({type(error).__name__})"
        if theirs != __version__:
            raise UsageError(
                f"The workers at {self.address} run quietrun {theirs}, this is {__version__}.",
                "Another version may judge differently.",
                "Install the same quietrun on every worker.",
            )

    def _close(self) -> None:
        with _quietly():
            self._client.close()


def _connect(address: str, connect_s: float) -> Any:
    try:
        distributed: Any = importlib.import_module("distributed")
    except ImportError:
        raise UsageError(
            "The part that talks to a cluster is not installed.",
            "It is an extra, since most batches run on one computer.",
            "Install it: pip install 'quietrun[cluster]'",
        ) from None
    try:
        with _quietly():
            return distributed.Client(address, timeout=connect_s, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise UsageError(
            f"No scheduler answers at {address}.",
            f"The connection failed ({type(error).__name__}).",
            "Check the address (such as tcp://10.0.0.5:8786) and that the scheduler runs.",
        ) from None


@contextlib.contextmanager
def _quietly() -> Iterator[None]:
    """Keep the libraries' own warnings away; what they warn of is found out by asking."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


class _Failed:
    """An error on its way through joblib's callback."""

    def __init__(self, error: BaseException) -> None:
        self.error = error


@lru_cache(maxsize=1)
def _backend_class() -> Any:
    """Make joblib's dask backend tell of failed clips.

    As it is (joblib 1.6), it calls back only for results, so that a ``Parallel`` with a clip
    that the cluster has given up would wait for ever; and on a cluster with one thread it
    would judge in this process.
    """
    from joblib._dask import DaskDistributedBackend

    class Backend(DaskDistributedBackend):  # type: ignore[misc]
        def submit(self, func: Any, callback: Any = None) -> Any:
            job = super().submit(func, callback)

            def tell(done: Any) -> None:
                error = done.exception()
                if error is not None and callback is not None:
                    callback(_Failed(error))

            job.add_done_callback(tell)
            return job

        def retrieve_result_callback(self, out: Any) -> Any:
            if isinstance(out, _Failed):
                raise out.error
            return super().retrieve_result_callback(out)

        def effective_n_jobs(self, n_jobs: int) -> int:
            return max(2, int(super().effective_n_jobs(n_jobs)))

    return Backend
