"""Judge files and enter them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from quietrun.compare.bands import bands_of
from quietrun.logbook.baseline import own_limits
from quietrun.logbook.entries import log_analysis
from quietrun.logbook.machines import machine
from quietrun.logbook.store import Logbook
from quietrun.pipeline import analyse
from quietrun.report.contract import to_object


def add_all(
    book: Logbook,
    paths: Sequence[str],
    *,
    tag: str,
    stage: str = "assembled",
    phone: str | None = None,
    text: str = "",
    **facts: Any,
) -> Iterator[dict[str, Any]]:
    """Judge and enter clips of one machine, one transaction each.

    Yields
    ------
    dict
        ``path``, ``verdict``, ``new`` (False for a clip known by its hash),
        ``day``, ``date_source``, ``says``.
    """
    record = machine(book, tag)
    for path in paths:
        phone_used = phone or record.phone
        limits = own_limits(book, record.tag, phone=phone_used, stage=stage)
        analysis = analyse(path, machine=record.machine(stage, phone_used), limits=limits)
        report = to_object(analysis)
        bands = bands_of(path, analysis.run, analysis.fitness.bandwidth_hz)
        added = log_analysis(
            book,
            analysis,
            report,
            tag=record.tag,
            phone=phone_used,
            bands=bands,
            note=text,
            **facts,
        )
        yield {
            "path": path,
            "sha256": added.sha256,
            "verdict": report["verdict"],
            "new": added.new_clip,
            "day": added.when.day,
            "date_source": added.when.source,
            "says": _sentence(path, report["verdict"], added.new_clip, added.when),
        }


_SOURCES = {
    "given": "as you said",
    "file_name": "from the file name",
    "container": "from the recording",
    "file_time": "from the file time, least sure",
}


def _sentence(path: str, verdict: str, new: bool, when: Any) -> str:
    known = "" if new else " (known already, one clip)"
    return f"{path}: {verdict}, {when.day} {_SOURCES[when.source]}{known}"
