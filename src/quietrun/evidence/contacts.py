"""When the burrs touch in a clip recorded while they are brought together.

The machine runs at speed, burrs backed off, and its sound stands still; then the faces touch.
Looked for is a sudden rise of some third octaves from 1 kHz up: the mean level 0.08 to 0.24 s
after a moment against 0.06 to 0.46 s before it, in the three clearest bands, in dB and in
standard deviations of the level before. Talk and knocks on the table rise below 1 kHz too;
metal faces hardly do. Thresholds were chosen on synthetic burr-setting clips of other seeds
than those in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietrun.clip.types import Clip
from quietrun.dsp.frames import Frames, band_envelope, band_power
from quietrun.dsp.order import quantiles
from quietrun.run.types import Run

Floats = NDArray[np.float64]

_LOW, _HIGH = -6, 12  # third octaves about 1 kHz: 250 Hz to 16 kHz
EDGES_HZ = 1000.0 * 10 ** (np.arange(_LOW - 0.5, _HIGH + 0.6) / 10.0)
LOW_BANDS = -_LOW  # those below 1 kHz
SMOOTH_S = 0.08
BEFORE_S = (-0.46, -0.06)
AFTER_S = (0.08, 0.24)
LEAST_RISE_DB = 3.0
LEAST_RISE_SD = 4.5
LEAST_SD_DB = 0.6  # an averaged level scatters at least so much
LOW_UNDER_HIGH_DB = 1.0
SETTLE_S = 0.45  # the end of the run-up may still ring
LOUD_DB = 20.0  # bands so far under the loudest do not count as the machine's
MOST_DRIFT_DB = 3.0
MOST_LOSS_DB = 4.0
CALM_FRAMES = 10  # so long it has to have stood still
LEAST_RUN_UP_S = 0.35  # the end of the run-up may be the touch itself, taken for it
LEAST_S = 0.12
KNOCK_FALL_DB = 6.0  # in 80 ms: what rings down so quickly was struck, not touched
GAP_S = 0.3  # shorter silences belong to one contact (tangs ring now and then)
MOST = 3  # more "contacts" than that is a machine that is never still
_BINS = 24


@dataclass(frozen=True, slots=True)
class Touch:
    """Burrs touching.

    Attributes
    ----------
    start_s, until_s : s in the file
    rise_db : of the three clearest third octaves
    turn_share : part of the turn in contact, 0..1; None: no turn to tell it by
    same_angle : True when it comes at the same angle each turn (faces not parallel), False
        when the whole turn sounds alike; None: not told
    """

    start_s: float
    until_s: float
    rise_db: float
    turn_share: float | None
    same_angle: bool | None


def find_contacts(clip: Clip, run: Run, frames: Frames) -> tuple[Touch, ...]:
    """Find burr contacts in the steady run of a ``burr_setting`` clip.

    Parameters
    ----------
    clip, run, frames : of one recording

    Returns
    -------
    tuple of Touch
        In order of time; empty where none is clear, or no steady run was found.
        A contact that lasts to switch-off is given until rest: what touches keeps touching.
    """
    if run.at_speed_s is None:
        return ()
    start, steady, off = _span(clip, run.at_speed_s, run, frames)
    times, level = _levels(clip, frames, start, off)
    if times.size < round(1.2 / frames.hop_s):
        return ()
    found = _rises(times, level, steady, frames.hop_s)
    if len(found) > MOST:
        return ()
    return tuple(_touch(one, clip, run, frames, off) for one in found)


def _span(clip: Clip, at_speed_s: float, run: Run, frames: Frames) -> tuple[float, float, float]:
    """First look, steady from, switch-off: s from the first sample."""
    off = frames.duration_s if run.power_off_s is None else run.power_off_s - clip.start_s
    start = steady = at_speed_s
    if run.power_on_s is not None:
        start = min(start, run.power_on_s + LEAST_RUN_UP_S)
    return max(0.0, start - clip.start_s), steady - clip.start_s, min(off, frames.duration_s)


def _levels(clip: Clip, frames: Frames, start: float, off: float) -> tuple[Floats, Floats]:
    """Smoothed third-octave levels of the steady stretch: times (k,), dB (k, b)."""
    power = band_power(frames, EDGES_HZ)[:, EDGES_HZ[1:] < 0.45 * clip.rate_hz]
    width = max(1, round(SMOOTH_S / frames.hop_s))
    inside = (frames.time_s > start + 0.05) & (frames.time_s < off - 0.05)
    smooth = _windowed(power, -(width // 2), width - width // 2)[inside]
    return frames.time_s[inside], 10.0 * np.log10(smooth + 1e-14)


def _windowed(x: Floats, first: int, last: int) -> Floats:
    """Mean of rows i + first .. i + last - 1 for every row i, as far as there are any."""
    sums = np.vstack([np.zeros((1, x.shape[1])), np.cumsum(x, axis=0)])
    i = np.arange(x.shape[0])
    lo, hi = np.clip(i + first, 0, x.shape[0]), np.clip(i + last, 0, x.shape[0])
    return np.asarray((sums[hi] - sums[lo]) / np.maximum(hi - lo, 1)[:, None])


@dataclass(frozen=True, slots=True, eq=False)
class _Rise:
    start_s: float
    until_s: float
    rise_db: float
    bands: NDArray[np.intp]
    lasts: bool


def _rises(times: Floats, level: Floats, steady_s: float, hop_s: float) -> list[_Rise]:
    """Sudden rises of the high bands that last."""
    steps = [round(t / hop_s) for t in (*BEFORE_S, *AFTER_S)]
    before = _windowed(level, steps[0], steps[1])
    scatter = np.sqrt(np.maximum(_windowed(level**2, steps[0], steps[1]) - before**2, 0.0))
    rise = _windowed(level, steps[2], steps[3]) - before
    clear = rise / np.maximum(scatter, LEAST_SD_DB)
    best = np.argsort(-clear[:, LOW_BANDS:], axis=1)[:, :3] + LOW_BANDS
    high = np.take_along_axis(rise, best, 1).mean(axis=1)
    sure = np.take_along_axis(clear, best, 1).mean(axis=1)
    low = rise[:, :LOW_BANDS].max(axis=1)
    candidate = (
        (high > LEAST_RISE_DB)
        & (sure > LEAST_RISE_SD)
        & (low < high - LOW_UNDER_HIGH_DB)
        & ((times > steady_s + SETTLE_S) | _only_added(level, before, rise, steps))
        & (times > times[0] + SETTLE_S)
        & (times < times[-1] - 0.2)
    )
    found: list[_Rise] = []
    at = 0
    while at < times.size:
        if not candidate[at]:
            at += 1
            continue
        end = at
        while end + 1 < times.size and candidate[end + 1]:
            end += 1
        peak = at + int(np.argmax((high * sure)[at : end + 1]))
        bands = best[peak]
        over = (level[:, bands] - before[peak, bands]).mean(axis=1)
        one, last = _follow(times, over, peak, float(high[peak]), bands, hop_s)
        if one.until_s - one.start_s >= LEAST_S and not _struck(over, one, times, hop_s):
            found.append(one)
        at = max(end, last) + 1
    return found


def _only_added(level: Floats, before: Floats, rise: Floats, steps: list[int]) -> NDArray[np.bool_]:
    """Tell a touch, which adds sound to a steady one, from the end of a run-up.

    While the machine gains speed its tones move on: what one band gains another loses, and the
    level was on its way before.
    """
    middle = (steps[0] + steps[1]) // 2
    drift = _windowed(level, middle, steps[1]) - _windowed(level, steps[0], middle)
    loud = before > before.max(axis=1, keepdims=True) - LOUD_DB
    moved = np.where(loud, np.abs(drift), 0.0).max(axis=1)
    lost = np.where(loud, -rise, 0.0).max(axis=1)
    calm = ((moved < MOST_DRIFT_DB) & (lost < MOST_LOSS_DB)).astype(np.float64)
    return np.asarray(_windowed(calm[:, None], -CALM_FRAMES, 1)[:, 0] > 0.999)


def _follow(
    times: Floats, over: Floats, peak: int, rise: float, bands: NDArray[np.intp], hop_s: float
) -> tuple[_Rise, int]:
    """From the moment half the rise is reached until it has been gone for ``GAP_S``."""
    reach = round(0.25 / hop_s)
    first = max(0, peak - reach)
    up = np.flatnonzero(over[first : peak + reach] > 0.5 * rise)
    start = first + (int(up[0]) if up.size else peak - first)
    last, silent = start, 0
    for i in range(start, times.size):
        if over[i] > max(0.4 * rise, 1.5):
            last, silent = i, 0
        else:
            silent += 1
            if silent * hop_s > GAP_S:
                break
    lasts = last >= times.size - round(GAP_S / hop_s)
    return _Rise(float(times[start]), float(times[last]), rise, bands, lasts), last


def _struck(over: Floats, one: _Rise, times: Floats, hop_s: float) -> bool:
    """Tell a knock: it falls off at once, and is gone in a third of a second."""
    if one.until_s - one.start_s > GAP_S:
        return False
    start = int(np.searchsorted(times, one.start_s))
    early, late = (min(start + round(t / hop_s), over.size - 1) for t in (0.06, 0.14))
    return bool(over[early] - over[late] > KNOCK_FALL_DB)


def _touch(one: _Rise, clip: Clip, run: Run, frames: Frames, off: float) -> Touch:
    until = one.until_s
    if one.lasts:
        until = off if run.rest_s is None else run.rest_s - clip.start_s
        until = frames.duration_s if run.rest_s is None and run.power_off_s is not None else until
    share, same = _arc(one, run, frames, off)
    return Touch(
        start_s=one.start_s + clip.start_s,
        until_s=max(until, one.until_s) + clip.start_s,
        rise_db=one.rise_db,
        turn_share=share,
        same_angle=same,
    )


def _arc(one: _Rise, run: Run, frames: Frames, off: float) -> tuple[float | None, bool | None]:
    """Part of the turn in contact, by folding the envelope at the shaft rate.

    The shaft rate is sought within 0.6 % of the claimed one; the pattern has to repeat in the
    two halves of the contact. Without one the whole turn touches alike.
    """
    span = (one.start_s + 0.06, min(one.until_s, off) - 0.03)
    if run.shaft_hz is None or (span[1] - span[0]) * run.shaft_hz < 8.0:
        return None, None
    lo, hi = float(EDGES_HZ[one.bands.min()]), float(EDGES_HZ[one.bands.max() + 1])
    energy, rate = band_envelope(frames, lo, hi, rate_hz=2000.0)
    part = np.asarray(energy[int(span[0] * rate) : int(span[1] * rate)], dtype=np.float64)
    hz, depth = max(
        ((f, _fold(part, rate, f)[1]) for f in run.shaft_hz * np.linspace(0.994, 1.006, 25)),
        key=lambda pair: pair[1],
    )
    halves = np.array_split(part, 2)
    early = _fold(halves[0], rate, hz)[0]
    late = _fold(halves[1], rate, hz, first=halves[0].size)[0]
    if depth < 0.2 or float(np.corrcoef(early, late)[0, 1]) < 0.6:
        return 1.0, False
    profile = _fold(part, rate, hz)[0]
    floor, top = quantiles(profile, (0.05, 0.95))
    return float(np.mean(profile > 0.5 * (floor + top))), True


def _fold(energy: Floats, rate_hz: float, turn_hz: float, first: int = 0) -> tuple[Floats, float]:
    """Mean level in each part of the turn, and how deep it swings (deviation over mean)."""
    angle = ((first + np.arange(energy.size)) * turn_hz / rate_hz) % 1.0
    index = (angle * _BINS).astype(np.intp)
    count = np.maximum(np.bincount(index, minlength=_BINS), 1)
    profile = np.bincount(index, weights=np.sqrt(energy), minlength=_BINS) / count
    return profile, float(profile.std() / max(float(profile.mean()), 1e-12))
