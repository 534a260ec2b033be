"""The output contract: one object a clip, with every field present, always.

Conventions
-----------
Unknown is ``null``, never NaN and never a missing key. Times are seconds in
the file. Numbers carry the digits that the measurement carries, no more.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

from quietrun import __version__
from quietrun.evidence import Feature, Missing
from quietrun.judge import Contact, FaultScore, Finding, Reason
from quietrun.pipeline import Analysis
from quietrun.problems import Problem
from quietrun.run import Run
from quietrun.words import FAULTS, POSSIBLE

SCHEMA = "quietrun/verdict-1"
FEATURES_SCHEMA = "quietrun/features-1"

Object = dict[str, Any]


def number(value: float | None, digits: int) -> float | None:
    """Round, or null for a value that is not there or not finite."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits)


def significant(value: float | None, digits: int = 4) -> float | None:
    """Round to significant digits, for values whose size is not known beforehand."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{digits}g}")


def text(value: str | None) -> str | None:
    r"""Make a string that every JSON reader accepts: undecodable bytes of a name as ``\xNN``."""
    if value is None:
        return None
    return value.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def _range(usual: tuple[float, float] | None) -> list[float | None] | None:
    return None if usual is None else [significant(usual[0]), significant(usual[1])]


def _problem(problem: Problem) -> Object:
    return {
        "code": problem.code,
        "what": text(problem.what),
        "why": text(problem.why),
        "do": text(problem.do),
        "disables": list(problem.disables),
    }


def _reason(reason: Reason) -> Object:
    return {
        "feature": reason.feature,
        "value": significant(reason.value),
        "unit": reason.unit,
        "usual": _range(reason.usual),
        "points": number(reason.points, 4),
        "says": reason.says,
    }


def _fault(score: FaultScore) -> Object:
    return {
        "probability": number(score.probability, 4),
        "limit": number(score.limit, 4),
        "flagged": score.flagged,
        "possible": score.possible,
        "reasons": [_reason(reason) for reason in score.reasons],
    }


def _not_scored(fault: str, stage: str) -> Object:
    possible = fault in POSSIBLE[stage]
    return {
        "probability": None,
        "limit": None,
        "flagged": False,
        "possible": possible,
        "reasons": [],
    }


def _faults(analysis: Analysis) -> Object:
    scores = {score.fault: score for score in analysis.verdict.faults}
    stage = analysis.machine.stage
    return {
        fault: _fault(scores[fault]) if fault in scores else _not_scored(fault, stage)
        for fault in FAULTS
    }


def _finding(finding: Finding) -> Object:
    return {
        "code": finding.code,
        "says": finding.says,
        "value": significant(finding.value),
        "unit": finding.unit,
        "usual": _range(finding.usual),
        "look_at": finding.look_at,
    }


def _contact(contact: Contact) -> Object:
    return {
        "t": number(contact.start_s, 3),
        "until": number(contact.until_s, 3),
        "turn_share": number(contact.turn_share, 3),
    }


def between(start_s: float | None, end_s: float | None) -> float | None:
    """Seconds from one moment to another, or null where one was not found."""
    return None if start_s is None or end_s is None else end_s - start_s


def coast_down_s(run: Run) -> float | None:
    """Length of the coast-down: of its fit, or else from switch-off to rest."""
    if run.coast is not None:
        return run.coast.duration_s
    return between(run.power_off_s, run.rest_s)


def _run(run: Run) -> Object:
    opened, closed, coast = run.switch_open, run.switch_close, run.coast
    return {
        "mains_hz": number(run.mains_hz, 2),
        "switched_on_s": number(run.power_on_s, 3),
        "at_speed_s": number(run.at_speed_s, 3),
        "switched_off_s": number(run.power_off_s, 3),
        "at_rest_s": number(run.rest_s, 3),
        "start_switch_open_s": number(opened.time_s if opened else None, 3),
        "start_switch_close_s": number(closed.time_s if closed else None, 3),
        "start_switch_open_share_of_speed": number(opened.share if opened else None, 3),
        "start_switch_close_share_of_speed": number(closed.share if closed else None, 3),
        "running_rpm": number(run.running_rpm, 1),
        "slip_percent": number(run.slip_percent, 2),
        "run_up_s": number(between(run.power_on_s, run.at_speed_s), 3),
        "coast_down_s": number(coast_down_s(run), 3),
        "drag": {
            "coulomb": number(coast.coulomb if coast else None, 3),
            "viscous": number(coast.viscous if coast else None, 3),
            "windage": number(coast.windage if coast else None, 3),
        },
    }


def _clip(analysis: Analysis) -> Object:
    source, read = analysis.source, analysis.rate_hz is not None
    return {
        "path": text(source.path),
        "sha256": source.sha256,
        "container": source.container,
        "codec": source.codec,
        "sample_rate_hz": number(analysis.rate_hz, 3),
        "channels": source.channels if read else None,
        "duration_s": number(source.duration_s, 3) if read else None,
        "recorded_at": text(source.recorded_at),
    }


def to_object(analysis: Analysis) -> Object:
    """Turn an analysis into the object of the contract (schema ``quietrun/verdict-1``).

    Parameters
    ----------
    analysis : Analysis
        Also one of a file that could not be read: ``run`` may be None.

    Returns
    -------
    dict
        Only ``str``, ``float``, ``int``, ``bool``, ``None``, ``list``, ``dict``.
    """
    fitness, verdict, machine = analysis.fitness, analysis.verdict, analysis.machine
    read = analysis.rate_hz is not None
    return {
        "schema": SCHEMA,
        "tool": {
            "version": __version__,
            "model": analysis.model.name,
            "model_sha256": analysis.model.sha256,
        },
        "clip": _clip(analysis),
        "machine": {
            "id": text(machine.id),
            "mains_hz": number(machine.mains_hz, 2),
            "poles": machine.poles,
            "stage": machine.stage,
        },
        "recording": {
            "usable": fitness.usable,
            "bandwidth_hz": number(fitness.bandwidth_hz, 0) if read else None,
            "room_snr_db": number(fitness.room_snr_db, 1),
            "problems": [_problem(problem) for problem in fitness.problems],
        },
        "run": _run(analysis.run if analysis.run is not None else Run()),
        "faults": _faults(analysis),
        "findings": [_finding(finding) for finding in verdict.findings],
        "contacts": None
        if verdict.contacts is None
        else [_contact(contact) for contact in verdict.contacts],
        "verdict": verdict.word,
        "because": [text(line) for line in verdict.because],
        "look_first": [text(line) for line in verdict.look_first],
        "not_heard": [text(line) for line in verdict.not_heard],
        "cautions": [text(line) for line in verdict.cautions],
    }


def _measured(value: float | Missing, feature: Feature) -> Object:
    return {
        "value": None if isinstance(value, Missing) else significant(value),
        "unit": feature.unit,
        "phase": feature.phase,
        "because": text(value.because) if isinstance(value, Missing) else None,
    }


def features_object(analysis: Analysis, catalogue: Mapping[str, Feature]) -> Object:
    """List every feature of the catalogue with its value, or why there is none."""
    values = analysis.evidence.values if analysis.evidence is not None else {}
    nothing = Missing("the clip gave no run to measure")
    return {
        "schema": FEATURES_SCHEMA,
        "clip": _clip(analysis),
        "features": {
            name: _measured(values.get(name, nothing), feature)
            for name, feature in catalogue.items()
        },
    }


def to_json(obj: Object, *, indent: int | None = None) -> str:
    """Write an object of the contract as JSON in plain ASCII, on one line by default.

    Raises
    ------
    ValueError
        A number that is not finite: the caller's bug, ``to_object`` makes none.
    """
    return json.dumps(obj, indent=indent, allow_nan=False)
