"""Charts of a machine's history as one PNG picture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from os import PathLike
from typing import Any

from quietrun.errors import UsageError
from quietrun.report.logbook_page import date_ticks, parts_by_day

Object = Mapping[str, Any]
_COLUMNS = 2
_LINE = "#35506b"
_SIGNAL = "#b3261e"
_CHANGE = "#7a7a7a"


def write_charts(found: Object, path: str | PathLike[str]) -> None:
    """Draw every watched measure against the date, with signals and new parts.

    Parameters
    ----------
    found : history object with ``trends``
    path : of the PNG file

    Raises
    ------
    UsageError
        Too few visits for a chart, or the file cannot be written.
    """
    series: Sequence[Object] = found["trends"]["series"]
    if not series:
        raise UsageError(
            f"Machine {found['machine']} has too few visits for a chart.",
            f"A trend needs {found['trends']['least_visits']} visits with one phone and stage.",
            "Add clips of more visits.",
        )
    from matplotlib.figure import Figure

    charts: dict[tuple[str, str, str], list[Object]] = {}
    for one in series:
        charts.setdefault((one["stage"], one["phone"], one["measure"]), []).append(one)
    rows = -(-len(charts) // _COLUMNS)
    figure = Figure(figsize=(11.0, 2.4 * rows + 0.6), layout="constrained")
    days = [day for one in series for day in one["days"]]
    title = f"Machine {found['machine']}, {min(days)} to {max(days)}"
    figure.suptitle(title.replace("$", r"\$"), fontsize=12)
    axes = figure.subplots(rows, _COLUMNS, squeeze=False)
    for axis, parts in zip(axes.flat, charts.values(), strict=False):
        _draw(axis, parts, found["changes"])
    for axis in list(axes.flat)[len(charts) :]:
        axis.set_axis_off()
    try:
        figure.savefig(path, dpi=110, format="png")
    except OSError as error:
        raise UsageError(
            f"{path} cannot be written: {error.strerror}.",
            "The picture was not kept.",
            "Choose a folder you may write to.",
        ) from None


def _draw(axis: Any, parts: Sequence[Object], changes: Sequence[Object]) -> None:
    """One measure, a line for each stretch between two changes of parts."""
    notes = []
    for one in parts:
        days = [date.fromisoformat(day) for day in one["days"]]
        axis.plot(days, one["values"], "o-", color=_LINE, ms=3.5, lw=1.0)
        for signal in one["signals"][:1]:
            since = date.fromisoformat(signal["since"])
            axis.axvspan(since, days[-1], color=_SIGNAL, alpha=0.12, lw=0)
            word = "rising" if signal["rising"] else "falling"
            notes.append(f"{word} since {signal['since']}")
    axis.set_xlabel("; ".join(notes), fontsize=8, color=_SIGNAL)
    first, last = parts[0]["days"][0], parts[-1]["days"][-1]
    first_day, last_day = date.fromisoformat(first), date.fromisoformat(last)
    for day, told in parts_by_day(changes):
        if first_day <= day <= last_day:
            axis.axvline(day, color=_CHANGE, ls="--", lw=0.9)
            late = 2 * (day - first_day) > last_day - first_day
            axis.annotate(
                told.replace("$", r"\$"),
                (day, 1.0),
                xycoords=("data", "axes fraction"),
                xytext=(-3 if late else 3, -3),
                textcoords="offset points",
                ha="right" if late else "left",
                va="top",
                fontsize=7,
                bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.6},
            )
    one = parts[0]
    unit = f" ({one['unit']})" if one["unit"] else ""
    group = ", ".join(part for part in (one["stage"], one["phone"]) if part)
    axis.set_title(f"{one['title']}{unit}, {group}", fontsize=9, loc="left")
    axis.tick_params(labelsize=8)
    marks = date_ticks(first_day, last_day, most=6)
    axis.set_xticks([day for day, _ in marks], [told for _, told in marks])
    axis.margins(y=0.16)  # room for the names of new parts
    axis.grid(alpha=0.25, lw=0.5)
