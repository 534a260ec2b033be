"""Levels against time and speed: the power-cut split, speed exponents, start-up, shape.

Only differences within one band of one clip are used, so that the phone's
own response and the distance cancel; the shape family is the exception and
says so.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from quietrun.evidence.rows import Value, missing, row
from quietrun.evidence.scene import LEVEL_EDGES, LEVEL_TAGS, Scene

Floats = NDArray[np.float64]

_AIR = "Fan noise grows with about the 5th to 6th power of speed, rolling 2nd to 3rd, rubbing 1st to 2nd"

ROWS = tuple(
    feature
    for tag, lo, hi in zip(LEVEL_TAGS, LEVEL_EDGES[:-1], LEVEL_EDGES[1:], strict=True)
    for feature in (
        row(
            f"cut_drop_{tag}",
            "power_cut",
            "dB",
            "coast_down",
            (lo, hi),
            0,
            "How much of this band falls silent at once when power is cut.",
            "Power-cut test of the motor trade: what dies at once is electrical. Common practice, no source",
        ),
        row(
            f"exponent_{tag}",
            "speed_exponent",
            "",
            "coast_down",
            (lo, hi),
            -1,
            "How steeply this band's level falls with speed.",
            _AIR + ". Handbook values, from memory",
        ),
        row(
            f"coast_keep_{tag}",
            "speed_exponent",
            "dB",
            "coast_down",
            (lo, hi),
            1,
            "What is left of this band at about 60 % speed, against the steady run.",
            _AIR,
        ),
        row(
            f"late_keep_{tag}",
            "speed_exponent",
            "dB",
            "coast_down",
            (lo, hi),
            1,
            "What is left of this band at about 30 % speed, against the steady run.",
            _AIR,
        ),
        row(
            f"start_excess_{tag}",
            "power_cut",
            "dB",
            "run_up",
            (lo, hi),
            1,
            "How far the loudest part of the run-up stands over the steady run in this band.",
            "Play in driven parts rattles while torque reverses. Common practice, no source",
        ),
        row(
            f"steady_over_room_{tag}",
            "shape",
            "dB",
            "steady",
            (lo, hi),
            0,
            "How far the steady run stands over the room in this band.",
            "ISO 3744, background noise",
        ),
        row(
            f"shape_{tag}",
            "shape",
            "dB",
            "steady",
            (lo, hi),
            0,
            "This band's level against the mean of its two neighbours, room taken off.",
            "Ours: curvature of the spectrum, less touched by a phone's response than its tilt",
        ),
    )
) + (
    row(
        "tilt",
        "shape",
        "dB/oct",
        "steady",
        (355.0, 9000.0),
        1,
        "Tilt of the steady spectrum from 355 Hz to 9 kHz.",
        "Ours",
    ),
    row(
        "centroid",
        "shape",
        "oct",
        "steady",
        (180.0, 15000.0),
        1,
        "Centre of the steady spectrum, octaves over 1 kHz.",
        "Spectral centroid, power weighted",
    ),
    row(
        "coast_centroid_shift",
        "shape",
        "oct",
        "coast_down",
        (180.0, 15000.0),
        1,
        "How far the spectrum's centre moves from the steady run to about 60 % speed.",
        "Ours",
    ),
    row(
        "start_centroid_shift",
        "shape",
        "oct",
        "run_up",
        (180.0, 15000.0),
        1,
        "How far the spectrum's centre in the run-up lies above that of the steady run.",
        "Ours",
    ),
    row(
        "steady_wander",
        "shape",
        "dB",
        "steady",
        (710.0, 9000.0),
        1,
        "How much the level wanders from tenth to tenth of a second in the steady run.",
        "Ours",
    ),
)


def _db(x: Floats | float) -> Floats:
    return 10 * np.log10(np.maximum(x, 1e-14))


def _clean(energy: Floats, room: Floats) -> Floats:
    """Energy over the room's, not below a twentieth of the room's."""
    return np.maximum(energy - room, 0.05 * room + 1e-14)


def _centroid(energy: Floats) -> float:
    """Power-weighted mean of log2(f / 1 kHz) over the level bands from 180 Hz."""
    centre = np.log2(np.sqrt(LEVEL_EDGES[:-1] * LEVEL_EDGES[1:]) / 1000.0)[1:]
    e = energy[1:]
    return float(np.sum(e * centre) / max(float(e.sum()), 1e-20))


def share_of_frames(scene: Scene) -> Floats | None:
    """Speed share at every frame after switch-off (0 before), or None without a track."""
    if scene.coast_time is None or scene.coast_share is None or scene.coast_time.size < 4:
        return None
    t = scene.frames.time_s
    share = np.interp(t, scene.coast_time, scene.coast_share, left=0.0, right=0.0)
    share[t < scene.coast_time[0] + 0.03] = 0.0
    return share


def measure(scene: Scene) -> dict[str, Value]:
    """All rows of this family; see ``ROWS`` for the meaning of each."""
    values: dict[str, Value] = {}
    room = scene.level_room
    steady_span = scene.spans.get("steady")
    if steady_span is None:
        return {r.name: missing("no steady run was heard") for r in ROWS}
    a, b = steady_span
    steady_frames = scene.level[scene.frame_slice((max(a, b - 4.0), b))]
    if steady_frames.shape[0] < 10:
        return {r.name: missing("the steady run is too short") for r in ROWS}
    steady = np.median(steady_frames, axis=0)
    clean = _clean(steady, room)
    top_band = scene.top_hz
    usable = LEVEL_EDGES[1:] <= top_band * 1.02
    share = share_of_frames(scene)
    off = scene.spans["coast_down"][0] if "coast_down" in scene.spans else None
    level = scene.level
    before = after = None
    if off is not None:
        before = level[scene.frame_slice((off - 0.40, off - 0.06))]
        after = level[scene.frame_slice((off + 0.04, off + 0.22))]
    run_up = level[scene.frame_slice(scene.spans["run_up"])] if "run_up" in scene.spans else None
    for i, tag in enumerate(LEVEL_TAGS):
        if not usable[i]:
            why = missing("the recording does not reach this band")
            for name in (
                "cut_drop",
                "exponent",
                "coast_keep",
                "late_keep",
                "start_excess",
                "steady_over_room",
                "shape",
            ):
                values[f"{name}_{tag}"] = why
            continue
        over = float(_db(steady[i] / max(room[i], 1e-13)))
        values[f"steady_over_room_{tag}"] = (
            min(over, 50.0) if room[i] > 0 else missing("the room was not heard alone")
        )
        heard = room[i] <= 0 or over > 2.0
        if before is not None and after is not None and min(len(before), len(after)) >= 5 and heard:
            drop = _db(_clean(before[:, i].mean(), room[i])) - _db(
                _clean(after[:, i].mean(), room[i])
            )
            values[f"cut_drop_{tag}"] = float(np.clip(drop, -6.0, 30.0))
        else:
            values[f"cut_drop_{tag}"] = missing("no switch-off heard in this band")
        exponent, keep, late = _against_speed(level[:, i], room[i], clean[i], share, heard)
        values[f"exponent_{tag}"] = exponent
        values[f"coast_keep_{tag}"] = keep
        values[f"late_keep_{tag}"] = late
        if run_up is not None and len(run_up) >= 8 and heard:
            loud = float(np.quantile(run_up[:, i], 0.9))
            values[f"start_excess_{tag}"] = float(
                np.clip(_db(_clean(loud, room[i])) - _db(clean[i]), -25.0, 30.0)
            )
        else:
            values[f"start_excess_{tag}"] = missing("no run-up heard in this band")
        lo, hi = max(0, i - 1), min(len(LEVEL_TAGS) - 1, i + 1)
        if usable[hi]:
            values[f"shape_{tag}"] = float(
                np.clip(_db(clean[i]) - 0.5 * (_db(clean[lo]) + _db(clean[hi])), -20.0, 20.0)
            )
        else:
            values[f"shape_{tag}"] = missing("the recording does not reach the next band")
    values.update(_whole(scene, clean, room, share, run_up, usable, steady_frames))
    return values


def _against_speed(
    energy: Floats, room: float, steady: float, share: Floats | None, heard: bool
) -> tuple[Value, Value, Value]:
    if share is None or not heard:
        why = missing("the speed of the coast-down was not followed")
        return why, why, why
    clean = _clean(energy, room)
    use = (share > 0.2) & (share < 0.97) & (energy > 1.6 * room)
    exponent: Value = missing("this band fell into the room too soon")
    if use.sum() >= 10:
        x = 10 * np.log10(share[use])
        y = _db(clean[use])
        spread = float(np.var(x))
        if spread > 0.16:
            exponent = float(np.clip(np.mean((x - x.mean()) * (y - y.mean())) / spread, -3.0, 10.0))
    values: list[Value] = []
    for lo, hi in ((0.45, 0.75), (0.2, 0.42)):
        part = (share > lo) & (share < hi)
        if part.sum() < 3:
            values.append(missing("the coast-down was too quick"))
        else:
            left = float(_db(_clean(float(energy[part].mean()), room)) - _db(steady))
            values.append(float(np.clip(left, -35.0, 15.0)))
    return exponent, values[0], values[1]


def _whole(
    scene: Scene,
    clean: Floats,
    room: Floats,
    share: Floats | None,
    run_up: Floats | None,
    usable: NDArray[np.bool_],
    steady_frames: Floats,
) -> dict[str, Value]:
    values: dict[str, Value] = {}
    e = np.where(usable, clean, 0.0)
    octave = np.log2(np.sqrt(LEVEL_EDGES[:-1] * LEVEL_EDGES[1:]) / 1000.0)
    part = usable & (LEVEL_EDGES[:-1] >= 355) & (LEVEL_EDGES[1:] <= 9000)
    density = _db(clean / np.diff(LEVEL_EDGES))
    if part.sum() >= 4:
        values["tilt"] = float(np.polyfit(octave[part], density[part], 1)[0])
    else:
        values["tilt"] = missing("the recording's band is too narrow")
    values["centroid"] = _centroid(e)
    values["coast_centroid_shift"] = missing("the speed of the coast-down was not followed")
    if share is not None:
        mid = (share > 0.45) & (share < 0.75)
        if mid.sum() >= 3:
            left = np.where(usable, _clean(scene.level[mid].mean(axis=0), room), 0.0)
            values["coast_centroid_shift"] = _centroid(left) - _centroid(e)
    values["start_centroid_shift"] = missing("no run-up was heard")
    if run_up is not None and len(run_up) >= 8:
        loud = np.where(usable, _clean(np.quantile(run_up, 0.8, axis=0), room), 0.0)
        values["start_centroid_shift"] = _centroid(loud) - _centroid(e)
    middle = steady_frames[:, 3:7].sum(axis=1)
    blocks = middle[: middle.size // 10 * 10].reshape(-1, 10).mean(axis=1)
    values["steady_wander"] = (
        float(_db(blocks).std()) if blocks.size >= 4 else missing("the steady run is too short")
    )
    return values
