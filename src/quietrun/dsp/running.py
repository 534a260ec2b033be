"""Running extremes and medians along the first axis, in a few whole-array steps."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.order import median

Floats = NDArray[np.float64]


def running_max(x: Floats, width: int) -> Floats:
    """Highest value in every window, for windows that lie wholly within ``x``.

    The maximum over 2 s values is the larger of two over s: windows are doubled
    until two of them, overlapping, cover the width.

    Parameters
    ----------
    x : shape (n, ...)
    width : int
        Values in a window, 1 to n.

    Returns
    -------
    shape (n - width + 1, ...)

    Raises
    ------
    ValueError
        A width that does not fit.
    """
    if not 1 <= width <= x.shape[0]:
        raise ValueError(f"width must be 1 to {x.shape[0]}, got {width}")
    out, span = x, 1
    while 2 * span <= width:
        out = np.maximum(out[:-span], out[span:])
        span *= 2
    rest = width - span
    return np.asarray(np.maximum(out[: out.shape[0] - rest], out[rest:]) if rest else out)


def running_min(x: Floats, width: int) -> Floats:
    """Lowest value in every window; see ``running_max``."""
    return -running_max(-x, width)


def running_median(x: Floats, width: int, *, every: int = 1) -> Floats:
    """Median of the values around each, the ends held.

    Parameters
    ----------
    x : shape (n, ...)
    width : int
        Values in a window, odd.
    every : int
        Only each so many-th is computed and held until the next.

    Returns
    -------
    shape (n, ...)
    """
    half = width // 2
    padded = np.pad(x, ((half, half), *((0, 0),) * (x.ndim - 1)), mode="edge")
    view = np.lib.stride_tricks.sliding_window_view(padded, width, axis=0)[::every]
    middle = np.asarray(median(view, axis=-1))
    return middle if every == 1 else np.repeat(middle, every, axis=0)[: x.shape[0]]
