"""When the burrs touch in a clip recorded while they are brought together.

The machine runs at speed, burrs backed off, and its sound stands still; then the faces touch.
First the moment from which the sound stands is sought in the bands themselves: the claimed end
of the run-up may be the touch. From there on every sudden rise of third octaves from 1 kHz up
is a candidate, and a scorecard weighs what was measured of it: how high it is against what the
machine does by itself in the same bands, before and elsewhere in the run, how long it stays,
whether anything fell with it, whether the same pattern comes again. What is weak counts where
it sounds like the clearest one. The start is where the pattern of the whole rise first leaves
the scatter of the run before.

The scorecard (points piecewise linear in each measure, adding up to log-odds) was fitted by
logistic regression, each measure held to one direction, on synthetic burr-setting clips: seeds
201 to 205 of ``scripts/evaluate_contacts.py``, one population of ours and two each of two other
sound models. None of them is that of the tests or of the judgement.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietrun.clip.types import Clip
from quietrun.dsp.frames import Frames, band_envelope, band_power
from quietrun.dsp.order import median, quantiles
from quietrun.run.types import Run

Floats = NDArray[np.float64]

_LOW, _HIGH = -6, 12  # third octaves about 1 kHz: 250 Hz to 16 kHz
EDGES_HZ = 1000.0 * 10 ** (np.arange(_LOW - 0.5, _HIGH + 0.6) / 10.0)
LOW_BANDS = -_LOW  # those below 1 kHz
SMOOTH_S = 0.06
BEFORE_S = (-0.46, -0.06)
AFTER_S = (0.06, 0.22)
LEAST_SD_DB = 0.5  # an averaged level scatters at least so much
LEAST_RISE_DB = 1.2
LEAST_RISE_SD = 1.5
LEAST_CLEAR = 4.0  # rise in dB times rise in deviations; from here on the scorecard tells
MOST = 10  # candidates
APART_S = 0.2
SETTLE_S = 0.2
LEAST_RUN_UP_S = 0.35
LEAST_STANDING_S = 0.7
FLOOR_DB = 55.0  # under the loudest band: less than that is a codec's hole
UNDER_DB = 2.5  # under its later level, a band is still on its way up ...
UNDER_SHARE = 0.34  # ... and with so many of them the machine is
GAP_S = 0.3  # shorter silences belong to one contact (tangs ring now and then)
BACK_S = 0.6  # so far the start may lie before the clear part
BACK_GAP_S = 0.12
KNOCK_FALL_DB = 10.0  # in 80 ms: struck, not touched
VOICE_DB = 2.0  # so much more below 1 kHz than above: a voice
LIKELY = 0.1  # log-odds
POSSIBLE = -1.4  # enough for what sounds like the likely one
ALIKE = 0.85
BEHIND = 4.0  # points behind the likeliest, only what sounds like it counts
TOGETHER_S = 0.5  # candidates closer than that are one
_BINS = 24

#: Measure: its values and the points there; between them a line, beyond them level.
SCORECARD: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {
    "rise": ((1.68, 2.28, 3.13, 5.23, 13), (0, 0.95, 1.91, 2.23, 2.23)),
    "over_low": ((-4.23, -0.33, 1.11, 3.17, 10.76), (0, 0.68, 0.92, 1.41, 1.65)),
    "fallen": ((0, 0.09, 0.19, 0.42, 3.22), (0, 0, 0, 0, -3.51)),
    "length": ((0.12, 0.4, 0.84, 2), (0, 1.98, 2.34, 2.34)),
    "over_own": ((-7.65, -1.65, -0.33, 2.03, 10.05), (0, 0.54, 0.76, 1.49, 2.86)),
    "wide": ((1, 3, 4, 6, 10), (0, 0, -0.18, -0.63, -1.14)),
    "waited": ((0.2, 0.81, 1.84, 2), (0, 4.11, 6.32, 6.32)),
    "pitch": ((7.33, 10, 11.67, 13.67, 17), (0, 1.39, 2.09, 2.4, 2.85)),
    "clearness": ((0.54, 1.98, 3.64, 8.19, 29.67), (0, 1.11, 1.44, 3.06, 3.9)),
    "again": ((0, 1.76, 3.16, 5.83, 11.85), (0, 0, 0.63, 1.19, 2.42)),
    "count": ((2, 4, 5, 7, 10), (0, 0, -0.06, -0.93, -2.8)),
}
BASE_POINTS = -15.64
_TABLES = tuple((name, np.array(x), np.array(y)) for name, (x, y) in SCORECARD.items())


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
    off = _off(clip, run, frames)
    return tuple(_touch(one, clip, run, frames, off) for one in _claimed(rises(clip, run, frames)))


def rises(clip: Clip, run: Run, frames: Frames) -> list[Rise]:
    """All candidates of a recording, from where the sound stands; see ``find_contacts``."""
    if run.at_speed_s is None:
        return []
    start = run.at_speed_s
    if run.power_on_s is not None:
        start = min(start, run.power_on_s + LEAST_RUN_UP_S)
    times, level = _levels(clip, frames, max(0.0, start - clip.start_s), _off(clip, run, frames))
    if times.size < round(LEAST_STANDING_S / frames.hop_s):
        return []
    first = _standing(times, level, run.at_speed_s - clip.start_s, frames.hop_s)
    return candidates(times[first:], level[first:], frames.hop_s)


def _off(clip: Clip, run: Run, frames: Frames) -> float:
    """Switch-off, or the end of the clip: s from the first sample."""
    off = frames.duration_s if run.power_off_s is None else run.power_off_s - clip.start_s
    return min(off, frames.duration_s)


def _levels(clip: Clip, frames: Frames, start: float, off: float) -> tuple[Floats, Floats]:
    """Smoothed third-octave levels of the powered stretch: times (k,), dB (k, b)."""
    power = band_power(frames, EDGES_HZ)[:, EDGES_HZ[1:] < 0.45 * clip.rate_hz]
    width = max(1, round(SMOOTH_S / frames.hop_s))
    inside = (frames.time_s > start) & (frames.time_s < off - 0.05)
    smooth = _windowed(power, -(width // 2), width - width // 2)[inside]
    level = 10.0 * np.log10(smooth + 1e-14)
    if level.shape[0] == 0:
        return frames.time_s[inside], level
    return frames.time_s[inside], np.maximum(level, median(level, axis=0).max() - FLOOR_DB)


def _windowed(x: Floats, first: int, last: int) -> Floats:
    """Mean of rows i + first .. i + last - 1 for every row i, as far as there are any."""
    sums = np.vstack([np.zeros((1, x.shape[1])), np.cumsum(x, axis=0)])
    i = np.arange(x.shape[0])
    lo, hi = np.clip(i + first, 0, x.shape[0]), np.clip(i + last, 0, x.shape[0])
    return np.asarray((sums[hi] - sums[lo]) / np.maximum(hi - lo, 1)[:, None])


def _standing(times: Floats, level: Floats, at_speed: float, hop_s: float) -> int:
    """Row from which the sound stands: until then many bands are under their later level.

    A touch adds sound to a few bands; the end of a run-up brings most of them up.
    """
    usual = quantiles(level[level.shape[0] // 4 :], (0.35,), axis=0)[0]
    slow = _windowed(level, -8, 9)
    under = (slow < usual - UNDER_DB).mean(axis=1) > UNDER_SHARE
    rows = np.flatnonzero(under & (times < max(at_speed, float(times[0])) + 0.1))
    return 0 if rows.size == 0 else int(rows[-1]) + round(0.1 / hop_s)


@dataclass(frozen=True, slots=True, eq=False)
class Rise:
    """A sudden rise of high bands: a candidate.

    Attributes
    ----------
    start_s, until_s : s from the first sample
    rise_db : of its three clearest bands
    bands : shape (3,), these
    pattern : shape (b,), dB, how far each band is up while it lasts
    lasts : True where it goes on to the end of the levels given
    measures : by the names of the scorecard
    """

    start_s: float
    until_s: float
    rise_db: float
    bands: NDArray[np.intp]
    pattern: Floats
    lasts: bool
    measures: dict[str, float]

    @property
    def points(self) -> float:
        """Log-odds that this is a touch."""
        return BASE_POINTS + sum(
            float(np.interp(self.measures[name], x, y)) for name, x, y in _TABLES
        )


def candidates(times: Floats, level: Floats, hop_s: float) -> list[Rise]:
    """Sudden rises of the high bands, the clearest first.

    Parameters
    ----------
    times : shape (k,), s
    level : shape (k, b), dB
        Of a machine at speed.
    hop_s : s
    """
    if times.size < round(LEAST_STANDING_S / hop_s) or level.shape[1] < LOW_BANDS + 3:
        return []
    steps = [round(t / hop_s) for t in (*BEFORE_S, *AFTER_S)]
    before = _windowed(level, steps[0], steps[1])
    scatter = np.sqrt(np.maximum(_windowed(level**2, steps[0], steps[1]) - before**2, 0.0))
    rise = _windowed(level, steps[2], steps[3]) - before
    usual = median(scatter[round(0.5 / hop_s) :], axis=0)
    clear = rise / np.maximum(0.5 * (scatter + usual), LEAST_SD_DB)
    best = np.argsort(-clear[:, LOW_BANDS:], axis=1)[:, :3] + LOW_BANDS
    high = np.take_along_axis(rise, best, 1).mean(axis=1)
    sure = np.take_along_axis(clear, best, 1).mean(axis=1)
    score = np.where(
        (high > LEAST_RISE_DB) & (sure > LEAST_RISE_SD),
        np.minimum(high, 20.0) * np.minimum(sure, 20.0),
        0.0,
    )
    score[(times < times[0] + SETTLE_S) | (times > times[-1] - 0.1)] = 0.0
    found: list[Rise] = []
    reach = round(APART_S / hop_s)
    while len(found) < MOST and score.max() > LEAST_CLEAR:
        peak = int(np.argmax(score))
        score[max(0, peak - reach) : peak + reach] = 0.0
        found.append(_rise(times, level, peak, before[peak], rise[peak], best[peak], hop_s))
    _repeats(found)
    return found


def _repeats(found: list[Rise]) -> None:
    """Add to each how clearly another one, at another time, sounds like it."""
    if not found:
        return
    patterns = np.stack([_shape(one) for one in found])
    starts = np.array([one.start_s for one in found])
    rises = np.minimum([one.rise_db for one in found], 12.0)
    apart = np.abs(starts[:, None] - starts) >= GAP_S
    again = np.where(apart, patterns @ patterns.T * rises, 0.0).max(axis=1)
    for one, value in zip(found, again.tolist(), strict=True):
        one.measures["again"] = value
        one.measures["count"] = float(len(found))


def _shape(one: Rise) -> Floats:
    """Pattern of the high bands, of length 1."""
    a = np.clip(one.pattern[LOW_BANDS:], 0.0, 25.0)
    return np.asarray(a / (np.sqrt(a @ a) + 1e-9))


def _alike(one: Rise, other: Rise) -> float:
    """Cosine between two patterns of high bands."""
    return float(_shape(one) @ _shape(other))


def _rise(
    times: Floats,
    level: Floats,
    peak: int,
    before: Floats,
    rise: Floats,
    bands: NDArray[np.intp],
    hop_s: float,
) -> Rise:
    """Follow a candidate from its start to its end, and measure it."""
    high = float(rise[bands].mean())
    over = (level[:, bands] - before[bands]).mean(axis=1)
    start, last = _follow(over, peak, high, hop_s)
    pattern = level[start : last + 1].mean(axis=0) - before
    back, clearness = _walk_back(level, start, last, hop_s)
    after = over[start + round(0.04 / hop_s) : start + round(0.35 / hop_s)]
    lead, tail = round(0.08 / hop_s), round(0.25 / hop_s)
    elsewhere = np.concatenate([over[: max(0, start - lead)], over[last + tail + 1 :]])
    early, late = (min(start + round(t / hop_s), over.size - 1) for t in (0.06, 0.14))
    least = 20
    own = float(quantiles(elsewhere, (0.97,))[0]) if elsewhere.size > least else 0.0
    measures = {
        "rise": high,
        "over_low": high - float(rise[:LOW_BANDS].max()),
        "falls": float(over[early] - over[late]),
        "fallen": float(np.clip(-pattern, 0.0, 10.0).mean()),
        "length": float(times[last] - times[start]),
        "over_own": (float(after.mean()) if after.size else 0.0) - own,
        "wide": float(np.sum(rise[LOW_BANDS:] > 0.5 * high)),
        "waited": float(times[peak] - times[0]),
        "pitch": float(bands.mean()),
        "clearness": clearness,
    }
    return Rise(
        start_s=float(times[back]),
        until_s=float(times[last]),
        rise_db=high,
        bands=bands,
        pattern=pattern,
        lasts=last >= times.size - round(GAP_S / hop_s),
        measures=measures,
    )


def _follow(over: Floats, peak: int, high: float, hop_s: float) -> tuple[int, int]:
    """From the moment half the rise is reached until it has been gone for ``GAP_S``."""
    reach = round(0.25 / hop_s)
    first = max(0, peak - reach)
    up = np.flatnonzero(over[first : peak + reach] > 0.5 * high)
    start = first + (int(up[0]) if up.size else peak - first)
    loud = start + np.flatnonzero(over[start:] > max(0.4 * high, 1.2))
    if loud.size == 0:
        return start, start
    gaps = np.flatnonzero(np.diff(loud) > round(GAP_S / hop_s))
    return start, int(loud[gaps[0]] if gaps.size else loud[-1])


def _walk_back(level: Floats, start: int, last: int, hop_s: float) -> tuple[int, float]:
    """Row where the pattern of the rise first leaves the scatter before, and how clear it is.

    The bands are weighed by their rise over their variance before: of all sums of them the
    one that tells the two best. Clearness is its rise over its scatter before.
    """
    second = round(1.0 / hop_s)
    bands = level[:, LOW_BANDS:]
    calm = bands[max(0, start - second) : max(1, start - 5)]
    within = bands[start + 4 : max(start + 6, min(last + 1, start + round(0.8 / hop_s)))]
    if within.shape[0] == 0:
        return start, 0.0
    middle = calm.mean(axis=0)
    variance = np.maximum(np.square(calm - middle).mean(axis=0), LEAST_SD_DB**2)
    weight = np.clip(within.mean(axis=0) - middle, 0.0, 12.0) / variance
    told = (bands[: start + 4 + within.shape[0]] - middle) @ (weight / (weight.sum() + 1e-9))
    up = float(quantiles(told[start + 4 :], (0.5,))[0])
    early = told[max(0, start - second) : max(1, start - 5)]
    clearness = up / max(float(early.std()), 0.25)
    first = max(0, start - round(BACK_S / hop_s))
    base = told[max(0, first - second) : first]
    if base.size <= 20:
        base = told[: max(5, start - 30)]
    limit = max(float(base.mean()) + 3.0 * max(float(base.std()), 0.25), 0.3 * up)
    back = start
    for row in (np.flatnonzero(told[first : start + 1] > limit) + first)[::-1]:
        if back - row > round(BACK_GAP_S / hop_s):
            break
        back = int(row)
    return back, clearness


def _claimed(found: list[Rise]) -> list[Rise]:
    """Those likely to be touches, and weaker ones that sound like the likeliest; by time."""
    inside = [(one.points, one) for one in found if not _from_outside(one)]
    inside.sort(key=lambda pair: -pair[0])
    if not inside or inside[0][0] < LIKELY:
        return []
    most, likeliest = inside[0]
    kept = [likeliest]
    for points, one in inside[1:]:
        if points < POSSIBLE:
            break
        if any(abs(one.start_s - other.start_s) < TOGETHER_S for other in kept):
            continue
        goes_on_into_it = one.start_s < likeliest.start_s <= one.until_s
        alike = _alike(one, likeliest) > ALIKE and not goes_on_into_it
        if alike or points >= max(LIKELY, most - BEHIND):
            kept.append(one)
    kept.sort(key=lambda rise: rise.start_s)
    return [
        one
        for i, one in enumerate(kept)
        if not any(one.start_s < other.until_s for other in kept[:i])
    ]


def _from_outside(one: Rise) -> bool:
    """Tell a knock, gone at once, and a voice, which rises more below 1 kHz."""
    at = one.measures
    struck = at["length"] < GAP_S and at["falls"] > KNOCK_FALL_DB
    return struck or at["over_low"] < -VOICE_DB


def _touch(one: Rise, clip: Clip, run: Run, frames: Frames, off: float) -> Touch:
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


def _arc(one: Rise, run: Run, frames: Frames, off: float) -> tuple[float | None, bool | None]:
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
