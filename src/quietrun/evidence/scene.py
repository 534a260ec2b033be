"""Everything the features read, computed once: band envelopes, phases, order axis.

Conventions
-----------
Times are seconds from the first sample. Envelopes are squared (energy) and
have had the room's own energy taken off where the room was heard. Orders are
multiples of the shaft rate.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from quietrun.clip.types import Clip
from quietrun.dsp.frames import Frames, band_envelope, band_power
from quietrun.run.types import Run

Floats = NDArray[np.float64]

#: Edges of the half-octave bands in which modulation and impacts are heard, Hz.
BAND_EDGES = tuple(float(round(x)) for x in np.geomspace(360.0, 14500.0, 12))
BANDS = tuple(zip(BAND_EDGES[:-1], BAND_EDGES[1:], strict=True))
#: Neighbouring bands are reported together, by the clearest of them.
GROUPS = {"low": (0, 1, 2), "mid": (3, 4, 5, 6), "high": (7, 8, 9, 10)}
ENVELOPE_HZ = 2000.0

#: Edges of the level bands, about half an octave, Hz.
LEVEL_EDGES = np.array([90, 180, 355, 710, 1400, 2800, 5600, 9000, 15000], dtype=np.float64)
LEVEL_TAGS = ("130", "250", "500", "1k", "2k", "4k", "7k", "12k")


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
    level : shape (k, b), FS^2, energy a frame in the level bands
    level_room : shape (b,), FS^2, the room's share
    shaft_hz : float or None
        Claimed or likeliest shaft rate.
    share_at : (time, share) of the coast-down, or None
    """

    frames: Frames
    run: Run
    top_hz: float
    spans: dict[str, tuple[float, float]]
    envelopes: tuple[Envelope | None, ...]
    level: Floats
    level_room: Floats
    shaft_hz: float | None
    mains_hz: float | None
    coast_time: Floats | None = None
    coast_share: Floats | None = None
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
    top = min(bandwidth_hz, 0.49 * frames.rate_hz)
    still = quiet_frames(frames, spans)
    level = band_power(frames, LEVEL_EDGES)
    known = int(still.sum()) >= 10
    level_room = np.quantile(level[still], 0.4, axis=0) if known else np.zeros(level.shape[1])
    envelopes = []
    for lo, hi in BANDS:
        if hi > top * 1.02:
            envelopes.append(None)
            continue
        energy, rate = band_envelope(frames, lo, hi, rate_hz=ENVELOPE_HZ)
        energy = energy.astype(np.float64) + 1e-16
        at = (np.arange(energy.size) + 0.5) / rate
        room = 0.0
        if known:
            mask = np.zeros(at.size, dtype=bool)
            for phase in ("room", "rest"):
                if phase in spans:
                    a, b = spans[phase]
                    mask |= (at >= a + (0.15 if phase == "rest" else 0.0)) & (at <= b - 0.08)
            if mask.sum() > 100:
                blocks = energy[mask]
                size = max(1, int(0.02 * rate))
                blocks = blocks[: blocks.size // size * size].reshape(-1, size).mean(axis=1)
                room = float(np.quantile(blocks, 0.4))
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
        level=level,
        level_room=level_room,
        shaft_hz=run.shaft_hz or run.shaft_guess_hz,
        mains_hz=run.mains_hz,
        coast_time=coast_time,
        coast_share=coast_share,
    )
