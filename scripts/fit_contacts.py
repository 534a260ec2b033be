"""Fit the scorecard of ``quietrun.evidence.contacts`` and print it as that module has it.

    python scripts/fit_contacts.py [FOLDER...] [--seeds 201,202,203,204,205] [--clips 160]

Learns from clips of our own (as ``scripts/evaluate_contacts.py`` draws them, other seeds than
those that are judged) and from the burr-setting clips in folders of other sound models. A rise
within 0.15 s of a true contact is one, a rise inside a contact but not at its start teaches
nothing, any other is none. Logistic regression on piecewise linear ramps, each measure held to
the direction that physics gives it.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path

import click
import numpy as np
from scipy.optimize import minimize

sys.path.insert(0, str(Path(__file__).resolve().parent))

from evaluate_contacts import CLOSE_S, heard

from quietrun.clip import Clip, read_clip
from quietrun.dsp.frames import frames_of
from quietrun.evidence.contacts import SCORECARD, rises
from quietrun.machine import Machine
from quietrun.pipeline import KEEP_S
from quietrun.run import follow

Spans = Sequence[Sequence[float]]

#: What falls with a rise, is wide, or comes many times in a run speaks against a touch.
AGAINST = ("fallen", "wide", "count")
CAPS = {"length": 2.0, "waited": 2.0}  # s: longer says no more
KNOTS = 5
RIDGE = 1.0
AUDIBLE = 0.25  # contacts below this severity teach nothing


def of_folder(folder: Path) -> Iterator[tuple[Clip, Machine, Spans]]:
    """Burr-setting clips of a sound model, with the spans of contact."""
    for line in (folder / "truth.jsonl").read_text().splitlines():
        truth = json.loads(line)
        touched = truth.get("contacts")
        if truth["stage"] != "burr_setting" or not truth["usable"] or touched is None:
            continue
        if touched and truth["faults"].get("burr_contact", 0.0) < AUDIBLE:
            continue
        told = Machine(
            stage="burr_setting", mains_hz=float(truth["mains_hz"]), poles=truth["poles"]
        )
        yield read_clip(folder / truth["file"], keep_s=KEEP_S), told, touched


def of_seed(seed: int, clips: int) -> Iterator[tuple[Clip, Machine, Spans]]:
    """Clips of our own, every second one with a contact."""
    rng = np.random.default_rng(seed)
    for number in range(clips):
        clip, told, truth, _ = heard(rng, number % 2 == 0)
        if truth["usable"] and truth["at_speed_s"] is not None:
            yield clip, told, truth["contacts"] or ()


def labelled(clip: Clip, told: Machine, spans: Spans) -> Iterator[tuple[list[float], int]]:
    """Measures of each rise of a clip, and whether it is a contact."""
    frames = frames_of(clip.samples, clip.rate_hz)
    for rise in rises(clip, follow(clip, told, frames), frames):
        at = rise.start_s + clip.start_s
        begun = any(abs(at - first) <= CLOSE_S for first, _ in spans)
        inside = any(first - 0.35 <= at <= last + 0.1 for first, last in spans)
        if begun or not inside:
            yield [rise.measures[name] for name in SCORECARD], int(begun)


def fit(x: np.ndarray, y: np.ndarray) -> tuple[dict[str, tuple[list[float], list[float]]], float]:
    """Points at the knots of each measure, and the base.

    Parameters
    ----------
    x : shape (rises, measures)
    y : shape (rises,), 0 or 1
    """
    knots, ramps = [], []
    for name, column in zip(SCORECARD, x.T, strict=True):
        held = np.minimum(column, CAPS.get(name, np.inf))
        at = np.unique(np.round(np.quantile(held, np.linspace(0.03, 0.97, KNOTS)), 2))
        knots.append(at)
        sign = -1.0 if name in AGAINST else 1.0
        ramps += [sign * np.clip((column - a) / (b - a), 0, 1) for a, b in pairwise(at)]
    design = np.stack([*ramps, np.ones(y.size)], axis=1)

    def loss(p: np.ndarray) -> tuple[float, np.ndarray]:
        z = design @ p
        slope = design.T @ (1 / (1 + np.exp(-z)) - y)
        slope[:-1] += RIDGE * p[:-1]
        worth = np.logaddexp(0, -(2 * y - 1) * z).sum() + RIDGE * np.sum(p[:-1] ** 2) / 2
        return float(worth), slope

    begin = np.append(np.full(design.shape[1] - 1, 0.3), -3.0)
    bounds = [(0, None)] * (design.shape[1] - 1) + [(None, None)]
    best = minimize(loss, begin, jac=True, method="L-BFGS-B", bounds=bounds).x
    card, used = {}, 0
    for name, at in zip(SCORECARD, knots, strict=True):
        steps = best[used : used + at.size - 1] * (-1.0 if name in AGAINST else 1.0)
        used += at.size - 1
        card[name] = ([float(k) for k in at], [0.0, *np.round(np.cumsum(steps), 2).tolist()])
    return card, round(float(best[-1]), 2)


@click.command()
@click.argument("folders", nargs=-1, type=click.Path(exists=True, path_type=Path))
@click.option("--seeds", default="201,202,203,204,205", show_default=True)
@click.option("--clips", default=160, show_default=True, help="Clips of each seed.")
def main(folders: tuple[Path, ...], seeds: str, clips: int) -> None:
    """Fit, and print SCORECARD and BASE_POINTS."""
    sources = [of_seed(int(seed), clips) for seed in seeds.split(",") if seed]
    sources += [of_folder(folder) for folder in folders]
    found = [row for source in sources for clip in source for row in labelled(*clip)]
    y = np.array([label for _, label in found])
    if not 0 < y.sum() < y.size:
        raise click.UsageError("These clips hold no contact, or nothing else; add some.")
    card, base = fit(np.array([measures for measures, _ in found]), y)
    for name, (at, points) in card.items():
        click.echo(f'    "{name}": ({tuple(at)}, {tuple(points)}),')
    click.echo(f"BASE_POINTS = {base}  # {y.sum()} of {y.size} rises are contacts")


if __name__ == "__main__":
    main()
