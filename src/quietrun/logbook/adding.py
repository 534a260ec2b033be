"""Judge files and enter them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from quietrun.logbook.baseline import baseline_of
from quietrun.logbook.entries import log_analysis
from quietrun.logbook.limits import limits_for
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
        limits = limits_for(
            book,
            record.tag,
            phone=phone_used,
            stage=stage,
            baseline=baseline_of(book, record.tag).since,
        )
        analysis = analyse(path, machine=record.machine(stage, phone_used), limits=limits)
        report = to_object(analysis)
        added = log_analysis(
            book, analysis, report, tag=record.tag, phone=phone_used, note=text, **facts
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
