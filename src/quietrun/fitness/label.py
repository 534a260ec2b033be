"""Whether the sample rate is what the file says: the mains and the shaft are the clocks.

A rate label that is wrong by two moves every tone by an octave. Half of that cannot be seen at
once, for twice a speed of a motor on the mains is a speed of another one. Two things remain:

- The motor hums at twice the mains frequency and its whole multiples. Under a doubled label only
  every second one of the multiples of (apparent) 100 or 120 Hz is there; under a halved one there
  are as many between them.
- A shaft has lines at each whole multiple of its rate. Under a doubled label a two-pole motor
  turns 6000 or 7200 times a minute, so that each second line of the speed that it could have is
  missing; under a halved one a four-pole motor has lines half way between.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from quietrun.fitness.view import View
from quietrun.run.speed import LineSpectrum, envelope_lines, sound_lines
from quietrun.run.types import Run

Floats = NDArray[np.float64]

_SHORTEST_S = 0.8
_STEP, _CHANCE_STEP = 4e-4, 1e-3  # relative rasters of the shaft's rate
_SLIP = (0.0005, 0.07)
#: Rates over the synchronous one that no induction motor has: how high combs come by chance.
_CHANCE = ((0.62, 0.92), (1.012, 1.36))


@dataclass(frozen=True, slots=True)
class Label:
    """What the two clocks say about the rate; 0 where they were not heard.

    Attributes
    ----------
    missing_db : float
        How far the odd multiples of twice the mains lie below the even ones
        beside them (mean of the first to the seventh), less what stands at
        odd multiples of the mains themselves.
    between_db : float
        How far the odd multiples of the mains (third to ninth) rise over the
        multiples of twice the mains beside them.
    fast_z, fast_odd_z : float
        How far the lines of a shaft twice as fast as any on these mains stand
        over chance, in its spread; and the odd lines of half that shaft.
    slow_z, slow_odd_z : float
        The same for a shaft half as fast as one with four poles, and for
        those of its lines that the one with four poles does not have.
    """

    missing_db: float = 0.0
    between_db: float = 0.0
    fast_z: float = 0.0
    fast_odd_z: float = 0.0
    slow_z: float = 0.0
    slow_odd_z: float = 0.0


#: Phones record at 44.1 or 48 kHz, voice apps at 16 and less (common practice, no source): a
#: doubled label is one of 64 kHz and more, a halved one below 32 kHz, and at other rates a mere
#: doubt counts for nothing. Sound above the first of these was hardly ever recorded there.
_BEYOND_HEARING_HZ, _HIGH_RATE_HZ, _LOW_RATE_HZ = 24_500.0, 64_000.0, 32_000.0
_SURE_OF_SHAFT = 6.0
_LEAST_MISSING_DB, _LEAST_BETWEEN_DB = -3.0, -8.0  # below, the mains' lines speak for the label


def doubt_doubled(label: Label, run: Run, rate_hz: float, edge_hz: float) -> int:
    """Tell how far a label of twice the true rate is likely: 0 not, 1 in doubt, 2 sure.

    A shaft that is clearly one of four poles cannot be half as fast.
    """
    if label.missing_db >= 12.0:
        return 2
    high = rate_hz >= _HIGH_RATE_HZ and edge_hz > _BEYOND_HEARING_HZ
    if _is_sure(run, 4) and not (high and label.missing_db >= 4.0):
        return 0
    too_fast = (
        label.fast_z >= 5.0 and label.fast_odd_z < 1.5 and label.missing_db > _LEAST_MISSING_DB
    )
    clear = high or (label.fast_z >= 8.0 and label.missing_db >= 2.0)
    if (high and label.missing_db >= 4.0) or (too_fast and clear):
        return 2
    return int(high or (rate_hz >= _HIGH_RATE_HZ and (too_fast or label.missing_db >= 8.0)))


def doubt_halved(label: Label, run: Run, rate_hz: float) -> int:
    """Tell how far a label of half the true rate is likely: 0 not, 1 in doubt, 2 sure.

    Half-order lines alone are no proof: something that strikes every second turn has them too.
    """
    low = rate_hz < _LOW_RATE_HZ
    if _is_sure(run, 2):
        return int(low and label.between_db >= -1.0)
    too_slow = (
        label.slow_z >= 4.0 and label.slow_odd_z >= 3.0 and label.between_db > _LEAST_BETWEEN_DB
    )
    if too_slow and label.slow_odd_z >= 4.0 and label.between_db > -2.0:
        return 2 if low else 1
    if run.shaft_hz is not None and run.poles == 4 and low and label.between_db >= 3.0:
        return 2
    return int(low and (too_slow or label.between_db >= -3.0))


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
    label = Label(missing_db=missing_db, between_db=between_db)
    look_fast = missing_db > _LEAST_MISSING_DB and not _is_sure(view.run, 4)
    look_slow = between_db > _LEAST_BETWEEN_DB and not _is_sure(view.run, 2)
    if not (look_fast or look_slow):
        return label
    lines = [sound, *envelope_lines(view.frames, span_s, edge_hz)]
    if look_fast:
        fast_hz, fast_z = _best(lines, mains_hz, 2.0 * mains_hz)
        odd_z = _odd_z(lines, mains_hz, 0.5 * fast_hz, mains_hz)
        label = replace(label, fast_z=fast_z, fast_odd_z=odd_z)
    if look_slow:
        slow_hz, slow_z = _best(lines, mains_hz, 0.25 * mains_hz)
        odd_z = _odd_z(lines, mains_hz, slow_hz, 0.25 * mains_hz)
        label = replace(label, slow_z=slow_z, slow_odd_z=odd_z)
    return label


def _is_sure(run: Run, poles: int) -> bool:
    """Tell a shaft that is clearly one of so many poles."""
    known = run.poles == poles and run.shaft_hz is not None
    return known and run.shaft_confidence >= _SURE_OF_SHAFT


def _mains_lines(sound: LineSpectrum, mains_hz: float) -> tuple[float, float]:
    """``missing_db`` and ``between_db`` of ``Label``."""
    at_hz = mains_hz * np.arange(0.0, 18.0)
    half = _heights(sound, at_hz)
    twice = half[::2]
    missing = [twice[2] - twice[1]]
    missing += [0.5 * (twice[j - 1] + twice[j + 1]) - twice[j] for j in (3, 5, 7)]
    between = [half[k] - 0.5 * (half[k - 1] + half[k + 1]) for k in (3, 5, 7, 9)]
    return float(np.mean(missing) - 0.3 * np.mean(half[1:6:2])), float(np.mean(between))


def _heights(lines: LineSpectrum, freq_hz: Floats) -> Floats:
    """Rise of the peaks at some frequencies, dB; 0 where there is none."""
    index = np.rint(freq_hz / lines.step_hz).astype(np.intp)
    off = freq_hz - np.take(lines.near_hz, index, mode="clip")
    rises = np.take(lines.height_db, index, mode="clip")
    rises = rises * np.exp(-0.5 * (off / (0.12 + 0.0004 * freq_hz)) ** 2)
    return np.asarray(np.where(index < lines.near_hz.size, rises, 0.0))


def _comb(lines: list[LineSpectrum], mains_hz: float, rates_hz: Floats, *, odd: bool) -> Floats:
    """Sum of the lines at the multiples of each rate; those on the mains' own are left out."""
    total = np.zeros(rates_hz.size)
    for one in lines:
        most = min(one.highest_order, int(one.near_hz.size * one.step_hz / rates_hz[0]) + 1)
        at_hz = np.arange(1.0, most + 1.0, 2.0 if odd else 1.0)[:, np.newaxis] * rates_hz
        cycles = at_hz / (2.0 * mains_hz)
        clear = np.abs(cycles - np.rint(cycles)) * 2.0 * mains_hz > 0.7
        total += one.weight * (_heights(one, at_hz) * clear).sum(axis=0)
    return total


def _z(
    lines: list[LineSpectrum], mains_hz: float, rates_hz: Floats, sync_hz: float, *, odd: bool
) -> Floats:
    """How far combs stand over those at rates that cannot be, in the spread of these."""
    impossible = sync_hz * np.concatenate([np.arange(a, b, _CHANCE_STEP) for a, b in _CHANCE])
    chance = _comb(lines, mains_hz, impossible, odd=odd)
    total = _comb(lines, mains_hz, rates_hz, odd=odd)
    return np.asarray((total - chance.mean()) / (chance.std() + 1e-9))


def _best(lines: list[LineSpectrum], mains_hz: float, sync_hz: float) -> tuple[float, float]:
    """Likeliest rate a little below a synchronous one, Hz, and how clear it is."""
    rates_hz = sync_hz * np.arange(1.0 - _SLIP[1], 1.0 - _SLIP[0], _STEP)
    z = _z(lines, mains_hz, rates_hz, sync_hz, odd=False)
    best = int(np.argmax(z))
    return float(rates_hz[best]), float(z[best])


def _odd_z(lines: list[LineSpectrum], mains_hz: float, rate_hz: float, sync_hz: float) -> float:
    """How clear the odd lines of a shaft are."""
    near_hz = rate_hz * np.array([0.9996, 0.9998, 1.0, 1.0002, 1.0004])
    return float(_z(lines, mains_hz, near_hz, sync_hz, odd=True).max())
