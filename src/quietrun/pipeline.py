"""path -> Analysis: read, run, fitness, evidence, judge; in that order, nothing else."""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import lru_cache

from quietrun.clip import Clip, Source, read_clip, without_silence
from quietrun.dsp.frames import frames_of
from quietrun.errors import UnreadableClip
from quietrun.evidence import BY_NAME, Evidence, gather
from quietrun.evidence.contacts import find_contacts
from quietrun.fitness import Fitness, assess
from quietrun.judge import Contact, Limits, Model, Verdict, decide, load_model, settle
from quietrun.judge.model import check_catalogue
from quietrun.machine import Machine
from quietrun.problems import Problem
from quietrun.run import Run, follow

#: Of a longer file only the first run is judged, s: enough for the slowest coast-down, and the
#: whole program stays within 150 MiB (scripts/benchmark.py prints it).
KEEP_S = 47.0


@dataclass(frozen=True, slots=True)
class ModelStamp:
    """Which model judged."""

    name: str
    sha256: str


@dataclass(frozen=True, slots=True)
class Analysis:
    """Everything known about one clip. ``run`` and ``evidence`` are None for an unreadable file.

    ``source.sha256`` and others are None where they could not be had.
    """

    source: Source
    rate_hz: float | None
    machine: Machine
    fitness: Fitness
    run: Run | None
    evidence: Evidence | None
    verdict: Verdict
    model: ModelStamp


@lru_cache(maxsize=1)
def general_model() -> Model:
    """The shipped model, read once a process.

    Raises
    ------
    ModelError
    """
    model = load_model()
    check_catalogue(model, frozenset(BY_NAME))
    return model


def analyse(
    path: str | os.PathLike[str],
    *,
    machine: Machine | None = None,
    model: Model | None = None,
    limits: Limits | None = None,
) -> Analysis:
    """Judge the clip in a file.

    Parameters
    ----------
    path : path of the file
    machine : Machine or None
        What is known beforehand; None: nothing, stage ``assembled``.
    model : Model or None
        The shipped one where None.
    limits : Limits or None
        The machine's own.

    Returns
    -------
    Analysis
        With verdict ``unusable`` for a file that gives no clip.

    Raises
    ------
    ModelError
        The model cannot be used.
    """
    known = machine or Machine()
    scores = model or general_model()
    try:
        clip = read_clip(path, keep_s=KEEP_S)
    except UnreadableClip as error:
        return _unreadable(os.fspath(path), error, known, scores)
    return analyse_clip(clip, machine=known, model=scores, limits=limits)


def analyse_clip(
    clip: Clip, *, machine: Machine, model: Model, limits: Limits | None = None
) -> Analysis:
    """Judge a clip that is already in memory; see ``analyse``."""
    clip = without_silence(clip)
    frames = frames_of(clip.samples, clip.rate_hz)
    run = follow(clip, machine, frames)
    fitness = assess(clip, run, frames, stage=machine.stage)
    evidence = gather(clip, run, frames, fitness.bandwidth_hz)
    fitness = settle(fitness, evidence, model, machine.stage)
    contacts = None
    if machine.stage == "burr_setting":
        touches = find_contacts(clip, run, frames)
        contacts = tuple(Contact(t.start_s, t.until_s, t.turn_share) for t in touches)
    verdict = decide(
        machine=machine,
        run=run,
        fitness=fitness,
        evidence=evidence,
        model=model,
        catalogue=BY_NAME,
        limits=limits,
        contacts=contacts,
    )
    return Analysis(
        source=clip.source,
        rate_hz=clip.rate_hz,
        machine=machine,
        fitness=fitness,
        run=run,
        evidence=evidence,
        verdict=verdict,
        model=ModelStamp(model.name, model.sha256),
    )


def _unreadable(path: str, error: UnreadableClip, machine: Machine, model: Model) -> Analysis:
    problem = Problem(error.code or "not_a_recording", error.what, error.why, error.do, fatal=True)
    fitness = Fitness(0.0, None, (problem,))
    verdict = decide(
        machine=machine, run=None, fitness=fitness, evidence=None, model=model, catalogue=BY_NAME
    )
    source = Source(path, None, None, None, "", 0, 0, 0.0)
    stamp = ModelStamp(model.name, model.sha256)
    return Analysis(source, None, machine, fitness, None, None, verdict, stamp)
