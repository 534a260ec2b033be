"""How far a tone stands out: tone-to-noise ratio and prominence ratio.

Conventions
-----------
``power`` is a one-sided power spectrum of steady sound, line i at ``i step_hz``, averaged over
frames. No room correction is applied to tones (the standard says so). The tests are defined
from 89.1 Hz to 11.22 kHz.

References
----------
.. [1] ECMA-418-1 and ISO 7779, tone-to-noise ratio and prominence ratio. Criteria of the
   prominence ratio seen in a user guide that cites both; the rest from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.spectra import averaged_chance_log10, local_floor, median_to_mean

Floats = NDArray[np.float64]
Real = NDArray[np.floating]

LOWEST_HZ, HIGHEST_HZ = 89.1, 11_220.0
_NARROW_HZ = 171.4  # below it the lower neighbour band would begin under 20 Hz


@dataclass(frozen=True, slots=True)
class Band:
    """A band of frequencies, Hz."""

    lo_hz: float
    hi_hz: float

    @property
    def width_hz(self) -> float:
        """Width, Hz."""
        return self.hi_hz - self.lo_hz


@dataclass(frozen=True, slots=True)
class Tone:
    """A tone in noise.

    Attributes
    ----------
    freq_hz : of its highest line, refined between lines
    power : of the tone without the noise under it
    tone_to_noise_db : over the noise of its critical band
    prominence_db : critical band over its two neighbours
    chance_log10 : probability that noise gives such a peak anywhere in the spectrum
    """

    freq_hz: float
    power: float
    tone_to_noise_db: float
    prominence_db: float
    chance_log10: float

    @property
    def prominent(self) -> bool:
        """Prominent by the tone-to-noise ratio."""
        return self.tone_to_noise_db >= tone_to_noise_limit_db(self.freq_hz)

    @property
    def prominent_by_ratio(self) -> bool:
        """Prominent by the prominence ratio."""
        return self.prominence_db > prominence_limit_db(self.freq_hz)


def critical_bandwidth_hz(freq_hz: float) -> float:
    """Width of the critical band at a frequency: 25 + 75 (1 + 1.4 f^2)^0.69, f in kHz."""
    return 25.0 + 75.0 * math.pow(1.0 + 1.4 * (freq_hz / 1000.0) ** 2, 0.69)


def critical_band(freq_hz: float) -> Band:
    """Critical band around a tone.

    Up to 500 Hz symmetric; above so that the edges' product is the frequency squared.
    """
    width = critical_bandwidth_hz(freq_hz)
    if freq_hz <= 500.0:
        return Band(freq_hz - width / 2.0, freq_hz + width / 2.0)
    lo = (math.sqrt(width**2 + 4.0 * freq_hz**2) - width) / 2.0
    return Band(lo, lo + width)


def band_below(band: Band) -> Band:
    """Critical band that ends where ``band`` begins (at least from 20 Hz on)."""
    lo = _bisect(lambda f: critical_band(f).hi_hz - band.lo_hz, 1.0, band.lo_hz)
    return Band(max(20.0, critical_band(lo).lo_hz), band.lo_hz)


def band_above(band: Band) -> Band:
    """Critical band that begins where ``band`` ends."""
    hi = _bisect(
        lambda f: critical_band(f).lo_hz - band.hi_hz, band.hi_hz, 3.0 * band.hi_hz + 300.0
    )
    return Band(band.hi_hz, critical_band(hi).hi_hz)


def tone_to_noise_limit_db(freq_hz: float) -> float:
    """Tone-to-noise ratio from which a tone is prominent: 8 dB, more below 1 kHz."""
    return 8.0 + max(0.0, 8.33 * math.log10(1000.0 / freq_hz))


def prominence_limit_db(freq_hz: float) -> float:
    """Prominence ratio above which a tone is prominent: 9 dB, more below 1 kHz."""
    return 9.0 + max(0.0, 10.0 * math.log10(1000.0 / freq_hz))


def proximity_hz(freq_hz: float) -> float:
    """Spacing within which two tones of one critical band count as one (from memory)."""
    return 21.0 * float(10.0 ** (1.2 * abs(math.log10(freq_hz / 212.0)) ** 1.8))


def prominence_ratio_db(power: Real, step_hz: float, freq_hz: float) -> float:
    """Level of the tone's critical band over the mean of its two neighbours, dB.

    10 lg [X_M / ((X_L + X_U) / 2)]. Below 171.4 Hz the lower neighbour is cut at 20 Hz and its
    power scaled up to 100 Hz.

    Raises
    ------
    ValueError
        The spectrum does not reach over the upper neighbour.
    """
    middle = critical_band(freq_hz)
    below, above = band_below(middle), band_above(middle)
    if above.hi_hz > (power.size - 0.5) * step_hz:
        raise ValueError(f"the spectrum ends below {above.hi_hz:g} Hz")
    lower = _sum(power, step_hz, below)
    if freq_hz <= _NARROW_HZ:
        lower *= 100.0 / below.width_hz
    upper = _sum(power, step_hz, above)
    return 10.0 * math.log10(
        _sum(power, step_hz, middle) / max((lower + upper) / 2.0, 1e-300) + 1e-30
    )


def find_tones(
    power: Real,
    step_hz: float,
    *,
    averages: float = 1.0,
    lo_hz: float = LOWEST_HZ,
    hi_hz: float = HIGHEST_HZ,
    false_alarm: float = 1e-3,
    most: int = 24,
) -> tuple[Tone, ...]:
    """Find the tones of a spectrum and rate each one, strongest tone-to-noise first.

    A tone is a local maximum that noise of the same local level would give anywhere in the
    range with probability ``false_alarm`` at most.

    Parameters
    ----------
    power : shape (m,)
        Hann-windowed; finer than 1 % of the frequency is what the standard asks for.
    step_hz : Hz
    averages : float
        Independent frames in it (``windows.effective_averages``).
    lo_hz, hi_hz : Hz
    false_alarm : probability
    most : int
        Keep at most so many, by the height over the local noise.

    Returns
    -------
    tuple of Tone

    Raises
    ------
    ValueError
        Fewer than 64 lines in the range.
    """
    p = power.astype(np.float64)
    first, last = max(2, math.ceil(lo_hz / step_hz)), min(p.size - 3, int(hi_hz / step_hz))
    if last - first < 64:
        raise ValueError(f"{lo_hz:g} .. {hi_hz:g} Hz holds fewer than 64 lines")
    floor = _floor(p, step_hz, averages)
    rise = p / floor
    inner = np.arange(first, last)
    top = (p[inner] > p[inner - 1]) & (p[inner] >= p[inner + 1])
    top &= (p[inner] > p[inner - 2]) & (p[inner] >= p[inner + 2])
    peaks = inner[top]
    chance = averaged_chance_log10(rise[peaks], averages) + math.log10(last - first)
    keep = chance < math.log10(false_alarm)
    peaks, chance = peaks[keep], chance[keep]
    order = np.argsort(-rise[peaks])[:most]
    return _rated(p, step_hz, peaks[order], chance[order], floor)


def tone_to_noise(
    power: Real,
    step_hz: float,
    freq_hz: float,
    *,
    averages: float = 1.0,
    others_hz: tuple[float, ...] = (),
) -> Tone:
    """Rate one tone at a known frequency.

    Parameters
    ----------
    power : shape (m,)
    step_hz : Hz
    freq_hz : Hz
        Its highest line is looked for within two lines.
    averages : float
        Independent frames in the spectrum.
    others_hz : frequencies of other tones, kept out of its noise

    Returns
    -------
    Tone
        ``chance_log10`` is 0: the tone was not searched for.
    """
    p = power.astype(np.float64)
    at = np.array([_summit(p, f / step_hz) for f in (freq_hz, *others_hz)])
    floor = _floor(p, step_hz, averages)
    return _rated(p, step_hz, at, np.zeros(at.size), floor, only_first=True)[0]


def _floor(p: Floats, step_hz: float, averages: float) -> Floats:
    scale = median_to_mean(averages) * math.log(2.0)  # local_floor takes the exponential law
    floor = local_floor(p, max(24, round(200.0 / step_hz))) * scale
    return np.asarray(np.maximum(floor, 1e-300))


def _rated(
    p: Floats,
    step_hz: float,
    peaks: NDArray[np.intp],
    chance: Floats,
    floor: Floats,
    *,
    only_first: bool = False,
) -> tuple[Tone, ...]:
    spans = [_tone_lines(p, floor, int(i), step_hz) for i in peaks]
    tonal = np.zeros(p.size, dtype=bool)
    for lo, hi in spans:
        tonal[lo:hi] = True
    own = np.array([max(p[lo:hi].sum() - floor[lo:hi].sum(), 1e-300) for lo, hi in spans])
    found = []
    for k, i in enumerate(peaks[:1] if only_first else peaks):
        freq = (int(i) + _shift(p, int(i))) * step_hz
        band = critical_band(freq)
        lo, hi = max(1, round(band.lo_hz / step_hz)), min(p.size, round(band.hi_hz / step_hz) + 1)
        quiet = ~tonal[lo:hi]
        noise = float(p[lo:hi][quiet].sum()) if quiet.any() else float(floor[lo:hi].sum())
        noise *= (hi - lo) / max(1, int(quiet.sum())) if quiet.any() else 1.0
        near = np.abs(peaks * step_hz - freq) < min(proximity_hz(freq), band.width_hz / 2.0)
        tone = float(own[near].sum())
        try:
            prominence = prominence_ratio_db(p, step_hz, freq)
        except ValueError:
            prominence = -math.inf
        ratio = 10.0 * math.log10(tone / max(noise, 1e-300))
        found.append(Tone(freq, tone, ratio, prominence, float(chance[k])))
    return tuple(sorted(found, key=lambda tone: -tone.tone_to_noise_db))


def _tone_lines(p: Floats, floor: Floats, i: int, step_hz: float) -> tuple[int, int]:
    """Lines of a tone: its main lobe and skirts down to 6 dB over the noise.

    At most 15 % of the critical band wide (ISO 7779, from memory), but never less than the
    main lobe of a Hann window.
    """
    reach = max(2, int(0.075 * critical_bandwidth_hz(i * step_hz) / step_hz))
    edges = []
    for sign in (-1, 1):
        k = 2
        while k < reach and 0 < i + sign * (k + 1) < p.size:
            j = i + sign * (k + 1)
            if p[j] < 4.0 * floor[j] or p[j] > p[j - sign]:
                break
            k += 1
        edges.append(k)
    return max(1, i - edges[0]), min(p.size, i + edges[1] + 1)


def _summit(p: Floats, at: float) -> int:
    i = int(np.clip(round(at), 3, p.size - 4))
    return i - 2 + int(np.argmax(p[i - 2 : i + 3]))


def _shift(p: Floats, i: int) -> float:
    """Lines by which a Hann peak lies beside its highest line: 2 (r - l) / (l + 2 c + r).

    Exact for amplitudes l, c, r of one tone: beside a tone d lines off they go as
    (1 - d) / (2 + d), 1, (1 + d) / (2 - d).
    """
    left, here, right = (math.sqrt(max(float(v), 0.0)) for v in p[i - 1 : i + 2])
    total = left + 2.0 * here + right
    return 2.0 * (right - left) / total if total > 0.0 else 0.0


def _sum(power: Real, step_hz: float, band: Band) -> float:
    lo, hi = band.lo_hz / step_hz + 0.5, band.hi_hz / step_hz + 0.5
    first, last = int(lo), min(int(hi), power.size - 1)
    total = float(np.sum(power[first : last + 1], dtype=np.float64))
    total -= (lo - first) * float(power[first])
    if int(hi) > last:  # the band goes on beyond the last line
        return total
    return total - (1.0 - (hi - int(hi))) * float(power[last])


def _bisect(rising: Callable[[float], float], lo: float, hi: float) -> float:
    for _ in range(60):
        middle = (lo + hi) / 2.0
        lo, hi = (middle, hi) if rising(middle) < 0.0 else (lo, middle)
    return (lo + hi) / 2.0
