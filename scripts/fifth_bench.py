"""Make a set of grinder clips by excitation and transfer path; see ``fifth_bench/``.

python scripts/fifth_bench.py make OUTDIR --n 600 --seed 7 --kind usable [--jobs 2]

The output has the form of ``second_bench.py make``: ``second_bench.py score`` and
``measure_bench.py`` read it.
"""

from __future__ import annotations

import os
import sys

# before numpy is loaded: one clip at a time on one core
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

from fifth_bench.cli import main

if __name__ == "__main__":
    sys.exit(main())
