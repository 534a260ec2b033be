"""The severity scale: audibility over the healthy machine, not a size of damage.

"At 0.2 the fault's louder moments just reach the healthy machine's own level in
the fault's three best third-octave bands, at 1.0 they stand about 20 dB above
it; linear in dB between." Read here as:

- louder moments: 90th percentile of the fault's band power over the 25 ms Hann
  frames in which it sounds (within 20 dB of its loudest, so that rare knocks are judged by the
  knocks), in the phase the mechanism is heard in (named by the mechanism);
- the machine's own level: mean band power of the healthy machine in that phase,
  never less than 35 dB below its total (nobody hears a gap in a spectrum that deep);
- three best bands: the three third-octaves from 160 Hz to 8 kHz, inside the band
  of the recorder, in which the first stands highest over the second; their mean in dB.
"""

from __future__ import annotations

import numpy as np
from scipy import fft

from second_bench.grains import F32, F64

FRAME_S = 0.025
LOUDER = 0.90
SOUNDING_DB = 20.0
FLOOR_DB = 35.0


def third_octaves(top_hz: float) -> F64:
    """Exact base-ten centres (IEC 61260-1) from 160 Hz to what fits below ``top_hz``."""
    centres = 1000.0 * 10.0 ** (np.arange(-8, 10) / 10.0)
    return np.asarray(centres[centres * 10**0.05 <= top_hz])


def band_power(x: F32, rate_hz: float, top_hz: float) -> F64:
    """Third-octave power in frames of 25 ms, half overlapped, shape (bands, frames)."""
    size = int(FRAME_S * rate_hz)
    hop = size // 2
    if x.size < size:
        x = np.pad(x, (0, size - x.size))
    limit = int(6.0 * rate_hz)
    frames = np.lib.stride_tricks.sliding_window_view(x[:limit], size)[::hop]
    padded = 4 * size
    spectra = fft.rfft(frames * np.hanning(size).astype(np.float32), padded)
    power = np.square(spectra.real) + np.square(spectra.imag)
    centres = third_octaves(top_hz)
    edges = np.append(centres / 10**0.05, centres[-1] * 10**0.05)
    bins = np.ceil(edges * padded / rate_hz).astype(np.int64)
    sums = np.add.reduceat(power[:, : bins[-1]], bins[:-1], axis=1, dtype=np.float64)
    return np.asarray(sums.T)


def excess_db(fault: F32, own: F32, rate_hz: float, top_hz: float) -> float:
    """How far the fault's louder moments stand over the machine, three best bands, dB."""
    frames = band_power(fault, rate_hz, top_hz)
    total = frames.sum(axis=0)
    sounding = total >= total.max() * 10.0 ** (-SOUNDING_DB / 10.0)
    loud = np.quantile(frames[:, sounding], LOUDER, axis=1)
    level = band_power(own, rate_hz, top_hz).mean(axis=1)
    level = np.maximum(level, level.sum() * 10.0 ** (-FLOOR_DB / 10.0))
    over = 10.0 * np.log10((loud + 1e-30) / (level + 1e-30))
    return float(np.mean(np.sort(over)[-3:]))


def wanted_db(severity: float) -> float:
    """0 dB at 0.2, 20 dB at 1.0, a straight line through both."""
    return 25.0 * (severity - 0.2)


def gain_for(fault: F32, own: F32, severity: float, rate_hz: float, top_hz: float) -> float:
    """Amplitude that puts ``fault`` at ``severity`` over ``own`` (both cut to the phase)."""
    have_db = excess_db(fault, own, rate_hz, top_hz)
    return float(10.0 ** ((wanted_db(severity) - have_db) / 20.0))
