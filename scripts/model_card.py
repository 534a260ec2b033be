"""Write the model card from what was measured: models/general/CARD.md and the README's table.

    python scripts/model_card.py [-o models/general]

Reads model.json, training.json, evaluation.json and, where it is there,
whole.json (verdicts on the second bench by scripts/second_bench.py score
--json). What was not measured is left visibly open.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

ROOT = Path(__file__).resolve().parents[1]
OPEN = "**not measured**"
TITLES = {
    "bearing_noise": "bearing noise",
    "impeller_rub": "impeller rub",
    "pre_breaker_wobble": "pre-breaker wobble",
    "burr_contact": "burr contact",
}


def shown(value: Any) -> str:
    """A figure, or that it is missing."""
    if value is None:
        return OPEN
    return f"{value:.2f}" if isinstance(value, float) else str(value)


def figures(evaluation: dict[str, Any], which: str) -> list[str]:
    """Rows of the main table."""
    lines = [
        "| fault | AUC (95 %) | AUC at 0.7 and more | flagged 0.4-0.7 | flagged 0.7-1 "
        "| false flags on healthy | ECE |",
        "|---|---|---|---|---|---|---|",
    ]
    for fault, title in TITLES.items():
        e = evaluation["faults"][fault].get(which)
        if not e:
            lines.append(f"| {title} | {OPEN} | | | | | |")
            continue
        low, high = e["auc_interval"] or (None, None)
        lines.append(
            f"| {title} | {shown(e['auc'])} ({shown(low)} to {shown(high)}) "
            f"| {shown(e['auc_0.7-1'])} | {shown(e['flagged_0.4-0.7'])} "
            f"| {shown(e['flagged_0.7-1'])} | {shown(e['false_flags'])} | {shown(e['ece'])} |"
        )
    return lines


def parts(evaluation: dict[str, Any], key: str) -> list[str]:
    """A table of one extra question, one line a fault."""
    lines = []
    for fault, title in TITLES.items():
        found = evaluation["faults"][fault].get(key)
        text = OPEN if not found else ", ".join(f"{k} {shown(v)}" for k, v in found.items())
        lines.append(f"- {title}: {text}")
    return lines


def brief(whole: dict[str, Any]) -> dict[str, Any]:
    """The figures of a whole score that the card shows."""
    faults = {
        fault: {
            key: found.get(key)
            for key in (
                "auc",
                "auc_judged_only",
                "flagged_by_severity",
                "false_flags_sound_machines",
                "ece",
            )
        }
        for fault, found in whole["faults"].items()
    }
    return {"faults": faults, "verdicts": whole["verdicts"], "run": whole["run"]}


@click.command()
@click.option("-o", "out", type=click.Path(path_type=Path), default=ROOT / "models" / "general")
def main(out: Path) -> None:
    """Write CARD.md and the README's part of evaluation.json."""
    model = json.loads((out / "model.json").read_text())
    training = json.loads((out / "training.json").read_text())
    evaluation = json.loads((out / "evaluation.json").read_text())
    whole_file = out / "whole.json"
    whole = json.loads(whole_file.read_text()) if whole_file.exists() else None
    terms = {f: len(model["faults"][f]["terms"]) for f in TITLES}
    lines = [
        f"# Model card: {model['name']}",
        "",
        'What it is: four additive, monotone scorecards (one a fault) and one for "not like a quiet',
        'machine". A score is a sum of points, one staircase a feature; the sum is the log-odds.',
        "Read with numpy alone; trained with scikit-learn (boosted stumps) on synthesised sound only.",
        "",
        f"Terms a card: {', '.join(f'{TITLES[f]} {n}' for f, n in terms.items())}.",
        f"Trained on {training['rows_used']} clips (`{training['command']}`), "
        f"Python {training['python']}, "
        + ", ".join(f"{k} {v}" for k, v in training["versions"].items())
        + f". SHA-256 of the file: `{training['model_sha256']}`.",
        "",
        "## Results",
        "",
        f"Across machines, rooms and phones (families left out, {evaluation['rows']} clips of our own "
        "synthesiser):",
        "",
        *figures(evaluation, "families"),
        "",
        "Across sound models: a twin trained on our own synthesiser alone, judged on the second sound "
        "model (`scripts/second_bench.py`, written independently and sharing no code; "
        f"{evaluation['bench_rows']} clips). What to expect of sounds unlike our own:",
        "",
        *figures(evaluation, "bench"),
        "",
        "Positives are severities of 0.2 and more, negatives all others, the inaudible traces and the",
        "other faults among them.",
        "",
        "Source models of a fault that training did not hear (AUC):",
        "",
        *parts(evaluation, "left_out_sources"),
        "",
        "The price of explainability (AUC across families; `trees` is an unconstrained boosted forest):",
        "",
        *parts(evaluation, "rivals"),
        "",
        "What each family of features is worth (AUC without it):",
        "",
        *parts(evaluation, "without_family"),
        "",
    ]
    if whole is not None:
        lines += [
            "Whole verdicts of the shipped model on the second bench, seed 7. Training and limits had other seeds of "
            "the same sound model, and finding the run was debugged on some of these clips: these figures flatter.",
            "",
            "```",
            json.dumps(brief(whole), indent=1),
            "```",
            "",
        ]
    lines += [
        "## Limits",
        "",
        "- Trained on synthesised sound. No recording of a grinder with a confirmed fault was available.",
        "- Goals that are missed are missed: the tables above stand beside the goals of 0.92 (all",
        "  severities) and 0.98 (0.7 and more) for the AUC, 0.80 and 0.95 flagged, 0.05 for the ECE.",
        "- `hand_spin` clips are not scored for faults.",
        "- Faults that come only warm, now and then, or with beans are not in ten seconds of an empty run.",
        "",
        "## Retraining",
        "",
        "`python scripts/train_model.py`, then `scripts/evaluate_model.py` and `scripts/model_card.py`.",
    ]
    (out / "CARD.md").write_text("\n".join(lines) + "\n")
    evaluation["readme"] = "\n".join(
        [
            "A twin of the shipped model, trained on our own synthesiser alone, judged on a second, "
            f"independent sound model ({evaluation['bench_rows']} clips). The shipped one learned from both; "
            "models/general/CARD.md has more. The goals (AUC 0.92, and 0.98 at 0.7 and more; flagged 0.80 and "
            "0.95) are missed.",
            "",
            *figures(evaluation, "bench"),
        ]
    )
    (out / "evaluation.json").write_text(json.dumps(evaluation, indent=1) + "\n")
    click.echo(f"wrote {out / 'CARD.md'}")


if __name__ == "__main__":
    main()
