"""Judge a file for comparing."""

from __future__ import annotations

import math
from typing import Any

from quietrun.compare.bands import bands_of
from quietrun.compare.types import Side
from quietrun.judge import Limits
from quietrun.machine import Machine
from quietrun.pipeline import analyse
from quietrun.report.contract import to_object


def side_of_file(
    path: str, machine: Machine, *, limits: Limits | None = None, **facts: Any
) -> Side:
    """Judge a clip and measure its bands.

    Parameters
    ----------
    path : of the clip
    machine : what is known beforehand, with the stage
    limits : the machine's own
    facts : temperature, burr_setting, day, parts_changed of ``Side``
    """
    analysis = analyse(path, machine=machine, limits=limits)
    values = {} if analysis.evidence is None else analysis.evidence.values
    numbers = {
        name: float(value) if isinstance(value, (int, float)) and math.isfinite(value) else None
        for name, value in values.items()
    }
    bands = bands_of(path, analysis.run, analysis.fitness.bandwidth_hz)
    return Side(
        name=path,
        report=to_object(analysis),
        evidence=numbers,
        bands=bands,
        phone=machine.phone,
        **facts,
    )
