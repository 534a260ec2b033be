"""What turns how fast: bearing orders, induction-motor speeds, lines a motor makes.

Conventions
-----------
*Orders* are multiples of the shaft rate ``shaft_hz`` (turns per second). Speeds in
revolutions per minute are ``rpm``. ``poles`` counts poles, not pole pairs. Slip is a share of
the synchronous speed (0.04 is 4 %). The outer ring of a bearing stands still.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from quietrun.machine.types import Bearing

#: Share of synchronous speed at which a centrifugal start switch may open. Published figures
#: run from 50 to 85 % (collected from five repair pages).
SWITCH_SHARE = (0.50, 0.85)
#: The figure most of them name.
SWITCH_PEAK = 0.75

#: Real defect lines lie 1 to 2 % off the kinematic ones because the balls slip (Randall and
#: Antoni, "Rolling element bearing diagnostics: a tutorial", MSSP 25, 2011; from memory).
BALL_SLIP = 0.02


@dataclass(frozen=True, slots=True)
class BearingOrders:
    """Rates of a ball bearing as multiples of the shaft rate.

    Attributes
    ----------
    outer : ball pass over a point of the outer ring (BPFO)
    inner : ball pass over a point of the inner ring (BPFI)
    ball : one turn of a ball about itself (BSF)
    cage : one turn of the cage (FTF)
    """

    outer: float
    inner: float
    ball: float
    cage: float

    @property
    def ball_twice(self) -> float:
        """Rate at which a damaged spot of a ball strikes: both rings each turn (2 BSF)."""
        return 2.0 * self.ball


def bearing_orders(bearing: Bearing) -> BearingOrders:
    """Rates of a bearing in shaft orders, by rolling without slip.

    With r = (d / D) cos a: outer N (1 - r) / 2, inner N (1 + r) / 2, cage (1 - r) / 2,
    ball D (1 - r^2) / (2 d). Hence outer + inner = N and cage = outer / N.

    Parameters
    ----------
    bearing : Bearing

    Returns
    -------
    BearingOrders

    Raises
    ------
    ValueError
        Geometry that no bearing can have: a bug of the caller, who has to check what a user
        gives (``machine.bearings.parse`` does).

    References
    ----------
    .. [1] R. B. Randall, J. Antoni, "Rolling element bearing diagnostics: a tutorial",
       Mechanical Systems and Signal Processing 25 (2011) 485-520 (from memory).
    """
    n, d, pitch = bearing.balls, bearing.ball_mm, bearing.pitch_mm
    if n < 2 or not 0.0 < d < pitch or not 0.0 <= bearing.contact_deg < 90.0:
        raise ValueError(f"no bearing has this geometry: {bearing!r}")
    r = d / pitch * math.cos(math.radians(bearing.contact_deg))
    return BearingOrders(
        outer=n / 2.0 * (1.0 - r),
        inner=n / 2.0 * (1.0 + r),
        ball=pitch / (2.0 * d) * (1.0 - r * r),
        cage=(1.0 - r) / 2.0,
    )


def synchronous_hz(mains_hz: float, poles: int) -> float:
    """Give the turns per second of the field, 2 f / p.

    Raises
    ------
    ValueError
        A frequency that is not positive, or poles that do not come in pairs.
    """
    if not mains_hz > 0.0:
        raise ValueError(f"mains_hz must be positive, got {mains_hz!r}")
    if poles < 2 or poles % 2:
        raise ValueError(f"poles come in pairs, got {poles!r}")
    return 2.0 * mains_hz / poles


def synchronous_rpm(mains_hz: float, poles: int) -> float:
    """Give the synchronous speed 120 f / p, rpm."""
    return 60.0 * synchronous_hz(mains_hz, poles)


def slip(shaft_hz: float, mains_hz: float, poles: int) -> float:
    """Share by which the shaft lags the field: (ns - n) / ns."""
    sync = synchronous_hz(mains_hz, poles)
    return (sync - shaft_hz) / sync


def shaft_hz_at(slip_share: float, mains_hz: float, poles: int) -> float:
    """Shaft rate at a slip, turns per second."""
    return synchronous_hz(mains_hz, poles) * (1.0 - slip_share)


def rotor_hz(shaft_hz: float, mains_hz: float, poles: int) -> float:
    """Frequency of the current in the rotor, s f (slip frequency), Hz."""
    return slip(shaft_hz, mains_hz, poles) * mains_hz


def pole_pass_hz(shaft_hz: float, mains_hz: float, poles: int) -> float:
    """Rate at which a bar meets the poles of the field: p (ns - n) / 60 = 2 s f, Hz.

    A rotor with a bad bar swells at this rate; it equals ``2 f - p fr``.
    """
    return poles * (synchronous_hz(mains_hz, poles) - shaft_hz)


def hum_hz(mains_hz: float) -> float:
    """Frequency of the magnetic pull and its hum, 2 f, Hz."""
    return 2.0 * mains_hz


def hum_beat_hz(shaft_hz: float, mains_hz: float, poles: int) -> float:
    """Slow swell between the hum 2 f and the p-th shaft harmonic, |2 f - p fr|, Hz.

    Ordinary, never a fault: with two poles and 3450 rpm on 60 Hz, 120 and 115 Hz beat at 5 Hz
    (and 60 with 57.5 Hz at half of that).
    """
    return abs(hum_hz(mains_hz) - poles * shaft_hz)


def slot_pass_hz(bars: int, shaft_hz: float) -> float:
    """Rate at which rotor bars (or slots) pass a point, R fr, Hz."""
    return bars * shaft_hz


def slot_lines_hz(
    bars: int, shaft_hz: float, mains_hz: float, *, sides: int = 1
) -> tuple[float, ...]:
    """Lines of the slot force in the sound: R fr + k 2 f for k = -sides .. sides, Hz."""
    centre = slot_pass_hz(bars, shaft_hz)
    return tuple(centre + k * hum_hz(mains_hz) for k in range(-sides, sides + 1))


def slot_current_lines_hz(
    bars: int, shaft_hz: float, mains_hz: float, poles: int
) -> tuple[float, float]:
    """Principal slot harmonics in the motor's *current*, f (R (1 - s) / P -+ 1), Hz.

    P counts pole pairs. The sound has ``slot_lines_hz`` instead: force goes with flux squared.
    """
    bar_hz = mains_hz * bars * (1.0 - slip(shaft_hz, mains_hz, poles)) / (poles / 2)
    return bar_hz - mains_hz, bar_hz + mains_hz


def blade_pass_hz(blades: int, shaft_hz: float) -> float:
    """Blade-pass frequency of the cooling impeller, Hz."""
    return blades * shaft_hz


def switch_range_hz(mains_hz: float, poles: int) -> tuple[float, float]:
    """Shaft rates between which the start switch may open, turns per second."""
    sync = synchronous_hz(mains_hz, poles)
    return SWITCH_SHARE[0] * sync, SWITCH_SHARE[1] * sync


def switch_prior(share: float) -> float:
    """How likely the start switch opens at a share of synchronous speed.

    A triangle over ``SWITCH_SHARE`` with its top at ``SWITCH_PEAK``: the plainest curve with
    the published range and mode (its shape is ours). Unit: density per share, area 1.
    """
    low, high = SWITCH_SHARE
    if not low < share < high:
        return 0.0
    top = 2.0 / (high - low)
    if share <= SWITCH_PEAK:
        return top * (share - low) / (SWITCH_PEAK - low)
    return top * (high - share) / (high - SWITCH_PEAK)
