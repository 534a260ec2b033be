"""The course of the run: what the start, the switch and the steady run say beside the faults."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.order import median, quantile
from quietrun.evidence.rows import Value, missing, row
from quietrun.evidence.scene import NOISE_EDGES, Scene
from quietrun.run.power import line_tone

Floats = NDArray[np.float64]

_SWITCH = "Centrifugal start switch: opens near 75 % of full speed. Common practice, no source"
_HUM = "Force between stator and rotor pulls at twice the mains"

ROWS = (
    row(
        "steady_fall",
        "times",
        "dB",
        "steady",
        (220.0, 19500.0),
        1,
        "How much the noise falls over the steady run, in most bands at once.",
        "Air noise grows with about the fifth power of speed",
    ),
    row(
        "hum_eases",
        "times",
        "dB",
        "run_up",
        (90.0, 500.0),
        -1,
        "How far the mains hum sinks from the start to the steady run.",
        _HUM,
    ),
    row(
        "hum_swell",
        "times",
        "dB",
        "steady",
        (90.0, 500.0),
        1,
        "How much the mains hum swells and sinks in the steady run.",
        "Slip beat. Common practice, no source",
    ),
    row(
        "open_click",
        "times",
        "dB",
        "run_up",
        (800.0, 15000.0),
        -1,
        "How clear the click of the opening start switch is (0: not heard).",
        _SWITCH,
    ),
    row(
        "close_click",
        "times",
        "dB",
        "coast_down",
        (800.0, 15000.0),
        -1,
        "How clear the click of the closing start switch is (0: not heard).",
        _SWITCH,
    ),
    row(
        "sag_percent",
        "times",
        "%",
        "steady",
        (150.0, 3000.0),
        1,
        "How much slower the shaft turns at the end of the steady run.",
        "Tones of the shaft laid over each other",
    ),
)


def measure(scene: Scene) -> dict[str, Value]:
    """All rows of this family; see ``ROWS`` for the meaning of each."""
    run = scene.run
    values: dict[str, Value] = {
        r.name: missing(f"no {r.phase.replace('_', '-')} was heard") for r in ROWS
    }
    if run.power_on_s is not None and run.at_speed_s is not None:
        values["open_click"] = 0.0 if run.switch_open is None else run.switch_open.rise_db
    if run.power_off_s is not None and run.coast is not None:
        values["close_click"] = 0.0 if run.switch_close is None else run.switch_close.rise_db
    if run.sag_percent is not None:
        values["sag_percent"] = float(np.clip(run.sag_percent, -5.0, 20.0))
    span = scene.spans.get("steady")
    if span is None or span[1] - span[0] < 1.0:
        return values
    values["steady_fall"] = _fall(scene, span)
    _hum(scene, span, values)
    return values


def _fall(scene: Scene, span: tuple[float, float]) -> Value:
    a, b = span[0] + 0.15, span[1] - 0.05
    part = 0.25 * (b - a)
    t = scene.noise_time
    first, last = scene.noise[(t > a) & (t < a + part)], scene.noise[(t > b - part) & (t < b)]
    if first.shape[0] < 4 or last.shape[0] < 4:
        return missing("the steady run is too short")
    early, late = median(first, axis=0), median(last, axis=0)
    clear = (early > 2.0 * scene.noise_room) & (NOISE_EDGES[1:] <= scene.top_hz)
    if clear.sum() < 3:
        return missing("the machine does not stand out of the room in enough bands")
    room = scene.noise_room[clear]
    was, is_now = early[clear] - room, np.maximum(late[clear] - room, 0.05 * early[clear])
    return float(median(10 * np.log10(was / is_now)))


def _hum(scene: Scene, span: tuple[float, float], values: dict[str, Value]) -> None:
    if scene.mains_hz is None or not scene.run.mains_measured:
        because = missing("the mains hum was not heard")
        values["hum_eases"] = values["hum_swell"] = because
        return
    at = np.arange(span[0] + 0.2, span[1] - 0.15, 0.05)
    if at.size < 8:
        return
    up = scene.spans.get("run_up")
    start = np.arange(up[0] + 0.1, max(up[1] - 0.15, up[0] + 0.2), 0.02) if up else None
    eases, swells = [], []
    for k in (1, 2):
        level = line_tone(scene.frames, 2 * scene.mains_hz * k, at)[1]
        swells.append(float(quantile(level, 0.9) - quantile(level, 0.1)))
        if start is not None:
            first = line_tone(scene.frames, 2 * scene.mains_hz * k, start)[1]
            eases.append(float(median(first) - median(level)))
    values["hum_swell"] = float(min(swells))
    if eases:
        values["hum_eases"] = float(np.mean(eases))
