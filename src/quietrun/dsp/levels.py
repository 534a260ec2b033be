"""Sound levels: weightings, third octaves, sums of decibels, room correction, Fast and Slow.

Conventions
-----------
``power`` is a mean square (FS^2) or a power spectrum whose lines add up to one; levels are
10 lg of it, dB re 1 unless a reference is named. Bands of a third octave are numbered by
``n``: the exact centre is 1000 Hz times 10^(n/10).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Real = NDArray[np.floating]

FAST_S = 0.125
SLOW_S = 1.0

# IEC 61672-1, annex E: pole frequencies of the weightings (from memory; the published table
# of A and C values is met at all 34 third octaves).
_F1, _F2, _F3, _F4 = 20.598997, 107.65265, 737.86223, 12194.217

#: Nominal centres, Hz, of the third octaves n = -20 .. 13 (IEC 61260-1).
NOMINAL_HZ = (
    *(10.0, 12.5, 16.0, 20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0),
    *(100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0),
    *(1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0),
    *(10000.0, 12500.0, 16000.0, 20000.0),
)
_FIRST_BAND = -20


def a_weighting_db(freqs_hz: ArrayLike) -> Floats:
    """A weighting of IEC 61672-1, analytic form, dB (0 at 1 kHz).

    R_A = f4^2 f^4 / [(f^2+f1^2) sqrt((f^2+f2^2)(f^2+f3^2)) (f^2+f4^2)]. Tables are rounded at
    the *exact* third-octave centres; at the nominal ones they differ by up to 0.3 dB.

    Parameters
    ----------
    freqs_hz : array, Hz, not negative

    Returns
    -------
    array of the same shape; minus infinity at 0 Hz
    """
    f = np.square(np.asarray(freqs_hz, dtype=np.float64))
    return _relative_db(_response_a(f), _response_a(np.float64(1e6)))


def c_weighting_db(freqs_hz: ArrayLike) -> Floats:
    """C weighting of IEC 61672-1, analytic form, dB (0 at 1 kHz).

    Parameters and returns as ``a_weighting_db``.
    """
    f = np.square(np.asarray(freqs_hz, dtype=np.float64))
    return _relative_db(_response_c(f), _response_c(np.float64(1e6)))


def third_octave_centres_hz(lo_hz: float, hi_hz: float) -> Floats:
    """Exact base-ten centres 1000 * 10^(n/10) within [lo_hz, hi_hz], Hz (IEC 61260-1).

    Bounds may be nominal: a centre counts as inside up to 2 % beyond them.

    Raises
    ------
    ValueError
        Bounds not positive, or none inside.
    """
    if not 0.0 < lo_hz <= hi_hz:
        raise ValueError(f"bounds must be positive and in order, got {lo_hz!r}, {hi_hz!r}")
    first = math.ceil(10.0 * math.log10(lo_hz / 1.02 / 1000.0))
    last = math.floor(10.0 * math.log10(hi_hz * 1.02 / 1000.0))
    if last < first:
        raise ValueError(f"no third octave is centred within {lo_hz:g} .. {hi_hz:g} Hz")
    return np.asarray(1000.0 * 10.0 ** (np.arange(first, last + 1) / 10.0))


def third_octave_edges_hz(centres_hz: Floats) -> Floats:
    """Edges of adjoining third octaves: each centre times and over 10^(1/20), Hz.

    Parameters
    ----------
    centres_hz : shape (b,), adjoining

    Returns
    -------
    shape (b + 1,)
    """
    half = 10.0**0.05
    return np.concatenate((centres_hz / half, centres_hz[-1:] * half))


def nominal_hz(centre_hz: float) -> float:
    """Nominal name of an exact third-octave centre, Hz (3162.3 is called 3150).

    Outside 10 Hz .. 20 kHz the exact value comes back.
    """
    n = round(10.0 * math.log10(centre_hz / 1000.0)) - _FIRST_BAND
    return NOMINAL_HZ[n] if 0 <= n < len(NOMINAL_HZ) else centre_hz


def band_powers(power: Real, step_hz: float, edges_hz: Floats) -> Floats:
    """Power in adjoining bands; lines that straddle an edge are shared out.

    Parameters
    ----------
    power : shape (..., m)
        Line i lies at ``i step_hz`` and stands for half a step on either side.
    step_hz : Hz
    edges_hz : shape (b + 1,), increasing

    Returns
    -------
    shape (..., b)
        What lies beyond the last line is 0.
    """
    m = power.shape[-1]
    running = np.zeros((*power.shape[:-1], m + 1))
    np.cumsum(power, axis=-1, dtype=np.float64, out=running[..., 1:])
    at = np.clip(np.asarray(edges_hz) / step_hz + 0.5, 0.0, m)
    whole = np.minimum(at.astype(np.intp), m - 1)
    part = at - whole
    cut = running[..., whole] + part * (running[..., whole + 1] - running[..., whole])
    return np.asarray(np.diff(cut, axis=-1))


def level_db(power: ArrayLike, *, floor_db: float = -200.0) -> Floats:
    """10 lg of a power, dB, not below ``floor_db``."""
    return np.asarray(
        10.0 * np.log10(np.maximum(np.asarray(power, np.float64), 10.0 ** (floor_db / 10.0)))
    )


def sum_db(levels_db: ArrayLike) -> float:
    """Add levels by energy: 60 and 60 dB give 63.01 dB.

    Raises
    ------
    ValueError
        Nothing to add.
    """
    levels = _some(levels_db)
    top = float(levels.max())
    return top + 10.0 * math.log10(float(np.sum(10.0 ** ((levels - top) / 10.0))))


def energy_mean_db(levels_db: ArrayLike) -> float:
    """Level of the mean power (the equivalent level of equal stretches), dB."""
    return sum_db(levels_db) - 10.0 * math.log10(_some(levels_db).size)


def subtract_db(total_db: float, background_db: float) -> float:
    """Take a background off by energy: 93 dB with 89 in it leave 90.8.

    Raises
    ------
    ValueError
        The background is not below the total.
    """
    if not background_db < total_db:
        raise ValueError(f"background {background_db!r} is not below the total {total_db!r}")
    return total_db + 10.0 * math.log10(1.0 - 10.0 ** ((background_db - total_db) / 10.0))


@dataclass(frozen=True, slots=True, eq=False)
class RoomCorrection:
    """What to take off a level measured over a room's own noise.

    Attributes
    ----------
    k1_db : shape (b,)
        Subtract it from the level.
    bound : shape (b,)
        True where the corrected level is only an upper bound: the room was too loud.
    """

    k1_db: Floats
    bound: NDArray[np.bool_]


#: Above this margin nothing is corrected, dB (ISO 3744).
NO_CORRECTION_DB = 15.0
#: Below this margin the correction is capped and the value becomes a bound, dB (ISO 3744).
LEAST_MARGIN_DB = 6.0
#: The cap, dB: K1 at 6 dB, rounded as ISO 10140-4 does.
CAP_DB = 1.3


def room_correction(margin_db: ArrayLike) -> RoomCorrection:
    """Background correction K1 = -10 lg(1 - 10^(-0.1 dL)) with the limits of ISO 3744.

    Parameters
    ----------
    margin_db : shape (b,), dB
        Level with the machine running less level of the room alone, per band.
    """
    margin = np.atleast_1d(np.asarray(margin_db, dtype=np.float64))
    bound = ~(margin >= LEAST_MARGIN_DB)
    held = np.maximum(np.where(bound, LEAST_MARGIN_DB, margin), LEAST_MARGIN_DB)
    k1 = -10.0 * np.log10(1.0 - 10.0 ** (-0.1 * held))
    k1 = np.where(margin >= NO_CORRECTION_DB, 0.0, np.where(bound, CAP_DB, k1))
    return RoomCorrection(k1, bound)


def time_weighted(energy: Real, rate_hz: float, constant_s: float, *, start: float = 0.0) -> Floats:
    """Exponential time weighting of a squared signal, as a sound level meter does.

    y' = (x^2 - y) / tau, exact for x^2 held over each sample. A tone burst of length T reaches
    10 lg(1 - e^(-T/tau)) dB of its steady level; afterwards the level falls by 34.7 dB/s
    (Fast) or 4.3 dB/s (Slow). Vectorised in blocks of about one time constant.

    Parameters
    ----------
    energy : shape (n,)
        Squared samples, or a squared envelope.
    rate_hz : Hz
    constant_s : s
        ``FAST_S`` or ``SLOW_S``.
    start : power before the first sample

    Returns
    -------
    shape (n,)

    Raises
    ------
    ValueError
        Not one-dimensional, or a rate or constant that is not positive.
    """
    if energy.ndim != 1 or not rate_hz > 0.0 or not constant_s > 0.0:
        raise ValueError(f"cannot weight {energy.shape} at {rate_hz!r} Hz, {constant_s!r} s")
    n = energy.size
    if n == 0:
        return np.zeros(0)
    decay = math.exp(-1.0 / (rate_hz * constant_s))
    block = max(1, min(n, math.ceil(rate_hz * constant_s)))
    count = -(-n // block)
    flat = np.zeros(count * block)
    flat[:n] = energy
    x = flat.reshape(count, block)
    falling = decay ** np.arange(1, block + 1)
    # within a block: y_i = d^i (y_before + sum_j x_j d^-j (1 - d)); d^-block is about e
    inner = np.cumsum(x * ((1.0 - decay) / falling * decay), axis=1) * (falling / decay)
    before = np.empty(count)
    last = start
    for i in range(count):  # one step a block, not a sample
        before[i] = last
        last = inner[i, -1] + float(falling[-1]) * last
    out = inner + before[:, None] * falling
    return np.asarray(out.reshape(-1)[:n])


def burst_db(length_s: ArrayLike, constant_s: float) -> Floats:
    """Highest reading of a tone burst re its steady level, 10 lg(1 - e^(-T/tau)), dB."""
    return np.asarray(10.0 * np.log10(-np.expm1(-np.asarray(length_s, np.float64) / constant_s)))


def decay_db_s(constant_s: float) -> float:
    """How fast a time-weighted level falls after the sound has stopped, dB/s."""
    return 10.0 * math.log10(math.e) / constant_s


def exposure_db(power: Real, rate_hz: float) -> float:
    """Sound exposure level: the whole energy as if in one second, dB."""
    return float(level_db(float(np.sum(power, dtype=np.float64)) / rate_hz))


def _response_a(f2: Floats | np.float64) -> Floats:
    sides = np.sqrt((f2 + _F2**2) * (f2 + _F3**2))
    return np.asarray(_F4**2 * f2**2 / ((f2 + _F1**2) * sides * (f2 + _F4**2)))


def _response_c(f2: Floats | np.float64) -> Floats:
    return np.asarray(_F4**2 * f2 / ((f2 + _F1**2) * (f2 + _F4**2)))


def _relative_db(response: Floats, reference: Floats) -> Floats:
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(response / reference))


def _some(levels_db: ArrayLike) -> Floats:
    levels = np.asarray(levels_db, dtype=np.float64).ravel()
    if levels.size == 0:
        raise ValueError("no levels were given")
    return levels
