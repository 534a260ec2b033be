"""Worker processes: the same rows, and a death costs one row."""

import errno
import os
import time

import batch_fakes
import joblib
import pytest
from batch_fakes import make_clips

from quietrun.batch import pool as pool_module
from quietrun.batch.plan import plan_for
from quietrun.batch.pool import Broken, Serial, Workers, default_jobs, pool_for, with_blame
from quietrun.batch.rows import read_rows
from quietrun.batch.run import Batch, run_batch
from quietrun.batch.types import Item, Outputs, Settings, Silent
from quietrun.batch.work import Judged, Task
from quietrun.errors import ModelError


@pytest.fixture
def go(tmp_path):
    def run(words, *, jobs=2, name="o.jsonl", **more):
        if not (tmp_path / "in").exists():  # the same files: their times are dates
            make_clips(tmp_path / "in", words)
        outputs = Outputs(tmp_path / name)
        settings = Settings(
            jobs=jobs, analyse=batch_fakes.ANALYSE, home=str(tmp_path / "home"), **more
        )
        outcome = run_batch(plan_for(str(tmp_path / "in")), outputs, settings)
        rows = {os.path.basename(row["clip"]["path"]): row for row in read_rows(outputs.rows)}
        return outcome, rows

    return run


WORDS = ["quiet", "noisy", "inspect", "unreadable", "band_limited"] * 12


def test_two_workers_give_the_rows_of_one(go):
    _, alone = go(WORDS, jobs=1, name="one.jsonl")
    outcome, together = go(WORDS, jobs=2, name="two.jsonl")
    assert together == alone
    assert outcome.judged == len(WORDS)


def says(row):
    return row["recording"]["problems"][0]["what"]


def test_a_crash_is_one_row_and_nothing_else_is_lost(go, capfd):
    words = ["quiet"] * 30
    words[3], words[17] = "crash", "segfault"
    outcome, rows = go(words)
    assert len(rows) == 30
    assert outcome.counts == {"quiet": 28, "unusable": 2}
    for name in ("clip003.m4a", "clip017.m4a"):
        assert says(rows[name]) == "Judging this clip ended the program that judged it, twice."
    assert capfd.readouterr().err == ""


def test_what_does_not_come_back_to_python_is_ended_too(go):
    start_s = time.monotonic()
    outcome, rows = go(["quiet", "stuck", "quiet", "spin"], time_limit_s=1.0)
    assert outcome.counts == {"quiet": 2, "unusable": 2}
    assert says(rows["clip001.m4a"]) == "Judging this clip was given up after 1 s."
    assert says(rows["clip003.m4a"]) == "Judging this clip was given up after 1 s."
    assert time.monotonic() - start_s < 25


def test_a_broken_model_stops_the_batch(go):
    with pytest.raises(ModelError, match="The model is broken"):
        go(["quiet"] * 5 + ["model"] + ["quiet"] * 5)


def test_workers_hold_matrix_products_to_one_thread_and_stay_warm(monkeypatch):
    """Also on a computer with more cores than workers, where joblib would give them more."""
    monkeypatch.setattr("joblib._parallel_backends.cpu_count", lambda: 16)
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        monkeypatch.delenv(name, raising=False)
    seen = set()
    for _ in range(2):
        calls = [(_environment, (), {})] * 8
        seen |= set(pool_module._calls(calls, 2, 1, 8))
    threads = {numbers for numbers, _ in seen}
    assert threads == {("1", "1", "1")}
    assert len({pid for _, pid in seen}) <= 2
    assert os.getpid() not in {pid for _, pid in seen}


def _environment():
    names = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
    return tuple(os.environ.get(name) for name in names), os.getpid()


def test_where_workers_cannot_start_one_process_does_it_all(go, monkeypatch):
    notes = []

    def told(self, text):
        notes.append(text)

    monkeypatch.setattr(Silent, "note", told)
    monkeypatch.setattr(joblib, "effective_n_jobs", lambda _: 1)
    outcome, rows = go(["quiet"] * 5)
    assert (len(rows), outcome.judged) == (5, 5)
    assert notes == [
        "Worker processes cannot start here: the clips are judged one after the other."
    ]


class Dying:
    """A pool whose workers never come up."""

    def __init__(self, works):
        self.up, self.alone_calls, self.fell_back = works, [], []

    def many(self, tasks, count):
        for task in tasks:
            if task.number == 1:
                raise Broken
            yield Judged(task.number, {})

    def alone(self, task):
        self.alone_calls.append(task.number)
        raise Broken

    def works(self):
        return self.up

    def fallback(self, tasks):
        self.fell_back = [task.number for task in tasks]
        for task in tasks:
            yield Judged(task.number, {"by": "fallback"})


def tasks(count):
    return [Task(i, Item(f"c{i}"), 5.0, batch_fakes.ANALYSE) for i in range(count)]


def test_nobody_is_blamed_when_no_worker_can_start():
    pool = Dying(works=False)
    done = list(with_blame(tasks(6), pool))
    assert sorted(judged.number for judged in done) == list(range(6))
    assert pool.alone_calls == []
    assert pool.fell_back == [1, 2, 3, 4, 5]


def test_only_what_was_under_way_is_tried_alone():
    pool = Dying(works=True)
    done = {judged.number: judged.row for judged in with_blame(tasks(6), pool)}
    assert pool.alone_calls == [1]
    assert sorted(done) == list(range(6))
    assert says(done[1]) == "Judging this clip ended the program that judged it, twice."


def test_how_many_workers(monkeypatch):
    monkeypatch.setattr(joblib, "cpu_count", lambda: 8)
    assert [default_jobs(count) for count in (1, 12, 13, 24, 100)] == [1, 1, 2, 4, 8]
    told = []
    assert isinstance(pool_for(Settings(), 5, told.append, careful=False), Serial)
    assert isinstance(pool_for(Settings(jobs=1), 500, told.append, careful=False), Serial)
    careful = pool_for(Settings(jobs=1), 5, told.append, careful=True)
    assert isinstance(careful, Workers)
    assert pool_for(Settings(jobs=3), 2, told.append, careful=False).jobs == 3


def test_after_a_batch_that_was_killed_even_one_clip_gets_a_process_of_its_own(tmp_path):
    """The clip that killed a batch of few clips must not kill the next one too."""
    make_clips(tmp_path / "in", ["crash", "quiet"])
    outputs = Outputs(tmp_path / "o.jsonl")
    (tmp_path / "o.jsonl.lock").write_text('{"pid": 1, "host": "x"}\n')
    settings = Settings(analyse=batch_fakes.ANALYSE, home=str(tmp_path / "home"))
    outcome = run_batch(plan_for(str(tmp_path / "in")), outputs, settings)
    assert outcome.counts == {"quiet": 1, "unusable": 1}


def test_an_error_on_our_side_ends_the_workers_call_quietly(tmp_path, monkeypatch):
    make_clips(tmp_path / "in", ["slow"] * 40)

    class Full(Exception):
        pass

    def full(self, item, judged):
        raise Full

    monkeypatch.setattr(Batch, "_take", full)
    settings = Settings(jobs=2, analyse=batch_fakes.ANALYSE, home=str(tmp_path / "home"))
    with pytest.raises(Full):
        run_batch(plan_for(str(tmp_path / "in")), Outputs(tmp_path / "o.jsonl"), settings)


def test_where_no_process_can_be_made_the_batch_goes_on_in_this_one(go, monkeypatch):
    """The system says no at the moment when a worker is to start."""
    from joblib.externals.loky import get_reusable_executor

    get_reusable_executor().shutdown(wait=True)

    def no_more(*_, **__):
        raise BlockingIOError(errno.EAGAIN, "Resource temporarily unavailable")

    notes = []
    monkeypatch.setattr(Silent, "note", lambda _, text: notes.append(text))
    monkeypatch.setattr("_posixsubprocess.fork_exec", no_more)
    outcome, rows = go(["quiet"] * 20)
    assert (len(rows), outcome.counts) == (20, {"quiet": 20})
    assert notes == [
        "Worker processes cannot start here: the clips are judged one after the other."
    ]
    monkeypatch.undo()
    get_reusable_executor().shutdown(wait=True)
