"""Arrays for the pictures of a report, from a clip and its run.

Nothing here is judged: the same frames and envelopes that the evidence is measured on are
brought into a form that can be drawn.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from quietrun.clip import Clip
from quietrun.dsp.defects import mains_orders
from quietrun.dsp.frames import Frames
from quietrun.dsp.spectra import energy_spectrum, local_floor
from quietrun.evidence.scene import BANDS, Envelope, Scene
from quietrun.machine import Machine
from quietrun.machine.coastdown import half_speed_time, speed, stop_time
from quietrun.machine.kinematics import bearing_orders, blade_pass_hz
from quietrun.report.exhibit import Coast, EnvelopePicture, Line, Mark, Spectrogram, Wave
from quietrun.run import Run
from quietrun.words import PHASES

Floats = NDArray[np.float64]

_COLUMNS = 480
_ROWS = 160
_LOW_HZ, _HIGH_HZ = 60.0, 20000.0
_RANGE_DB = 50.0
_SHADES = 31
_TOP_ORDER = 13.0
_LEAST_ORDERS = 6.0
_STEADY_S = 5.0
#: A line of an envelope spectrum that noise alone shows about once in 3000 lines:
#: exp(-10^(9/10)) = 3.5e-4.
_CLEAR_RISE_DB = 9.0


def wave_of(clip: Clip, run: Run) -> Wave:
    """Lowest and highest sample of each of some hundred columns."""
    columns = max(1, min(_COLUMNS, clip.samples.size))
    parts = np.array_split(clip.samples, columns)
    edges = np.cumsum([0, *(part.size for part in parts)]) / clip.rate_hz + clip.start_s
    spans = [(name, *run.phases[name]) for name in PHASES if name in run.phases]
    return Wave(
        time_s=(edges[:-1] + edges[1:]) / 2.0,
        low=np.array([part.min() for part in parts], dtype=np.float64),
        high=np.array([part.max() for part in parts], dtype=np.float64),
        phases=tuple(spans),
    )


def spectrogram_of(
    clip: Clip, run: Run, frames: Frames, bandwidth_hz: float, machine: Machine | None = None
) -> Spectrogram | None:
    """Third-octave-wide levels on a logarithmic axis, with the lines that have a name.

    Power a bin is weighed with the frequency, so that a row tells what a band of constant
    *relative* width holds: pink noise is one shade.
    """
    if frames.time_s.size < 8:
        return None
    high = min(_HIGH_HZ, 0.98 * clip.rate_hz / 2.0, max(2000.0, 1.15 * bandwidth_hz))
    power = _columns(frames)
    edges = np.geomspace(_LOW_HZ, high, _ROWS + 1)
    middle = np.sqrt(edges[:-1] * edges[1:])
    step = float(frames.freqs_hz[1])
    total = np.concatenate([np.zeros((power.shape[0], 1)), np.cumsum(power, axis=1)], axis=1)
    at = np.clip(edges / step + 0.5, 0.0, power.shape[1] - 1e-6)
    whole = at.astype(int)
    upto = total[:, whole] + (at - whole) * power[:, np.minimum(whole, power.shape[1] - 1)]
    density = np.diff(upto, axis=1) / np.diff(edges)
    third_hz = middle * (10**0.05 - 10**-0.05)
    level = 10.0 * np.log10(np.maximum(density * third_hz, 1e-14))
    top = float(np.quantile(level, 0.997))
    floor = max(top - _RANGE_DB, float(np.quantile(level, 0.03)))
    shade = np.clip((level - floor) / max(top - floor, 1.0), 0.0, 1.0)
    shade = np.round(_SHADES * shade) / _SHADES  # no eye tells more, and it packs in half the space
    return Spectrogram(
        shade=np.ascontiguousarray(np.round(255.0 * shade.T[::-1])).astype(np.uint8),
        start_s=clip.start_s,
        end_s=clip.start_s + frames.duration_s,
        low_hz=_LOW_HZ,
        high_hz=high,
        floor_db=floor,
        top_db=top,
        lines=_lines(clip, run, frames, machine or Machine()),
    )


def _columns(frames: Frames) -> Floats:
    """Power of some hundred equal stretches of time."""
    index = np.linspace(0, frames.time_s.size, min(_COLUMNS, frames.time_s.size) + 1).astype(int)
    sums = np.add.reduceat(frames.power.astype(np.float64), index[:-1], axis=0)
    return np.asarray(sums / np.diff(index)[:, None])


def _lines(clip: Clip, run: Run, frames: Frames, machine: Machine) -> tuple[Line, ...]:
    """Hum at twice the mains, the fan's blades where their number is known, the falling speed."""
    lines: list[Line] = []
    on = run.power_on_s if run.power_on_s is not None else clip.start_s
    off = run.power_off_s if run.power_off_s is not None else clip.start_s + clip.duration_s
    if run.mains_measured and run.mains_hz is not None:
        hum = 2.0 * run.mains_hz
        name = f"hum {hum:.0f} Hz"
        lines.append(Line("mains", name, np.array([on, off]), np.array([hum, hum])))
    if machine.fan_blades and run.shaft_hz is not None and "steady" in run.phases:
        fan = blade_pass_hz(machine.fan_blades, run.shaft_hz)
        steady = np.array(run.phases["steady"])
        lines.append(Line("turn", f"fan {fan:.0f} Hz", steady, np.array([fan, fan])))
    track = run.track
    if track is not None:
        tone = _falling_tone(clip, run, frames)
        use = track.share > 0.05
        if tone is not None and use.sum() >= 2:
            lines.append(Line("speed", "speed", track.time_s[use], tone * track.share[use]))
    return tuple(lines)


def _falling_tone(clip: Clip, run: Run, frames: Frames) -> float | None:
    """Clearest steady tone between 300 Hz and 4 kHz that is no line of the mains, Hz.

    The falling speed is drawn from it: what the shaft makes slides down along that line.
    """
    if "steady" not in run.phases:
        return None
    a, b = (t - clip.start_s for t in run.phases["steady"])
    span = slice(*np.searchsorted(frames.time_s, (max(a, b - 3.0), b)))
    bins = frames.bins(300.0, min(4000.0, 0.45 * clip.rate_hz))
    part = frames.power[span, bins]
    if part.shape[0] < 8 or part.shape[1] < 16:
        return None
    level = 10.0 * np.log10(part.mean(axis=0).astype(np.float64) + 1e-15)
    around = np.convolve(np.pad(level, 9, mode="edge"), np.full(19, 1.0 / 19.0), "valid")
    rise = level - around
    freqs = frames.freqs_hz[bins]
    if run.mains_hz is not None:
        twice = 2.0 * run.mains_hz
        rise[np.abs(freqs - twice * np.rint(freqs / twice)) < 1.5 * frames.freqs_hz[1]] = -99.0
    best = int(np.argmax(rise))
    return float(freqs[best]) if rise[best] > 0.0 else None


def coast_of(run: Run) -> Coast | None:
    """The followed speed, and the law of motion that the fit's shares describe."""
    track, coast, off = run.track, run.coast, run.power_off_s
    if track is None or coast is None or off is None:
        return None
    time, share = track.time_s - off, track.share
    use = (time >= 0.0) & (share > 0.0)
    if use.sum() < 3:
        return None
    drag = fit_time = fit_share = None
    if coast.coulomb is not None and coast.viscous is not None and coast.windage is not None:
        drag = (coast.coulomb, coast.viscous, coast.windage)
        if coast.half_speed_s and sum(drag) > 0.0:
            fit_time, fit_share = _law(drag, coast.half_speed_s, coast.duration_s)
    closed = run.switch_close
    return Coast(
        time_s=time[use],
        share=share[use],
        fit_time_s=fit_time,
        fit_share=fit_share,
        duration_s=coast.duration_s,
        half_speed_s=coast.half_speed_s,
        drag=drag,
        closed_s=None if closed is None else closed.time_s - off,
        rpm=run.running_rpm,
    )


def _law(
    drag: tuple[float, float, float], half_speed_s: float, end_s: float
) -> tuple[Floats, Floats]:
    """Speed by dw/dt = -k (a + b w + c w^2), with k such that half speed comes when it came.

    It is drawn to its own rest or, where it has none (no Coulomb part) or a late one, to ``end_s``.
    """
    k = half_speed_time(*drag, 1.0) / half_speed_s
    time = np.arange(80, dtype=np.float64) * (min(stop_time(*drag, 1.0) / k, end_s) / 79.0)
    return time, speed(time * k, *drag, 1.0)


def envelope_of(scene: Scene, machine: Machine) -> EnvelopePicture | None:
    """Envelope spectrum of the band in which most stands out, over the turn.

    None where no speed is known, not even a likely one, or the steady run is too short.
    """
    span = scene.spans.get("steady")
    if span is None or scene.shaft_hz is None or span[1] - span[0] < 1.0:
        return None
    span = (max(span[0] + 0.05, span[1] - _STEADY_S), span[1] - 0.05)
    found: tuple[float, int, Floats, Floats] | None = None
    for i, envelope in enumerate(scene.envelopes):
        if envelope is None:
            continue
        if 0.5 * envelope.rate_hz < _LEAST_ORDERS * scene.shaft_hz:
            continue  # too narrow a band to swell that quickly
        order, rise = _orders(envelope, span, scene.shaft_hz)
        free = _free(order, scene)
        score = float(np.sort(rise[free])[-5:].mean()) if free.sum() > 5 else 0.0
        if found is None or score > found[0]:
            found = (score, i, order, rise)
    if found is None:
        return None
    _, i, order, rise = found
    return EnvelopePicture(
        order=order,
        rise_db=rise,
        band_hz=BANDS[i],
        marks=_marks(order, rise, scene, machine),
        shaft_hz=scene.shaft_hz,
        certain=scene.run.shaft_hz is not None,
    )


def _orders(
    envelope: Envelope, span: tuple[float, float], shaft_hz: float
) -> tuple[Floats, Floats]:
    """Order axis, and the rise of each line over the local noise, dB (0 at the least)."""
    lines = energy_spectrum(envelope.part(span), envelope.rate_hz)
    step = lines.step_hz / shaft_hz
    top = min(lines.power.size, int(_TOP_ORDER / step) + 1)
    power = lines.power[:top].copy()
    power[0] = power[min(2, top - 1)]
    floor = local_floor(power, max(64, round(1.0 / step)))
    rise = 10.0 * np.log10(np.maximum(power / np.maximum(floor, 1e-18), 1e-6))
    rise[:2] = 0.0
    return np.arange(top, dtype=np.float64) * step, np.asarray(
        np.maximum(rise, 0.0), dtype=np.float64
    )


def _free(order: Floats, scene: Scene) -> NDArray[np.bool_]:
    """Orders above 0.3 that are no line of the mains."""
    free = order > 0.3
    if scene.mains_hz is not None and scene.shaft_hz is not None:
        for line in mains_orders(scene.mains_hz, scene.shaft_hz, top=_TOP_ORDER):
            free &= np.abs(order - line) > 0.06
    return np.asarray(free)


def _marks(order: Floats, rise: Floats, scene: Scene, machine: Machine) -> tuple[Mark, ...]:
    marks = [
        Mark("turn", name, k) for name, k in (("turn", 1.0), ("2\u00d7", 2.0), ("3\u00d7", 3.0))
    ]
    if scene.mains_hz is not None and scene.shaft_hz is not None:
        twice = 2.0 * scene.mains_hz / scene.shaft_hz
        marks += [
            Mark("mains", f"{2 * k} \u00d7 mains", k * twice)
            for k in range(1, int(_TOP_ORDER / twice) + 1)
        ]
    for bearing in machine.bearings:
        known = bearing_orders(bearing)
        name = f"{bearing.name} " if bearing.name else ""
        marks += [
            Mark("bearing", f"{name}outer", known.outer),
            Mark("bearing", f"{name}inner", known.inner),
        ]
    marks += _series(order, rise, scene)
    return tuple(mark for mark in marks if mark.order < order[-1])


def _series(order: Floats, rise: Floats, scene: Scene) -> list[Mark]:
    """The clearest line beside whole turns, with its first multiples, where it is clear."""
    beside = np.abs(order - np.rint(order)) > 0.045
    use = _free(order, scene) & beside & (order > 1.5)
    if not use.any():
        return []
    best = int(np.flatnonzero(use)[np.argmax(rise[use])])
    if rise[best] < _CLEAR_RISE_DB + 3.0:
        return []
    base = float(order[best])
    for part in (3.0, 2.0):  # the fundamental, where that is clear too
        near = np.abs(order - base / part) < 0.03
        if base / part > 1.5 and near.any() and rise[near].max() > _CLEAR_RISE_DB:
            base /= part
            break
    many = [(1, f"{base:.2f} per turn"), (2, "its double"), (3, "its triple")]
    return [Mark("series", name, k * base) for k, name in many]
