"""The logbook as text for a terminal, made from its JSON objects."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from quietrun.report.terminal import printable
from quietrun.words import FAULT_TITLES

Object = Mapping[str, Any]
_GUESSED = {"given": "", "file_name": " n", "container": " c", "file_time": " f"}


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Set rows in columns, two blanks apart."""
    lines = [list(head), *([printable(cell) for cell in row] for row in rows)]
    widths = [max(len(line[i]) for line in lines) for i in range(len(head))]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip()
        for line in lines
    )


def seconds(value: float | None) -> str:
    """Give a time with one decimal, or a dash."""
    return "-" if value is None else f"{value:.1f}"


def list_text(found: Object) -> str:
    """All machines as a table."""
    if not found["machines"]:
        return "No machines yet. Add one: quietrun machine add TAG"
    return table(
        ("TAG", "PLACE", "VISITS", "LAST", "VERDICT", "OWN LIMITS"),
        (
            (
                one["tag"],
                one["place"] or "-",
                str(one["visits"]),
                one["last_visit"] or "-",
                one["last_verdict"] or "-",
                ", ".join(f"{t['stage']} ({t['runs']} runs)" for t in one["tuned"]) or "-",
            )
            for one in found["machines"]
        ),
    )


def machine_text(found: Object) -> str:
    """Everything about one machine."""
    rows = [(f"Machine {printable(found['tag'])}", "")]
    rows += [
        (f"  {name}", text)
        for name, text in (
            ("place", found["place"]),
            ("mains", _unit(found["mains_hz"], "Hz")),
            ("poles", _unit(found["poles"], "")),
            ("bearings", ", ".join(_bearing(b) for b in found["bearings"])),
            ("fan blades", _unit(found["fan_blades"], "")),
            ("burrs", _unit(found["burr_mm"], "mm")),
            ("phone", found["phone"] or ""),
            ("notes", found["notes"]),
        )
        if text
    ]
    width = max(len(name) for name, _ in rows)
    lines = [f"{name.ljust(width)}  {printable(text)}".rstrip() for name, text in rows]
    for change in found.get("changes", ()):
        note = f" ({printable(change['note'])})" if change["note"] else ""
        lines.append(f"  new {change['part']} on {change['at'][:10]}{note}")
    for raw in found.get("limits", ()):
        lines.append(
            f"  own limits: {raw['stage']}, phone {printable(raw['phone']) or 'not known'}, "
            f"from {raw['runs']} runs, {raw['made_at'][:10]}"
        )
    if "burr_life" in found:
        lines += ["", "Burr set"]
        lines += [line for says in found["burr_life"]["says"] for line in _indented(says)]
    return "\n".join([*lines, *due_lines(found)])


def _unit(value: float | None, unit: str) -> str:
    return "" if value is None else f"{value:g} {unit}".rstrip()


def _bearing(raw: Object) -> str:
    return raw["name"] or f"{raw['balls']} balls of {raw['ball_mm']:g} on {raw['pitch_mm']:g} mm"


def due_lines(found: Object) -> list[str]:
    """Set what is due under its own head."""
    due = found.get("due") or ()
    return ["", "Due", *(line for text in due for line in _indented(text))] if due else []


def life_text(life: Object) -> str:
    """Set the life of a burr set."""
    return "\n".join(line for says in life["says"] for line in textwrap.wrap(says, 80))


def history_text(found: Object) -> str:
    """Set the history of one machine as a table, oldest first."""
    place = f", {printable(found['place'])}" if found["place"] else ""
    head = f"Machine {printable(found['machine'])}{place}"
    rows = [_history_row(visit, clip) for visit in found["visits"] for clip in visit["clips"]]
    if not rows:
        return f"{head}\nNo clips yet. Add one: quietrun logbook add CLIP --machine TAG"
    body = table(
        ("DATE", "STAGE", "VERDICT", "FAULTS OVER LIMIT", "UP s", "DOWN s", "CONFIRMED", "NEW"),
        rows,
    )
    lines = [head, "", body]
    if any(row[0][-2:] in (" n", " c", " f") for row in rows):
        lines.append("date from: n file name, c recording, f file time (least sure)")
    noted = [v for v in found["visits"] if v["note"]]
    lines += [f"{visit['day']}: {printable(visit['note'])}" for visit in noted]
    return "\n".join([*lines, *_trend_lines(found), *due_lines(found)])


def _trend_lines(found: Object) -> list[str]:
    trends = found.get("trends")
    if not trends:
        return []
    if not trends["series"]:
        return ["", f"Trends need {trends['least_visits']} visits with one phone and stage."]
    says = trends["says"] or ["No measure has changed more than chance would."]
    return ["", "Trends", *(line for text in says for line in _indented(text))]


def _indented(text: str) -> list[str]:
    return textwrap.wrap(
        printable(text),
        80,
        initial_indent="  ",
        subsequent_indent="  ",
        break_on_hyphens=False,
    )


def _history_row(visit: Object, clip: Object) -> tuple[str, ...]:
    facts = [word for word in (clip["temperature"], "opened" if clip["opened"] else None) if word]
    return (
        visit["day"] + _GUESSED[clip["date_source"]],
        " ".join([clip["stage"], *facts]),
        clip["verdict"] or "not judged",
        ", ".join(FAULT_TITLES[name] for name in clip["flagged"]) or "-",
        seconds(clip["run_up_s"]),
        seconds(clip["coast_down_s"]),
        ", ".join(FAULT_TITLES.get(name, name) for name in clip["confirmed"]) or "-",
        ", ".join(clip["parts_changed"]) or "-",
    )


def check_text(found: Object) -> str:
    """Say what a look through the book found."""
    if not found["remarks"]:
        return f"{found['logbook']} is sound: {found['machines']} machines, {found['clips']} clips."
    return "\n".join(
        f"{'WRONG' if one['serious'] else 'note '}  {printable(one['what'])}\n       {one['do']}"
        for one in found["remarks"]
    )
