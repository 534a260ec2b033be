"""``quietrun check`` as a user runs it: a process of its own, a file, the shipped model."""

import json
import os
import subprocess
import sys

import numpy as np
import pytest
import soundfile

HEAVY = {"librosa", "numba", "sklearn", "matplotlib", "scipy", "rich", "pandas"}
WHOLE = """
import json, sys
sys.argv = ["quietrun", *{args!r}]
from quietrun.cli import main
try:
    main()
except SystemExit as done:
    code = done.code
names = {{name.split(".")[0] for name in sys.modules}}
print("LOADED " + json.dumps([code, sorted(names)]))
"""


def empty_run(rate_hz=32000):
    """A made-up run: room, hum while powered, noise and a shaft tone that follow the speed."""
    rng = np.random.default_rng(5)
    t = np.arange(10 * rate_hz) / rate_hz
    speed = np.clip((t - 1.2) / 0.8, 0, 1) * np.clip(1 - (t - 6.5) / 2.5, 0, 1)
    angle = 2 * np.pi * np.cumsum(24.6 * speed) / rate_hz
    powered = (t > 1.2) & (t < 6.5)
    hum = sum(np.sin(2 * np.pi * 100 * k * t + k) / k for k in range(1, 7))
    air = rng.standard_normal(t.size) * speed**2.5
    shaft = np.sin(7 * angle) + np.sin(14 * angle)
    room = 0.001 * rng.standard_normal(t.size)
    return 0.2 * (0.3 * powered * hum + 0.2 * speed**2 * shaft + 0.3 * air) + room


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    out = tmp_path_factory.mktemp("clips")
    soundfile.write(out / "run.wav", empty_run(), 32000)
    soundfile.write(out / "caf\u00e9 \u2603.wav", empty_run(), 32000)
    soundfile.write(out / "silence.wav", np.zeros(320000), 32000)
    (out / "empty.m4a").touch()
    return out


def check(folder, *args, **env):
    return subprocess.run(
        [sys.executable, "-m", "quietrun", "check", *args],
        cwd=folder,
        env={**os.environ, **env},
        capture_output=True,
        timeout=120,
    )


def test_check_loads_no_heavy_library(folder):
    done = subprocess.run(
        [sys.executable, "-c", WHOLE.format(args=("check", "--json", "run.wav"))],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=120,
    )
    *answer, last = done.stdout.splitlines()
    code, names = json.loads(last.removeprefix("LOADED "))
    word = json.loads("\n".join(answer))["verdict"]
    assert code == {"quiet": 0, "inspect": 1, "noisy": 1}[word]
    assert set(names) & HEAVY == set()
    assert "numpy" in names


def test_the_run_of_a_made_clip_is_found(folder):
    run = json.loads(check(folder, "--json", "run.wav").stdout)["run"]
    assert run["switched_on_s"] == pytest.approx(1.2, abs=0.1)
    assert run["switched_off_s"] == pytest.approx(6.5, abs=0.1)
    assert run["mains_hz"] == pytest.approx(50.0, abs=0.2)


@pytest.mark.parametrize("name", ["silence.wav", "empty.m4a"])
def test_what_cannot_be_judged_exits_3_and_is_never_quiet(folder, name):
    done = check(folder, "--json", name)
    assert done.returncode == 3
    assert json.loads(done.stdout)["verdict"] == "unusable"
    assert done.stderr == b""


def test_text_and_json_tell_the_same_verdict(folder):
    word = json.loads(check(folder, "--json", "run.wav").stdout)["verdict"]
    first = check(folder, "run.wav").stdout.decode().splitlines()[0]
    assert f"] {word.upper()}: " in first


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_any_terminal_can_print_any_file_name(folder, encoding):
    done = check(folder, "caf\u00e9 \u2603.wav", PYTHONIOENCODING=encoding)
    assert done.returncode in (0, 1)
    assert done.stderr == b""
    shown = "caf\u00e9 \u2603.wav".encode(encoding, "replace").decode(encoding)
    assert shown in " ".join(done.stdout.decode(encoding).split())


def test_several_clips_give_a_line_each(folder):
    done = check(folder, "--json", "run.wav", "empty.m4a")
    rows = [json.loads(line) for line in done.stdout.splitlines()]
    assert [row["clip"]["path"] for row in rows] == ["run.wav", "empty.m4a"]
    assert done.returncode == 3


def test_every_measured_value_can_be_listed(folder):
    told = json.loads(check(folder, "--json", "--features", "run.wav").stdout)["features"]
    numbers = [row for row in told.values() if row["value"] is not None]
    assert len(numbers) > len(told) / 2
    assert all(row["because"] for row in told.values() if row["value"] is None)


def test_batch_loads_no_heavy_library(folder, tmp_path):
    args = ("batch", str(folder), "-o", str(tmp_path / "rows.jsonl"))
    done = subprocess.run(
        [sys.executable, "-c", WHOLE.format(args=args)], capture_output=True, text=True, timeout=120
    )
    _, names = json.loads(done.stdout.splitlines()[-1].removeprefix("LOADED "))
    assert set(names) & HEAVY == set()
    assert "jinja2" not in names
    rows = (tmp_path / "rows.jsonl").read_text(encoding="utf-8").splitlines()
    assert len(rows) == 4, "one row for every input"


def test_a_batch_worker_loads_no_heavy_library(folder):
    """What a worker process imports and calls, in a process that can be looked into."""
    probe = (
        "import json, sys\n"
        "import quietrun.batch.work\n"
        "from quietrun.pipeline import analyse\n"
        "analyse('run.wav')\n"
        "print(json.dumps(sorted({name.split('.')[0] for name in sys.modules})))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", probe], cwd=folder, capture_output=True, text=True, timeout=120
    )
    assert set(json.loads(done.stdout)) & HEAVY == set()
