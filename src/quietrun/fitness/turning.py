"""Whether the speed holds still, as a motor's does that is tied to the mains.

All tones of a shaft move together when its speed moves. From one fifth of a second to the
next the strongest lines are matched, and where at least three of them agree on a relative
shift, that is a step of the speed. An induction motor without a load keeps its speed within a
few tenths of a per cent; a motor with brushes wanders by several.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.frames import slice_signal
from quietrun.dsp.order import median
from quietrun.fitness.view import View

Floats = NDArray[np.float64]

_SEGMENT_S, _HOP_S = 0.2, 0.15
_LO_HZ, _HI_HZ = 150.0, 3000.0
_TRANSFORM = 1024
_LONGEST_S = 3.2
_PROMINENT_DB = 9.0
_TOP_HZ = 9000.0
_HIGH_PROMINENT_DB = 6.0  # over more surroundings, and averaged: noise stays below
_AROUND_HZ = 60.0
_LINES = 8
_LINE_DB = 7.0
_MOST = 0.012  # relative shift between neighbours
_AGREE = 0.0012
_CLEAR_OF_MAINS_HZ = 4.0


@dataclass(frozen=True, slots=True)
class Turning:
    """How the lines moved, and how many there were.

    Attributes
    ----------
    drift_percent : float
        Highest less lowest speed over the steady run, %.
    step_percent_s : float
        Typical rate at which it moved, % a second.
    agree_share : 0..1
        Steps on which at least three lines agreed.
    tonal_db : float
        Prominence of the five clearest steady lines, dB; 0 where there are none.
    """

    drift_percent: float = 0.0
    step_percent_s: float = 0.0
    agree_share: float = 0.0
    tonal_db: float = 0.0


def measure_turning(view: View) -> Turning:
    """Follow the lines of the steady run."""
    index = np.flatnonzero(view.steady)
    if index.size < 60:
        return Turning()
    skip = min(30, index.size - 60)
    from_s, to_s = view.frames.time_s[index[[skip, -1]]]
    level_db, freqs_hz = _segments(view, float(from_s), min(float(to_s), from_s + _LONGEST_S))
    if len(level_db) < 3:
        return Turning()
    step_hz = freqs_hz[1] - freqs_hz[0]
    high_db, high_hz = _high_segments(view, float(from_s), len(level_db))
    low = _lines(view.run.mains_hz, level_db, freqs_hz, _PROMINENT_DB)
    high = _lines(None, high_db, high_hz, _HIGH_PROMINENT_DB)
    lines = [np.concatenate(both) for both in zip(low, high, strict=True)]
    shifts = np.array([_shift(a, b) for a, b in pairwise(lines)])
    known = ~np.isnan(shifts)
    track = np.cumsum(np.where(known, shifts, 0.0))
    return Turning(
        drift_percent=float(100.0 * np.ptp(track)),
        step_percent_s=float(100.0 * median(np.abs(shifts[known])) / _HOP_S)
        if known.any()
        else 0.0,
        agree_share=float(known.mean()),
        tonal_db=_tonality(level_db, max(1, int(_AROUND_HZ / step_hz))),
    )


def _segments(view: View, from_s: float, to_s: float) -> tuple[Floats, Floats]:
    """Level of overlapping pieces of the steady run, shape (segments, bins), dB."""
    frames = view.frames
    top_hz = min(_HI_HZ, 0.45 * frames.rate_hz)
    wave, rate_hz = slice_signal(frames, _LO_HZ, top_hz)
    bin_hz = frames.rate_hz / frames.padded
    first_hz = max(1, round(_LO_HZ / bin_hz)) * bin_hz
    wave = wave[int(from_s * rate_hz) : int(to_s * rate_hz)]
    length = int(_SEGMENT_S * rate_hz)
    if wave.size < 3 * length:
        return np.zeros((0, 0)), np.zeros(0)
    pieces = np.lib.stride_tricks.sliding_window_view(wave, length)[:: int(_HOP_S * rate_hz)]
    spectra = np.fft.fft(pieces * np.hanning(length).astype(np.float32), _TRANSFORM, axis=1)
    count = int((top_hz - first_hz) / rate_hz * _TRANSFORM)
    power = spectra.real[:, :count] ** 2 + spectra.imag[:, :count] ** 2
    freqs_hz = first_hz + np.arange(count) * rate_hz / _TRANSFORM
    return np.asarray(10.0 * np.log10(power + 1e-20), dtype=np.float64), freqs_hz


def _high_segments(view: View, from_s: float, count: int) -> tuple[Floats, Floats]:
    """Level above the band of ``_segments`` at the same times, from the short spectra, dB."""
    frames = view.frames
    band = frames.bins(_HI_HZ, min(_TOP_HZ, 0.45 * frames.rate_hz))
    length = max(1, round(_SEGMENT_S / frames.hop_s))
    out = []
    for number in range(count):
        first = frames.frame_at(from_s + number * _HOP_S)
        out.append(frames.power[first : first + length, band].mean(axis=0))
    level_db = 10.0 * np.log10(np.array(out, dtype=np.float64) + 1e-20)
    return level_db, frames.freqs_hz[band]


def _over_surroundings(level_db: Floats, half: int) -> Floats:
    padded = np.pad(level_db, ((0, 0), (half + 1, half)), mode="edge")
    total = np.cumsum(padded, axis=1)
    mean = (total[:, 2 * half + 1 :] - total[:, : -2 * half - 1]) / (2 * half + 1)
    return np.asarray(level_db - mean)


def _lines(
    mains_hz: float | None, level_db: Floats, freqs_hz: Floats, prominent_db: float
) -> list[Floats]:
    """Logarithms of the strongest lines' frequencies, by segment; the mains' own left out."""
    if level_db.shape[1] < 8:
        return [np.zeros(0)] * len(level_db)
    step_hz = freqs_hz[1] - freqs_hz[0]
    over_db = _over_surroundings(level_db, max(6, int(_AROUND_HZ / step_hz)))
    inner = over_db[:, 1:-1]
    peaks = (inner > over_db[:, :-2]) & (inner >= over_db[:, 2:]) & (inner > prominent_db)
    out = []
    for row, flags in zip(level_db, peaks, strict=True):
        at = np.flatnonzero(flags) + 1
        sides = np.maximum(row[[at - 1, at + 1]], row[at] - 200.0)  # digital silence is -inf dB
        bend = sides[0] - 2 * row[at] + sides[1]
        off = 0.5 * (sides[0] - sides[1]) / np.where(bend == 0, -1.0, bend)
        place = at + np.clip(off, -1.0, 1.0)  # a peak over its surroundings may have none itself
        line_hz = freqs_hz[0] + place * step_hz
        if mains_hz:
            twice = 2.0 * mains_hz
            away = np.abs((line_hz + 0.5 * twice) % twice - 0.5 * twice)
            line_hz, at = line_hz[away > _CLEAR_OF_MAINS_HZ], at[away > _CLEAR_OF_MAINS_HZ]
        strongest = np.argsort(-row[at])[:_LINES]
        out.append(np.log(np.sort(line_hz[strongest])))
    return out


def _shift(before: Floats, after: Floats) -> float:
    """Relative shift on which at least three lines agree, or NaN."""
    if min(before.size, after.size) < 3:
        return float("nan")
    moved = after[:, np.newaxis] - before[np.newaxis, :]
    nearest = moved[np.abs(moved).argmin(axis=0), np.arange(before.size)]
    nearest = nearest[np.abs(nearest) < _MOST]
    if nearest.size < 3:
        return float("nan")
    middle = float(median(nearest))
    return middle if median(np.abs(nearest - middle)) < _AGREE else float("nan")


def _tonality(level_db: Floats, half: int) -> float:
    """Prominence of the five clearest lines that are there half of the time, dB.

    The median of a dozen independent segments of noise spreads by about
    1.5 dB; the highest of a thousand bins stays below ``_LINE_DB``.
    """
    over = _over_surroundings(median(level_db, axis=0)[np.newaxis], half)[0]
    inner = over[1:-1]
    peaks = inner[(inner > over[:-2]) & (inner >= over[2:]) & (inner > _LINE_DB)]
    return float(np.sort(np.concatenate([np.zeros(5), peaks]))[-5:].mean())
