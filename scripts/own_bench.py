"""Clips of the product's own synthesiser in the same form as the other benches'.

    python scripts/own_bench.py OUTDIR --n 3000 --seed 31 [--problems] [--jobs 2]

A folder of 16-bit wav files and ``truth.jsonl``, for ``scripts/measure_bench.py``.
Each clip depends on (seed, index) alone; a stopped run goes on where it was.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import click
import numpy as np
import soundfile
from joblib import Parallel, delayed

from quietrun.synth import draw_recipe, render
from quietrun.words import PROBLEMS, STAGES


def one(folder: Path, seed: int, index: int, problems: bool, stage: str | None) -> dict[str, Any]:
    """Render one clip and return its truth."""
    name = f"own_{seed}_{index:05d}"
    note = folder / "notes" / f"{name}.json"
    if note.exists():
        return json.loads(note.read_text())
    fixed: dict[str, Any] = {"problem": PROBLEMS[index % len(PROBLEMS)]} if problems else {}
    if stage is not None:
        fixed["stage"] = stage
    sound = render(draw_recipe(np.random.default_rng([seed, index]), **fixed))
    samples = np.clip(sound.samples, -1.0, 1.0 - 2**-15)
    soundfile.write(folder / f"{name}.wav", samples, round(sound.rate_hz), subtype="PCM_16")
    truth = {k: v for k, v in sound.truth.items() if k != "speed_track"} | {"file": f"{name}.wav"}
    note.write_text(json.dumps(truth))
    return truth


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--n", default=3000, show_default=True)
@click.option("--seed", default=31, show_default=True)
@click.option("--problems", is_flag=True, help="Every clip with a recording problem, in turn.")
@click.option("--stage", type=click.Choice(STAGES), help="Every clip of this stage.")
@click.option("--jobs", default=2, show_default=True)
def main(folder: Path, n: int, seed: int, problems: bool, stage: str | None, jobs: int) -> None:
    """Render the clips."""
    (folder / "notes").mkdir(parents=True, exist_ok=True)
    truths = Parallel(n_jobs=jobs, batch_size=10)(
        delayed(one)(folder, seed, index, problems, stage) for index in range(n)
    )
    (folder / "truth.jsonl").write_text("".join(json.dumps(t) + "\n" for t in truths))
    click.echo(f"{n} clips in {folder}")


if __name__ == "__main__":
    main()
