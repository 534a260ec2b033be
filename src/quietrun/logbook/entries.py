"""From an analysis to an entry of the book."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from quietrun.errors import UsageError
from quietrun.judge import FaultScore
from quietrun.logbook.clips import Entry, add_clip
from quietrun.logbook.dates import date_visit, now_utc
from quietrun.logbook.machines import machine
from quietrun.logbook.store import Logbook
from quietrun.logbook.types import Added, AnalysisRecord
from quietrun.logbook.words import HUM_SHARE
from quietrun.pipeline import Analysis

#: The reason by which ``judge`` takes a machine's own shift off the score.
OWN_LINE = "machine_own"


def record_of(
    analysis: Analysis,
    report: Mapping[str, Any],
    bands: Mapping[str, float | None] | None = None,
) -> AnalysisRecord:
    """Keep of an analysis what the book needs.

    Parameters
    ----------
    analysis : Analysis
    report : its object of the output contract
    bands : third-octave levels over the machine's own air noise, if measured
    """
    values = {} if analysis.evidence is None else analysis.evidence.values
    numbers = {name: _finite(value) for name, value in values.items()}
    if analysis.run is not None:
        numbers.setdefault(HUM_SHARE, _finite(analysis.run.hum_share))
    return AnalysisRecord(
        made_at=now_utc(),
        report=report,
        evidence=numbers,
        scores={score.fault: general_log_odds(score) for score in analysis.verdict.faults},
        bands=dict(bands or {}),
    )


def _finite(value: object) -> float | None:
    if isinstance(value, (int, float)) and math.isfinite(value):
        return float(value)
    return None


def general_log_odds(score: FaultScore) -> float | None:
    """Log-odds of the general model: without the line of the machine's own limits."""
    if score.log_odds is None:
        return None
    own = math.fsum(r.points for r in score.reasons if r.feature == OWN_LINE)
    return score.log_odds - own


def log_analysis(
    book: Logbook,
    analysis: Analysis,
    report: Mapping[str, Any],
    *,
    tag: str,
    date: str | None = None,
    zone: str | None = None,
    phone: str | None = None,
    bands: Mapping[str, float | None] | None = None,
    **facts: Any,
) -> Added:
    """Enter a judged clip: what ``batch --log`` and ``logbook add`` do.

    Parameters
    ----------
    book, analysis, report, bands : see ``record_of``
    tag : of a machine in the book
    date : as typed, may be None: then the file name, container or file time tells
    zone : the shop's time zone
    phone : None: the machine's usual one
    facts : temperature, burr_setting, opened, parts_changed, note of ``Entry``

    Raises
    ------
    UsageError
        No such machine, a clip of another machine, a file without a hash.
    """
    source = analysis.source
    if source.sha256 is None:
        raise UsageError(
            f"{source.path} could not be read, so it cannot be logged.",
            "A clip is known by the hash of its file.",
            "Check the file.",
        )
    path = str(report["clip"]["path"] or source.path)
    record = machine(book, tag)
    entry = Entry(
        machine=record.tag,
        sha256=source.sha256,
        path=path,
        when=date_visit(source.path, given=date, recorded_at=source.recorded_at, zone_name=zone),
        stage=analysis.machine.stage,
        phone=phone or analysis.machine.phone or record.phone,
        added_at=now_utc(),
        analysis=record_of(analysis, report, bands),
        **facts,
    )
    return add_clip(book, entry)
