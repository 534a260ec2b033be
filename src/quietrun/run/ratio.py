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

from quietrun.dsp.blocks import block_means
from quietrun.dsp.frames import Frames, fast_length
from quietrun.dsp.order import median

Floats = NDArray[np.float64]

LOG_STEP = 0.01  # raster of ln(frequency) and ln(share)
LOWEST_SHARE = 0.12
_LO_HZ = 140.0
_HI_HZ = 9000.0
_NEAR_ONE = 16  # slides of the steady speed itself, which a slow coast-down fills for long
_TOLL = 1.0  # gain a column must bring to be worth following: a free path picks up noise
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
    spread : standard error of the logarithm of ``duration_s``
    """

    duration_s: float
    drag: tuple[float, float, float]
    time_s: Floats
    share: Floats
    score: float
    spread: float


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


def _on_log_axis(bin_hz: float, level: NDArray[np.float32], axis: Floats) -> Floats:
    """Resample bins to the logarithmic axis by linear interpolation."""
    at = np.exp(axis) / bin_hz
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
    sharp_below_hz: float = 0.0,
    audible_until_s: float = np.inf,
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
    sharp_below_hz : Hz
        Below this, spectra over 0.17 s are used: for slow coast-downs.
    audible_until_s : s
        What keeps its frequency from the start of the span until then is the
        body's or the room's and is taken out.
    """
    axis = _log_axis(frames, top_hz)
    bin_hz = frames.freqs_hz[1]
    reached = slice(int(np.exp(axis[-1]) / bin_hz) + 2 + _SURROUND)  # bins the axis lies on
    first, last = frames.frame_at(span_s[0]), frames.frame_at(span_s[1]) + 1
    count = max(1, (last - first) // group)
    time = frames.time_s[first] + (np.arange(count) * group + (group - 1) / 2) * frames.hop_s
    a, b = frames.frame_at(steady_s[0]), frames.frame_at(steady_s[1]) + 1
    power = frames.power[first : first + count * group, reached]
    if power.shape[0] < count * group:
        count = power.shape[0] // group
        power, time = power[: count * group], time[:count]
    mean = power.reshape(count, group, -1).mean(axis=1)
    columns = _on_log_axis(bin_hz, prominence(mean), axis)
    hold = frames.power[a:b, reached].mean(axis=0, keepdims=True)
    pattern = _on_log_axis(bin_hz, _skip(prominence(hold), bin_hz, skip_hz), axis)[0]
    if sharp_below_hz > 0:
        low = axis < np.log(sharp_below_hz)
        bin_hz, sharp, hold = _sharp(frames, time, steady_s, sharp_below_hz * 1.3)
        columns[:, low] = _on_log_axis(bin_hz, prominence(sharp), axis[low])
        pattern[low] = _on_log_axis(bin_hz, _skip(prominence(hold), bin_hz, skip_hz), axis[low])[0]
    columns = np.clip(columns, -6.0, 15.0)
    audible = columns[: max(8, int(np.sum(time <= audible_until_s)))]
    fixed = median(audible, axis=0)
    columns = columns - fixed
    pattern = pattern - np.maximum(fixed, 0.0)
    pattern = np.clip(pattern, -1.0, 15.0)
    pattern -= pattern.mean()
    clarity = float(pattern.std())
    slides = int(-np.log(LOWEST_SHARE) / LOG_STEP)
    gain = _correlate(columns, pattern, slides)
    spread = median(np.abs(gain - median(gain))) * 1.4826 + 1e-9
    gain -= median(gain)
    gain[:, _NEAR_ONE:] -= median(gain[:, _NEAR_ONE:], axis=0)
    late = gain[int(0.6 * gain.shape[0]) :, :_NEAR_ONE]  # by then the speed is another one
    if late.shape[0] > 3:
        gain[:, :_NEAR_ONE] -= median(late, axis=0)
    share = np.exp(-LOG_STEP * np.arange(slides))
    return SlideMap(time, share, gain / spread, clarity)


def _skip(
    rise: NDArray[np.float32], bin_hz: float, lines: tuple[float, ...]
) -> NDArray[np.float32]:
    """Take rises on given lines out."""
    freqs = np.arange(rise.shape[1]) * bin_hz
    for line in lines:
        near = np.abs(freqs - line) < 1.6 * bin_hz
        rise[:, near] = np.minimum(rise[:, near], 0.0)
    return rise


def _sharp(
    frames: Frames, at_s: Floats, steady_s: tuple[float, float], top_hz: float
) -> tuple[float, NDArray[np.float32], NDArray[np.float32]]:
    """Power spectra over 0.17 s at given times, and their mean over the steady stretch.

    Four times finer than the shared frames, for slow coast-downs.

    Returns
    -------
    bin_hz : Hz
    at the times : shape (t, m)
    steady mean : shape (1, m)
    """
    by = max(1, int(frames.rate_hz / (5.0 * top_hz)))
    x = block_means(frames.samples, by)
    rate = frames.rate_hz / by
    size = fast_length(round(0.17 * rate))
    window = np.hanning(size + 1)[:-1].astype(np.float32)
    top = int(top_hz / (rate / size)) + 2
    view = np.lib.stride_tricks.sliding_window_view(x, size)

    def spectra(times: Floats) -> NDArray[np.float32]:
        start = np.clip(np.rint(times * rate - size / 2).astype(int), 0, view.shape[0] - 1)
        part = np.fft.rfft(view[start] * window, axis=1)[:, :top]
        return np.asarray(part.real**2 + part.imag**2, dtype=np.float32)

    hold = np.arange(steady_s[0] + 0.085, max(steady_s[1] - 0.08, steady_s[0] + 0.09), 0.085)
    return rate / size, spectra(at_s), spectra(hold).mean(axis=0, keepdims=True)


def _correlate(columns: Floats, pattern: Floats, slides: int) -> Floats:
    """Mean product of each column with the pattern slid down by 0..slides-1 steps.

    At slide s the pattern's value at ln f stands at ln f - s LOG_STEP; what
    slides out of the axis is left out and the mean runs over the rest.
    """
    u = pattern.size
    used = min(slides, u - 1)
    beyond = np.concatenate([pattern, np.zeros(used)])
    slid = np.lib.stride_tricks.sliding_window_view(beyond, u)[:used]
    kept = np.arange(u, u - used, -1)
    mean = np.cumsum(pattern[::-1])[::-1][:used] / kept
    bank = np.where(np.arange(u) < kept[:, None], slid - mean[:, None], 0.0)
    bank /= np.sqrt(np.sum(bank * bank, axis=1, keepdims=True)) + 1e-9
    gain = np.zeros((columns.shape[0], slides))
    gain[:, :used] = columns @ bank.T
    return gain


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


@dataclass(frozen=True, slots=True, eq=False)
class Decay:
    """Level of the machine over the coast-down, relative to just after switch-off.

    Attributes
    ----------
    time_s : shape (t,), s
    level_db : shape (t,), room taken off, held at ``floor_db``
    floor_db : below this the room rules
    """

    time_s: Floats
    level_db: Floats
    floor_db: float


#: Growth of level with speed, as exponents: rolling and rubbing to fan noise.
_EXPONENTS = (2.0, 3.0, 4.0, 5.0, 6.0)
_LEVEL_SPREAD_DB = 2.5
_LEVEL_EVERY_S = 0.12  # levels closer than this say the same thing
_FREE_TOLL = 2.0  # the best of 15 neighbours stands 1.7 spreads high by chance alone


def follow_down(
    slide: SlideMap, off_s: float, decay: Decay | None = None, audible_s: float = np.inf
) -> Slope | None:
    """Speed after ``off_s``: a law of motion, or a free path where no law explains the tones.

    Every law of a bank is weighed by the sliding pattern along its path and
    by how the level falls under it. A never-rising free path is found beside
    it by dynamic programming and kept where the tones are so clear that the
    law misses much of them.

    Nothing is followed beyond ``audible_s``, the time from switch-off at
    which the machine has sunk into the room.

    Returns None where the span is too short.
    """
    after = np.flatnonzero(slide.time_s >= off_s)
    if after.size < 8:
        return None
    time = slide.time_s[after] - off_s
    gain = np.clip(slide.gain[after], -2.0, 6.0)
    logs = np.log(slide.share)
    heard = max(8, int(np.sum(time <= audible_s + 0.15)))
    gain[heard:] = _LAW_TOLL  # beyond hearing there is nothing to win
    law = _likely_law(
        gain, time, logs, _relative(decay, off_s), min(audible_s, float(time[-1])), heard
    )
    share = law.share
    path, free_total = _free_path(gain[:heard] - _FREE_TOLL)
    used = share > LOWEST_SHARE
    score = law.gain / np.sqrt(max(1, int(used.sum())))
    moved = path.size >= 8 and path[-1] * LOG_STEP > 0.35
    if moved and free_total > 0.8 * law.gain and free_total > 2.0 * path.size:
        free = np.exp(-LOG_STEP * path)
        drag, _ = fit_drag_shares(time[: path.size], free)
        stop = max(law.duration_s, float(time[path.size - 1]))
        tail = np.interp(time[path.size :], [time[path.size - 1], stop], [free[-1], 0.0], right=0.0)
        clear = float(gain[np.arange(path.size), path].sum() / np.sqrt(path.size))
        return Slope(stop, drag, time + off_s, np.concatenate([free, tail]), clear, law.spread)
    if score > _CLEAR:
        share = _corridor(gain, share)
    return Slope(law.duration_s, law.drag, time + off_s, share, float(score), law.spread)


_CLEAR = 12.0
# Rest comes soon after the machine has sunk into the room, the sooner the further it stood over
# it: median and spread of ln(rest / audible) over training clips of all four sound models, 30 dB
# over the room, and more for each dB less.
_TO_REST = (0.07, 0.008)
_TO_REST_SPREAD = (0.08, 0.004)
_LAW_TOLL = 0.4  # what a law pays a column
_GAIN_NATS = 0.3  # a column's gain in nats: neighbours share tones and the frames overlap


def _relative(decay: Decay | None, off_s: float) -> Decay | None:
    """The decay after ``off_s``, thinned to at most 40 points, on time from ``off_s``."""
    if decay is None:
        return None
    use = np.flatnonzero(decay.time_s > off_s + 0.05)
    if use.size < 8:
        return None
    step = max(1, use.size // 40)
    use = use[: use.size // step * step]
    mean = decay.level_db[use].reshape(-1, step).mean(axis=1)
    when = decay.time_s[use].reshape(-1, step).mean(axis=1) - off_s
    return Decay(when, mean, decay.floor_db)


def _level_penalty(share: Floats, decay: Decay) -> Floats:
    """Squared misfit of the level under each path, in nats, best exponent each.

    share : shape (..., t) on ``decay.time_s``
    """
    fall = 10.0 * np.log10(np.maximum(share, 1e-3))
    spacing = float(decay.time_s[1] - decay.time_s[0]) if decay.time_s.size > 1 else 0.1
    weight = min(1.0, spacing / _LEVEL_EVERY_S) / (2 * _LEVEL_SPREAD_DB**2)
    best = np.full(share.shape[:-1], np.inf)
    for exponent in _EXPONENTS:
        misfit = np.maximum(exponent * fall, decay.floor_db)
        misfit -= decay.level_db
        misfit *= misfit
        best = np.minimum(best, np.minimum(misfit, 100.0, out=misfit).sum(axis=-1))
    return best * weight


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
    path, _ = _free_path(np.clip(slide.gain[columns], -2.0, 6.0) - _TOLL)
    time = slide.time_s[columns][: path.size][::-1]
    share = np.exp(-LOG_STEP * path[::-1].astype(np.float64))
    return np.concatenate(([on_s], time)), np.concatenate(([0.0], share))


@dataclass(frozen=True, slots=True, eq=False)
class _Law:
    """A law of motion: its path, drag, stop time, the spread of its logarithm, total gain."""

    share: Floats
    drag: tuple[float, float, float]
    duration_s: float
    spread: float
    gain: float


def _likely_law(
    gain: Floats,
    time: Floats,
    logs: Floats,
    decay: Decay | None,
    audible_s: float,
    heard: int,
) -> _Law:
    """Likely stop time over all curves of the bank, and the curve that fits best with it.

    Columns from ``heard`` on win a law nothing, and are not looked at.
    """
    tau, w = motion_curves(COAST_SHAPES)
    short_db = 30.0 + decay.floor_db if decay is not None else 15.0
    rest = np.log(audible_s) + _TO_REST[0] + _TO_REST[1] * short_db
    width = _TO_REST_SPREAD[0] + _TO_REST_SPREAD[1] * short_db

    def likely(logs_s: Floats) -> tuple[Floats, float, float]:
        nats = _law_scores(gain[:heard], time[:heard], logs, decay, tau, w, np.exp(logs_s))
        nats -= 0.5 * ((logs_s - rest) / width) ** 2
        chance = np.exp(nats - nats.max()).sum(axis=0)
        chance /= chance.sum()
        middle = float(chance @ logs_s)
        return nats, middle, float(np.sqrt(chance @ (logs_s - middle) ** 2))

    grid = rest + np.arange(-0.9, 0.95, 0.06)
    nats, middle, spread = likely(grid)
    if spread < 0.1:  # narrow beside the grid
        grid = middle + np.linspace(-0.2, 0.2, 27)
        nats, middle, spread = likely(grid)
    duration = float(np.exp(middle))
    i = int(np.argmax(nats[:, int(np.argmin(np.abs(grid - middle)))]))
    share = np.interp(time / duration, tau[i], w, right=0.0)
    total = float(_along(gain, share[None], logs)[0])
    return _Law(share, COAST_SHAPES[i], duration, spread, total)


def _law_scores(
    gain: Floats,
    time: Floats,
    logs: Floats,
    decay: Decay | None,
    tau: Floats,
    w: Floats,
    durations: Floats,
) -> Floats:
    """Log-likelihood of each shape at each duration, from the tones and the level.

    Returns
    -------
    shape (shapes, durations)
    """

    def shares(at_s: Floats) -> Floats:
        part = at_s / durations[:, None]
        return np.array([np.interp(part, row, w, right=0.0) for row in tau])

    total = _GAIN_NATS * _along(gain - _LAW_TOLL, shares(time), logs)
    if decay is not None:
        total -= _level_penalty(shares(decay.time_s), decay)
    return total


def _corridor(gain: Floats, law_share: Floats) -> Floats:
    """The free path within ``_CORRIDOR`` slides of a law: real machines are not quite lawful."""
    slide = np.rint(-np.log(np.maximum(law_share, 1e-6)) / LOG_STEP).astype(int)
    count = int(np.sum(slide < gain.shape[1]))
    if count < 6:
        return law_share
    away = np.abs(np.arange(gain.shape[1])[None, :] - slide[:count, None])
    held = np.where(away <= _CORRIDOR, gain[:count], -8.0)
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
    view = np.lib.stride_tricks.sliding_window_view(padded, wide)
    every = np.arange(slides)
    best = float(totals[0])
    for t in range(1, count):
        padded[_MOST_STEPS:] = score
        came = view.argmax(axis=1)
        back[t] = _MOST_STEPS - came
        score = padded[every + came] + gain[t]
        totals[t] = top = float(score.max())
        if top > best:
            best, best_state = top, int(np.argmax(score))
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
    """Sum of ``gain`` along paths; where they are below the lowest share they add 0.

    Parameters
    ----------
    gain : shape (t, s)
    share : shape (..., t)
    logs : shape (s,)

    Returns
    -------
    shape (...)
    """
    index = np.rint(np.log(np.maximum(share, 1e-6)) / -LOG_STEP).astype(np.intp)
    beyond = index >= logs.size
    index += np.arange(0, gain.size, gain.shape[1])
    picked = np.take(gain, index, mode="clip")
    picked[beyond] = 0.0
    return np.asarray(picked.sum(axis=-1))
