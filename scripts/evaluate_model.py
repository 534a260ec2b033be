"""Measure the shipped model, honestly: across families, across sound models, by band of severity.

    python scripts/evaluate_model.py --rows ROWS [--bench BENCH_ROWS] [-o models/general]

Three questions:

1. Across machines, rooms and phones: fourfold, whole families left out.
2. Across source models of a fault: each left out of training in turn.
3. Across sound models: trained on ``synth/`` alone, tested on the second,
   independent bench (``scripts/second_bench.py``), which shares no code with it.

Writes ``evaluation.json`` and the tables of ``CARD.md``.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import click
import numpy as np
from sklearn.metrics import average_precision_score, brier_score_loss, roc_auc_score

sys.path.insert(0, str(Path(__file__).resolve().parent))

from learning.additive import binned, directions, fit_additive, fit_forest, fit_logistic
from learning.cards import AUDIBLE, Set, as_set, fit_card, folds, label
from learning.dataset import NAMES, ROOT, load

from quietrun.evidence import BY_NAME, FAMILIES
from quietrun.words import FAULTS

BANDS = ((0.2, 0.4), (0.4, 0.7), (0.7, 1.01))


def rows_from(path: Path) -> list[Any]:
    """Rows of a file or of all files in a folder."""
    files = sorted(path.glob("*.jsonl")) if path.is_dir() else [path]
    return [row for one in files for row in load(one)]


def auc(positive: np.ndarray, negative: np.ndarray) -> float | None:
    """ROC area, None with fewer than 5 on a side."""
    if min(positive.size, negative.size) < 5:
        return None
    y = np.r_[np.ones(positive.size), np.zeros(negative.size)]
    return float(roc_auc_score(y, np.r_[positive, negative]))


def interval(positive: np.ndarray, negative: np.ndarray, seed: int = 0) -> list[float] | None:
    """Bootstrap 95 % interval of the ROC area."""
    if min(positive.size, negative.size) < 5:
        return None
    rng = np.random.default_rng(seed)
    found = [
        auc(rng.choice(positive, positive.size), rng.choice(negative, negative.size))
        for _ in range(200)
    ]
    return [round(float(q), 3) for q in np.quantile(np.array(found, dtype=float), [0.025, 0.975])]


def rounded(value: float | None) -> float | None:
    """Three digits."""
    return None if value is None else round(float(value), 3)


def table(
    score: np.ndarray, use: np.ndarray, data: Set, fault: str, limit: float
) -> dict[str, Any]:
    """All figures of one fault. ``score`` is calibrated log-odds."""
    severity = data.severity[fault]
    negative = score[use & (severity < AUDIBLE)]
    result: dict[str, Any] = {
        "positives": int((use & (severity >= AUDIBLE)).sum()),
        "auc": rounded(auc(score[use & (severity >= AUDIBLE)], negative)),
        "auc_interval": interval(score[use & (severity >= AUDIBLE)], negative),
    }
    y, p = (severity[use] >= AUDIBLE).astype(int), 1 / (1 + np.exp(-score[use]))
    result["average_precision"] = rounded(average_precision_score(y, p)) if y.any() else None
    for lo, hi in BANDS:
        part = score[use & (severity >= lo) & (severity < hi)]
        name = f"{lo:g}-{min(hi, 1):g}"
        result[f"auc_{name}"] = rounded(auc(part, negative))
        result[f"flagged_{name}"] = rounded((part >= limit).mean()) if part.size else None
    healthy = score[use & data.healthy]
    result["false_flags"] = rounded((healthy >= limit).mean()) if healthy.size else None
    result["brier"] = rounded(brier_score_loss(y, p))
    edges = np.linspace(0, 1, 11)
    where = np.clip(np.digitize(p, edges) - 1, 0, 9)
    result["ece"] = rounded(
        sum(
            (where == b).mean() * abs(float(y[where == b].mean()) - float(p[where == b].mean()))
            for b in range(10)
            if (where == b).any()
        )
    )
    return result


@click.command()
@click.option("--rows", required=True, type=click.Path(exists=True, path_type=Path))
@click.option("--bench", type=click.Path(exists=True, path_type=Path))
@click.option("--rounds", default=250, show_default=True)
@click.option(
    "--quick", is_flag=True, help="Leave out rivals, ablation and left-out source models."
)
@click.option("-o", "out", type=click.Path(path_type=Path), default=ROOT / "models" / "general")
def main(rows: Path, bench: Path | None, rounds: int, quick: bool, out: Path) -> None:
    """Evaluate and write evaluation.json."""
    usable = [r for r in rows_from(rows) if r.truth.get("usable", True) and not r.truth["problem"]]
    data = as_set(usable)
    model = json.loads((out / "model.json").read_text())
    other = None
    if bench is not None:
        other = as_set(
            [r for r in rows_from(bench) if r.truth["usable"] and not r.truth["problem"]]
        )
    result: dict[str, Any] = {
        "rows": len(usable),
        "healthy": int(data.healthy.sum()),
        "bench_rows": 0 if other is None else len(other.rows),
        "faults": {},
    }
    for fault in FAULTS:
        fitted = fit_card(data, fault, rounds=rounds)
        limit = float(
            np.log(model["faults"][fault]["limit"] / (1 - model["faults"][fault]["limit"]))
        )
        entry: dict[str, Any] = {"families": table(fitted.cross, fitted.use, data, fault, limit)}
        if other is not None:
            use, _, _ = label(other, fault)
            score = fitted.model.log_odds(other.x) * fitted.slope + fitted.intercept
            entry["bench"] = table(score, use, other, fault, limit)
        if not quick:
            entry["left_out_sources"] = left_out(data, fault, rounds)
            entry["rivals"] = rivals(data, other, fault, rounds)
            entry["without_family"] = ablation(data, fault, rounds)
        result["faults"][fault] = entry
        click.echo(f"{fault}: {json.dumps(entry['families'])}")
        if other is not None:
            click.echo(f"   second bench: {json.dumps(entry['bench'])}")
    (out / "evaluation.json").write_text(json.dumps(result, indent=1) + "\n")


def left_out(data: Set, fault: str, rounds: int) -> dict[str, Any]:
    """Area for each source model of a fault that training did not hear."""
    use, y, w = label(data, fault)
    source = np.array([str((r.truth.get("sources") or {}).get(fault)) for r in data.rows])
    negative = use & (data.severity[fault] < AUDIBLE)
    half = folds(data.group, 2) == 0
    found = {}
    for name in sorted(set(source[use & (data.severity[fault] >= AUDIBLE)])):
        positive = use & (source == name) & (data.severity[fault] >= AUDIBLE)
        train = (use & (source != name) & (data.severity[fault] >= AUDIBLE)) | (negative & half)
        signs = directions(data.x[train], y[train], w[train])
        fit = fit_additive(data.x[train], y[train], w[train], signs=signs, rounds=rounds)
        score = fit.log_odds(data.x)
        found[name] = rounded(auc(score[positive], score[negative & ~half]))
    return found


def rivals(data: Set, other: Set | None, fault: str, rounds: int) -> dict[str, Any]:
    """Area across families (and on the bench) of the scorecard, logistic regression and trees."""
    use, y, w = label(data, fault)
    fold = folds(data.group)
    scores = {name: np.full(y.size, np.nan) for name in ("additive", "logistic", "trees")}
    signs = directions(data.x[use], y[use], w[use])
    for k in range(4):
        train, test = use & (fold != k), use & (fold == k)
        x, yy, ww = data.x[train], y[train], w[train]
        scores["additive"][test] = fit_additive(x, yy, ww, signs=signs, rounds=rounds).log_odds(
            data.x[test]
        )
        logistic, edges = fit_logistic(x, yy, ww)
        scores["logistic"][test] = logistic.decision_function(binned(data.x[test], edges))
        scores["trees"][test] = fit_forest(x, yy, ww).decision_function(data.x[test])
    severe, mild = use & (y == 1), use & (y == 0)
    found: dict[str, Any] = {k: rounded(auc(v[severe], v[mild])) for k, v in scores.items()}
    if other is not None:
        u, yo, _ = label(other, fault)
        trees = fit_forest(data.x[use], y[use], w[use]).decision_function(other.x)
        found["trees_bench"] = rounded(auc(trees[u & (yo == 1)], trees[u & (yo == 0)]))
    return found


def ablation(data: Set, fault: str, rounds: int) -> dict[str, Any]:
    """Area across families without each feature family."""
    use, y, w = label(data, fault)
    fold = folds(data.group, 2)
    found = {}
    for family in FAMILIES:
        keep = np.array([BY_NAME[name].family != family for name in NAMES])
        score = np.full(y.size, np.nan)
        for k in range(2):
            train, test = use & (fold != k), use & (fold == k)
            x = data.x[train][:, keep]
            signs = directions(x, y[train], w[train])
            fit = fit_additive(x, y[train], w[train], signs=signs, rounds=rounds // 2)
            score[test] = fit.log_odds(data.x[test][:, keep])
        found[family] = rounded(auc(score[use & (y == 1)], score[use & (y == 0)]))
    return found


if __name__ == "__main__":
    main()
