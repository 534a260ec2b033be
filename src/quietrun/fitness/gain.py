"""Levels that a recorder moved: automatic gain, suppression of steady sound, gates.

A gain moves every band alike. So a change of level is laid to the recorder only where the
bands agree on it; where a machine, a fan or a door changes the sound, they do not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietrun.fitness.view import Bools, View, blocks_of, stretches, to_db

Floats = NDArray[np.float64]

_LO_HZ, _HI_HZ = 200.0, 8500.0
_AGREE_DB = 1.3  # half of all bands within this: the spread that a gain change leaves
_AGREE_SHARE = 0.25  # a deep fall ends in the recorder's own noise, in some bands first
_LEAST_BLOCKS = 16  # 0.8 s

_LEVEL_S = 0.005
#: Nearly nothing: two steps of a 16-bit file.
_SILENT = (2.0 * 2.0**-15) ** 2
_SILENT_BLOCKS = 10  # 50 ms
_SHARP_DB = 18.0  # within 20 ms: a room's sound falls by 4 dB in that time
_NEAR_DB = 8.0


@dataclass(frozen=True, slots=True)
class Riding:
    """How all bands together moved, dB; 0 where nothing was seen or could be.

    Attributes
    ----------
    steady_db : float
        From the start to the end of the steady run.
    room_db : float
        The room after the run against the room before.
    recovery_db : float
        The room after the run, from its start to its end.
    """

    steady_db: float
    room_db: float
    recovery_db: float


def measure_riding(view: View) -> Riding:
    """Measure what a gain would do to the steady run and to the room."""
    mid = (view.band_hz >= _LO_HZ) & (view.band_hz <= _HI_HZ)
    return Riding(
        steady_db=_drift(view.band[view.steady][:, mid]),
        room_db=_step(view.band[view.before][:, mid], view.band[view.after][:, mid]),
        recovery_db=_drift(view.band[view.after][:, mid]),
    )


def _agreed(change_db: Floats) -> float:
    """Median over the bands where they agree, else 0."""
    if change_db.size < 4:
        return 0.0
    low, middle, high = np.quantile(change_db, [0.25, 0.5, 0.75])
    return float(middle) if high - low <= max(_AGREE_DB, _AGREE_SHARE * abs(middle)) else 0.0


def _drift(band: Floats) -> float:
    """Change over a stretch that has it all along, not only at one end.

    The slope through six stretches, by the median of all pairs (Theil 1950):
    a run-up or a switch-off that was taken in by mistake does not tilt it.
    """
    if len(band) < _LEAST_BLOCKS * 5:
        return 0.0
    level_db = to_db(blocks_of(band))
    parts = np.array([np.median(part, axis=0) for part in np.array_split(level_db, 6)])
    first, second = np.triu_indices(6, 1)
    slopes = (parts[second] - parts[first]) / (second - first)[:, None]
    return _agreed(np.median(slopes, axis=0) * 5.0)


def _step(before: Floats, after: Floats) -> float:
    if min(len(before), len(after)) < 25:
        return 0.0
    quiet = [np.quantile(to_db(blocks_of(part)), 0.3, axis=0) for part in (before, after)]
    return _agreed(quiet[1] - quiet[0])


@dataclass(frozen=True, slots=True)
class Gate:
    """Near-digital silence that falls in at once.

    Attributes
    ----------
    gaps : int
        Number of silent stretches that begin sharply.
    total_s : float
        Their length, s.
    in_steady_s : float
        Silence within the steady run, s.
    """

    gaps: int
    total_s: float
    in_steady_s: float


def measure_gate(view: View) -> Gate:
    """Find where a gate closed.

    Silence that was there from the start, or that was added behind a room
    which is heard elsewhere in the clip, is no gate.
    """
    frames = view.frames
    hop = max(1, round(_LEVEL_S * frames.rate_hz))
    count = frames.samples.size // hop
    part = frames.samples[: count * hop].reshape(count, hop)
    mean = part.mean(axis=1, dtype=np.float64)
    level = np.einsum("ij,ij->i", part, part, dtype=np.float64) / hop - mean**2
    silent = level < _SILENT
    if not silent.any() or silent.all():
        return Gate(0, 0.0, 0.0)
    level_db = 10.0 * np.log10(np.maximum(level, 1e-12))
    time_s = (np.arange(count) + 0.5) * hop / frames.rate_hz
    steady = _between(view.steady, frames.time_s, time_s)
    room_db = _room_level_db(view, level_db[~silent], time_s[~silent])
    gaps, total_s = 0, 0.0
    for a, b in stretches(silent):
        if b - a < _SILENT_BLOCKS or a < 12:
            continue
        before_db = float(np.median(level_db[a - 12 : a - 4]))
        padded = b > count - 4 and room_db is not None and abs(before_db - room_db) < _NEAR_DB
        if before_db - float(np.median(level_db[a:b])) >= _SHARP_DB and not padded:
            gaps += 1
            total_s += (b - a) * hop / frames.rate_hz
    return Gate(gaps, total_s, float((silent & steady).sum()) * hop / frames.rate_hz)


def _between(mask: Bools, at_s: NDArray[Any], time_s: NDArray[Any]) -> Bools:
    """Carry a mask over to other times: True from its first to its last."""
    if not mask.any():
        return np.zeros(time_s.size, dtype=bool)
    from_s, to_s = at_s[mask][[0, -1]]
    return np.asarray((time_s >= from_s) & (time_s <= to_s))


def _room_level_db(view: View, level_db: Floats, time_s: Floats) -> float | None:
    """Level of the room where it was let through, before the run."""
    heard = level_db[_between(view.before, view.frames.time_s, time_s)]
    return float(np.median(heard)) if heard.size >= 20 else None
