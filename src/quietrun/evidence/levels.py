"""Levels against time and speed: the power-cut split, speed exponents, start-up, shape.

Levels are those of the *noise* between the tones (medians over the bins of a
half-octave band), so that neither the hum of the start nor a blade tone
stands for a rattle. Only differences within one band of one clip are used,
so that the phone's own response and the distance cancel; the shape family is
the exception and says so.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.order import median, quantile
from quietrun.evidence.rows import Value, missing, row
from quietrun.evidence.scene import NOISE_EDGES, Scene

Floats = NDArray[np.float64]

_AIR = (
    "Fan noise grows with about the 5th to 6th power of speed, rolling with the 2nd to 3rd, "
    "rubbing with the 1st to 2nd. Handbook values, from memory"
)
_PLAY = "Play in driven parts rattles while torque reverses. Common practice, no source"
_CUT = (
    "Power-cut test of the motor trade: what dies at once is electrical. Common practice, no source"
)

#: stem, family, unit, phase, worse, sentence, source of each quantity measured band by band
_STEMS = (
    (
        "exponent",
        "speed_exponent",
        "",
        "coast_down",
        -1,
        "How steeply the noise falls with speed",
        _AIR,
    ),
    (
        "coast_keep",
        "speed_exponent",
        "dB",
        "coast_down",
        1,
        "What is left of the noise at about 60 % speed, against the steady run",
        _AIR,
    ),
    (
        "late_keep",
        "speed_exponent",
        "dB",
        "coast_down",
        1,
        "What is left of the noise at about 30 % speed, against the steady run",
        _AIR,
    ),
    (
        "hold",
        "speed_exponent",
        "dB",
        "coast_down",
        1,
        "What is left of the noise half way through the audible coast-down",
        _AIR,
    ),
    (
        "end_over",
        "speed_exponent",
        "dB",
        "coast_down",
        1,
        "How loud the noise still is just before it stops: rubbing stops, air fades",
        _AIR,
    ),
    (
        "cut_drop",
        "power_cut",
        "dB",
        "coast_down",
        0,
        "How much of the noise falls silent at once when power is cut",
        _CUT,
    ),
    (
        "start_excess",
        "power_cut",
        "dB",
        "run_up",
        1,
        "How far the loud part of the run-up stands over the steady run",
        _PLAY,
    ),
    (
        "start_over_coast",
        "power_cut",
        "dB",
        "run_up",
        1,
        "Noise of the run-up over that of the coast-down at the same speeds",
        _PLAY,
    ),
    (
        "start_early",
        "power_cut",
        "dB",
        "run_up",
        1,
        "Noise of the first third of the run-up against the steady run",
        _PLAY,
    ),
    (
        "steady_over_room",
        "shape",
        "dB",
        "steady",
        0,
        "How far the steady noise stands over the room",
        "ISO 3744, background noise",
    ),
    (
        "bump",
        "shape",
        "dB",
        "steady",
        1,
        "Noise of a band against the mean of its neighbours, room taken off",
        "Ours: curvature of the spectrum, less touched by a phone's response than its tilt",
    ),
)
_GROUPS = {"low": (0, 3), "mid": (3, 7), "high": (7, 10), "top": (10, 13)}
_WHERE = {
    "low": "low bands",
    "mid": "middle bands",
    "high": "high bands",
    "top": "highest bands",
    "most": "most marked band",
    "three": "three most marked bands",
    "odd": "three most marked bands against the middle one",
}


def _span(group: str) -> tuple[float, float]:
    a, b = _GROUPS.get(group, (0, len(NOISE_EDGES) - 1))
    # rows over all bands need only the middle ones to be there
    return float(NOISE_EDGES[a]), float(NOISE_EDGES[b if group in _GROUPS else 7])


ROWS = (
    *(
        row(
            f"{stem}_{group}",
            family,
            unit,
            phase,
            _span(group),
            worse,
            f"{says} ({where}).",
            source,
        )
        for stem, family, unit, phase, worse, says, source in _STEMS
        for group, where in _WHERE.items()
    ),
    row(
        "tilt",
        "shape",
        "dB/oct",
        "steady",
        (355.0, 5000.0),
        1,
        "Tilt of the steady noise spectrum.",
        "Ours",
    ),
    row(
        "coast_tilt_shift",
        "shape",
        "dB/oct",
        "coast_down",
        (355.0, 5000.0),
        1,
        "How the tilt changes from the steady run to about 60 % speed.",
        "Ours",
    ),
    row(
        "start_tilt_shift",
        "shape",
        "dB/oct",
        "run_up",
        (355.0, 5000.0),
        1,
        "How the tilt of the run-up differs from that of the steady run.",
        "Ours",
    ),
    row(
        "steady_wander",
        "shape",
        "dB",
        "steady",
        (700.0, 5000.0),
        1,
        "How much the noise wanders from tenth to tenth of a second in the steady run.",
        "Ours",
    ),
    row(
        "stops_together",
        "speed_exponent",
        "",
        "coast_down",
        None,
        1,
        "Share of the bands that fall silent within 0.3 s of the last one.",
        "What rubs stops with the shaft in all bands at once; air fades band by band. Ours",
    ),
)


def _db(x: Floats | float) -> Floats:
    return np.asarray(10 * np.log10(np.maximum(x, 1e-15)))


def share_of_frames(scene: Scene) -> Floats | None:
    """Speed share at every frame after switch-off (0 before), or None without a track."""
    return _share_at(scene, scene.frames.time_s)


def _share_at(scene: Scene, t: Floats) -> Floats | None:
    if scene.coast_time is None or scene.coast_share is None or scene.coast_time.size < 4:
        return None
    share = np.interp(t, scene.coast_time, scene.coast_share, left=0.0, right=0.0)
    share[t < scene.coast_time[0] + 0.03] = 0.0
    return share


def _up_share_at(scene: Scene, t: Floats) -> Floats | None:
    if scene.up_time is None or scene.up_share is None:
        return None
    return np.interp(t, scene.up_time, scene.up_share, left=0.0, right=0.0)


def measure(scene: Scene) -> dict[str, Value]:
    """All rows of this family; see ``ROWS`` for the meaning of each."""
    values: dict[str, Value] = {r.name: missing(f"no {r.phase} in reach") for r in ROWS}
    span = scene.spans.get("steady")
    if span is None:
        return values
    t, noise, room = scene.noise_time, scene.noise, scene.noise_room
    steady_part = noise[(t > max(span[0], span[1] - 4.0)) & (t < span[1])]
    if steady_part.shape[0] < 5:
        return values
    steady = median(steady_part, axis=0)
    clean = np.maximum(steady - room, 0.05 * room + 1e-14)
    usable = (NOISE_EDGES[1:] <= scene.top_hz * 1.03) & ((room <= 0) | (steady > 1.5 * room))
    bands: dict[str, Floats] = {stem: np.full(room.size, np.nan) for stem, *_ in _STEMS}
    if room.max() > 0:
        bands["steady_over_room"] = np.clip(_db(steady / np.maximum(room, 1e-14)), -3, 50)
        bands["steady_over_room"][NOISE_EDGES[1:] > scene.top_hz * 1.03] = np.nan
    density = _db(clean / np.diff(NOISE_EDGES))
    bump = density - 0.5 * (np.roll(density, 1) + np.roll(density, -1))
    bump[[0, -1]] = np.nan
    reach = np.flatnonzero(usable)
    if reach.size:
        bump[reach[-1] :] = np.nan
    bands["bump"] = np.where(usable, np.clip(bump, -20, 20), np.nan)
    _coast(scene, usable, clean, bands, values)
    _start(scene, usable, clean, bands)
    for stem, found in bands.items():
        worse = next(s[4] for s in _STEMS if s[0] == stem)
        _gather(stem, found, -1 if worse < 0 else 1, values)
    _tilts(scene, usable, clean, values)
    middle = steady_part[:, 3:7].sum(axis=1)
    blocks = middle[: middle.size // 3 * 3].reshape(-1, 3).mean(axis=1)
    if blocks.size >= 4:
        values["steady_wander"] = float(_db(blocks).std())
    return values


def _gather(stem: str, found: Floats, sign: int, values: dict[str, Value]) -> None:
    """Most marked band, the three most marked, and each group's most marked."""
    known = np.sort(found[~np.isnan(found)] * sign)[::-1]
    if known.size < 2:
        return
    values[f"{stem}_most"] = float(sign * known[0])
    values[f"{stem}_three"] = float(sign * known[:3].mean())
    if known.size >= 5:
        values[f"{stem}_odd"] = float(known[:3].mean() - median(known))
    for group, (a, b) in _GROUPS.items():
        part = found[a:b]
        part = part[~np.isnan(part)]
        if part.size:
            values[f"{stem}_{group}"] = float(sign * (part * sign).max())


def _coast(
    scene: Scene,
    usable: NDArray[np.bool_],
    clean: Floats,
    bands: dict[str, Floats],
    values: dict[str, Value],
) -> None:
    if "coast_down" not in scene.spans:
        return
    off = scene.spans["coast_down"][0]
    t, noise, room = scene.noise_time, scene.noise, scene.noise_room
    before = noise[(t > off - 0.40) & (t < off - 0.05)]
    after = noise[(t > off + 0.05) & (t < off + 0.22)]
    rest = t > off + 0.04
    if before.shape[0] < 3 or after.shape[0] < 3 or rest.sum() < 8:
        return
    share = _share_at(scene, t)
    begin = np.maximum(after.mean(axis=0) - room, 0.05 * room + 1e-14)
    bands["cut_drop"] = np.where(
        usable,
        np.clip(_db(np.maximum(before.mean(axis=0) - room, 1e-14)) - _db(begin), -6, 30),
        np.nan,
    )
    coasting = noise[rest]
    when = t[rest]
    smooth = coasting.copy()
    smooth[1:-1] = (coasting[:-2] + coasting[1:-1] + coasting[2:]) / 3
    ends = np.full(room.size, np.nan)
    for i in np.flatnonzero(usable):
        over = smooth[:, i] > 2.0 * max(room[i], 1e-14)
        quiet = np.flatnonzero(~over[:-1] & ~over[1:])
        last = int(quiet[0]) if quiet.size else over.size
        if last < 4:
            continue
        ends[i] = when[min(last, when.size - 1)]
        audible = ends[i] - off
        half = smooth[min(int(0.5 * last), last - 1), i]
        bands["hold"][i] = np.clip(_db(max(half - room[i], 1e-14)) - _db(begin[i]), -35, 10)
        if quiet.size and audible > 0.5:
            near = smooth[max(0, last - 12) : max(1, last - 4), i].mean()
            bands["end_over"][i] = np.clip(_db(near / max(room[i], 1e-14)), 0, 40)
    known = ends[~np.isnan(ends)]
    if known.size >= 4:
        values["stops_together"] = float((known > known.max() - 0.3).mean())
    if share is None:
        return
    for i in np.flatnonzero(usable):
        left = np.maximum(noise[:, i] - room[i], 0.05 * room[i] + 1e-14)
        use = (share > 0.2) & (share < 0.97) & (noise[:, i] > 1.6 * room[i])
        if use.sum() >= 5:
            x, y = 10 * np.log10(share[use]), _db(left[use])
            spread = float(np.var(x))
            if spread > 0.16:
                slope = float(np.mean((x - x.mean()) * (y - y.mean())) / spread)
                bands["exponent"][i] = np.clip(slope, -3.0, 10.0)
        for stem, lo, hi in (("coast_keep", 0.45, 0.75), ("late_keep", 0.2, 0.42)):
            part = (share > lo) & (share < hi)
            if part.sum() >= 2:
                bands[stem][i] = np.clip(_db(left[part].mean()) - _db(clean[i]), -35, 15)


def _start(
    scene: Scene, usable: NDArray[np.bool_], clean: Floats, bands: dict[str, Floats]
) -> None:
    span = scene.spans.get("run_up")
    if span is None or span[1] - span[0] < 0.12:
        return
    t, noise, room = scene.noise_time, scene.noise, scene.noise_room
    part = (t > span[0] + 0.03) & (t < span[1])
    if part.sum() < 3:
        return
    loud = quantile(noise[part], 0.85, axis=0)
    floor = 0.05 * room + 1e-14
    bands["start_excess"] = np.where(
        usable, np.clip(_db(np.maximum(loud - room, floor)) - _db(clean), -25, 30), np.nan
    )
    early = (t > span[0] + 0.05) & (t < span[0] + 0.05 + max(0.1, 0.33 * (span[1] - span[0])))
    if early.sum() >= 2:
        first = median(noise[early], axis=0)
        bands["start_early"] = np.where(
            usable, np.clip(_db(np.maximum(first - room, floor)) - _db(clean), -30, 25), np.nan
        )
    up, down = _up_share_at(scene, t), _share_at(scene, t)
    if up is None or down is None:
        return
    excess, weight = np.zeros(room.size), 0
    for lo, hi in ((0.25, 0.45), (0.45, 0.65), (0.65, 0.85)):
        rising = part & (up > lo) & (up < hi)
        falling = (down > lo) & (down < hi)
        if rising.sum() >= 1 and falling.sum() >= 2:
            one = np.maximum(noise[rising].mean(axis=0) - room, floor)
            two = np.maximum(noise[falling].mean(axis=0) - room, floor)
            excess += _db(one) - _db(two)
            weight += 1
    if weight:
        bands["start_over_coast"] = np.where(usable, np.clip(excess / weight, -15, 30), np.nan)


def _tilt(energy: Floats, usable: NDArray[np.bool_]) -> float | None:
    centre = np.log2(np.sqrt(NOISE_EDGES[:-1] * NOISE_EDGES[1:]) / 1000.0)
    if usable.sum() < 5:
        return None
    density = _db(energy / np.diff(NOISE_EDGES))
    return float(np.polyfit(centre[usable], density[usable], 1)[0])


def _tilts(
    scene: Scene, usable: NDArray[np.bool_], clean: Floats, values: dict[str, Value]
) -> None:
    steady = _tilt(clean, usable)
    if steady is None:
        return
    values["tilt"] = steady
    t, noise, room = scene.noise_time, scene.noise, scene.noise_room
    share = _share_at(scene, t)
    if share is not None:
        middle = (share > 0.45) & (share < 0.75)
        if middle.sum() >= 2:
            left = np.maximum(noise[middle].mean(axis=0) - room, 0.05 * room + 1e-14)
            coast = _tilt(left, usable)
            if coast is not None:
                values["coast_tilt_shift"] = coast - steady
    if "run_up" in scene.spans:
        a, b = scene.spans["run_up"]
        part = (t > a + 0.03) & (t < b)
        if part.sum() >= 3:
            loud = np.maximum(quantile(noise[part], 0.8, axis=0) - room, 0.05 * room + 1e-14)
            start = _tilt(loud, usable)
            if start is not None:
                values["start_tilt_shift"] = start - steady
