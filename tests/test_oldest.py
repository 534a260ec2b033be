"""The oldest libraries that are promised are the ones that CI installs."""

import importlib.util
import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture
def oldest(monkeypatch):
    monkeypatch.syspath_prepend(str(ROOT / "scripts"))
    spec = importlib.util.spec_from_file_location("script_oldest", ROOT / "scripts" / "oldest.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_every_library_of_a_user_is_pinned_to_its_lower_bound(oldest):
    told = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    pinned = oldest.wanted(ROOT / "pyproject.toml")
    for one in (*told["dependencies"], *told["optional-dependencies"]["record"]):
        assert one.replace(">=", "==") in pinned
    assert {re.split("==", one)[0] for one in pinned} > {"numpy", "av", "pytest", "sounddevice"}


@pytest.mark.parametrize("loose", ["numpy", "numpy<3", "numpy>=1,<3", "numpy~=1.0"])
def test_a_library_without_a_plain_lower_bound_is_refused(oldest, loose):
    with pytest.raises(ValueError, match="no plain lower bound"):
        oldest.pins(["av>=14.2", loose])


def test_the_tests_that_it_runs_are_there(oldest):
    for name in oldest.TESTS:
        assert list((ROOT / "tests").glob(name)), name


def test_ci_runs_it():
    lines = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    assert lines.count("python3 scripts/oldest.py") == 1


def test_it_ends_with_the_code_of_what_failed(oldest, monkeypatch, tmp_path):
    codes = iter([0, 0, 5])
    run = []

    class Done:
        def __init__(self, command):
            run.append(command)
            self.returncode = next(codes)

    monkeypatch.setattr(oldest, "PLACE", tmp_path / "none")
    monkeypatch.setattr(oldest.subprocess, "run", lambda command, **more: Done(command))
    assert oldest.main(["-k", "x"]) == 5
    assert ["venv" in run[0], "install" in run[1], run[2][-2:]] == [True, True, ["-k", "x"]]
    codes = iter([0, 3])
    assert oldest.main([]) == 3
    assert len(run) == 5
