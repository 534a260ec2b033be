"""The fuzzer finds what breaks a reader; a short run of it finds nothing in ours."""

import importlib.util
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from quietrun.errors import ModelError, UsageError
from quietrun.judge.model import default_path, load_model

SCRIPT = Path(__file__).parents[1] / "scripts" / "fuzz.py"

pytestmark = pytest.mark.skipif(os.name == "nt", reason="limits and alarms are POSIX")


@pytest.fixture
def fuzz(monkeypatch):
    spec = importlib.util.spec_from_file_location("script_fuzz", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    before = signal.signal(signal.SIGALRM, module._hangs)
    yield module
    signal.signal(signal.SIGALRM, before)


@pytest.mark.slow
def test_a_short_run_finds_nothing(tmp_path):
    done = subprocess.run(
        [sys.executable, SCRIPT, "--minutes", "0.5", "--engine", "edits", "--save", tmp_path],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    told = [line for line in done.stdout.splitlines() if "inputs, nothing found" in line]
    assert len(told) == 5
    assert all(int(line.split()[1]) >= 10 for line in told), told


def test_what_breaks_is_found_made_small_and_kept(fuzz, tmp_path, monkeypatch, capsys):
    def breaks(data):
        if b"NaN" in data:
            raise ZeroDivisionError("torn")

    monkeypatch.setitem(fuzz.TARGETS, "manifest", breaks)
    monkeypatch.setitem(fuzz.SEEDS, "manifest", lambda: iter([b"x" * 200]))
    assert fuzz.by_edits("manifest", 20.0, tmp_path) == -1
    assert "FOUND manifest: ZeroDivisionError: torn" in capsys.readouterr().out
    (kept,) = [path for path in tmp_path.iterdir() if not path.name.endswith("-last")]
    assert b"NaN" in kept.read_bytes()
    assert len(kept.read_bytes()) <= 203


def test_refusals_are_answers(fuzz, tmp_path, monkeypatch):
    def refuses(data):
        raise UsageError("No.", "Why.", "Do.")

    monkeypatch.setitem(fuzz.TARGETS, "manifest", refuses)
    assert fuzz.tried("manifest", b"x", tmp_path) is None


def test_a_hang_is_found(fuzz, tmp_path, monkeypatch):
    monkeypatch.setattr(fuzz, "HANG_S", 1)
    monkeypatch.setitem(fuzz.TARGETS, "manifest", lambda data: time.sleep(30))
    assert fuzz.tried("manifest", b"x", tmp_path) == "no answer within 1 s"


def test_a_process_that_dies_is_found_with_its_input(fuzz, tmp_path, monkeypatch, capsys):
    script = tmp_path / "dies.py"
    script.write_text("import os, signal; os.kill(os.getpid(), signal.SIGSEGV)")
    monkeypatch.setattr(fuzz, "__file__", str(script))
    assert not fuzz._child("decode", 1.0, "edits", tmp_path, 0)
    assert f"the process died, input: {tmp_path / 'decode-last'}" in capsys.readouterr().out


@pytest.mark.parametrize("target", ["decode", "manifest", "machine", "model", "logbook"])
def test_good_files_are_taken(fuzz, target):
    """Edits of what is refused anyhow would find nothing."""
    goods = list(fuzz.SEEDS[target]())
    assert goods
    for data in goods:
        fuzz.TARGETS[target](data)


@pytest.mark.parametrize(
    ("place", "value"),
    [("by_hand", []), ("by_hand", 7), ("base", 10**400), ("edges", [10**400]), ("terms", 3)],
)
def test_a_model_with_the_wrong_kind_of_value_is_refused(tmp_path, place, value):
    """A list where a table belongs, a number that no float holds."""
    told = json.loads(default_path().read_bytes())
    card = told["faults"]["impeller_rub"]
    holder = {"by_hand": told, "edges": card["terms"][0]}.get(place, card)
    holder[place] = value
    path = tmp_path / "model.json"
    path.write_text(json.dumps(told))
    with pytest.raises(ModelError, match="is not a model of this tool"):
        load_model(path)


def test_edits_do_what_they_say(fuzz):
    assert fuzz.edited(b"abcdef", [("drop", 0.0, 2, 0)]) == b"cdef"
    assert fuzz.edited(b"abcdef", [("cut", 0.5, 1, 0)]) == b"abc"
    assert fuzz.edited(b"abcdef", [("flip", 0.0, 1, 0)]) == b"`bcdef"
    assert fuzz.edited(b"abcdef", [("double", 0.0, 1, 1)]) == b"aaabcdef"
    assert fuzz.edited(b"abcdef", [("zero", 0.5, 9, 0)]) == b"abc\0\0\0"
    number = fuzz.TOKENS.index(b"NaN")
    assert fuzz.edited(b'{"a": 12.5}', [("number", 0.0, 1, number)]) == b'{"a": NaN}'
    assert fuzz.edited(b"", [(kind, 0.5, 3, 3) for kind in fuzz.KINDS]) is not None
