"""Run every check of the project: formatting, lint, types, README, tests.

    python3 scripts/run_tests.py [arguments for pytest]

Standard library only; makes ``.venv`` in the checkout where there is none.
Exits 0 when every check passed.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time

import checkout

CHECKS = (
    ("Formatting", ["-m", "ruff", "format", "--check", "--quiet", "."]),
    ("Lint", ["-m", "ruff", "check", "--quiet", "."]),
    ("Types", ["-m", "mypy"]),
    ("README against the program", ["scripts/readme.py", "--check"]),
)


def run(python: str, name: str, arguments: list[str]) -> bool:
    """Run one check with its output shown; True when it passed."""
    checkout.say(f"\n== {name}")
    start = time.monotonic()
    env = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run([python, *arguments], cwd=checkout.ROOT, env=env)
    passed = done.returncode == 0
    if not passed or name != "Tests":  # pytest prints its own closing line
        word = "passed" if passed else "FAILED"
        checkout.say(f"-- {name}: {word} ({time.monotonic() - start:.1f} s)")
    return passed


def main(arguments: list[str]) -> int:
    """Run all checks, also after one has failed, the tests last."""
    python = str(checkout.ready("dev"))
    failed = [name for name, check in CHECKS if not run(python, name, list(check))]
    if not run(python, "Tests", ["-m", "pytest", *arguments]):
        failed.append("Tests")
    if failed:
        checkout.say(f"\nFailed: {', '.join(failed)}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
