"""Recipes -> sounds -> evidence, in parallel, cached so that a stopped run goes on where it was."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from joblib import Parallel, delayed

from quietrun.clip import Clip, Source
from quietrun.dsp.frames import frames_of
from quietrun.evidence import CATALOGUE, gather
from quietrun.fitness import assess
from quietrun.machine import Machine
from quietrun.run import Run, follow

ROOT = Path(__file__).resolve().parents[2]
NAMES = tuple(feature.name for feature in CATALOGUE)


@dataclass(frozen=True)
class Row:
    """One clip: what the tool measured and what is true."""

    features: list[float | None]
    run: dict[str, Any]
    fitness: dict[str, Any]
    truth: dict[str, Any]


def measure(samples: np.ndarray, rate_hz: float, machine: Machine) -> tuple[Run, Any, Any]:
    """Run, fitness and evidence of samples in memory, by the product's own steps."""
    mono = np.ascontiguousarray(samples if samples.ndim == 1 else samples[:, 0], dtype=np.float32)
    source = Source("memory", None, None, None, "", 1, 0, mono.size / rate_hz)
    clip = Clip(mono.copy(), float(rate_hz), source)
    frames = frames_of(clip.samples, clip.rate_hz)
    run = follow(clip, machine, frames)
    fitness = assess(clip, run, frames, stage=machine.stage)
    return run, fitness, gather(clip, run, frames, fitness.bandwidth_hz)


def row_of(samples: np.ndarray, rate_hz: float, truth: dict[str, Any]) -> Row:
    """Measure one sound as if a user had told stage, poles and mains half of the time."""
    told = (
        hash_unit(json.dumps(truth.get("family"), sort_keys=True) + str(truth["duration_s"])) < 0.5
    )
    machine = Machine(
        stage=truth["stage"],
        poles=truth["poles"] if told else None,
        mains_hz=float(round(truth["mains_hz"] / 10) * 10) if told and truth["mains_hz"] else None,
    )
    run, fitness, evidence = measure(samples, rate_hz, machine)
    seen = {
        "on": run.power_on_s,
        "at_speed": run.at_speed_s,
        "off": run.power_off_s,
        "rest": run.rest_s,
        "rpm": run.running_rpm,
        "guess_hz": run.shaft_guess_hz,
        "z": run.shaft_confidence,
        "mains_hz": run.mains_hz,
        "poles": run.poles,
        "started": run.started,
        "coast": None if run.coast is None else run.coast.duration_s,
        "coast_confidence": None if run.coast is None else run.coast.confidence,
        "open": None if run.switch_open is None else run.switch_open.time_s,
        "close": None if run.switch_close is None else run.switch_close.time_s,
        "others": len(run.others),
    }
    fit = {
        "codes": sorted(fitness.codes),
        "usable": fitness.usable,
        "snr": fitness.room_snr_db,
        "bandwidth": fitness.bandwidth_hz,
    }
    kept = {k: v for k, v in truth.items() if k != "speed_track"}
    return Row([evidence.number(name) for name in NAMES], seen, fit, kept)


def hash_unit(text: str) -> float:
    """A number in 0..1 fixed by a text."""
    return int(hashlib.sha256(text.encode()).hexdigest()[:8], 16) / 0xFFFFFFFF


def code_stamp(*parts: str) -> str:
    """Hash of the sources that decide a row: a cache of other code is not used."""
    digest = hashlib.sha256()
    for part in parts:
        for path in sorted((ROOT / "src" / "quietrun" / part).rglob("*.py")):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def matrix(rows: Sequence[Row]) -> np.ndarray:
    """Features as float64 (clips, features), NaN where missing."""
    return np.array(
        [[math.nan if v is None else v for v in row.features] for row in rows], dtype=np.float64
    )


def save(rows: Iterable[Row], path: Path) -> None:
    """Write rows as JSON lines, whole or not at all."""
    part = path.with_suffix(".part")
    part.parent.mkdir(parents=True, exist_ok=True)
    part.write_text("".join(json.dumps(asdict(row)) + "\n" for row in rows))
    part.replace(path)


def load(path: Path) -> list[Row]:
    """Read rows back."""
    return [Row(**json.loads(line)) for line in path.read_text().splitlines()]


def synthetic(
    seed: int, count: int, *, jobs: int, cache: Path, problem: str | None = None
) -> list[Row]:
    """Rows of ``count`` random recipes, computed in chunks that survive a stop."""
    stamp = code_stamp("synth", "dsp", "run", "fitness", "evidence", "machine")
    size = 50
    done: list[Row] = []
    todo = []
    for start in range(0, count, size):
        path = cache / f"{stamp}-{seed}-{problem or 'usable'}-{start}.jsonl"
        todo.append((path, seed, start, min(size, count - start), problem))
    missing = [t for t in todo if not t[0].exists()]
    if missing:
        from rich.progress import track

        work = Parallel(n_jobs=jobs, return_as="generator_unordered")(
            delayed(_chunk)(*t) for t in missing
        )
        for _ in track(work, total=len(missing), description=f"{count} clips in fifties"):
            pass
    for path, *_ in todo:
        done += load(path)
    return done


def _chunk(path: Path, seed: int, start: int, size: int, problem: str | None) -> None:
    from quietrun.synth import draw_recipe, render

    rows = []
    for i in range(start, start + size):
        rng = np.random.default_rng([seed, i])
        fixed = {} if problem is None else {"problem": problem}
        sound = render(draw_recipe(rng, **fixed))
        rows.append(row_of(sound.samples, sound.rate_hz, sound.truth))
    save(rows, path)
