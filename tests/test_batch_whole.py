"""A batch over real files with the real analysis: traps of the field, and what ``check`` says."""

import json
import os
import subprocess
import sys
from pathlib import Path

import clip_files
import numpy as np
import pytest

from quietrun.batch.plan import plan_for
from quietrun.batch.rows import read_rows
from quietrun.batch.run import run_batch
from quietrun.batch.types import Outputs, Settings
from quietrun.words import PROBLEMS, UNREADABLE, VERDICTS

SHARED = Path(__file__).resolve().parents[2] / "shared"
MAKER = SHARED / "field" / "make_bad_files.py"
#: Parts of the program and of other libraries that a batch has no business with.
HEAVY = {"librosa", "numba", "sklearn", "matplotlib", "scipy", "rich", "jinja2", "dask", "pandas"}


@pytest.fixture(scope="module")
def traps(tmp_path_factory):
    if not MAKER.exists():
        pytest.skip("the maker of awkward files is not beside this checkout")
    folder = tmp_path_factory.mktemp("traps") / "in"
    subprocess.run([sys.executable, str(MAKER), str(folder)], check=True, capture_output=True)
    return folder


def test_every_trap_of_the_field_has_its_row_or_is_named_as_skipped(traps, tmp_path):
    outputs = Outputs(tmp_path / "o.jsonl", tmp_path / "o.csv", tmp_path / "o.html")
    plan = plan_for(str(traps), outputs=outputs)
    files = {str(path) for path in traps.rglob("*") if path.is_file()}
    assert len(files) > 40
    assert {item.path for item in plan.items} | {one.path for one in plan.skipped} == files
    assert [os.path.basename(one.path) for one in plan.skipped] == ["._33_companion.m4a"]
    outcome = run_batch(plan, outputs, Settings(jobs=2, home=str(tmp_path / "home")))
    rows = {row["clip"]["path"]: row for row in read_rows(outputs.rows)}
    assert rows.keys() == {item.path for item in plan.items}
    for path, row in rows.items():
        codes = [problem["code"] for problem in row["recording"]["problems"]]
        assert row["verdict"] in VERDICTS
        assert row["verdict"] != "quiet", f"{path} holds no run, so it cannot be quiet"
        assert set(codes) <= {*PROBLEMS, *UNREADABLE} - {"gave_up"}, (path, codes)
    assert outcome.exit_code == (1 if set(outcome.counts) - {"unusable"} else 3)
    again = run_batch(plan, outputs, Settings(jobs=1, home=str(tmp_path / "home")))
    assert again.kept > 20, "clips that were read are not judged again"
    assert {row["clip"]["path"]: row for row in read_rows(outputs.rows)} == rows


def run_sound(seconds=8.0, rate_hz=48000):
    """A made-up run: hum while powered, noise that follows the speed."""
    rng = np.random.default_rng(3)
    t = np.arange(int(seconds * rate_hz)) / rate_hz
    speed = np.clip((t - 1.0) / 0.6, 0, 1) * np.clip(1 - (t - 5.0) / 2.0, 0, 1)
    hum = sum(np.sin(2 * np.pi * 100 * k * t) / k for k in range(1, 6))
    powered = (t > 1.0) & (t < 5.0)
    air = rng.standard_normal(t.size) * speed**2.5
    return (0.05 * powered * hum + 0.05 * air + 2e-4 * rng.standard_normal(t.size)).astype("f4")


@pytest.fixture(scope="module")
def visits(tmp_path_factory):
    folder = tmp_path_factory.mktemp("visits")
    (folder / "in").mkdir()
    clip_files.encode(folder / "in" / "run.m4a", run_sound(), "aac", "ipod")
    clip_files.encode(folder / "in" / "run.ogg", run_sound(), "libopus", "ogg")
    (folder / "in" / "empty.wav").touch()
    return folder


CODE = """
import json, sys
sys.argv = ["quietrun", *{args!r}]
from quietrun.cli import main
try:
    main()
except SystemExit as done:
    code = done.code
print("LOADED " + json.dumps([code, sorted({{name.split(".")[0] for name in sys.modules}})]))
"""


def quietrun(folder, *args):
    done = subprocess.run(
        [sys.executable, "-c", CODE.format(args=args)],
        cwd=folder,
        env={**os.environ, "QUIETRUN_HOME": str(folder / "home")},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    *answer, last = done.stdout.splitlines()
    code, names = json.loads(last.removeprefix("LOADED "))
    return code, "\n".join(answer), set(names), done.stderr


def test_a_row_says_what_check_says(visits):
    code, _, names, said = quietrun(visits, "batch", "in", "-o", "o.jsonl", "--csv", "o.csv")
    assert code in (1, 3, 4), said
    assert names & (HEAVY | {"joblib"}) == set()
    rows = list(read_rows(visits / "o.jsonl"))
    assert len(rows) == 3
    for row in rows:
        row.pop("batch")
        _, answer, _, _ = quietrun(visits, "check", row["clip"]["path"], "--json")
        assert row == json.loads(answer)


def test_workers_load_no_heavy_library(visits):
    from quietrun.batch import pool

    path = str(visits / "in" / "run.m4a")
    (names,) = pool._calls([(_judge_and_look, (path,), {})], 2, 1, 1)
    assert "quietrun" in names
    assert names & HEAVY == set()


def _judge_and_look(path):
    from quietrun.pipeline import analyse

    analyse(path)
    return {name.split(".")[0] for name in sys.modules}
