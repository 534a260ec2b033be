"""What is answered where something false was told, or a clip was spoilt on its way.

    python scripts/wrong_facts.py DIR [DIR ...] [--clips 75]

Each DIR holds clips and their ``truth.jsonl``, as ``scripts/second_bench.py make`` and its like
write them. Usable clips without a fault of 0.2 and more, and without a recording problem, are
judged as they are, with the other mains told, the other number of poles, the sample rate doubled
and halved, and backwards; the answers are counted.
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
from quietrun.machine import Machine
from quietrun.pipeline import analyse_clip, general_model
from quietrun.words import VERDICTS


def healthy(folder: Path, most: int) -> Iterator[dict[str, Any]]:
    """Truths of the first usable clips of a folder in which nothing is wrong."""
    found = 0
    for line in (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines():
        truth = json.loads(line)
        if truth["stage"] == "hand_spin" or not truth.get("usable", True):
            continue
        if truth.get("problem") or truth.get("other") or max(truth["faults"].values()) >= 0.2:
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


@click.command()
@click.argument("folders", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path))
@click.option("--clips", default=75, show_default=True, help="Of each folder.")
def main(folders: tuple[Path, ...], clips: int) -> None:
    """Judge, and count the answers."""
    counts: dict[str, collections.Counter[str]] = {}
    for folder in folders:
        for truth in healthy(folder, clips):
            machine = Machine(
                stage=truth["stage"],
                mains_hz=float(truth["mains_hz"]) if truth["mains_hz"] else None,
                poles=truth["poles"],
            )
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
