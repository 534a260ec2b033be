"""Whether time runs forward: a shaft starts under power and runs down without it.

A motor is silent until the power comes, is up to speed within a second or two, and is heard for
seconds after the power went. In a clip played backwards the sound swells up to the moment of the
power, and stops short with it. And whatever sounds, in any room, rises faster than it dies away.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.order import median, quantile
from quietrun.fitness.view import BLOCK, View, to_db

Floats = NDArray[np.float64]

_LO_HZ, _HI_HZ = 250.0, 8500.0
_FLOOR = 0.03
#: Spans before switch-on and after switch-off in which a shaft is, or is not, heard turning, s.
_BEFORE_S = ((-1.0, -0.6), (-0.6, -0.3), (-0.3, -0.1))
_AFTER_S = ((0.3, 0.6), (0.6, 1.0))
_SIDE = 5  # blocks on each side of a step
#: Bands, Hz, and frames (of 10 ms) over which the level is followed from moment to moment.
_BANDS_HZ = ((300.0, 1000.0), (1000.0, 3000.0), (3000.0, 8000.0))
_APART = 4
#: Log-odds by a dB and by a skewness, and of none: ``scripts/wrong_facts.py --weigh`` on healthy
#: clips of five sound models and the same backwards, rounded. The price of a doubt is a good clip
#: that may not be called quiet.
_RUNS_ON, _STARTS, _RISES, _NONE = -0.17, -0.6, -3.3, 0.4
#: Nearly every clip runs forward, so what says otherwise has to be clear. A codec that starts late
#: falls silent faster than anything rises: no skewness says more than this.
_MOST_DB, _LEAST_RISES, _LEAST_ODDS = 25.0, -1.5, 4.0


@dataclass(frozen=True, slots=True)
class Arrow:
    """The two ends of a run against each other; None where they are not in the clip.

    Attributes
    ----------
    runs_on_db : float or None
        The second after switch-off less the second before switch-on (levels
        over the floor of the clip, median of the bands), dB.
    starts_db : float or None
        The steepest rise of the clip less its steepest fall, within 0.3 s, dB.
    rises : float or None
        Skewness of what the level does from one moment to the next (mean of
        three bands): positive where it rises faster than it falls.
    """

    runs_on_db: float | None = None
    starts_db: float | None = None
    rises: float | None = None

    @property
    def is_backwards(self) -> bool:
        """Tell whether all three together say so; where an end is not in the clip, never."""
        if self.starts_db is None or self.runs_on_db is None or self.rises is None:
            return False
        odds = _NONE + _RISES * max(self.rises, _LEAST_RISES)
        odds += _RUNS_ON * _held(self.runs_on_db) + _STARTS * _held(self.starts_db)
        return odds > _LEAST_ODDS


def _held(step_db: float) -> float:
    """A step within what is weighed."""
    return min(max(step_db, -_MOST_DB), _MOST_DB)


def measure_arrow(view: View, edge_hz: float) -> Arrow:
    """Compare how the run begins with how it ends.

    Parameters
    ----------
    view : View
    edge_hz : Hz
        Upper edge of the band in use.
    """
    bands = (view.band_hz >= _LO_HZ) & (view.band_hz < min(_HI_HZ, 0.9 * edge_hz))
    level_db = view.block_db[:, bands]
    if len(level_db) < 4 * _SIDE or not bands.any():
        return Arrow()
    over_db = median(level_db - quantile(level_db, _FLOOR, axis=0), axis=1)
    time_s = view.frames.time_s[BLOCK // 2 :: BLOCK][: over_db.size]
    before = _typical(over_db, time_s, view.on_s, _BEFORE_S)
    after = _typical(over_db, time_s, view.off_s, _AFTER_S)
    steps_db = _steps(over_db)
    return Arrow(
        runs_on_db=None if before is None or after is None else after - before,
        starts_db=float(steps_db.max() + steps_db.min()),
        rises=_skewness(view, edge_hz),
    )


def _typical(
    over_db: Floats, time_s: Floats, at_s: float | None, spans: tuple[tuple[float, float], ...]
) -> float | None:
    """Mean of the medians of some spans, those that the clip has."""
    if at_s is None:
        return None
    inside = [(time_s >= at_s + a) & (time_s < at_s + b) for a, b in spans]
    found = [float(median(over_db[mask])) for mask in inside if mask.any()]
    return float(np.mean(found)) if found else None


def _steps(over_db: Floats) -> Floats:
    """Level after each moment less the level before it; a knock is no step."""
    sides = np.lib.stride_tricks.sliding_window_view(over_db, _SIDE)
    middle = median(sides, axis=1)
    return np.asarray(middle[_SIDE + 2 :] - middle[: -_SIDE - 2])


def _skewness(view: View, edge_hz: float) -> float | None:
    """Third moment of the changes of level over the 3/2 power of the second, mean of bands."""
    found = []
    for lo_hz, hi_hz in _BANDS_HZ:
        bands = (view.band_hz >= lo_hz) & (view.band_hz < min(hi_hz, 0.9 * edge_hz))
        if bands.any():
            level_db = to_db(view.band[:, bands].sum(axis=1))
            change_db = level_db[_APART:] - level_db[:-_APART]
            spread = float(np.mean(change_db**2)) ** 1.5
            found.append(float(np.mean(change_db**3)) / (spread + 1e-9))
    return float(np.mean(found)) if found else None
