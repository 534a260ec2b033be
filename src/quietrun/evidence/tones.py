"""Tones of the high band, and the times of the run."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.order import median, quantile
from quietrun.evidence.levels import share_of_frames
from quietrun.evidence.rows import Value, missing, row
from quietrun.evidence.scene import Scene

Floats = NDArray[np.float64]

_ECMA = "Tone-to-noise ratio after ECMA-418-1 / ISO 7779, on 43 ms spectra"
_BAND = (1500.0, 10000.0)

ROWS = (
    row(
        "tone_best",
        "tones",
        "dB",
        "steady",
        _BAND,
        1,
        "How far the clearest high tone of the steady run stands out.",
        _ECMA,
    ),
    row(
        "tone_count",
        "tones",
        "",
        "steady",
        _BAND,
        1,
        "How many high tones stand out by 8 dB or more in the steady run.",
        _ECMA,
    ),
    row(
        "tone_second",
        "tones",
        "dB",
        "steady",
        _BAND,
        1,
        "How far the third clearest high tone stands out.",
        _ECMA,
    ),
    row(
        "tone_fitful",
        "tones",
        "dB",
        "steady",
        _BAND,
        1,
        "How far high tones come and go in the steady run.",
        "A squeal sets in and breaks off; a whine stays. Common practice, no source",
    ),
    row(
        "tone_coast",
        "tones",
        "dB",
        "coast_down",
        _BAND,
        1,
        "How far the clearest high tone of the coast-down stands out.",
        _ECMA,
    ),
    row(
        "tone_coast_fixed",
        "tones",
        "dB",
        "coast_down",
        _BAND,
        1,
        "Clearest high tone that keeps its pitch while the machine slows down.",
        "A ringing part keeps its pitch, what the shaft makes falls. Common practice, no source",
    ),
    row(
        "tone_follows",
        "tones",
        "dB",
        "coast_down",
        _BAND,
        1,
        "Clearest high tone that falls with the speed once the power is off.",
        "What a turning part makes falls with it. Common practice, no source",
    ),
    row(
        "tone_coast_gain",
        "tones",
        "dB",
        "coast_down",
        _BAND,
        1,
        "High tones of the coast-down against those of the steady run.",
        _ECMA,
    ),
    row(
        "tone_near_rest",
        "tones",
        "dB",
        "coast_down",
        (500.0, 8000.0),
        1,
        "Squeal in the last fifth of the speed.",
        "Start-switch ring: usually harmless. Trade experience",
    ),
    row(
        "tone_start",
        "tones",
        "dB",
        "run_up",
        _BAND,
        1,
        "How far the clearest high tone of the run-up stands out.",
        _ECMA,
    ),
    row(
        "tone_low",
        "tones",
        "dB",
        "steady",
        (180.0, 1500.0),
        0,
        "Clearest tone below 1.5 kHz that is not a mains line.",
        _ECMA,
    ),
    row(
        "peaky",
        "tones",
        "dB",
        "steady",
        _BAND,
        1,
        "How uneven the fine structure of the high steady spectrum is.",
        "Spectral flatness, detrended",
    ),
    row(
        "peaky_coast",
        "tones",
        "dB",
        "coast_down",
        _BAND,
        1,
        "How uneven the fine structure of the high spectrum is in the coast-down.",
        "Spectral flatness, detrended",
    ),
    row(
        "run_up_s",
        "times",
        "s",
        "run_up",
        None,
        1,
        "Time from switch-on to full speed.",
        "Capacitor makers' rule: about 1 s usual, rarely over 3 s",
    ),
    row(
        "coast_down_s",
        "times",
        "s",
        "coast_down",
        None,
        0,
        "Time from switch-off to rest.",
        "No published figure for grinders: compare with the machine's own",
    ),
    row(
        "coast_coulomb",
        "times",
        "",
        "coast_down",
        None,
        1,
        "Share of the drag at running speed that does not depend on speed.",
        "dw/dt = -(a + b w + c w^2)",
    ),
    row(
        "coast_half_share",
        "times",
        "",
        "coast_down",
        None,
        0,
        "Time to half speed over time to rest.",
        "dw/dt = -(a + b w + c w^2)",
    ),
    row(
        "slip_percent",
        "times",
        "%",
        "steady",
        None,
        1,
        "How far the shaft runs below synchronous speed.",
        "120 f / p",
    ),
    row(
        "hum_rise",
        "power_cut",
        "dB",
        "steady",
        (90.0, 1300.0),
        0,
        "How far twice the mains and its multiples stand out of the steady run.",
        "Force between stator and rotor pulls at twice the mains",
    ),
    row(
        "fades_early",
        "speed_exponent",
        "",
        "coast_down",
        None,
        0,
        "Share of the coast-down in which the machine is still heard.",
        "Ours",
    ),
)


def _rise(level: Floats, half: int) -> Floats:
    """Level over the mean of its surroundings (the three bins at the centre left out)."""
    width = 2 * half + 1
    pad = np.pad(level, [(0, 0)] * (level.ndim - 1) + [(half + 1, half)], mode="edge")
    total = np.cumsum(pad, axis=-1)
    around = (total[..., width:] - total[..., :-width]) / width
    return np.asarray(level - around)


def _peaks(rise: Floats, least: float) -> NDArray[np.int64]:
    inner = rise[1:-1]
    top = (inner > rise[:-2]) & (inner >= rise[2:]) & (inner >= least)
    return np.flatnonzero(top) + 1


def measure(scene: Scene) -> dict[str, Value]:
    """All rows of this family; see ``ROWS`` for the meaning of each."""
    values: dict[str, Value] = {r.name: missing("not heard") for r in ROWS}
    _times(scene, values)
    steady = scene.spans.get("steady")
    if steady is None:
        return values
    frames = scene.frames
    top = min(_BAND[1], scene.top_hz * 0.97)
    if top > 2500.0:
        _high(scene, frames.bins(_BAND[0], top), steady, values)
    _low(scene, frames.bins(180.0, 1500.0), steady, values)
    return values


def _high(scene: Scene, bins: slice, steady: tuple[float, float], values: dict[str, Value]) -> None:
    frames = scene.frames
    where = scene.frame_slice((max(steady[0] + 0.05, steady[1] - 4.0), steady[1] - 0.03))
    power = frames.power[where, bins].astype(np.float64)
    if power.shape[0] < 12:
        return
    half = 9
    mean_level = 10 * np.log10(power.mean(axis=0) + 1e-15)
    rise = _rise(mean_level, half)
    heights = np.sort(rise[_peaks(rise, 1.0)])[::-1]
    heights = np.concatenate([heights, np.zeros(3)])
    values["tone_best"] = float(heights[0])
    values["tone_second"] = float(heights[2])
    values["tone_count"] = float(min(12, int((heights >= 8.0).sum())))
    values["peaky"] = float(rise.std())
    count = power.shape[0] // 4
    short = 10 * np.log10(power[: count * 4].reshape(count, 4, -1).mean(axis=1) + 1e-15)
    frame_best = _rise(short, half).max(axis=1)
    values["tone_fitful"] = float(quantile(frame_best, 0.95) - quantile(frame_best, 0.25))
    values["tone_near_rest"] = missing("the end of the coast-down was not heard")
    share = share_of_frames(scene)
    if share is not None:
        _coast_tones(scene, bins, share, float(heights[0]), values)
    if "run_up" in scene.spans:
        span = scene.frame_slice(scene.spans["run_up"])
        part = frames.power[span, bins].astype(np.float64)
        size = part.shape[0] // 4
        if size >= 2:
            level = 10 * np.log10(part[: size * 4].reshape(size, 4, -1).mean(axis=1) + 1e-15)
            values["tone_start"] = float(quantile(_rise(level, half).max(axis=1), 0.8))


def _coast_tones(
    scene: Scene, bins: slice, share: Floats, steady_best: float, values: dict[str, Value]
) -> None:
    frames = scene.frames
    half = 9
    coast = np.flatnonzero((share > 0.2) & (share < 0.95))
    if coast.size >= 12:
        power = frames.power[coast[0] : coast[-1] + 1, bins].astype(np.float64)
        group = max(3, power.shape[0] // 40)
        size = power.shape[0] // group
        level = 10 * np.log10(power[: size * group].reshape(size, group, -1).mean(axis=1) + 1e-15)
        rise = _rise(level, half)
        values["tone_coast"] = float(quantile(rise.max(axis=1), 0.7))
        values["tone_coast_gain"] = float(values["tone_coast"]) - steady_best  # type: ignore[arg-type]
        fixed = _rise(level.mean(axis=0), half)
        values["tone_coast_fixed"] = float(fixed.max())
        values["peaky_coast"] = float(rise.std(axis=1).mean())
    values["tone_follows"] = _following(scene, share)
    slow = np.flatnonzero((share > 0.03) & (share < 0.22))
    if slow.size >= 6:
        low = frames.bins(500.0, min(8000.0, scene.top_hz * 0.97))
        level = 10 * np.log10(frames.power[slow, low].astype(np.float64) + 1e-15)
        room_frames = scene.frame_slice(scene.spans.get("rest", scene.spans.get("room", (0, 0))))
        room = frames.power[room_frames, low]
        over = level
        if room.shape[0] >= 8:
            over = level - 10 * np.log10(quantile(room, 0.9, axis=0).astype(np.float64) + 1e-15)
        rise = np.minimum(_rise(level, half), over)
        values["tone_near_rest"] = float(np.clip(quantile(rise.max(axis=1), 0.7), 0, 30))


def _following(scene: Scene, share: Floats) -> Value:
    """Mean rise along the tone that keeps its ratio to the speed, best over all, dB."""
    frames = scene.frames
    early = np.flatnonzero((share > 0.6) & (share < 0.98))
    top = min(_BAND[1], scene.top_hz * 0.97)
    if early.size < 8 or top < 3000.0:
        return missing("the coast-down is too short, or its speed was not followed")
    low = frames.bins(_BAND[0] * 0.6, top)
    power = frames.power[early[0] : early[-1] + 1, low].astype(np.float64)
    group = max(1, power.shape[0] // 24)
    count = power.shape[0] // group
    level = 10 * np.log10(power[: count * group].reshape(count, group, -1).mean(axis=1) + 1e-15)
    rise = _rise(level, 9)
    speeds = share[early[0] : early[-1] + 1][: count * group].reshape(count, group).mean(axis=1)
    wide = rise.copy()  # a speed that is a little off still meets the tone
    wide[:, 1:] = np.maximum(wide[:, 1:], rise[:, :-1])
    wide[:, :-1] = np.maximum(wide[:, :-1], rise[:, 1:])
    at_speed = np.geomspace(_BAND[0], top, 500)
    index = np.rint(at_speed[None, :] * speeds[:, None] / frames.freqs_hz[1]).astype(int)
    index = np.clip(index - low.start, 0, wide.shape[1] - 1)
    along = np.take_along_axis(wide, index, axis=1)
    return float(median(along, axis=0).max())


def _low(scene: Scene, bins: slice, steady: tuple[float, float], values: dict[str, Value]) -> None:
    frames = scene.frames
    where = scene.frame_slice((max(steady[0] + 0.05, steady[1] - 4.0), steady[1] - 0.03))
    power = frames.power[where, bins]
    if power.shape[0] < 12:
        return
    rise = _rise(10 * np.log10(power.mean(axis=0).astype(np.float64) + 1e-15), 9)
    freqs = frames.freqs_hz[bins]
    lines = []
    if scene.mains_hz:
        near = np.abs(freqs / (2 * scene.mains_hz) - np.rint(freqs / (2 * scene.mains_hz)))
        electric = near * 2 * scene.mains_hz < frames.freqs_hz[1]
        lines = rise[electric]
        rise = np.where(electric, 0.0, rise)
        values["hum_rise"] = float(np.clip(np.sort(lines)[-3:].mean(), -5, 30))
    values["tone_low"] = float(np.clip(rise.max(), 0, 30))


def _times(scene: Scene, values: dict[str, Value]) -> None:
    run = scene.run
    if run.power_on_s is not None and run.at_speed_s is not None:
        values["run_up_s"] = run.at_speed_s - run.power_on_s
    if run.slip_percent is not None:
        values["slip_percent"] = run.slip_percent
    coast = run.coast
    if coast is None:
        return
    values["coast_down_s"] = coast.duration_s
    if coast.coulomb is not None:
        values["coast_coulomb"] = coast.coulomb
    if coast.half_speed_s is not None and coast.duration_s > 0:
        values["coast_half_share"] = coast.half_speed_s / coast.duration_s
    if "coast_down" in scene.spans:
        a, b = scene.spans["coast_down"]
        noise = scene.noise[(scene.noise_time > a) & (scene.noise_time < b)]
        if noise.shape[0] >= 8:
            heard = (noise > 1.8 * scene.noise_room).mean(axis=1) > 0.3
            values["fades_early"] = float(heard.mean())
