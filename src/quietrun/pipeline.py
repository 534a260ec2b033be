"""path -> Analysis: read, run, fitness, evidence, judge; in that order, nothing else."""

from __future__ import annotations

from dataclasses import dataclass

from quietrun.clip import Source
from quietrun.evidence import Evidence
from quietrun.fitness import Fitness
from quietrun.judge import Verdict
from quietrun.machine import Machine
from quietrun.run import Run


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
