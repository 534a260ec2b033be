"""A comparison as text for a terminal, made from its JSON object."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from typing import Any

from quietrun.report.logbook_text import table
from quietrun.report.terminal import printable

Object = Mapping[str, Any]
TOP = 6  # more than a person reads; the rest is in the JSON


def compare_text(found: Object, width: int = 80) -> str:
    """Set a comparison: what follows first, then the numbers, then what cannot be compared."""
    return "\n".join(_lines(found, max(40, min(100, width))))


def _lines(found: Object, width: int) -> Iterator[str]:
    if found["stages"]:
        for says in found["stages"]["says"]:
            yield from wrapped(says, width)
        yield ""
    yield table(
        ("CLIP", "STAGE", "VERDICT", "OVER LIMIT"),
        (
            (one["name"], one["stage"], one["verdict"], ", ".join(one["flagged"]) or "-")
            for one in found["clips"]
        ),
    )
    for pair in found["pairs"]:
        yield from _pair(pair, width)
    if not found["pairs"] and not found["stages"]:
        yield ""
        yield "No two of these clips are of the same stage."


def _pair(pair: Object, width: int) -> Iterator[str]:
    yield ""
    yield printable(f"{pair['before']} -> {pair['after']} ({pair['stage']})")
    for says in pair["says"]:
        yield from wrapped(says, width, "  ")
    yield from _features(pair["features"], width)
    yield from _bands(pair, width)
    if pair["not_compared"]:
        yield "  What cannot be compared:"
        for part in pair["not_compared"]:
            text = f"{part['what']}: {part['why']} {part['do']}"
            yield from wrapped(text, width, "    ", "  - ")


def _features(features: list[Object], width: int) -> Iterator[str]:
    clear = [change for change in features if change["clear"]]
    known = [change for change in features if change["usual_change"] is not None]
    if not known:
        text = (
            "How far quiet runs differ is not known for this model, so no change of a single "
            "measure is called clear (all of them with --json)."
        )
        yield from wrapped(text, width, "  ")
    elif not clear:
        text = f"None of {len(known)} measures changed by more than two quiet runs differ."
        yield from wrapped(text, width, "  ")
    for change in clear[:TOP]:
        usual = change["usual_change"]
        beside = "" if usual is None else f" (usual +-{usual:.2g})"
        arrow = {True: "worse", False: "better", None: "changed"}[change["worse"]]
        yield (
            f"  {arrow:8}{change['name']}: {change['before']:.2f} -> {change['after']:.2f} "
            f"{change['unit']}{beside}"
        )
    if len(clear) > TOP:
        yield f"  and {len(clear) - TOP} more (all with --json)"


def _bands(pair: Object, width: int) -> Iterator[str]:
    yield from wrapped(pair["bands_against"], width, "  ")
    clear = [change for change in pair["bands"] if change["clear"]]
    if pair["bands"] and not clear:
        limit = pair["bands"][0]["usual_change"]
        yield f"  No third octave changed by more than {limit:.1f} dB."
    for change in clear:
        word = "louder" if change["change"] > 0 else "quieter"
        yield f"    {change['name']:>10}: {abs(change['change']):.1f} dB {word}"


def wrapped(text: str, width: int, indent: str = "", first: str | None = None) -> Iterator[str]:
    """Wrap a sentence; ``first`` is the indent of its first line."""
    yield from textwrap.wrap(
        printable(text),
        width,
        initial_indent=indent if first is None else first,
        subsequent_indent=indent,
        break_on_hyphens=False,
    )
