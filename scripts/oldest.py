"""Install the oldest libraries that pyproject.toml allows, and run a fast part of the tests.

    python3 scripts/oldest.py [arguments for pytest]

Standard library only. Makes ``.cache/oldest`` beside ``.venv``. The lower bounds are the only
list of versions: what is promised is what is installed. Exits with pytest's code.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterable
from pathlib import Path

import checkout

PLACE = checkout.ROOT / ".cache" / "oldest"
#: Groups of pyproject.toml that are installed; without scikit-learn and dask, which no user needs.
EXTRAS = ("record",)
#: Test tools among the packages of ``dev``.
TOOLS = ("hypothesis", "jsonschema", "pytest")
#: One or more files of every part; about 80 s of one core.
TESTS = (
    "test_batch_page.py",
    "test_batch_rows.py",
    "test_batch_run.py",
    "test_cli_*.py",
    "test_clip_re*.py",
    "test_compare_*.py",
    "test_dsp_*.py",
    "test_hear_*.py",
    "test_logbook_*.py",
    "test_machine_*.py",
    "test_pictures_arrays.py",
    "test_record_devices.py",
    "test_report_*.py",
    "test_tuning_t*.py",
)
#: Old libraries warn about each other; numpy before 2.4 rounds the last bit of float32 elsewhere.
SPECIAL = (
    "-W",
    "ignore::DeprecationWarning",
    "--deselect",
    "tests/test_dsp_order.py::test_equal_to_numpy",
)


def pins(requirements: Iterable[str]) -> list[str]:
    """Turn ``name>=version`` into ``name==version``; anything else is refused.

    Raises
    ------
    ValueError
        A requirement without a lower bound: nobody could say what it stands on.
    """
    found = []
    for one in requirements:
        match = re.fullmatch(r"([A-Za-z0-9._-]+)>=([0-9][0-9.]*)", one.replace(" ", ""))
        if match is None:
            raise ValueError(f"{one!r} in pyproject.toml has no plain lower bound")
        found.append(f"{match[1]}=={match[2]}")
    return found


def wanted(pyproject: Path) -> list[str]:
    """Pins of what a user installs, and of the test tools."""
    project = tomllib.loads(pyproject.read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    users = [*project["dependencies"], *(one for extra in EXTRAS for one in extras[extra])]
    tools = [one for one in extras["dev"] if re.split("[^a-z]", one)[0] in TOOLS]
    return pins([*users, *tools])


def main(arguments: list[str]) -> int:
    """Install, then test."""
    checkout.check_python()
    python = checkout.venv_python(PLACE)
    steps = [] if python.exists() else [[sys.executable, "-m", "venv", str(PLACE)]]
    pip = [str(python), "-m", "pip", "install", "--quiet", "--only-binary", ":all:"]
    listed = wanted(checkout.ROOT / "pyproject.toml")
    checkout.say("\n== The oldest set: " + ", ".join(listed))
    for step in (*steps, [*pip, *listed]):
        done = subprocess.run(step, check=False)
        if done.returncode:
            return done.returncode
    tests = [str(path) for name in TESTS for path in sorted(checkout.ROOT.glob(f"tests/{name}"))]
    env = {
        **os.environ,
        "PYTHONPATH": str(checkout.ROOT / "src"),
        "OPENBLAS_NUM_THREADS": "1",
    }
    command = [str(python), "-m", "pytest", "-q", "-m", "not slow", "-p", "no:cacheprovider"]
    command += [*SPECIAL, *(arguments or tests)]
    return subprocess.run(command, cwd=checkout.ROOT, env=env, check=False).returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
