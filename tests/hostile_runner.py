"""Judge files one after the other as ``quietrun check --json`` does, in this process.

Reads paths as JSON strings from standard input, one a line; writes one JSON object a line.
Run by ``test_hostile.py`` in processes of their own, which may die.
"""

import json
import os
import resource
import signal
import sys
import time

from click.testing import CliRunner

from quietrun.cli import main

LIMIT_S = int(os.environ.get("HOSTILE_LIMIT_S", "20"))


class Hangs(BaseException):
    """The time of a file is over."""


def _up(*_):
    raise Hangs


def peak_mib():
    """Peak of this program alone: ``ru_maxrss`` may hold that of the one which started it."""
    try:
        with open("/proc/self/status") as file:
            return next(int(line.split()[1]) for line in file if line.startswith("VmHWM")) / 1024
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def judged(path):
    """Judge one path; what a person would see."""
    start = time.perf_counter()
    signal.alarm(LIMIT_S)
    try:
        result = CliRunner().invoke(main, ["check", "--json", "--", path])
        told = {"code": result.exit_code, "stdout": result.stdout, "stderr": result.stderr}
    except Hangs:
        told = {"code": None, "stdout": "", "stderr": f"no answer within {LIMIT_S} s"}
    finally:
        signal.alarm(0)
    told["took_s"] = time.perf_counter() - start
    told["peak_mib"] = peak_mib()
    return told


if __name__ == "__main__":
    signal.signal(signal.SIGALRM, _up)
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    out = os.fdopen(os.dup(1), "w")
    os.dup2(2, 1)  # what a library prints by itself goes with the rest of stderr
    for line in sys.stdin:
        out.write(json.dumps(judged(json.loads(line))) + "\n")
        out.flush()
