"""Whether the lines of the mains come with the run, or were in the room all along.

A motor on the mains pulls at twice their frequency, so lines at its multiples rise when it is
switched on. A fridge or a lamp has the same lines, but they do not care about our switch; and
a machine with brushes or electronics has none.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.frames import slice_signal
from quietrun.dsp.order import median
from quietrun.fitness.view import Bools, View

Floats = NDArray[np.float64]

_LINES = np.arange(1, 13)
_PIECE_S = 0.5
_MOST_PIECES = 6
_ASIDE_HZ = np.array([-14.0, -11.0, -8.0, -6.0, 6.0, 8.0, 11.0, 14.0])
_PRESENT_DB = 9.0
_STEP_DB = 6.0


def rising_lines(view: View) -> int | None:
    """Count the mains lines that are clear in the steady run and 6 dB up on the room.

    Returns
    -------
    int or None
        None where the mains frequency or the room is not known.
    """
    mains_hz, frames = view.run.mains_hz, view.frames
    if not mains_hz:
        return None
    lines_hz = 2.0 * mains_hz * _LINES
    lines_hz = lines_hz[lines_hz < 0.4 * frames.rate_hz]
    if not lines_hz.size:
        return None
    wave, rate_hz = slice_signal(frames, 40.0, float(lines_hz[-1]) + 60.0, taper=0.02)
    bin_hz = frames.rate_hz / frames.padded
    first_hz = max(1, round(40.0 / bin_hz)) * bin_hz
    at_hz = np.concatenate([lines_hz[:, np.newaxis], lines_hz[:, np.newaxis] + _ASIDE_HZ], axis=1)
    run_db = _levels_db(view, view.steady, wave, rate_hz, at_hz - first_hz)
    room_db = _levels_db(view, view.still, wave, rate_hz, at_hz - first_hz)
    if run_db is None or room_db is None:
        return None
    clear = run_db[:, 0] - median(run_db[:, 1:], axis=1) > _PRESENT_DB
    return int((clear & (run_db[:, 0] - room_db[:, 0] > _STEP_DB)).sum())


def _levels_db(
    view: View, mask: Bools, wave: NDArray[np.complex64], rate_hz: float, at_hz: Floats
) -> Floats | None:
    """Level at some frequencies, the median over pieces of half a second within ``mask``."""
    pieces = _pieces(view, mask)
    length = int(_PIECE_S * rate_hz)
    window = np.hanning(length).astype(np.float32)
    size = 1 << (2 * length - 1).bit_length()
    found = []
    for start_s in pieces:
        piece = wave[int(start_s * rate_hz) :][:length]
        if piece.size == length:
            found.append(np.fft.fft(piece * window, size))
    if not found:
        return None
    place = np.rint(at_hz / rate_hz * size).astype(np.intp) % size
    power = np.abs(np.array(found)[:, place]) ** 2
    return np.asarray(10.0 * np.log10(median(power, axis=0) + 1e-20), dtype=np.float64)


def _pieces(view: View, mask: Bools) -> list[float]:
    """Starts of up to six pieces that lie wholly within ``mask``, s."""
    time_s, hop_s = view.frames.time_s, view.frames.hop_s
    length = int(_PIECE_S / hop_s)
    if mask.size < length:
        return []
    inside = np.cumsum(np.concatenate(([0], mask.astype(np.intp))))
    starts = np.flatnonzero(inside[length:] - inside[:-length] == length)
    if not starts.size:
        return []
    picked = starts[np.unique(np.linspace(0, starts.size - 1, _MOST_PIECES).astype(np.intp))]
    return [float(time_s[k]) for k in picked]
