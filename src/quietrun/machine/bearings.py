"""Ball bearings by the size printed on them, or by their own geometry.

Conventions
-----------
Lengths in mm. A *size* is the basic number (``6203``); seals, shields, clearance and cage
(``-2RS``, ``ZZ``, ``/C3``) do not change what turns how fast and are passed over.

Makers fit other balls into the same size now and then: the lines then move by up to 3 %
(example: one catalogue's 202 row has its outer line at 3.125, the usual 6202 at 3.048 turns).
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from types import MappingProxyType

from quietrun.errors import UsageError
from quietrun.machine.types import Bearing

_RIG = (
    "bearing-information page of a university bearing data centre (from memory); "
    "agrees with the 203 and 205 rows of a housed-unit catalogue's table A-9 within 0.4 %"
)
_ROW = "from memory; agrees with the {} row of a housed-unit catalogue's table A-9"
_RATING = "from memory; gives the usual catalogue load rating by the formula of ISO 281 within 2 %"


@dataclass(frozen=True, slots=True)
class Size:
    """One line of the table of sizes.

    Attributes
    ----------
    bearing : Bearing
    source : str
        Where balls and pitch are from.
    """

    bearing: Bearing
    source: str


def _size(name: str, balls: int, ball_mm: float, pitch_mm: float, source: str) -> tuple[str, Size]:
    return name, Size(Bearing(balls, ball_mm, pitch_mm, 0.0, name), source)


#: Deep-groove ball bearings found at the ends of small motors.
SIZES = MappingProxyType(
    dict(
        (
            _size("6000", 7, 4.762, 18.0, _RATING),
            _size("6001", 8, 4.762, 20.0, _RATING),
            _size("6002", 9, 4.762, 23.5, _RATING),
            _size("6003", 10, 4.762, 26.0, _RATING),
            _size("6200", 8, 4.762, 20.0, _RATING),
            _size("6201", 7, 5.953, 22.0, _RATING),
            _size("6202", 8, 5.953, 25.0, _RATING),
            _size("6203", 8, 6.746, 28.5, _RIG),
            _size("6204", 8, 7.938, 33.5, _ROW.format("204")),
            _size("6205", 9, 7.940, 39.04, _RIG),
            _size("6206", 9, 9.525, 46.0, _ROW.format("206")),
            _size("6300", 6, 7.144, 22.5, _RATING),
            _size("6301", 6, 7.938, 24.5, _RATING),
            _size("6302", 7, 7.938, 28.5, _RATING),
            _size("6303", 7, 8.731, 32.0, _ROW.format("303")),
            _size("6304", 7, 9.525, 36.0, _ROW.format("304")),
        )
    )
)

# Prefixes say what it is made of (S stainless) or where it comes from; the number follows.
_NUMBER = re.compile(r"(?:[A-Z]{1,3}[ -]?)?(6\d{3})(?!\d|[.,]\d*$)")
_PLAIN = re.compile(r"[0-9.,; xX*]+")

LIMITS = MappingProxyType(
    {
        "balls": (3, 40),
        "ball_mm": (0.5, 100.0),
        "pitch_mm": (2.0, 500.0),
        "contact_deg": (0.0, 60.0),
    }
)


def look_up(name: str) -> Bearing:
    """Find a bearing by what is printed on it: ``6203``, ``6203-2RS``, ``6203 ZZ C3``.

    Raises
    ------
    UsageError
        A size that is not in the table, or no size at all; the nearest ones are named.
    """
    clean = name.strip().upper()
    found = _NUMBER.match(clean)
    size = SIZES.get(found.group(1)) if found else None
    if size is not None:
        return size.bearing
    near = difflib.get_close_matches(found.group(1) if found else clean[:12], SIZES, n=2)
    hint = f"Did you mean {' or '.join(near)}? " if near else ""
    raise UsageError(
        f"The bearing {_shown(name)} is not in the table.",
        f"Known sizes: {', '.join(SIZES)}. Without its balls the defect lines are not known.",
        f"{hint}Otherwise give its own geometry: balls, ball and pitch diameter in mm, "
        "such as 8,6.75,28.5.",
    )


def parse(text: str) -> Bearing:
    """Read a bearing as a person types it: a size, or its own geometry.

    Parameters
    ----------
    text : str
        ``6203-2RS``, or balls, ball mm, pitch mm and perhaps the contact angle in degrees,
        separated by commas (``8,6.75,28.5,15``), semicolons, blanks or ``x``.

    Raises
    ------
    UsageError
        Unknown size, or numbers that no bearing has.
    """
    clean = text.strip()
    parts = [
        p for p in re.split(r"[;xX*\s]+" if re.search(r"[;xX*\s]", clean) else ",", clean) if p
    ]
    if not _PLAIN.fullmatch(clean) or len(parts) == 1:
        return look_up(clean)
    try:
        numbers = [float(p.strip(",").replace(",", ".")) for p in parts]
    except ValueError:
        numbers = []
    if len(numbers) not in (3, 4):
        raise UsageError(
            f"The bearing {_shown(text)} cannot be read.",
            "A geometry has three numbers: balls, ball diameter and pitch diameter in mm "
            "(and perhaps a fourth: contact angle in degrees).",
            "Write it like 8,6.75,28.5 (with a decimal comma: 8; 6,75; 28,5).",
        )
    contact_deg = numbers[3] if len(numbers) == 4 else 0.0
    return own_geometry(numbers[0], numbers[1], numbers[2], contact_deg)


def own_geometry(
    balls: float, ball_mm: float, pitch_mm: float, contact_deg: float = 0.0, name: str = ""
) -> Bearing:
    """Make a bearing from a user's own numbers.

    Raises
    ------
    UsageError
        A number out of range, or balls that do not fit on their circle.
    """
    given = {
        "balls": balls,
        "ball_mm": ball_mm,
        "pitch_mm": pitch_mm,
        "contact_deg": contact_deg,
    }
    for key, (low, high) in LIMITS.items():
        if not low <= given[key] <= high:
            raise _no_bearing(
                f"{key} is {given[key]:g}", f"It has to lie within {low:g}..{high:g}."
            )
    if balls != int(balls):
        raise _no_bearing(f"it has {balls:g} balls", "Balls come whole.")
    # balls on the pitch circle touch at n d = pi D (nearly): more do not go in
    if ball_mm >= 0.5 * pitch_mm or balls * ball_mm > 3.1416 * pitch_mm:
        raise _no_bearing(
            f"{balls:g} balls of {ball_mm:g} mm do not fit on a circle of {pitch_mm:g} mm",
            "The pitch diameter runs through the middles of the balls, about half-way "
            "between bore and outside.",
        )
    return Bearing(int(balls), float(ball_mm), float(pitch_mm), float(contact_deg), name)


def _no_bearing(what: str, why: str) -> UsageError:
    return UsageError(
        f"No ball bearing is like that: {what}.",
        why,
        "Give balls, ball diameter and pitch diameter in mm, such as 8,6.75,28.5.",
    )


def _shown(text: str) -> str:
    shown = ascii(text)
    return shown if len(shown) <= 40 else shown[:37] + "..."
