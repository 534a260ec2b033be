"""A small drawing board for the pictures of a page: numbers in, SVG text out.

Why by hand: a picture in the page itself follows light and dark, prints sharp, can be read out
and costs a few kilobytes; a raster does none of it. Only classes are written, no colours and no
``style``: the page's own policy forbids inline styles, and the style sheet knows both schemes.

Conventions
-----------
Lengths are units of a picture ``WIDTH`` units wide. Text is escaped here, once.
"""

from __future__ import annotations

import base64
import html
import math
import struct
import zlib
from collections.abc import Callable, Iterable, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

WIDTH = 400.0

Scale = Callable[[float], float]


def num(value: float) -> str:
    """Coordinate with one decimal, as short as it goes."""
    return f"{value:.1f}".removesuffix(".0")


def ticks(low: float, high: float, about: int = 6) -> list[float]:
    """Round values between two ends, 1, 2 or 5 times a power of ten apart."""
    span = high - low
    if not span > 0.0 or not math.isfinite(span):
        return []
    rough = span / max(1, about)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * m for m in (1.0, 2.0, 5.0, 10.0) if power * m >= rough * 0.999)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(k * step, 10) for k in range(first, last + 1)]


def linear(low: float, high: float, start: float, end: float) -> Scale:
    """Map ``low``..``high`` to ``start``..``end``."""
    factor = (end - start) / (high - low) if high != low else 0.0
    return lambda value: start + (value - low) * factor


def logarithmic(low: float, high: float, start: float, end: float) -> Scale:
    """Map ``low``..``high`` (above 0) to ``start``..``end``, octaves alike."""
    inner = linear(math.log(low), math.log(high), start, end)
    return lambda value: inner(math.log(value))


def gray_png(shade: NDArray[np.uint8]) -> bytes:
    """Write shades as a gray PNG, 0 white and 255 black (PNG specification, colour type 0).

    Parameters
    ----------
    shade : shape (rows, columns), uint8
    """
    rows, columns = shade.shape
    raw = np.zeros((rows, columns + 1), dtype=np.uint8)  # a leading 0: no filter
    raw[:, 1:] = 255 - shade

    def chunk(kind: bytes, data: bytes) -> bytes:
        check = zlib.crc32(kind + data)
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", check)

    head = struct.pack(">IIBBBBB", columns, rows, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(raw.tobytes(), 9))
        + chunk(b"IEND", b"")
    )


def data_uri(kind: str, content: bytes) -> str:
    """Content as an address that holds it."""
    return f"data:{kind};base64,{base64.b64encode(content).decode('ascii')}"


class Board:
    """One picture with its axes.

    Parameters
    ----------
    name : str
        Stands in front of the ids in it; unique in a page.
    height : units
    left, right, top, bottom : margins, units
    """

    def __init__(
        self,
        name: str,
        height: float = 210.0,
        *,
        left: float = 42.0,
        right: float = 8.0,
        top: float = 18.0,
        bottom: float = 32.0,
    ) -> None:
        self.name, self.height = name, height
        self.x0, self.x1 = left, WIDTH - right
        self.y0, self.y1 = height - bottom, top  # y0 is the lower edge
        self._parts: list[str] = []

    def add(self, element: str) -> None:
        """Take an element as it is."""
        self._parts.append(element)

    def rect(self, x: float, y: float, width: float, height: float, style: str) -> None:
        """Draw a rectangle."""
        self.add(
            f'<rect class="{style}" x="{num(x)}" y="{num(y)}" '
            f'width="{num(max(0.0, width))}" height="{num(max(0.0, height))}"/>'
        )

    def line(self, x1: float, y1: float, x2: float, y2: float, style: str) -> None:
        """Draw a straight line."""
        self.add(f'<path class="{style}" d="M{num(x1)} {num(y1)}L{num(x2)} {num(y2)}"/>')

    def path(self, x: ArrayLike, y: ArrayLike, style: str, *, closed: bool = False) -> None:
        """Draw a line through points."""
        points = zip(np.asarray(x, dtype=float), np.asarray(y, dtype=float), strict=True)
        told = "L".join(f"{num(a)} {num(b)}" for a, b in points)
        self.add(f'<path class="{style}" d="M{told}{"Z" if closed else ""}"/>')

    def stems(self, x: ArrayLike, y: ArrayLike, foot: float, style: str) -> None:
        """Draw an upright stroke to each point."""
        points = zip(np.asarray(x, dtype=float), np.asarray(y, dtype=float), strict=True)
        told = "".join(f"M{num(a)} {num(foot)}V{num(b)}" for a, b in points)
        self.add(f'<path class="{style}" d="{told}"/>')

    def dots(self, x: ArrayLike, y: ArrayLike, radius: float, style: str) -> None:
        """Draw a dot at each point."""
        points = zip(np.asarray(x, dtype=float), np.asarray(y, dtype=float), strict=True)
        for a, b in points:
            self.add(f'<circle class="{style}" cx="{num(a)}" cy="{num(b)}" r="{num(radius)}"/>')

    def diamond(self, x: float, y: float, size: float, style: str) -> None:
        """Draw a diamond."""
        self.path([x, x + size, x, x - size], [y - size, y, y + size, y], style, closed=True)

    def text(self, x: float, y: float, told: str, style: str = "t", anchor: str = "start") -> None:
        """Write a text; ``anchor`` is start, middle or end."""
        where = "" if anchor == "start" else f' text-anchor="{anchor}"'
        self.add(
            f'<text class="{style}" x="{num(x)}" y="{num(y)}"{where}>{html.escape(told)}</text>'
        )

    def image(self, shade: NDArray[np.uint8]) -> None:
        """Fill the plot with shades."""
        address = data_uri("image/png", gray_png(shade))
        self.add(
            f'<image class="shades" x="{num(self.x0)}" y="{num(self.y1)}" '
            f'width="{num(self.x1 - self.x0)}" height="{num(self.y0 - self.y1)}" '
            f'preserveAspectRatio="none" href="{address}"/>'
        )

    def x_axis(self, marks: Iterable[tuple[float, str]], title: str) -> None:
        """Draw the lower axis: (place, text) of each tick, and what it counts."""
        self.line(self.x0, self.y0, self.x1, self.y0, "ax")
        for x, told in marks:
            self.line(x, self.y0, x, self.y0 + 3.5, "ax")
            self.text(x, self.y0 + 14.0, told, "ts", "middle")
        self.text(self.x1, self.y0 + 27.0, title, "ts", "end")

    def y_axis(self, marks: Sequence[tuple[float, str]], title: str) -> None:
        """Draw the left axis with faint lines across."""
        for y, told in marks:
            self.line(self.x0, y, self.x1, y, "grid")
            self.text(self.x0 - 5.0, y + 3.8, told, "ts", "end")
        self.text(self.x0, self.y1 - 6.0, title, "ts")

    def svg(self, title: str, says: str) -> str:
        """Close the picture, with a title and what it shows in words."""
        named = f'aria-labelledby="{self.name}-t {self.name}-d"'
        return (
            f'<svg class="plot" viewBox="0 0 {num(WIDTH)} {num(self.height)}" role="img" {named}>'
            f'<title id="{self.name}-t">{html.escape(title)}</title>'
            f'<desc id="{self.name}-d">{html.escape(says)}</desc>'
            f"{''.join(self._parts)}</svg>"
        )
