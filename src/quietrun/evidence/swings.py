"""Swings: narrow bands whose loudness comes and goes more than that of steady noise.

What knocks, chatters or chirps rings in a mode of the part it strikes, and a mode is narrower than
the half octaves of the other families. Each sixth of an octave is held against its own middle
level, so phone, room and distance cancel; and against the bands around it, so that talk, gain
riding and a wandering speed, which swing all bands together, cancel too.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.order import median, quantile
from quietrun.dsp.running import running_median
from quietrun.dsp.stats import noise_rise_db
from quietrun.evidence.rows import Value, missing, row
from quietrun.evidence.scene import Scene, quiet_frames, without_clicks

Floats = NDArray[np.float64]

EDGES_HZ = np.geomspace(300.0, 14000.0, 34)
_GROUPS = {"low": (300.0, 1000.0), "mid": (1000.0, 3200.0), "high": (3200.0, 14000.0)}
_CLEAR_HZ = 700.0  # below it shaft and mains lines beat with each other in healthy machines
_REACH = 7  # neighbours to each side that a band is held against; the next one is left out
_SHARE = 0.95  # of the time a band is below its loud moments
_AROUND = 31  # frames: in the coast-down a band is held against its own running middle
_STEADY_S = 5.0
_OURS = "Ours; steady noise by Wilson and Hilferty's law for chi-square"
_WHERE = {
    **{name: f"{lo / 1000:g} to {hi / 1000:g} kHz" for name, (lo, hi) in _GROUPS.items()},
    "best": "clearest band",
    "top3": "three clearest bands",
}
_STEMS = (
    ("swing", "steady", "How far loud moments of a narrow band stand over its middle level"),
    ("swing_alone", "steady", "How far a narrow band swings more than the bands around it"),
    ("coast_swing", "coast_down", "How far a narrow band swings while the machine slows down"),
)

ROWS = tuple(
    row(
        f"{stem}_{group}",
        "impacts",
        "dB",
        phase,
        _GROUPS.get(group, (_CLEAR_HZ, 14000.0)),
        1,
        f"{says} ({where}).",
        _OURS,
    )
    for stem, phase, says in _STEMS
    for group, where in _WHERE.items()
)


def measure(scene: Scene) -> dict[str, Value]:
    """All rows of this family; see ``ROWS`` for the meaning of each."""
    values: dict[str, Value] = {
        r.name: missing(f"no {r.phase.replace('_', '-')} long enough was heard") for r in ROWS
    }
    frames = scene.frames
    spans = list(_narrow(scene))
    if len(spans) < _REACH:
        because = missing("the recording does not reach enough bands")
        return {r.name: because for r in ROWS}
    centres = np.array([np.sqrt(lo * hi) for lo, hi, _ in spans])
    bins = np.array([part.stop - part.start for _, _, part in spans])
    power = np.stack([frames.power[:, part].mean(axis=1) for *_, part in spans], axis=1)
    power = without_clicks(power.astype(np.float64) + 1e-15, 1.0 / frames.hop_s, scene.clicks_s)
    still = quiet_frames(frames, scene.spans)
    room = median(power[still], axis=0) if still.sum() >= 10 else np.zeros(len(spans))
    steady = scene.spans.get("steady")
    if steady is not None:
        a, b = max(steady[0] + 0.1, steady[1] - _STEADY_S), steady[1] - 0.1
        part = power[scene.frame_slice((a, b))]
        if part.shape[0] >= 20:
            over = 10 * np.log10(part / np.maximum(median(part, axis=0), 1.2 * room))
            _gather("swing", _loud(over, bins), centres, values)
    coast = scene.spans.get("coast_down")
    if coast is not None:
        part = power[scene.frame_slice((coast[0] + 0.1, coast[1] - 0.05))]
        if part.shape[0] > _AROUND + 10:
            level = 10 * np.log10(np.maximum(part, 1.2 * room))
            _gather(
                "coast_swing",
                _loud(level - running_median(level, _AROUND, every=4), bins),
                centres,
                values,
            )
    return values


def _narrow(scene: Scene) -> Iterator[tuple[float, float, slice]]:
    """Edges and bins of the bands that the recording holds."""
    for lo, hi in zip(EDGES_HZ[:-1].tolist(), EDGES_HZ[1:].tolist(), strict=True):
        part = scene.frames.bins(lo, hi)
        if hi <= scene.top_hz * 1.02 and part.stop - part.start >= 1:
            yield lo, hi, part


def _loud(over_db: Floats, bins: NDArray[np.int64]) -> Floats:
    """Loud moments of each band over its middle, less those of steady noise, dB, 0 or more."""
    freedom = np.maximum(2.0 * bins / 1.5, 2.0)  # neighbouring bins of a Hann frame share a third
    steady = noise_rise_db(1.645, freedom)
    return np.asarray(np.maximum(quantile(over_db, _SHARE, axis=0) - steady, 0.0))


def alone(loud: Floats) -> Floats:
    """What each band has over the median of the bands around it.

    Parameters
    ----------
    loud : shape (bands,), dB

    Returns
    -------
    shape (bands,), dB
    """
    out = np.zeros(loud.size)
    for i in range(loud.size):
        near = np.r_[loud[max(0, i - _REACH) : max(0, i - 1)], loud[i + 2 : i + _REACH + 1]]
        out[i] = loud[i] - (float(median(near)) if near.size else 0.0)
    return out


def _gather(stem: str, loud: Floats, centres: Floats, values: dict[str, Value]) -> None:
    clear = centres >= _CLEAR_HZ
    found_by_name = {stem: loud} | ({f"{stem}_alone": alone(loud)} if stem == "swing" else {})
    for name, found in found_by_name.items():
        for group, (lo, hi) in _GROUPS.items():
            inside = (centres >= lo) & (centres < hi)
            if inside.any():
                values[f"{name}_{group}"] = float(found[inside].max())
        if clear.any():
            ordered = np.sort(found[clear])
            values[f"{name}_best"] = float(ordered[-1])
            values[f"{name}_top3"] = float(ordered[-3:].mean())
