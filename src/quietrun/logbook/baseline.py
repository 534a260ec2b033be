"""Since when a machine is the same machine: new parts begin a new baseline.

The second reminder after 20 to 30 kg of coffee is common practice, no source: new burrs lose
their sharpest edge in that time, and the machine sounds different once more.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from quietrun.judge.limits import Limits
from quietrun.logbook.clips import clips
from quietrun.logbook.dates import utc
from quietrun.logbook.limits import limits_for, limits_of
from quietrun.logbook.machines import Throughput, changes, throughputs
from quietrun.logbook.store import Logbook
from quietrun.logbook.types import ClipRecord
from quietrun.logbook.words import BASELINE_PARTS

WEAR_IN_KG = (20.0, 30.0)


@dataclass(frozen=True, slots=True)
class Baseline:
    """The stretch of a machine's life that limits and trends may use.

    Attributes
    ----------
    since : UTC time or None
        Of the last renewal of a part that changes the sound; None: from the first clip on.
    parts : tuple of str
        What was renewed that day.
    """

    since: str | None = None
    parts: tuple[str, ...] = ()

    def holds(self, clip: ClipRecord) -> bool:
        """Tell whether a clip belongs to it: recorded at the change or after it."""
        return self.since is None or utc(clip.when.at) >= self.since


def baseline_of(book: Logbook, tag: str) -> Baseline:
    """Find the present baseline of a machine."""
    renewed = [change for change in changes(book, tag) if change.part in BASELINE_PARTS]
    if not renewed:
        return Baseline()
    last = max(utc(change.at) for change in renewed)
    parts = {change.part for change in renewed if utc(change.at)[:10] == last[:10]}
    return Baseline(last, tuple(sorted(parts)))


@dataclass(frozen=True, slots=True)
class Stretch:
    """Clips between two changes of parts.

    Attributes
    ----------
    clips : of one stage and phone, oldest first
    ended_by : parts whose renewal ended it; empty for the present one
    ended_on : UTC time of that, or None
    """

    clips: tuple[ClipRecord, ...]
    ended_by: tuple[str, ...] = ()
    ended_on: str | None = None


def stretches(book: Logbook, tag: str, *, stage: str, phone: str | None) -> tuple[Stretch, ...]:
    """Cut the clips of one stage and phone at every change that begins a new baseline."""
    held = [c for c in clips(book, tag, stage=stage) if (c.phone or "") == (phone or "")]
    renewed: dict[str, set[str]] = {}
    for change in changes(book, tag):
        if change.part in BASELINE_PARTS:
            renewed.setdefault(utc(change.at), set()).add(change.part)
    found = []
    for at, parts in sorted(renewed.items()):
        before = tuple(clip for clip in held if utc(clip.when.at) < at)
        held = held[len(before) :]
        if before:
            found.append(Stretch(before, tuple(sorted(parts)), at))
    return (*found, Stretch(tuple(held)))


def own_limits(book: Logbook, tag: str, *, phone: str | None, stage: str) -> Limits | None:
    """Find the machine's own limits that serve a clip now; None: the general model's serve."""
    since = baseline_of(book, tag).since
    return limits_for(book, tag, phone=phone, stage=stage, baseline=since)


def baseline_clips(
    book: Logbook, tag: str, *, stage: str, phone: str | None
) -> tuple[ClipRecord, ...]:
    """Clips of one stage and phone since the last change, oldest first."""
    since = baseline_of(book, tag)
    return tuple(
        clip
        for clip in clips(book, tag, stage=stage)
        if (clip.phone or "") == (phone or "") and since.holds(clip)
    )


def kg_between(
    entries: tuple[Throughput, ...], start: datetime, end: datetime, *, fresh: bool
) -> float | None:
    """Coffee ground from ``start`` to ``end``, kg; None where nothing was noted.

    Parameters
    ----------
    entries : of the machine, any order
    fresh : the burrs were new at ``start``, so that totals noted after it count from 0
    """
    known = sorted(
        ((datetime.fromisoformat(utc(e.at)), e) for e in entries), key=lambda pair: pair[0]
    )
    totals = [(at, e.kg) for at, e in known if not e.per_week and start <= at <= end]
    rates = [(at, e.kg) for at, e in known if e.per_week and at <= end]
    ground, at = 0.0, start
    if totals and (fresh or len(totals) > 1):
        ground = totals[-1][1] if fresh else totals[-1][1] - totals[0][1]
        at = totals[-1][0]
    elif not rates:
        return None
    return max(0.0, ground) + _by_rate(rates, at, end)


def _by_rate(rates: list[tuple[datetime, float]], start: datetime, end: datetime) -> float:
    """Add up weekly rates, each from its day on."""
    ground = 0.0
    ends = [at for at, _ in rates[1:]] + [end]
    for (since, kg), until in zip(rates, ends, strict=False):
        weeks = (min(until, end) - max(since, start)) / timedelta(weeks=1)
        ground += kg * max(0.0, weeks)
    return ground


def baseline_advice(book: Logbook, tag: str, now: datetime | None = None) -> tuple[str, ...]:
    """Say what is due after a change of parts, in whole sentences; empty when nothing is."""
    now = now or datetime.now(UTC)
    since = baseline_of(book, tag)
    if since.since is None:
        return ()
    start = datetime.fromisoformat(since.since)
    names = " and ".join(since.parts)
    tuned = [
        datetime.fromisoformat(raw["made_at"])
        for raw in limits_of(book, tag)
        if raw["baseline"] == since.since
    ]
    kg = kg_between(throughputs(book, tag), start, now, fresh="burrs" in since.parts)
    if not tuned:
        return (
            f"New {names} on {since.since[:10]}: a new baseline begins, earlier limits rest.",
            f"Record three or more quiet runs, then: quietrun tune {tag}",
            f"Tune once more after the first {_wear_in()} of coffee, when they have worn in.",
        )
    worn_in = _reached(throughputs(book, tag), start, fresh="burrs" in since.parts, end=now)
    if worn_in is not None and max(tuned) < worn_in:
        return (
            f"About {kg:.0f} kg ground since the new {names} on {since.since[:10]}: worn in.",
            f"Record three or more quiet runs, then: quietrun tune {tag}",
        )
    if kg is None:
        return (
            f"After the first {_wear_in()} since the new {names}, tune once more. Note what is "
            f"ground, and you will be reminded: quietrun machine throughput {tag} KG --per week",
        )
    return ()


def _wear_in() -> str:
    return f"{WEAR_IN_KG[0]:.0f} to {WEAR_IN_KG[1]:.0f} kg"


def _reached(
    entries: tuple[Throughput, ...], start: datetime, *, fresh: bool, end: datetime
) -> datetime | None:
    """Find the first day on which the lower wear-in mark had been ground."""
    day = start
    while day <= end:
        if (kg_between(entries, start, day, fresh=fresh) or 0.0) >= WEAR_IN_KG[0]:
            return day
        day += timedelta(days=1)
    return None
