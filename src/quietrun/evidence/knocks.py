"""Knocks: single blows, how many, how hard, how regular, where in the turn, how they ring.

A knock is heard in several bands at once within a few milliseconds. The rises
of all bands over their own surroundings are averaged into one track, and its
peaks are the knocks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.blocks import block_means
from quietrun.dsp.running import running_median
from quietrun.evidence.rows import Value, missing, row
from quietrun.evidence.scene import BANDS, Scene

Floats = NDArray[np.float64]

_STEP_S = 0.002
_AROUND = 61  # steps, 0.12 s: the median over these is a knock's surroundings
_LEAST_DB = 3.0  # mean rise over the bands; 6 bands of steady noise reach 2.4 dB in 0.1 %
_APART = 6  # steps between two knocks
_HIGH = 6  # bands from here on are "high": above 2.7 kHz
_BAND = (BANDS[0][0], BANDS[-1][1])
_PLAY = "Play in driven parts knocks while torque reverses. Common practice, no source"

ROWS = (
    row(
        "knock_rate",
        "impacts",
        "1/s",
        "steady",
        _BAND,
        1,
        "How many knocks come in a second of the steady run.",
        "Ours",
    ),
    row(
        "knock_strength",
        "impacts",
        "dB",
        "steady",
        _BAND,
        1,
        "How far the harder knocks of the steady run stand out.",
        "Ours",
    ),
    row(
        "knock_uneven",
        "impacts",
        "",
        "steady",
        _BAND,
        0,
        "Spread of the times between knocks over their mean: 0 like a clock, 1 by chance.",
        "Exponential law of chance arrivals",
    ),
    row(
        "knock_in_turn",
        "impacts",
        "",
        "steady",
        _BAND,
        1,
        "How much the knocks keep to one place of the turn (1: always the same).",
        "Mean resultant length (Mardia and Jupp, Directional Statistics)",
    ),
    row(
        "knock_ring_ms",
        "impacts",
        "ms",
        "steady",
        _BAND,
        0,
        "How long a knock stays above half of its rise.",
        "Ours",
    ),
    row(
        "knock_bright",
        "impacts",
        "dB",
        "steady",
        _BAND,
        0,
        "Rise of knocks in the high bands against that in the low ones.",
        "Ours",
    ),
    row(
        "knock_start",
        "impacts",
        "dB",
        "run_up",
        _BAND,
        1,
        "How far the harder knocks of the run-up stand out.",
        _PLAY,
    ),
    row(
        "knock_start_rate",
        "impacts",
        "1/s",
        "run_up",
        _BAND,
        1,
        "How many knocks come in a second of the run-up.",
        _PLAY,
    ),
    row(
        "knock_start_over",
        "impacts",
        "dB",
        "run_up",
        _BAND,
        1,
        "Knocks of the run-up against those of the steady run.",
        _PLAY,
    ),
    row(
        "knock_cut_rate",
        "impacts",
        "1/s",
        "coast_down",
        _BAND,
        1,
        "How many knocks come in the second after switch-off.",
        _PLAY,
    ),
    row(
        "knock_coast",
        "impacts",
        "dB",
        "coast_down",
        _BAND,
        1,
        "How far the harder knocks of the coast-down stand out.",
        "Ours",
    ),
    row(
        "knock_coast_rate",
        "impacts",
        "1/s",
        "coast_down",
        _BAND,
        1,
        "How many knocks come in a second of the coast-down.",
        "Ours",
    ),
    row(
        "knock_coast_over",
        "impacts",
        "dB",
        "coast_down",
        _BAND,
        0,
        "Knocks of the coast-down against those of the steady run.",
        "Ours",
    ),
)


@dataclass(frozen=True, slots=True, eq=False)
class _Track:
    """Rise of all bands over their surroundings, every ``_STEP_S``."""

    mean_db: Floats
    low_db: Floats
    high_db: Floats


def _track(scene: Scene) -> _Track | None:
    """Average the rises of the bands; None where fewer than three bands are there."""
    rises: list[Floats] = []
    which: list[int] = []
    grid = np.arange(0.5 * _STEP_S, scene.frames.duration_s, _STEP_S)
    for i, envelope in enumerate(scene.envelopes):
        if envelope is None:
            continue
        by = max(1, round(envelope.rate_hz * _STEP_S))
        energy = block_means(envelope.energy, by)
        if energy.size < 3 * _AROUND:
            return None
        level = 10 * np.log10(energy)
        around = running_median(level, _AROUND, every=6)
        at = (np.arange(level.size) + 0.5) * by / envelope.rate_hz
        rises.append(np.interp(grid, at, np.clip(level - around, 0.0, 25.0)))
        which.append(i)
    if len(rises) < 3:
        return None
    all_of = np.array(rises)
    high = np.array(which) >= _HIGH
    none = np.zeros(grid.size)
    return _Track(
        all_of.mean(axis=0),
        all_of[~high].mean(axis=0) if (~high).any() else none,
        all_of[high].mean(axis=0) if high.any() else none,
    )


def _peaks(rise: Floats, span: tuple[float, float]) -> NDArray[np.int64]:
    """Steps of the knocks within a span of time."""
    a, b = (int(t / _STEP_S) for t in span)
    part = rise[max(a, 0) : max(b, 0)]
    if part.size < 2 * _APART + 1:
        return np.zeros(0, dtype=np.int64)
    padded = np.pad(part, _APART, mode="constant")
    highest = np.lib.stride_tricks.sliding_window_view(padded, 2 * _APART + 1).max(axis=1)
    return np.flatnonzero((part >= highest) & (part > _LEAST_DB)) + max(a, 0)


def _hard(rise: Floats, peaks: NDArray[np.int64], seconds: float) -> float:
    """Mean rise of the harder knocks: the ten highest, or four a second where that is fewer."""
    count = max(1, min(10, int(4 * seconds)))
    found = np.sort(rise[peaks])[-count:]
    return float(found.sum() / count)


def in_turn(at_s: Floats, weight: Floats, shaft_hz: float) -> float:
    """Mean resultant length of knocks over the turn, at the best rate within 0.2 per cent.

    Parameters
    ----------
    at_s : shape (n,), s
    weight : shape (n,)
    shaft_hz : Hz

    Returns
    -------
    float
        0 to 1.
    """
    rates = shaft_hz * (1 + np.arange(-2e-3, 2.01e-3, 2.5e-4))
    turned = np.exp(2j * np.pi * rates[:, None] * at_s[None, :]) @ weight
    return float(np.abs(turned).max() / max(float(weight.sum()), 1e-9))


def measure(scene: Scene) -> dict[str, Value]:
    """All rows of this family; see ``ROWS`` for the meaning of each."""
    track = _track(scene)
    if track is None:
        because = missing("the recording does not reach enough bands")
        return {r.name: because for r in ROWS}
    rise = track.mean_db
    values: dict[str, Value] = {
        r.name: missing(f"no {r.phase.replace('_', '-')} was heard") for r in ROWS
    }
    strengths: dict[str, float] = {}
    for phase, inset in (("steady", 0.05), ("run_up", 0.05), ("coast_down", 0.05)):
        span = scene.spans.get(phase)
        if span is None or span[1] - span[0] < 0.2:
            continue
        a, b = span[0] + inset, span[1] - (inset if phase == "steady" else 0.0)
        if phase == "steady":
            a = max(a, b - 6.0)
        if phase == "coast_down":
            b = min(b, a + 6.0)
        peaks = _peaks(rise, (a, b))
        strengths[phase] = _hard(rise, peaks, b - a)
        rate = float(peaks.size / (b - a))
        if phase == "steady":
            _steady(scene, track, peaks, rate, strengths[phase], values)
        elif phase == "run_up":
            values["knock_start"], values["knock_start_rate"] = strengths[phase], rate
        else:
            values["knock_coast"], values["knock_coast_rate"] = strengths[phase], rate
            first = min(1.0, b - a)
            values["knock_cut_rate"] = float(np.sum(peaks * _STEP_S < a + first) / first)
    for name, phase in (("knock_start_over", "run_up"), ("knock_coast_over", "coast_down")):
        if phase in strengths and "steady" in strengths:
            values[name] = strengths[phase] - strengths["steady"]
    return values


def _steady(
    scene: Scene,
    track: _Track,
    peaks: NDArray[np.int64],
    rate: float,
    strength: float,
    values: dict[str, Value],
) -> None:
    values["knock_rate"], values["knock_strength"] = rate, strength
    if peaks.size < 8:
        few = missing("fewer than eight knocks in the steady run")
        for name in ("knock_uneven", "knock_in_turn", "knock_ring_ms", "knock_bright"):
            values[name] = few
        return
    gaps = np.diff(peaks * _STEP_S)
    values["knock_uneven"] = float(np.clip(gaps.std() / gaps.mean(), 0.0, 3.0))
    weight = track.mean_db[peaks]
    if scene.shaft_hz is not None:
        at = (peaks * _STEP_S).astype(np.float64)
        values["knock_in_turn"] = in_turn(at, weight, scene.shaft_hz)
    else:
        values["knock_in_turn"] = missing("the shaft speed was not found")
    values["knock_bright"] = float(np.mean(track.high_db[peaks] - track.low_db[peaks]))
    after = np.minimum(peaks[:, None] + np.arange(1, 31), track.mean_db.size - 1)
    above = track.mean_db[after] > 0.5 * weight[:, None]
    length = np.where(above.all(axis=1), 30, np.argmin(above, axis=1))
    values["knock_ring_ms"] = float(1000 * _STEP_S * length.mean())
