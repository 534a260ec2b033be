"""The two commands of the README, and the README's own generator."""

import importlib.util
import json
import os
import shutil
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
SCRIPTS = ROOT / "scripts"


def script(name):
    """Import a script as a module under a name of its own."""
    spec = importlib.util.spec_from_file_location(f"script_{name}", SCRIPTS / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up by name
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def checkout(tmp_path, monkeypatch):
    """The set-up script, pointed at a folder of its own."""
    module = script("checkout")
    (tmp_path / "pyproject.toml").write_text("[project]\n")
    monkeypatch.setattr(module, "ROOT", tmp_path)
    monkeypatch.setattr(module, "VENV", tmp_path / ".venv")
    monkeypatch.setattr(
        module, "venv_python", lambda venv=None: tmp_path / ".venv" / "bin" / "python"
    )
    return module


def test_an_old_python_is_told_so(checkout):
    with pytest.raises(SystemExit, match=r"needs Python 3\.11 or newer; this is 3\.9\.2"):
        checkout.check_python((3, 9, 2))
    checkout.check_python((3, 11, 0))


@pytest.mark.parametrize("absent", ["venv", "ensurepip"])
def test_a_python_without_venv_is_told_what_to_install(checkout, monkeypatch, absent):
    monkeypatch.setattr(
        checkout.importlib.util, "find_spec", lambda name: None if name == absent else object()
    )
    with pytest.raises(SystemExit, match=rf"without its module {absent}.*\nDo: .*python3-venv"):
        checkout.check_venv_module()


class Calls:
    """In place of ``subprocess.run``: notes each command, answers by a rule."""

    def __init__(self, answer):
        self.made, self.answer = [], answer

    def __call__(self, command, **_):
        self.made.append(" ".join(command[1:4]))
        return subprocess.CompletedProcess(command, self.answer(command), "", "no such index")


def test_a_second_run_installs_nothing(checkout, monkeypatch, tmp_path):
    (tmp_path / ".venv").mkdir()
    calls = Calls(lambda command: 0)
    monkeypatch.setattr(checkout.subprocess, "run", calls)
    checkout.ready("dev")
    assert "-m pip install" in calls.made
    calls.made.clear()
    checkout.ready("dev")
    assert "-m pip install" not in calls.made
    (tmp_path / "pyproject.toml").write_text("[project]\nname = 'changed'\n")
    checkout.ready("dev")
    assert "-m pip install" in calls.made


def test_plain_and_dev_are_kept_apart(checkout, monkeypatch, tmp_path):
    (tmp_path / ".venv").mkdir()
    calls = Calls(lambda command: 0)
    monkeypatch.setattr(checkout.subprocess, "run", calls)
    checkout.ready()
    calls.made.clear()
    checkout.ready("dev")
    assert "-m pip install" in calls.made


def test_a_broken_venv_is_made_anew(checkout, monkeypatch, tmp_path):
    old = tmp_path / ".venv" / "left_over"
    old.mkdir(parents=True)

    def answer(command):
        if command[1:3] == ["-m", "venv"]:
            (tmp_path / ".venv").mkdir()
        return 1 if command[1] == "-c" else 0

    calls = Calls(answer)
    monkeypatch.setattr(checkout.subprocess, "run", calls)
    checkout.ready()
    assert not old.exists()
    assert f"-m venv {tmp_path / '.venv'}" in calls.made


def test_a_failed_install_shows_why_and_leaves_no_stamp(checkout, monkeypatch, tmp_path):
    (tmp_path / ".venv").mkdir()
    calls = Calls(lambda command: 1 if "pip" in command else 0)
    monkeypatch.setattr(checkout.subprocess, "run", calls)
    with pytest.raises(SystemExit, match=r"pip could not install quietrun:\nno such index"):
        checkout.ready()
    assert list((tmp_path / ".venv").glob("*.stamp")) == []


@pytest.mark.parametrize("name", ["checkout", "try_it", "run_tests"])
def test_before_the_venv_only_the_standard_library_is_needed(name):
    """Isolated and without site-packages, the script must still be importable."""
    probe = f"import sys; sys.path.insert(0, {str(SCRIPTS)!r}); import {name}"
    done = subprocess.run([sys.executable, "-I", "-S", "-c", probe], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_every_check_runs_and_one_failure_fails_all(monkeypatch, capfd):
    monkeypatch.syspath_prepend(str(SCRIPTS))
    run_tests = script("run_tests")
    monkeypatch.setattr(run_tests.checkout, "ready", lambda extra: sys.executable)
    seen = []

    def run(python, name, arguments):
        seen.append(name)
        return name != "Lint"

    monkeypatch.setattr(run_tests, "run", run)
    assert run_tests.main(["-k", "x"]) == 1
    assert seen == [*(name for name, _ in run_tests.CHECKS), "Tests"]
    assert "Failed: Lint" in capfd.readouterr().out
    monkeypatch.setattr(run_tests, "run", lambda *a: True)
    assert run_tests.main([]) == 0


def test_a_check_that_fails_is_seen(monkeypatch, capfd):
    monkeypatch.syspath_prepend(str(SCRIPTS))
    run_tests = script("run_tests")
    assert run_tests.run(sys.executable, "Good", ["-c", "pass"])
    assert not run_tests.run(sys.executable, "Bad", ["-c", "raise SystemExit(3)"])
    out = capfd.readouterr().out
    assert "Good: passed" in out
    assert "Bad: FAILED" in out


def test_ci_runs_the_command_of_the_readme():
    lines = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    command = "python3 scripts/run_tests.py"
    assert "set -euo pipefail" in lines, "a gate that fails must end it"
    assert lines.count(f"{command} --cov --cov-report=term") == 1
    assert lines.count(".venv/bin/python scripts/fuzz.py --minutes 3 || fuzz_code=$?") == 1
    assert lines[-1] == 'exit "$((fuzz_code ? fuzz_code : newest_code))"'
    assert f"```\n{command}\n```" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_too_little_coverage_fails_the_gate():
    """Of lines and of branches, over all of the package."""
    told = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["coverage"]
    assert told["run"] == {"branch": True, "source": ["src/quietrun"]}
    assert told["report"]["fail_under"] >= 95


@pytest.fixture
def readme(tmp_path, monkeypatch):
    module = script("readme")
    copy = tmp_path / "README.md"
    shutil.copy(ROOT / "README.md", copy)
    monkeypatch.setattr(module, "README", copy)
    return module


def test_readme_drift_is_caught_and_mended(readme, capsys):
    readme.run([])
    assert readme.run(["--check"]) == 0
    told = readme.README.read_text(encoding="utf-8")
    readme.README.write_text(told.replace("  --machine-file", "  --machine-fiel"), encoding="utf-8")
    assert readme.run(["--check"]) == 1
    assert "--machine-fiel" in capsys.readouterr().err
    assert "--machine-fiel" in readme.README.read_text(encoding="utf-8"), "--check changes nothing"
    readme.run([])
    assert readme.README.read_text(encoding="utf-8") == told


def test_readme_shows_every_command(readme):
    readme.run([])
    told = readme.README.read_text(encoding="utf-8")
    from quietrun.cli import COMMANDS

    for name in COMMANDS:
        assert f"Usage: quietrun {name}" in told


def test_readme_leaves_visible_gaps_and_fills_them(readme, tmp_path, monkeypatch):
    monkeypatch.setattr(readme, "BENCHMARK", tmp_path / "none.json")
    assert readme.benchmark() == readme.GAP
    made = tmp_path / "benchmark.json"
    made.write_text(
        '{"where": "2 cores", "summary": [{"what": "w", "result": "3.1 x", "goal": "4 x"}]}'
    )
    monkeypatch.setattr(readme, "BENCHMARK", made)
    assert "| w | 3.1 x | 4 x |" in readme.benchmark()


def test_readme_reckons_what_many_clips_take(readme, tmp_path, monkeypatch):
    """By hand: 0.09 s a clip, two workers at 0.9 of twice one: 10 M clips on 256 cores 1.1 h."""
    cost = {"wall_s": 1.0, "cpu_s": 18.0, "peak_mib": 90.4}
    two = {**cost, "cpu_s": 20.0, "peak_mib": 93.0}
    numbers = {
        "ratio": [1.8, 1.7, 1.9],
        "costs": [[two, cost]],
        "clips": 200,
        "bytes": {"clip": 120_000.0, "row": 9_500.0},
    }
    made = tmp_path / "benchmark.json"
    monkeypatch.setattr(readme, "BENCHMARK", made)
    assert readme.paper() == readme.GAP
    made.write_text(json.dumps({"summary": [{"part": "d", "numbers": numbers}]}))
    told = readme.paper()
    assert "measured 90 ms of CPU and 93 MiB a worker for a 10 s clip of 120 kB" in told
    rows = [
        [cell.strip() for cell in line.split("|")[1:-2]]
        for line in told.splitlines()
        if line[2:3].isdigit()
    ]
    assert rows == [
        ["1 000", "0.025", "50 s", "6 s", "-", "120 MB", "9.5 MB"],
        ["100 000", "2.5", "83 min", "10 min", "39 s", "12 GB", "950 MB"],
        ["10 000 000", "2.5e+02", "5.8 days", "17 h", "65 min", "1.2 TB", "95 GB"],
    ]


def test_readme_refuses_parts_that_nothing_makes(readme):
    with pytest.raises(SystemExit, match="that nothing here makes"):
        readme.filled("<!-- made: dreams -->\n<!-- end -->\n")
    readme.README.write_text("no parts")
    with pytest.raises(SystemExit, match="no place for"):
        readme.run(["--check"])


@pytest.fixture
def benchmark():
    if not hasattr(os, "wait4"):
        pytest.skip("the benchmark measures processes as POSIX systems tell them")
    return script("benchmark")


def test_benchmark_measures_what_a_process_takes(benchmark):
    """From a small parent, as the script is one: a child's peak cannot read below its parent's."""
    busy = "import time; x = bytearray(200 * 2**20); x[::4096] = b'1' * len(x[::4096])"
    probe = (
        f"import sys, json; sys.path.insert(0, {str(SCRIPTS)!r}); import benchmark as b\n"
        f"for code in ({busy!r}, 'import time; time.sleep(0.3)'):\n"
        "    print(json.dumps(b.asdict(b.child(sys.executable, '-c', code))))"
    )
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True)
    busy, idle = map(json.loads, done.stdout.splitlines())
    assert 200 < busy["peak_mib"] < 260
    assert idle["peak_mib"] < 60
    assert idle["wall_s"] >= 0.3 > idle["cpu_s"]


def test_benchmark_stops_at_a_process_that_fails(benchmark):
    with pytest.raises(SystemExit, match=r"ended with 3:\nworn out"):
        benchmark.child(
            sys.executable, "-c", "import sys; sys.stderr.write('worn out'); sys.exit(3)"
        )
    benchmark.child(sys.executable, "-c", "raise SystemExit(1)", codes=(0, 1))


def test_benchmark_swaps_the_order_of_its_pairs(benchmark):
    order = []
    both = benchmark.pairs(
        3, lambda: order.append("left") or "L", lambda: order.append("right") or "R"
    )
    assert order == ["left", "right", "left", "right", "right", "left", "left", "right"]
    assert both == [["L", "R"]] * 3


def _told(benchmark, parts, machine, result):
    rows = [{"part": part, "what": f"w{part}", "result": result} for part in parts]
    return benchmark.told_of(rows, dict.fromkeys(parts, machine), dict.fromkeys(parts, 0.1))


def test_benchmark_keeps_the_parts_that_are_not_measured_now(benchmark, tmp_path, monkeypatch):
    monkeypatch.setattr(benchmark, "SAVED", tmp_path / "benchmark.json")

    def saved():
        told = json.loads(benchmark.SAVED.read_text())
        return {row["part"]: row["result"] for row in told["summary"]}, told

    benchmark.save(_told(benchmark, "abcde", "Here.", "old"))
    rows, told = saved()
    assert (rows, told["not_measured"]) == (dict.fromkeys("abcde", "old"), ["f"])
    assert told["where"].startswith("Here. Other load of the machine meanwhile: at most 0.1 cores.")
    benchmark.save({**_told(benchmark, "bf", "There.", "new"), "other_load_cores": {"f": 0.7}})
    rows, told = saved()
    assert rows == {"a": "old", "b": "new", "c": "old", "d": "old", "e": "old", "f": "new"}
    assert told["not_measured"] == []
    assert told["other_load_cores"] == {"a": 0.1, "c": 0.1, "d": 0.1, "e": 0.1, "f": 0.7}
    assert told["where"].startswith("(a, c, d, e) Here. (b, f) There. Other load")
    assert "at most 0.7 cores" in told["where"]
    benchmark.save(_told(benchmark, "abcdef", "There.", "newest"))
    rows, told = saved()
    assert rows == dict.fromkeys("abcdef", "newest")
    assert told["where"].startswith("There. Other load")


def test_benchmark_saves_all_parts_in_one_call(benchmark, tmp_path, monkeypatch, capsys):
    """The whole way from the call to the file, with parts that measure nothing."""
    monkeypatch.setattr(benchmark, "SAVED", tmp_path / "benchmark.json")
    monkeypatch.setattr(benchmark, "_output", lambda *_: "")
    parts = {
        name: lambda folder, rounds, name=name: [benchmark.Row(name, "w", f"{rounds}", "g", {})]
        for name in benchmark.PARTS
    }
    monkeypatch.setattr(benchmark, "PARTS", parts)
    benchmark.main(["--save", "--rounds", "2"])
    benchmark.main(["--save", "--rounds", "5", "--only", "d"])
    told = json.loads(benchmark.SAVED.read_text())
    assert {row["part"]: row["result"] for row in told["summary"]} == {
        **dict.fromkeys("abcef", "2"),
        "d": "5",
    }
    assert "(d) w\n      5   [goal: g]" in capsys.readouterr().out
    with pytest.raises(SystemExit):
        benchmark.main(["--only", "x"])


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("git") is None, reason="needs git to clone the checkout")
def test_try_it_in_a_fresh_clone_twice(tmp_path):
    """The README's first command, in a clone without ``.venv``; the second run is quick."""
    clone = tmp_path / "clone"
    subprocess.run(
        ["git", "clone", "--quiet", "--depth", "1", ROOT.as_uri(), str(clone)], check=True
    )
    env = {key: value for key, value in os.environ.items() if not key.startswith("PYTHON")}
    command = [sys.executable, "scripts/try_it.py"]
    first = subprocess.run(command, cwd=clone, env=env, capture_output=True, text=True)
    assert first.returncode == 0, first.stdout + first.stderr
    assert "the answer is right" in first.stdout
    assert "Making .venv" in first.stdout
    start = time.monotonic()
    second = subprocess.run(command, cwd=clone, env=env, capture_output=True, text=True)
    assert second.returncode == 0, second.stdout + second.stderr
    assert "Installing" not in second.stdout
    assert time.monotonic() - start < 15
