"""Clip + Machine -> Run: what happened, from power and rotation.

Conventions
-----------
Inside this module times are seconds from the first sample; ``follow_powered`` adds
``clip.start_s`` at the end.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from quietrun.clip.types import Clip
from quietrun.dsp.blocks import block_means
from quietrun.dsp.frames import Frames, band_power, slice_signal
from quietrun.dsp.order import median, quantile, quantiles
from quietrun.dsp.windows import hann
from quietrun.machine.types import Machine
from quietrun.run import clicks, cut, power, ratio, soft, speed
from quietrun.run.types import CoastDown, Run, SpeedTrack, SwitchEvent

Floats = NDArray[np.float64]

SHORTEST_RUN_S = 0.6
# A start switch opens at 65 to 85 % of synchronous speed and closes below that (snap action);
# a run-up is no straight line, but half of it takes longer than a fifth of the time
_OPENS_AFTER = 0.2
_CLOSES = (0.10, 0.85)
_JUMPS_FOR_S = 1.0
_JUMP_DB = 8.0  # many bands at once: more than the room does
_SEEN_S = 0.15  # of room before a rise
_MOST_COVERED_S = 3.0
_QUICKEST_S = 0.12  # no rotor runs up quicker
_LONGEST_START_S = 3.5  # a motor that has not started by then never does
_STRONG = 3.0  # nats a frame
_SOME_TONES, _CLEAR_TONES = 2.0, 8.0  # nats a frame
_HELD_DB = 1.0  # in 0.8 s; a machine that takes 20 s to rest loses more
_AFTER_START_S = 1.5
_STEP_DB = 9.0
_NO_JUMP_DB = 5.0
_AGREE_S = 0.05  # of a narrow and a wide window
_SOME_SHARE, _HALF_SHARE, _WHOLE_SHARE = 0.3, 0.45, 0.7  # of a line's size that comes at once
_ONE_END_S = 0.3  # ends of the hum and of the tones that are one and the same
_LONG_S = 1.5
_GUESS_WEIGHT = 5.0
_EDGE_S = 0.05  # a coherence window still sees half a line this long after it ended
# 60 draws of white and of brown noise: at most 3.3 dB and 9.0 dB (scripts/chance_levels.py)
_HEARD_DB = 3.6
_ONE_LINE_DB = 10.0
_SEVERAL_DB = 7.0
_SILENCE = 1e-14  # power, under what any recording holds: a quiet clip is told like a loud one
_GRID_STRAYS_HZ = 0.15  # hardly ever further (large grids; from memory)
_TOLD_WRONG_DB = 4.0  # right ones: at most 1.7 in 400 bench clips; wrong ones: 99 % more
_EVEN_DB = 1.5  # a hum that does not start a motor is as loud early as late
_BANDS = 22
_SMOOTH = 5  # frames


@dataclass(frozen=True, slots=True, eq=False)
class Activity:
    """How much of the running machine is in each frame.

    Attributes
    ----------
    time_s : shape (k,)
    level_db : shape (k, b), smoothed band levels
    quiet_db, loud_db : shape (b,), levels without and with the machine
    share : shape (k,), 0 (room) to 1 (steady run), weighted over the bands
    contrast_db : float, mean rise of the three clearest bands
    """

    time_s: Floats
    level_db: Floats
    quiet_db: Floats
    loud_db: Floats
    share: Floats
    contrast_db: float


def band_edges(top_hz: float) -> Floats:
    """Edges of the bands used for activity, even in the logarithm of frequency, Hz."""
    return np.geomspace(90.0, top_hz, _BANDS + 1)


def smooth(x: Floats, frames: int) -> Floats:
    """Running mean over an odd number of rows; the ends are padded with their own value."""
    half = frames // 2
    padded = np.concatenate([np.repeat(x[:1], half + 1, 0), x, np.repeat(x[-1:], half, 0)])
    total = np.cumsum(padded, axis=0)
    return np.asarray((total[frames:] - total[:-frames]) / frames)


def activity(frames: Frames, powered: NDArray[np.bool_] | None) -> Activity:
    """Measure activity; ``powered`` marks the frames known to be under power, if any are."""
    top = min(16000.0, 0.45 * frames.rate_hz)
    raw = band_power(frames, band_edges(top))
    level = 10 * np.log10(smooth(raw, _SMOOTH) + _SILENCE)
    slow = 10 * np.log10(smooth(raw, 5 * _SMOOTH) + _SILENCE)
    quiet, loud = quantiles(slow, (0.08, 0.85), axis=0)
    act = _against(frames.time_s, level, quiet, loud)
    return act if powered is None else under_power(act, powered)


def under_power(act: Activity, powered: NDArray[np.bool_]) -> Activity:
    """The same with the loud levels taken from powered frames, where they are more than a few."""
    if powered.sum() <= 20:
        return act
    loud = median(act.level_db[powered], axis=0)
    return _against(act.time_s, act.level_db, act.quiet_db, loud)


def _against(time_s: Floats, level: Floats, quiet: Floats, loud: Floats) -> Activity:
    """Share of each frame between the levels without and with the machine."""
    rise = loud - quiet
    weight = np.clip(rise - 4.0, 0.0, 20.0)
    if weight.sum() <= 0:
        return Activity(time_s, level, quiet, loud, np.zeros(level.shape[0]), 0.0)
    share = np.clip((level - quiet) / np.maximum(rise, 1.0), 0.0, 1.2) @ (weight / weight.sum())
    return Activity(time_s, level, quiet, loud, share, float(np.sort(rise)[-3:].mean()))


def room_frames(act: Activity) -> NDArray[np.bool_]:
    """Frames in which nothing but the room sounds, 0.15 s clear of anything else; shape (k,)."""
    if act.contrast_db < 6.0:
        return np.zeros(act.share.size, dtype=bool)
    low = act.share < 0.12
    wide = np.convolve(~low, np.ones(31), mode="same") if low.size >= 31 else ~low
    return np.asarray(wide == 0)


def room_before(act: Activity) -> NDArray[np.bool_]:
    """Frames before the machine jumps out of the room in many bands at once; shape (k,).

    Also where the room is not quiet, or the phone's gain falls with the run, so that the room
    is much louder before it than after.
    """
    room = np.zeros(act.share.size, dtype=bool)
    for a, b in active_stretches(act):
        if b - a >= _JUMPS_FOR_S and a > _SEEN_S:
            if soft.jump_db(act.time_s, act.level_db, a) > _JUMP_DB:
                # a soft start begins some time before it jumps
                room = act.time_s < min(a - _SEEN_S, max(0.4, a / 3.0))
            break
    return room


def best_comb(frames: Frames, mains_hz: float | None) -> tuple[power.Comb, bool, float | None]:
    """The mains comb, whether it was heard, and another mains frequency where told wrong.

    Where it was not heard the comb is that of the given or likelier nominal frequency. A told one
    is wrong where the lines that only the other has stand ``_TOLD_WRONG_DB`` clearer.
    """
    fifty, sixty = (power.find_comb(frames, f) for f in (50.0, 60.0))
    told = None if mains_hz is None else (fifty if mains_hz < 55.0 else sixty)
    best = told or max(fifty, sixty, key=lambda comb: comb.own_db + comb.salience_db)
    other = sixty if best is fifty else fifty
    wrong = (
        told is not None
        and other.own_db - told.own_db > _TOLD_WRONG_DB
        and _heard(other)
        and min(abs(other.mains_hz - f) for f in (50.0, 60.0)) < _GRID_STRAYS_HZ
    )
    return best, _heard(best), other.mains_hz if wrong else None


def _heard(comb: power.Comb) -> bool:
    """Tell one line that is clear, or several that are likely."""
    several = sum(rise >= _SEVERAL_DB for rise in comb.rises_db) >= 3
    one = max(comb.rises_db, default=0.0) >= _ONE_LINE_DB
    return one or (several and comb.salience_db >= _HEARD_DB)


def stretches_of(odds: power.Hum, cost: float = 14.0) -> list[tuple[float, float]]:
    """Powered stretches in seconds, the short ones left out and short gaps closed."""
    found = [
        (float(odds.time_s[a]), float(odds.time_s[b - 1]))
        for a, b in power.powered_stretches(odds.log_odds, cost=cost)
    ]
    return [(a, b) for a, b in _closed(found, 0.35) if b - a >= SHORTEST_RUN_S]


def _closed(stretches: list[tuple[float, float]], gap_s: float) -> list[tuple[float, float]]:
    """Stretches with the gaps below a length closed."""
    joined: list[tuple[float, float]] = []
    for a, b in stretches:
        if joined and a - joined[-1][1] < gap_s:
            joined[-1] = (joined[-1][0], b)
        else:
            joined.append((a, b))
    return joined


def _one_run(act: Activity, stretches: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Stretches of hum joined where the machine does not get softer in between.

    A hum may be covered for a while; a machine without power gets softer, and
    one that starts again gets louder.
    """

    def share(from_s: float, to_s: float) -> float:
        a, b = np.searchsorted(act.time_s, (from_s, to_s))
        return float(median(act.share[a:b])) if b - a > 3 else 0.0

    joined: list[tuple[float, float]] = []
    for a, b in stretches:
        if joined and a - joined[-1][1] < _MOST_COVERED_S:
            end = joined[-1][1]
            gone = share(a - 0.2, a)
            if (
                gone > 0.5
                and gone > share(end - 0.3, end) - 0.05
                and share(a, a + 0.3) < gone + 0.1
            ):
                joined[-1] = (joined[-1][0], b)
                continue
        joined.append((a, b))
    return joined


def active_stretches(act: Activity) -> list[tuple[float, float]]:
    """Stretches in which most of the machine is there, by level alone."""
    if act.contrast_db < 6.0:
        return []
    share = median(
        np.lib.stride_tricks.sliding_window_view(np.pad(act.share, 7, mode="edge"), 15), axis=1
    )
    on = share > 0.55
    edges = np.flatnonzero(np.diff(np.concatenate(([0], on.astype(np.int8), [0]))))
    joined: list[tuple[int, int]] = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if joined and a - joined[-1][1] < 35:
            joined[-1] = (joined[-1][0], int(b))
        else:
            joined.append((int(a), int(b)))
    return [
        (float(act.time_s[a]), float(act.time_s[b - 1]))
        for a, b in joined
        if (b - a) * 0.01 >= SHORTEST_RUN_S
    ]


def onset_before(act: Activity, at_s: float, *, back_s: float = 3.0) -> float:
    """When the sound first rose out of the room for good, at or before ``at_s``.

    Each frame votes by how far its bands stand over the room's own spread;
    the onset is where the votes from there to ``at_s`` add up to the most, so
    that talk before the run, with a pause after it, does not count.
    """
    before = act.time_s < at_s - 0.1
    if before.sum() < 12:
        return at_s if before.sum() else 0.0
    room = act.level_db[before]
    middle = quantile(room, 0.4, axis=0)
    if float(median(middle - act.quiet_db)) > 7.0:  # mostly run-up: the rest is a better room
        middle = act.quiet_db + 2.0
    spread = np.maximum(1.5, (middle - quantile(room, 0.1, axis=0)) / 1.03)
    use = np.flatnonzero(act.loud_db - middle > 5.0)
    if use.size == 0:
        return at_s
    z = np.clip((act.level_db[:, use] - middle[use]) / spread[use] - 1.8, -2.0, 3.0).mean(axis=1)
    last = int(np.searchsorted(act.time_s, at_s + 0.05))
    first = max(0, int(np.searchsorted(act.time_s, at_s - back_s)))
    if last - first < 4:
        return at_s
    votes = np.cumsum(z[first:last][::-1])[::-1]
    best = int(np.argmax(votes))
    if votes[best] <= 0:
        return at_s
    return float(act.time_s[first + best])


def still_tones(
    frames: Frames, span: tuple[float, float], mains_hz: float, top_hz: float
) -> list[float]:
    """Sharp tones of a steady stretch that are not lines of the mains, the clearest first, Hz."""
    x = frames.samples[int(span[0] * frames.rate_hz) : int(span[1] * frames.rate_hz)]
    if x.size < 0.5 * frames.rate_hz:
        return []
    by = max(1, int(frames.rate_hz / 8000.0))
    low = block_means(x, by)
    padded = 1 << int(np.ceil(np.log2(low.size * 1.5)))
    step = frames.rate_hz / by / padded
    top = int(min(3200.0, 0.9 * top_hz) / step)
    spectrum = (np.abs(np.fft.rfft(low * hann(low.size), padded)[:top]) ** 2).astype(np.float64)
    peaks = speed.sharp_peaks(spectrum, step, least_db=10.0)
    away = np.abs(peaks[:, 0] / (2 * mains_hz) - np.rint(peaks[:, 0] / (2 * mains_hz)))
    peaks = peaks[(away * 2 * mains_hz > 3.0) & (peaks[:, 0] > 60.0)]
    return [float(hz) for hz, _ in peaks[np.argsort(-peaks[:, 1])][:10]]


def tone_odds(frames: Frames, tones_hz: list[float]) -> power.Hum:
    """Evidence that the shaft turns at its steady speed, from its tones.

    Like the hum, but for the lines that the shaft makes: they stand still on
    the frequency axis only while the speed does.
    """
    at = np.arange(0.5 * power.RASTER_S, frames.duration_s, power.RASTER_S)
    total = np.zeros(at.size)
    for hz in tones_hz:
        total += power.line_log_odds(*power.line_tone(frames, hz, at))
    positive = total[total > 0]
    return power.Hum(at, total, float(median(positive)) if positive.size > 20 else 0.0)


def knee(act: Activity, from_s: float, to_s: float) -> float:
    """Where a level that held still begins to fall, by least squares: flat, then a slope."""
    a, b = np.searchsorted(act.time_s, (from_s, to_s))
    rise = act.loud_db - act.quiet_db
    weight = np.clip(rise - 4.0, 0.0, 15.0)
    y = (act.level_db[a:b] @ weight / max(float(weight.sum()), 1e-9))[::3]
    t = act.time_s[a:b][::3]
    if y.size < 12:
        return to_s
    best = (np.inf, to_s)
    for k in range(5, y.size - 5):
        flat = y[:k].mean()
        x = t[k:] - t[k]
        slope = min(0.0, float(x @ (y[k:] - flat) / (x @ x)))
        error = float(np.sum((y[:k] - flat) ** 2) + np.sum((y[k:] - flat - slope * x) ** 2))
        if error < best[0]:
            best = (error, float(t[k]))
    return best[1]


def _level_at_speed(act: Activity, on_s: float, off_s: float) -> float:
    """First time at which the level above 1 kHz has all but reached that of the steady run.

    Below that the hum of the start is louder than the run.
    """
    a, b = np.searchsorted(act.time_s, (on_s, off_s))
    edges = band_edges(16000.0)
    rise = act.loud_db - act.quiet_db
    weight = np.where(edges[:-1] > 1000.0, np.clip(rise - 4.0, 0.0, 15.0), 0.0)
    if b - a < 12 or weight.sum() <= 0:
        return on_s
    level = act.level_db[a:b] @ (weight / weight.sum())
    steady = float(median(level[level.size // 2 :]))
    below = smooth(level[:, None], 7)[:, 0] < steady - 2.5
    k = (
        int(np.flatnonzero(below[: level.size // 2 + 1])[-1])
        if below[: level.size // 2].any()
        else 0
    )
    return float(act.time_s[min(a + k, act.time_s.size - 1)])


def vanished(act: Activity, off_s: float) -> float:
    """Last time after ``off_s`` at which the machine still stood out of the room."""
    after = np.flatnonzero(act.time_s >= off_s)
    low = 0
    for k in after.tolist():
        low = low + 1 if act.share[k] < 0.10 else 0
        if low >= 12:
            return float(act.time_s[k - 11])
    return float(act.time_s[-1])


def _heard_to_the_end(act: Activity, off_s: float) -> bool:
    """Whether the machine, running down, still stands out of the room when the clip ends.

    The quietest moments known must be another stretch's, or the fall of the level
    must not have come to its end: both are asked for.
    """
    after = act.time_s > off_s + 0.1
    if after.sum() < 20:
        return True
    end = act.share[after][-30:]
    before = act.share[after][-60:-30]
    return float(median(end)) > 0.3 and (
        before.size < 20 or float(median(before)) - float(median(end)) > -0.02
    )


def sag_percent(
    frames: Frames, steady: tuple[float, float], mains_hz: float, top_hz: float
) -> float | None:
    """Fall of the speed from the first to the last third of the steady run, per cent, or None.

    The two spectra are laid over each other on a logarithmic frequency axis.
    """
    length = steady[1] - steady[0]
    if length < 1.5:
        return None
    axis = np.arange(np.log(150.0), np.log(min(3000.0, top_hz)), 0.001)
    freqs = np.exp(axis)
    patterns = []
    for a, b in ((steady[0], steady[0] + length / 3), (steady[1] - length / 3, steady[1])):
        x = frames.samples[int(a * frames.rate_hz) : int(b * frames.rate_hz)]
        padded = 1 << int(np.ceil(np.log2(x.size)))
        spectrum = np.fft.rfft(x * hann(x.size).astype(np.float32), padded)
        low = np.abs(spectrum[: int(freqs[-1] * padded / frames.rate_hz) + 2]) ** 2
        level = 10 * np.log10(
            np.interp(freqs, np.arange(low.size) * frames.rate_hz / padded, low) + 1e-12
        )
        near = np.abs(freqs / (2 * mains_hz) - np.rint(freqs / (2 * mains_hz))) * 2 * mains_hz
        rise = level - smooth(level[:, None], 81)[:, 0]
        patterns.append(np.where(near < 4.0, 0.0, np.clip(rise, 0.0, 15.0)))
    first, last = (p - p.mean() for p in patterns)
    shifts = np.arange(-20, 81)
    reach = 81
    middle = last[reach:-reach]
    size = middle.size
    likeness = np.array([float(middle @ first[reach + k : reach + k + size]) for k in shifts]) / (
        np.linalg.norm(middle) * np.linalg.norm(first) + 1e-9
    )
    best = int(np.argmax(likeness))
    if likeness[best] < 0.35:
        return None
    return float(100 * (1 - np.exp(-0.001 * shifts[best])))


@dataclass(frozen=True, slots=True)
class _Stretch:
    on_s: float | None
    off_s: float | None
    first_s: float
    last_s: float
    tones_s: float | None = None


def stillest(frames: Frames, span: tuple[float, float], length_s: float) -> tuple[float, float]:
    """The part of a stretch in which the fine structure of the spectrum changes least."""
    a, b = (int(np.searchsorted(frames.time_s, t)) for t in span)
    if (b - a) * frames.hop_s <= 1.3 * length_s:
        return span
    low = ratio.prominence(frames.power[a:b, frames.bins(120.0, 4000.0)])
    block = 10
    count = low.shape[0] // block
    mean = low[: count * block].reshape(count, block, -1).mean(axis=1)
    mean -= mean.mean(axis=1, keepdims=True)
    mean /= np.linalg.norm(mean, axis=1, keepdims=True) + 1e-9
    likeness = np.concatenate(([0.0], np.cumsum(np.sum(mean[3:] * mean[:-3], axis=1))))
    wide = max(2, int(length_s / (block * frames.hop_s)) - 3)
    if likeness.size <= wide + 1:
        return span
    start = int(np.argmax(likeness[wide:] - likeness[:-wide]))
    from_s = float(frames.time_s[a + start * block])
    return from_s, from_s + length_s


def line_step(
    frames: Frames, comb: power.Comb, window: tuple[float, float], *, up: bool
) -> tuple[float, float]:
    """When the mains lines' size rises or falls for good within a window, and by what share.

    Two means on the linear size of each line, all lines stepping at once: a
    line that rings out in its narrow band still passes half its size on time.
    """
    return line_steps(frames, comb, (window,), up=up)[0]


def line_steps(
    frames: Frames, comb: power.Comb, windows: tuple[tuple[float, float], ...], *, up: bool
) -> list[tuple[float, float]]:
    """``line_step`` in several windows."""
    raster = [np.arange(max(window[0], 0.0), window[1], 0.01) for window in windows]
    sums = [(np.zeros(max(at.size - 1, 0)), np.zeros(max(at.size - 1, 0))) for at in raster]
    used = 0.0
    for k, rise in zip(power.HARMONICS, comb.rises_db, strict=False):
        if rise < 8.0 or max(at.size for at in raster) < 20:
            continue
        line = 2 * comb.mains_hz * k
        z, rate = slice_signal(frames, line - 20.0, line + 20.0, taper=0.3)
        time, envelope = np.arange(z.size) / rate, np.abs(z).astype(np.float64)
        weight = min(rise, 20.0) / 20.0
        used += weight
        for at, (gain, change) in zip(raster, sums, strict=True):
            if at.size < 20:
                continue
            left = np.arange(1, at.size)
            size = np.interp(at, time, envelope)
            full = size[at.size // 2 :] if up else size[: at.size // 2]
            size = np.minimum(size / (median(full) + 1e-12), 1.3)
            total = np.cumsum(size)[:-1]
            before, after = total / left, (size.sum() - total) / (at.size - left)
            step = after - before if up else before - after
            gain += weight * left * (at.size - left) / at.size * np.maximum(step, 0.0) ** 2
            change += weight * step
    found = []
    for window, at, (gain, change) in zip(windows, raster, sums, strict=True):
        if used == 0.0 or at.size < 20:
            found.append((0.5 * sum(window), 0.0))
        else:
            best = int(np.argmax(gain))
            found.append((float(at[best] + 0.005), float(change[best] / used)))
    return found


def _clearest_jump(act: Activity, before_s: float) -> float | None:
    """When the level of many bands rises the most, and stays so, before a time; None if little."""
    last = int(np.searchsorted(act.time_s, before_s + 0.1))
    first, wide, gap, late, end = 16, 14, 3, 30, 60  # frames
    total = np.cumsum(act.level_db[: last + end], axis=0)
    at = np.arange(first, min(last, total.shape[0] - end))
    if at.size == 0:
        return None
    before = (total[at - gap] - total[np.maximum(at - gap - wide, 0)]) / wide
    soon = (total[at + gap + wide] - total[at + gap]) / wide
    stays = (total[at + end] - total[at + late]) / (end - late)
    rise = np.sort(np.minimum(soon, stays) - before, axis=1)[:, -6:].mean(axis=1)
    best = int(np.argmax(rise))
    return float(act.time_s[at[best]]) if rise[best] > _STEP_DB else None


def _steps_up(frames: Frames, comb: power.Comb, about_s: float) -> list[tuple[float, float]]:
    """When the lines rise near a time and by what share, in a narrow and in a wide window."""
    windows = tuple((about_s - reach, about_s + reach) for reach in (0.25, 0.5))
    return line_steps(frames, comb, windows, up=True)


def _earlier_step(frames: Frames, comb: power.Comb, onset_s: float) -> float:
    """Where the lines rise just before most of the sound does, else the guess itself."""
    if onset_s < _SEEN_S:
        return onset_s
    (step, by), (other, by_other) = _steps_up(frames, comb, onset_s)
    agree = abs(step - other) <= _AGREE_S and 0.5 * (by + by_other) > _SOME_SHARE
    return step if agree and step < onset_s else onset_s


def _running_up(act: Activity, from_s: float, to_s: float) -> bool:
    """Whether most of the machine is there from one time to another, without a pause."""
    a, b = np.searchsorted(act.time_s, (from_s + 0.08, to_s - 0.05))
    part = act.share[a:b]
    # a sound that is there from the first sample on may be the room's, with the gain still high
    return (
        from_s > _SEEN_S
        and part.size > 4
        and float(median(part)) > 0.5
        and float(quantile(part, 0.1)) > 0.35
    )


def _switched_on(
    act: Activity, steps: list[tuple[float, float]], hum_s: float, full_s: float | None
) -> float:
    """Switch-on near the start of a hum: where the sound rises, or where the lines do.

    The sound may rise before (something was knocked or said, the phone's gain
    fell), or the hum may be covered at first. The lines are believed where
    they step clearly and the sound with them; but no rotor stands at full
    speed (``full_s``: since when) in the instant of switch-on.
    """
    onset = onset_before(act, hum_s - _EDGE_S)
    looks = [step for step, _ in steps] + [hum_s - 0.04]
    step = float(np.median(looks))
    if step - onset < 0.08 or max(looks) - min(looks) > 0.08:
        return onset
    if (full_s is not None and full_s < step - 0.1) or _running_up(act, onset, step):
        return onset
    return step if _jump(act, step) > _STEP_DB else onset


def _jump(act: Activity, at_s: float) -> float:
    """Rise of the three clearest bands in the two tenths of a second after a time, dB."""

    def level(from_s: float, to_s: float) -> Floats:
        a, b = np.searchsorted(act.time_s, (at_s + from_s, at_s + to_s))
        return median(act.level_db[a:b], axis=0) if b > a else np.zeros(act.quiet_db.size)

    return float(np.sort(level(0.03, 0.2) - level(-0.2, -0.04))[-3:].mean())


def _clear_step(act: Activity, steps: list[tuple[float, float]], onset_s: float) -> float | None:
    """A step of the lines after a first guess of switch-on that is clearer than the guess.

    What was said or knocked before is no switch-on where nearly the whole of the hum comes
    later, at once and with the sound.
    """
    (step, by), (other, by_other) = steps
    share = 0.5 * (by + by_other)
    if abs(step - other) > _AGREE_S or step < max(onset_s + 0.03, _SEEN_S) or share < _HALF_SHARE:
        return None
    clear = share > _WHOLE_SHARE or _jump(act, onset_s) < _NO_JUMP_DB
    return step if clear and _jump(act, step) > _STEP_DB else None


def hum_onset(frames: Frames, comb: power.Comb, before_s: float, *, back_s: float = 2.5) -> float:
    """When the mains lines first rose out of the room for good, at or before ``before_s``.

    A soft start is heard in narrow bands about the lines before it is heard
    in wide ones. Votes as in ``onset_before``; the hum is loudest at first, so
    that what is much softer is none.
    """
    at = np.arange(max(0.0, before_s - back_s - 1.0), before_s + 0.3, 0.01)
    first, known = np.searchsorted(at, (before_s - back_s, before_s - 0.1))
    first = max(int(first), 0)
    if known < 60:
        return before_s
    total = np.zeros(at.size)
    used = 0
    for k, rise in zip(power.HARMONICS[:8], comb.rises_db, strict=False):
        if rise < 6.0:
            continue
        line = 2 * comb.mains_hz * k
        z, rate = slice_signal(frames, line - 12.0, line + 12.0, taper=0.3)
        size = np.interp(at, np.arange(z.size) / rate, np.abs(z).astype(np.float64))
        level = 20 * np.log10(size + 1e-9)
        early = level[:known]
        middle = float(quantile(early, 0.4))
        spread = max(2.5, (middle - float(quantile(early, 0.1))) / 1.03)
        start = float(median(level[known + 10 :]))
        if start < middle + 1.8 * spread:
            continue
        votes = np.clip((level - middle) / spread - 1.8, -2.0, 3.0)
        total += np.where(level < start - 10.0, -2.0, votes)
        used += 1
    if not used:
        return before_s
    last = int(np.searchsorted(at, before_s + 0.05))
    votes = np.cumsum(total[first:last][::-1])[::-1]
    best = int(np.argmax(votes))
    rose = float(at[first + best])
    if votes[best] < 20.0 or rose > before_s - 0.15:
        return before_s
    # a narrow band hears a line some hundredths early, its linear size steps on time
    step, by = line_step(frames, comb, (rose - 0.2, rose + 0.4), up=True)
    return min(step, before_s) if by > 0.15 else before_s


def _cut_near(frames: Frames, comb: power.Comb, about_s: float) -> float:
    """Switch-off near a first guess: half way between the guess and the step of the lines.

    The path of the hum ends early where noise covers it, the lines step late
    where the room rings on.
    """
    time, fall = line_step(frames, comb, (about_s - 0.35, about_s + 0.35), up=False)
    return 0.5 * (time + about_s + _EDGE_S) if fall > 0.15 else about_s + 0.6 * _EDGE_S


def _switched_off(
    frames: Frames,
    comb: power.Comb,
    about_s: float,
    *,
    from_s: float,
    tones_hz: list[float],
    by_hum: bool,
    weight: float,
) -> float | None:
    """Switch-off near a first guess; None where it lies outside the clip."""
    if about_s < frames.duration_s - 0.3:
        lines = [
            2 * comb.mains_hz * k
            for k, rise in zip(power.HARMONICS, comb.rises_db, strict=False)
            if rise > 8.0
        ]
        found = cut.cut_time(
            frames,
            about_s,
            from_s=from_s,
            tones_hz=tones_hz,
            lines_hz=lines[:6] if by_hum else [],
            weight=weight,
        )
        if found is not None:
            about_s = found
        elif by_hum:
            about_s = _cut_near(frames, comb, about_s)
    return None if about_s > frames.duration_s - 0.25 else about_s


def _goes_on(act: Activity, at_s: float) -> bool:
    """Whether the machine is as loud a second or two after the end of a hum as before it.

    Even one that takes half a minute to rest is softer by then: the hum was only covered.
    """

    def share(from_s: float, to_s: float) -> float:
        a, b = np.searchsorted(act.time_s, (at_s + from_s, at_s + to_s))
        return float(median(act.share[a:b])) if b - a > 50 * (to_s - from_s) else 0.0

    before = share(-0.5, 0.0)
    return before > 0.4 and min(share(0.5, 1.0), share(1.0, 2.0)) > before - 0.02


def _line_gone(frames: Frames, comb: power.Comb, at_s: float) -> bool:
    """Whether all sound about the clearest line falls at a time; a covered hum is in it still."""
    line = 2 * comb.mains_hz * power.HARMONICS[int(np.argmax(comb.rises_db))]
    z, rate = slice_signal(frames, max(line - power.HALF_BAND_HZ, 1.0), line + power.HALF_BAND_HZ)
    energy = z.real**2 + z.imag**2

    def level(from_s: float, to_s: float) -> float:
        part = energy[max(0, int((at_s + from_s) * rate)) : int((at_s + to_s) * rate)]
        return float(median(part)) if part.size > 4 else float("inf")

    return level(0.2, 1.0) < 0.25 * level(-0.6, -0.05)


def _falls_after(act: Activity, at_s: float) -> bool:
    """Whether the end of a hum is a switch-off: the rest holds still before it and falls after it.

    A hum that only the start is loud enough to show ends where the rest has
    just risen and stays.
    """
    bands = slice(int(np.searchsorted(band_edges(16000.0), 600.0)), None)

    def level(from_s: float, to_s: float) -> tuple[float, float]:
        a, b = np.searchsorted(act.time_s, (at_s + from_s, at_s + to_s))
        if b <= a:
            return float("nan"), float("nan")
        part = act.level_db[a:b, bands]
        # the second is what sounds between the knocks of a rattle
        return float(part.mean()), float(quantile(part, 0.25, axis=0).mean())

    for early, late, after in zip(
        level(-1.0, -0.5), level(-0.5, 0.0), level(0.6, 1.2), strict=True
    ):
        if late - early < 2.0 and not after > late:
            return True
    return False


def _holds(act: Activity, at_s: float) -> bool:
    """Whether the level after the end of a hum holds still, as no machine's does that runs down."""
    bands = slice(int(np.searchsorted(band_edges(16000.0), 600.0)), None)
    a, b, c, d = np.searchsorted(act.time_s, (at_s + 0.3, at_s + 0.7, at_s + 1.1, at_s + 1.5))
    if b - a < 4 or d - c < 4:
        return False
    level = act.level_db[:, bands]
    return float(median(median(level[a:b], axis=0) - median(level[c:d], axis=0))) < _HELD_DB


def _turning(
    frames: Frames, act: Activity, comb: power.Comb, span: tuple[float, float]
) -> tuple[tuple[float, float], list[float], power.Hum, list[tuple[float, float]]]:
    """Stillest part of a span, its sharp tones, their odds, and when they stand about that part."""
    still = stillest(frames, span, 1.4)
    tones_hz = still_tones(frames, still, comb.mains_hz, min(16000.0, 0.45 * frames.rate_hz))
    tones = tone_odds(frames, tones_hz)
    middle = 0.5 * sum(still)
    return (
        still,
        tones_hz,
        tones,
        [s for s in _one_run(act, stretches_of(tones)) if s[0] <= middle <= s[1] + 0.2],
    )


def _began(
    frames: Frames,
    act: Activity,
    comb: power.Comb,
    rough: tuple[float, float],
    full_s: float | None,
    *,
    by_hum: bool,
) -> float:
    """Switch-on of a powered stretch, 0 where it lies before the clip."""
    a, b = rough
    steps = _steps_up(frames, comb, a) if by_hum else []
    onset = _switched_on(act, steps, a, full_s) if by_hum else onset_before(act, a)
    if onset <= _SEEN_S and full_s is not None and full_s > 0.5:
        onset = onset_before(act, full_s)  # the room hums too, or is as loud
    known = [t for t in (a, full_s) if t is not None and 0.5 < t < b]
    if onset <= _SEEN_S and known and (full_s is None or full_s > 0.5):
        onset = _clearest_jump(act, min(known)) or onset
    onset = soft.soft_start(frames, act.level_db, hum_onset(frames, comb, onset))
    step = _clear_step(act, steps, onset) if by_hum else None
    return _earlier_step(frames, comb, onset) if step is None else step


def _refine(
    frames: Frames,
    act: Activity,
    comb: power.Comb,
    rough: tuple[float, float],
    odds: power.Hum,
    by_hum: bool,
) -> _Stretch:
    """Ends of one powered stretch; None for an end that lies outside the clip."""
    a, b = rough
    loud = [s for s in active_stretches(act) if s[0] < b and s[1] > a]
    whole = (min([a, *(s[0] for s in loud)]), max([b, *(s[1] for s in loud)]))
    ends = by_hum and odds.strength > 1.0 and b - a > 1.0
    falls = _falls_after(act, b)
    # no start takes so long: what ends then is the power, even where the rest gets louder
    long_hum = ends and odds.strength > _STRONG and b - a > _LONGEST_START_S
    cut_off = falls or long_hum if ends else False
    goes_on = by_hum and _goes_on(act, b) and not (long_hum and _line_gone(frames, comb, b))
    cut_off = cut_off and not goes_on
    start_like = cut_off and b - a < _LONGEST_START_S and whole[1] > b + _AFTER_START_S
    if start_like and _holds(act, b):
        still, tones_hz, tones, turning = _turning(frames, act, comb, (b + 0.2, whole[1]))
        if tones.strength > _CLEAR_TONES and turning and turning[0][0] < b + 1.0:
            cut_off = falls = False  # at full speed after it: a start that is louder than the run
        else:
            still, tones_hz, tones, turning = _turning(frames, act, comb, (a, b))
    else:
        still, tones_hz, tones, turning = _turning(frames, act, comb, (a, b) if cut_off else whole)
        vague = not cut_off and (tones.strength < _SOME_TONES or not turning)
        if vague and still[0] > 0.5 * sum(whole) and still[0] - whole[0] > _LONG_S:
            # nothing changes less than the end of a run-down: the run is in what comes before
            earlier = _turning(frames, act, comb, (whole[0], still[0]))
            if earlier[3] and earlier[2].strength > _SOME_TONES:
                still, tones_hz, tones, turning = earlier
    joint = power.Hum(odds.time_s, odds.log_odds * float(by_hum) + tones.log_odds, 0.0)
    middle = 0.5 * sum(still)
    full = turning[0][0] - _EDGE_S if turning and tones.strength > 1.0 else None
    onset = _began(frames, act, comb, rough, full, by_hum=by_hum)
    if full is not None and onset > 0.1 and full < onset + _QUICKEST_S:
        full = None  # these tones were there before: they are not the shaft's
    on: float | None = onset if onset > 0.1 else None
    holding = [s for s in stretches_of(joint) if s[0] <= middle <= s[1] + 0.2]
    humming = by_hum and a - 0.3 <= middle <= b + 0.3
    of_start = by_hum and not falls and b - a < _LONGEST_START_S and whole[1] > b + 1.0
    known = True
    if full is None and (goes_on or of_start):
        known = False
        off = knee(act, max(b, still[0]), min(whole[1] + 1.5, frames.duration_s))
    elif cut_off or (humming and odds.strength > 1.5 and b - a > 1.5):
        off = b - _EDGE_S
    elif holding and (by_hum or tones.strength > 1.0):
        off = max(holding[-1][1], b if by_hum else 0.0) - _EDGE_S
    elif humming:
        off = b - _EDGE_S
    elif full is not None and tones.strength > 2.0 and turning[-1][1] - full > _LONG_S:
        off = turning[-1][1] - _EDGE_S
    else:
        # a strong hum of the start alone, or none: go by where the level begins to fall
        known = False
        begin = max(a + 0.3 * (b - a), still[0]) if not by_hum else still[0]
        if tones.strength < _SOME_TONES and not by_hum:
            begin = a + 0.2 * (b - a)  # nothing tells the run from the end of a run-down
        off = knee(act, begin, min(max(b, whole[1]) + 1.5, frames.duration_s))
    if full is not None and whole[1] > turning[-1][1]:
        slows = turning[-1][1] - _EDGE_S
        sure = cut_off and falls and long_hum and tones.strength < _CLEAR_TONES
        if (full > min(a, onset + _QUICKEST_S) or a < 0.3) and not sure:
            if known and by_hum and abs(slows - off) < _ONE_END_S:
                off = 0.5 * (slows + off)
            else:
                known = known or slows > off
                off = max(off, slows)  # at full speed the power is on
        endless = off > frames.duration_s - 0.4
        if tones.strength > _CLEAR_TONES and not falls and slows - full > _LONG_S:
            off, known = slows, True
        if endless and tones.strength > 2.0 and slows - full > 1.5 and _falls_after(act, slows):
            off, known = slows, True  # a hum that never ends is the room's
    cut_s = _switched_off(
        frames,
        comb,
        off,
        from_s=max(onset, full if full is not None else 0.0),
        tones_hz=tones_hz[:8],
        by_hum=by_hum,
        weight=_GUESS_WEIGHT if known else 0.0,
    )
    return _Stretch(
        on,
        cut_s,
        on if on is not None else 0.0,
        cut_s if cut_s is not None else frames.duration_s,
        full,
    )


def follow_powered(clip: Clip, machine: Machine, frames: Frames) -> Run:
    """Find out what happened in a clip of a powered run; see ``run.follow``.

    Parameters
    ----------
    clip : Clip
    machine : Machine
    frames : Frames
        Of ``clip.samples``.

    Returns
    -------
    Run
        With None for whatever was not found, and why in ``not_heard``.
    """
    comb, heard, other_mains_hz = best_comb(frames, machine.mains_hz)
    run = _follow_mains(clip, machine, frames, comb, heard)
    return run if other_mains_hz is None else replace(run, other_mains_hz=other_mains_hz)


def _follow_mains(
    clip: Clip, machine: Machine, frames: Frames, comb: power.Comb, heard: bool
) -> Run:
    act = plain = activity(frames, None)
    odds = power.hum(frames, comb, room_frames(act) | room_before(act))
    stretches = stretches_of(odds) if heard and odds.strength > 0.8 else []
    by_hum = bool(stretches)
    powered = np.zeros(frames.time_s.size, dtype=bool)
    for a, b in stretches:
        powered |= (frames.time_s > a) & (frames.time_s < b)
    if by_hum:
        act = under_power(act, powered)
        stretches = _one_run(act, _over_background(plain, stretches))
        by_hum = bool(stretches)
    if not stretches:
        act = plain  # a hum that is the room's says nothing of how loud the machine is
        stretches = active_stretches(act)
    if not stretches:
        return Run(not_heard=("Neither the mains hum of a motor nor a run was heard.",))
    refined = [_refine(frames, act, comb, rough, odds, by_hum) for rough in stretches]
    refined = _starts(act, refined)
    weights = [_weight(act, s) for s in refined]
    # of runs about as good the first one is meant
    best = next(s for s, w in zip(refined, weights, strict=True) if w >= 0.7 * max(weights))
    others = tuple(
        (s.first_s + clip.start_s, s.last_s + clip.start_s) for s in refined if s is not best
    )
    return _describe(clip, machine, frames, comb, heard, by_hum, act, best, others)


def _starts(act: Activity, runs: list[_Stretch]) -> list[_Stretch]:
    """Runs without those that begin while an earlier one runs down and make nothing louder."""
    kept: list[_Stretch] = []
    active = active_stretches(act) if len(runs) > 1 else []
    for run in runs:
        begun = run.first_s
        earlier = [
            k for k in kept if any(a < k.last_s and k.first_s < begun < b for a, b in active)
        ]
        if not earlier or soft.jump_db(act.time_s, act.level_db, begun) > _NO_JUMP_DB:
            kept.append(run)
    return kept


def _weight(act: Activity, s: _Stretch) -> float:
    """How much of the machine a stretch holds: its time, weighed by how far it stands out."""
    a, b = np.searchsorted(act.time_s, (s.first_s, s.last_s))
    return float(np.clip(act.share[a:b] - 0.4, 0.0, 1.0).sum()) + 1e-3 * float(b - a)


def _over_background(
    act: Activity, stretches: list[tuple[float, float]]
) -> list[tuple[float, float]]:
    """Starts moved to where the sound rises, where the same mains hummed before the run.

    A refrigerator hums on the same lines: a stretch of hum in which nothing
    else is heard is not the machine's.
    """
    kept = []
    active = active_stretches(act)
    for a, b in stretches:
        first = slice(*np.searchsorted(act.time_s, (a, min(a + 0.4, b))))
        if float(median(act.share[first])) < 0.25 and a < 0.3:
            inside = [s for s in active if s[0] < b and s[1] > a]
            if not inside:
                continue
            a = max(a, inside[0][0])
        if b - a >= 0.3:
            kept.append((a, b))
    return kept


def _describe(
    clip: Clip,
    machine: Machine,
    frames: Frames,
    comb: power.Comb,
    heard: bool,
    by_hum: bool,
    act: Activity,
    best: _Stretch,
    others: tuple[tuple[float, float], ...],
) -> Run:
    first, last = best.first_s, best.last_s
    top_hz = min(16000.0, 0.45 * frames.rate_hz)
    lines = tuple(2 * comb.mains_hz * k for k in power.HARMONICS)
    middle = first + 0.55 * (last - first)
    at_speed = None
    if best.on_s is not None:
        at_speed = _level_at_speed(act, first, last)
        if best.tones_s is not None and first + 0.05 < best.tones_s < middle + 0.5:
            at_speed = best.tones_s
    steady = (at_speed if at_speed is not None else first, last - 0.04)
    if steady[1] - steady[0] < 0.3:
        steady = (middle, last - 0.02)
    coast = None
    rest = None
    track = None
    if best.off_s is not None:
        faded = vanished(act, last)
        until = min(frames.duration_s, last + 2.5 * max(faded - last, 0.5) + 1.0)
        slide = ratio.slide_map(
            frames,
            steady_s=(max(steady[0], steady[1] - 4.0), steady[1]),
            span_s=(last - 0.1, until),
            top_hz=top_hz,
            group=max(1, round((until - last) / 1.4)),
            skip_hz=lines,
            sharp_below_hz=1500.0 if faded - last > 2.0 else 0.0,
            audible_until_s=faded,
        )
        slope = ratio.follow_down(
            slide, last, _decay(act, last, frames.duration_s), max(faded - last, 0.3)
        )
        if slope is not None:
            stop = slope.duration_s
            rest_at = last + stop
            rest = rest_at if rest_at <= frames.duration_s + 0.3 else None
            track = SpeedTrack(
                slope.time_s + clip.start_s,
                slope.share,
                np.full(slope.share.size, float(np.clip(slope.score / 12.0, 0.0, 1.0))),
            )
            half = np.flatnonzero(slope.share < 0.5)
            coast = CoastDown(
                stop,
                *slope.drag,
                half_speed_s=float(slope.time_s[half[0]] - last) if half.size else None,
                confidence=float(np.clip(slope.score / 12.0, 0.0, 1.0)),
                spread=slope.spread,
            )
    start = clip.start_s
    opened = closed = up_track = snaps = None
    if best.on_s is not None and at_speed is not None:
        snaps = clicks.snaps_of(frames)
        heard_click = clicks.lone(snaps, (first + 0.08, min(first + 2.5, last - 0.1)))
        if heard_click is not None and not _may_open(best, at_speed, heard_click[0]):
            heard_click = None
        if heard_click is not None:
            at_speed = max(at_speed, heard_click[0] + 0.05)
            at = float(np.interp(heard_click[0], [first, at_speed], [0.0, 1.0]))
            opened = SwitchEvent(heard_click[0] + start, at, heard_click[1])
        # the start of a capacitor motor is close to a straight line up to the last tenth
        up = (np.array([first, max(at_speed, first + 0.05)]), np.array([0.0, 1.0]))
        up_track = SpeedTrack(up[0] + start, up[1], np.full(2, 0.3))
    if best.off_s is not None and coast is not None and track is not None:
        heard_click = clicks.lone(
            snaps if snaps is not None else clicks.snaps_of(frames),
            (last + 0.08, last + 0.75 * coast.duration_s),
        )
        if heard_click is not None:
            at = float(np.interp(heard_click[0], track.time_s - start, track.share))
        if heard_click is not None and _CLOSES[0] < at < _CLOSES[1]:
            closed = SwitchEvent(heard_click[0] + start, at, heard_click[1])
    shaft = speed.find_shaft(
        frames,
        (max(steady[0], steady[1] - 6.0), steady[1]),
        mains_hz=comb.mains_hz,
        poles=machine.poles,
        top_hz=top_hz,
    )
    phases = {"steady": (steady[0] + start, steady[1] + start)}
    if best.on_s is not None:
        phases["room"] = (start, first + start)
        phases["run_up"] = (first + start, (at_speed or first) + start)
    if best.off_s is not None:
        end = rest if rest is not None else frames.duration_s
        phases["coast_down"] = (last + start, end + start)
        if end < frames.duration_s - 0.1:
            phases["rest"] = (end + start, frames.duration_s + start)

    def later(t: float | None) -> float | None:
        return None if t is None else t + start

    return Run(
        mains_hz=comb.mains_hz if heard else machine.mains_hz,
        mains_measured=heard,
        poles=machine.poles or (shaft.poles if shaft else None),
        power_on_s=later(best.on_s),
        at_speed_s=later(at_speed),
        power_off_s=later(best.off_s),
        rest_s=later(rest),
        shaft_hz=shaft.rate_hz
        if shaft and shaft.z >= speed.CLAIM_Z and shaft.margin >= speed.CLAIM_MARGIN
        else None,
        shaft_confidence=shaft.z if shaft else 0.0,
        shaft_guess_hz=shaft.rate_hz if shaft else None,
        half_rate_z=shaft.half_z if shaft else None,
        track=track,
        up_track=up_track,
        switch_open=opened,
        switch_close=closed,
        coast=coast,
        hum_share=_hum_share(act, frames, best),
        started=_turned(_started(act, best, by_hum), shaft, coast),
        sag_percent=sag_percent(frames, steady, comb.mains_hz, top_hz),
        others=others,
        ends_turning=best.off_s is not None and _heard_to_the_end(act, last),
        rotation_heard=coast is not None and coast.confidence > 0.4,
        phases=phases,
    )


def _may_open(best: _Stretch, at_speed_s: float, click_s: float) -> bool:
    """Whether the start switch can have opened at a time: well on the way up, not at full speed.

    Where the tones do not tell when full speed was reached, the level does not either: a
    winding that is switched off is what ends the loud start.
    """
    if best.on_s is None:
        return False
    if best.tones_s is not None and click_s > best.tones_s + 0.3:
        return False
    return click_s > best.on_s + _OPENS_AFTER * (at_speed_s - best.on_s)


def _decay(act: Activity, off_s: float, end_s: float) -> ratio.Decay | None:
    """How the machine's level falls after switch-off, over bands from 500 Hz to 8 kHz."""
    edges = band_edges(16000.0)
    middle = (edges[:-1] > 450.0) & (edges[1:] < 8500.0)
    t = act.time_s
    energy = 10 ** (act.level_db / 10)
    room = 10 ** (act.quiet_db / 10)
    start = (t > off_s + 0.04) & (t < off_s + 0.2)
    after = np.flatnonzero((t > off_s) & (t < end_s))
    if start.sum() < 4 or after.size < 12:
        return None
    begin = np.maximum(energy[start].mean(axis=0) - room, 1e-13)
    over = 10 * np.log10(begin / room)
    use = np.flatnonzero(middle & (over > 3.0))
    if use.size < 2:
        return None
    left = np.maximum(energy[np.ix_(after, use)] - room[use], 1e-13) / begin[use]
    floor = float(np.clip(-median(over[use]) + 1.0, -30.0, -3.0))
    level = np.maximum(10 * np.log10(median(left, axis=1) + 1e-6), floor)
    return ratio.Decay(t[after], level, floor)


def _hum_share(act: Activity, frames: Frames, best: _Stretch) -> float | None:
    """Share of the steady power that is gone within 0.2 s of switch-off."""
    if best.off_s is None:
        return None
    energy = 10 ** (act.level_db / 10)
    t = frames.time_s
    before = energy[(t > best.off_s - 0.45) & (t < best.off_s - 0.08)]
    after = energy[(t > best.off_s + 0.08) & (t < best.off_s + 0.22)]
    if len(before) < 5 or len(after) < 5:
        return None
    room = 10 ** (act.quiet_db / 10)
    had = float(np.maximum(before.mean(axis=0) - room, 0).sum())
    left = float(np.maximum(after.mean(axis=0) - room, 0).sum())
    return float(np.clip(1 - left / max(had, 1e-12), 0.0, 1.0))


#: A shaft this clear turned, whatever the levels say: of 109 training clips of motors that hummed
#: only, two reach it (one of them falls silent within the time below), of 66 that turned and were
#: taken for such, 49 do.
_TURNS_Z, _TURNS_S = 8.0, 0.45


def _turned(
    started: bool | None, shaft: speed.Shaft | None, coast: CoastDown | None
) -> bool | None:
    """What the levels say of the start, unless the lines of a shaft contradict it."""
    clear = shaft is not None and shaft.z >= _TURNS_Z
    if started is False and clear and coast is not None and coast.duration_s >= _TURNS_S:
        return True
    return started


def _started(act: Activity, best: _Stretch, by_hum: bool) -> bool | None:
    """False where only hum was heard: as loud from the first tenths on, and gone with the power.

    A motor that turns is louder or softer in its start than in its run, and
    takes more than half a second to fall silent.
    """
    if not by_hum or best.on_s is None:
        return None
    room = 10 ** (act.quiet_db / 10)

    def over_room(from_s: float, to_s: float) -> Floats | None:
        part = (act.time_s > from_s) & (act.time_s < to_s)
        if part.sum() < 4:
            return None
        level = median(10 ** (act.level_db[part] / 10), axis=0)
        return np.asarray(np.maximum(level - room, 0.03 * room))

    run = over_room(max(best.first_s + 0.3, best.last_s - 1.0), best.last_s - 0.05)
    if run is None:
        return None
    rise = 10 * np.log10(run / room + 1)
    clear = rise > 8.0
    if clear.sum() < 3:
        clear = rise > 5.0
    early = over_room(best.first_s + 0.1, best.first_s + 0.4)
    soon, later = (
        over_room(best.last_s + a, best.last_s + b) for a, b in ((0.3, 0.45), (0.5, 0.7))
    )
    if early is None or soon is None or later is None or not clear.any():
        return None
    if abs(float(median(10 * np.log10(run / early)[clear]))) > _EVEN_DB:
        return True

    def gone(after: Floats) -> float:
        return float(median((10 * np.log10(run / after) / np.maximum(rise, 1.0))[clear]))

    if gone(later) < 0.95:
        return True
    if clear.sum() >= 6:
        return gone(soon) < 0.7
    return None if vanished(act, best.last_s) - best.last_s > 0.4 else False
