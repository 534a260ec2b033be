"""Sound over the run that is not the machine's: talk, music, handling, beans.

What a machine does all the time is taken off by its median over the steady run; what is left
comes and goes. Talk and music leave tones that last, move and stop; a hand on the phone
leaves bumps at the bottom of the spectrum; beans leave a dense crackle from the middle of it
upwards.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietrun.fitness.view import View, blocks_of, stretches, to_db

Floats = NDArray[np.float64]

_SKIP_FRAMES = 30  # the first 0.3 s after the run-up, in which tones still climb
_LEAST_FRAMES = 60

_TONE_LO_HZ, _TONE_HI_HZ = 200.0, 2600.0
_STANDS_OUT = 8.0  # 9 dB over the median; a beat of two equal tones reaches 3 dB
_PEAKED = 1.25  # of the sum two bins to both sides: the Hann window's main lobe
_LASTS = 4  # frames, 20 ms apart

_LOW_LO_HZ, _LOW_HI_HZ = 30.0, 160.0
_BUMP_DB = 8.0

_CRACKLE_LO_HZ, _CRACKLE_HI_HZ = 1500.0, 9000.0


@dataclass(frozen=True, slots=True)
class Voices:
    """What came and went over the steady run.

    Attributes
    ----------
    tonal_share : 0..1
        Frames with at least one tone that stands out for 80 ms and then goes.
    tonal_bins : int
        Different pitches (bins of about 23 Hz) at which they came.
    gaps : 0..1
        Quiet moments against loud ones (energy over the median): talk and
        music pause, a tone that drifts does not.
    low_db : float
        How far the lowest octaves rise in their loudest twentieth, dB.
    bumps : int
        Separate rises of the lowest octaves.
    surge_db : float
        How far all bands rise together in their loudest twentieth, dB.
    crackle_db : float
        Spread of the level from 1.5 to 9 kHz, frame by frame, dB.
    lopsided_db : float
        How much further that level reaches up than down, dB.
    """

    tonal_share: float = 0.0
    tonal_bins: int = 0
    gaps: float = 1.0
    low_db: float = 0.0
    bumps: int = 0
    surge_db: float = 0.0
    crackle_db: float = 0.0
    lopsided_db: float = 0.0


def measure_voices(view: View, trend_db: float) -> Voices:
    """Measure what came and went over the steady run.

    Parameters
    ----------
    view : View
    trend_db : float
        Change of level by a recorder's gain over the steady run; taken off.
    """
    index = np.flatnonzero(view.steady)
    if index.size < _LEAST_FRAMES:
        return Voices()
    index = index[min(_SKIP_FRAMES, index.size - _LEAST_FRAMES) :]
    trend = 10.0 ** (-trend_db * np.linspace(-0.5, 0.5, index.size) / 10.0)
    tonal_share, tonal_bins, gaps = _tones(view, index, trend)
    low_db, bumps = _bumps(view, index)
    mid = view.band_hz >= 250.0
    band_db = to_db(blocks_of(view.band[index][:, mid] * trend[:, np.newaxis]))
    surge = np.median(band_db - np.median(band_db, axis=0), axis=1)
    high = (view.band_hz >= _CRACKLE_LO_HZ) & (view.band_hz < _CRACKLE_HI_HZ)
    crackle_db = to_db(view.band[index][:, high].sum(axis=1) * trend)
    low, middle, top = np.quantile(crackle_db, [0.05, 0.5, 0.95])
    return Voices(
        tonal_share=tonal_share,
        tonal_bins=tonal_bins,
        gaps=gaps,
        low_db=low_db,
        bumps=bumps,
        surge_db=float(np.quantile(surge, 0.95)),
        crackle_db=float(np.std(crackle_db)) if high.any() else 0.0,
        lopsided_db=float(top - middle - (middle - low)),
    )


def _tones(view: View, index: NDArray[np.intp], trend: Floats) -> tuple[float, int, float]:
    """Share of frames with a lasting tone, number of pitches, and how quiet the pauses are."""
    frames = view.frames
    band = frames.bins(_TONE_LO_HZ, _TONE_HI_HZ)
    power = frames.power[index[::2], band] * trend[::2, np.newaxis].astype(np.float32)
    count = len(power)
    usual = np.median(power[:: max(1, count // 64)], axis=0) + np.float32(1e-14)
    peak = power > _STANDS_OUT * usual
    peak[:, 2:-2] &= power[:, 2:-2] > _PEAKED * (power[:, :-4] + power[:, 4:])
    peak[:, :2] = False
    peak[:, -2:] = False
    near = peak.copy()
    near[:, 1:] |= peak[:, :-1]
    near[:, :-1] |= peak[:, 1:]
    last = count - _LASTS + 1
    lasting = peak[:last].copy()
    for later in range(1, _LASTS):
        lasting &= near[later : last + later]
    over = np.maximum(power - 2 * usual, 0).sum(axis=1) / usual.sum()
    quiet, loud = np.quantile(over, [0.2, 0.9])
    return (
        float(lasting.any(axis=1).mean()),
        int(lasting.any(axis=0).sum()),
        float(quiet / (loud + 1e-9)),
    )


def _bumps(view: View, index: NDArray[np.intp]) -> tuple[float, int]:
    low = view.frames.power[index, view.frames.bins(_LOW_LO_HZ, _LOW_HI_HZ)]
    if not low.shape[1]:
        return 0.0, 0
    level_db = to_db(blocks_of(low.sum(axis=1).astype(np.float64)))
    over_db = level_db - np.median(level_db)
    return float(np.quantile(over_db, 0.95)), len(stretches(over_db > _BUMP_DB))
