"""One gate for everything that enters the book: from the command line, a CSV or a JSON file.

Conventions: each function takes the value, the name of the place it came from (for the
message) and returns the clean value or raises ``UsageError``. ``None`` passes where a field
may be unknown.
"""

from __future__ import annotations

import json
import math
import re
import unicodedata
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from quietrun.errors import UsageError

SHORT = 64
LONG = 4000
PATH = 4096
_SHA = re.compile(r"[0-9a-f]{64}")


def bad(where: str, why: str, do: str) -> UsageError:
    """Make the error for a value that cannot enter the book."""
    return UsageError(f"{where}: {why}", "Nothing was written to the logbook.", do)


def shown(value: object, limit: int = 40) -> str:
    """Make a value safe to print: no control characters, not longer than ``limit``."""
    text = ascii(value)
    return text if len(text) <= limit else text[: limit - 3] + "..."


def text(value: object, where: str, *, most: int = LONG, lines: bool = False) -> str:
    """Pass a text without control characters (line breaks where ``lines``)."""
    if not isinstance(value, str):
        raise bad(where, f"a text is needed, got {shown(value)}.", "Write it as text.")
    if len(value) > most:
        raise bad(where, f"longer than {most} characters.", "Shorten it.")
    for char in value:
        kind = unicodedata.category(char)
        if kind == "Cs" or (kind == "Cc" and not (lines and char in "\n\t")):
            raise bad(where, f"holds the control character {char!a}.", "Remove it.")
    return value.strip()


def tag(value: object, where: str, reserved: Iterable[str] = ()) -> str:
    """Pass a machine's tag: one short line that does not look like an option."""
    clean = text(value, where, most=SHORT)
    if not clean:
        raise bad(where, "the tag is empty.", "Give the machine a short name, such as B-014.")
    if clean.startswith("-"):
        raise bad(where, "a tag cannot begin with '-'.", "Choose another tag.")
    if clean.casefold() in {name.casefold() for name in reserved}:
        raise bad(where, f"{clean!r} is the name of a command.", "Choose another tag.")
    return clean


def choice(value: object, where: str, words: Iterable[str]) -> str:
    """One of ``words``."""
    words = tuple(words)
    if value not in words:
        raise bad(where, f"got {shown(value)}.", f"Use one of: {', '.join(words)}.")
    return str(value)


def number(value: object, where: str, *, least: float = -1e300, most: float = 1e300) -> float:
    """Pass a finite number within bounds."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise bad(where, f"a number is needed, got {shown(value)}.", "Write a plain number.")
    try:
        clean = float(value)
    except OverflowError:
        clean = math.inf
    if not math.isfinite(clean) or not least <= clean <= most:
        raise bad(where, f"{shown(value)} is out of range.", f"Use {least:g} to {most:g}.")
    return clean


def whole(value: object, where: str, *, least: int, most: int) -> int:
    """Pass a whole number within bounds."""
    clean = number(value, where, least=least, most=most)
    if clean != int(clean):
        raise bad(where, f"{shown(value)} is not a whole number.", f"Use {least} to {most}.")
    return int(clean)


def flag(value: object, where: str) -> bool:
    """Pass true or false, nothing that only looks like it."""
    if not isinstance(value, bool):
        raise bad(where, f"got {shown(value)}.", "Use true or false.")
    return value


def sha256(value: object, where: str) -> str:
    """Pass a hash: 64 hexadecimal digits in lower case."""
    if not isinstance(value, str) or not _SHA.fullmatch(value):
        raise bad(where, f"{shown(value)} is no SHA-256 hash.", "Use 64 hexadecimal digits.")
    return value


def moment(value: object, where: str) -> str:
    """Pass a time as ISO 8601 with its offset from UTC."""
    clean = text(value, where, most=SHORT)
    try:
        when = datetime.fromisoformat(clean)
        known = when.utcoffset() is not None and 1990 <= when.year <= 2200
    except ValueError:
        known = False
    if not known:
        raise bad(
            where,
            f"{shown(value)} is no time with an offset.",
            "Write it like 2026-03-05T14:22:07+01:00.",
        )
    return clean


def mapping(value: object, where: str) -> Mapping[str, Any]:
    """Pass an object with text keys."""
    if not isinstance(value, dict) or not all(isinstance(key, str) for key in value):
        raise bad(where, f"an object is needed, got {shown(value)}.", "Export the book again.")
    return value


def listing(value: object, where: str, *, most: int = 1_000_000) -> list[Any]:
    """Pass a list."""
    if not isinstance(value, list) or len(value) > most:
        raise bad(where, f"a list is needed, got {shown(value)}.", "Export the book again.")
    return value


def plain(value: object, where: str, *, deep: int = 16) -> None:
    """Pass plain JSON data: not nested too deep, no broken characters, no absurd numbers."""
    if deep < 0:
        raise bad(where, "nested too deep.", "Export the book again.")
    if isinstance(value, dict):
        for key, part in value.items():
            text(key, where, most=PATH)
            plain(part, where, deep=deep - 1)
    elif isinstance(value, list):
        for part in value:
            plain(part, where, deep=deep - 1)
    elif isinstance(value, str):
        text(value, where, most=PATH, lines=True)
    elif value is not None and not isinstance(value, bool):
        number(value, where)


def unpacked(stored: str, where: str) -> Any:
    """Read JSON that the book holds.

    Raises
    ------
    UsageError
        It is damaged.
    """
    try:
        return json.loads(stored)
    except (ValueError, RecursionError):
        raise UsageError(
            f"{where}: the entry in the logbook is damaged.",
            "What it said cannot be read any more.",
            "See quietrun logbook check; put back a copy of the file or an export.",
        ) from None


def maybe(gate: Any, value: object, where: str, **bounds: Any) -> Any:
    """``None``, or the value through its gate."""
    return None if value is None else gate(value, where, **bounds)


def only(record: Mapping[str, Any], where: str, *, need: set[str], may: set[str]) -> None:
    """Refuse missing and unknown keys."""
    missing, unknown = need - record.keys(), record.keys() - need - may
    if missing:
        raise bad(where, f"{', '.join(sorted(missing))} is missing.", "Export the book again.")
    if unknown:
        names = ", ".join(shown(name) for name in sorted(unknown)[:5])
        raise bad(
            where,
            f"unknown field {names}.",
            "Use a quietrun at least as new as the one that wrote the file.",
        )
