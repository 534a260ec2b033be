"""Power: when the line-locked sound comes and goes.

The force between stator and rotor pulls twice a mains period, so a powered
motor hums at twice the mains frequency and its multiples, from the instant
of switch-on to the instant of switch-off, at whatever speed the rotor is.
Nothing else in a shop starts and stops with all of these lines at once.

What is followed is not the level of a line but its *coherence*: the share of
the sound within ``HALF_BAND_HZ`` of a line that is a steady tone exactly on
it. It does not care about gain riding, and it is low for noise, speech and
tones that sweep through.

Conventions
-----------
Times are seconds from the first sample of the frames.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.frames import Frames, slice_signal
from quietrun.dsp.order import median, quantile

Floats = NDArray[np.float64]

HARMONICS = tuple(range(1, 13))
OWN_LINES = 4  # the fifth of 60 Hz mains is the sixth of 50 Hz
MOST_RISE_DB = 20.0
HALF_BAND_HZ = 24.0
WINDOW_S = 0.20
RASTER_S = 0.02
MAINS_SPAN = 0.006  # the grid holds within 0.5 %, a recorder's clock within 0.01 %
_GRID_HZ = 0.02
_MAINS_SPREAD_HZ = 0.06  # of a large grid from its nominal frequency; from memory
_DB_A_NAT = 4.34  # a rise of so many dB of noise power comes by chance once in e times
_NOISE_LOGIT = -1.7  # coherence of noise in this band and window: mean logit and spread,
_NOISE_SPREAD = 1.25  # simulated (tests/test_run_power.py holds both)
_ON_SPREAD = 1.0
_ROOM_FRAMES = 15  # of RASTER_S: 0.3 s of room tell whether a line is the room's own
_SWITCH_COST = 14.0  # nats for a change of state: about 4 frames of one clear line


@dataclass(frozen=True, slots=True)
class Comb:
    """A mains frequency and how far its comb stands out.

    Attributes
    ----------
    mains_hz : Hz
    salience_db : mean rise of the lines over their floor, each held to 0..20 dB
    rises_db : rise of each harmonic over its floor, dB
    """

    mains_hz: float
    salience_db: float
    rises_db: tuple[float, ...]

    @property
    def own_db(self) -> float:
        """Mean rise of the lowest four lines, 0..20 dB; mains of 50 and of 60 Hz share none."""
        low = self.rises_db[:OWN_LINES]
        return sum(min(max(rise, 0.0), MOST_RISE_DB) for rise in low) / max(1, len(low))


@dataclass(frozen=True, slots=True, eq=False)
class Hum:
    """Evidence for power, frame by frame.

    Attributes
    ----------
    time_s : shape (t,)
    log_odds : shape (t,)
        For powered against not powered, nats a frame of ``RASTER_S``.
    strength : float
        Typical log-odds a frame while powered; below 1 the hum is not usable.
    """

    time_s: Floats
    log_odds: Floats
    strength: float


def _smoothed_power(frames: Frames, top_hz: float) -> tuple[Floats, float]:
    """Power of the long transform up to ``top_hz``, smoothed over about 0.25 Hz."""
    step = frames.rate_hz / frames.padded
    count = min(frames.spectrum.size, int(top_hz / step) + 1)
    part = frames.spectrum[:count]
    power = (part.real.astype(np.float64) ** 2) + part.imag.astype(np.float64) ** 2
    width = max(1, round(0.25 / step))
    if width > 1:
        kernel = np.hanning(width + 2)[1:-1]
        power = np.convolve(power, kernel / kernel.sum(), mode="same")
    return power, step


def _floor(power: Floats, step: float, centres: Floats) -> Floats:
    """Median power 2 to 9 Hz away from each centre, both sides."""
    away = np.concatenate([np.arange(-9.0, -2.0, 0.25), np.arange(2.0, 9.25, 0.25)])
    index = np.rint((centres[:, None] + away) / step).astype(int)
    return np.asarray(median(power[np.clip(index, 0, power.size - 1)], axis=1) + 1e-30)


def find_comb(frames: Frames, nominal_hz: float) -> Comb:
    """Mains frequency near a nominal one at which the comb of 2 f k stands out most.

    A motor's own lines lie at 2 f k (1 - slip), a few tenths of a hertz under
    these, and may be the clearer comb: how far grids stray counts beside the rise.

    Parameters
    ----------
    frames : Frames
    nominal_hz : Hz, 50 or 60

    Returns
    -------
    Comb
    """
    order = np.array([k for k in HARMONICS if 2 * nominal_hz * k < 0.45 * frames.rate_hz])
    if order.size == 0:
        return Comb(nominal_hz, 0.0, ())
    power, step = _smoothed_power(frames, 2 * nominal_hz * (order[-1] + 1))
    grid = np.arange(1 - MAINS_SPAN, 1 + MAINS_SPAN, _GRID_HZ / (2 * nominal_hz))
    floor = _floor(power, step, 2.0 * nominal_hz * order)
    index = np.rint(2 * nominal_hz * grid[:, None] * order / step).astype(int)
    found = power[np.clip(index, 0, power.size - 1)]
    rise = 10 * np.log10(found / floor + 1e-12)
    # 70 dB under the strongest line nothing is hum: skirts of a cut tone, rounding of the file
    rise = np.where(found > 1e-7 * float(power.max()), rise, 0.0)
    score = np.clip(rise, 0.0, MOST_RISE_DB).mean(axis=1)
    stray = 0.5 * (nominal_hz * (grid - 1.0) / _MAINS_SPREAD_HZ) ** 2
    best = int(np.argmax(score * order.size / _DB_A_NAT - stray))
    return Comb(
        float(nominal_hz * grid[best]), float(score[best]), tuple(float(r) for r in rise[best])
    )


def coherence(frames: Frames, line_hz: float, at_s: Floats) -> Floats:
    """Share of the sound near a line that is a steady tone on it, 0..1; see ``line_tone``."""
    return line_tone(frames, line_hz, at_s)[0]


def line_tone(frames: Frames, line_hz: float, at_s: Floats) -> tuple[Floats, Floats]:
    """Coherence and level of a steady tone on a line.

    Parameters
    ----------
    frames : Frames
    line_hz : Hz
    at_s : shape (t,), s

    Returns
    -------
    share : shape (t,), 0..1
        Share of the sound within ``HALF_BAND_HZ`` that is a steady tone on the line.
    level_db : shape (t,), dB FS
        Level of that tone.
    """
    lo = max(line_hz - HALF_BAND_HZ, 1.0)
    z, rate = slice_signal(frames, lo, line_hz + HALF_BAND_HZ, taper=0.2)
    if z.size < 8:
        return np.zeros(at_s.size), np.full(at_s.size, -150.0)
    step = frames.rate_hz / frames.padded
    offset = line_hz - round(lo / step) * step
    time = np.arange(z.size) / rate
    wave = z * np.exp(-2j * np.pi * offset * time)
    window = np.hanning(max(3, round(WINDOW_S * rate)) + 2)[1:-1]
    window /= window.sum()
    tone = np.abs(_same(wave, window)) ** 2
    total = _same(np.abs(z).astype(np.float64) ** 2, window).real
    share = np.interp(at_s, time, np.clip(tone / (total + 1e-15), 0.0, 1.0))
    return share, 10 * np.log10(np.interp(at_s, time, tone) + 1e-15)


def _same(x: NDArray[np.complex128] | Floats, kernel: Floats) -> NDArray[np.complex128]:
    """Convolution of the length of ``x`` also where the kernel is longer."""
    full = np.convolve(x, kernel)
    start = (kernel.size - 1) // 2
    return np.asarray(full[start : start + x.size])


def _logit(share: Floats) -> Floats:
    held = np.clip(share, 0.02, 0.99)
    return np.asarray(np.log(held / (1 - held)))


def line_log_odds(share: Floats, level_db: Floats, room: NDArray[np.bool_] | None = None) -> Floats:
    """Log-odds a frame that a line is there, from its coherence and level; 0 for a useless line.

    Two normal laws on the logit of the coherence, the line's own upper
    quartile standing for "there"; held to +-4 so that no frame decides alone.
    A line that never leaves (a refrigerator hums on the same mains) is judged
    by its level instead. Where ``room`` marks frames in which nothing but the
    room sounds and the line is there too, only what rises over it counts.
    """
    u = _logit(share)
    if u.size < 20:
        return np.zeros(u.size)
    if room is not None and room.sum() >= _ROOM_FRAMES and float(median(u[room])) > -0.3:
        background = float(quantile(level_db[room], 0.8))
        if float(quantile(level_db, 0.95)) < background + 3.0:
            return np.zeros(u.size)
        over = level_db > background + 3.0
        if over.sum() < 10:
            return np.zeros(u.size)
        return np.asarray(np.where(over, _by_coherence(u, level_db, over), -2.0))
    if float(quantile(u, 0.15)) > 0.0:
        return _by_level(level_db)
    return _by_coherence(u, level_db, np.ones(u.size, dtype=bool))


def _by_coherence(u: Floats, level_db: Floats, use: NDArray[np.bool_]) -> Floats:
    """Log-odds from the logit of the coherence; ``use`` marks the frames that may set the scale."""
    on = float(quantile(u[use], 0.75))
    if on < _NOISE_LOGIT + 1.5:
        on = float(quantile(u[use], 0.9))
    if on < 0.2:
        return np.zeros(u.size)
    off = (u - _NOISE_LOGIT) ** 2 / (2 * _NOISE_SPREAD**2) + np.log(_NOISE_SPREAD)
    powered = np.minimum(u - on, 0.0) ** 2 / (2 * _ON_SPREAD**2) + np.log(_ON_SPREAD)
    odds = np.clip(off - powered, -4.0, 4.0)
    clear = use & (u > on - 1.0)
    there = float(median(level_db[clear])) if clear.any() else 0.0
    return np.asarray(np.where(level_db < there - 9.0, np.minimum(odds, -1.0), odds))


def _by_level(level_db: Floats) -> Floats:
    """Log-odds of the higher of two levels of a line; 0 where there are not two.

    The split is the one that leaves the least spread within both parts.
    """
    ordered = np.sort(level_db)
    size = ordered.size
    cut = np.arange(max(3, size // 12), size - max(3, size // 12))
    total, squares = np.cumsum(ordered), np.cumsum(ordered**2)
    low, high = total[cut - 1] / cut, (total[-1] - total[cut - 1]) / (size - cut)
    within = (squares[-1] - cut * low**2 - (size - cut) * high**2) / size
    best = int(np.argmin(within))
    apart = float(high[best] - low[best])
    spread = max(1.0, float(np.sqrt(max(within[best], 0.0))))
    if apart < max(3.0, 2.5 * spread):
        return np.zeros(size)
    middle = 0.5 * float(high[best] + low[best])
    return np.asarray(np.clip((level_db - middle) * apart / spread**2 / 4.0, -3.0, 3.0))


def hum(frames: Frames, comb: Comb, room: NDArray[np.bool_] | None = None) -> Hum:
    """Gather the lines of a comb into one log-odds track.

    Parameters
    ----------
    frames : Frames
    comb : Comb
    room : bool array, shape (k,), optional
        Marks the frames of ``frames.time_s`` in which nothing but the room sounds.
    """
    at = np.arange(0.5 * RASTER_S, frames.duration_s, RASTER_S)
    total = np.zeros(at.size)
    still = None
    if room is not None and room.any():
        still = np.interp(at, frames.time_s, room.astype(np.float64)) > 0.99
    for k, rise in zip(HARMONICS, comb.rises_db, strict=False):
        if rise < 6.0:
            continue
        total += line_log_odds(*line_tone(frames, 2 * comb.mains_hz * k, at), still)
    positive = total[total > 0]
    return Hum(at, total, float(median(positive)) if positive.size > 20 else 0.0)


def powered_stretches(log_odds: Floats, *, cost: float = _SWITCH_COST) -> list[tuple[int, int]]:
    """Most likely powered stretches of a log-odds track (two-state Viterbi path).

    A frame's overlap with its neighbours is allowed for by dividing the odds
    by the number of raster steps a window spans.

    Returns
    -------
    list of (first, past-the-last) indices
    """
    odds = log_odds / (WINDOW_S / RASTER_S / 2)
    best_off, best_on = 0.0, 0.0
    came: list[tuple[bool, bool]] = []  # whether off came from on, and on from off
    for gain in odds.tolist():
        from_on, from_off = best_on - cost / 2, best_off - cost / 2
        rose, fell = from_off > best_on, from_on > best_off
        came.append((fell, rose))
        best_off, best_on = from_on if fell else best_off, (from_off if rose else best_on) + gain
    on = best_on > best_off
    states = [0]  # from the end back
    for changed in reversed(came):
        states.append(int(on))
        if changed[on]:
            on = not on
    edges = np.flatnonzero(np.diff(states[::-1], prepend=0))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
