"""What own limits are worth: false alarms and sensitivity of machines tuned on few quiet runs.

    python scripts/evaluate_tuning.py [--part judge] [--machines 40] [--tune 5]

Machines, rooms and phones that neither the model, nor the population file, nor the choice of
the tuning constants has seen (``--part develop`` is the set they were chosen on). Every machine
is tuned on its first quiet runs and judged on later quiet runs and on runs with one fault of
severity 0.4 to 1. Prints a table and writes ``models/general/tuning.json``.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import click
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from learning.cards import flagged
from learning.dataset import ROOT
from learning.visits import Visit, visits
from make_population import log_odds

from quietrun.dsp.stats import wilson_interval
from quietrun.judge.limits import ONE_OF_FOUR
from quietrun.judge.model import Model, load_model
from quietrun.judge.population import Population, load_population
from quietrun.tuning.again import card_of, log_odds_of
from quietrun.tuning.own import own_limit
from quietrun.words import FAULTS

PLAN = {"tune": 5, "later": 6, "faults": 1}
BOOTSTRAPS = 2000

JUDGED = (*FAULTS, ONE_OF_FOUR)
Scores = dict[str, float]


def scored(model: Model, found: list[Visit]) -> dict[int, dict[str, list[Scores]]]:
    """Log-odds by machine and kind, usable visits only."""
    table: dict[int, dict[str, list[Scores]]] = {}
    for visit in found:
        if visit.usable:
            scores = {name: log_odds(model, name, visit.evidence) for name in JUDGED}
            table.setdefault(visit.machine, {}).setdefault(visit.kind, []).append(scores)
    return table


def limits_of(
    runs: list[Scores], model: Model, population: Population, stage: str
) -> dict[str, tuple[float, float]]:
    """Shift and limit of each card from quiet runs; the general ones without any."""
    limits = {}
    for name in JUDGED:
        card = card_of(model, name)
        if card is None:
            raise ValueError(f"the model has no card {name}")
        general = log_odds_of(card.limit)
        if not runs:
            limits[name] = (0.0, general)
            continue
        spread = population.fault(stage, name)
        row = own_limit(name, [r[name] for r in runs], [], spread=spread, general=general)
        limits[name] = (row.shift, row.limit - row.shift)
    return limits


def flags_of(scores: list[Scores], limits: dict[str, tuple[float, float]]) -> np.ndarray:
    """Who is flagged, by the rule of ``quietrun.judge``; shape (runs, faults), bool."""
    shifted = np.array([[s[name] - limits[name][0] for name in JUDGED] for s in scores])
    shifted = shifted.reshape(len(scores), len(JUDGED))
    own = np.array([limits[fault][1] for fault in FAULTS])
    return flagged(shifted[:, :-1], own, shifted[:, -1], limits[ONE_OF_FOUR][1])


def counts(
    table: dict[int, dict[str, list[Scores]]],
    model: Model,
    population: Population,
    stage: str,
    runs: int,
) -> dict[str, np.ndarray]:
    """Alarms of later quiet runs and hits of faults, by machine: columns (count, of)."""
    out = {name: [] for name in ("alarms", *FAULTS)}
    for kinds in table.values():
        limits = limits_of(kinds.get("tune", [])[:runs], model, population, stage)
        later = kinds.get("later", [])
        out["alarms"].append((flags_of(later, limits).any(axis=1).sum(), len(later)))
        for column, fault in enumerate(FAULTS):
            held = kinds.get(fault, [])
            out[fault].append((flags_of(held, limits)[:, column].sum(), len(held)))
    return {name: np.array(rows) for name, rows in out.items()}


def _share(rows: np.ndarray) -> float:
    return float(rows[:, 0].sum() / max(1, rows[:, 1].sum()))


def _range(rows: np.ndarray, rng: np.random.Generator) -> list[float]:
    """90 % interval by drawing machines anew."""
    picks = rng.integers(0, len(rows), (BOOTSTRAPS, len(rows)))
    totals = rows[picks].sum(axis=1)
    shares = totals[:, 0] / np.maximum(totals[:, 1], 1)
    return [round(float(x), 4) for x in np.quantile(shares, (0.05, 0.95))]


@click.command()
@click.option("--part", type=click.Choice(["develop", "judge"]), default="judge")
@click.option("--machines", default=40, show_default=True)
@click.option("--tune", "numbers", multiple=True, type=int, default=(0, 1, 2, 3, 4, 5))
@click.option("--stage", default="assembled", show_default=True)
@click.option("--seed", default=1, show_default=True)
@click.option("--save/--no-save", default=True)
@click.option(
    "--model",
    "folder",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    default=ROOT / "models" / "general",
    show_default=False,
    help="Folder of the model (models/general).",
)
def main(
    part: str,
    machines: int,
    numbers: tuple[int, ...],
    stage: str,
    seed: int,
    save: bool,
    folder: Path,
) -> None:
    """Tune, judge later runs, count."""
    model = load_model(folder / "model.json")
    population = load_population(folder / "population.json")
    found = visits(part, machines, PLAN, stage=stage, seed=seed, cache=ROOT / ".cache" / "visits")
    table = scored(model, found)
    rows: list[dict[str, Any]] = []
    for runs in numbers:
        rng = np.random.default_rng(seed)
        got = counts(table, model, population, stage, runs)
        faults = np.concatenate([got[fault] for fault in FAULTS], axis=1).reshape(-1, 4, 2)
        hits = faults.sum(axis=1)
        rows.append(
            {
                "runs": runs,
                "false_alarms": round(_share(got["alarms"]), 4),
                "false_alarms_range": _range(got["alarms"], rng),
                "later_runs": int(got["alarms"][:, 1].sum()),
                "sensitivity": round(_share(hits), 4),
                "sensitivity_range": _range(hits, rng),
                "by_fault": {fault: round(_share(got[fault]), 4) for fault in FAULTS},
            }
        )
        low, high = wilson_interval(*(int(x) for x in got["alarms"].sum(axis=0)))
        click.echo(
            f"{runs:2} runs: false alarms {100 * rows[-1]['false_alarms']:5.2f} % "
            f"({100 * low:.1f} to {100 * high:.1f}), sensitivity from 0.4 on "
            f"{100 * rows[-1]['sensitivity']:5.1f} %  {rows[-1]['by_fault']}"
        )
    if save:
        path = folder / "tuning.json"
        path.write_text(
            json.dumps(
                {"part": part, "machines": machines, "model_sha256": model.sha256, "rows": rows},
                indent=1,
            )
            + "\n"
        )


if __name__ == "__main__":
    main()
