"""Train the general model: synthesised clips -> evidence -> additive monotone scorecards.

    python scripts/train_model.py [--clips 6000] [--seed 1] [--jobs 2] [-o models/general]

Seeded; a stopped run goes on where it was (feature rows are cached in
``.cache/rows``). Writes ``model.json`` and ``training.json``. The card and the
numbers in it come from ``scripts/evaluate_model.py``.
"""

from __future__ import annotations

import hashlib
import json
import platform
import sys
import time
from importlib.metadata import version
from pathlib import Path

import click
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from learning.cards import (
    AUDIBLE,
    FALSE_ALARM_COST,
    HIGHEST_SHARE,
    as_set,
    card_json,
    feature_json,
    fit_card,
    limit_for,
)
from learning.dataset import ROOT, code_stamp, load, synthetic

from quietrun.words import FAULTS


@click.command()
@click.option("--clips", default=6000, show_default=True, help="Synthesised clips to train on.")
@click.option("--seed", default=1, show_default=True)
@click.option("--jobs", default=2, show_default=True)
@click.option(
    "--rows",
    "given",
    type=click.Path(exists=True, path_type=Path),
    help="Use these feature rows (a JSON lines file, or a folder of them) instead of rendering.",
)
@click.option("--rounds", default=600, show_default=True, help="Boosting rounds a scorecard.")
@click.option(
    "--also",
    type=click.Path(exists=True, path_type=Path),
    multiple=True,
    help="Further feature rows (JSON lines), e.g. of the second sound model.",
)
@click.option(
    "-o",
    "out",
    type=click.Path(path_type=Path),
    default=ROOT / "models" / "general",
    show_default=False,
    help="Folder to write to (models/general).",
)
def main(
    clips: int,
    seed: int,
    jobs: int,
    rounds: int,
    given: Path | None,
    also: tuple[Path, ...],
    out: Path,
) -> None:
    """Train the scorecards and write the model file."""
    began = time.time()
    if given is None:
        rows = synthetic(seed, clips, jobs=jobs, cache=ROOT / ".cache" / "rows")
    else:
        files = sorted(given.glob("*.jsonl")) if given.is_dir() else [given]
        rows = [row for path in files for row in load(path)]
    for path in also:
        files = sorted(path.glob("*.jsonl")) if path.is_dir() else [path]
        rows += [row for one in files for row in load(one)]
    rows = [
        row
        for row in rows
        if row.truth.get("usable", True)
        and not row.truth.get("problem")
        and row.truth["stage"] != "hand_spin"
    ]
    data = as_set(rows)
    # another sound model counts double: there is less of it, and unlikeness is what we lack
    extra = np.array([2.0 if "heard_over_db" in row.truth else 1.0 for row in rows])
    click.echo(f"{len(rows)} clips, {int(data.healthy.sum())} of them healthy")
    model = {
        "format": 1,
        "name": "general-1",
        "features": feature_json(),
        "faults": {},
    }
    for fault in (*FAULTS, "unknown"):
        fitted = fit_card(data, fault, rounds=rounds, seed=seed, extra=extra)
        limit, near = limit_for(fitted, data, fault)
        card = card_json(fitted, data, limit=limit, near=near)
        if fault == "unknown":
            model["unknown"] = card
        else:
            model["faults"][fault] = card
        click.echo(f"{fault}: limit {limit:.3f}, {len(card['terms'])} terms")
    model["recipe"] = {
        "script": "scripts/train_model.py",
        "clips": clips,
        "seed": seed,
        "rounds": rounds,
        "audible": AUDIBLE,
        "false_alarm_cost": FALSE_ALARM_COST,
        "highest_share": HIGHEST_SHARE,
    }
    out.mkdir(parents=True, exist_ok=True)
    data_bytes = (json.dumps(model, indent=1, allow_nan=False) + "\n").encode()
    (out / "model.json").write_bytes(data_bytes)
    (out / "training.json").write_text(
        json.dumps(
            {
                "command": "python scripts/train_model.py"
                + (f" --rows {given.name}" if given else f" --clips {clips}")
                + "".join(f" --also {p.name}" for p in also)
                + f" --seed {seed} --rounds {rounds}",
                "given": None
                if given is None or given.is_dir()
                else {given.name: hashlib.sha256(given.read_bytes()).hexdigest()},
                "seed": seed,
                "clips": clips,
                "rows": {
                    "own synthesiser": int((extra == 1).sum()),
                    "second sound model": int((extra == 2).sum()),
                },
                "rows_used": len(rows),
                "also": {
                    p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in also if p.is_file()
                },
                "code": code_stamp("synth", "dsp", "run", "fitness", "evidence", "machine"),
                "model_sha256": hashlib.sha256(data_bytes).hexdigest(),
                "python": platform.python_version(),
                "versions": {p: version(p) for p in ("numpy", "scikit-learn", "scipy", "av")},
                "seconds": round(time.time() - began),
            },
            indent=1,
        )
        + "\n"
    )
    click.echo(
        f"wrote {out / 'model.json'} ({len(data_bytes) // 1024} KiB) in {time.time() - began:.0f} s"
    )


if __name__ == "__main__":
    np.seterr(all="raise", under="ignore", over="ignore", invalid="ignore")
    main()
