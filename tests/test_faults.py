"""What surrounds the program fails: no home, no room, no terminal, no network, no reader."""

import json
import os
import shutil
import signal
import stat
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from quietrun.batch import work
from quietrun.batch.types import Item
from quietrun.cli import main
from quietrun.cli.output import note
from quietrun.logbook.machines import add_machine
from quietrun.logbook.store import open_logbook
from quietrun.logbook.types import MachineRecord
from quietrun.machine import Machine

CLIPS = Path(__file__).parents[1] / "synthetic_audio"
QUIET = CLIPS / "quiet.opus"
posix = pytest.mark.skipif(os.name == "nt", reason="POSIX")


def program(*args, **more):
    """Run it in a process of its own."""
    more.setdefault("stdout", subprocess.PIPE)
    more.setdefault("stderr", subprocess.PIPE)
    return subprocess.run(
        [*more.pop("before", ()), sys.executable, "-m", "quietrun", *map(str, args)],
        timeout=120,
        check=False,
        **more,
    )


def said(done):
    text = (done.stdout or b"") + (done.stderr or b"")
    return text.decode("utf-8", "replace")


def in_order(done, codes):
    """An exit code of the table, no traceback."""
    assert done.returncode in codes, said(done)
    assert "Traceback" not in said(done)
    return said(done)


# --- no home, or one that cannot be -----------------------------------------------------------


@pytest.fixture
def homeless(monkeypatch, tmp_path):
    """A user without a home and without an entry in the list of users (a container's)."""
    if os.name == "nt":
        pytest.skip("POSIX")
    import pwd

    def unknown(uid):
        raise KeyError(uid)

    for name in ("HOME", "QUIETRUN_HOME", "XDG_DATA_HOME"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(pwd, "getpwuid", unknown)
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize(
    ("args", "code"),
    [
        (["check", str(QUIET)], (0, 1)),
        (["batch", str(CLIPS), "-o", "o.jsonl", "--jobs", "1"], (0, 1)),
        (["machine", "list"], (2,)),
        (["machine", "add", "B-014"], (2,)),
        (["logbook", "check"], (2,)),
        (["doctor"], (1,)),
        (["machine", "add", "B-014", "--home", "book"], (0,)),
    ],
)
def test_without_a_home(homeless, args, code):
    result = CliRunner().invoke(main, args)
    assert result.exit_code in code, result.output
    if code == (2,):
        assert "--home or QUIETRUN_HOME" in result.stderr
    assert not (homeless / "~").exists(), "a folder called ~ was made"


@posix
@pytest.mark.parametrize("home", ["~nosuchuser/x", "h" * 5000, "/dev/null/x", "/proc/x"])
def test_a_home_that_cannot_be_is_named(home):
    for args in (["machine", "list"], ["machine", "add", "B-014"]):
        result = CliRunner().invoke(main, [*args, "--home", home])
        assert result.exit_code == 2, result.output
        assert "Do:" in result.stderr or "Error:" in result.stderr


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 200 kB, where this user may mount one."""
    place = tmp_path / "disk"
    place.mkdir()
    if shutil.which("mount") is None or os.name == "nt" or os.geteuid() != 0:
        pytest.skip("only root may mount a small disk")
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=200k", "none", place]).returncode:
        pytest.skip("no disk can be mounted here")
    yield place
    subprocess.run(["umount", "-l", place], check=True)


def test_a_full_disk_is_said_and_spoils_nothing(small_disk):
    home, clip = small_disk / "home", str(QUIET)
    in_order(program("machine", "add", "B-014", "--home", home), (0,))
    logged = 0
    for number in range(12):
        done = program("machine", "add", f"M-{number}", "--notes", "x" * 1900, "--home", home)
        if done.returncode:
            break
        logged += 1
    text = in_order(done, (0, 2))
    assert done.returncode == 0 or "space" in text or "full" in text
    (small_disk / "filler").write_bytes(bytes(shutil.disk_usage(small_disk).free))
    for args in (
        ["example", "quiet", "-o", small_disk / "e.wav"],
        ["batch", CLIPS, "-o", small_disk / "o.jsonl", "--jobs", "1"],
        ["logbook", "export", small_disk / "book.json", "--home", home],
        ["logbook", "add", clip, "--machine", "B-014", "--home", home],
    ):
        text = in_order(program(*args), (2,))
        assert "space" in text or "full" in text, text
    (small_disk / "filler").unlink()
    in_order(program("logbook", "check", "--home", home), (0,))
    found = json.loads(program("machine", "list", "--json", "--home", home).stdout)
    assert len(found if isinstance(found, list) else found["machines"]) == logged + 1
    assert not list(small_disk.glob("e.wav*")), "half a file was left"


def test_a_read_only_home_is_said(small_disk):
    home = small_disk / "home"
    in_order(program("machine", "add", "B-014", "--home", home), (0,))
    subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
    assert "B-014" in in_order(program("machine", "list", "--home", home), (0,))
    assert "readonly" in in_order(program("machine", "add", "C-1", "--home", home), (2,))
    in_order(program("logbook", "add", QUIET, "--machine", "B-014", "--home", home), (2,))
    in_order(program("batch", CLIPS, "-o", small_disk / "o.jsonl"), (2,))
    assert "is sound" in in_order(program("logbook", "check", "--home", home), (0,))
    found = json.loads(program("doctor", "--json", "--home", home).stdout)
    assert found["logbook"].startswith("there, 0.")


# --- no reader, no terminal, no locale --------------------------------------------------------


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full")
@pytest.mark.parametrize(
    ("args", "code"),
    [
        (["nosuch"], 2),
        (["check", "/not/there.wav"], 2),
        (["check", QUIET, "--machine-file", "/not/there"], 2),
        (["check", QUIET], 0),
    ],
)
def test_the_exit_code_holds_where_nothing_can_be_told(args, code):
    """Python itself would answer 1, which means ``noisy`` here."""
    with open("/dev/full", "w") as full:
        done = program(*args, stderr=full)
    assert done.returncode == code


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full")
def test_a_batch_goes_on_where_nothing_can_be_told(tmp_path):
    with open("/dev/full", "w") as full:
        done = program("batch", CLIPS, "-o", tmp_path / "o.jsonl", "--jobs", "1", stderr=full)
    assert done.returncode == 1
    assert len((tmp_path / "o.jsonl").read_text().splitlines()) == 6


def test_other_failures_of_standard_error_are_not_swallowed(monkeypatch):
    def gone(text, err):
        raise BrokenPipeError

    monkeypatch.setattr("click.echo", gone)
    with pytest.raises(BrokenPipeError):
        note("x")


@posix
@pytest.mark.parametrize("closed", [">&-", "2>&-", "<&-", ">&- 2>&- <&-"])
def test_closed_streams(closed):
    line = f'"{sys.executable}" -m quietrun check "{QUIET}" {closed}'
    done = subprocess.run(["sh", "-c", line], capture_output=True, timeout=60, check=False)
    assert done.returncode == 0
    assert b"Traceback" not in done.stderr


@posix
def test_a_reader_that_leaves_early():
    line = f'"{sys.executable}" -m quietrun explain; echo $? >&2'
    done = subprocess.run(
        ["sh", "-c", f"({line}) | head -c 1"], capture_output=True, timeout=60, check=False
    )
    assert done.stdout == b"\n" or len(done.stdout) == 1
    assert done.stderr.strip() in (b"141", b"0")  # 0: all of it fitted into the pipe


@pytest.mark.parametrize(
    "args",
    [
        ["check", "☃ Grüße.opus"],
        ["explain"],
        ["doctor", "--json"],
        ["machine", "list", "--home", "book"],
        ["logbook", "KILN-ü", "--home", "book"],
        ["batch", ".", "-o", "o.jsonl", "--jobs", "1", "--home", "book"],
    ],
)
@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "latin-1"])
def test_without_a_locale(tmp_path, args, encoding):
    shutil.copy(QUIET, tmp_path / "☃ Grüße.opus")
    with open_logbook(tmp_path / "book") as book:
        add_machine(book, MachineRecord("KILN-ü", place="Café ☃"))
    env = {
        **{key: value for key, value in os.environ.items() if not key.startswith(("LC_", "LANG"))},
        "LC_ALL": "C",
        "PYTHONCOERCECLOCALE": "0",
        "PYTHONIOENCODING": encoding,
    }
    in_order(program(*args, cwd=tmp_path, env=env), (0, 1, 3))


@posix
def test_ctrl_c_in_a_check_is_130(tmp_path):
    path = tmp_path / "long.wav"
    with soundfile.SoundFile(path, "w", 48_000, 1) as file:
        block = np.zeros(48_000 * 10, np.int16)
        for _ in range(120):
            file.write(block)
    process = subprocess.Popen(
        [sys.executable, "-m", "quietrun", "check", *[str(path)] * 50],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    process.stdout.readline()  # the first one is answered
    process.send_signal(signal.SIGINT)
    _, stderr = process.communicate(timeout=60)
    assert process.returncode == 130
    assert stderr.strip() == b"Stopped."


@posix
def test_a_working_folder_that_is_gone(tmp_path):
    line = (
        f'mkdir gone && cd gone && rmdir ../gone && "{sys.executable}" -m quietrun check "{QUIET}"'
    )
    done = subprocess.run(
        ["sh", "-c", line], cwd=tmp_path, capture_output=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stderr


# --- no network ---------------------------------------------------------------------------------

NO_NETWORK = """
import sys
def watch(event, args):
    if event.startswith("socket.") and event not in ("socket.gethostname",):
        family = getattr(args[0], "family", None) if args else None
        if event == "socket.__new__":
            family = args[1]
        if family is None or int(family) != 1:  # AF_UNIX
            sys.stderr.write(f"NETWORK {event} {args!r}\\n")
            sys.stderr.flush()
    if event == "urllib.Request":
        sys.stderr.write(f"NETWORK {args!r}\\n")
sys.addaudithook(watch)
from quietrun.cli import main
main.main(sys.argv[1:])
"""


def _every_day(folder):
    """Calls of a day's work."""
    home = ["--home", folder / "book"]
    yield ["machine", "add", "B-014", *home]
    yield ["check", QUIET, "--page", folder / "c.html"]
    yield ["logbook", "add", QUIET, "--machine", "B-014", *home]
    yield ["tune", "B-014", *home]
    yield ["batch", CLIPS, "-o", folder / "o.jsonl", "--jobs", "2", "--page", folder / "o.html"]
    yield ["compare", QUIET, CLIPS / "bearing.opus"]
    yield ["report", QUIET, "-o", folder / "p.html"]
    yield ["logbook", "export", folder / "e.json", *home]
    yield ["doctor", *home]


@pytest.mark.slow
def test_nothing_asks_for_the_network(tmp_path):
    """Python tells of every socket that it makes; none may leave this computer."""
    for args in _every_day(tmp_path):
        done = subprocess.run(
            [sys.executable, "-c", NO_NETWORK, *map(str, args)],
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        assert done.returncode in (0, 1, 3), done.stdout + done.stderr
        assert "NETWORK" not in done.stderr, (args, done.stderr)


def test_the_watch_would_see_it():
    code = NO_NETWORK.partition("from quietrun")[0] + "import socket\nsocket.socket()\n"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    )
    assert "NETWORK" in done.stderr


@pytest.mark.slow
def test_all_works_without_a_network(tmp_path):
    before = ["unshare", "-n"]
    if shutil.which("unshare") is None or subprocess.run([*before, "true"]).returncode:
        pytest.skip("no network can be taken away here")
    for args in _every_day(tmp_path):
        in_order(program(*args, before=before), (0, 1, 3))


# --- temporary files --------------------------------------------------------------------------


@posix
def test_shipped_clips_are_private_and_go_away(monkeypatch, tmp_path):
    monkeypatch.setattr(work.tempfile, "tempdir", str(tmp_path))
    item = Item("clip.wav", Machine())
    before = os.umask(0)
    try:
        with work._shipped(work.Task(0, item, 10.0, "x:y", data=b"sound")) as path:
            assert stat.S_IMODE(os.stat(path).st_mode) == 0o600
            assert Path(path).read_bytes() == b"sound"
    finally:
        os.umask(before)
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_left_in_the_temporary_folder(tmp_path):
    folder = tmp_path / "tmp"
    folder.mkdir()
    env = {**os.environ, "TMPDIR": str(folder), "TEMP": str(folder), "TMP": str(folder)}
    out = tmp_path / "o.jsonl"
    in_order(program("batch", CLIPS, "-o", out, "--jobs", "2", env=env), (1,))
    in_order(program("check", QUIET, env=env), (0, 1))
    left = [path.name for path in folder.rglob("*") if path.is_file()]
    assert left == []


# --- a great many machines ----------------------------------------------------------------------


def test_ten_thousand_machines(tmp_path):
    with open_logbook(tmp_path) as book, book.writing():
        for number in range(10_000):
            add_machine(book, MachineRecord(f"M-{number:05d}", place="Somewhere"))
    for args in (["machine", "list"], ["machine", "show", "M-09999"], ["logbook", "check"]):
        start = time.perf_counter()
        result = CliRunner().invoke(main, [*args, "--home", str(tmp_path)])
        assert result.exit_code == 0, result.output[:500]
        assert time.perf_counter() - start < 20.0, args
    listed = CliRunner().invoke(main, ["machine", "list", "--home", str(tmp_path)])
    assert len(listed.stdout.splitlines()) >= 10_000
