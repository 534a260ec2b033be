"""Spectra: their shape, their chance peaks, and what beats inside a band.

Conventions
-----------
``power`` is a power spectrum, lines along the last axis; ``freqs_hz`` its line frequencies,
evenly spaced. A ``spectrum`` is the complex one-sided transform of a long record. float32 is
fine for large inputs. Probabilities of chance are given as base-ten logarithms (-3 is one in
a thousand), because the interesting ones underflow.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.order import median
from quietrun.dsp.windows import effective_averages, enbw_lines, window

Floats = NDArray[np.float64]
Real = NDArray[np.floating]
Complex = NDArray[np.complexfloating]

_TINY = 1e-30

# --- averaged spectrum


@dataclass(frozen=True, slots=True, eq=False)
class Averaged:
    """Power spectrum averaged over overlapping frames (Welch).

    Attributes
    ----------
    step_hz : Hz between lines; line i lies at ``i step_hz``
    power : shape (m,)
        One-sided; the lines add up to the mean square.
    enbw_lines : noise bandwidth of the window
    averages : independent frames it is worth
    """

    step_hz: float
    power: Floats
    enbw_lines: float
    averages: float

    @property
    def density(self) -> Floats:
        """Power per hertz: white noise of variance v at rate r has 2 v / r."""
        return self.power / self.step_hz

    @property
    def tone_power(self) -> Floats:
        """Scaled so that the line of a centred tone reads its mean square."""
        return self.power * self.enbw_lines


def averaged_spectrum(
    x: Real, rate_hz: float, *, size: int, hop: int | None = None, shape: str = "hann"
) -> Averaged:
    """Average the power spectra of frames of ``size`` samples.

    Parameters
    ----------
    x : shape (n,), n >= size
        One steady stretch. Its mean is not taken off.
    rate_hz : Hz
    size, hop : samples
        ``hop``: half of ``size`` where not given.
    shape : str
        Window, see ``windows.COSINES``.

    Raises
    ------
    ValueError
        Shorter than one frame, or a size below 16.
    """
    if x.ndim != 1 or size < 16 or x.size < size:
        raise ValueError(f"a frame of {size!r} samples does not fit into {x.shape}")
    hop = size // 2 if hop is None else hop
    w = window(shape, size)
    view = np.lib.stride_tricks.sliding_window_view(x, size)[::hop]
    total = np.zeros(size // 2 + 1)
    taper = w.astype(x.dtype)
    for start in range(0, view.shape[0], 64):
        total += _energy(np.fft.rfft(view[start : start + 64] * taper, axis=1)).sum(
            axis=0, dtype=np.float64
        )
    total *= 2.0 / (view.shape[0] * size * float(np.sum(w * w)))
    total[0] /= 2.0
    if size % 2 == 0:
        total[-1] /= 2.0
    worth = effective_averages(w, hop, view.shape[0])
    return Averaged(rate_hz / size, total, enbw_lines(w), worth)


# --- shape


def centroid_hz(power: Real, freqs_hz: Floats, *, magnitude: bool = False) -> Floats:
    """Find the centre of gravity of each spectrum, Hz.

    Parameters
    ----------
    power : shape (..., m)
    freqs_hz : shape (m,), Hz
    magnitude : bool
        Weigh by the square root of the power, as audio libraries often do. By default by
        power: 1 kHz and 4 kHz of twice the amplitude centre at 3400 Hz, not 3000.

    Returns
    -------
    shape (...)
        0 where the spectrum is empty.
    """
    weight = np.sqrt(power) if magnitude else power
    # one product gives sum and moment: a sum in double precision costs ten times as much
    both = weight @ np.stack((np.ones_like(freqs_hz), freqs_hz), axis=1).astype(weight.dtype)
    total, moment = both[..., 0], both[..., 1]
    return np.asarray(moment / np.where(total > 0, total, np.inf), dtype=np.float64)


def rolloff_hz(power: Real, freqs_hz: Floats, *, share: float = 0.85) -> Floats:
    """Find the line below which ``share`` of the sum lies, Hz.

    Returns
    -------
    shape (...)
        0 where the spectrum is empty.
    """
    if not 0.0 < share < 1.0:
        raise ValueError(f"share must lie between 0 and 1, got {share!r}")
    running = np.cumsum(power, axis=-1, dtype=np.float64)
    at = np.argmax(running >= share * running[..., -1:], axis=-1)
    return np.where(running[..., -1] > 0, freqs_hz[at], 0.0)


def flatness(power: Real) -> Floats:
    """Geometric over arithmetic mean of the lines, 0 (tone) .. 1 (flat).

    One periodogram of white noise gives exp(-0.5772) = 0.5615, not 1.
    """
    p = power.astype(np.float64, copy=False) + _TINY
    return np.asarray(np.exp(np.log(p).mean(axis=-1)) / p.mean(axis=-1))


def slope_db_octave(power: Real, freqs_hz: Floats, lo_hz: float, hi_hz: float) -> Floats:
    """Fit the tilt of a spectrum over a band, dB per octave.

    Least squares of the level against the logarithm of frequency, each line weighted by
    1/f so that octaves count alike. Pink noise (power ~ 1/f) gives -3.01.

    Raises
    ------
    ValueError
        Fewer than 3 lines in the band, or it begins at 0 Hz.
    """
    use = (freqs_hz >= lo_hz) & (freqs_hz <= hi_hz)
    if int(use.sum()) < 3 or not lo_hz > 0.0:
        raise ValueError(f"no slope can be fitted over {lo_hz!r} .. {hi_hz!r} Hz")
    octave, weight = np.log2(freqs_hz[use]), 1.0 / freqs_hz[use]
    octave = octave - np.average(octave, weights=weight)
    level = 10.0 * np.log10(power[..., use].astype(np.float64) + _TINY)
    return np.asarray(level @ (weight * octave) / np.sum(weight * octave**2))


# --- kurtosis


def spectral_kurtosis(power: Real) -> Floats:
    """Excess of each line's power over time: <P^2> / <P>^2 - 2.

    Stationary Gaussian noise gives 0 with spread 2 / sqrt(K) over K independent frames
    (``windows.effective_kurtosis_frames`` counts overlapping ones); a steady tone gives -1.

    Parameters
    ----------
    power : shape (k, m)
        Frames by lines; not the lines at 0 Hz and half the rate, which are real.

    Returns
    -------
    shape (m,)

    References
    ----------
    .. [1] J. Antoni, "The spectral kurtosis", MSSP 20 (2006) 282-307 (from memory).
    """
    mean = power.mean(axis=0, dtype=np.float64)
    square = np.einsum("km,km->m", power, power, dtype=np.float64) / power.shape[0]
    return np.asarray(square / np.maximum(mean * mean, _TINY) - 2.0)


@dataclass(frozen=True, slots=True)
class Kurtosis:
    """Spectral kurtosis of one band.

    Attributes
    ----------
    lo_hz, hi_hz : Hz
    value : 0 for Gaussian noise, -1 for a tone, large for impacts
    spread : its standard deviation for Gaussian noise
    """

    lo_hz: float
    hi_hz: float
    value: float
    spread: float

    @property
    def sigmas(self) -> float:
        """How many spreads above Gaussian noise."""
        return self.value / self.spread


@dataclass(frozen=True, slots=True, eq=False)
class BandSignal:
    """Complex baseband signal of a band over the whole record.

    Attributes
    ----------
    z : shape (n,), complex
    rate_hz : Hz
    """

    z: Complex
    rate_hz: float


def band_kurtosis(spectrum: Complex, step_hz: float, lo_hz: float, hi_hz: float) -> Kurtosis:
    """Kurtosis of the envelope of a band, from a slice of the long transform.

    The slice holds as many independent complex values as samples of its envelope, so the
    spread for Gaussian noise is 2 / sqrt(samples).

    Parameters
    ----------
    spectrum : shape (q,)
        One-sided transform, *not* zero-padded (padding would make samples depend).
    step_hz : Hz between lines
    lo_hz, hi_hz : Hz

    Raises
    ------
    ValueError
        The band holds fewer than 16 lines.
    """
    energy = _energy(_cut(spectrum, step_hz, lo_hz, hi_hz))
    mean = float(energy.mean(dtype=np.float64))
    square = float(np.mean(energy * energy, dtype=np.float64))
    value = square / mean**2 - 2.0 if mean > 0.0 else 0.0
    return Kurtosis(lo_hz, hi_hz, value, 2.0 / math.sqrt(energy.size))


def band_signal(spectrum: Complex, step_hz: float, lo_hz: float, hi_hz: float) -> BandSignal:
    """Cut a band out of a long transform as its complex baseband signal.

    Parameters
    ----------
    As ``band_kurtosis``. A few lines at the upper edge are left out so that the length is
    quick to transform.

    Raises
    ------
    ValueError
        The band holds fewer than 16 lines.
    """
    z = _cut(spectrum, step_hz, lo_hz, hi_hz)
    return BandSignal(z, z.size * step_hz)


def kurtosis_bands(
    spectrum: Complex, step_hz: float, lo_hz: float, hi_hz: float, *, least_hz: float
) -> tuple[Kurtosis, ...]:
    """Kurtosis of a range cut into 1, 2, 3, 4, 6, 8, 12 ... equal bands.

    Parameters
    ----------
    spectrum, step_hz, lo_hz, hi_hz : as ``band_kurtosis``
    least_hz : Hz
        Narrowest band worth a look: the fastest modulation wanted must pass.
    """
    found = []
    for parts in (1, *sorted(m * 2**k for m in (2, 3) for k in range(10))):
        width = (hi_hz - lo_hz) / parts
        if width < least_hz:
            break
        edges = lo_hz + width * np.arange(parts + 1)
        found += [
            band_kurtosis(spectrum, step_hz, float(lo), float(hi))
            for lo, hi in itertools.pairwise(edges)
        ]
    return tuple(found)


def liveliest_band(bands: tuple[Kurtosis, ...], *, false_alarm: float = 1e-3) -> Kurtosis | None:
    """Choose the band that Gaussian noise would give least, or None where all look like it.

    Parameters
    ----------
    bands : tuple of Kurtosis
    false_alarm : probability
        That stationary noise gives any band at all, by the normal law of the kurtosis.
    """
    from statistics import NormalDist

    best = max(bands, key=lambda band: band.sigmas, default=None)
    limit = -NormalDist().inv_cdf(false_alarm / max(1, len(bands)))
    return best if best is not None and best.sigmas > limit else None


# --- tones held down


def whiten(
    spectrum: Complex, step_hz: float, *, width_hz: float = 40.0, false_alarm: float = 0.01
) -> Complex:
    """Level a long transform and hold its steady tones down to the noise.

    Each line is divided by the local noise (median over ``width_hz``); a line that no
    Gaussian noise would give (``false_alarm`` for all lines together, exponential law) is set
    to the size of the noise, its phase kept. Rotor and mains tones then no longer beat against
    each other in the envelope, while noise that swells and fades keeps doing so.

    Parameters
    ----------
    spectrum : shape (q,)
    step_hz : Hz between lines
    width_hz : Hz
        Wide against a tone, narrow against a resonance.
    false_alarm : probability

    Returns
    -------
    shape (q,), complex, mean square about 1
    """
    power = _energy(spectrum)
    block = max(16, round(width_hz / step_hz))
    floor = local_floor(power, block)
    limit = math.log(power.size / false_alarm)
    over = power > limit * floor
    gain = 1.0 / np.sqrt(floor + _TINY)
    gain[over] = 1.0 / np.sqrt(power[over])
    return np.asarray(spectrum * gain.astype(power.dtype))


# --- envelope


@dataclass(frozen=True, slots=True, eq=False)
class EnvelopeLines:
    """Spectrum of the squared envelope of a band.

    Attributes
    ----------
    step_hz : Hz between lines; line i lies at ``i step_hz``
    power : shape (k,)
        Squared one-sided amplitude of each line over the mean of the squared envelope,
        squared: a line of 0.25 says that the energy swells by half its mean. Line 0 is 1.
    """

    step_hz: float
    power: Floats


def squared_envelope_spectrum(z: Complex, rate_hz: float, *, shape: str = "hann") -> EnvelopeLines:
    """Spectrum of |z|^2, normalised by its mean.

    For z = (1 + m cos W t) e^{i w t} the line at W reads ``(2 m / (1 + m^2/2))^2`` and the
    line at 2 W ``(m^2/2 / (1 + m^2/2))^2``.

    Parameters
    ----------
    z : shape (n,), complex
        Baseband signal of a band (``frames.slice_signal``), one steady stretch of it.
    rate_hz : Hz
    shape : str
        Window, see ``windows.COSINES``. Lines are not padded: neighbours of white noise
        are as independent as the window allows.

    Raises
    ------
    ValueError
        Fewer than 16 samples, or silence.
    """
    energy = _energy(z).astype(np.float64)
    return energy_spectrum(energy, rate_hz, shape=shape)


def energy_spectrum(energy: Real, rate_hz: float, *, shape: str = "hann") -> EnvelopeLines:
    """Spectrum of a squared envelope that is there already, normalised by its mean.

    Parameters
    ----------
    energy : shape (n,), not negative
    rate_hz : Hz
    shape : str

    Raises
    ------
    ValueError
        Fewer than 16 samples, or silence.
    """
    if energy.ndim != 1 or energy.size < 16:
        raise ValueError(f"an envelope of at least 16 samples is needed, got {energy.shape}")
    mean = float(energy.mean(dtype=np.float64))
    if not mean > 0.0:
        raise ValueError("the envelope is silent")
    w = window(shape, energy.size)
    part = (energy.astype(np.float64) / mean - 1.0) * w
    power = np.abs(np.fft.rfft(part) * (2.0 / w.sum())) ** 2
    power[0] = 1.0
    if energy.size % 2 == 0:
        power[-1] /= 4.0
    return EnvelopeLines(rate_hz / energy.size, power)


# --- chance


def local_floor(power: Real, width: int) -> Real:
    """Mean of the noise under a spectrum, from medians over ``width`` lines.

    For lines of the exponential law (one periodogram) the mean is the median over ln 2.
    Medians of half-overlapping blocks, joined by straight lines.

    Returns
    -------
    shape (m,), of the power's own type
    """
    size = power.size
    width = max(8, min(width, size))
    hop = max(1, width // 2)
    count = max(1, (size - width) // hop + 1)
    blocks = np.lib.stride_tricks.sliding_window_view(power, width)[::hop][:count]
    medians = median(blocks, axis=1) / np.log(2.0)
    centres = np.arange(count) * hop + (width - 1) / 2.0
    floor = np.interp(np.arange(size), centres, medians)
    return np.asarray(floor.astype(power.dtype))


def chance_log10(rise: Real, *, lines: float = math.inf) -> Floats:
    """Probability that one line of noise stands so far over its floor, log10.

    A periodogram line follows the exponential law; where the floor itself is estimated, its
    own scatter makes high ratios likelier: with a floor as good as the mean of ``lines``
    lines, P(rise > x) = (1 + x / lines)^(-lines).

    Parameters
    ----------
    rise : power over ``local_floor``
    lines : float
        ``floor_worth`` of the floor; infinite for a known floor.
    """
    x = np.asarray(rise, dtype=np.float64)
    if math.isinf(lines):
        return np.asarray(-x / math.log(10.0))
    return np.asarray(-lines * np.log1p(x / lines) / math.log(10.0))


def floor_worth(width: int, *, shape: str = "hann") -> float:
    """How many independent lines' *mean* a median over ``width`` windowed lines is worth.

    The median of n exponential values scatters by 1 / (n ln^2 2) of its square, that is as
    the mean of n ln^2 2 = 0.48 n of them; a window correlates neighbours, which divides n by
    1 + 2 sum rho_j^2 (Hann: rho = 2/3, 1/6, hence 1.94).
    """
    w = window(shape, 64)
    lines = np.fft.fft(w * w)
    rho = np.abs(lines[1:5]) / np.abs(lines[0])
    return float(max(1.0, width * math.log(2.0) ** 2 / (1.0 + 2.0 * np.sum(rho**2))))


def averaged_chance_log10(rise: Real, averages: float) -> Floats:
    """Probability that a line averaged over several frames stands so far over its mean, log10.

    The mean of K independent frames' powers follows a gamma law of shape K (chi-square of
    2 K degrees of freedom over 2 K).

    Parameters
    ----------
    rise : power over its expectation (``median_to_mean`` gives that from a median)
    averages : float, at least 1
        ``windows.effective_averages``.
    """
    x = np.asarray(rise, dtype=np.float64) * averages
    return np.asarray(_log_gamma_tail(averages, np.maximum(x, 1e-12)) / math.log(10.0))


def median_to_mean(averages: float) -> float:
    """Mean over median of the gamma law of shape K (1: 1 / ln 2).

    From the expansion of its median, K - 1/3 + 8 / (405 K) + 184 / (25515 K^2): 0.1 % off at
    K = 1, less above.
    """
    if averages <= 1.0:
        return 1.0 / math.log(2.0)
    k = averages
    return k / (k - 1.0 / 3.0 + 8.0 / (405.0 * k) + 184.0 / (25515.0 * k * k))


def erlang_tail_log10(total: Real, shape: NDArray[np.intp] | int) -> Floats:
    """Probability that ``shape`` exponential values sum to more than ``total``, log10.

    exp(-x) sum_{i < n} x^i / i!; 0 (certainty) where ``shape`` is 0. This is how Fisher's
    method joins independent probabilities: x = -sum ln p.
    """
    x = np.maximum(np.asarray(total, dtype=np.float64), 1e-12)
    n = np.broadcast_to(np.asarray(shape), x.shape)
    term, log_x = np.zeros(x.shape), np.log(x)
    log_sum = np.zeros(x.shape)
    for i in range(1, int(n.max(initial=0))):
        term = term + log_x - math.log(i)
        log_sum = np.where(i < n, np.logaddexp(log_sum, term), log_sum)
    return np.where(n > 0, (log_sum - x) / math.log(10.0), 0.0)


def _log_gamma_tail(shape: float, x: Floats) -> Floats:
    """Natural logarithm of the upper incomplete gamma function, regularised."""
    front = shape * np.log(x) - x - math.lgamma(shape)
    out = np.empty_like(x)
    near = x < shape + 1.0
    if near.any():
        out[near] = np.log1p(
            -np.minimum(np.exp(front[near]) * _series(shape, x[near]), 1.0 - 1e-15)
        )
    if (~near).any():
        out[~near] = front[~near] + np.log(_fraction(shape, x[~near]))
    return out


def _series(shape: float, x: Floats) -> Floats:
    """Lower incomplete gamma over x^a e^-x, by its power series."""
    term = np.full_like(x, 1.0 / shape)
    total = term.copy()
    for i in range(1, 40 + int(3 * shape)):
        term = term * x / (shape + i)
        total += term
    return total


def _fraction(shape: float, x: Floats) -> Floats:
    """Upper incomplete gamma over x^a e^-x, by Lentz's continued fraction."""
    b = x + 1.0 - shape
    c = np.full_like(x, 1e30)
    d = 1.0 / b
    h = d.copy()
    for i in range(1, 60 + int(2 * shape)):
        a = -i * (i - shape)
        b = b + 2.0
        d = 1.0 / (a * d + b)
        c = b + a / c
        h = h * (d * c)
    return h


def _energy(z: Complex) -> Real:
    energy = z.real * z.real
    energy += z.imag * z.imag
    return energy


def _cut(spectrum: Complex, step_hz: float, lo_hz: float, hi_hz: float) -> Complex:
    k0, k1 = max(1, round(lo_hz / step_hz)), min(spectrum.size - 1, round(hi_hz / step_hz))
    if k1 - k0 < 16:
        raise ValueError(f"the band {lo_hz:g} .. {hi_hz:g} Hz holds fewer than 16 lines")
    return np.asarray(np.fft.ifft(spectrum[k0 : k0 + _smooth_below(k1 - k0)]))


def _smooth_below(at_most: int) -> int:
    """Find the largest 5-smooth length: a few lines less, many times quicker."""
    best, five = 1, 1
    while five <= at_most:
        three = five
        while three <= at_most:
            best = max(best, three << ((at_most // three).bit_length() - 1))
            three *= 3
        five *= 5
    return best
