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

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.blocks import along_blocks, block_means
from quietrun.dsp.frames import Frames, band_envelope
from quietrun.dsp.order import median
from quietrun.dsp.running import running_max
from quietrun.dsp.windows import hann

Floats = NDArray[np.float64]

SLIP_RANGE = (0.0005, 0.07)
_STEP = 2e-4  # relative raster of the rate
CLAIM_Z = 4.5
CLAIM_MARGIN = 1.2
ODD_Z = 2.5
_TOP_HZ = 1300.0
_ENVELOPE_BANDS = ((500.0, 1200.0), (1200.0, 2800.0), (2800.0, 6000.0), (6000.0, 12000.0))
_CHANCE = ((0.62, 0.92), (1.012, 1.36))  # rates over synchronous that cannot be
_CLEAR_HZ = 0.7  # lines so near to one of the mains count for no rate

_GRID = np.arange(1 - SLIP_RANGE[1], 1 - SLIP_RANGE[0], _STEP)
_BELOW, _ABOVE = (np.arange(a, b, _STEP) for a, b in _CHANCE)
_RATIOS = np.concatenate([_BELOW, _GRID, _ABOVE])


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
    half_z : float or None
        Where two poles were told: how far the lines stand over chance that
        only a shaft of half the rate has, one of four poles.
    """

    rate_hz: float
    poles: int
    z: float
    margin: float
    half_z: float | None = None


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
    rise = 10 * np.log10(power / along_blocks(floor, block, power.size) + 1e-12)
    reach = max(1, round(0.7 / step_hz))
    beyond = np.full(reach, -99.0)
    highest = running_max(np.concatenate([beyond, rise, beyond]), 2 * reach + 1)
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
    whole = block_means(x, by)
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
        step = rate / padded
        spectrum = np.fft.rfft(part, padded)[: int(450.0 / step)]
        power = spectrum.real**2 + spectrum.imag**2
        found.append(_peaks(power, step, 0.8, 14))
    return found


def heights(lines: LineSpectrum, at_hz: Floats) -> Floats:
    """Rise of the peaks at some frequencies, dB; 0 where there is none."""
    index = (at_hz * (1.0 / lines.step_hz) + 0.5).astype(np.intp)
    off = at_hz - np.take(lines.near_hz, index, mode="clip")
    off /= 0.12 + 0.0004 * at_hz
    off *= off
    off *= -0.5
    rises = np.exp(off, out=off)
    rises *= np.take(lines.height_db, index, mode="clip")
    rises *= index < lines.near_hz.size
    return rises


def comb_heights(
    lines: LineSpectrum, orders: NDArray[np.int64], rates_hz: Floats, mains_hz: float
) -> Floats:
    """Rise at whole multiples of each rate, 0 at lines of the mains; shape (orders, rates)."""
    at_hz = orders[:, None] * rates_hz
    cycles = at_hz / (2 * mains_hz)
    cycles -= np.rint(cycles)
    rises = heights(lines, at_hz)
    rises *= np.abs(cycles, out=cycles) * (2 * mains_hz) > _CLEAR_HZ
    return rises


def _combs(spectra: list[LineSpectrum], mains_hz: float) -> tuple[Floats, Floats, Floats]:
    """Sums of rises at the whole multiples of each of ``_RATIOS``.

    Two poles turn twice as fast as four: their multiples are the even ones of those, and need
    no other look-up but beyond the highest order of four.

    Returns
    -------
    four, two : shape (ratios,), for either number of poles
    odd : shape (ratios,), the odd multiples for four poles alone
    """
    slow = mains_hz / 2 * _RATIOS
    four, two, odd = (np.zeros(slow.size) for _ in range(3))
    for lines in spectra:
        orders = np.arange(1, lines.highest_order + 1)
        rises = lines.weight * comb_heights(lines, orders, slow, mains_hz)
        four += rises.sum(axis=0)
        odd += rises[::2].sum(axis=0)
        high = orders[orders.size // 2 :]
        high = high[high * 2 * slow[0] < lines.near_hz.size * lines.step_hz]
        two += rises[1::2].sum(axis=0)
        two += lines.weight * comb_heights(lines, high, 2 * slow, mains_hz).sum(axis=0)
    return four, two, odd


def _odd_sum(spectra: list[LineSpectrum], rates: Floats, mains_hz: float) -> Floats:
    """Sum of rises at the odd multiples of a few rates; shape (rates,)."""
    total = np.zeros(rates.size)
    for lines in spectra:
        orders = np.arange(1, lines.highest_order + 1, 2)
        total += lines.weight * comb_heights(lines, orders, rates, mains_hz).sum(axis=0)
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
    four, two, odd = _combs(spectra, mains_hz)
    if poles == 2:
        shaft = _best_rate(two, mains_hz, 2)
        return replace(shaft, half_z=_odd_z(spectra, mains_hz, 0.5 * shaft.rate_hz, odd))
    if poles is not None:
        return _best_rate(four, mains_hz / 2, 4)
    found = [_best_rate(four, mains_hz / 2, 4), _best_rate(two, mains_hz, 2)]
    return _settle_poles(spectra, mains_hz, found, odd)


def _by_chance(total: Floats) -> Floats:
    """The part of a comb sum over ``_RATIOS`` that no induction motor can cause."""
    return np.concatenate([total[: _BELOW.size], total[-_ABOVE.size :]])


def _best_rate(total: Floats, synchronous: float, poles: int) -> Shaft:
    """Likeliest rate by its comb sum over ``_RATIOS``."""
    chance = _by_chance(total)
    total = total[_BELOW.size : -_ABOVE.size]
    spread = float(chance.std()) + 1e-9
    z = (total - float(chance.mean())) / spread
    # unloaded machines slip little: a mild prior, 1 z at 4 %
    z = z - np.clip((1 - _GRID) - 0.01, 0.0, None) / 0.03
    best = int(np.argmax(z))
    far = np.abs(_GRID / _GRID[best] - 1) > 0.005
    rival = float(z[far].max()) if far.any() else 0.0
    near = np.abs(_GRID / _GRID[best] - 1) < 0.0008
    weight = np.maximum(total[near] - 0.5 * total[best], 0.0)
    rate = float(np.sum(_GRID[near] * weight) / max(float(weight.sum()), 1e-9))
    return Shaft(
        synchronous * (rate or float(_GRID[best])), poles, float(z[best]), float(z[best]) - rival
    )


def _settle_poles(
    spectra: list[LineSpectrum], mains_hz: float, found: list[Shaft], odd: Floats
) -> Shaft:
    """Four poles need lines at the odd multiples of the slower shaft; else it has two."""
    four, two = found
    if abs(2 * four.rate_hz / two.rate_hz - 1) > 0.004:
        return max(found, key=lambda shaft: shaft.z)
    return four if _odd_z(spectra, mains_hz, four.rate_hz, odd) > ODD_Z else two


def _odd_z(spectra: list[LineSpectrum], mains_hz: float, rate_hz: float, odd: Floats) -> float:
    """How far the odd multiples of a rate stand over chance, in the spread of that."""
    near = rate_hz * np.array([0.9996, 0.9998, 1.0, 1.0002, 1.0004])
    best = float(_odd_sum(spectra, near, mains_hz).max())
    chance = _by_chance(odd)
    return (best - float(chance.mean())) / (float(chance.std()) + 1e-9)
