"""The machine against its room: whether there is one, and how far it stands out.

Sound pressure levels and the correction for background noise follow ISO 3744 (K1 = -10 lg(1 -
10^(-dL/10)); none is needed above 15 dB, none is possible below 6 dB); the A-weighting is that
of IEC 61672-1, evaluated at the exact third-octave centres.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.order import median, quantile, quantiles
from quietrun.fitness.view import View, to_db

Floats = NDArray[np.float64]

#: K1 of ISO 3744: below this difference there is no valid correction.
LEAST_SNR_DB = 6.0
_LO_HZ, _HI_HZ = 200.0, 8500.0
_LEAST_BLOCKS = 4
_CLEAREST = 6  # third octaves: two octaves


@dataclass(frozen=True, slots=True)
class Standing:
    """How the steady run stands in the room.

    Attributes
    ----------
    snr_db : float or None
        Steady run over room, A-weighted, dB; None where no room was heard.
    clear_share : float or None
        Share of the third octaves from 200 Hz to 8 kHz that stand 6 dB or more over it.
    contrast_db : float or None
        The quiet moments of the run over the loud moments of the room, in the
        two clearest octaves, dB: a floor that is always there.
    restless_db : float
        How far the level rises over its median in the loudest tenth of the
        steady run (50 ms values, median of the bands), dB; a machine: under 2.
    sinks_db : float
        How far it falls in the quietest tenth, dB.
    """

    snr_db: float | None
    clear_share: float | None
    contrast_db: float | None
    restless_db: float
    sinks_db: float


def a_weight(freq_hz: Floats) -> Floats:
    """A-weighting as a power ratio, 1 at 1 kHz (IEC 61672-1, analytic form)."""
    f2 = np.asarray(freq_hz, dtype=np.float64) ** 2
    top = 12194.217**2 * f2**2
    low = (f2 + 20.598997**2) * np.sqrt((f2 + 107.65265**2) * (f2 + 737.86223**2))
    return np.asarray((1.258905 * top / (low * (f2 + 12194.217**2))) ** 2)


def _level(level_db: Floats) -> Floats:
    """Mean of the band energies without the loudest fifth of the blocks (clatter, a cough)."""
    blocks = np.sort(10.0 ** (level_db / 10.0), axis=0)
    return np.asarray(blocks[: max(1, int(0.8 * len(blocks)))].mean(axis=0))


def measure_standing(view: View, top_hz: float) -> Standing:
    """Measure the steady run against the room, in the bands below ``top_hz``."""
    used = view.band_hz < top_hz
    mid = used & (view.band_hz >= _LO_HZ) & (view.band_hz <= _HI_HZ)
    run_db = view.blocks(view.steady, mid)
    if len(run_db) < _LEAST_BLOCKS or not mid.any():
        return Standing(None, None, None, 0.0, 0.0)
    low_db, middle_db, high_db = quantiles(run_db, (0.1, 0.5, 0.9), axis=0)
    restless = float(median(high_db - middle_db))
    sinks = float(median(middle_db - low_db))
    room_db = view.blocks(view.still, mid)
    if len(room_db) < _LEAST_BLOCKS:
        return Standing(None, None, None, restless, sinks)
    loud_room_db = quantile(room_db, 0.7, axis=0)
    contrast = np.sort(low_db - loud_room_db)[-_CLEAREST:].mean()
    weight = a_weight(view.band_hz)[used]
    run_level = _level(view.blocks(view.steady, used))
    room_level = _level(view.blocks(view.still, used))
    snr_db = 10.0 * np.log10((run_level @ weight + 1e-15) / (room_level @ weight + 1e-15))
    over_db = to_db(run_level) - to_db(room_level)
    return Standing(
        snr_db=float(snr_db),
        clear_share=float((over_db[mid[used]] >= LEAST_SNR_DB).mean()),
        contrast_db=float(contrast),
        restless_db=restless,
        sinks_db=sinks,
    )
