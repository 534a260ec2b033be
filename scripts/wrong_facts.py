"""What is answered where something false was told, or a clip was spoilt on its way.

    python scripts/wrong_facts.py DIR [DIR ...] [--clips 75] [--weigh]

Each DIR holds clips and their ``truth.jsonl``, as ``scripts/second_bench.py make`` and its like
write them. Usable clips without a fault of 0.2 and more, and without a recording problem, are
judged as they are, with the other mains told, the other number of poles, the sample rate doubled
and halved, and backwards; the answers are counted. With ``--weigh`` the weights of what speaks
for a wrong sample rate (``fitness/label.py``) and for a clip played backwards (``arrow.py``) are
fitted to these clips instead.
"""

from __future__ import annotations

import collections
import json
from collections.abc import Iterator
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import click
import numpy as np

from quietrun.clip import Clip, read_clip
from quietrun.dsp.frames import frames_of
from quietrun.fitness.arrow import measure_arrow
from quietrun.fitness.bandwidth import upper_edge_hz
from quietrun.fitness.label import measure_label
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


def spoken(clip: Clip, machine: Machine) -> dict[str, float | None]:
    """Measure what speaks for the sample rate, and for the direction of time."""
    frames = frames_of(clip.samples, clip.rate_hz)
    view = view_of(clip, follow(clip, machine, frames), frames)
    edge_hz = upper_edge_hz(view)
    return asdict(measure_label(view, edge_hz)) | asdict(measure_arrow(view, edge_hz))


#: What speaks for each wrong fact, and between what it is held.
WEIGHED = {
    "rate doubled": {"missing_db": None, "own_z": (-2, 10)},
    "rate halved": {"between_db": None, "half_z": (-2, 10), "own_z": (-2, 10)},
    "backwards": {"runs_on_db": (-25, 25), "starts_db": (-25, 25), "rises": None},
}


def weigh(folders: tuple[Path, ...], clips: int) -> None:
    """Fit log-odds to right and wrong clips, both counting the same."""
    from sklearn.linear_model import LogisticRegression

    measured: dict[str, list[dict[str, float | None]]] = collections.defaultdict(list)
    for folder in folders:
        for truth in healthy(folder, clips):
            clip = read_clip(folder / truth["file"])
            for name, sound, known in told(clip, machine_of(truth)):
                if name == "as recorded" or name in WEIGHED:
                    measured[name].append(spoken(sound, known))
    for name, columns in WEIGHED.items():
        rows, wrong = [], []
        for one in ("as recorded", name):
            for values in measured[one]:
                row = [values[column] for column in columns]
                if None not in row:
                    rows.append(
                        [
                            value if held is None else np.clip(value, *held)
                            for value, held in zip(row, columns.values(), strict=True)
                        ]
                    )
                    wrong.append(one == name)
        fit = LogisticRegression(class_weight="balanced", max_iter=1000).fit(np.array(rows), wrong)
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
