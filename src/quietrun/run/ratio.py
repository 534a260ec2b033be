"""Speed against time as a share of the steady speed, from every tone that follows the shaft.

All tones that a shaft makes keep their ratios when it slows down: on a
logarithmic frequency axis the whole pattern of the steady run slides. The
pattern is correlated with every frame of the coast-down (or run-up) at every
slide; the path through that map is a physical law of motion with few
parameters, so that a faint pattern is enough.

Conventions
-----------
``share`` is w / w_steady. Times are seconds from the first sample.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.frames import Frames

Floats = NDArray[np.float64]

LOG_STEP = 0.01  # raster of ln(frequency) and ln(share)
LOWEST_SHARE = 0.12
_LO_HZ = 140.0
_HI_HZ = 9000.0
_NEAR_ONE = 16  # slides of the steady speed itself, which a slow coast-down fills for long
_TOLL = 1.0  # gain a column must bring to be worth following: a free path picks up noise
_LAW_KEEPS = 0.7
_CORRIDOR = 14
_MOST_STEPS = 14
_SURROUND = 8  # bins each side whose mean level is the surroundings


@dataclass(frozen=True, slots=True, eq=False)
class SlideMap:
    """Likeness of each frame to the steady pattern slid down by each share.

    Attributes
    ----------
    time_s : shape (t,)
    share : shape (s,), falling from 1
    gain : shape (t, s)
        Correlation in units of its own spread over frames without the machine.
    clarity : float
        How marked the steady pattern is, dB (spread of its prominence).
    """

    time_s: Floats
    share: Floats
    gain: Floats
    clarity: float


@dataclass(frozen=True, slots=True, eq=False)
class Slope:
    """A law of motion fitted to a slide map.

    Attributes
    ----------
    duration_s : from the first to the last instant of motion, s
    drag : (coulomb, viscous, windage) shares at the steady speed
    time_s, share : shape (k,), the path
    score : total gain along the path over its own spread by chance (z value)
    """

    duration_s: float
    drag: tuple[float, float, float]
    time_s: Floats
    share: Floats
    score: float


def prominence(power: NDArray[np.float32]) -> NDArray[np.float32]:
    """Level of each bin over the mean level of its surroundings, dB, same shape."""
    level = 10.0 * np.log10(power + np.float32(1e-13))
    width = 2 * _SURROUND + 1
    padded = np.pad(level, ((0, 0), (_SURROUND + 1, _SURROUND)), mode="edge")
    total = np.cumsum(padded, axis=1, dtype=np.float64)
    around = (total[:, width:] - total[:, :-width]) / width
    return np.asarray(level - around, dtype=np.float32)


def _log_axis(frames: Frames, top_hz: float) -> Floats:
    top = min(_HI_HZ, top_hz, frames.freqs_hz[-1] * 0.95)
    return np.asarray(np.arange(np.log(_LO_HZ), np.log(max(top, 2 * _LO_HZ)), LOG_STEP))


def _on_log_axis(frames: Frames, level: NDArray[np.float32], axis: Floats) -> Floats:
    """Resample bins to the logarithmic axis by linear interpolation."""
    at = np.exp(axis) / frames.freqs_hz[1]
    low = np.clip(at.astype(int), 0, level.shape[1] - 2)
    part = (at - low).astype(np.float32)
    return np.asarray(level[:, low] * (1 - part) + level[:, low + 1] * part, dtype=np.float64)


def slide_map(
    frames: Frames,
    *,
    steady_s: tuple[float, float],
    span_s: tuple[float, float],
    top_hz: float,
    group: int = 2,
    skip_hz: tuple[float, ...] = (),
) -> SlideMap:
    """Correlate the steady pattern with each frame of a span at each slide.

    Parameters
    ----------
    frames : Frames
    steady_s : (from, to), s
        Stretch whose mean spectrum is the pattern.
    span_s : (from, to), s
        Stretch to be explained.
    top_hz : Hz
        Upper edge of the band in use.
    group : int
        Frames averaged into one column.
    skip_hz : tuple of Hz
        Lines left out of the pattern (the electrical ones).
    """
    axis = _log_axis(frames, top_hz)
    a, b = frames.frame_at(steady_s[0]), frames.frame_at(steady_s[1]) + 1
    pattern_power = frames.power[a:b].mean(axis=0, keepdims=True)
    rise = prominence(pattern_power)
    bin_hz = frames.freqs_hz[1]
    for line in skip_hz:
        near = np.abs(frames.freqs_hz - line) < 1.6 * bin_hz
        rise[0, near] = np.minimum(rise[0, near], 0.0)
    pattern = _on_log_axis(frames, rise, axis)[0]
    pattern = np.clip(pattern, -3.0, 15.0)
    pattern -= pattern.mean()
    clarity = float(pattern.std())
    first, last = frames.frame_at(span_s[0]), frames.frame_at(span_s[1]) + 1
    count = max(1, (last - first) // group)
    power = frames.power[first : first + count * group]
    if group > 1 and power.shape[0] == count * group:
        power = power.reshape(count, group, -1).mean(axis=1)
    columns = np.clip(_on_log_axis(frames, prominence(power), axis), -6.0, 15.0)
    slides = int(-np.log(LOWEST_SHARE) / LOG_STEP)
    time = frames.time_s[first] + (np.arange(power.shape[0]) * group + (group - 1) / 2) * (
        frames.hop_s
    )
    gain = _correlate(columns, pattern, slides)
    spread = np.median(np.abs(gain - np.median(gain))) * 1.4826 + 1e-9
    gain -= np.median(gain)
    gain[:, _NEAR_ONE:] -= np.median(gain[:, _NEAR_ONE:], axis=0)
    share = np.exp(-LOG_STEP * np.arange(slides))
    return SlideMap(time, share, gain / spread, clarity)


def _correlate(columns: Floats, pattern: Floats, slides: int) -> Floats:
    """Mean product of each column with the pattern slid down by 0..slides-1 steps.

    At slide s the pattern's value at ln f stands at ln f - s LOG_STEP; what
    slides out of the axis is left out and the mean runs over the rest.
    """
    u = pattern.size
    bank = np.zeros((u, slides))
    for s in range(min(slides, u - 1)):
        kept = pattern[s:]
        kept = kept - kept.mean()
        size = float(np.sqrt(np.sum(kept**2))) + 1e-9
        bank[: u - s, s] = kept / size
    return np.asarray(columns @ bank)


def motion_curves(
    shares: tuple[tuple[float, float, float], ...], points: int = 200
) -> tuple[Floats, Floats]:
    """Falling curves of dw/dt = -(a + b w + c w^2), from w = 1 to rest, in units of the stop time.

    Parameters
    ----------
    shares : tuple of (a, b, c)
    points : raster of w

    Returns
    -------
    tau : shape (curves, points), 0 at w = 1 to 1 at rest
    w : shape (points,), falling from 1 to 0
    """
    w = np.linspace(1.0, 0.0, points)
    rows = []
    for a, b, c in shares:
        slow = 1.0 / (a + b * w + c * w * w)
        t = np.concatenate(([0.0], np.cumsum(0.5 * (slow[1:] + slow[:-1]))))
        rows.append(t / t[-1])
    return np.array(rows), w


#: Shapes tried for a coast-down: (coulomb, viscous, windage) shares at the steady speed.
COAST_SHAPES = tuple(
    (a, (1 - a) * v, (1 - a) * (1 - v))
    for a in (1.0, 0.7, 0.5, 0.35, 0.25, 0.15, 0.08, 0.04)
    for v in ((0.0, 0.5, 1.0) if a < 1 else (0.5,))
)


def follow_down(slide: SlideMap, off_s: float) -> Slope | None:
    """Speed after ``off_s``: the best never-rising path, then the law of motion through it.

    The path is found by dynamic programming and by a bank of laws of motion;
    the law is kept where it explains nearly as much as the free path, since
    a faint pattern lets the free path run after noise.

    Returns None where the span is too short or nothing follows the shaft.
    """
    after = np.flatnonzero(slide.time_s >= off_s)
    if after.size < 8:
        return None
    time = slide.time_s[after] - off_s
    gain = np.clip(slide.gain[after], -2.0, 6.0) - _TOLL
    logs = np.log(slide.share)
    law_share, law_drag, law_stop, law_total = _best_law(gain, time, logs)
    path, free_total = _free_path(gain)
    if law_total >= _LAW_KEEPS * free_total or path.size < 6:
        used = law_share > LOWEST_SHARE
        score = law_total / np.sqrt(max(1, int(used.sum())))
        near = _corridor(gain, law_share)
        return Slope(law_stop, law_drag, time + off_s, near, float(score))
    share = np.exp(-LOG_STEP * path)
    drag, stop = fit_drag_shares(time[: path.size], share)
    tail = np.interp(time[path.size :], [time[path.size - 1], stop], [share[-1], 0.0], right=0.0)
    score = free_total / np.sqrt(path.size)
    return Slope(stop, drag, time + off_s, np.concatenate([share, tail]), float(score))


def follow_up(slide: SlideMap, on_s: float, at_speed_s: float) -> tuple[Floats, Floats] | None:
    """Speed share between switch-on and full speed: the best never-falling path.

    Found backwards from full speed; below the lowest share that can be
    followed it is drawn straight down to standstill at ``on_s``.

    Returns
    -------
    (time_s, share) : shape (k,), or None where the run-up is too quick to follow
    """
    columns = np.flatnonzero((slide.time_s > on_s) & (slide.time_s <= at_speed_s + 0.02))[::-1]
    if columns.size < 5:
        return None
    path, _ = _free_path(np.clip(slide.gain[columns], -2.0, 6.0) - 0.5 * _TOLL)
    time = slide.time_s[columns][: path.size][::-1]
    share = np.exp(-LOG_STEP * path[::-1].astype(np.float64))
    return np.concatenate(([on_s], time)), np.concatenate(([0.0], share))


def _best_law(
    gain: Floats, time: Floats, logs: Floats
) -> tuple[Floats, tuple[float, float, float], float, float]:
    """Best curve of the bank: its share at each time, drag, stop time and total gain."""
    durations = np.exp(np.arange(np.log(0.3), np.log(45.0), 0.05))
    tau, w = motion_curves(COAST_SHAPES)
    best = (-np.inf, 0, 1.0)
    for i in range(tau.shape[0]):
        share = np.interp(time[None, :] / durations[:, None], tau[i], w, right=0.0)
        total = _along(gain, share, logs)
        j = int(np.argmax(total))
        if total[j] > best[0]:
            best = (float(total[j]), i, float(durations[j]))
    _, i, near = best
    fine = near * np.exp(np.linspace(-0.05, 0.05, 11))
    share = np.interp(time[None, :] / fine[:, None], tau[i], w, right=0.0)
    total = _along(gain, share, logs)
    k = int(np.argmax(total))
    return share[k], COAST_SHAPES[i], float(fine[k]), float(total[k])


def _corridor(gain: Floats, law_share: Floats) -> Floats:
    """The free path within ``_CORRIDOR`` slides of a law: real machines are not quite lawful."""
    slide = np.rint(-np.log(np.maximum(law_share, 1e-6)) / LOG_STEP).astype(int)
    count = int(np.sum(slide < gain.shape[1]))
    if count < 6:
        return law_share
    away = np.abs(np.arange(gain.shape[1])[None, :] - slide[:count, None])
    held = np.where(away <= _CORRIDOR, gain[:count] + _TOLL, -8.0)
    path, _ = _free_path(held)
    share = law_share.copy()
    share[: path.size] = np.exp(-LOG_STEP * path)
    return share


def _free_path(gain: Floats) -> tuple[NDArray[np.int64], float]:
    """Never-rising path of the largest total gain from slide 0, and where it ends best.

    gain : shape (t, s). The path starts within the first 0.12 of ln(share)
    and may fall by up to ``_MOST_STEPS`` slides a column.
    """
    count, slides = gain.shape
    wide = _MOST_STEPS + 1
    score = np.full(slides, -np.inf)
    score[:12] = gain[0, :12]
    back = np.zeros((count, slides), dtype=np.int16)
    totals = np.empty(count)
    totals[0] = score.max()
    padded = np.full(slides + _MOST_STEPS, -np.inf)
    for t in range(1, count):
        padded[_MOST_STEPS:] = score
        view = np.lib.stride_tricks.sliding_window_view(padded, wide)
        came = view.argmax(axis=1)
        back[t] = _MOST_STEPS - came
        score = view[np.arange(slides), came] + gain[t]
        totals[t] = score.max()
        if t == int(np.argmax(totals[: t + 1])):
            best_state = int(np.argmax(score))
    end = int(np.argmax(totals))
    if end == 0:
        return np.zeros(1, dtype=np.int64), float(totals[0])
    path = np.empty(end + 1, dtype=np.int64)
    path[end] = best_state
    for t in range(end, 0, -1):
        path[t - 1] = path[t] - back[t, path[t]]
    return path, float(totals[end])


def fit_drag_shares(time_s: Floats, share: Floats) -> tuple[tuple[float, float, float], float]:
    """Non-negative a, b, c of dw/dt = -(a + b w + c w^2) through a falling curve.

    Solved on the integrated equation w(0) - w(t) = a t + b int w + c int w^2,
    by least squares over all subsets of the three terms (closed form).

    Returns
    -------
    drag : (coulomb, viscous, windage) shares at w = 1
    stop_s : time from ``time_s[0] = 0`` to rest, extrapolated beyond the curve
    """
    dt = np.diff(time_s)
    first = np.concatenate(([0.0], np.cumsum(0.5 * (share[1:] + share[:-1]) * dt)))
    square = share * share
    second = np.concatenate(([0.0], np.cumsum(0.5 * (square[1:] + square[:-1]) * dt)))
    terms = np.stack([time_s - time_s[0], first, second], axis=1)
    fall = 1.0 - share
    best = (np.inf, np.array([1.0 / max(float(time_s[-1]), 0.1), 0.0, 0.0]))
    for mask in range(1, 8):
        use = [i for i in range(3) if mask >> i & 1]
        got, *_ = np.linalg.lstsq(terms[:, use], fall, rcond=None)
        if (got < 0).any():
            continue
        error = float(np.sum((terms[:, use] @ got - fall) ** 2)) * (1 + 0.05 * len(use))
        if error < best[0]:
            full = np.zeros(3)
            full[use] = got
            best = (error, full)
    a, b, c = best[1]
    a = max(a, 0.03 * (a + b + c), 1e-3)
    w = np.linspace(float(share[-1]), 0.0, 100)
    slow = 1.0 / (a + b * w + c * w * w)
    rest = float(np.sum(0.5 * (slow[1:] + slow[:-1]))) * float(w[0] - w[1])
    total = a + b + c
    return (float(a / total), float(b / total), float(c / total)), float(time_s[-1]) + rest


def _along(gain: Floats, share: Floats, logs: Floats) -> Floats:
    """Sum of ``gain`` along paths. share: (curves, t); paths below the lowest share add 0."""
    index = np.rint(-np.log(np.maximum(share, 1e-6)) / LOG_STEP).astype(int)
    inside = index < logs.size
    t = np.arange(gain.shape[0])
    picked = gain[t[None, :], np.minimum(index, logs.size - 1)]
    return np.asarray(np.where(inside, picked, 0.0).sum(axis=1))
