"""Bursts: noise that swells for a tenth of a second or more and goes again.

Parts with play rattle while the speed passes a resonance of theirs, once on
the way up and once on the way down; what rubs now and then does so at speed.
A burst is what stands over the level's own opening (the highest level that is
held for ``_OPEN``) after clicks have been taken out by a median.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.order import median
from quietrun.dsp.running import running_max, running_median, running_min
from quietrun.evidence.rows import Value, missing, row
from quietrun.evidence.scene import BANDS, GROUPS, Scene, without_clicks

Floats = NDArray[np.float64]

_MEDIAN = 11  # frames of 10 ms: a switch click rings for less
_OPEN = 45  # frames: a burst is shorter than this
_SPAN = (BANDS[0][0], BANDS[-1][1])
_PLAY = "Play in driven parts rattles where a resonance is passed. Common practice, no source"
_WHERE = {
    "low": "low bands",
    "mid": "middle bands",
    "high": "high bands",
    "best": "clearest band",
    "top3": "three clearest bands",
}
_STEMS = (
    ("burst_start", "run_up", "How far a burst in the run-up stands over what is held"),
    ("burst_coast", "coast_down", "How far a burst in the coast-down stands over what is held"),
    ("burst_steady", "steady", "How far a burst in the steady run stands over what is held"),
)


def _span(group: str) -> tuple[float, float]:
    index = GROUPS.get(group, (0, 10))
    return BANDS[index[0]][0], BANDS[index[-1]][1]


ROWS = (
    *(
        row(f"{stem}_{group}", "impacts", "dB", phase, _span(group), 1, f"{says} ({where}).", _PLAY)
        for stem, phase, says in _STEMS
        for group, where in _WHERE.items()
    ),
    row(
        "burst_same_speed",
        "impacts",
        "dB",
        "coast_down",
        _SPAN,
        1,
        "The weaker of the bursts that come at one speed, on the way up and on the way down.",
        _PLAY,
    ),
)


def _held(x: Floats, size: int) -> Floats:
    """The same with its ends held for half a window."""
    half = size // 2
    return np.pad(x, ((half, half), (0, 0)), mode="edge")


def stands_over(level_db: Floats) -> Floats:
    """How far a level stands over its own opening, clicks taken out.

    Parameters
    ----------
    level_db : shape (frames, bands), every 10 ms

    Returns
    -------
    shape (frames, bands), dB, never below 0
    """
    calm = running_median(level_db, _MEDIAN)
    opened = running_max(_held(running_min(_held(calm, _OPEN), _OPEN), _OPEN), _OPEN)
    return np.asarray(np.maximum(calm - opened, 0.0), dtype=np.float64)


def measure(scene: Scene) -> dict[str, Value]:
    """All rows of this family; see ``ROWS`` for the meaning of each."""
    values: dict[str, Value] = {
        r.name: missing(f"no {r.phase.replace('_', '-')} was heard") for r in ROWS
    }
    frames = scene.frames
    if frames.time_s.size < 2 * _OPEN:
        return values
    inside = [i for i, (_, hi) in enumerate(BANDS) if hi <= scene.top_hz * 1.02]
    if len(inside) < 3:
        return values
    power = np.empty((frames.time_s.size, len(inside)))
    for i in inside:  # between the tones: a line of the shaft swells at every mode it passes
        power[:, i] = median(frames.power[:, frames.bins(*BANDS[i])], axis=1)
    power = without_clicks(power + 1e-14, 1.0 / frames.hop_s, scene.clicks_s)
    over = stands_over(10 * np.log10(power))
    shares: dict[str, Floats] = {}
    peaks: dict[str, Floats] = {}
    for stem, phase, _ in _STEMS:
        span = scene.spans.get(phase)
        if span is None or span[1] - span[0] < 0.2:
            continue
        if phase == "run_up":
            span = (span[0], span[1] + 0.2)
        elif phase == "steady":
            span = (span[0] + 0.25, span[1] - 0.15)
        else:
            span = (span[0] + 0.1, span[1])
        part = over[scene.frame_slice(span)]
        if part.shape[0] < 5:
            continue
        found = part.max(axis=0)
        ordered = np.sort(found)[::-1]
        values[f"{stem}_best"] = float(ordered[0])
        values[f"{stem}_top3"] = float(ordered[:3].mean())
        for group, index in GROUPS.items():
            known = [found[i] for i in index if i < found.size]
            if known:
                values[f"{stem}_{group}"] = float(max(known))
        peaks[phase] = part
        shares[phase] = _shares(scene, phase, span, part.shape[0])
    if {"run_up", "coast_down"} <= peaks.keys():
        pair = _same_speed(peaks, shares)
        values["burst_same_speed"] = pair
    return values


def _shares(scene: Scene, phase: str, span: tuple[float, float], count: int) -> Floats:
    at = np.linspace(span[0], span[1], count)
    if phase == "run_up" and scene.up_time is not None and scene.up_share is not None:
        return np.asarray(np.interp(at, scene.up_time, scene.up_share), dtype=np.float64)
    if phase == "coast_down" and scene.coast_time is not None and scene.coast_share is not None:
        share = np.interp(at, scene.coast_time, scene.coast_share, right=0.0)
        return np.asarray(share, dtype=np.float64)
    return np.zeros(count)


def _same_speed(peaks: dict[str, Floats], shares: dict[str, Floats]) -> float:
    """The weaker of two bursts in one band at about one share of the speed, best over all."""
    grid = np.linspace(0.1, 1.0, 19)
    best = []
    for phase in ("run_up", "coast_down"):
        table = np.zeros((grid.size, peaks[phase].shape[1]))
        for k, share in enumerate(grid):
            near = np.abs(shares[phase] - share) < 0.11
            if near.any():
                table[k] = peaks[phase][near].max(axis=0)
        best.append(table)
    return float(np.minimum(best[0], best[1]).max())
