"""Trends of a machine in the book: which measures, from which clips."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from statistics import fmean
from typing import Any

from quietrun.errors import ModelError
from quietrun.judge.population import Population, Spread, load_population
from quietrun.logbook.baseline import Stretch, stretches
from quietrun.logbook.clips import clips
from quietrun.logbook.store import Logbook
from quietrun.logbook.types import AnalysisRecord, ClipRecord
from quietrun.logbook.words import HUM_SHARE
from quietrun.tuning.trends import LEAST_VISITS, Point, Trend, Watch, watch_trend
from quietrun.words import FAULT_TITLES, FAULTS, POSSIBLE

Value = Callable[[AnalysisRecord], float | None]

_TIMES = (
    Watch("run_up_s", "run-up time", "s", +1, 0.02),
    Watch("coast_down_s", "coast-down time", "s", 0, 0.05),
    Watch(HUM_SHARE, "hum share", "", +1, 0.01),
)
_LEAST_SCORE = 0.1  # log-odds


def trends_object(book: Logbook, tag: str) -> dict[str, Any]:
    """Watch all measures of a machine, each phone, stage and set of parts by itself.

    Returns
    -------
    dict
        ``series`` (all charts), ``says`` (a sentence for each signal), ``short``
        (groups with too few visits).
    """
    groups = sorted({(clip.stage, clip.phone or "") for clip in clips(book, tag)})
    known = _population()
    series, says, short = [], [], []
    for stage, phone in groups:
        for stretch in stretches(book, tag, stage=stage, phone=phone or None):
            visits = len({clip.when.day for clip in stretch.clips})
            if visits < LEAST_VISITS:
                if stretch.ended_on is None:
                    short.append({"stage": stage, "phone": phone, "visits": visits})
                continue
            for trend in _trends(stretch.clips, stage, known):
                series.append(_object(trend, stage, phone, stretch))
                says += _sentences(trend, stage, phone, stretch, len(groups) > 1)
    return {"series": series, "says": says, "short": short, "least_visits": LEAST_VISITS}


def _population() -> Population | None:
    try:
        return load_population()
    except ModelError:
        return None


def _trends(held: tuple[ClipRecord, ...], stage: str, known: Population | None) -> list[Trend]:
    found = []
    for watch, value in _watched(stage, known):
        trend = watch_trend(_points(held, value), watch)
        if trend is not None:
            found.append(trend)
    return found


def _watched(stage: str, known: Population | None) -> list[tuple[Watch, Value]]:
    """Measures of a stage, with what is known of their scatter."""
    rows: list[tuple[Watch, Value]] = [
        (_with(watch, known.feature(stage, watch.name) if known else None), _time(watch.name))
        for watch in _TIMES
    ]
    for fault in FAULTS:
        if fault in POSSIBLE[stage]:
            title = f"{FAULT_TITLES[fault]} score"
            watch = Watch(fault, title, "log-odds", +1, _LEAST_SCORE)
            spread = known.fault(stage, fault) if known else None
            rows.append((_with(watch, spread), _score(fault)))
    return rows


def _with(watch: Watch, spread: Spread | None) -> Watch:
    if spread is None:
        return watch
    within = (spread.within, spread.dof)
    return Watch(watch.name, watch.title, watch.unit, watch.worse, watch.least, within)


def _time(name: str) -> Value:
    return lambda record: record.evidence.get(name, (record.report.get("run") or {}).get(name))


def _score(fault: str) -> Value:
    return lambda record: record.scores.get(fault)


def _points(held: tuple[ClipRecord, ...], value: Value) -> list[Point]:
    """One point a visit: the mean of its clips, as clips of one visit are not independent."""
    by_day: dict[str, list[float]] = {}
    for clip in held:
        record = clip.latest
        number = None if record is None or record.verdict == "unusable" else value(record)
        if number is not None:
            by_day.setdefault(clip.when.day, []).append(float(number))
    return [Point(day, fmean(values)) for day, values in sorted(by_day.items())]


def _object(trend: Trend, stage: str, phone: str, stretch: Stretch) -> dict[str, Any]:
    return {
        "measure": trend.watch.name,
        "title": trend.watch.title,
        "unit": trend.watch.unit,
        "stage": stage,
        "phone": phone,
        "ended_on": stretch.ended_on,
        "ended_by": list(stretch.ended_by),
        "days": [point.day for point in trend.points],
        "values": [round(point.value, 4) for point in trend.points],
        "q": [round(float(x), 3) for x in trend.q],
        "cusum_high": [round(float(x), 3) for x in trend.high],
        "cusum_low": [round(float(x), 3) for x in trend.low],
        "ewma": [round(float(x), 3) for x in trend.ewma],
        "signals": [_signal_object(signal) for signal in trend.signals],
        "chance_signal_every_visits": round(trend.by_chance),
    }


def _signal_object(signal: Any) -> Mapping[str, Any]:
    return {
        "chart": signal.chart,
        "day": signal.day,
        "since": signal.since,
        "rising": signal.rising,
        "worse": signal.worse,
    }


def _sentences(
    trend: Trend, stage: str, phone: str, stretch: Stretch, say_group: bool
) -> list[str]:
    if not trend.signals:
        return []
    first = min(trend.signals, key=lambda signal: signal.day)
    where = f" ({stage}{f', {phone}' if phone else ''})" if say_group else ""
    if stretch.ended_on is not None:
        where += f", before the new {' and '.join(stretch.ended_by)} of {stretch.ended_on[:10]},"
    values = [point.value for point in trend.points]
    start = [point.day for point in trend.points].index(first.since)
    before = fmean(values[:start]) if start else values[0]
    unit = f" {trend.watch.unit}" if trend.watch.unit else ""
    word = "rising" if first.rising else "falling"
    verb = "is" if stretch.ended_on is None else "was"
    return [
        f"{trend.watch.title.capitalize()}{where} {verb} {word} since {first.since} (from about "
        f"{before:.2f} to {values[-1]:.2f}{unit}; seen on {first.day}). By chance such a signal "
        f"comes once in about {float(f'{trend.by_chance:.2g}'):.0f} visits for each measure."
    ]
