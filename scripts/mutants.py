"""Put small faults into dsp, run, evidence and judge, one at a time, and run the tests.

    python scripts/mutants.py [--count 100] [--seed 0] [--part dsp] [--map MAP.json]
                              [--results RESULTS.jsonl [--again]] [--list]

What is committed is copied to a temporary folder, and only the copy is changed. Which tests run
which line is measured once (pytest-cov, some minutes; ``--map`` keeps it); each change is tried
against the tests that run its lines, those of its own part first, up to ``--budget`` seconds of
them. Exits 0 when at least 85 % were caught. Needs ``pytest-cov``.
"""

from __future__ import annotations

import sys

from mutants.cli import run

if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))
