"""Make and score a second, independent set of grinder clips; see ``second_bench/``.

python scripts/second_bench.py make OUTDIR --n 600 --seed 7 --kind usable
python scripts/second_bench.py score OUTDIR RESULTS.jsonl
"""

from __future__ import annotations

import os
import sys

# before numpy is loaded: one clip at a time on one core
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from second_bench.cli import main

if __name__ == "__main__":
    sys.exit(main())
