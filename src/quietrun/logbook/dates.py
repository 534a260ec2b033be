"""The date of a visit and its source: given, file name, container, file time.

Containers mostly hold UTC, file names the phone's local time without a zone, file times UTC
of the last copy. So the source and the zone are kept beside every date.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from quietrun.errors import UsageError
from quietrun.logbook.types import When

_EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)  # before it: an unset clock, not a recording
_OFFSET = re.compile(r"([+-])(\d\d):?(\d\d)")
_IN_NAME = re.compile(
    r"(?<!\d)(20\d\d)([-_.]?)(0[1-9]|1[0-2])\2(0[1-9]|[12]\d|3[01])"
    r"(?:(?:[-_.T ]|\s+at\s+|, )(?P<h>[01]\d|2[0-3])[-_.:h]?(?P<m>[0-5]\d)"
    r"(?:[-_.:m]?(?P<s>[0-5]\d))?)?"
    r"(?!\d)"
)


def zone_of(name: str | None) -> tuple[tzinfo | None, str]:
    """Find a zone by name (``Europe/Athens``) or offset (``+02:00``); None is this computer's.

    Raises
    ------
    UsageError
        No such zone.
    """
    if name is None:
        return None, "this computer's"
    found = _OFFSET.fullmatch(name)
    if found:
        minutes = int(found[2]) * 60 + int(found[3])
        if minutes < 24 * 60:
            sign = -1 if found[1] == "-" else 1
            return timezone(sign * timedelta(minutes=minutes)), name
    try:
        return ZoneInfo(name), name
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise UsageError(
            f"There is no time zone {name!r}.",
            "A visit's day depends on the zone it is written in.",
            "Use a name such as Europe/Athens or an offset such as +02:00.",
        ) from None


def in_file_name(name: str) -> datetime | None:
    """Read the year-first date (and time) in a file name, without zone.

    Day-first and month-first dates are not read: 05-03-2026 has two meanings.
    """
    for found in _IN_NAME.finditer(Path(name).stem):
        hour, minute, second = (int(found[part] or 0) for part in ("h", "m", "s"))
        try:
            return datetime(int(found[1]), int(found[3]), int(found[4]), hour, minute, second)
        except ValueError:
            continue
    return None


def _in_zone(when: datetime, zone: tzinfo | None) -> datetime:
    """Read a time without offset as local time of ``zone`` (None: this computer's rules)."""
    if when.tzinfo is not None:
        return when
    return when.astimezone() if zone is None else when.replace(tzinfo=zone)


def parse_given(text: str, zone: tzinfo | None) -> datetime:
    """Read a typed date: YYYY-MM-DD, with or without time and offset."""
    try:
        when = datetime.fromisoformat(text.strip())
    except ValueError:
        raise UsageError(
            f"{text!r} is no date.",
            "Day-first and month-first dates have two meanings.",
            "Write it year first, like 2026-03-05 or 2026-03-05T14:22+01:00.",
        ) from None
    return _in_zone(when, zone)


def typed_or_now(text: str | None, zone_name: str | None = None) -> str:
    """Read a typed day or time, or take this moment; ISO 8601 with offset.

    Raises
    ------
    UsageError
        Not a date, or an unknown zone.
    """
    zone, _ = zone_of(zone_name)
    when = _now().astimezone(zone) if text is None else parse_given(text, zone)
    return when.isoformat(timespec="seconds")


def utc(moment: str) -> str:
    """Convert a time with offset to UTC, for ordering."""
    return datetime.fromisoformat(moment).astimezone(UTC).isoformat(timespec="seconds")


def now_utc() -> str:
    """Read the clock, UTC.

    Raises
    ------
    UsageError
        A clock that was never set: entries with its time could not be put in order.
    """
    return _now().isoformat(timespec="seconds")


def _now() -> datetime:
    now = datetime.now(UTC)
    if now < _EARLIEST:
        raise UsageError(
            f"This computer's clock cannot be right: it says {now:%Y-%m-%d}.",
            "Each entry of the logbook carries the time when it was made.",
            "Set the clock, then run this again. Nothing was written.",
        )
    return now


def _believable(when: datetime, now: datetime) -> bool:
    return _EARLIEST <= when <= now + timedelta(days=1)


def _local(when: datetime, zone: tzinfo | None) -> str:
    return when.astimezone(zone).isoformat(timespec="seconds")


def date_visit(
    path: str | Path,
    *,
    given: str | None = None,
    recorded_at: str | None = None,
    zone_name: str | None = None,
    now: datetime | None = None,
) -> When:
    """Date a recording from the best source there is.

    Parameters
    ----------
    path : of the clip; its name and file time are used, its content never
    given : as typed by the user
    recorded_at : ISO 8601 from the container, may be None
    zone_name : the shop's zone; None: this computer's
    now : for tests

    Raises
    ------
    UsageError
        A typed date that cannot be read or lies in the future; an unknown zone.
    """
    zone, label = zone_of(zone_name)
    now = now or datetime.now(UTC)
    if given:
        when = parse_given(given, zone)
        if not _believable(when, now):
            raise UsageError(
                f"The date {given} cannot be right.",
                "It lies in the future or before 2000.",
                "Give the day of the visit, year first.",
            )
        return When(when.isoformat(timespec="seconds"), "given", label, True)
    named = in_file_name(str(path))
    if named and _believable(_in_zone(named, zone), now):
        at = _in_zone(named, zone).isoformat(timespec="seconds")
        return When(at, "file_name", label, False)
    held = _container_time(recorded_at, zone)
    if held and _believable(held[0], now):
        return When(_local(held[0], zone), "container", label, held[1])
    try:
        changed = datetime.fromtimestamp(Path(path).stat().st_mtime, UTC)
    except (OSError, OverflowError, ValueError):
        changed = now
    return When(_local(changed, zone), "file_time", label, True)


def _container_time(text: str | None, zone: tzinfo | None) -> tuple[datetime, bool] | None:
    if not text:
        return None
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        return None
    return _in_zone(when, zone), when.tzinfo is not None
