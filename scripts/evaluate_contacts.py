"""How well burr contact is found and dated, on synthetic burr-setting clips.

    python scripts/evaluate_contacts.py [--clips 60] [--seed 7]

Half of the clips hold a burr contact (severity 0.4 to 1), the others none: healthy, or with
another fault. Only clips with a steady run and usable sound count. The weights were fitted on
seeds 201 to 205 and on clips of other sound models (``scripts/fit_contacts.py``). Prints the
share of first contacts dated within 0.15 s, of those whose burrs are heard at once (a stick-slip
squeal may begin later than the faces meet), and contacts claimed where there are none.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from quietrun.clip import Clip, Source
from quietrun.dsp.frames import frames_of
from quietrun.dsp.stats import wilson_interval
from quietrun.evidence.contacts import Touch, find_contacts
from quietrun.machine import Machine
from quietrun.run import follow
from quietrun.synth import draw_recipe, render

CLOSE_S = 0.15
OTHERS = ("bearing_noise", "impeller_rub", "pre_breaker_wobble")


def heard(rng: np.random.Generator, touching: bool) -> tuple[Clip, Machine, dict[str, Any], str]:
    """Render a clip; returns it, what is told of the machine, the truth and the source model."""
    faults = {"burr_contact": float(rng.uniform(0.4, 1.0))} if touching else {}
    if not touching and rng.random() < 0.5:
        faults = {str(rng.choice(OTHERS)): float(rng.uniform(0.3, 1.0))}
    recipe = draw_recipe(rng, stage="burr_setting", faults=faults)
    sound = render(recipe)
    samples = np.asarray(sound.samples)
    mono = samples if samples.ndim == 1 else samples[:, 0]
    source = Source("memory", None, None, None, "", 1, 0, mono.size / sound.rate_hz)
    clip = Clip(np.ascontiguousarray(mono, np.float32).copy(), float(sound.rate_hz), source)
    told = Machine(stage="burr_setting", mains_hz=recipe.mains_hz, poles=recipe.poles)
    return clip, told, sound.truth, recipe.sources.get("burr_contact", "")


def one(rng: np.random.Generator, touching: bool) -> tuple[tuple[Touch, ...], dict[str, Any], str]:
    """Render a clip and look for contacts; returns them, the truth, and the source model."""
    clip, told, truth, source = heard(rng, touching)
    frames = frames_of(clip.samples, clip.rate_hz)
    return find_contacts(clip, follow(clip, told, frames), frames), truth, source


def share(name: str, hits: int, count: int) -> None:
    """Print a share with its 95 % interval."""
    low, high = wilson_interval(hits, count) if count else (0.0, 1.0)
    part = 100 * hits / max(1, count)
    click.echo(f"{name}: {hits} of {count} ({part:.0f} %, {100 * low:.0f} to {100 * high:.0f})")


@click.command()
@click.option("--clips", default=60, show_default=True)
@click.option("--seed", default=7, show_default=True)
def main(clips: int, seed: int) -> None:
    """Render, listen, count."""
    rng = np.random.default_rng(seed)
    dated: list[tuple[str, float | None]] = []
    claimed = calm = 0
    for number in range(clips):
        found, truth, source = one(rng, touching=number % 2 == 0)
        if not truth["usable"] or truth["at_speed_s"] is None:
            continue
        if truth["contacts"]:
            first = truth["contacts"][0][0]
            dated.append((source, found[0].start_s - first if found else None))
        else:
            calm += 1
            claimed += bool(found)
    close = [abs(error) <= CLOSE_S for _, error in dated if error is not None]
    share("first contact within 0.15 s", sum(close), len(dated))
    prompt = [e for source, e in dated if source != "squeal"]
    share(
        "  without squeals",
        sum(e is not None and abs(e) <= CLOSE_S for e in prompt),
        len(prompt),
    )
    share("missed", sum(e is None for _, e in dated), len(dated))
    share("claimed without one", claimed, calm)
    errors = [e for _, e in dated if e is not None]
    click.echo(f"median error {np.median(errors):+.3f} s")


if __name__ == "__main__":
    main()
