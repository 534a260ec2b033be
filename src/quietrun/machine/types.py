"""The machine as its service technician knows it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Bearing:
    """Geometry of a ball bearing with a fixed outer ring.

    Attributes
    ----------
    balls : int
    ball_mm, pitch_mm : float, mm
    contact_deg : float, degrees
    name : str
        Basic size, e.g. ``"6203"``.
    """

    balls: int
    ball_mm: float
    pitch_mm: float
    contact_deg: float = 0.0
    name: str = ""


@dataclass(frozen=True, slots=True)
class Machine:
    """What is known before listening; ``None`` where it is not.

    Attributes
    ----------
    id : str or None
        The shop's own tag.
    mains_hz : float or None
        50 or 60 as told; measured where ``None``.
    poles : int or None
        2 or 4.
    stage : str
        A word of ``words.STAGES``.
    bearings : tuple of Bearing
    fan_blades : int or None
    phone : str or None
    """

    id: str | None = None
    mains_hz: float | None = None
    poles: int | None = None
    stage: str = "assembled"
    bearings: tuple[Bearing, ...] = ()
    fan_blades: int | None = None
    phone: str | None = None
