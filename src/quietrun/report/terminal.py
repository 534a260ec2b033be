"""How text is set for a terminal: width, signs, colour. Knows nothing of verdicts.

Conventions
-----------
Colour is only ever an addition: what it says stands there as a word or a
shape too. Colour codes are written by hand: a few styles do not justify
loading a library on every ``check``.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

#: Signs that sentences may hold, and what stands for them where the terminal has none.
PLAIN = {
    "\u2013": "-",
    "\u2014": "-",
    "\u2212": "-",
    "\u00b7": "|",
    "\u00d7": "x",
    "\u00b0": "deg",
    "\u00b2": "^2",
    "\u00b1": "+-",
    "\u2265": ">=",
    "\u2264": "<=",
    "\u2248": "about ",
    "\u2026": "...",
    "\u2018": "'",
    "\u2019": "'",
    "\u201c": '"',
    "\u201d": '"',
    "\u00b5": "u",
    "\u00a0": " ",
}
_TO_PLAIN = str.maketrans(PLAIN)

_STYLES = {"noisy": "1;31", "inspect": "1;33", "quiet": "1;32", "unusable": "1;35", "bold": "1"}


@dataclass(frozen=True, slots=True)
class Page:
    """How the text is set.

    Attributes
    ----------
    width : int
        Columns, held to 40..100.
    colour : bool
        Whether to write terminal colour codes.
    unicode : bool
        False: only signs that every terminal has.
    """

    width: int = 80
    colour: bool = False
    unicode: bool = True

    def columns(self) -> int:
        """Columns to wrap at."""
        return max(40, min(100, self.width))

    def paint(self, text: str, style: str) -> str:
        """Text in a style, or as it is where there is no colour."""
        return f"\x1b[{_STYLES[style]}m{text}\x1b[0m" if self.colour else text


#: 80 columns, no colour: what a pipe gets.
PLAIN_PAGE = Page()


def printable(text: str) -> str:
    """Text without control signs: a file name cannot steer the terminal."""
    return "".join(
        sign if sign.isprintable() else sign.encode("unicode_escape", "backslashreplace").decode()
        for sign in text
    )


def wrap(text: str, width: int, first: str = "", rest: str | None = None) -> Iterator[str]:
    """Lines of at most ``width`` columns, the first behind ``first``, the others indented alike."""
    yield from textwrap.wrap(
        printable(text),
        width,
        initial_indent=first,
        subsequent_indent=" " * len(first) if rest is None else rest,
        break_on_hyphens=False,
    ) or [first.rstrip()]


def finish(lines: Iterable[str], page: Page) -> str:
    """Put lines together, in the signs that the page takes."""
    text = "\n".join(lines)
    return text if page.unicode else text.translate(_TO_PLAIN)
