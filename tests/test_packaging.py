"""Installed any way, the program finds its model and works."""

import json
import os
import subprocess
import sys
import tomllib
import venv
import zipfile
from pathlib import Path

import pytest

import quietrun
from quietrun.judge import load_model
from quietrun.judge.model import default_path

ROOT = Path(__file__).resolve().parents[1]
MODEL = ROOT / "models" / "general" / "model.json"
MANIFEST = ROOT / "synthetic_audio" / "manifest.json"


def project():
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def test_an_editable_install_finds_the_model_of_the_checkout():
    assert default_path() == MODEL
    assert load_model().features


def test_the_version_is_told_once():
    assert project()["version"] == quietrun.__version__


def test_every_dependency_has_a_lower_bound():
    told = project()
    wanted = [told["dependencies"], *told["optional-dependencies"].values()]
    free = [n for group in wanted for n in group if ">=" not in n and not n.startswith("quietrun[")]
    assert free == []


def test_the_top_level_is_what_the_design_says():
    listed = subprocess.run(
        ["git", "ls-files", "--cached"], cwd=ROOT, capture_output=True, text=True
    )
    if listed.returncode:
        pytest.skip("not a git checkout")
    tops = {line.split("/")[0] for line in listed.stdout.splitlines()}
    visible = {top for top in tops if not top.startswith(".")}
    allowed = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"}
    allowed |= {"src", "models", "tests", "synthetic_audio", "scripts"}
    assert visible <= allowed


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    out = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--outdir", str(out), str(ROOT)],
        check=True,
        capture_output=True,
        text=True,
    )
    (built,) = out.glob("*.whl")
    return built


@pytest.mark.slow
def test_the_wheel_carries_the_model_and_nothing_of_the_checkout(wheel):
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
        packed = archive.read("quietrun/_models/general/model.json")
        example = archive.read("quietrun/_examples/quiet.opus")
    assert packed == MODEL.read_bytes()
    assert example == (ROOT / "synthetic_audio" / "quiet.opus").read_bytes()
    assert "quietrun/report/templates/page.html" in names
    assert "quietrun/py.typed" in names
    tops = {name.split("/")[0] for name in names}
    assert tops == {"quietrun", f"quietrun-{quietrun.__version__}.dist-info"}
    assert any(name.endswith("LICENSE") for name in names)


@pytest.mark.slow
def test_the_wheel_alone_works_in_an_empty_venv(wheel, tmp_path):
    """A new venv, the wheel and what it asks for; run from a folder that is not the checkout."""
    home = tmp_path / "venv"
    venv.create(home, with_pip=True)
    bin_ = home / ("Scripts" if os.name == "nt" else "bin")
    env = {key: value for key, value in os.environ.items() if not key.startswith("PYTHON")}

    def call(*command):
        return subprocess.run(
            [str(bin_ / command[0]), *command[1:]],
            cwd=tmp_path,
            env=env,
            capture_output=True,
            text=True,
        )

    installed = call("python", "-m", "pip", "install", "--quiet", str(wheel))
    assert installed.returncode == 0, installed.stderr
    assert call("quietrun", "--version").stdout.strip() == (
        f"quietrun, version {quietrun.__version__}"
    )
    where = call(
        "python", "-c", "from quietrun.judge.model import default_path as p; print(p())"
    ).stdout.strip()
    assert Path(where).is_relative_to(home), "the wheel used the checkout's model"
    for clip in json.loads(MANIFEST.read_text(encoding="utf-8"))["clips"]:
        done = call("quietrun", "check", str(MANIFEST.parent / clip["file"]), "--json")
        assert done.stderr == ""
        assert json.loads(done.stdout)["verdict"] == clip["verdict"], clip["file"]
    noisy = str(MANIFEST.parent / "bearing.opus")
    assert call("quietrun", "report", noisy, "-o", "page.html").returncode == 1
    assert "a made-up quiet machine" in (tmp_path / "page.html").read_text(encoding="utf-8")
