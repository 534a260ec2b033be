"""A soft start: the machine leaves the room band by band, long before most of it is heard.

The hum begins in the instant of switch-on and stands in a few narrow bands;
what turns comes up from the lowest band on. Each narrow band votes by itself
for the time from which on it stands over the room without a pause. Where the
bands that do so add up to more than rooms give by chance, the start is moved
to the earliest time that they agree on, again and again until nothing is won.

Conventions
-----------
Times are seconds from the first sample of the frames.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.frames import Frames
from quietrun.dsp.order import median, quantile

Floats = NDArray[np.float64]

_SHARP_DB = 10.0  # a start that jumps by so much has nothing before it
_JUMPING = 4  # bands that must do so
_NARROW_HZ = 35.0
_NARROW_TO_HZ = 1000.0
_WIDE_BANDS = 22
_SMOOTH = 5  # frames
_BACK_S = 2.5
_AHEAD_S = 0.25  # the bands still stand out so long after the first guess
_ROUNDS = 4
_OVER = 2.2  # spreads over the room's middle at which a vote is even
_BAND_VOTES = 20.0  # a quarter of a second of a band that stands clear of the room
_VOTES = 20.0
_LEAST_SPREAD_DB = 1.5


def jump_db(time_s: Floats, level_db: Floats, at_s: float) -> float:
    """Rise of the clearest bands within a tenth of a second of a time, dB.

    Parameters
    ----------
    time_s : shape (k,), s
    level_db : shape (k, b), dB
    at_s : s

    Returns
    -------
    float
        Infinite where too little comes before.
    """
    k = int(np.searchsorted(time_s, at_s))
    if k < 16 or k + 14 > time_s.size:
        return float("inf")
    after = median(level_db[k + 5 : k + 14], axis=0)
    before = median(level_db[k - 14 : k - 3], axis=0)
    return float(np.sort(after - before)[-_JUMPING:].mean())


def _levels(frames: Frames, first: int, last: int) -> Floats:
    """Levels of narrow bands below 1 kHz and wider ones above, shape (last - first, b), dB."""
    top = min(16000.0, 0.45 * frames.rate_hz)
    edges = np.arange(60.0, min(_NARROW_TO_HZ, top), _NARROW_HZ)
    if top > _NARROW_TO_HZ:
        edges = np.concatenate([edges, np.geomspace(_NARROW_TO_HZ, top, _WIDE_BANDS)])
    cuts = np.unique(np.searchsorted(frames.freqs_hz, edges))
    half = _SMOOTH // 2
    a, b = max(0, first - half - 1), min(frames.time_s.size, last + half)
    sums = np.add.reduceat(frames.power[a:b, : cuts[-1]], cuts[:-1], axis=1, dtype=np.float64)
    padded = np.pad(
        sums, ((max(0, half + 1 - (first - a)), max(0, half - (b - last))), (0, 0)), "edge"
    )
    total = np.cumsum(padded, axis=0)
    return np.asarray(10 * np.log10((total[_SMOOTH:] - total[:-_SMOOTH]) / _SMOOTH + 1e-12))


def _earlier(time_s: Floats, level_db: Floats, onset_s: float) -> float | None:
    """One round: the earliest time that the bands agree on, None where they do not."""
    k = int(np.searchsorted(time_s, onset_s))
    if k < 25:
        return None
    room = level_db[: k - 8]
    middle, low = quantile(room, 0.4, axis=0), quantile(room, 0.1, axis=0)
    spread = np.maximum(_LEAST_SPREAD_DB, (middle - low) / 1.03)
    end = min(time_s.size, k + round(_AHEAD_S * 100))
    votes = np.clip((level_db[:end] - middle) / spread - _OVER, -2.0, 3.0)
    stays = (votes[k:] > 0).mean(axis=0) > 0.7
    total = np.cumsum(votes[:k][::-1], axis=0)[::-1]
    won = np.where(stays, np.maximum(total - _BAND_VOTES, 0.0), 0.0).sum(axis=1)
    first = max(0, k - round(_BACK_S * 100))
    best = first + int(np.argmax(won[first:]))
    return float(time_s[best]) if won[best] >= _VOTES else None


def soft_start(frames: Frames, wide_db: Floats, onset_s: float) -> float:
    """Switch-on of a soft start, at or before a first guess.

    Parameters
    ----------
    frames : Frames
    wide_db : shape (k, b), dB
        Levels of wide bands at ``frames.time_s``, which tell a sharp start.
    onset_s : s

    Returns
    -------
    float
        s; the guess itself for a sharp start.
    """
    if jump_db(frames.time_s, wide_db, onset_s) > _SHARP_DB:
        return onset_s
    a = int(np.searchsorted(frames.time_s, onset_s - _BACK_S - 1.0))
    b = int(np.searchsorted(frames.time_s, onset_s + _AHEAD_S))
    time_s, level_db = frames.time_s[a:b], _levels(frames, a, b)
    for _ in range(_ROUNDS):
        found = _earlier(time_s, level_db, onset_s)
        if found is None or found > onset_s - 0.05:
            break
        onset_s = found
    return onset_s
