"""The file of rows: whole at any moment, never another's, never half written."""

import errno
import json
import os
import signal
import subprocess
import sys

import made_analyses
import pytest

from quietrun.batch.lock import cannot_write, lock_path, locked
from quietrun.batch.rows import RowFile, key_of, read_rows
from quietrun.errors import UsageError
from quietrun.report.contract import to_object


def row(path, word="quiet", settings="s"):
    made = to_object(made_analyses.ALL[word]())
    made["clip"]["path"] = path
    made["batch"] = {
        "settings": settings,
        "date": "2026-03-02T09:15:00+01:00",
        "date_source": "given",
        "phone": None,
        "note": None,
        "logged": False,
    }
    return made


def paths(file):
    return [one["clip"]["path"] for one in read_rows(file)]


@pytest.fixture
def three(tmp_path):
    file = tmp_path / "out.jsonl"
    with RowFile(file) as rows:
        for name in "abc":
            rows.append(row(name))
    return file


def test_rows_come_back_as_they_were(three):
    with RowFile(three) as rows:
        assert list(rows) == [row("a"), row("b"), row("c")]
        assert not rows.torn
        rows.append(row("d"))
        assert rows.row(rows.places[3]) == row("d")
    assert paths(three) == ["a", "b", "c", "d"]


def test_every_way_of_being_cut_leaves_whole_rows_and_takes_new_ones(three):
    """Cut after each byte of the last row and around the line ends of all."""
    whole = three.read_bytes()
    lengths = [len(line) for line in whole.splitlines(keepends=True)]
    ends = [sum(lengths[:i]) for i in range(4)]
    cuts = {end + shift for end in ends for shift in range(-3, 4)} | set(
        range(ends[2], ends[3], 97)
    )
    for cut in sorted(cut for cut in cuts if 0 <= cut <= len(whole)):
        three.write_bytes(whole[:cut])
        full = sum(cut >= end - 1 for end in ends[1:])  # a row may lack only its line end
        with RowFile(three) as rows:
            assert [place.path for place in rows.places] == list("abc")[:full], cut
            assert rows.torn == (cut not in ends and cut + 1 not in ends), cut
            rows.append(row("new"))
        assert paths(three) == [*"abc"[:full], "new"], cut


def test_zero_bytes_after_a_power_cut_are_no_row(three):
    whole = three.read_bytes()
    three.write_bytes(whole + b"\0" * 4096)
    with RowFile(three) as rows:
        assert rows.torn
    assert three.read_bytes() == whole


@pytest.mark.parametrize(
    "data",
    [
        b"shopping list\nmilk\n",
        b"shopping list without line end",
        b'{"schema": "another/thing"}\n',
        b'{"name": "Anna"}',
        b'{"schema": "quietrun/verdict-1"}\n',
        b"[1, 2]\n",
    ],
)
def test_a_file_of_others_is_left_as_it_is(tmp_path, data):
    file = tmp_path / "out.jsonl"
    file.write_bytes(data)
    with pytest.raises(UsageError, match="there already, and line 1 of it"):
        RowFile(file)
    assert file.read_bytes() == data


def test_a_bad_line_in_the_middle_is_not_thrown_away(three):
    lines = three.read_bytes().splitlines(keepends=True)
    three.write_bytes(lines[0] + b"oops\n" + lines[1])
    with pytest.raises(UsageError, match="line 2 of it"):
        RowFile(three)


def test_only_a_file_will_do(tmp_path):
    with pytest.raises(UsageError, match="folder or a device"):
        RowFile(tmp_path)
    with pytest.raises(UsageError, match="folder or a device"):
        RowFile(tmp_path.__class__("/dev/full"))


def test_renewing_takes_out_and_puts_in(three):
    with RowFile(three) as rows:
        rows.renew([rows.places[1]], [row("b", "noisy"), row("x")])
        rows.append(row("y"))
        assert [one["clip"]["path"] for one in rows] == ["a", "c", "b", "x", "y"]
    assert paths(three) == ["a", "c", "b", "x", "y"]
    assert os.listdir(three.parent) == [three.name]


def test_a_row_that_an_interrupt_kept_from_being_noted_is_found_again(three):
    with RowFile(three) as rows:
        with open(three, "ab") as other:
            other.write((json.dumps(row("d")) + "\n").encode())
        rows.reload()
        assert [place.path for place in rows.places] == list("abcd")
        rows.append(row("e"))
    assert paths(three) == list("abcde")


def test_the_key_is_clip_model_and_settings():
    assert key_of(row("a")) == ("ab" * 32, made_analyses.MODEL.sha256, "s")
    assert key_of(row("a", settings="t")) != key_of(row("a"))
    assert key_of(row("a", "unreadable")) is None


FILL = """
import resource, signal, sys
sys.path.insert(0, {tests!r})
from pathlib import Path
from test_batch_rows import row
from quietrun.batch.rows import RowFile
from quietrun.errors import UsageError
{limit}
with RowFile(Path(sys.argv[1])) as rows:
    try:
        for i in range(1000):
            rows.append(row(f"clip{{i}}"))
    except UsageError as error:
        print(i, error)
"""
LIMIT = """
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (20000, 20000))
"""


def fill(file, limit=""):
    code = FILL.format(tests=os.path.dirname(__file__), limit=limit)
    done = subprocess.run(
        [sys.executable, "-c", code, str(file)], capture_output=True, text=True, check=True
    )
    number, _, message = done.stdout.partition(" ")
    return int(number), message


def check_filled(file, number, message):
    assert "the disk is full" in message
    assert "Free some space and give the same command again" in message
    assert 0 < number < 1000
    assert file.read_bytes().endswith(b"\n")
    assert paths(file) == [f"clip{i}" for i in range(number)]
    with RowFile(file) as rows:
        assert len(rows.places) == number
        assert not rows.torn


def test_a_file_that_may_not_grow_ends_with_a_whole_row(tmp_path):
    file = tmp_path / "out.jsonl"
    check_filled(file, *fill(file, LIMIT))


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 64 KiB, where this system lets us have one."""
    folder = tmp_path / "disk"
    folder.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(folder)],
        capture_output=True,
        check=False,
    )
    if made.returncode:
        pytest.skip("this user may not mount a small disk")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def test_a_full_disk_ends_the_file_with_a_whole_row(small_disk):
    file = small_disk / "out.jsonl"
    check_filled(file, *fill(file))


def test_a_full_disk_leaves_the_old_file_when_it_is_to_be_renewed(small_disk):
    file = small_disk / "out.jsonl"
    with RowFile(file) as rows:
        for name in "abcdefgh":
            rows.append(row(name))
        before = file.read_bytes()
        fillers = [row(f"x{i}") for i in range(40)]
        with pytest.raises(UsageError, match="the disk is full"):
            rows.renew([rows.places[0]], fillers)
        assert file.read_bytes() == before
        rows.append(row("i"))
    assert paths(file) == [*"abcdefghi"]
    assert os.listdir(small_disk) == ["out.jsonl"]


def test_a_read_only_disk_is_told(small_disk):
    file = small_disk / "out.jsonl"
    with RowFile(file) as rows:
        rows.append(row("a"))
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(UsageError, match=r"cannot be written: read-only(.|\n)*write to with -o"):
        RowFile(file)
    with pytest.raises(UsageError, match="cannot be written: read-only"), locked(file):
        pass


@pytest.mark.parametrize(
    ("number", "says"),
    [
        (errno.ENOSPC, "the disk is full"),
        (errno.EDQUOT, "the disk is full"),
        (errno.EACCES, "read-only, or another program has it open"),
        (errno.ENOENT, "there is no folder"),
        (errno.EIO, "input/output error"),
    ],
)
def test_every_refusal_of_the_system_is_told_in_words(tmp_path, number, says):
    error = cannot_write(tmp_path / "out.jsonl", OSError(number, os.strerror(number)))
    assert says in str(error).lower()
    assert error.exit_code == 2


def test_a_folder_that_is_not_there_is_told(tmp_path):
    with pytest.raises(UsageError, match="there is no folder"), locked(tmp_path / "no" / "o"):
        pass


HOLD = """
import sys, time
from pathlib import Path
from quietrun.batch.lock import locked
with locked(Path(sys.argv[1])) as stale:
    print("stale" if stale else "fresh", flush=True)
    time.sleep(60)
"""


def holder(file):
    process = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(file)], stdout=subprocess.PIPE, text=True
    )
    return process, process.stdout.readline().strip()


def test_the_lock_names_its_holder_and_ends_with_it(tmp_path):
    file = tmp_path / "out.jsonl"
    process, said = holder(file)
    try:
        assert said == "fresh"
        with (
            pytest.raises(UsageError, match=rf"Another batch is writing .*process {process.pid} "),
            locked(file),
        ):
            pass
        assert lock_path(file).exists()
    finally:
        os.kill(process.pid, signal.SIGKILL)
        process.communicate()
    assert lock_path(file).exists()
    with locked(file) as stale:
        assert stale
    assert not lock_path(file).exists()
    with locked(file) as stale:
        assert not stale


def test_without_system_locks_the_process_number_decides(tmp_path, monkeypatch):
    file = tmp_path / "out.jsonl"

    def unsupported(_):
        raise OSError(errno.ENOLCK, "no locks")

    monkeypatch.setattr("quietrun.batch.lock._system_lock", unsupported)
    process, _ = holder(file)
    try:
        with pytest.raises(UsageError, match=f"process {process.pid}"), locked(file):
            pass
    finally:
        process.kill()
        process.communicate()
    with locked(file) as stale:
        assert stale
    lock_path(file).write_text(json.dumps({"pid": process.pid, "host": "elsewhere"}))
    with pytest.raises(UsageError, match="on elsewhere"), locked(file):
        pass
