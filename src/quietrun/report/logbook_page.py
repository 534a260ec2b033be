"""The history of a machine as a page, made from its JSON object; looks like the page of a clip."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from quietrun.report.drawings import Figure, day_and_time
from quietrun.report.logbook_text import seconds
from quietrun.report.setting import set_page
from quietrun.report.svg import Board, linear, ticks
from quietrun.report.text import digits
from quietrun.words import FAULT_TITLES

Object = Mapping[str, Any]
GENERATOR = "quietrun logbook"
MOST_CHARTS = 8
_NOT_JUDGED = "not judged"
_MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
_DATE_SOURCES = {
    "given": "",
    "file_name": "by the file name",
    "container": "by the recorder's clock",
    "file_time": "by the file time",
}


@dataclass(frozen=True, slots=True)
class Row:
    """One clip in the table."""

    day: str
    day_source: str
    stage: str
    word: str
    heard: str
    run_up: str
    coast_down: str
    confirmed: str
    note: str


def render_history(found: Object) -> str:
    """Set the page of a history object with ``trends``."""
    rows = [_row(visit, clip) for visit in found["visits"] for clip in visit["clips"]][::-1]
    charts = _charts(found)
    trends = found["trends"]
    return set_page(
        "history.html",
        title=f"Machine {found['machine']}",
        generator=GENERATOR,
        machine=found["machine"],
        place=found["place"],
        word=rows[0].word if rows else "",
        answer=_answer(found, rows),
        rows=rows,
        says=trends["says"],
        enough=bool(trends["series"]),
        least_visits=trends["least_visits"],
        due=found["due"],
        changes=[
            (change["at"][:10], change["part"], change["note"]) for change in found["changes"]
        ],
        visit_notes=[(v["day"], v["note"]) for v in found["visits"] if v["note"]],
        charts=charts[:MOST_CHARTS],
        hidden=max(0, len(charts) - MOST_CHARTS),
    )


def _answer(found: Object, rows: Sequence[Row]) -> str:
    if not rows:
        return "No clips yet."
    visits = len(found["visits"])
    times = "1 visit" if visits == 1 else f"{visits} visits"
    last = rows[0]
    heard = f" ({last.heard})" if last.heard else ""
    if last.word == _NOT_JUDGED:
        return f"{times}; the clip of {day_and_time(last.day)} was not judged."
    return f"{times}; on {day_and_time(last.day)} it was judged {last.word}{heard}."


def _row(visit: Object, clip: Object) -> Row:
    facts = [word for word in (clip["temperature"], "opened" if clip["opened"] else None) if word]
    titles = [FAULT_TITLES[name] for name in clip["flagged"]]
    return Row(
        day=visit["day"],
        day_source=_DATE_SOURCES.get(clip["date_source"], ""),
        stage=", ".join([clip["stage"].replace("_", " "), *facts]),
        word=clip["verdict"] or _NOT_JUDGED,
        heard=", ".join(titles),
        run_up=seconds(clip["run_up_s"]),
        coast_down=seconds(clip["coast_down_s"]),
        confirmed=", ".join(FAULT_TITLES.get(name, name) for name in clip["confirmed"]),
        note=clip["note"],
    )


def _charts(found: Object) -> list[Figure]:
    """A chart a measure, stage and phone, those that changed first."""
    groups: dict[tuple[str, str, str], list[Object]] = {}
    for one in found["trends"]["series"]:
        groups.setdefault((one["stage"], one["phone"], one["measure"]), []).append(one)
    ranked = sorted(groups.values(), key=lambda parts: not any(one["signals"] for one in parts))
    return [_chart(parts, found["changes"], f"trend-{i}") for i, parts in enumerate(ranked)]


def date_ticks(first: date, last: date, most: int = 7) -> list[tuple[date, str]]:
    """Beginnings of months, or of years over long spans; first and last day of a short one."""
    starts = [
        date(year, month, 1)
        for year in range(first.year, last.year + 1)
        for month in range(1, 13)
        if first <= date(year, month, 1) <= last
    ]
    if len(starts) < 2:
        return [(day, f"{day.day} {_MONTHS[day.month - 1]}") for day in sorted({first, last})]
    for step in (1, 2, 3, 6):
        kept = [day for day in starts if (day.month - 1) % step == 0]
        if len(kept) <= most:
            return [(day, _month(day, first)) for day in kept]
    years = [day for day in starts if day.month == 1]
    step = -(-len(years) // most)
    return [(day, str(day.year)) for day in years[::step]]


def parts_by_day(changes: Sequence[Object]) -> list[tuple[date, str]]:
    """Words for the new parts of each day: what was renewed on one day is one mark."""
    days: dict[date, list[str]] = {}
    for change in changes:
        part = str(change["part"]).replace("_", " ")
        days.setdefault(date.fromisoformat(change["at"][:10]), []).append(part)
    return [(day, f"new {' and '.join(dict.fromkeys(parts))}") for day, parts in days.items()]


def _month(day: date, first: date) -> str:
    name = _MONTHS[day.month - 1]
    return f"{name} {day.year}" if day.month == 1 and day.year != first.year else name


def _chart(parts: Sequence[Object], changes: Sequence[Object], name: str) -> Figure:
    """Values against the day: a line between two changes of parts, changed stretches shaded."""
    board = Board(name, 196.0)
    days = [date.fromisoformat(day) for one in parts for day in one["days"]]
    values = [float(value) for one in parts for value in one["values"]]
    first, last = min(days), max(days)
    low, high = min(values), max(values)
    margin = 0.12 * (high - low) or 0.1 * abs(high) or 1.0
    x = linear(first.toordinal() - 1.0, last.toordinal() + 1.0, board.x0, board.x1)
    top = high + 1.6 * margin  # room for the names of new parts
    y = linear(low - margin, top, board.y0, board.y1)
    unit = f" {parts[0]['unit']}" if parts[0]["unit"] else ""
    board.y_axis([(y(v), f"{v:g}") for v in ticks(low - margin, top, 4)], unit.strip())
    notes = []
    for one in parts:
        own = [date.fromisoformat(day).toordinal() for day in one["days"]]
        for signal in sorted(one["signals"], key=lambda signal: signal["day"])[:1]:
            since = date.fromisoformat(signal["since"]).toordinal()
            board.rect(x(since), board.y1, x(own[-1]) - x(since), board.y0 - board.y1, "shift")
            notes.append(f"{'rising' if signal['rising'] else 'falling'} since {signal['since']}")
        board.path([x(d) for d in own], [y(v) for v in one["values"]], "line before")
        board.dots([x(d) for d in own], [y(v) for v in one["values"]], 2.6, "dot before")
    for day, told in parts_by_day(changes):
        if first <= day <= last:
            board.line(x(day.toordinal()), board.y1, x(day.toordinal()), board.y0, "cutline")
            right = x(day.toordinal()) > 0.6 * board.x1
            board.text(
                x(day.toordinal()) + (-3.0 if right else 3.0),
                board.y1 + 9.0,
                told,
                "ts",
                "end" if right else "start",
            )
    board.x_axis(
        [(x(day.toordinal()), told) for day, told in date_ticks(first, last)],
        f"{first.isoformat()} to {last.isoformat()}",
    )
    title = str(parts[0]["title"])
    where = ", ".join(
        part for part in (parts[0]["stage"].replace("_", " "), parts[0]["phone"]) if part
    )
    told = "; ".join(notes) or "no change beyond chance"
    says = (
        f"{len(values)} visits from {first} to {last}, {digits(values[0])} to "
        f"{digits(values[-1])}{unit}: {told}."
    )
    caption = f"{where[0].upper()}{where[1:]}: {told}."
    return Figure(f"Has the {title} changed?", board.svg(f"{title} by visit", says), caption)
