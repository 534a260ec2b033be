"""How well the times and the speed of a run are found, against the truth of a bench.

    python scripts/evaluate_times.py FOLDER [FOLDER ...] [--clips FROM:TO] [--aac 64000]

Each FOLDER holds clips and their ``truth.jsonl``, as ``scripts/own_bench.py`` and its like write
them. All usable powered clips that have the moment count, also those with a recording problem.
Prints the share of switch-ons and switch-offs within 0.1 s, and of those more than 0.5 s off
(worse than none); moments claimed where the clip has none; speeds claimed, and of these right
within 0.5 %; coast-downs within 10 %; clicks of the start switch within 0.1 s, and clicks claimed
that are none. With ``--aac`` each clip is first encoded to AAC at so many bits a second.

With ``--heard`` (clips of ``own_bench.py`` only; they are rendered again, --seed as there) it also
says in how many of the missed switch-ons the machine's first 0.1 s lie under the room in every
third octave: no ear could tell that moment.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import click
import numpy as np

from quietrun.clip import Clip, read_clip
from quietrun.dsp.frames import frames_of
from quietrun.dsp.stats import wilson_interval
from quietrun.machine import Machine
from quietrun.run import follow
from quietrun.run.types import Run
from quietrun.synth import draw_recipe
from quietrun.synth.codecs import encode
from quietrun.synth.families import phone_family
from quietrun.synth.scene import make_scene
from quietrun.synth.troubles import make_trouble

CLOSE_S, GROSS_S = 0.1, 0.5
SPEED, COAST = 0.005, 0.1


def truths(folder: Path, span: str) -> Iterator[tuple[int, dict[str, Any]]]:
    """Index and truth of the usable powered clips of a folder."""
    first, _, last = span.partition(":")
    for index, line in enumerate((folder / "truth.jsonl").read_text(encoding="utf-8").splitlines()):
        truth = json.loads(line)
        inside = int(first or 0) <= index < (int(last) if last else sys.maxsize)
        if inside and truth["usable"] and truth["stage"] != "hand_spin":
            yield index, truth


def as_aac(clip: Clip, bits_a_second: int) -> Clip:
    """The clip as a phone would have packed it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip.m4a"
        path.write_bytes(encode(clip.samples, round(clip.rate_hz), "aac", bits_a_second))
        return read_clip(path)


def found(path: Path, truth: dict[str, Any], aac: int | None) -> Run:
    """What the product finds in a clip."""
    clip = read_clip(path)
    if aac:
        clip = as_aac(clip, aac)
    mains_hz = float(round(truth["mains_hz"], -1)) if truth["mains_hz"] else None
    machine = Machine(stage=truth["stage"], poles=truth["poles"], mains_hz=mains_hz)
    return follow(clip, machine, frames_of(clip.samples, clip.rate_hz))


def first_over_room_db(seed: int, index: int) -> float:
    """Clearest third octave of the machine's first 0.1 s over the room about it, dB."""
    import importlib

    parts = importlib.import_module("quietrun.synth.render")
    recipe = draw_recipe(np.random.default_rng([seed, index]))
    scene = make_scene(recipe)
    trouble = make_trouble(scene, phone_family(recipe.phone))
    path = parts.make_path(scene, trouble.phone)
    machine = parts.mix_machine(scene, path).sound
    power = parts._a_frames(machine, path.rate_hz)
    loud = float(power[parts._in_spans(power.size, parts.loud_spans(scene))].mean()) + 1e-30
    room = parts.surround(scene, path, trouble, loud).sound
    wide = int(0.1 * path.rate_hz)
    centres = 1000.0 * 2.0 ** (np.arange(-11, 13) / 3.0)
    centres = centres[centres < 0.4 * path.rate_hz]

    def bands(x: np.ndarray, at_s: float) -> np.ndarray:
        a = max(0, int(at_s * path.rate_hz))
        part = x[a : a + wide]
        spectrum = np.abs(np.fft.rfft(part * np.hanning(part.size))) ** 2
        hz = np.fft.rfftfreq(part.size, 1 / path.rate_hz)
        return np.array(
            [spectrum[(hz >= c * 2 ** (-1 / 6)) & (hz < c * 2 ** (1 / 6))].sum() for c in centres]
        )

    on_s = scene.motion.on_s
    about = [bands(room, on_s + by) for by in np.arange(-0.4, 0.45, 0.1)]
    over = bands(machine, on_s) / (np.median(about, axis=0) + 1e-20) + 1e-12
    return float(10 * np.log10(over.max()))


def share(name: str, hits: list[bool]) -> None:
    """Print a share with its 95 % interval."""
    if not hits:
        return
    low, high = wilson_interval(sum(hits), len(hits))
    click.echo(
        f"  {name}: {sum(hits)} of {len(hits)} ({np.mean(hits):.3f}, {low:.3f} to {high:.3f})"
    )


def near(got: float | None, true: float, within: float = CLOSE_S) -> bool:
    """Whether a moment was found within a time."""
    return got is not None and abs(got - true) <= within


def tell_moment(name: str, pairs: list[tuple[float | None, float | None]]) -> None:
    """Print how a moment is found; (true, found) of each clip."""
    there = [(true, got) for true, got in pairs if true is not None]
    share(f"{name} within {CLOSE_S} s", [near(got, true) for true, got in there])
    off = [got is not None and not near(got, true, GROSS_S) for true, got in there]
    share(f"{name} more than {GROSS_S} s off", off)
    share(f"{name} claimed where there is none", [g is not None for t, g in pairs if t is None])


def tell(rows: list[tuple[dict[str, Any], Run]]) -> None:
    """Print the figures of one folder."""
    tell_moment("switch-on", [(t["switched_on_s"], q.power_on_s) for t, q in rows])
    tell_moment("switch-off", [(t["switched_off_s"], q.power_off_s) for t, q in rows])
    speeds = [(t["running_rpm"], q.running_rpm) for t, q in rows if t["running_rpm"]]
    share("speed claimed", [got is not None for _, got in speeds])
    claimed = [(true, got) for true, got in speeds if got is not None]
    share("of these right within 0.5 %", [abs(got / true - 1) < SPEED for true, got in claimed])
    coasts = [
        (t["at_rest_s"] - t["switched_off_s"], q.coast)
        for t, q in rows
        if t["at_rest_s"] and t["switched_off_s"] and t["at_rest_s"] > t["switched_off_s"] + 0.05
    ]
    close = [c is not None and abs(c.duration_s / true - 1) < COAST for true, c in coasts]
    share("coast-down within 10 %", close)
    for name in ("open", "close"):
        events = [
            (t[f"start_switch_{name}_s"], q.switch_open if name == "open" else q.switch_close)
            for t, q in rows
        ]
        times = [(true, None if event is None else event.time_s) for true, event in events]
        share(f"click at {name} found", [near(got, true) for true, got in times if true])
        wrong = [not (true and near(got, true)) for true, got in times if got is not None]
        share(f"click at {name} claimed, and is none", wrong)


@click.command()
@click.argument("folders", nargs=-1, required=True, type=click.Path(path_type=Path, exists=True))
@click.option("--clips", default=":", show_default=True, help="Which lines of truth.jsonl.")
@click.option("--aac", type=int, help="Encode to AAC first, bits a second.")
@click.option("--heard", is_flag=True, help="Say which missed switch-ons nobody could hear.")
@click.option("--seed", default=31, show_default=True, help="Of own_bench.py, with --heard.")
def main(folders: tuple[Path, ...], clips: str, aac: int | None, heard: bool, seed: int) -> None:
    """Print the figures of each folder."""
    for folder in folders:
        rows, missed = [], []
        for index, truth in truths(folder, clips):
            run = found(folder / truth["file"], truth, aac)
            rows.append((truth, run))
            true = truth["switched_on_s"]
            if true is not None and not near(run.power_on_s, true):
                missed.append(index)
        click.echo(f"{folder}: {len(rows)} clips")
        tell(rows)
        if heard:
            under = [first_over_room_db(seed, index) < 0.0 for index in missed]
            share("missed switch-ons that lie under the room", under)


if __name__ == "__main__":
    main()
