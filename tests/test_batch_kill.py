"""Kill a batch whenever: what was written is whole, and the next run does only the rest."""

import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import batch_fakes
import pytest
from batch_fakes import make_clips

from quietrun.batch.lock import lock_path
from quietrun.batch.rows import read_rows

CLIPS = 200
KILLS = 30
SCRIPT = Path(batch_fakes.__file__)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("visits")
    words = ["quiet", "noisy", "inspect", "band_limited", "burr_setting"]
    make_clips(folder, [words[i % 5] for i in range(CLIPS)])
    return folder


def start(folder, out, *, jobs, table="", pause_s=0.0):
    """A batch in a process of its own."""
    env = {**os.environ, "QUIETRUN_HOME": str(out.parent / "home"), "FAKE_PAUSE_S": str(pause_s)}
    return subprocess.Popen(
        [sys.executable, str(SCRIPT), str(folder), str(out), str(table), str(jobs)],
        env=env,
        stderr=subprocess.PIPE,
        text=True,
    )


class Nursery:
    """A process that forks batches: they start at once, and can be killed like any other."""

    def __init__(self, home, pause_s):
        env = {**os.environ, "QUIETRUN_HOME": str(home), "FAKE_PAUSE_S": str(pause_s)}
        self.process = subprocess.Popen(
            [sys.executable, str(SCRIPT)],
            env=env,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def start(self, folder, out, table, jobs):
        self.process.stdin.write(json.dumps([str(folder), str(out), str(table), jobs]) + "\n")
        self.process.stdin.flush()
        return int(self.process.stdout.readline())

    def ended(self):
        assert self.process.stdout.readline() == "ended\n"

    def close(self):
        self.process.communicate(timeout=10)


@pytest.fixture
def nursery(tmp_path):
    nursery = Nursery(tmp_path / "home", 0.002)
    yield nursery
    nursery.close()


def finish(process):
    _, said = process.communicate(timeout=60)
    assert process.returncode == 0, said
    return said


def rows_of(path):
    rows = list(read_rows(path))
    by_path = {row["clip"]["path"]: row for row in rows}
    assert len(by_path) == len(rows), "a clip has two rows"
    return by_path


@pytest.fixture(scope="module")
def clean(folder, tmp_path_factory):
    out = tmp_path_factory.mktemp("clean") / "o.jsonl"
    finish(start(folder, out, jobs=1))
    rows = rows_of(out)
    assert len(rows) == CLIPS
    return rows


def size_of(path):
    return path.stat().st_size if path.exists() else 0


def wait_for_size(pid, path, size):
    """Wait until the rows have grown to a size, or the batch has come to its end."""
    while size_of(path) < size and Path(f"/proc/{pid}").exists():
        time.sleep(0.0005)


def complete_lines(path):
    return path.read_bytes().count(b"\n") if path.exists() else 0


def kill_at_random(nursery, rng, folder, out, table, *, jobs):
    """Start a batch and kill it: a fifth of the times while it starts, reads and sorts."""
    pid = nursery.start(folder, out, table, jobs)
    if rng.random() < 0.2:
        time.sleep(rng.uniform(0.0, 0.05))
    else:
        wait_for_size(pid, out, size_of(out) + rng.randrange(1, 60_000))
        time.sleep(rng.uniform(0.0, 0.004))
    with contextlib.suppress(ProcessLookupError):
        os.kill(pid, signal.SIGKILL)
    nursery.ended()


def test_killed_at_thirty_random_moments_nothing_is_lost_or_done_twice(
    folder, clean, nursery, tmp_path
):
    """Each time it goes on; an output that is complete is checked and begun anew."""
    rng = random.Random(6)
    out, table = tmp_path / "o.jsonl", tmp_path / "o.csv"
    completed = 0
    for number in range(KILLS):
        parallel = number % 10 == 9
        if not parallel:
            # What a killed batch left makes the next one start worker processes, which is
            # tested elsewhere and takes its time.
            lock_path(out).unlink(missing_ok=True)
        old = out.read_bytes() if out.exists() else b""
        kill_at_random(nursery, rng, folder, out, table, jobs=2 if parallel else 1)
        data = out.read_bytes() if out.exists() else b""
        assert data.startswith(old[: old.rfind(b"\n") + 1]), "a whole row was changed or lost"
        if data.count(b"\n") == CLIPS:
            assert rows_of(out) == clean
            out.unlink()
            completed += 1
    assert completed, "the batches never got to the end"
    finish(start(folder, out, jobs=1, table=table))
    assert rows_of(out) == clean
    lines = table.read_bytes().split(b"\r\n")
    assert len(lines) == 1 + CLIPS + 1
    assert len(set(lines)) == len(lines)


def test_two_batches_at_one_output(folder, clean, tmp_path):
    out = tmp_path / "o.jsonl"
    first = start(folder, out, jobs=1, pause_s=0.01)
    wait_for_size(first.pid, out, 1)
    second = start(folder, out, jobs=1)
    _, said = second.communicate(timeout=60)
    assert second.returncode != 0
    assert f"Another batch is writing {out} (process {first.pid} on " in said
    finish(first)
    assert rows_of(out) == clean


def _children(pid):
    found = subprocess.run(
        ["ps", "-ww", "-o", "pid=,args=", "--ppid", str(pid)],
        capture_output=True,
        text=True,
        check=False,
    )
    lines = [line.split(maxsplit=1) for line in found.stdout.splitlines()]
    return [int(child) for child, command in lines if "popen_loky" in command]


def _workers_of(process, count=2):
    """Its worker processes, once there are as many as asked for or it has ended."""
    deadline_s = time.monotonic() + 20
    while True:
        found = _children(process.pid)
        if len(found) == count or process.poll() is not None or time.monotonic() > deadline_s:
            return found
        time.sleep(0.01)


def test_killing_the_batch_leaves_no_worker_running(folder, tmp_path):
    out = tmp_path / "o.jsonl"
    process = start(folder, out, jobs=2, pause_s=0.05)
    wait_for_size(process.pid, out, 1)
    workers = _workers_of(process)
    process.kill()
    process.communicate()
    assert len(workers) == 2
    deadline_s = time.monotonic() + 10
    while any(Path(f"/proc/{pid}").exists() for pid in workers):
        assert time.monotonic() < deadline_s, "workers outlive the batch"
        time.sleep(0.05)


def test_an_interrupt_ends_it_with_whole_rows_and_no_lock(folder, clean, tmp_path):
    out = tmp_path / "o.jsonl"
    process = start(folder, out, jobs=2, pause_s=0.02)
    wait_for_size(process.pid, out, 20_000)
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=30)
    assert process.returncode != 0
    assert out.read_bytes().endswith(b"\n")
    assert not (tmp_path / "o.jsonl.lock").exists()
    done = len(rows_of(out))
    assert 0 < done < CLIPS
    finish(start(folder, out, jobs=1))
    assert rows_of(out) == clean
