"""Synthetic machines visited several times: same machine, room and phone, new chance each time."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from learning.dataset import code_stamp, measure
from quietrun.compare.bands import measure_bands
from quietrun.dsp.frames import frames_of
from quietrun.machine import Machine
from quietrun.words import FAULTS, POSSIBLE

#: Families of these scripts: none of them is drawn in training, which stays under 100 000.
FIRST_FAMILY = {"population": 200_000, "develop": 300_000, "judge": 400_000}


@dataclass(frozen=True)
class Visit:
    """One clip of one machine.

    Attributes
    ----------
    machine : number within its set
    kind : ``"tune"``, ``"later"`` or a fault
    severity : of the fault, 0 for quiet ones
    evidence : feature to value or None
    bands : third octaves, see ``quietrun.compare.bands``
    codes : recording problems
    usable : bool
    """

    machine: int
    stage: str
    kind: str
    severity: float
    source: str
    evidence: dict[str, float | None]
    bands: dict[str, float | None]
    codes: list[str]
    usable: bool


def visits(
    part: str, machines: int, plan: dict[str, int], *, stage: str, seed: int, cache: Path
) -> list[Visit]:
    """Render and measure visits; a machine once measured is read back from the cache.

    Parameters
    ----------
    part : key of ``FIRST_FAMILY``
    plan : kind to number of visits; ``"faults"`` stands for that many of every fault
    """
    stamp = code_stamp("synth", "dsp", "run", "fitness", "evidence", "machine", "compare")
    found = []
    for number in range(machines):
        name = f"visits-{stamp}-{part}-{stage}-{seed}-{number}-{_plan_name(plan)}.jsonl"
        path = cache / name
        if not path.exists():
            rows = [asdict(v) for v in _machine(part, number, plan, stage=stage, seed=seed)]
            path.parent.mkdir(parents=True, exist_ok=True)
            part_path = path.with_suffix(".part")
            part_path.write_text("".join(json.dumps(row) + "\n" for row in rows))
            part_path.replace(path)
        found += [Visit(**json.loads(line)) for line in path.read_text().splitlines()]
    return found


def _plan_name(plan: dict[str, int]) -> str:
    return "-".join(f"{kind}{count}" for kind, count in plan.items())


def _machine(
    part: str, number: int, plan: dict[str, int], *, stage: str, seed: int
) -> Iterator[Visit]:
    """All visits of one machine; its traces of faults stay with it."""
    rng = np.random.default_rng([seed, FIRST_FAMILY[part], number])
    fixed = _fixed(rng, FIRST_FAMILY[part] + number, stage)
    for kind, count in plan.items():
        for which in range(count):
            if kind != "faults":
                yield _visit(rng, number, fixed, kind)
                continue
            for fault in FAULTS:
                if fault in POSSIBLE[stage]:
                    severity = 0.4 + 0.6 * (which + float(rng.random())) / count
                    yield _visit(rng, number, fixed, fault, severity)


def _fixed(rng: np.random.Generator, family: int, stage: str) -> dict[str, Any]:
    """Draw what stays: machine, room, phone, mains, poles, traces below 0.2."""
    from quietrun.synth import draw_recipe

    drawn = draw_recipe(rng, stage=stage, faults={}, other={})
    traces = {}
    if rng.random() < 0.45:
        possible = [fault for fault in FAULTS if fault in POSSIBLE[stage]]
        traces[str(rng.choice(possible))] = float(rng.uniform(0.02, 0.2))
    held = draw_recipe(rng, stage=stage, faults=traces)
    return {
        "stage": stage,
        "machine": family,
        "room": drawn.room + 100_000,
        "phone": drawn.phone + 100_000,
        "mains_hz": drawn.mains_hz,
        "poles": drawn.poles,
        "traces": traces,
        "sources": dict(held.sources),
    }


def _visit(
    rng: np.random.Generator,
    number: int,
    fixed: dict[str, Any],
    kind: str,
    severity: float = 0.0,
) -> Visit:
    from quietrun.synth import draw_recipe, render

    given = {name: value for name, value in fixed.items() if name not in ("traces", "sources")}
    faults = {
        fault: float(np.clip(trace * np.exp(0.3 * rng.standard_normal()), 0.0, 0.2))
        for fault, trace in fixed["traces"].items()
    }
    sources = {f: s for f, s in fixed["sources"].items() if f in faults}
    if severity:
        faults[kind] = severity
        sources.pop(kind, None)
    recipe = draw_recipe(rng, **given, faults=faults, sources=sources)
    sound = render(recipe)
    samples = np.asarray(sound.samples)
    known = Machine(stage=fixed["stage"], mains_hz=fixed["mains_hz"], poles=fixed["poles"])
    run, fitness, evidence = measure(samples, sound.rate_hz, known)
    return Visit(
        machine=number,
        stage=fixed["stage"],
        kind=kind,
        severity=severity,
        source=recipe.sources.get(kind, ""),
        evidence={name: evidence.number(name) for name in evidence.values},
        bands=_bands(samples, sound.rate_hz, run, fitness.bandwidth_hz),
        codes=sorted(fitness.codes),
        usable=fitness.usable,
    )


def _bands(samples: np.ndarray, rate_hz: float, run: Any, top_hz: float) -> dict[str, Any]:
    from quietrun.clip import Clip, Source

    mono = samples if samples.ndim == 1 else samples[:, 0]
    source = Source("memory", None, None, None, "", 1, 0, mono.size / rate_hz)
    clip = Clip(np.ascontiguousarray(mono, dtype=np.float32).copy(), float(rate_hz), source)
    return measure_bands(clip, run, frames_of(clip.samples, clip.rate_hz), top_hz)
