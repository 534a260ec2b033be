"""Severity is audibility: how loud a fault stands over the healthy machine.

Both are heard through the same body, room and phone (its linear part). In
frames of 20 ms and third-octave bands from 315 Hz on, the fault's louder
moments (95th percentile of its frames while it is present) are set against
the healthy machine's own level (median of its frames in the same time). The
mean, in dB, of the fault's three best bands is its audibility:
0 dB at severity 0.2, 20 dB at 1.0, straight between; below 0.2 it falls by
1 dB for each 0.01. The healthy level in a band is not taken below
``FLOOR_DB`` under the healthy machine's loudest band: what lies deeper is no
sound of a machine that anyone hears.
"""

from __future__ import annotations

import itertools

import numpy as np

from quietrun.synth.kit import Floats, Signal, rfft, third_octaves

Spans = tuple[tuple[float, float], ...]
FRAME_S = 0.020
FLOOR_DB = 40.0
LOWEST_HZ = 315.0


def audibility_db(severity: float) -> float:
    """Audibility that a severity stands for, dB."""
    if severity >= 0.2:
        return 25.0 * (severity - 0.2)
    return 100.0 * (severity - 0.2)


def band_frames(samples: Signal, rate_hz: int, top_hz: float) -> Floats:
    """Mean square in third-octave bands, one frame every 20 ms.

    Each frame is a Hann window of 40 ms about the middle of its 20 ms: bins
    fine enough for the lowest band, and no moment between frames is lost.

    Returns
    -------
    shape (frames, bands)
    """
    hop = round(FRAME_S * rate_hz)
    size = 2 * hop
    count = samples.size // hop
    window = np.hanning(size + 1)[:-1].astype(np.float32)
    padded = np.pad(samples[: count * hop], (hop // 2, size - hop // 2))
    frames = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop][:count] * window
    z = rfft(frames)
    power = np.square(z.real) + np.square(z.imag)
    power *= 2.0 / (size * float(np.sum(np.square(window))))
    _, edges = third_octaves(LOWEST_HZ, top_hz / 1.13)
    cuts = np.searchsorted(np.fft.rfftfreq(size, 1.0 / rate_hz), edges)
    return np.stack(
        [power[:, lo : max(hi, lo + 1)].sum(axis=1) for lo, hi in itertools.pairwise(cuts)],
        axis=1,
    ).astype(np.float64)


def frames_in(spans: Spans, count: int) -> Floats:
    """Mask of the frames that lie in the spans (s)."""
    middle = (np.arange(count) + 0.5) * FRAME_S
    inside = np.zeros(count, dtype=bool)
    for start, stop in spans:
        inside |= (middle >= start) & (middle <= stop)
    return inside


def measured_db(
    fault: Floats, healthy: Floats, spans: Spans, otherwise: Spans = ()
) -> float | None:
    """Audibility of a fault, dB; None where it has no frame.

    Parameters
    ----------
    fault, healthy : shape (frames, bands), see ``band_frames``
    spans : time in which the fault is present, s
    otherwise : spans of the machine's steady run
        The healthy machine's level is taken here where it is all but silent
        in ``spans`` (a squeal in the last turns).
    """
    inside = frames_in(spans, fault.shape[0])
    if np.count_nonzero(inside) < 2:
        return None
    loud = np.percentile(fault[inside], 95, axis=0)
    own = np.median(healthy[inside], axis=0)
    running = frames_in(otherwise, fault.shape[0])
    if np.any(running):
        steady = np.median(healthy[running], axis=0)
        if own.sum() < 0.01 * steady.sum():
            own = steady
    own = np.maximum(own, own.max() * 10 ** (-FLOOR_DB / 10) + 1e-30)
    ratio = 10.0 * np.log10(loud / own + 1e-30)
    best = np.sort(ratio)[-3:]
    return float(best.mean()) if best.mean() > -250.0 else None
