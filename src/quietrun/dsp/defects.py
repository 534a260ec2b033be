"""Lines of a damaged bearing in an order spectrum, and how likely chance would give them.

A damaged spot is struck at a rate that no other part has: not a whole number of turns, nor
locked to the mains. It puts a line and its harmonics into the spectrum of the squared
envelope. The search allows for slip of the balls, leaves out lines that other parts explain,
counts harmonics and side lines, and states the probability that noise alone would give as
much, corrected for everything tried.

Conventions
-----------
``order_axis`` is evenly spaced and begins at 0; its unit is shaft turns. ``power`` is a power
spectrum on it from one record *without zero-padding* (``spectra.squared_envelope_spectrum``
over a steady shaft, or of an envelope resampled by angle). Probabilities are base-ten
logarithms.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.spectra import chance_log10, erlang_tail_log10, floor_worth, local_floor

Floats = NDArray[np.float64]

HARMONICS = 4
SLIP = 0.02
FALSE_ALARM = 1e-3
_LOBE = 2.5  # lines: half width of a Hann main lobe, and a little
_DRIFT = 1e-3  # relative: how far harmonics may lie from whole multiples
_BROAD = 5e-3  # relative: how far slip that wanders may smear a strong harmonic


@dataclass(frozen=True, slots=True)
class Harmonic:
    """One harmonic of a defect rate.

    Attributes
    ----------
    number : 1, 2, ...
    order : where its highest line lies
    rise_db : over the local noise
    chance_log10 : probability that noise gives it, corrected for all that was tried
    certain : True when that is below the false-alarm probability asked for
    """

    number: int
    order: float
    rise_db: float
    chance_log10: float
    certain: bool


@dataclass(frozen=True, slots=True)
class DefectLine:
    """What speaks for one defect.

    Attributes
    ----------
    name : str
    expected : order by the kinematics
    found : order in the spectrum (of the fundamental, from all harmonics)
    chance_log10 : all harmonics together, corrected for all that was tried
    harmonics : those that could be looked at (others' lines cover the rest)
    side_lines : certain lines one spacing beside the first two harmonics (0 to 4)
    depth : amplitude of the strongest certain harmonic over the mean of the envelope
    claimed : ``needed`` harmonics are certain, the first among them
    """

    name: str
    expected: float
    found: float
    chance_log10: float
    harmonics: tuple[Harmonic, ...] = field(default=())
    side_lines: int = 0
    depth: float = 0.0
    claimed: bool = False

    @property
    def certain(self) -> int:
        """Number of certain harmonics."""
        return sum(h.certain for h in self.harmonics)

    @property
    def off_percent(self) -> float:
        """How far the line lies from the kinematic one, per cent."""
        return 100.0 * (self.found / self.expected - 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class OrderLines:
    """An order spectrum ready for searching.

    Attributes
    ----------
    step : orders between lines
    rise : shape (k,), power over the local noise
    chance : shape (k,), log10 of the probability that noise gives it
    power : shape (k,)
    free : shape (k,), False where another part's line lies
    """

    step: float
    rise: Floats
    chance: Floats
    power: Floats
    free: NDArray[np.bool_]


def prepare(
    order_axis: Floats, power: Floats, *, avoid: Sequence[float] = (), floor_orders: float = 1.0
) -> OrderLines:
    """Put a spectrum over its local noise and strike out what other parts explain.

    Parameters
    ----------
    order_axis : shape (k,), turns
    power : shape (k,)
    avoid : sequence of orders
        Beside the whole orders, which are always left out: twice the mains, ...
    floor_orders : turns
        Over which the noise is taken (at least 64 lines).

    Raises
    ------
    ValueError
        Shapes differ, too few lines, or an axis that is not even from 0 on.
    """
    axis = np.asarray(order_axis, dtype=np.float64)
    p = np.asarray(power, dtype=np.float64)
    if axis.shape != p.shape or axis.ndim != 1 or axis.size < 64:
        raise ValueError(f"two alike shapes of 64 lines or more, got {axis.shape} and {p.shape}")
    step = float(axis[-1]) / (axis.size - 1)
    if axis[0] != 0.0 or not step > 0.0 or abs(axis[1] - step) > 1e-3 * step:
        raise ValueError("order_axis must be even and begin at 0")
    width = min(axis.size, max(64, round(floor_orders / step)))
    rise = p / np.maximum(local_floor(p, width), 1e-300)
    chance = chance_log10(rise, lines=floor_worth(width))
    free = np.ones(axis.size, dtype=bool)
    half = _LOBE * step + _DRIFT * axis
    free &= np.abs(axis - np.rint(axis)) > half
    for order in avoid:
        free &= np.abs(axis - order) > half
    return OrderLines(step, rise, chance, p, free)


def mains_orders(mains_hz: float, shaft_hz: float, *, top: float = 40.0) -> tuple[float, ...]:
    """Orders of twice the mains, its multiples, and its first shaft side lines."""
    twice = 2.0 * mains_hz / shaft_hz
    whole = [k * twice for k in range(1, int(top / twice) + 1)]
    return tuple(order for order in (twice - 1.0, twice + 1.0, *whole) if 0.0 < order < top)


def find_defect_lines(
    order_axis: Floats,
    power: Floats,
    orders: Mapping[str, float],
    *,
    avoid: Sequence[float] = (),
    side: Mapping[str, float] | None = None,
    slip: float = SLIP,
    harmonics: int = HARMONICS,
    needed: int = 2,
    false_alarm: float = FALSE_ALARM,
    tried: int = 1,
) -> tuple[DefectLine, ...]:
    """Look for the lines of known defects, the likeliest first.

    Each defect in turn: the likeliest is taken, the lines it explains (harmonics and their
    side lines) are struck out, and the others are looked at again without them. So the third
    harmonic of an outer ring cannot speak for the inner ring, whose second nearly falls on it.

    Parameters
    ----------
    order_axis, power : see the module
    orders : name to defect order
    avoid : sequence of orders
        Lines of other parts (``mains_orders``); whole orders are left out always.
    side : name to spacing of side lines, turns
        Where a defect has none here: 1 (the shaft).
    slip : share
        How far either way the real line may lie from the kinematic one.
    harmonics : int
        How many to look for.
    needed : int
        Certain harmonics for a claim.
    false_alarm : probability
        That noise alone makes any one harmonic certain, over everything tried here.
    tried : int
        How many such searches are made on one record (bands, channels, ...).

    Returns
    -------
    tuple of DefectLine
        One for each name, by ``chance_log10``.
    """
    lines = prepare(order_axis, power, avoid=avoid)
    plan = _Plan(slip, harmonics, max(1, tried) * len(orders), needed, false_alarm)
    free, found = lines.free, []
    left = {name: _look(lines, free, name, order, plan) for name, order in orders.items()}
    while left:
        best = min(left.values(), key=lambda line: line.chance_log10)
        del left[best.name]
        spacing = (side or {}).get(best.name, 1.0)
        found.append(_finish(lines, free, best, spacing, plan))
        if best.certain:
            free = free & ~_explained(lines, best, spacing)
            left = {name: _look(lines, free, name, orders[name], plan) for name in left}
    return tuple(found)


def search_outer_race(
    order_axis: Floats,
    power: Floats,
    *,
    avoid: Sequence[float] = (),
    balls: Sequence[int] = (7, 8, 9, 10),
    spread: float = 0.10,
    harmonics: int = HARMONICS,
    needed: int = 2,
    false_alarm: float = FALSE_ALARM,
    tried: int = 1,
) -> DefectLine:
    """Look for an outer-race line where the bearing is not known.

    The outer-race order is about 0.4 N for N balls; with ``spread`` either way the ranges of
    7 to 10 balls run together (2.5 to 4.4 turns). Every rate in them is tried, and the
    correction counts all of them. Whole and half orders (a loose part shows at halves) and
    ``avoid`` are left out.

    Parameters
    ----------
    As ``find_defect_lines``.

    Returns
    -------
    DefectLine
        ``expected`` is the middle of the ranges: nothing is expected more closely.
    """
    low, high = 0.4 * min(balls) * (1.0 - spread), 0.4 * max(balls) * (1.0 + spread)
    middle, slip = (low + high) / 2.0, (high - low) / (high + low)
    halves = [k + 0.5 for k in range(int(harmonics * high) + 1)]
    lines = prepare(order_axis, power, avoid=(*avoid, *halves))
    plan = _Plan(slip, harmonics, max(1, tried), needed, false_alarm)
    line = _look(lines, lines.free, "outer", middle, plan)
    return _finish(lines, lines.free, line, 1.0, plan)


@dataclass(frozen=True, slots=True)
class _Plan:
    """How a search is made: ``tried`` counts the searches one record sees."""

    slip: float
    harmonics: int
    tried: int
    needed: int
    false_alarm: float


@dataclass(frozen=True, slots=True, eq=False)
class _Comb:
    """Harmonics of many rates at once: the best line near each, and what chance says.

    Attributes
    ----------
    rates : shape (r,), orders
    at : shape (h, r), index of the best line
    chance : shape (h, r), log10, corrected for the lines it was chosen from
    used : shape (h, r), False where others' lines cover the place
    """

    rates: Floats
    at: NDArray[np.intp]
    chance: Floats
    used: NDArray[np.bool_]


def _comb(lines: OrderLines, free: NDArray[np.bool_], rates: Floats, top: int) -> _Comb:
    shape = (top, rates.size)
    at, chance, used = np.zeros(shape, np.intp), np.zeros(shape), np.zeros(shape, np.bool_)
    worth = np.where(free, lines.chance, 0.0)
    every = np.arange(rates.size)
    for h in range(1, top + 1):
        reach = 1 + int(_DRIFT * h * float(rates[-1]) / lines.step)
        near = np.rint(h * rates / lines.step).astype(np.intp)[:, None]
        near = near + np.arange(-reach, reach + 1)
        pick = near[every, np.argmin(worth[near], axis=1)]
        at[h - 1] = pick
        used[h - 1] = free[near].any(axis=1)
        chance[h - 1] = np.minimum(0.0, worth[pick] + math.log10(2 * reach + 1))
    return _Comb(rates, at, chance, used)


def _look(
    lines: OrderLines, free: NDArray[np.bool_], name: str, order: float, plan: _Plan
) -> DefectLine:
    """Try every rate within the slip; keep the one whose harmonics chance gives least."""
    room = (lines.rise.size - 8) * lines.step / (order * (1.0 + plan.slip))
    top = min(plan.harmonics, int(room))
    if top < 1:
        return DefectLine(name, order, order, 0.0)
    # rates so close that the highest harmonic moves by one line
    count = max(1, math.ceil(2.0 * plan.slip * order * top / lines.step))
    rates = order * (1.0 + plan.slip * np.linspace(-1.0, 1.0, count + 1))
    comb = _comb(lines, free, rates, top)
    total = -math.log(10.0) * np.where(comb.used, comb.chance, 0.0).sum(axis=0)
    joint = erlang_tail_log10(total, comb.used.sum(axis=0))
    best = int(np.argmin(joint))
    tried = math.log10(rates.size * plan.tried)
    each = tried + math.log10(plan.harmonics)
    got = tuple(
        _harmonic(lines, h, int(comb.at[h - 1, best]), float(comb.chance[h - 1, best]) + each, plan)
        for h in range(1, top + 1)
        if comb.used[h - 1, best]
    )
    found = _rate(got) if got else float(rates[best])
    return DefectLine(name, order, found, min(0.0, float(joint[best]) + tried), got)


def _harmonic(lines: OrderLines, number: int, i: int, chance: float, plan: _Plan) -> Harmonic:
    rise_db = 10.0 * math.log10(max(float(lines.rise[i]), 1e-12))
    certain = chance < math.log10(plan.false_alarm)
    return Harmonic(number, _peak(lines, i), rise_db, min(0.0, chance), certain)


def _rate(harmonics: tuple[Harmonic, ...]) -> float:
    """Fundamental from the certain harmonics (from all where none is): high ones know it best."""
    strong = [h for h in harmonics if h.certain] or list(harmonics)
    weight = [h.number * 10.0 ** (h.rise_db / 20.0) for h in strong]
    return float(np.average([h.order / h.number for h in strong], weights=weight))


def _peak(lines: OrderLines, i: int) -> float:
    """Order of a line, between lines by a parabola through the logarithms."""
    if not 0 < i < lines.power.size - 1:
        return i * lines.step
    a, b, c = np.log(np.maximum(lines.power[i - 1 : i + 2], 1e-300))
    bend = a - 2.0 * b + c
    shift = 0.5 * (a - c) / bend if bend < 0.0 else 0.0
    return (i + float(np.clip(shift, -1.0, 1.0))) * lines.step


def _finish(
    lines: OrderLines, free: NDArray[np.bool_], line: DefectLine, spacing: float, plan: _Plan
) -> DefectLine:
    """Add side lines, depth and whether it is claimed."""
    certain = [h for h in line.harmonics if h.certain]
    if not certain:
        return line
    limit = math.log10(plan.false_alarm / (4 * 3 * plan.tried))
    side = 0
    for number in (1, 2):
        for sign in (-1.0, 1.0):
            i = round((number * line.found + sign * spacing) / lines.step)
            if 1 < i < lines.power.size - 1:
                near = slice(i - 1, i + 2)
                side += float(np.where(free[near], lines.chance[near], 0.0).min()) < limit
    strongest = max(float(lines.power[round(h.order / lines.step)]) for h in certain)
    return replace(
        line,
        side_lines=side,
        depth=math.sqrt(strongest),
        claimed=certain[0].number == 1 and len(certain) >= plan.needed,
    )


def _explained(lines: OrderLines, line: DefectLine, spacing: float) -> NDArray[np.bool_]:
    """Lines that a defect explains: its harmonics, and side lines up to the fifth."""
    out = np.zeros(lines.power.size, dtype=bool)
    top = int(out.size * lines.step / line.found) + 1
    for h in range(1, top + 1):
        for k in range(-5, 6):
            order = h * line.found + k * spacing
            smear = _BROAD if k == 0 else 2.0 * _DRIFT
            half = _LOBE * lines.step + smear * h * line.found
            first = max(0, math.ceil((order - half) / lines.step))
            out[first : max(first, int((order + half) / lines.step) + 1)] = True
    return out
