"""What tuning knows of other machines: spread of scores and features over quiet machines.

    python scripts/make_population.py [--machines 60] [--runs 4] [--seed 1]

Quiet synthesised machines (none of them seen in training), several visits each; from them the
scatter between and within machines, for every fault's log-odds and every feature, and how far
a third octave moves between two visits. Writes ``models/general/population.json``. To be run
after the model has been trained anew: the numbers speak about its log-odds.
"""

from __future__ import annotations

import itertools
import json
import math
import sys
from collections import defaultdict
from pathlib import Path
from typing import Any

import click
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from learning.dataset import ROOT
from learning.visits import Visit, visits

from quietrun.compare.same import band_changes
from quietrun.compare.types import Side
from quietrun.evidence import BY_NAME
from quietrun.evidence.types import Evidence, Missing
from quietrun.judge.limits import NAMELESS
from quietrun.judge.model import Model, load_model
from quietrun.judge.score import log_odds_of
from quietrun.tuning.again import card_of
from quietrun.words import FAULTS, POSSIBLE

LEAST_MACHINES = 12
FIRMEST = 60.0


def log_odds(model: Model, fault: str, evidence: dict[str, float | None]) -> float:
    """Score evidence as ``judge`` does."""
    values = {n: Missing("-") if v is None else v for n, v in evidence.items()}
    card = card_of(model, fault)
    if card is None:
        raise ValueError(f"the model has no card {fault}")
    return log_odds_of(card, Evidence(values))


def spread_of(groups: list[list[float]]) -> dict[str, float] | None:
    """Split the scatter of runs into between and within machines.

    Within: s0^2 of the scaled inverse chi-square that has the mean and spread of the machines'
    variances; its degrees of freedom by moments (nu = 4 + 2 / c, c the squared coefficient of
    variation of the true variances). None for too few machines.
    """
    groups = [g for g in groups if len(g) >= 2]
    if len(groups) < LEAST_MACHINES:
        return None
    runs = float(np.mean([len(g) for g in groups]))
    means = np.array([np.mean(g) for g in groups])
    variances = np.array([np.var(g, ddof=1) for g in groups])
    if not variances.mean() > 0:
        return None
    of_samples = 2.0 / (runs - 1.0)
    seen = float(variances.var() / variances.mean() ** 2)
    c = max((seen - of_samples) / (1.0 + of_samples), 2.0 / (FIRMEST - 4.0))
    dof = min(FIRMEST, 4.0 + 2.0 / c)
    between = max(0.0, float(means.var(ddof=1) - variances.mean() / runs))
    return {
        "centre": round(float(means.mean()), 5),
        "between": round(math.sqrt(between), 5),
        "within": round(math.sqrt(float(variances.mean()) * (dof - 2.0) / dof), 5),
        "dof": round(dof, 2),
    }


def _by_machine(found: list[Visit]) -> dict[int, list[Visit]]:
    groups: dict[int, list[Visit]] = defaultdict(list)
    for visit in found:
        if visit.usable:
            groups[visit.machine].append(visit)
    return groups


def faults_table(model: Model, found: list[Visit], stage: str) -> dict[str, Any]:
    """Spread of every fault's log-odds at a stage."""
    table = {}
    for fault in (*FAULTS, *NAMELESS):
        if fault in {*POSSIBLE[stage], *NAMELESS} and card_of(model, fault) is not None:
            groups = [
                [log_odds(model, fault, v.evidence) for v in group]
                for group in _by_machine(found).values()
            ]
            table[fault] = spread_of(groups)
    return {fault: spread for fault, spread in table.items() if spread}


def features_table(found: list[Visit]) -> dict[str, Any]:
    """Spread of every feature at a stage."""
    table = {}
    for name in BY_NAME:
        groups = [
            [x for v in group if (x := v.evidence.get(name)) is not None]
            for group in _by_machine(found).values()
        ]
        table[name] = spread_of(groups)
    return {name: spread for name, spread in table.items() if spread and spread["within"] > 0}


def band_scatter_db(found: list[Visit]) -> float:
    """Root mean square of the change of a third octave between two quiet visits."""
    changes: list[float] = []
    for group in _by_machine(found).values():
        for one, other in itertools.pairwise(group):
            changes += [c.change for c in band_changes(_side(one), _side(other))[0]]
    return float(np.sqrt(np.mean(np.square(changes))))


def _side(visit: Visit) -> Side:
    problems = [{"code": code, "disables": []} for code in visit.codes]
    report = {"recording": {"problems": problems, "bandwidth_hz": None}}
    return Side("visit", report, visit.evidence, visit.bands)


@click.command()
@click.option("--machines", default=60, show_default=True)
@click.option("--runs", default=4, show_default=True)
@click.option("--seed", default=1, show_default=True)
@click.option(
    "--model",
    "folder",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    default=ROOT / "models" / "general",
    show_default=False,
    help="Folder of the model (models/general).",
)
def main(machines: int, runs: int, seed: int, folder: Path) -> None:
    """Measure quiet machines and write the population file."""
    model = load_model(folder / "model.json")
    out: dict[str, Any] = {
        "format": 1,
        "model_sha256": model.sha256,
        "machines": machines,
        "runs": runs,
        "command": f"python scripts/make_population.py --machines {machines} --runs {runs} "
        f"--seed {seed}",
        "faults": {},
        "features": {},
    }
    cache = ROOT / ".cache" / "visits"
    for stage, share in (("assembled", 1.0), ("motor_only", 0.5)):
        count = round(machines * share)
        found = visits("population", count, {"later": runs}, stage=stage, seed=seed, cache=cache)
        out["faults"][stage] = faults_table(model, found, stage)
        out["features"][stage] = features_table(found)
        if stage == "assembled":
            out["band_db"] = round(band_scatter_db(found), 2)
    path = folder / "population.json"
    path.write_text(json.dumps(out, indent=1, allow_nan=False) + "\n")
    for stage, table in out["faults"].items():
        for fault, spread in table.items():
            click.echo(f"{stage:12}{fault:20}{spread}")
    click.echo(f"band_db {out['band_db']}; wrote {path}")


if __name__ == "__main__":
    main()
