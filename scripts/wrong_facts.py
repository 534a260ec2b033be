"""What is answered where something false was told, or a clip was spoilt on its way.

    python scripts/wrong_facts.py DIR [DIR ...] [--clips 75] [--weigh]

Each DIR holds clips and their ``truth.jsonl``, as ``scripts/second_bench.py make`` and its like
write them. Usable clips without a fault of 0.2 and more, and without a recording problem, are
judged as they are, with the other mains told, the other number of poles, the sample rate doubled
and halved, and backwards; the answers are counted. With ``--weigh`` the weights of what speaks
for a wrong sample rate (``fitness/label.py``) are fitted to these clips instead.
"""

from __future__ import annotations

import collections
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import click
import numpy as np

from quietrun.clip import Clip, read_clip
from quietrun.dsp.frames import frames_of
from quietrun.fitness.bandwidth import upper_edge_hz
from quietrun.fitness.label import Label, measure_label
from quietrun.fitness.view import view_of
from quietrun.machine import Machine
from quietrun.pipeline import analyse_clip, general_model
from quietrun.run import follow
from quietrun.words import VERDICTS


def healthy(folder: Path, most: int) -> Iterator[dict[str, Any]]:
    """Truths of the first usable clips of a folder in which nothing is wrong."""
    found = 0
    for line in (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines():
        truth = json.loads(line)
        if truth["stage"] == "hand_spin" or not truth.get("usable", True):
            continue
        if (
            truth.get("problem")
            or truth.get("other")
            or max(truth["faults"].values(), default=0.0) >= 0.2
        ):
            continue
        yield truth
        found += 1
        if found >= most:
            return


def told(clip: Clip, machine: Machine) -> Iterator[tuple[str, Clip, Machine]]:
    """Name of what is false, and the clip and machine with it."""
    yield "as recorded", clip, machine
    if machine.mains_hz is not None:
        yield "other mains", clip, replace(machine, mains_hz=110.0 - machine.mains_hz)
    if machine.poles is not None:
        name = f"{6 - machine.poles} poles told of {machine.poles}"
        yield name, clip, replace(machine, poles=6 - machine.poles)
    yield "rate doubled", replace(clip, rate_hz=2.0 * clip.rate_hz), machine
    yield "rate halved", replace(clip, rate_hz=0.5 * clip.rate_hz), machine
    yield "backwards", replace(clip, samples=np.ascontiguousarray(clip.samples[::-1])), machine


def machine_of(truth: dict[str, Any]) -> Machine:
    """Give the machine that is told."""
    mains_hz = float(truth["mains_hz"]) if truth["mains_hz"] else None
    return Machine(stage=truth["stage"], mains_hz=mains_hz, poles=truth["poles"])


def label_of(clip: Clip, machine: Machine) -> Label:
    """Measure what speaks for the sample rate."""
    frames = frames_of(clip.samples, clip.rate_hz)
    view = view_of(clip, follow(clip, machine, frames), frames)
    return measure_label(view, upper_edge_hz(view))


def weigh(folders: tuple[Path, ...], clips: int) -> None:
    """Fit log-odds to right and wrong labels, as many of each; z are held to -2 to 10."""
    from sklearn.linear_model import LogisticRegression

    for name, columns in {
        "rate doubled": ("missing_db", "own_z"),
        "rate halved": ("between_db", "half_z", "own_z"),
    }.items():
        rows, wrong = [], []
        for folder in folders:
            for truth in healthy(folder, clips):
                for what, sound, known in told(
                    read_clip(folder / truth["file"]), machine_of(truth)
                ):
                    if what not in ("as recorded", name):
                        continue
                    label = label_of(sound, known)
                    row = [getattr(label, column) for column in columns]
                    if None not in row:
                        held = [
                            np.clip(x, -2, 10) if c[-1] == "z" else x
                            for c, x in zip(columns, row, strict=True)
                        ]
                        rows.append(held)
                        wrong.append(what == name)
        fit = LogisticRegression(class_weight="balanced").fit(np.array(rows), wrong)
        each = ", ".join(f"{c} {w:.2f}" for c, w in zip(columns, fit.coef_[0], strict=True))
        click.echo(f"{name}  {each}, of none {fit.intercept_[0]:.1f}; {len(rows)} clips")


@click.command()
@click.argument("folders", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path))
@click.option("--clips", default=75, show_default=True, help="Of each folder.")
@click.option("--weigh", "only_weigh", is_flag=True, help="Fit the weights of a wrong rate.")
def main(folders: tuple[Path, ...], clips: int, only_weigh: bool) -> None:
    """Judge, and count the answers."""
    if only_weigh:
        weigh(folders, clips)
        return
    counts: dict[str, collections.Counter[str]] = {}
    for folder in folders:
        for truth in healthy(folder, clips):
            machine = machine_of(truth)
            clip = read_clip(folder / truth["file"])
            for name, sound, known in told(clip, machine):
                answer = analyse_clip(sound, machine=known, model=general_model()).verdict.word
                counts.setdefault(name, collections.Counter())[answer] += 1
    width = max(map(len, counts), default=0)
    for name, answers in counts.items():
        each = ", ".join(f"{word} {answers[word]}" for word in VERDICTS)
        click.echo(f"{name:{width}s}  {each}, of {answers.total()}")


if __name__ == "__main__":
    main()
