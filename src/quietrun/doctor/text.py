"""A checkup as text and as a JSON object."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

from quietrun.doctor.types import Checkup
from quietrun.report.terminal import PLAIN_PAGE, Page, finish, wrap

SCHEMA = "quietrun/doctor-1"


def to_object(found: Checkup) -> dict[str, Any]:
    """Build the JSON object of a checkup."""
    return {
        "schema": SCHEMA,
        "versions": dict(found.versions),
        "codecs": [dataclasses.asdict(codec) for codec in found.codecs],
        "inputs": None if found.inputs is None else list(found.inputs),
        "places": [dataclasses.asdict(place) for place in found.places],
        "logbook": found.logbook,
        "model": None
        if found.model is None
        else {"name": found.model[0], "sha256": found.model[1]},
        "terminal": dict(found.terminal),
        "self_test": found.self_test,
        "troubles": [dataclasses.asdict(trouble) for trouble in found.troubles],
    }


def _troubles(found: Checkup, page: Page) -> Iterator[str]:
    if not found.troubles:
        yield page.paint("Nothing is wrong.", "quiet")
        return
    count = len(found.troubles)
    yield page.paint(f"{count} thing{'s are' if count > 1 else ' is'} wrong:", "noisy")
    for trouble in found.troubles:
        yield from wrap(trouble.what, page.columns(), "  - ")
        yield from wrap(f"Why:  {trouble.why}", page.columns(), "    ", " " * 10)
        yield from wrap(f"Do:   {trouble.do}", page.columns(), "    ", " " * 10)


def _row(name: str, told: str, page: Page) -> Iterator[str]:
    yield from wrap(told, page.columns(), f"  {name:<22} ")


def _rows(found: Checkup) -> Iterator[tuple[str, str, str]]:
    """Give (section, name, what is told)."""
    for name, version in found.versions:
        yield "Versions", name, version or "not installed"
    for codec in found.codecs:
        word = {"tried": "reads", "listed": "has a decoder"}[codec.how] if codec.decodes else "NO"
        yield "Sound files", codec.name, word
    if found.inputs is None:
        yield "Inputs", "", "recording is not installed (extra 'record')"
    else:
        for one in found.inputs or ("none",):
            yield "Inputs", "", one
    for place in found.places:
        word = "writable" if place.writable else "NOT WRITABLE"
        free = "" if place.free_mb is None else f", {place.free_mb} MB free"
        yield "Places", place.use, f"{place.shown}: {word}{free}"
    yield "Places", "logbook", found.logbook
    yield "Model", "", "does not load" if found.model is None else " ".join(found.model)
    yield "Model", "self-test", found.self_test
    for name, told in found.terminal:
        yield "Terminal", name, told


def render(found: Checkup, page: Page = PLAIN_PAGE) -> str:
    """Set a checkup as text: first what is wrong."""
    lines = list(_troubles(found, page))
    section = ""
    for name, row, told in _rows(found):
        if name != section:
            section = name
            lines += ["", page.paint(name, "bold")]
        lines.extend(_row(row, told, page))
    lines += ["", "Nothing private is in this: it can go into a report as it is."]
    return finish(lines, page)
