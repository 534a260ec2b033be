"""Measure the scorecards, honestly: across sound models, machines, sources, by band of severity.

    python scripts/evaluate_model.py ROWS... [-o models/general]

``ROWS`` are files of ``scripts/measure_bench.py``, one or more a sound model
(``synth/`` and the independent ones of ``scripts/*_bench``, which share no code).

1. Across sound models: each is left out of training in turn and judged. This is
   what to expect of machines, rooms and phones that are unlike all of ours.
2. Within sound models: fourfold over all rows, whole machines left out. The gap
   to 1 is what unlikeness costs.
3. Across source models of a fault: each left out of training in turn.

Writes ``evaluation.json``; ``scripts/model_card.py`` makes tables of it.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
import numpy as np
from sklearn.metrics import average_precision_score, brier_score_loss, roc_auc_score

sys.path.insert(0, str(Path(__file__).resolve().parent))

from learning.additive import binned, directions, fit_additive, fit_forest, fit_logistic
from learning.cards import (
    AUDIBLE,
    Set,
    as_set,
    benches,
    even_weights,
    fit_card,
    flagged,
    folds,
    label,
    limit_for,
    sign_strength,
    spoilt,
    trained_on,
    trained_on_spoilt,
)
from learning.dataset import NAMES, ROOT, load
from learning.signs import SIGNS

from quietrun.evidence import BY_NAME, FAMILIES
from quietrun.judge.limits import ONE_OF_FOUR
from quietrun.judge.model import SPOILT
from quietrun.words import FAULTS

BANDS = ((0.2, 0.4), (0.4, 0.7), (0.7, 1.01))


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
    score: np.ndarray, use: np.ndarray, data: Set, fault: str, flags: np.ndarray
) -> dict[str, Any]:
    """All figures of one fault. ``score`` is calibrated log-odds, ``flags`` says who is flagged."""
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
        held = use & (severity >= lo) & (severity < hi)
        part = score[held]
        name = f"{lo:g}-{min(hi, 1):g}"
        result[f"auc_{name}"] = rounded(auc(part, negative))
        result[f"flagged_{name}"] = rounded(flags[held].mean()) if part.size else None
    healthy = flags[use & data.healthy]
    result["false_flags"] = rounded(healthy.mean()) if healthy.size else None
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


def as_log_odds(limit: float) -> float:
    """A limit of the model on the scale of the scores."""
    return float(np.log(limit / (1 - limit)))


@dataclass
class Judged:
    """Scores of clips by cards that did not hear them, and who is flagged; a column a fault."""

    scores: np.ndarray
    flags: np.ndarray

    @classmethod
    def of(cls, found: dict[str, np.ndarray], limits: dict[str, float], data: Set) -> Judged:
        """Ask the rule of ``quietrun.judge``, the stage's gate in front of it."""
        scores = np.stack(
            [np.where(data.possible(fault), found[fault], np.nan) for fault in FAULTS], axis=1
        )
        own = np.array([limits[fault] for fault in FAULTS])
        return cls(scores, flagged(scores, own, found[ONE_OF_FOUR], limits[ONE_OF_FOUR]))

    def table(self, data: Set, fault: str) -> dict[str, Any]:
        """Figures of one fault."""
        use, _, _ = label(data, fault)
        column = FAULTS.index(fault)
        return table(self.scores[:, column], use, data, fault, self.flags[:, column])

    def any_flag(self, data: Set) -> float | None:
        """Share of healthy machines on which anything is flagged."""
        return rounded(self.flags[data.healthy].any(axis=1).mean())


def held_out(data: Set, bench: np.ndarray, rounds: int) -> dict[str, Any]:
    """Figures on each sound model by cards (and their limits) that learned from all the others."""
    found: dict[str, Any] = {fault: {} for fault in (*FAULTS, "any")}
    for name in sorted(set(bench)):
        train, test = data.part(bench != name), data.part(bench == name)
        rest = bench[bench != name]
        scores, limits = {}, {}
        for fault in (*FAULTS, ONE_OF_FOUR):
            fitted = fit_card(train, fault, rounds=rounds, extra=even_weights(rest), bench=rest)
            limits[fault] = as_log_odds(limit_for(fitted, train, fault, rest)[0])
            scores[fault] = fitted.model.log_odds(test.x) * fitted.slope + fitted.intercept
        judged = Judged.of(scores, limits, test)
        for fault in FAULTS:
            found[fault][name] = judged.table(test, fault)
        found["any"][name] = {"false_flags": judged.any_flag(test)}
    return found


def sign_there(data: Set, sign: str) -> tuple[np.ndarray, np.ndarray]:
    """Clips with what teaches a finding, and healthy ones."""
    return (sign_strength(data, sign) >= AUDIBLE) & ~data.faulty, data.healthy


def spoilt_there(data: Set, code: str) -> tuple[np.ndarray, np.ndarray]:
    """Clips with a recording problem that has a card, and usable ones."""
    problems = [spoilt(row) for row in data.rows]
    return np.array([p == code for p in problems]), np.array([p is None for p in problems])


def rare_held_out(
    data: Set,
    bench: np.ndarray,
    rounds: int,
    names: Iterable[str],
    there_of: Callable[[Set, str], tuple[np.ndarray, np.ndarray]],
) -> dict[str, Any]:
    """Figures of cards for what is rare, as in ``held_out``, against clips without it."""
    found: dict[str, Any] = {}
    for sign in names:
        areas, caught, false, count = [], [], [], 0
        for name in sorted(set(bench)):
            rest = bench[bench != name]
            train, test = data.part(bench != name), data.part(bench == name)
            fitted = fit_card(train, sign, rounds=rounds, extra=even_weights(rest), bench=rest)
            limit, _ = limit_for(fitted, train, sign, rest)
            score = fitted.model.log_odds(test.x) * fitted.slope + fitted.intercept
            there, without = there_of(test, sign)
            at = as_log_odds(limit)
            area = auc(score[there], score[without])
            false.append(float((score[without] >= at).mean()))
            if area is not None:
                areas.append(area)
                caught.append(float((score[there] >= at).mean()))
                count += int(there.sum())
        found[sign] = {
            "clips": count,
            "sound_models": len(areas),
            "auc": rounded(float(np.mean(areas))) if areas else None,
            "caught": rounded(float(np.mean(caught))) if caught else None,
            "false": rounded(float(np.mean(false))),
        }
    return found


def mean_of(found: dict[str, Any]) -> dict[str, Any]:
    """Plain mean of every figure over the sound models."""
    keys = [k for k, v in next(iter(found.values())).items() if not isinstance(v, list)]
    means = {}
    for key in keys:
        known = [v[key] for v in found.values() if v.get(key) is not None]
        means[key] = rounded(float(np.mean(known))) if known else None
    return means


@click.command()
@click.argument(
    "rows", nargs=-1, required=True, type=click.Path(exists=True, dir_okay=False, path_type=Path)
)
@click.option("--rounds", default=300, show_default=True)
@click.option(
    "--quick", is_flag=True, help="Leave out rivals, ablation and left-out source models."
)
@click.option("-o", "out", type=click.Path(path_type=Path), default=ROOT / "models" / "general")
def main(rows: tuple[Path, ...], rounds: int, quick: bool, out: Path) -> None:
    """Evaluate and write evaluation.json."""
    every = [row for path in rows for row in load(path)]
    usable = trained_on(every)
    usable = [row for row in usable if row.truth["stage"] != "hand_spin"]
    data = as_set(usable)
    bench = benches(usable)
    result: dict[str, Any] = {
        "rows": {name: int((bench == name).sum()) for name in sorted(set(bench))},
        "healthy": int(data.healthy.sum()),
        "faults": {},
    }
    extra = even_weights(bench)
    across_models = held_out(data, bench, rounds)
    result["false_flags_of_any_fault"] = across_models["any"]
    within = {f: fit_card(data, f, rounds=rounds, extra=extra) for f in (*FAULTS, ONE_OF_FOUR)}
    limits = {f: as_log_odds(limit_for(c, data, f, bench)[0]) for f, c in within.items()}
    judged = Judged.of({f: card.cross for f, card in within.items()}, limits, data)
    for fault in FAULTS:
        entry: dict[str, Any] = {"held_out": across_models[fault]}
        entry["held_out_mean"] = mean_of(entry["held_out"])
        entry["families"] = judged.table(data, fault)
        if not quick:
            entry["left_out_sources"] = left_out(data, fault, rounds)
            entry["rivals"] = rivals(data, fault, bench, rounds)
            entry["without_family"] = ablation(data, fault, bench, rounds)
        result["faults"][fault] = entry
        click.echo(f"{fault}: held out {json.dumps(entry['held_out_mean'])}")
        click.echo(f"   families {json.dumps(entry['families'])}")
    started = [row for row in usable if row.run.get("started") is not False]
    result["findings"] = rare_held_out(as_set(started), benches(started), rounds, SIGNS, sign_there)
    click.echo(f"findings: {json.dumps(result['findings'])}")
    held = trained_on_spoilt(every)
    result["spoilt"] = rare_held_out(as_set(held), benches(held), rounds, SPOILT, spoilt_there)
    click.echo(f"spoilt: {json.dumps(result['spoilt'])}")
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


def across(
    data: Set, fault: str, bench: np.ndarray, fit: Callable[..., Callable[[np.ndarray], np.ndarray]]
) -> float | None:
    """Mean area over the sound models, each judged by what learned from the others."""
    use, y, w = label(data, fault)
    areas = []
    for name in sorted(set(bench)):
        train, test = use & (bench != name), use & (bench == name)
        scores = fit(data.x[train], y[train], w[train])(data.x[test])
        areas.append(auc(scores[y[test] == 1], scores[y[test] == 0]))
    known = [a for a in areas if a is not None]
    return rounded(float(np.mean(known))) if known else None


def rivals(data: Set, fault: str, bench: np.ndarray, rounds: int) -> dict[str, Any]:
    """Area across sound models of the scorecard, logistic regression and trees."""

    def additive(x: np.ndarray, y: np.ndarray, w: np.ndarray) -> Callable[..., np.ndarray]:
        return fit_additive(x, y, w, signs=directions(x, y, w), rounds=rounds).log_odds

    def logistic(x: np.ndarray, y: np.ndarray, w: np.ndarray) -> Callable[..., np.ndarray]:
        model, edges = fit_logistic(x, y, w)
        return lambda z: model.decision_function(binned(z, edges))

    def trees(x: np.ndarray, y: np.ndarray, w: np.ndarray) -> Callable[..., np.ndarray]:
        return fit_forest(x, y, w).decision_function

    return {
        name: across(data, fault, bench, fit)
        for name, fit in (("additive", additive), ("logistic", logistic), ("trees", trees))
    }


def ablation(data: Set, fault: str, bench: np.ndarray, rounds: int) -> dict[str, Any]:
    """Area across sound models without each feature family."""
    found = {}
    for family in FAMILIES:
        keep = np.array([BY_NAME[name].family != family for name in NAMES])

        def without(
            x: np.ndarray, y: np.ndarray, w: np.ndarray, keep: np.ndarray = keep
        ) -> Callable[..., np.ndarray]:
            signs = directions(x[:, keep], y, w)
            card = fit_additive(x[:, keep], y, w, signs=signs, rounds=rounds // 2)
            return lambda z: card.log_odds(z[:, keep])

        found[family] = across(data, fault, bench, without)
    return found


if __name__ == "__main__":
    main()
