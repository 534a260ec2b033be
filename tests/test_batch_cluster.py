"""The same batch on a cluster: a real scheduler and workers, each a process, on loopback."""

import hashlib
import importlib.util
import json
import os
import signal
import subprocess
import sys
import time
import warnings

import batch_fakes
import pytest
from batch_fakes import make_clips

from quietrun.batch.cluster import Cluster
from quietrun.batch.plan import plan_for
from quietrun.batch.rows import read_rows
from quietrun.batch.run import run_batch
from quietrun.batch.types import Item, Outputs, Settings, Silent
from quietrun.batch.work import Task
from quietrun.errors import UsageError

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("distributed") is None,
    reason="dask.distributed is not installed (extra: cluster)",
)
TESTS = os.path.dirname(__file__)
START_S = 60.0


class Site:
    """A scheduler and its workers."""

    def __init__(self, folder, *, environment=None):
        self.folder = folder
        self.file = folder / "scheduler.json"
        self.environment = {**os.environ, "PYTHONPATH": TESTS, **(environment or {})}
        self.workers = []
        self.scheduler = self._start(
            "scheduler", "--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(self.file)
        )
        deadline_s = time.monotonic() + START_S
        while not self.file.exists() or not self.file.read_text().strip():
            assert time.monotonic() < deadline_s, "the scheduler did not start"
            time.sleep(0.05)
        self.address = json.loads(self.file.read_text())["address"]

    def _start(self, what, *args):
        module = f"distributed.cli.dask_{what}"
        return subprocess.Popen(
            [sys.executable, "-W", "ignore", "-m", module, *args, "--no-dashboard"],
            cwd=self.folder,
            env=self.environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    def add_workers(self, count):
        """Start workers without a nanny: one that ends stays away. Wait until all are there."""
        args = ("worker", self.address, "--nthreads", "1", "--no-nanny", "--host", "127.0.0.1")
        self.workers += [self._start(*args) for _ in range(count)]
        from distributed import Client

        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Client(self.address, timeout=START_S, set_as_default=False) as client:
                client.wait_for_workers(count, timeout=START_S)
        return self.workers[-count:]

    def close(self):
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait()


@pytest.fixture
def site(tmp_path, request):
    folder = tmp_path / "site"
    folder.mkdir()
    site = Site(folder, environment={"FAKE_PAUSE_S": "0.02", **getattr(request, "param", {})})
    yield site
    site.close()


def settings(site, tmp_path, **more):
    return Settings(
        cluster=site.address, analyse=batch_fakes.ANALYSE, home=str(tmp_path / "home"), **more
    )


class KillWhen(Silent):
    """Kills a worker after some rows."""

    def __init__(self, worker, after):
        self.worker, self.after, self.rows = worker, after, 0

    def row(self, row):
        self.rows += 1
        if self.rows == self.after:
            os.kill(self.worker.pid, signal.SIGKILL)


def test_two_workers_one_killed_midway_nothing_is_lost(site, tmp_path):
    words = ["quiet", "noisy", "inspect", "unreadable"]
    make_clips(tmp_path / "in", [words[i % 4] for i in range(120)])
    plan = plan_for(str(tmp_path / "in"))
    local = Outputs(tmp_path / "local.jsonl")
    run_batch(plan, local, Settings(jobs=1, analyse=batch_fakes.ANALYSE, home=str(tmp_path / "h")))
    doomed, _ = site.add_workers(2)
    out = Outputs(tmp_path / "cluster.jsonl")
    killer = KillWhen(doomed, after=40)
    outcome = run_batch(plan, out, settings(site, tmp_path), killer)
    assert doomed.wait(timeout=10) == -signal.SIGKILL
    assert killer.rows == outcome.judged == 120

    def by_path(outputs):
        rows = list(read_rows(outputs.rows))
        assert len(rows) == 120
        return {row["clip"]["path"]: row for row in rows}

    assert by_path(out) == by_path(local)


@pytest.mark.parametrize(
    "site", [{"DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "0"}], indirect=True
)
def test_clips_shipped_as_bytes_and_a_clip_that_kills_its_workers(site, tmp_path):
    """One clip ends each worker that tries it; the other rows are not lost, and it has its own."""
    clips = make_clips(tmp_path / "in", ["quiet"] * 6 + ["crash"] + ["noisy"] * 5)
    plan = plan_for(str(tmp_path / "in"))
    site.add_workers(3)  # one for each time the clip is tried, and one for the rest
    outcome = run_batch(
        plan, Outputs(tmp_path / "o.jsonl"), settings(site, tmp_path, ship=True, time_limit_s=5.0)
    )
    assert outcome.counts == {"quiet": 6, "noisy": 5, "unusable": 1}
    rows = {row["clip"]["path"]: row for row in read_rows(tmp_path / "o.jsonl")}
    assert set(rows) == {str(clip) for clip in clips}, "rows name the clips, not where they were"
    assert rows[str(clips[6])]["recording"]["problems"][0]["code"] == "gave_up"


def test_bytes_are_what_is_judged_when_they_are_shipped(site):
    """The worker has no such path; its row names it all the same."""
    site.add_workers(1)
    cluster = Cluster(site.address, time_limit_s=5.0)
    task = Task(0, Item("no/such.m4a"), 5.0, batch_fakes.ANALYSE, data=b"RIFFnoisy 0")
    (judged,) = cluster.run([task])
    assert judged.row["verdict"] == "noisy"
    assert judged.row["clip"]["path"] == "no/such.m4a"
    assert judged.row["clip"]["sha256"] == hashlib.sha256(b"RIFFnoisy 0").hexdigest()


@pytest.mark.slow
def test_the_command_gives_the_same_rows_on_a_cluster(site, tmp_path):
    """Real clips, really judged: here, there by path, and there shipped as bytes."""
    site.add_workers(2)
    clips = os.path.join(os.path.dirname(TESTS), "synthetic_audio")

    def rows(name, *args):
        out = tmp_path / f"{name}.jsonl"
        done = subprocess.run(
            [sys.executable, "-m", "quietrun", "batch", clips, "-o", str(out), *args],
            env={**os.environ, "QUIETRUN_HOME": str(tmp_path / "home")},
            capture_output=True,
            text=True,
            timeout=120,
        )
        assert done.returncode == 1, done.stderr
        return sorted(out.read_text().splitlines())

    here = rows("here", "--jobs", "1")
    assert len(here) == 6
    assert rows("path", "--cluster", site.address) == here
    assert rows("bytes", "--cluster", site.address, "--ship") == here


def test_a_cluster_without_workers_is_told(site):
    with pytest.raises(UsageError, match=r"has no worker(.|\n)*dask worker tcp://"):
        Cluster(site.address, time_limit_s=5.0, connect_s=1.0)


def test_workers_that_cannot_run_quietrun_are_told(tmp_path):
    broken = tmp_path / "broken"
    (broken / "quietrun").mkdir(parents=True)
    (broken / "quietrun" / "__init__.py").write_text("raise ImportError('not here')")
    site = Site(tmp_path, environment={"PYTHONPATH": str(broken)})
    try:
        site.add_workers(1)
        with pytest.raises(UsageError, match=r"run quietrun none(.|\n)*Install the same quietrun"):
            Cluster(site.address, time_limit_s=5.0, connect_s=30.0)
    finally:
        site.close()


def test_nobody_at_the_address_is_told():
    with pytest.raises(UsageError, match=r"No scheduler answers at tcp://127.0.0.1:9"):
        Cluster("tcp://127.0.0.1:9", time_limit_s=5.0, connect_s=1.0)


def test_a_cluster_that_goes_away_keeps_what_was_done(site, tmp_path):
    make_clips(tmp_path / "in", ["quiet"] * 60)
    (worker,) = site.add_workers(1)
    cluster_settings = settings(site, tmp_path, time_limit_s=1.0)
    plan, out = plan_for(str(tmp_path / "in")), Outputs(tmp_path / "o.jsonl")

    class Cut(Silent):
        rows = 0

        def row(self, row):
            self.rows += 1
            if self.rows == 5:
                site.scheduler.kill()
                worker.kill()

    with pytest.raises(UsageError, match=r"does no more work(.|\n)*only what is missing"):
        run_batch(plan, out, cluster_settings, Cut())
    done = len(list(read_rows(out.rows)))
    assert 5 <= done < 60
    local = Settings(jobs=1, analyse=batch_fakes.ANALYSE, home=str(tmp_path / "home"))
    outcome = run_batch(plan, out, local)
    assert (outcome.kept, outcome.judged) == (done, 60 - done)


def test_without_the_extra_it_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UsageError, match=r"pip install 'quietrun\[cluster\]'"):
        Cluster("tcp://127.0.0.1:9", time_limit_s=5.0)
