"""Whether the sample rate is what the file says: the mains and the shaft are the clocks.

A rate label that is wrong by two moves every tone by an octave. Half of that cannot be seen at
once, for twice a speed of a motor on the mains is a speed of another one. Two things remain:

- The motor hums at twice the mains frequency and its whole multiples. Under a doubled label only
  every second one of the multiples of (apparent) 100 or 120 Hz is there; under a halved one there
  are as many between them.
- A shaft has lines at each whole multiple of its rate. Under a doubled label each second line is
  missing of the speed that a motor with these poles could have; under a halved one there are
  lines half way between.

Neither is sure alone: hums are poor in lines here and there, and two poles told of four look half
like a wrong label. So both are weighed, with how often a recorder writes such a rate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietrun.fitness.view import View
from quietrun.run.speed import (
    LineSpectrum,
    comb_heights,
    envelope_lines,
    heights,
    sound_lines,
)
from quietrun.run.types import Run

Floats = NDArray[np.float64]

_SHORTEST_S = 0.8
_STEP, _CHANCE_STEP = 4e-4, 1e-3  # relative rasters of the shaft's rate
_SLIP = (0.0005, 0.07)
_CLEAR_SLIP = 0.0025  # lines that are nearer to whole multiples of the mains may be the mains' own
#: Rates over the synchronous one that no induction motor has: how high combs come by chance.
_CHANCE = ((0.62, 0.92), (1.012, 1.36))


@dataclass(frozen=True, slots=True)
class Label:
    """What the two clocks say about the rate.

    Attributes
    ----------
    missing_db : float
        How far the odd multiples of twice the mains lie below the even ones
        beside them (mean of the first to the seventh), less what stands at
        odd multiples of the mains themselves; 0 where no mains were heard.
    between_db : float
        How far the odd multiples of the mains (third to ninth) rise over the
        multiples of twice the mains beside them.
    own_z : float or None
        How far the odd lines of the shaft stand over chance, in its spread.
        Where the poles were not told, a shaft of two says nothing by them:
        it may be one of four under a doubled label. None where there were no
        mains, or no second of a run, to measure by.
    half_z : float or None
        The same for lines half way between those of the shaft; at low rates.
    twice_z : float or None
        Where the shaft was taken for one of four poles, the same for the odd
        lines of one of two.
    """

    missing_db: float = 0.0
    between_db: float = 0.0
    own_z: float | None = None
    half_z: float | None = None
    twice_z: float | None = None

    @property
    def is_of_two_poles(self) -> bool:
        """Tell a shaft of two poles that was taken for one of four."""
        if self.own_z is None or self.twice_z is None:
            return False
        return self.own_z < _NO_LINES_Z and self.twice_z > _SURE_OF_TWO_Z


#: Over chance: none of 346 healthy clips of four poles is taken for two, and 97 of 150 of two are.
_NO_LINES_Z, _SURE_OF_TWO_Z = 1.0, 5.0
#: Log-odds by a dB and by a z, and of none of both, for as many wrong labels as right ones:
#: ``scripts/wrong_facts.py --weigh`` on healthy clips of five sound models, rounded.
_MISSING, _FAST_OWN, _FAST = 0.27, -1.1, 3.1
_BETWEEN, _HALF, _SLOW_OWN, _SLOW = 0.7, 1.5, -0.4, 4.5
_Z_FROM, _Z_TO = -2.0, 10.0
_UNKNOWN_Z = 3.0  # says nothing for a doubled label nor against it
#: What the rate alone says. Phones record at 44.1 or 48 kHz, voice apps at 16 and less (common
#: practice, no source): a doubled label is one of 64 kHz and more. Below 32 kHz a rate says
#: nothing: taken as a sign of a halved label, it held up many a sound clip of a voice app.
#: Sound above the first of these was hardly ever recorded there. Log-odds are ours.
_BEYOND_HEARING_HZ, _HIGH_RATE_HZ, _LOW_RATE_HZ = 24_500.0, 64_000.0, 32_000.0
_OF_PHONES_HZ = (44_100.0, 48_000.0)
_HIGH_AND_HEARD, _HIGH, _OF_PHONES = 5.0, 2.5, -2.5
_DOUBT, _SURE = 2.0, 4.0
_HEARD_Z = 3.0


def doubt_doubled(label: Label, rate_hz: float, edge_hz: float) -> int:
    """Tell how far a label of twice the true rate is likely: 0 not, 1 in doubt, 2 sure."""
    if label.own_z is None:
        return int(rate_hz >= _HIGH_RATE_HZ)
    odds = _FAST + _MISSING * label.missing_db + _FAST_OWN * _held(label.own_z)
    if rate_hz >= _HIGH_RATE_HZ:
        odds += _HIGH_AND_HEARD if edge_hz > _BEYOND_HEARING_HZ else _HIGH
    elif rate_hz in _OF_PHONES_HZ:
        odds += _OF_PHONES
    return int(odds > _DOUBT) + int(odds > _SURE)


def doubt_halved(label: Label, rate_hz: float) -> int:
    """Tell how far a label of half the true rate is likely: 0 not, 1 in doubt, 2 sure.

    No phone records at the rates that would be halved to 32 kHz and more. Without a line there
    are none missing between: only lines that are heard there make it sure.
    """
    if rate_hz >= _LOW_RATE_HZ:
        return 0
    if label.own_z is None or label.half_z is None:
        return 0
    odds = _SLOW + _BETWEEN * label.between_db
    odds += _HALF * _held(label.half_z) + _SLOW_OWN * _held(label.own_z)
    return int(odds > _DOUBT) + int(odds > _SURE and label.half_z >= _HEARD_Z)


def _held(z: float) -> float:
    """A z within what is weighed."""
    return min(max(z, _Z_FROM), _Z_TO)


def measure_label(view: View, edge_hz: float) -> Label:
    """Look for what a wrong label leaves in the steady run.

    Parameters
    ----------
    view : View
    edge_hz : Hz
        Upper edge of the band in use.
    """
    mains_hz, time_s = view.run.mains_hz, view.frames.time_s[view.steady]
    if not mains_hz or not view.run.mains_measured:
        return Label()
    if not time_s.size or time_s[-1] - time_s[0] < _SHORTEST_S:
        return Label()
    span_s = (float(time_s[0]), float(time_s[-1]))
    sound = sound_lines(view.frames, span_s)
    missing_db, between_db = _mains_lines(sound, mains_hz)
    lines = [sound, *envelope_lines(view.frames, span_s, edge_hz)]
    poles, told = _poles(view.run)
    sync_hz = 2.0 * mains_hz / poles
    rate_hz = _best(lines, mains_hz, sync_hz)
    own_z = _odd_z(lines, mains_hz, rate_hz, sync_hz)
    half_z = None
    if view.frames.rate_hz < _LOW_RATE_HZ:
        half_z = _odd_z(lines, mains_hz, 0.5 * rate_hz, 0.5 * sync_hz)
    twice_z = None
    if poles == 4:
        two_hz = _best(lines, mains_hz, mains_hz)
        if two_hz < (1.0 - _CLEAR_SLIP) * mains_hz:
            twice_z = _odd_z(lines, mains_hz, two_hz, mains_hz)
    own_z = own_z if told else min(own_z, _UNKNOWN_Z)
    return Label(missing_db, between_db, own_z, half_z, twice_z)


def _poles(run: Run) -> tuple[int, bool]:
    """Number of poles, and whether it was told, or heard by lines that only four have."""
    if run.poles == 2:
        return 2, run.half_rate_z is not None
    return 4, run.poles is not None


def _mains_lines(sound: LineSpectrum, mains_hz: float) -> tuple[float, float]:
    """``missing_db`` and ``between_db`` of ``Label``."""
    at_hz = mains_hz * np.arange(0.0, 18.0)
    half = heights(sound, at_hz)
    twice = half[::2]
    missing = [twice[2] - twice[1]]
    missing += [0.5 * (twice[j - 1] + twice[j + 1]) - twice[j] for j in (3, 5, 7)]
    between = [half[k] - 0.5 * (half[k - 1] + half[k + 1]) for k in (3, 5, 7, 9)]
    return float(np.mean(missing) - 0.3 * np.mean(half[1:6:2])), float(np.mean(between))


def _comb(lines: list[LineSpectrum], mains_hz: float, rates_hz: Floats, *, odd: bool) -> Floats:
    """Sum of the lines at the multiples of each rate; those on the mains' own are left out."""
    total = np.zeros(rates_hz.size)
    for one in lines:
        orders = np.arange(1, one.highest_order + 1, 2 if odd else 1)
        orders = orders[orders * rates_hz[0] < one.near_hz.size * one.step_hz]
        total += one.weight * comb_heights(one, orders, rates_hz, mains_hz).sum(axis=0)
    return total


def _best(lines: list[LineSpectrum], mains_hz: float, sync_hz: float) -> float:
    """Likeliest rate a little below a synchronous one, Hz."""
    rates_hz = sync_hz * np.arange(1.0 - _SLIP[1], 1.0 - _SLIP[0], _STEP)
    return float(rates_hz[np.argmax(_comb(lines, mains_hz, rates_hz, odd=False))])


def _odd_z(lines: list[LineSpectrum], mains_hz: float, rate_hz: float, sync_hz: float) -> float:
    """How far the odd lines of a shaft stand over those of rates that cannot be."""
    impossible = sync_hz * np.concatenate([np.arange(a, b, _CHANCE_STEP) for a, b in _CHANCE])
    chance = _comb(lines, mains_hz, impossible, odd=True)
    near_hz = rate_hz * np.array([0.9996, 0.9998, 1.0, 1.0002, 1.0004])
    total = _comb(lines, mains_hz, near_hz, odd=True)
    return float((total.max() - chance.mean()) / (chance.std() + 1e-9))
