"""Make a third set of grinder clips, from lumped mechanics; see ``third_bench/``.

python scripts/third_bench.py make OUTDIR --n 600 --seed 7 --kind usable|problems|mixed --jobs 2
python scripts/second_bench.py score OUTDIR RESULTS.jsonl
"""

from __future__ import annotations

import os

# before numpy is loaded: one clip at a time on one core
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

from third_bench.cli import main

if __name__ == "__main__":
    main()
