"""Service life of the burr set, from throughput.

Common practice, no source: a 98 mm set lasts about 13,000 to 15,000 lb (5,900 to 6,800 kg),
less on espresso-fine settings, somewhat more on dark roasts. Sound and taste decide.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from quietrun.logbook.baseline import kg_between
from quietrun.logbook.dates import utc
from quietrun.logbook.machines import Throughput, changes, machine, throughputs
from quietrun.logbook.store import Logbook

LIFE_98_MM_KG = (5900.0, 6800.0)
_NEAR_98_MM = (95.0, 101.0)
_LAST_DAY = datetime(2199, 12, 31, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class BurrLife:
    """How far a burr set is.

    Attributes
    ----------
    since : day the set was fitted, or None
    kg_so_far, kg_per_week : kg, or None where not noted
    life_kg : (lo, hi), or None where no figure is known for this size
    own_figure : True when ``life_kg`` is the shop's own
    due : (first, last) day, or None
    says : whole sentences
    """

    since: str | None
    kg_so_far: float | None
    kg_per_week: float | None
    life_kg: tuple[float, float] | None
    own_figure: bool
    due: tuple[str, str] | None
    says: tuple[str, ...]


def life_range(
    burr_mm: float | None, own: tuple[float, float] | None
) -> tuple[float, float] | None:
    """Give the life of a burr set: the shop's own figure, else the one known for 98 mm."""
    if own is not None:
        return own
    if burr_mm is not None and _NEAR_98_MM[0] <= burr_mm <= _NEAR_98_MM[1]:
        return LIFE_98_MM_KG
    return None


def rate_of(entries: tuple[Throughput, ...], start: datetime | None) -> float | None:
    """Kilograms a week: the last rate noted, else from the last two totals on this set."""
    weekly = [e for e in entries if e.per_week]
    if weekly:
        return weekly[-1].kg
    totals = [
        (datetime.fromisoformat(utc(e.at)), e.kg)
        for e in entries
        if not e.per_week and (start is None or datetime.fromisoformat(utc(e.at)) >= start)
    ]
    if start is not None and len(totals) == 1:
        totals.insert(0, (start, 0.0))
    if len(totals) < 2:
        return None
    weeks = (totals[-1][0] - totals[-2][0]) / timedelta(weeks=1)
    ground = totals[-1][1] - totals[-2][1]
    return ground / weeks if weeks > 0 and ground > 0 else None


def burr_life(book: Logbook, tag: str, now: datetime | None = None) -> BurrLife:
    """Work out how far the burr set of a machine is and when it is due."""
    now = now or datetime.now(UTC)
    record = machine(book, tag)
    entries = throughputs(book, tag)
    fitted = [change.at for change in changes(book, tag) if change.part == "burrs"]
    start = datetime.fromisoformat(utc(fitted[-1])) if fitted else None
    known = [e for e in entries if not e.per_week]
    begin = start or (datetime.fromisoformat(utc(known[0].at)) if known else None)
    so_far = None if begin is None else kg_between(entries, begin, now, fresh=True)
    weekly = rate_of(entries, start)
    if so_far is not None and known and not any(e.per_week for e in entries) and weekly:
        so_far += weekly * ((now - datetime.fromisoformat(utc(known[-1].at))) / timedelta(weeks=1))
    life = life_range(record.burr_mm, record.burr_life_kg)
    due = _due(now, so_far, weekly, life)
    return BurrLife(
        since=fitted[-1][:10] if fitted else None,
        kg_so_far=so_far,
        kg_per_week=weekly,
        life_kg=life,
        own_figure=record.burr_life_kg is not None,
        due=due,
        says=_says(tag, so_far, weekly, life, due, record.burr_life_kg is not None, bool(fitted)),
    )


def _due(
    now: datetime,
    so_far: float | None,
    weekly: float | None,
    life: tuple[float, float] | None,
) -> tuple[str, str] | None:
    if so_far is None or not weekly or life is None:
        return None
    days = []
    for kg in life:
        weeks = (kg - so_far) / weekly
        far = now + timedelta(weeks=weeks) if weeks < 52 * 100 else _LAST_DAY
        days.append(far.date().isoformat())
    return days[0], days[1]


def life_object(life: BurrLife) -> dict[str, Any]:
    """Turn it into a JSON object."""
    return asdict(life)


def _says(
    tag: str,
    so_far: float | None,
    weekly: float | None,
    life: tuple[float, float] | None,
    due: tuple[str, str] | None,
    own: bool,
    dated: bool,
) -> tuple[str, ...]:
    lines = []
    if so_far is not None:
        rate = f", {weekly:.0f} kg a week" if weekly else ""
        lines.append(f"About {so_far:.0f} kg ground on this burr set{rate}.")
    if life is None:
        lines.append(
            "No life is known for burrs of this size. Give your own figure: "
            f"quietrun machine edit {tag} --burr-life LOW-HIGH"
        )
    else:
        whose = "by your own figure" if own else "common practice for 98 mm, no source"
        lines.append(f"A set lasts about {life[0]:.0f} to {life[1]:.0f} kg ({whose}).")
    if due is not None:
        lines.append(f"It is due between {due[0]} and {due[1]}.")
    elif life is not None:
        lines.append(_lacking(tag, so_far, weekly, dated))
    lines.append(
        "Less on espresso-fine settings, somewhat more on dark roasts. "
        "Sound and taste decide, not the calendar."
    )
    return tuple(lines)


def _lacking(tag: str, so_far: float | None, weekly: float | None, dated: bool) -> str:
    if so_far is None and not dated:
        return f"Say when the burrs were fitted: quietrun machine new-parts {tag} burrs --date DAY"
    if weekly is None:
        return f"Say what is ground: quietrun machine throughput {tag} KG --per week"
    return f"Say what was ground so far: quietrun machine throughput {tag} KG"
