"""Write down what is measured in a few clips, so that no change to the measuring goes unseen.

    python scripts/reference_values.py [--check]

A model holds for the values that it has learned from. Where ``dsp``, ``run`` or ``evidence``
comes to measure something else, the shipped model judges what it was never shown: retrain, or
make sure that the difference is too small to matter, and then write the values anew.
``tests/test_reference.py`` compares them with ``tests/reference_values.json``.

The clips: the examples of ``synthetic_audio/`` and some that are rendered from a recipe, so that
each stage, both mains, a motor that does not start and clips with several things wrong are among
them.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np

from quietrun.clip import Clip, Source, read_clip
from quietrun.dsp.frames import frames_of
from quietrun.evidence import Missing, gather
from quietrun.evidence.contacts import find_contacts
from quietrun.fitness import assess
from quietrun.machine import Machine
from quietrun.run import follow
from quietrun.synth import Recipe, render

ROOT = Path(__file__).resolve().parents[1]
EXAMPLES = ROOT / "synthetic_audio"
SAVED = ROOT / "tests" / "reference_values.json"
DIGITS = 6
#: What two builds of the same libraries may differ by.
RELATIVE, ABSOLUTE = 1e-3, 1e-4
RECIPES = {
    "by hand": Recipe(20, "hand_spin", faults={"bearing_noise": 0.8}, machine=20, snr_db=30.0),
    "burrs touch twice": Recipe(
        25, "burr_setting", faults={"burr_contact": 0.7}, machine=25, snr_db=28.0
    ),
    "burrs touch all round": Recipe(
        23, "burr_setting", faults={"burr_contact": 0.7}, machine=23, snr_db=28.0
    ),
    "motor alone, 60 Hz, two poles": Recipe(
        23, "motor_only", 60.0, 2, faults={"impeller_rub": 0.9}, machine=23, snr_db=26.0
    ),
    "chamber, 60 Hz": Recipe(
        14,
        "assembled",
        60.0,
        faults={"pre_breaker_wobble": 0.9, "bearing_noise": 0.5},
        machine=5,
        room=4,
        phone=1,
        snr_db=20.0,
    ),
    "did not start": Recipe(15, other={"did_not_start": 1.0}, snr_db=22.0),
    "drags, sings, in a loud room": Recipe(
        16,
        other={"drag": 0.8, "switch_ring_squeal": 0.9, "sag": 0.6},
        machine=7,
        room=9,
        phone=3,
        snr_db=11.0,
    ),
}


def names() -> list[str]:
    """Give the names of all clips."""
    return [*(path.name for path in sorted(EXAMPLES.glob("*.opus"))), *RECIPES]


def clip_of(name: str) -> tuple[Clip, Machine]:
    """Give a clip, and what is known of the machine."""
    if name not in RECIPES:
        return read_clip(EXAMPLES / name), Machine()
    recipe = RECIPES[name]
    made = render(recipe)
    samples = np.array(made.samples, np.float32)
    source = Source(name, "", "wav", "pcm", "soundfile", 1, 0, samples.size / made.rate_hz)
    return Clip(samples, float(made.rate_hz), source), Machine(stage=recipe.stage)


def measured(name: str) -> dict[str, Any]:
    """Measure a clip: what was measured -> value."""
    clip, machine = clip_of(name)
    frames = frames_of(clip.samples, clip.rate_hz)
    run = follow(clip, machine, frames)
    fitness = assess(clip, run, frames, stage=machine.stage)
    evidence = gather(clip, run, frames, fitness.bandwidth_hz)
    values = {f"run.{f.name}": _plain(getattr(run, f.name)) for f in fields(run)}
    values["run.not_heard"] = len(run.not_heard)
    values["fitness"] = [_plain(fitness.bandwidth_hz), _plain(fitness.room_snr_db)]
    values["problems"] = sorted(fitness.codes)
    if machine.stage == "burr_setting":
        values["contacts"] = [_plain(touch) for touch in find_contacts(clip, run, frames)]
    return values | {name: _plain(value) for name, value in evidence.values.items()}


def _plain(value: Any) -> Any:
    """Numbers and texts only; of a long array some values."""
    if isinstance(value, Missing):
        return "not measurable"  # the words of the reason may change
    if isinstance(value, np.ndarray):
        if value.size > 12:
            value = value[np.linspace(0, value.size - 1, 12).astype(int)]
        return [_plain(float(one)) for one in value]
    if is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, dict):
        return {str(name): _plain(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(f"{float(value):.{DIGITS}g}")
    return value


def differences(old: Any, new: Any, where: str = "") -> list[str]:
    """Say where two results are not the same within ``RELATIVE`` and ``ABSOLUTE``."""
    if isinstance(old, dict) and isinstance(new, dict):
        told = [f"{where}: {name} is {word}" for word, name in _odd(old, new)]
        for name in old.keys() & new.keys():
            told += differences(old[name], new[name], f"{where} / {name}" if where else name)
        return sorted(told)
    if isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        pairs = zip(old, new, strict=True)
        return [x for i, (a, b) in enumerate(pairs) for x in differences(a, b, f"{where}[{i}]")]
    if _number(old) and _number(new):
        same = math.isclose(old, new, rel_tol=RELATIVE, abs_tol=ABSOLUTE)
    else:
        same = type(old) is type(new) and old == new
    return [] if same else [f"{where}: {old!r} was measured, now {new!r}"]


def _odd(old: dict[str, Any], new: dict[str, Any]) -> list[tuple[str, str]]:
    gone = [("no more", name) for name in old.keys() - new.keys()]
    return gone + [("new", name) for name in new.keys() - old.keys()]


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def run(arguments: list[str]) -> int:
    """Write the values, or compare; 0 when they are (now) as measured."""
    parser = argparse.ArgumentParser(description="Write down what is measured in a few clips.")
    parser.add_argument("--check", action="store_true", help="change nothing, exit 1 on a drift")
    check = parser.parse_args(arguments).check
    old = json.loads(SAVED.read_text(encoding="utf-8")) if SAVED.exists() else {}
    new = {name: measured(name) for name in names()}
    told = differences(old, new)
    for line in told:
        print(line, file=sys.stderr)
    if check:
        return 1 if told else 0
    SAVED.write_text(_written(new), encoding="utf-8")
    return 0


def _written(values: dict[str, dict[str, Any]]) -> str:
    """JSON with a line for each value, so that a change can be read."""
    parts = []
    for name, found in values.items():
        lines = [f"  {json.dumps(key)}: {json.dumps(found[key])}" for key in sorted(found)]
        parts.append(f" {json.dumps(name)}: {{\n" + ",\n".join(lines) + "\n }")
    return "{\n" + ",\n".join(parts) + "\n}\n"


if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))
