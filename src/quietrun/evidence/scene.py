"""Everything the features read, computed once: band envelopes, phases, order axis.

Conventions
-----------
Times are seconds from the first sample. Envelopes are squared (energy) and
have had the room's own energy taken off where the room was heard. Orders are
multiples of the shaft rate.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from quietrun.clip.types import Clip
from quietrun.dsp.blocks import block_means
from quietrun.dsp.frames import Frames, band_envelope
from quietrun.dsp.order import median, quantile
from quietrun.run.types import Run

Floats = NDArray[np.float64]

#: Edges of the half-octave bands in which modulation and impacts are heard, Hz.
BAND_EDGES = tuple(float(round(x)) for x in np.geomspace(360.0, 14500.0, 12))
BANDS = tuple(pairwise(BAND_EDGES))
#: Neighbouring bands are reported together, by the clearest of them.
GROUPS = {"low": (0, 1, 2), "mid": (3, 4, 5, 6), "high": (7, 8, 9, 10)}
ENVELOPE_HZ = 2000.0

#: Edges of the half-octave bands in which the level of the noise is followed, Hz.
NOISE_EDGES = np.round(np.geomspace(220.0, 19500.0, 14))
NOISE_GROUP = 3  # frames averaged into one level


@dataclass(frozen=True, slots=True, eq=False)
class Envelope:
    """Squared envelope of one band over the whole clip.

    Attributes
    ----------
    energy : shape (n,), FS^2
    rate_hz : float
    room : float
        Mean energy while the machine stood still, 0 where not heard.
    cells : float
        Independent samples per envelope sample (band width over rate): sets
        how much a stationary noise fluctuates.
    """

    energy: Floats
    rate_hz: float
    room: float
    cells: float

    def part(self, span: tuple[float, float]) -> Floats:
        """Energy in a span of time, room not yet taken off."""
        a, b = (round(t * self.rate_hz) for t in span)
        return self.energy[max(0, a) : max(0, b)]


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """What the features of all families share.

    Attributes
    ----------
    frames : Frames
    run : Run
    top_hz : float
        Upper edge of the band in use.
    spans : dict of phase -> (from, to), s from the first sample
    envelopes : tuple of Envelope or None, one a band of ``BANDS``
    noise_time : shape (k,), s
    noise : shape (k, b), FS^2 a bin
        Power of the noise between the tones, in the bands of ``NOISE_EDGES``.
    noise_room : shape (b,), the room's share of it, 0 where not heard
    shaft_hz : float or None
        Claimed or likeliest shaft rate.
    coast_time, coast_share : speed track of the coast-down, or None
    up_time, up_share : speed track of the run-up, or None
    clicks_s : clicks of the start switch, s from the first sample
    """

    frames: Frames
    run: Run
    top_hz: float
    spans: dict[str, tuple[float, float]]
    envelopes: tuple[Envelope | None, ...]
    noise_time: Floats
    noise: Floats
    noise_room: Floats
    shaft_hz: float | None
    mains_hz: float | None
    coast_time: Floats | None = None
    coast_share: Floats | None = None
    up_time: Floats | None = None
    up_share: Floats | None = None
    clicks_s: tuple[float, ...] = ()
    memo: dict[str, object] = field(default_factory=dict)

    def frame_slice(self, span: tuple[float, float]) -> slice:
        """Frames whose centre lies in a span."""
        a, b = np.searchsorted(self.frames.time_s, span)
        return slice(int(a), int(b))


def quiet_frames(frames: Frames, spans: dict[str, tuple[float, float]]) -> NDArray[np.bool_]:
    """Frames in which the machine surely stands still."""
    still = np.zeros(frames.time_s.size, dtype=bool)
    for phase in ("room", "rest"):
        if phase in spans:
            a, b = spans[phase]
            inset = 0.08 if phase == "room" else 0.0
            still |= (frames.time_s >= a + (0.15 if phase == "rest" else 0.0)) & (
                frames.time_s <= b - inset
            )
    return still


def noise_levels(frames: Frames) -> tuple[Floats, Floats]:
    """Median power a bin in each band of ``NOISE_EDGES``, every ``NOISE_GROUP`` frames.

    The median over the bins of a band passes over the few that hold tones.

    Returns
    -------
    time_s : shape (k,)
    noise : shape (k, b), 0 where the recording holds no such band
    """
    count = frames.power.shape[0] // NOISE_GROUP
    if count == 0:
        return frames.time_s[:0], np.zeros((0, NOISE_EDGES.size - 1))
    mean = frames.power[: count * NOISE_GROUP].reshape(count, NOISE_GROUP, -1).mean(axis=1)
    time = frames.time_s[: count * NOISE_GROUP].reshape(count, NOISE_GROUP).mean(axis=1)
    noise = np.zeros((count, NOISE_EDGES.size - 1))
    for i, (lo, hi) in enumerate(pairwise(NOISE_EDGES.tolist())):
        bins = frames.bins(lo, hi)
        if bins.stop - bins.start >= 2:
            noise[:, i] = median(mean[:, bins], axis=1)
    return time, noise


CLICK_S = (0.02, 0.40)  # before and after a switch click: its ring, and the room's answer


def without_clicks(energy: Floats, rate_hz: float, times_s: tuple[float, ...]) -> Floats:
    """Energy in which the start switch's own clicks are brought down to what is around them.

    The switch clicks on every healthy machine, and its click would pass for a
    knock. Over the stretch of a click the local level is scaled to the straight
    line (in dB) between its surroundings; fluctuation about it stays.

    Parameters
    ----------
    energy : shape (n, ...), the first axis is time
    rate_hz : Hz
    times_s : s

    Returns
    -------
    A copy where anything was changed, else ``energy`` itself.
    """
    out = energy
    for at in times_s:
        a, b = int((at - CLICK_S[0]) * rate_hz), int((at + CLICK_S[1]) * rate_hz) + 1
        ahead, behind = max(2, int(0.12 * rate_hz)), max(2, int(0.15 * rate_hz))
        if a - ahead < 0 or b + behind > energy.shape[0]:
            continue
        if out is energy:
            out = energy.copy()
        before = median(out[a - ahead : a], axis=0) + 1e-20
        after = median(out[b : b + behind], axis=0) + 1e-20
        way = np.linspace(0.0, 1.0, b - a)
        shape = (-1,) + (1,) * (energy.ndim - 1)
        held = before * (after / before) ** way.reshape(shape)
        width = max(1, int(0.01 * rate_hz))
        part = out[a:b]
        if width > 1:
            kernel = np.ones(width) / width
            local = np.apply_along_axis(np.convolve, 0, part, kernel, mode="same")
        else:
            local = part
        out[a:b] = part / np.maximum(local / held, 1.0)
    return out


def by_hand(spans: dict[str, tuple[float, float]]) -> None:
    """Let the first, fastest part of a spin by hand stand for the steady run."""
    if "coast_down" in spans:
        a, b = spans["coast_down"]
        spans["steady"] = (a, a + 0.45 * (b - a))


def set_scene(clip: Clip, run: Run, frames: Frames, bandwidth_hz: float) -> Scene:
    """Compute what the features share.

    Parameters
    ----------
    clip, run, frames
    bandwidth_hz : Hz
        Real upper edge of the recording.
    """
    start = clip.start_s
    spans = {
        phase: (max(0.0, a - start), min(frames.duration_s, b - start))
        for phase, (a, b) in run.phases.items()
    }
    if "steady" not in spans and run.power_on_s is None and run.power_off_s is None:
        by_hand(spans)
    top = min(bandwidth_hz, 0.49 * frames.rate_hz)
    still = quiet_frames(frames, spans)
    clicks = tuple(
        event.time_s - start for event in (run.switch_open, run.switch_close) if event is not None
    )
    noise_time, noise = noise_levels(frames)
    noise = without_clicks(noise, 1.0 / (NOISE_GROUP * frames.hop_s), clicks)
    known = int(still.sum()) >= 10
    quiet = np.interp(noise_time, frames.time_s, still.astype(np.float64)) > 0.99
    noise_room = (
        quantile(noise[quiet], 0.5, axis=0) if quiet.sum() >= 3 else np.zeros(noise.shape[1])
    )
    envelopes: list[Envelope | None] = []
    for lo, hi in BANDS:
        if hi > top * 1.02:
            envelopes.append(None)
            continue
        squared, rate = band_envelope(frames, lo, hi, rate_hz=ENVELOPE_HZ)
        energy = without_clicks(squared.astype(np.float64) + 1e-16, rate, clicks)
        at = (np.arange(energy.size) + 0.5) / rate
        room = 0.0
        if known:
            mask = np.zeros(at.size, dtype=bool)
            for phase in ("room", "rest"):
                if phase in spans:
                    a, b = spans[phase]
                    mask |= (at >= a + (0.15 if phase == "rest" else 0.0)) & (at <= b - 0.08)
            if mask.sum() > 100:
                blocks = block_means(energy[mask], max(1, int(0.02 * rate)))
                room = float(quantile(blocks, 0.4))
        envelopes.append(Envelope(energy, rate, room, max(1.0, (hi - lo) / rate)))
    coast_time = coast_share = None
    if run.track is not None:
        coast_time, coast_share = run.track.time_s - start, run.track.share
    return Scene(
        frames=frames,
        run=run,
        top_hz=top,
        spans=spans,
        envelopes=tuple(envelopes),
        noise_time=noise_time,
        noise=noise,
        noise_room=noise_room,
        shaft_hz=run.shaft_hz or run.shaft_guess_hz,
        mains_hz=run.mains_hz,
        coast_time=coast_time,
        coast_share=coast_share,
        up_time=None if run.up_track is None else run.up_track.time_s - start,
        up_share=None if run.up_track is None else run.up_track.share,
        clicks_s=clicks,
    )
