"""Third-octave levels of the steady run, room taken off.

Conventions: base-ten third octaves, exact centres 1000 * 10^(n/10) Hz (IEC 61260-1), from
100 Hz to 16 kHz; levels in dB re full scale. Two clips are compared by differences of these
levels after the change of the machine's own air noise has been taken off, so that distance and
gain cancel (``compare.same``).

Keys of the mapping: the exact centre in Hz as text, ``"1000.0"``, for the steady run;
``"room 1000.0"`` for the room. None: not usable (above the recording's band, or less than 6 dB
over the room, where ISO 3744 allows no correction).
"""

from __future__ import annotations

import os

import numpy as np
from numpy.typing import NDArray

from quietrun.clip import Clip, read_clip
from quietrun.dsp.frames import Frames, frames_of
from quietrun.run import Run

Floats = NDArray[np.float64]
Bands = dict[str, float | None]

CENTRES_HZ = tuple(float(round(1000.0 * 10 ** (n / 10.0), 1)) for n in range(-10, 13))
_EDGES_HZ = np.array([1000.0 * 10 ** ((n - 0.5) / 10.0) for n in range(-10, 14)])
LEAST_OVER_ROOM_DB = 6.0
NO_CORRECTION_DB = 15.0
_LEAST_FRAMES = 30
_BLOCK_FRAMES = 50
_ROOM = "room "


def room_corrected(level_db: float, room_db: float) -> float | None:
    """Take the room off a level: L + K1 with K1 = 10 lg(1 - 10^(-0.1 dL)) below 0.

    None for dL < 6 dB, no correction from 15 dB on (ISO 3744; CHECKS A8 and A9).

    Examples
    --------
    >>> round(room_corrected(70.0, 63.0), 2)
    69.03
    """
    over = level_db - room_db
    if over < LEAST_OVER_ROOM_DB:
        return None
    if over >= NO_CORRECTION_DB:
        return level_db
    return level_db + 10.0 * float(np.log10(1.0 - 10.0 ** (-0.1 * over)))


def bands_of(path: str | os.PathLike[str], run: Run | None, bandwidth_hz: float | None) -> Bands:
    """Measure the bands of a clip whose run is known; empty without a steady run."""
    if run is None or "steady" not in run.phases:
        return {}
    clip = read_clip(path)
    return measure_bands(clip, run, frames_of(clip.samples, clip.rate_hz), bandwidth_hz)


def measure_bands(clip: Clip, run: Run, frames: Frames, bandwidth_hz: float | None) -> Bands:
    """Measure third-octave levels.

    Parameters
    ----------
    clip, run, frames : of one recording
    bandwidth_hz : real upper edge of the recording; None: half the rate
    """
    steady = _frames_in(clip, run, frames, ("steady",))
    room = _frames_in(clip, run, frames, ("room", "rest"))
    if steady.sum() < _LEAST_FRAMES:
        return {}
    power = frames.power @ _shares(frames)
    top = min(bandwidth_hz or clip.rate_hz / 2.0, clip.rate_hz / 2.0)
    usable = _EDGES_HZ[1:] <= top
    level = _db(_usual_power(power[steady]))
    floor = _db(_usual_power(power[room])) if room.sum() >= _LEAST_FRAMES else None
    found: Bands = {}
    for i, centre in enumerate(CENTRES_HZ):
        if not usable[i]:
            found[str(centre)] = None
        elif floor is None:
            found[str(centre)] = round(float(level[i]), 2)
        else:
            clean = room_corrected(float(level[i]), float(floor[i]))
            found[str(centre)] = None if clean is None else round(clean, 2)
            found[_ROOM + str(centre)] = round(float(floor[i]), 2)
    return found


def _shares(frames: Frames) -> NDArray[np.float32]:
    """Share of every bin in every band, shape (bins, bands): bins are cut at the edges."""
    half = 0.5 * float(frames.freqs_hz[1])
    low, high = frames.freqs_hz[:, None] - half, frames.freqs_hz[:, None] + half
    inside = np.minimum(high, _EDGES_HZ[1:]) - np.maximum(low, _EDGES_HZ[:-1])
    return np.asarray(np.clip(inside, 0.0, None) / (2.0 * half), dtype=np.float32)


def _usual_power(power: NDArray[np.float32]) -> Floats:
    """Median over half-seconds of the mean power: a knock or a word does not count."""
    blocks = np.array_split(power, max(1, power.shape[0] // _BLOCK_FRAMES))
    return np.asarray(np.median([block.mean(axis=0) for block in blocks], axis=0), np.float64)


def room_bands(bands: dict[str, float | None]) -> dict[float, float]:
    """Pick the room's levels, by centre frequency."""
    return {
        float(name.removeprefix(_ROOM)): value
        for name, value in bands.items()
        if name.startswith(_ROOM) and value is not None
    }


def steady_bands(bands: dict[str, float | None]) -> dict[float, float]:
    """Pick the usable levels of the steady run, by centre frequency."""
    return {
        float(name): value
        for name, value in bands.items()
        if not name.startswith(_ROOM) and value is not None
    }


def _frames_in(clip: Clip, run: Run, frames: Frames, phases: tuple[str, ...]) -> NDArray[np.bool_]:
    """Frames whose whole window lies in one of the phases."""
    half = 0.5 * float(frames.time_s[0]) if frames.time_s.size else 0.0
    inside = np.zeros(frames.time_s.size, dtype=bool)
    for phase in phases:
        if phase in run.phases:
            start, end = (t - clip.start_s for t in run.phases[phase])
            inside |= (frames.time_s >= start + half) & (frames.time_s <= end - half)
    return inside


def _db(power: Floats) -> Floats:
    return np.asarray(10.0 * np.log10(np.maximum(power, 1e-14)))
