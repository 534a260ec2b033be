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

from quietrun.dsp.order import median, quantile, quantiles
from quietrun.fitness.view import Bools, View, blocks_of, stretches, to_db

Floats = NDArray[np.float64]

_SKIP_FRAMES = 30  # the first 0.3 s after the run-up, in which tones still climb
_LEAST_FRAMES = 60
_LATER = 0.4  # what is only in the first part may be the run-up

_TONE_LO_HZ, _TONE_HI_HZ = 200.0, 2600.0
_STANDS_OUT = 8.0  # 9 dB over the median; a beat of two equal tones reaches 3 dB
_PEAKED = 1.25  # of the sum two bins to both sides: the Hann window's main lobe
_LASTS = 4  # frames, 20 ms apart

_LOW_LO_HZ, _LOW_HI_HZ = 30.0, 160.0
_BUMP_DB = 8.0

#: An octave and less between them, so that what one band does at random the next does not.
_CRACKLE_HZ = ((1000.0, 1600.0), (2000.0, 3200.0), (4000.0, 6300.0), (8000.0, 12500.0))
_SLOW_FRAMES = 25


@dataclass(frozen=True, slots=True)
class Voices:
    """What came and went over the steady run.

    Attributes
    ----------
    tonal_share : 0..1
        Frames with at least one tone that stands out for 80 ms and then goes;
        of the whole steady run or of its later part, whichever is less (what
        is left of the run-up at its start climbs too).
    tonal_bins : int
        Different pitches (bins of about 23 Hz) at which they came.
    gaps : 0..1
        Quiet moments against loud ones (energy over the median): talk and
        music pause, a tone that drifts does not.
    over_db : float
        Loud moments (the upper twentieth) against the machine, 200 to 2600 Hz, dB.
    low_db : float
        How far the lowest octaves rise in their loudest twentieth, dB; again
        the lesser of the whole and the later part.
    bumps : int
        Separate rises of the lowest octaves.
    surge_db : float
        How far all bands rise together in their loudest twentieth, dB.
    """

    tonal_share: float = 0.0
    tonal_bins: int = 0
    gaps: float = 1.0
    over_db: float = -99.0
    low_db: float = 0.0
    bumps: int = 0
    surge_db: float = 0.0


@dataclass(frozen=True, slots=True)
class Crackle:
    """Short rises that all bands from 1 to 12 kHz share.

    Attributes
    ----------
    shared_db2 : float
        Covariance of the frame levels of bands an octave apart, dB^2 (median
        over the pairs), without what is slower than half a second. A steady
        noise has none: 0 within 0.3.
    likeness : -1..1
        The same as a correlation.
    regular : 0..1
        Highest peak of the autocorrelation of what is shared, 60 to 600 ms:
        parts of the machine strike in time, beans do not.
    rare : float
        Kurtosis of what is shared: 3 for many small rises, far more for a few knocks.
    """

    shared_db2: float = 0.0
    likeness: float = 0.0
    regular: float = 0.0
    rare: float = 0.0


def _settled(view: View) -> NDArray[np.intp]:
    """Frames of the steady run without its first moments; empty where it is too short."""
    index = np.flatnonzero(view.steady)
    if index.size < _LEAST_FRAMES:
        return index[:0]
    return index[min(_SKIP_FRAMES, index.size - _LEAST_FRAMES) :]


def _mask(view: View, index: NDArray[np.intp]) -> Bools:
    mask = np.zeros(view.total.size, dtype=bool)
    mask[index] = True
    return mask


def measure_voices(view: View, trend_db: float) -> Voices:
    """Measure what came and went over the steady run.

    Parameters
    ----------
    view : View
    trend_db : float
        Change of level by a recorder's gain over the steady run; taken off.
    """
    index = _settled(view)
    if not index.size:
        return Voices()
    trend = 10.0 ** (-trend_db * np.linspace(-0.5, 0.5, index.size) / 10.0)
    tonal_share, tonal_bins, gaps, over_db = _tones(view, index, trend)
    low_db, bumps = _bumps(view, index)
    mid = view.band_hz >= 250.0
    band_db = view.blocks(_mask(view, index), mid)
    if not len(band_db):
        return Voices()
    band_db = band_db - trend_db * np.linspace(-0.5, 0.5, len(band_db))[:, np.newaxis]
    surge = median(band_db - median(band_db, axis=0), axis=1)
    return Voices(
        tonal_share=tonal_share,
        tonal_bins=tonal_bins,
        gaps=gaps,
        over_db=over_db,
        low_db=low_db,
        bumps=bumps,
        surge_db=float(quantile(surge, 0.95)),
    )


def measure_crackle(view: View) -> Crackle:
    """Measure the short rises that the upper bands share."""
    index = _settled(view)
    frames = view.frames
    bands = [b for b in _CRACKLE_HZ if b[1] < 0.45 * frames.rate_hz]
    if not index.size or len(bands) < 2:
        return Crackle()
    level_db = np.array(
        [to_db(frames.power[index, frames.bins(*band)].sum(axis=1)) for band in bands]
    )
    fast_db = level_db - _slow(level_db, _SLOW_FRAMES)
    covariance = np.cov(fast_db)
    pairs = np.triu_indices(len(bands), 1)
    spread = np.sqrt(np.diag(covariance)) + 1e-9
    shared = fast_db.mean(axis=0)
    shared = shared - shared.mean()
    power = float(np.mean(shared**2)) + 1e-12
    return Crackle(
        shared_db2=float(median(covariance[pairs])),
        likeness=float(median((covariance / np.outer(spread, spread))[pairs])),
        regular=_regularity(shared),
        rare=float(np.mean(shared**4)) / power**2,
    )


def _slow(level_db: Floats, half: int) -> Floats:
    """Running mean over ``half`` frames each side."""
    padded = np.pad(level_db, ((0, 0), (half + 1, half)), mode="edge")
    total = np.cumsum(padded, axis=1)
    return np.asarray((total[:, 2 * half + 1 :] - total[:, : -2 * half - 1]) / (2 * half + 1))


def _regularity(shared: Floats) -> float:
    size = 1 << (2 * shared.size - 1).bit_length()
    likeness = np.fft.irfft(np.abs(np.fft.rfft(shared, size)) ** 2)[:60]
    likeness /= likeness[0] + 1e-12
    inner = likeness[6:]
    peaks = inner[1:-1][(inner[1:-1] > inner[:-2]) & (inner[1:-1] >= inner[2:])]
    return float(peaks.max()) if peaks.size else 0.0


def _tones(view: View, index: NDArray[np.intp], trend: Floats) -> tuple[float, int, float, float]:
    """Share of frames with a lasting tone, pitches, how quiet the pauses are, and how loud."""
    frames = view.frames
    band = frames.bins(_TONE_LO_HZ, _TONE_HI_HZ)
    power = frames.power[index[::2], band] * trend[::2, np.newaxis].astype(np.float32)
    count = len(power)
    usual = median(power[:: max(1, count // 64)], axis=0) + np.float32(1e-14)
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
    quiet, loud, loudest = quantiles(over, (0.2, 0.9, 0.95))
    toned = np.asarray(lasting.any(axis=1), dtype=np.float64)
    return (
        float(min(toned.mean(), toned[int(_LATER * toned.size) :].mean())),
        int(lasting.any(axis=0).sum()),
        float(quiet / (loud + 1e-9)),
        float(10.0 * np.log10(loudest * np.log(2.0) + 1e-9)),  # the median of noise is ln 2 of it
    )


def _bumps(view: View, index: NDArray[np.intp]) -> tuple[float, int]:
    low = view.frames.power[index, view.frames.bins(_LOW_LO_HZ, _LOW_HI_HZ)]
    if not low.shape[1]:
        return 0.0, 0
    level_db = to_db(blocks_of(low.sum(axis=1).astype(np.float64)))
    over_db = level_db - median(level_db)
    later = over_db[int(_LATER * over_db.size) :]
    highest = min(float(quantile(part, 0.95)) for part in (over_db, later))
    return highest, len(stretches(over_db > _BUMP_DB))
