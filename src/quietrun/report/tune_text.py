"""A tuning as text for a terminal, made from its JSON object."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from quietrun.report.compare_text import wrapped
from quietrun.report.logbook_text import table
from quietrun.report.terminal import printable
from quietrun.words import FAULT_TITLES

Object = Mapping[str, Any]
TITLES = {**FAULT_TITLES, "unknown": "unknown noise", "one_of_four": "one of the four"}


def tune_text(found: Object, width: int = 80) -> str:
    """Set old and new limits, what they will cost, and what they change."""
    return "\n".join(_lines(found, max(40, min(100, width))))


def _lines(found: Object, width: int) -> Iterator[str]:
    phone = f", phone {found['phone']}" if found["phone"] else ""
    yield printable(f"{found['machine']}, {found['stage']}{phone}: {found['runs']} quiet runs")
    yield ""
    yield table(
        ("FAULT", "OLD LIMIT", "NEW LIMIT", "OWN CENTRE", "SCATTER", "FALSE ALARMS/100"),
        (
            (
                TITLES[row["fault"]],
                f"{row['old_probability']:.2f}",
                f"{row['probability']:.2f}",
                f"{row['own_centre']:+.1f} ({row['usual_centre']:+.1f} usual)",
                f"{row['own_scatter']:.1f}",
                f"{row['false_alarms_per_100']:.1f}",
            )
            for row in found["faults"]
        ),
    )
    yield ""
    yield from wrapped(
        "Limits as probabilities of the general model, centres and scatter in log-odds.", width
    )
    for method in dict.fromkeys(row["method"] for row in found["faults"]):
        yield from wrapped(f"How: {method}.", width)
    yield from _weights(found, width)
    low, high = found["expected_range_per_100"]
    yield from wrapped(
        f"Expected false alarms in 100 quiet visits: {found['expected_false_alarms_per_100']:.1f} "
        f"(90 % interval {low:.1f} to {high:.1f}).",
        width,
    )
    yield from _counted(found, width)
    yield from _moved(found["changed_verdicts"])
    for line in found["warnings"]:
        yield from wrapped(line, width, "           ", "  WARNING  ")
    for one in found["not_used"]:
        yield printable(f"Not used: {one['clip']} ({one['day']}): {one['why']}")
    yield ""
    if found["stored"]:
        yield f"Stored. Back to the general limits: quietrun tune {found['machine']} --reset"
    else:
        yield "Nothing was stored (--dry-run)."


def _weights(found: Object, width: int) -> Iterator[str]:
    """How far the centres lean on other machines, where they do."""
    shares = [100 * row["own_weight"] for row in found["faults"]]
    if shares and min(shares) < 100:
        low, high = min(shares), max(shares)
        share = f"{low:.0f} %" if high - low < 1 else f"{low:.0f} to {high:.0f} %"
        yield from wrapped(
            f"Few runs: the centres are drawn towards those of other machines; own runs weigh "
            f"{share}.",
            width,
        )


def _counted(found: Object, width: int) -> Iterator[str]:
    alarms, runs = (found["left_out_alarms"][name] for name in ("alarms", "of"))
    if runs:
        low, high = found["left_out_range_per_100"]
        yield from wrapped(
            f"Counted: {alarms} of {runs} quiet runs would alarm under limits made without them "
            f"({low:.0f} to {high:.0f} in 100, 95 % interval).",
            width,
        )


def _moved(moved: list[Object]) -> Iterator[str]:
    if not moved:
        yield "No past clip changes its verdict."
        return
    yield "Past clips that change:"
    for one in moved:
        notes = [TITLES[f] for f in one["after_flagged"] or one["before_flagged"]]
        notes += [f"confirmed {what}" for what in one["confirmed"]]
        beside = f" ({', '.join(notes)})" if notes else ""
        change = f"{one['before']} -> {one['after']}"
        yield printable(f"  {one['day']}  {one['clip']}: {change}{beside}")
