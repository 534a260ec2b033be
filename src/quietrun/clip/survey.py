"""Which channel and which minute of a file to keep, with memory bounded for any length.

A short file is held whole. A long one is passed over once, keeping one pair of energies for
each twentieth of a second, and the part that holds the first run is read in a second pass.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from quietrun.clip.decoders import Block

Floats = NDArray[np.float64]

LEVEL_S = 0.05
#: Sound kept before the rise, s: the room.
BEFORE_S = 3.0
#: At most this many values (4 bytes each) are held before the second pass is chosen.
HELD_VALUES = 6_000_000
#: A second of samples at more than this rate counts for more than a second of ``keep_s``.
FULL_RATE_HZ = 48_000
#: Samples beyond this are no sound but a driver's rubbish (int32-scaled floats still pass).
ABSURD = 1e10

_PIECE = 64  # levels measured at once: the working set stays small
_COARSE = 5  # levels a coarse step: 0.25 s
_FLOOR_STEPS = 20  # 5 s of trailing floor
_AHEAD_STEPS = 4  # a rise must last 1 s
_RISE_DB = 6.0
_STEADY_DB = 3.0  # a machine's level over one second; talk spreads by 10 dB and more
_RANGE_DB = 45.0  # the floor is not followed further down than this under the loudest second
_NEAR_BEST_DB = 8.0  # small rises ahead of a much larger one are passed over
_RAIL = 0.997
_CLIPPED_SHARE = 2e-3


@dataclass(slots=True)
class Survey:
    """What one pass over a file leaves behind.

    Attributes
    ----------
    frames : int
    bad_samples : int
        Samples that were not finite or absurd; they are set to 0.
    energy, railed : shape (channels,)
        Of the first difference (so that rumble and offsets do not count), and
        the number of samples at full scale.
    held : shape (channels, n)
        The whole file; only its start once ``spilled``.
    spilled : bool
        True when the file was too long to hold.
    levels : list of (k, 2) energies
        Mean square and mean square of the first difference for each
        ``LEVEL_S``, the largest over the channels; filled for long files only.
    """

    frames: int = 0
    bad_samples: int = 0
    energy: Floats = field(default_factory=lambda: np.zeros(0))
    railed: Floats = field(default_factory=lambda: np.zeros(0))
    held: Block | None = None
    levels: list[NDArray[np.float32]] = field(default_factory=list)
    spilled: bool = False

    def add(self, block: Block, hop: int, keep_frames: int) -> None:
        """Take in one block; ``hop`` is ``LEVEL_S`` in frames."""
        channels, length = block.shape
        self.bad_samples += clean(block)
        if channels > 1:
            self._weigh(block)
        if self.held is None:  # memory that is not written to is not used
            room = min(keep_frames, HELD_VALUES // channels)
            self.held = np.empty((channels, max(room, length)), dtype=np.float32)
        if not self.spilled and self.frames + length > self.held.shape[1]:
            self.spilled = True
            self.levels.append(measure(self.held[:, : self.frames], hop))
            self.held = np.empty((channels, 0), dtype=np.float32)
        if self.spilled:
            self.levels.append(measure(block, hop))
        else:
            self.held[:, self.frames : self.frames + length] = block
        self.frames += length

    def _weigh(self, block: Block) -> None:
        step = np.diff(block, axis=1)
        energy = np.einsum("ij,ij->i", step, step, dtype=np.float64)
        railed = np.count_nonzero(np.abs(block) >= _RAIL, axis=1).astype(np.float64)
        self.energy = energy + (self.energy if self.energy.size else 0.0)
        self.railed = railed + (self.railed if self.railed.size else 0.0)

    def channel(self) -> int:
        """0-based number of the better channel: the loudest, unless it alone is clipped."""
        if not self.energy.size:
            return 0
        loudest = int(np.argmax(self.energy))
        share = self.railed / max(1, self.frames)
        if share[loudest] < _CLIPPED_SHARE:
            return loudest
        clean_ones = np.flatnonzero(
            (share < share[loudest] / 5) & (self.energy > 1e-2 * self.energy[loudest])
        )
        if not clean_ones.size:
            return loudest
        return int(clean_ones[np.argmax(self.energy[clean_ones])])


def clean(block: Block) -> int:
    """Set samples that are not numbers, or absurdly large, to 0 in place; return how many."""
    # One pass decides for the usual block: a sum of squares is finite and small.
    total = float(np.vdot(block, block)) if block.size else 0.0
    if np.isfinite(total) and total < ABSURD**2:
        return 0
    bad = ~(np.abs(block) < ABSURD)
    block[bad] = 0.0
    return int(np.count_nonzero(bad))


def measure(block: Block, hop: int) -> NDArray[np.float32]:
    """Mean square of the samples and of their first difference, shape (k, 2), per ``hop``."""
    frames = block.shape[1]
    count = frames // hop
    if not count:
        return np.zeros((0, 2), dtype=np.float32)
    out = np.empty((count, 2), dtype=np.float32)
    for start in range(0, count, _PIECE):
        part = block[:, start * hop : min(count, start + _PIECE) * hop]
        part = part.reshape(block.shape[0], -1, hop)
        step = np.diff(part, axis=2)
        out[start : start + _PIECE, 0] = np.einsum("ckn,ckn->ck", part, part).max(axis=0) / hop
        out[start : start + _PIECE, 1] = np.einsum("ckn,ckn->ck", step, step).max(axis=0) / hop
    return out


def first_run(levels: NDArray[np.float32]) -> float | None:
    """Time of the first sustained rise, s, or None where nothing rises.

    A rise is a second that stands ``_RISE_DB`` over the lower quartile of the
    five seconds before it, in either measure. One that turns steady (a
    machine) is preferred to one that does not (talk), and small rises ahead of
    a much larger one are passed over. How the figures were chosen: by the
    physics named beside each, not by fitting.

    Parameters
    ----------
    levels : shape (k, 2)
        From ``measure``, one row each ``LEVEL_S``.
    """
    count = len(levels) // _COARSE
    if count < _AHEAD_STEPS + 2:
        return None
    steps = levels[: count * _COARSE].reshape(count, _COARSE, 2)
    level_db = 10.0 * np.log10(np.median(steps, axis=1).astype(np.float64) + 1e-20)
    rise_db = np.full(count, -np.inf)
    steady = np.zeros(count, dtype=bool)
    for column in range(2):
        one_db = level_db[:, column]
        one_db = np.maximum(one_db, np.percentile(one_db, 99.5) - _RANGE_DB)
        floor_db = _trailing_quartile(one_db)
        ahead = np.lib.stride_tricks.sliding_window_view(one_db, _AHEAD_STEPS)
        low = np.full(count, -np.inf)
        low[: len(ahead)] = ahead.min(axis=1)
        flat = np.zeros(count, dtype=bool)
        flat[: len(ahead)] = np.ptp(ahead, axis=1) <= _STEADY_DB
        rises = low - floor_db
        rise_db = np.maximum(rise_db, rises)
        steady |= (rises >= _RISE_DB) & _soon_steady(flat, low, floor_db)
    for candidates in (steady, rise_db >= _RISE_DB):
        if candidates.any():
            best_db = rise_db[candidates].max()
            good = candidates & (rise_db >= max(_RISE_DB, best_db - _NEAR_BEST_DB))
            return float(np.flatnonzero(good)[0]) * _COARSE * LEVEL_S
    return None


def _trailing_quartile(level_db: Floats) -> Floats:
    """Lower quartile of the steps before each step (infinite where there are none)."""
    padded = np.concatenate([np.full(_FLOOR_STEPS, np.nan), level_db[:-1]])
    out = np.full(level_db.size, np.inf)
    windows = np.lib.stride_tricks.sliding_window_view(padded, _FLOOR_STEPS)[1:]
    for start in range(1, level_db.size, 4096):  # a day has 345,600 steps: not all at once
        part = windows[start - 1 : start + 4095]
        out[start : start + len(part)] = np.nanpercentile(part, 25, axis=1)
    return out


def _soon_steady(flat: NDArray[np.bool_], low: Floats, floor_db: Floats) -> NDArray[np.bool_]:
    """Tell where a flat second, still above the floor at the rise, begins within three seconds."""
    found = np.zeros(flat.size, dtype=bool)
    for later in range(3 * _AHEAD_STEPS):
        ahead = slice(later, None)
        here = slice(None, flat.size - later if later else None)
        found[here] |= flat[ahead] & (low[ahead] - floor_db[here] >= _RISE_DB)
    return found
