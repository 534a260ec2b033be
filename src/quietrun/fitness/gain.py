"""Levels that a recorder moved: automatic gain, suppression of steady sound, gates.

A gain moves every band alike. So a change of level is laid to the recorder only where the
bands agree on it; where a machine, a fan or a door changes the sound, they do not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.order import median, quantile, quantiles
from quietrun.fitness.view import Bools, View, stretches

Floats = NDArray[np.float64]

_LO_HZ, _HI_HZ = 200.0, 8500.0
_AGREE_DB = 1.3  # half of all bands within this: the spread that a gain change leaves
_AGREE_SHARE = 0.25  # a deep fall ends in the recorder's own noise, in some bands first
_LEAST_BLOCKS = 16  # 0.8 s

_LEVEL_S = 0.005
_FALL_S = 0.06
_SHARP_DB = 24.0  # within _FALL_S; in a room of 0.2 s reverberation sound dies by 18 dB
_FLOOR_DB = 6.0  # a gate's floor is as even as the room it replaces
_SILENT_S = 0.08
_SOUND_S = 0.5  # what is cut off must have lasted: a clink in a quiet room falls sharply too
_SOUND_DB = 12.0
_NEAR_DB = 8.0
_EMPTY_DB = -84.0  # two steps of a 16-bit file
_NOTHING = 1e-10  # -100 dB: single steps of a 16-bit file now and then


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
        steady_db=_drift(view.blocks(view.steady, mid)),
        room_db=_step(view.blocks(view.before, mid), view.blocks(view.after, mid)),
        recovery_db=_drift(view.blocks(view.after, mid)),
    )


def _agreed(change_db: Floats) -> float:
    """Median over the bands where they agree, else 0."""
    if change_db.size < 4:
        return 0.0
    low, middle, high = quantiles(change_db, (0.25, 0.5, 0.75))
    return float(middle) if high - low <= max(_AGREE_DB, _AGREE_SHARE * abs(middle)) else 0.0


def _drift(level_db: Floats) -> float:
    """Change over a stretch that has it all along, not only at one end.

    The slope through six stretches, by the median of all pairs (Theil 1950):
    a run-up or a switch-off that was taken in by mistake does not tilt it.
    """
    if len(level_db) < _LEAST_BLOCKS:
        return 0.0
    parts = np.array([median(part, axis=0) for part in np.array_split(level_db, 6)])
    first, second = np.triu_indices(6, 1)
    slopes = (parts[second] - parts[first]) / (second - first)[:, None]
    return _agreed(median(slopes, axis=0) * 5.0)


def _step(before_db: Floats, after_db: Floats) -> float:
    if min(len(before_db), len(after_db)) < 5:
        return 0.0
    quiet = [quantile(part, 0.3, axis=0) for part in (before_db, after_db)]
    return _agreed(quiet[1] - quiet[0])


@dataclass(frozen=True, slots=True)
class Gate:
    """Silence that falls in at once where sound had lasted.

    Attributes
    ----------
    gaps : int
        Number of such falls.
    total_s : float
        Length of the silences behind them, s.
    in_steady_s : float
        Of these, within the steady run, s.
    empty : int
        How many of the silences are nearly digital: nothing but a gate does that.
    """

    gaps: int
    total_s: float
    in_steady_s: float
    empty: int = 0


def measure_gate(view: View) -> Gate:
    """Find where a gate closed.

    Silence that was there from the start, or that was added behind a room
    which is heard elsewhere in the clip, is no gate.
    """
    level_db, hop_s = _levels_db(view)
    ahead, behind = (round(span_s / hop_s) for span_s in view.silence_s)
    level_db = np.pad(level_db, (ahead, behind), constant_values=10.0 * np.log10(_NOTHING))
    if level_db.size < 60:
        return Gate(0, 0.0, 0.0)
    floor_db = float(quantile(level_db, 0.02))
    silent = level_db < max(floor_db + _FLOOR_DB, _EMPTY_DB)
    sounding = level_db >= floor_db + _SOUND_DB
    time_s = (np.arange(level_db.size) - ahead + 0.5) * hop_s
    steady = _between(view.steady, view.frames.time_s, time_s)
    room_db = _room_level_db(view, level_db[~silent], time_s[~silent])
    fall, lasts = round(_FALL_S / hop_s), round(_SOUND_S / hop_s)
    found: list[tuple[int, int]] = []
    empty = 0
    for a, b in stretches(silent):
        if (b - a) * hop_s < _SILENT_S or a < 2 * fall:
            continue
        before_db = float(median(level_db[a - fall : a - fall + 4]))
        behind_db = float(median(level_db[a:b]))
        padded = b > level_db.size - 4 and room_db is not None
        if padded and room_db is not None and abs(before_db - room_db) < _NEAR_DB:
            continue
        is_empty = behind_db < _EMPTY_DB
        lasted = a >= fall + lasts and bool(sounding[a - fall - lasts : a - fall].all())
        if before_db - behind_db >= _SHARP_DB and (is_empty or lasted):
            found.append((a, b))
            empty += is_empty
    return Gate(
        gaps=len(found),
        total_s=sum(b - a for a, b in found) * hop_s,
        in_steady_s=float(sum(steady[a:b].sum() for a, b in found)) * hop_s,
        empty=empty,
    )


def _levels_db(view: View) -> tuple[Floats, float]:
    """Level every 5 ms, the mean of three, dB re full scale."""
    frames = view.frames
    hop = max(1, min(round(_LEVEL_S * frames.rate_hz), frames.samples.size))
    count = frames.samples.size // hop
    part = frames.samples[: count * hop].reshape(count, hop)
    power = np.einsum("ij,ij->i", part, part).astype(np.float64) / hop - part.mean(axis=1) ** 2
    power = np.convolve(np.maximum(power, 0.0), np.full(3, 1 / 3), mode="same")
    return np.asarray(10.0 * np.log10(power + _NOTHING)), hop / frames.rate_hz


def _between(mask: Bools, at_s: NDArray[Any], time_s: NDArray[Any]) -> Bools:
    """Carry a mask over to other times: True from its first to its last."""
    if not mask.any():
        return np.zeros(time_s.size, dtype=bool)
    from_s, to_s = at_s[mask][[0, -1]]
    return np.asarray((time_s >= from_s) & (time_s <= to_s))


def _room_level_db(view: View, level_db: NDArray[Any], time_s: NDArray[Any]) -> float | None:
    """Level of the room where it was let through, before the run."""
    heard = level_db[_between(view.before, view.frames.time_s, time_s)]
    return float(median(heard)) if heard.size >= 20 else None
