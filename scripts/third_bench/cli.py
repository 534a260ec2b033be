"""Command line of the third bench."""

from __future__ import annotations

import csv
import json
import time
from pathlib import Path

import click
from joblib import Parallel, delayed

from third_bench.plan import KINDS, draw_plan


def _one(folder: Path, index: int, seed: int, count: int, kind: str) -> tuple[dict, float]:
    from third_bench.clips import make_clip

    note = folder / "notes" / f"{kind}-{seed}-{count}-{index}.json"
    if note.exists():  # a stopped run goes on where it was
        return json.loads(note.read_text()), 0.0
    began = time.process_time()
    truth = make_clip(draw_plan(index, seed, count, kind), folder)
    note.write_text(json.dumps(truth, allow_nan=False))
    return truth, time.process_time() - began


@click.group(help="Clips of grinders from a third, mechanical sound model.")
def main() -> None:
    """Group of commands."""


@main.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option("--n", "count", default=600, show_default=True, type=click.IntRange(1))
@click.option("--seed", default=7, show_default=True, type=int)
@click.option("--kind", default="usable", show_default=True, type=click.Choice(KINDS))
@click.option("--jobs", default=1, show_default=True, type=click.IntRange(1))
def make(folder: Path, count: int, seed: int, kind: str, jobs: int) -> None:
    """Write clips, truth.jsonl and manifest.csv into FOLDER."""
    (folder / "notes").mkdir(parents=True, exist_ok=True)
    began = time.monotonic()
    done = Parallel(n_jobs=jobs, batch_size=5 if jobs > 1 else 1)(
        delayed(_one)(folder, index, seed, count, kind) for index in range(count)
    )
    lines = [json.dumps(truth, allow_nan=False) + "\n" for truth, _ in done]
    (folder / "truth.jsonl").write_text("".join(lines), encoding="utf-8")
    with (folder / "manifest.csv").open("w", encoding="utf-8", newline="") as table:
        rows = csv.writer(table)
        rows.writerow(["clip", "machine", "stage", "mains_hz", "poles"])
        for t, _ in done:
            rows.writerow(
                [t["file"], t["family"]["machine"], t["stage"], t["mains_hz"], t["poles"]]
            )
    cpu = sum(seconds for _, seconds in done) / count
    click.echo(
        f"{count} clips in {folder}: {cpu:.2f} s CPU a clip, {time.monotonic() - began:.0f} s."
    )
