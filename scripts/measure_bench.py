"""Feature rows of clips made by ``scripts/second_bench.py``, for training and evaluation.

    python scripts/second_bench.py make BENCH --n 600 --seed 4000 --kind usable
    python scripts/measure_bench.py BENCH -o bench.jsonl --name second [--jobs 2]

Clips are read from their files by the product's own reader.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import click
from joblib import Parallel, delayed

sys.path.insert(0, str(Path(__file__).resolve().parent))

from learning.dataset import Row, row_of, save

from quietrun.clip import read_clip
from quietrun.errors import UnreadableClip


def one(folder: Path, line: str, name: str) -> Row | None:
    """Row of one clip, None where the file cannot be read."""
    truth = json.loads(line) | {"bench": name}
    try:
        clip = read_clip(folder / truth["file"])
    except UnreadableClip:
        return None
    return row_of(clip.samples, clip.rate_hz, truth)


@click.command()
@click.argument("bench", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("-o", "out", required=True, type=click.Path(path_type=Path))
@click.option("--name", required=True, help="Name of the sound model, kept in every row.")
@click.option("--jobs", default=2, show_default=True)
def main(bench: Path, out: Path, name: str, jobs: int) -> None:
    """Measure every clip of a bench folder."""
    lines = (bench / "truth.jsonl").read_text().splitlines()
    rows = Parallel(n_jobs=jobs, batch_size=10)(delayed(one)(bench, line, name) for line in lines)
    known = [row for row in rows if row is not None]
    save(known, out)
    click.echo(f"{len(known)} rows of {len(lines)} clips in {out}")


if __name__ == "__main__":
    main()
