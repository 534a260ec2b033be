"""What the measures of fitness share: band levels by frame, and the frames of each phase.

Conventions
-----------
Times are seconds from the first sample of the clip (not of the file). Frames are those of
``quietrun.dsp.frames`` (10 ms apart); blocks are five frames.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from quietrun.clip.types import Clip
from quietrun.dsp.frames import Frames
from quietrun.dsp.order import median, quantile
from quietrun.run.types import Run

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Third-octave edges: 1000 * 10 ** ((n - 0.5) / 10) Hz (IEC 61260-1, base ten), 89 Hz - 18 kHz.
EDGES_HZ = 1000.0 * 10.0 ** (np.arange(-10.5, 13.5) / 10.0)
CENTRES_HZ = 1000.0 * 10.0 ** (np.arange(-10.0, 13.0) / 10.0)
BLOCK = 5
TINY = 1e-15
_START_BLOCKS = 16  # 0.8 s each side of a start
_START_DB = 6.0
_SETTLED_S = 0.8
_TURNS_DB = 3.5  # the median of the bands of a steady noise stays 2 dB over its lower tenth


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """One clip as the measures see it.

    Attributes
    ----------
    frames : Frames
    run : Run
    band_hz : shape (b,), Hz
        Centres of the third octaves that lie below half the rate.
    band : shape (k, b), FS^2
        Mean square by frame and third octave.
    block_db : shape (k // 5, b), dB
        The same by block of five frames.
    total : shape (k,), FS^2
        Mean square by frame, of all bands together.
    steady, still, course : shape (k,), bool
        Frames of the steady run; frames in which the machine surely stands
        (room, and rest once its tail is over); frames from switch-on to rest.
    before, after : shape (k,), bool
        The two parts of ``still``.
    start_hidden : bool
        True when the run's start was missed and is found here by level.
    start_s : s
        Where in the file the clip begins.
    silence_s : (before, behind), s
        Digital silence that was cut off the clip.
    """

    frames: Frames
    run: Run
    band_hz: Floats
    band: Floats
    block_db: Floats
    total: Floats
    steady: Bools
    course: Bools
    before: Bools
    after: Bools
    start_hidden: bool = False
    start_s: float = 0.0
    silence_s: tuple[float, float] = (0.0, 0.0)

    @property
    def on_s(self) -> float | None:
        """Switch-on, seconds from the first sample."""
        return None if self.run.power_on_s is None else self.run.power_on_s - self.start_s

    @property
    def off_s(self) -> float | None:
        """Switch-off, seconds from the first sample."""
        return None if self.run.power_off_s is None else self.run.power_off_s - self.start_s

    @property
    def still(self) -> Bools:
        """Frames without the machine."""
        return self.before | self.after

    def blocks(self, mask: Bools, bands: Bools) -> Floats:
        """Levels of the blocks that lie wholly within a mask of frames, in some bands, dB."""
        count = len(self.block_db)
        whole = mask[: count * BLOCK].reshape(count, BLOCK).all(axis=1)
        return np.asarray(self.block_db[whole][:, bands])


def view_of(clip: Clip, run: Run, frames: Frames) -> View:
    """Gather what the measures share."""
    count = int(np.searchsorted(EDGES_HZ, 0.46 * frames.rate_hz)) - 1
    cuts = np.searchsorted(frames.freqs_hz, EDGES_HZ[: count + 1])
    cuts = np.maximum.accumulate(np.maximum(cuts, np.arange(cuts.size) + cuts[0]))
    last = min(int(cuts[-1]), frames.freqs_hz.size)
    sums = np.add.reduceat(frames.power[:, :last], cuts[:-1], axis=1).astype(np.float64)
    block_db = to_db(blocks_of(sums))
    marks = _Marks(clip, run, frames)
    steady, before = marks.steady(), marks.before()
    seen = before
    if run.power_on_s is None:
        steady, before = _with_hidden_start(frames, block_db, steady, before)
    return View(
        frames=frames,
        run=run,
        band_hz=CENTRES_HZ[:count],
        band=sums,
        block_db=block_db,
        total=sums.sum(axis=1),
        steady=steady,
        course=marks.course(),
        before=before,
        after=marks.after(),
        start_hidden=before is not seen,
        start_s=clip.start_s,
        silence_s=clip.silence_s,
    )


def by_hand(view: View) -> View:
    """Take what stands out of the quiet moments for the run of a shaft spun by hand.

    There is no power and no steady speed: only a sound that comes and dies away.
    """
    mid = (view.band_hz >= 250.0) & (view.band_hz <= 8500.0)
    level_db = view.block_db[:, mid]
    if not len(level_db):
        return view
    over_db = median(level_db - quantile(level_db, 0.1, axis=0), axis=1)
    over_db = np.repeat(over_db, BLOCK)
    over_db = np.pad(over_db, (0, view.total.size - over_db.size), mode="edge")
    turning = np.asarray(over_db >= _TURNS_DB)
    return replace(
        view,
        steady=turning,
        course=turning,
        before=np.asarray(over_db < _TURNS_DB - 1.0),
        after=np.zeros(turning.size, dtype=bool),
    )


def _with_hidden_start(
    frames: Frames, level_db: Floats, steady: Bools, before: Bools
) -> tuple[Bools, Bools]:
    """Take a start that a falling gain hid from the run out of its steady part.

    Where all bands together rise by ``_START_DB`` within the steady part, what
    comes before is the room.
    """
    if len(level_db) < 4 * _START_BLOCKS:
        return steady, before
    total = np.cumsum(np.concatenate([np.zeros((1, level_db.shape[1])), level_db]), axis=0)
    ahead = total[2 * _START_BLOCKS :] - total[_START_BLOCKS:-_START_BLOCKS]
    behind = total[_START_BLOCKS:-_START_BLOCKS] - total[: -2 * _START_BLOCKS]
    rise_db = median(ahead - behind, axis=1) / _START_BLOCKS
    inside = blocks_of(steady.astype(np.float64))[_START_BLOCKS : _START_BLOCKS + len(rise_db)] > 0
    if not inside.any():
        return steady, before
    best = int(np.argmax(np.where(inside, rise_db, -np.inf)))
    if rise_db[best] < _START_DB:
        return steady, before
    start_s = float(frames.time_s[(best + _START_BLOCKS) * BLOCK])
    time_s = frames.time_s
    room = (time_s >= 0.05) & (time_s <= start_s - 0.1)
    return steady & (time_s >= start_s + _SETTLED_S), before | room


@dataclass(frozen=True, slots=True)
class _Marks:
    """Frames of each phase; half a frame is kept from every edge."""

    clip: Clip
    run: Run
    frames: Frames

    def _span(self, from_s: float, to_s: float) -> Bools:
        time_s = self.frames.time_s
        return np.asarray((time_s >= from_s) & (time_s <= to_s))

    def _phase(self, name: str, from_s: float, to_s: float) -> Bools:
        if name not in self.run.phases:
            return np.zeros(self.frames.time_s.size, dtype=bool)
        a, b = (time_s - self.clip.start_s for time_s in self.run.phases[name])
        return self._span(a + from_s, b - to_s)

    def steady(self) -> Bools:
        """Keep clear of the last of the run-up and of the switch-off."""
        inner = self._phase("steady", 0.1, 0.05)
        return inner if inner.any() else self._phase("steady", 0.0, 0.0)

    def course(self) -> Bools:
        """From switch-on, or the start, to rest, or the end."""
        if not self.run.phases:
            return np.zeros(self.frames.time_s.size, dtype=bool)
        spans = [span for name, span in self.run.phases.items() if name not in ("room", "rest")]
        if not spans:
            return np.zeros(self.frames.time_s.size, dtype=bool)
        start = self.clip.start_s
        return self._span(min(a for a, _ in spans) - start, max(b for _, b in spans) - start)

    def before(self) -> Bools:
        """The room before switch-on; the first frames of a recorder are left out."""
        return self._phase("room", 0.05, 0.1) & ~self._others()

    def after(self) -> Bools:
        """The room after rest, without its reverberation."""
        return self._phase("rest", 0.3, 0.0) & ~self._others()

    def _others(self) -> Bools:
        """Further runs, each with time to come to rest."""
        found = np.zeros(self.frames.time_s.size, dtype=bool)
        for a, b in self.run.others:
            found |= self._span(a - self.clip.start_s - 0.3, b - self.clip.start_s + 2.5)
        return found


def to_db(power: Floats) -> Floats:
    """10 lg, with a floor of -150 dB."""
    return np.asarray(10.0 * np.log10(np.asarray(power, dtype=np.float64) + TINY))


def blocks_of(values: Floats) -> Floats:
    """Mean of every five frames; the rest is left out. Shape (k // 5, ...)."""
    count = len(values) // BLOCK
    return np.asarray(values[: count * BLOCK].reshape(count, BLOCK, *values.shape[1:]).mean(axis=1))


def stretches(flags: Bools) -> list[tuple[int, int]]:
    """First and past-the-last index of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(np.int8), [0]))))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
