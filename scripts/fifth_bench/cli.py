"""The command: make a set of clips, a clip at a time, and go on where it stopped."""

from __future__ import annotations

import json
from pathlib import Path

import click
from joblib import Parallel, delayed

from fifth_bench import clips, plan


def one(folder: Path, seed: int, index: int, kind: str) -> str:
    """Make clip ``index`` unless its note is there; its line of the truth."""
    note = folder / "notes" / f"{index:05d}.json"
    if note.exists():
        return note.read_text()
    truth = clips.make(plan.draw(seed, index, kind), folder)
    line = json.dumps(truth)
    note.parent.mkdir(exist_ok=True)
    part = note.with_suffix(".part")
    part.write_text(line)
    part.replace(note)
    return line


@click.group()
def main() -> None:
    """A fifth sound model of the grinder."""


@main.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option("--n", "count", type=click.IntRange(min=1), default=600, show_default=True)
@click.option("--seed", type=click.IntRange(min=0), default=7, show_default=True)
@click.option("--kind", type=click.Choice(plan.KINDS), default="usable", show_default=True)
@click.option("--jobs", type=click.IntRange(min=1), default=2, show_default=True)
def make(folder: Path, count: int, seed: int, kind: str, jobs: int) -> None:
    """Write COUNT clips and truth.jsonl into FOLDER; run again to go on after a stop."""
    folder.mkdir(parents=True, exist_ok=True)
    said = {"seed": seed, "kind": kind}
    settings = folder / "settings.json"
    if settings.exists() and json.loads(settings.read_text()) != said:
        raise click.UsageError(
            f"{folder} was begun with {settings.read_text()}; take another folder."
        )
    settings.write_text(json.dumps(said))
    work = (delayed(one)(folder, seed, index, kind) for index in range(count))
    lines = Parallel(n_jobs=jobs, return_as="generator")(work)
    with click.progressbar(lines, length=count, label="clips") as bar:
        text = "".join(line + "\n" for line in bar)
    (folder / "truth.jsonl").write_text(text)
