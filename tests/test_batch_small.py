"""Small parts of a batch: rows on odd disks, time limits in threads, workers without a parent."""

import errno
import os
import subprocess
import sys
import threading
import time

import pytest
from test_batch_rows import row

from quietrun.batch import lock, work
from quietrun.batch import rows as rows_module
from quietrun.batch.rows import RowFile, read_rows
from quietrun.errors import UsageError

posix = pytest.mark.skipif(os.name == "nt", reason="signals and parents as on POSIX")


@pytest.fixture
def three(tmp_path):
    path = tmp_path / "o.jsonl"
    with RowFile(path) as rows:
        for name in ("a.wav", "b.wav", "c.wav"):
            rows.append(row(name))
    return path


def test_empty_lines_between_rows_are_passed_over(three):
    lines = three.read_bytes().splitlines(keepends=True)
    three.write_bytes(lines[0] + b"\r\n" + lines[1] + b"\n\0\0\n" + lines[2])
    with RowFile(three) as rows:
        assert [one["clip"]["path"] for one in rows] == ["a.wav", "b.wav", "c.wav"]
        assert not rows.torn


def test_a_file_that_another_program_cut_is_told(three):
    with RowFile(three) as rows:
        with three.open("r+b") as file:
            file.truncate(10)
        with pytest.raises(OSError, match="was cut by another program"):
            rows.row(rows.places[2])


@pytest.mark.parametrize(
    ("number", "told"), [(errno.EINVAL, False), (errno.ENOSYS, False), (errno.EIO, True)]
)
def test_a_disk_that_cannot_sync_is_no_failure_and_one_that_fails_is(
    three, monkeypatch, number, told
):
    def fsync(fd):
        raise OSError(number, os.strerror(number))

    rows = RowFile(three)
    monkeypatch.setattr(rows_module.os, "fsync", fsync)
    try:
        if told:
            with pytest.raises(UsageError, match=r"o\.jsonl"):
                rows._sync()
        else:
            rows._sync()
    finally:
        monkeypatch.undo()
        rows._file.close()


def test_a_new_file_that_cannot_be_written_leaves_the_old_one(three, monkeypatch):
    before = three.read_bytes()
    with RowFile(three) as rows:

        def replace(*_):
            raise OSError(errno.ENOSPC, "No space left on device")

        monkeypatch.setattr(rows_module.os, "replace", replace)
        with pytest.raises(UsageError, match=r"o\.jsonl"):
            rows.renew(rows.places[:1], [])
        monkeypatch.undo()
        assert three.read_bytes() == before
        assert not three.with_name("o.jsonl.new").exists()
        rows.append(row("d.wav"))  # it is open again
    assert len(list(read_rows(three))) == 4


# --- time limits -----------------------------------------------------------------------------


@posix
def test_what_takes_too_long_is_stopped_and_the_alarm_put_back():
    import signal

    before = signal.getsignal(signal.SIGALRM)
    with pytest.raises(work._TimeUp), work._within(0.05, hard=False):
        time.sleep(5.0)
    assert signal.getsignal(signal.SIGALRM) is before
    assert signal.getitimer(signal.ITIMER_REAL)[0] == 0.0


def test_in_another_thread_there_is_no_alarm():
    """Signals reach the main thread alone; there the work is only not stopped."""
    done = []

    def slow():
        with work._within(0.01, hard=False):
            time.sleep(0.05)
            done.append(True)

    thread = threading.Thread(target=slow)
    thread.start()
    thread.join()
    assert done == [True]


@posix
@pytest.mark.parametrize("ends", [True, False])
def test_code_that_does_not_come_back_ends_its_process(ends):
    """What hangs beyond Python is ended by the watchdog; what is done in time is not."""
    code = f"""
import time, signal
from quietrun.batch import work
work.HARD_FACTOR, work.HARD_EXTRA_S = 1.0, 0.2
signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGALRM])
with work._within(0.1, hard=True):
    time.sleep({30.0 if ends else 0.01})
time.sleep(0.6)
print("done")
"""
    told = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, timeout=20, check=False
    )
    assert told.stderr == b""
    assert (told.returncode, told.stdout) == ((1, b"") if ends else (0, b"done\n"))


@posix
def test_a_worker_ends_with_its_parent_and_leaves_ctrl_c_to_it():
    """The parent it is told of is gone at once."""
    code = """
import signal, time
from quietrun.batch import work
work._PARENT_EVERY_S = 0.05
work.settle_in(1 if 1 != __import__("os").getppid() else 2)
assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
time.sleep(20)
"""
    start = time.monotonic()
    told = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, timeout=30, check=False
    )
    assert told.returncode == 1
    assert time.monotonic() - start < 15.0


@posix
def test_a_worker_stays_with_its_parent():
    code = """
import os, time
from quietrun.batch import work
work._PARENT_EVERY_S = 0.02
work.settle_in(os.getppid())
time.sleep(0.3)
print("stayed")
"""
    told = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, timeout=30, check=False
    )
    assert told.stdout == b"stayed\n"


def test_watching_ends_where_the_parent_changes(monkeypatch):
    parents = iter([7, 7, 1])
    waited, ended = [], []
    monkeypatch.setattr(work.os, "getppid", lambda: next(parents))
    monkeypatch.setattr(work.time, "sleep", waited.append)
    monkeypatch.setattr(work.os, "_exit", ended.append)
    work._watch(7)
    assert waited == [work._PARENT_EVERY_S] * 2
    assert ended == [1]


# --- locks -----------------------------------------------------------------------------------


@posix
def test_a_lock_whose_file_was_taken_away_is_taken_anew(tmp_path, monkeypatch):
    """Between opening and locking the owner may have removed the file."""
    seen = []
    real = lock._is_still

    def is_still(fd, path):
        seen.append(path)
        return real(fd, path) if len(seen) > 1 else False

    monkeypatch.setattr(lock, "_is_still", is_still)
    target = tmp_path / "o.jsonl"
    with lock.locked(target) as stale:
        assert not stale
    assert len(seen) == 2
    assert not lock.lock_path(target).exists()


@pytest.mark.parametrize(
    ("text", "lives"),
    [
        ("", False),
        ("rubbish", False),
        ('{"pid": "x", "host": "h"}', False),
        ('{"pid": 1, "host": "somewhere.else"}', True),  # nobody can say from here
        (f'{{"pid": {os.getpid()}, "host": HOST}}', True),
        ('{"pid": 4194000, "host": HOST}', False),  # more than there are
    ],
)
@posix
def test_whether_the_owner_of_a_lock_lives(tmp_path, text, lives):
    path = tmp_path / "lock"
    path.write_text(text.replace("HOST", f'"{lock.socket.gethostname()}"'))
    fd = os.open(path, os.O_RDWR)
    try:
        assert lock._owner_lives(fd) is lives
    finally:
        os.close(fd)


@posix
def test_where_the_system_has_no_locks_the_file_is_asked(tmp_path, monkeypatch):
    def none(fd):
        raise OSError(errno.ENOTSUP, "not supported")

    monkeypatch.setattr(lock, "_system_lock", none)
    target = tmp_path / "o.jsonl"
    with lock.locked(target) as stale:
        assert stale is False
        with pytest.raises(UsageError, match="Another batch is writing"), lock.locked(target):
            pass
