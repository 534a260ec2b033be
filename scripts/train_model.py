"""Train the general model: clips -> evidence -> additive monotone scorecards.

    python scripts/train_model.py [ROWS...] [--clips 6000] [--seed 1] [--jobs 2] [-o models/general]

``ROWS`` are files of ``scripts/measure_bench.py``, each of one sound model; every sound
model weighs the same. Without any, clips of our own synthesiser are rendered: seeded, and
a stopped run goes on where it was (feature rows are cached in ``.cache/rows``).

Writes ``model.json`` and ``training.json``. The card and the numbers in it come from
``scripts/evaluate_model.py``.
"""

from __future__ import annotations

import hashlib
import json
import platform
import sys
import time
from importlib.metadata import version
from pathlib import Path
from typing import Any

import click
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from learning.cards import (
    AUDIBLE,
    FALSE_ALARM_COST,
    HIGHEST_SHARE,
    ONE_OF_FOUR_SHARE,
    OTHER_FAULT,
    SIGN_SHARE,
    SPOILT_SHARE,
    UNKNOWN_SHARE,
    as_set,
    benches,
    card_json,
    even_weights,
    feature_json,
    fit_card,
    limit_for,
    spoilt,
    trained_on,
    trained_on_spoilt,
)
from learning.dataset import ROOT, Row, code_stamp, load, synthetic
from learning.signs import SIGNS

from quietrun.judge.limits import NAMELESS
from quietrun.judge.model import SPOILT
from quietrun.words import FAULTS, POSSIBLE

HAND = "hand_spin"


@click.command()
@click.argument("rows_of", nargs=-1, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--clips", default=6000, show_default=True, help="Synthesised clips to train on.")
@click.option("--seed", default=1, show_default=True)
@click.option("--jobs", default=2, show_default=True)
@click.option("--rounds", default=600, show_default=True, help="Boosting rounds a scorecard.")
@click.option(
    "-o",
    "out",
    type=click.Path(path_type=Path),
    default=ROOT / "models" / "general",
    show_default=False,
    help="Folder to write to (models/general).",
)
def main(
    rows_of: tuple[Path, ...], clips: int, seed: int, jobs: int, rounds: int, out: Path
) -> None:
    """Train the scorecards and write the model file."""
    began = time.time()
    if rows_of:
        rows = [row for path in rows_of for row in load(path)]
    else:
        rows = synthetic(seed, clips, jobs=jobs, cache=ROOT / ".cache" / "rows")
    powered_or_spoilt = trained_on_spoilt(rows)
    rows = trained_on(rows)
    powered = [row for row in rows if row.truth["stage"] != HAND]
    spun = [row for row in rows if row.truth["stage"] == HAND]
    click.echo(f"{len(powered)} powered clips, {len(spun)} spun by hand")
    model: dict[str, Any] = {
        "format": 1,
        "name": "general-4",
        "features": feature_json(),
        "faults": {},
        "by_hand": {},
        "findings": {},
        "spoilt": {},
    }
    for fault in FAULTS:
        model["faults"][fault] = _card(powered, fault, rounds=rounds, seed=seed)
    for name in NAMELESS:
        model[name] = _card(powered, name, rounds=rounds, seed=seed)
    started = [row for row in powered if row.run.get("started") is not False]
    for sign in SIGNS:
        model["findings"][sign] = _card(started, sign, rounds=rounds, seed=seed)
    for problem in SPOILT:
        if sum(spoilt(row) == problem for row in powered_or_spoilt) >= 100:
            model["spoilt"][problem] = _card(powered_or_spoilt, problem, rounds=rounds, seed=seed)
    if len(spun) >= 100:
        for fault in sorted(POSSIBLE[HAND]):
            model["by_hand"][fault] = _card(spun, fault, rounds=rounds // 2, seed=seed)
    model["recipe"] = {
        "script": "scripts/train_model.py",
        "seed": seed,
        "rounds": rounds,
        "audible": AUDIBLE,
        "false_alarm_cost": FALSE_ALARM_COST,
        "highest_share": HIGHEST_SHARE,
        "one_of_four_share": ONE_OF_FOUR_SHARE,
        "other_fault": OTHER_FAULT,
        "sign_share": SIGN_SHARE,
        "spoilt_share": SPOILT_SHARE,
        "unknown_share": UNKNOWN_SHARE,
    }
    out.mkdir(parents=True, exist_ok=True)
    data_bytes = (json.dumps(model, indent=1, allow_nan=False) + "\n").encode()
    (out / "model.json").write_bytes(data_bytes)
    (out / "training.json").write_text(
        json.dumps(
            {
                "command": "python scripts/train_model.py "
                + (" ".join(p.name for p in rows_of) or f"--clips {clips}")
                + f" --seed {seed} --rounds {rounds}",
                "seed": seed,
                "rows": {
                    str(name): int(count)
                    for name, count in zip(
                        *np.unique(benches(rows), return_counts=True), strict=True
                    )
                },
                "rows_used": len(rows),
                "files": {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in rows_of},
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


def _card(rows: list[Row], fault: str, *, rounds: int, seed: int) -> dict[str, Any]:
    data, bench = as_set(rows), benches(rows)
    fitted = fit_card(data, fault, rounds=rounds, seed=seed, extra=even_weights(bench), bench=bench)
    limit, near = limit_for(fitted, data, fault, bench)
    card = card_json(fitted, data, limit=limit, near=near)
    click.echo(f"{fault}: limit {limit:.3f}, {len(card['terms'])} terms")
    return card


if __name__ == "__main__":
    np.seterr(all="raise", under="ignore", over="ignore", invalid="ignore")
    main()
