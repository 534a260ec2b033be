"""The newest Python that can be had is one that CI tests with."""

import importlib.util
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture
def newest(monkeypatch, tmp_path):
    monkeypatch.syspath_prepend(str(ROOT / "scripts"))
    spec = importlib.util.spec_from_file_location("script_newest", ROOT / "scripts" / "newest.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    monkeypatch.setattr(module, "PLACE", tmp_path / "newest")
    return module


def test_the_tests_that_it_runs_are_there(newest):
    for name in newest.TESTS:
        assert list((ROOT / "tests").glob(name)), name
    found = newest.tests(ROOT)
    assert len(found) == len(set(found)) > 50
    assert "tests/test_clip_reading.py" in found  # the coders are what changes most


def test_ci_runs_it_and_fails_with_it():
    text = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert text.count("python3 scripts/newest.py") == 1
    assert 'wait "$newest_id" || newest_code=$?' in text
    assert text.rstrip().endswith('exit "$((fuzz_code ? fuzz_code : newest_code))"')


@pytest.mark.skipif(os.name == "nt", reason="a shell script")
@pytest.mark.parametrize("works", [True, False])
def test_a_python_that_does_not_run_is_not_taken(newest, monkeypatch, tmp_path, works):
    """Shims of version managers stand in the path for what is switched off."""
    found = tmp_path / f"python3.{sys.version_info.minor + 1}"
    found.write_text(f"#!/bin/sh\nexit {0 if works else 127}\n")
    found.chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setenv("HOME", str(tmp_path))
    assert newest.beside() == (str(found) if works else None)


def test_an_older_python_is_none(newest, monkeypatch, tmp_path):
    monkeypatch.setenv("PATH", str(Path(sys.executable).parent))
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setattr(newest, "NEWEST", sys.version_info.minor)
    assert newest.beside() is None


def test_without_a_newer_one_it_says_so(newest, monkeypatch, capsys):
    monkeypatch.setattr(newest, "make_folder", lambda: False)
    monkeypatch.setattr(newest, "beside", lambda: None)
    assert newest.main([]) == 0
    assert "Not tested with a newer Python" in capsys.readouterr().out


@pytest.mark.parametrize("codes", [(0, 0, 0, 0), (0, 1), (0, 0, 0, 5)])
def test_it_ends_with_the_code_of_the_tests(newest, monkeypatch, capsys, codes):
    """What cannot be installed today is said, and is no failure of the checkout."""
    given = iter(codes)
    asked = []

    def run(*command, cwd=None):
        asked.append(command)
        return next(given)

    monkeypatch.setattr(newest, "make_folder", lambda: False)
    monkeypatch.setattr(newest, "beside", lambda: "/usr/bin/python3.99")
    monkeypatch.setattr(newest, "run", run)
    assert newest.main([]) == (codes[-1] if len(codes) == 4 else 0)
    assert ("Not tested: " in capsys.readouterr().out) == (len(codes) < 4)
    assert len(asked) == len(codes)
    assert asked[0][0] == "/usr/bin/python3.99"
    if len(codes) == 4:
        assert "pytest" in asked[-1]


def test_what_git_knows_is_copied(newest, monkeypatch, tmp_path):
    made = tmp_path / "made"
    made.mkdir()
    (made / "kept.txt").write_text("kept")
    (made / ".gitignore").write_text("left\n")
    (made / "left").write_text("left out")
    subprocess.run(["git", "init", "-q"], cwd=made, check=True)
    monkeypatch.setattr(newest.checkout, "ROOT", made)
    newest.copy_checkout(tmp_path / "copy")
    assert sorted(p.name for p in (tmp_path / "copy").iterdir()) == [".gitignore", "kept.txt"]


def test_a_folder_that_cannot_be_made_is_told(newest, monkeypatch, capsys):
    monkeypatch.setattr(newest.shutil, "which", lambda name: None)
    assert newest.make_folder() is False
    if os.name == "posix":
        monkeypatch.setattr(newest.os, "geteuid", lambda: 0)
        monkeypatch.setattr(newest.shutil, "which", lambda name: f"/usr/sbin/{name}")

        class Failed:
            returncode = 1

        monkeypatch.setattr(newest.subprocess, "run", lambda *args, **more: Failed())
        assert newest.make_folder() is False
        assert "debootstrap ended with 1" in capsys.readouterr().out
