"""Steady shaft rate from every line and every modulation that repeats with the turn.

Unbalance, blades, rotor bars and once-a-turn events put lines at whole
multiples of the shaft rate into the sound, and into the envelope of its high
bands. For each possible rate the comb of these lines is summed; the rates an
induction motor cannot have (above synchronous speed, or far below) show how
high such sums come by chance.

Conventions
-----------
Rates are turns per second (Hz). An unloaded induction motor runs 0.1 to 7 %
below its synchronous rate 2 f / p.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.frames import Frames, band_envelope
from quietrun.dsp.order import median
from quietrun.dsp.windows import hann

Floats = NDArray[np.float64]

SLIP_RANGE = (0.0005, 0.07)
_STEP = 2e-4  # relative raster of the rate
CLAIM_Z = 4.5
CLAIM_MARGIN = 1.2
ODD_Z = 2.5
_TOP_HZ = 1300.0
_NEAR = 8.0  # widths from a line beyond which it adds less than 1e-12 dB
_ENVELOPE_BANDS = ((500.0, 1200.0), (1200.0, 2800.0), (2800.0, 6000.0), (6000.0, 12000.0))
_CHANCE = ((0.62, 0.92), (1.012, 1.36))  # rates over synchronous that cannot be


@dataclass(frozen=True, slots=True)
class Shaft:
    """A claimed shaft rate.

    Attributes
    ----------
    rate_hz : turns per second
    poles : int
    z : float
        How far its comb stands over the chance combs, in their spread.
    margin : float
        The same for the best rival more than 0.5 % away.
    """

    rate_hz: float
    poles: int
    z: float
    margin: float


@dataclass(frozen=True, slots=True, eq=False)
class LineSpectrum:
    """Peaks of a spectrum, looked up by bin.

    Attributes
    ----------
    near_hz, height_db : shape (k,)
        For each bin the nearest peak: its frequency and its rise over the
        floor, held to 18 dB. Only peaks count, so that the skirts of a strong
        line do not stand for other rates.
    step_hz : float
    weight : float
    highest_order : int
    """

    near_hz: Floats
    height_db: Floats
    step_hz: float
    weight: float
    highest_order: int


def sharp_peaks(
    power: Floats, step_hz: float, *, least_db: float = 5.0, block_hz: float = 10.0
) -> Floats:
    """Peaks that stand ``least_db`` over a floor of block medians and over all within 0.7 Hz.

    Returns
    -------
    shape (p, 2) : frequency in Hz (by parabola) and rise in dB, in order of frequency
    """
    block = max(8, round(block_hz / step_hz))
    count = max(1, power.size // block)
    used = power[: count * block].reshape(count, -1) if count * block <= power.size else power[None]
    floor = median(used, axis=1) / np.log(2) + 1e-30
    centres = (np.arange(count) + 0.5) * block
    rise = 10 * np.log10(power / np.interp(np.arange(power.size), centres, floor) + 1e-12)
    reach = max(1, round(0.7 / step_hz))
    padded = np.pad(rise, reach, mode="constant", constant_values=-99.0)
    highest = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).max(axis=1)
    peak = np.flatnonzero((rise >= highest) & (rise > least_db))
    inner = np.clip(peak, 1, power.size - 2)
    left, top, right = (rise[inner + k] for k in (-1, 0, 1))
    bend = np.minimum(left - 2 * top + right, -1e-6)
    exact = (inner + np.clip(0.5 * (left - right) / bend, -0.5, 0.5)) * step_hz
    return np.stack([exact, rise[peak]], axis=1)


def _peaks(power: Floats, step_hz: float, weight: float, highest_order: int) -> LineSpectrum:
    """Look-up of the nearest sharp peak for each bin."""
    found = sharp_peaks(power, step_hz)
    if found.shape[0] == 0:
        return LineSpectrum(np.full(power.size, -1e9), np.zeros(power.size), step_hz, weight, 0)
    between = 0.5 * (found[1:, 0] + found[:-1, 0]) / step_hz
    nearest = np.searchsorted(between, np.arange(power.size))
    return LineSpectrum(
        found[nearest, 0], np.minimum(found[nearest, 1], 18.0), step_hz, weight, highest_order
    )


def sound_lines(frames: Frames, steady_s: tuple[float, float]) -> LineSpectrum:
    """Lines of the steady sound itself up to 1.3 kHz."""
    a, b = (round(t * frames.rate_hz) for t in steady_s)
    x = frames.samples[max(0, a) : b]
    by = max(1, int(frames.rate_hz / (4 * _TOP_HZ)))
    # a crude but sufficient low-pass: means of ``by`` samples, then one transform
    whole = x[: x.size // by * by].reshape(-1, by).mean(axis=1)
    whole = whole * hann(whole.size)
    rate = frames.rate_hz / by
    padded = 1 << int(np.ceil(np.log2(max(whole.size, 1024) * 1.5)))
    spectrum = np.fft.rfft(whole, padded)
    step = rate / padded
    top = min(spectrum.size, int(_TOP_HZ / step))
    power = np.abs(spectrum[:top]).astype(np.float64) ** 2
    return _peaks(power, step, 1.0, 44)


def envelope_lines(
    frames: Frames, steady_s: tuple[float, float], top_hz: float
) -> list[LineSpectrum]:
    """Lines of the squared envelope of each band of the steady sound."""
    found = []
    for lo, hi in _ENVELOPE_BANDS:
        if hi > top_hz * 1.05:
            break
        energy, rate = band_envelope(frames, lo, hi, rate_hz=1000.0)
        part = energy[int(steady_s[0] * rate) : int(steady_s[1] * rate)].astype(np.float64)
        if part.size < 512:
            continue
        # loud single events would own the spectrum: hold them to 5 x the median
        part = np.minimum(part, 5 * median(part))
        part = (part - part.mean()) * hann(part.size)
        padded = 1 << int(np.ceil(np.log2(part.size * 2)))
        power = np.abs(np.fft.rfft(part, padded)) ** 2
        step = rate / padded
        top = min(power.size, int(450.0 / step))
        found.append(_peaks(power[:top], step, 0.8, 14))
    return found


def _comb_sum(
    spectra: list[LineSpectrum], rates: Floats, mains_hz: float, *, odd_only: bool = False
) -> Floats:
    """Sum of rises at the whole multiples of each rate, lines of the mains left out."""
    total = np.zeros(rates.size)
    most = max((lines.highest_order for lines in spectra), default=0)
    at = np.arange(1, most + 1)[:, None] * rates
    cycles = at / (2 * mains_hz)
    clear = np.abs(cycles - np.rint(cycles)) * (2 * mains_hz) > 0.7
    if odd_only:
        clear[1::2] = False
    for lines in spectra:
        if lines.highest_order == 0:
            continue
        size = lines.near_hz.size
        count = min(lines.highest_order, int(size * lines.step_hz / rates[0]) + 1)
        where = at[:count]
        index = (where * (1.0 / lines.step_hz) + 0.5).astype(np.int32)
        use = clear[:count] & (index < size)
        index = np.minimum(index, size - 1)
        off = (where - lines.near_hz[index]) / (0.12 + 0.0004 * where)
        near = use & (np.abs(off) < _NEAR)
        got = np.zeros(where.shape)
        got[near] = lines.height_db[index[near]] * np.exp(-0.5 * off[near] ** 2)
        total += got.sum(axis=0) * lines.weight
    return total


def find_shaft(
    frames: Frames,
    steady_s: tuple[float, float],
    *,
    mains_hz: float,
    poles: int | None,
    top_hz: float,
) -> Shaft | None:
    """Shaft rate of the steady run, or None rather than a guess.

    Parameters
    ----------
    frames : Frames
    steady_s : (from, to), s
        At least about 1 s.
    mains_hz : Hz, as measured
    poles : 2, 4 or None
    top_hz : Hz
        Upper edge of the band in use.
    """
    if steady_s[1] - steady_s[0] < 0.8:
        return None
    spectra = [sound_lines(frames, steady_s), *envelope_lines(frames, steady_s, top_hz)]
    found = [
        shaft
        for p in ((poles,) if poles else (4, 2))
        if (shaft := _best_rate(spectra, mains_hz, p)) is not None
    ]
    if not found:
        return None
    if len(found) == 2:
        return _settle_poles(spectra, mains_hz, found)
    return found[0]


def _best_rate(spectra: list[LineSpectrum], mains_hz: float, poles: int) -> Shaft | None:
    synchronous = 2 * mains_hz / poles
    grid = np.arange(1 - SLIP_RANGE[1], 1 - SLIP_RANGE[0], _STEP)
    total = _comb_sum(spectra, synchronous * grid, mains_hz)
    chance = np.concatenate(
        [_comb_sum(spectra, synchronous * np.arange(a, b, _STEP), mains_hz) for a, b in _CHANCE]
    )
    spread = float(chance.std()) + 1e-9
    z = (total - float(chance.mean())) / spread
    # unloaded machines slip little: a mild prior, 1 z at 4 %
    z = z - np.clip((1 - grid) - 0.01, 0.0, None) / 0.03
    best = int(np.argmax(z))
    far = np.abs(grid / grid[best] - 1) > 0.005
    rival = float(z[far].max()) if far.any() else 0.0
    near = np.abs(grid / grid[best] - 1) < 0.0008
    weight = np.maximum(total[near] - 0.5 * total[best], 0.0)
    rate = float(np.sum(grid[near] * weight) / max(float(weight.sum()), 1e-9)) or float(grid[best])
    return Shaft(synchronous * rate, poles, float(z[best]), float(z[best]) - rival)


def _settle_poles(spectra: list[LineSpectrum], mains_hz: float, found: list[Shaft]) -> Shaft:
    """Four poles need lines at the odd multiples of the slower shaft; else it has two."""
    four, two = found
    if abs(2 * four.rate_hz / two.rate_hz - 1) > 0.004:
        return max(found, key=lambda shaft: shaft.z)
    synchronous = mains_hz / 2
    near = four.rate_hz * np.array([0.9996, 0.9998, 1.0, 1.0002, 1.0004])
    odd = float(_comb_sum(spectra, near, mains_hz, odd_only=True).max())
    chance = np.concatenate(
        [
            _comb_sum(spectra, synchronous * np.arange(a, b, _STEP), mains_hz, odd_only=True)
            for a, b in _CHANCE
        ]
    )
    return four if odd > float(chance.mean() + ODD_Z * chance.std()) else two
