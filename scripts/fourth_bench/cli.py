"""Command line of the fourth bench."""

from __future__ import annotations

import json
import time
from pathlib import Path

import click
from joblib import Parallel, delayed

from fourth_bench.clips import make
from fourth_bench.plan import KINDS, draw


def one(folder: Path, seed: int, index: int, n: int, kind: str) -> str:
    """Make one clip; its line of truth."""
    return json.dumps(make(draw(seed, index, n, kind), folder), allow_nan=False)


@click.group()
def main() -> None:
    """Grinder clips made by sound design, with their truth."""


@main.command("make")
@click.argument("outdir", type=click.Path(file_okay=False, path_type=Path))
@click.option("--n", "count", type=click.IntRange(min=1), default=600, show_default=True)
@click.option("--seed", type=click.IntRange(min=0), default=7, show_default=True)
@click.option("--kind", type=click.Choice(KINDS), default="usable", show_default=True)
@click.option("--jobs", type=click.IntRange(min=1), default=2, show_default=True)
def make_command(outdir: Path, count: int, seed: int, kind: str, jobs: int) -> None:
    """Write COUNT clips and truth.jsonl into OUTDIR."""
    outdir.mkdir(parents=True, exist_ok=True)
    began = time.monotonic()
    lines = Parallel(n_jobs=jobs, batch_size=5)(
        delayed(one)(outdir, seed, index, count, kind) for index in range(count)
    )
    part = outdir / "truth.part"
    part.write_text("".join(line + "\n" for line in lines), encoding="utf-8")
    part.replace(outdir / "truth.jsonl")
    took = time.monotonic() - began
    click.echo(f"{count} clips in {outdir}, {took / count:.2f} s a clip with {jobs} job(s)")
