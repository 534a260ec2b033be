"""Killed at random moments: nothing that was acknowledged is lost, no half file stays.

Fifty kills each are in ``scripts/kill_test.py``; here are fewer of the same.
"""

import os
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[1] / "scripts" / "kill_test.py"

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not hasattr(os, "fork"), reason="kills forks of a warm process"),
]


@pytest.mark.parametrize("scenario", ["batch", "tune", "record", "import"])
def test_nothing_is_lost(scenario):
    done = subprocess.run(
        [sys.executable, SCRIPT, "--times", "6", "--scenario", scenario, "--seed", "3"],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert f"{scenario}: 6 of " in done.stdout


def test_what_is_lost_is_found():
    """A recorder that writes in place, piece by piece, does not pass."""
    code = """
        import sys, time
        sys.path.insert(0, {folder!r})
        import kill_test

        class Torn(kill_test.Record):
            def patch(self):
                super().patch()
                from quietrun.clip import take
                whole = take.write_take
                def torn(one, path, label):
                    whole(one, path, label)
                    data = path.read_bytes()
                    with path.open("wb") as file:
                        for start in range(0, len(data), len(data) // 50):
                            file.write(data[start : start + len(data) // 50])
                            file.flush()
                            time.sleep(0.03)
                take.write_take = torn

        kill_test.SCENARIOS["record"] = Torn
        sys.exit(kill_test.run(["--times", "8", "--scenario", "record"]))
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(code).format(folder=str(SCRIPT.parent))],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 1, done.stdout + done.stderr
    assert "LOST in record" in done.stdout
