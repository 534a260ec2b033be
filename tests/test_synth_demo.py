"""The labelled clips of ``synthetic_audio/``: whole, small, rebuildable, and the check bites."""

import importlib.util
import json
import shutil
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def script():
    path = ROOT / "scripts" / "make_demo_clips.py"
    spec = importlib.util.spec_from_file_location("make_demo_clips", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_demo_clips"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def rows():
    text = (ROOT / "synthetic_audio" / "manifest.json").read_text(encoding="utf-8")
    return {row["file"]: row for row in json.loads(text)["clips"]}


def test_the_set_is_small_and_covers_the_tour(rows):
    folder = ROOT / "synthetic_audio"
    assert sum(p.stat().st_size for p in folder.iterdir()) < 3e6
    strong = [f for row in rows.values() for f, s in row["truth"]["faults"].items() if s > 0.7]
    assert sorted(strong) == [
        "bearing_noise",
        "burr_contact",
        "impeller_rub",
        "pre_breaker_wobble",
    ]
    assert sum(not row["truth"]["usable"] for row in rows.values()) == 1
    assert all((folder / name).exists() for name in rows)


def test_every_clip_is_the_one_of_the_manifest(script, rows):
    import hashlib

    for demo in script.DEMOS:
        data = (ROOT / "synthetic_audio" / demo.file).read_bytes()
        assert hashlib.sha256(data).hexdigest() == rows[demo.file]["sha256"], demo.file


@pytest.mark.parametrize("index", [0, 4])
def test_a_clip_builds_again(script, rows, index):
    demo = script.DEMOS[index]
    assert script.check_clip(ROOT / "synthetic_audio", demo, rows[demo.file]) == []


def test_the_check_finds_a_changed_clip_and_a_changed_label(script, rows, tmp_path):
    folder = ROOT / "synthetic_audio"
    demo, other = script.DEMOS[4], script.DEMOS[0]
    shutil.copy(folder / other.file, tmp_path / demo.file)  # the wrong sound under its name
    row = json.loads(json.dumps(rows[demo.file]))
    row["truth"]["faults"] = {"burr_contact": 0.1}
    wrong = " | ".join(script.check_clip(tmp_path, demo, row))
    assert "hash" in wrong
    assert "samples" in wrong or "correlation" in wrong
    (tmp_path / demo.file).write_bytes((folder / demo.file).read_bytes())
    wrong = script.check_clip(tmp_path, demo, row)
    assert wrong == ["burrs.opus truth.faults.burr_contact: 0.1 is now 0.9"]


def test_the_check_says_what_is_missing(script, tmp_path):
    result = CliRunner().invoke(script.main, ["--check", "--folder", str(tmp_path)])
    assert result.exit_code == 1
    assert "manifest.json is missing" in result.output
