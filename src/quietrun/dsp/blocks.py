"""Means over blocks of a few samples, and the straight lines between blocks.

numpy's own mean along a short last axis spends its time on starting over at each row; summing
whole columns is five to twenty times faster.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

_SHORT = 20  # beyond it numpy's own mean is as quick
_LANES = 8  # numpy adds up rows of eight and more in so many partial sums


def block_means(x: NDArray[Any], size: int) -> NDArray[Any]:
    """Mean of each ``size`` samples, bit for bit what numpy gives.

    Parameters
    ----------
    x : shape (n,), float32 or float64
    size : int
        Samples in a block, at least 1; what is left over at the end is dropped.

    Returns
    -------
    shape (n // size,), of the same dtype
    """
    rows = x[: x.size // size * size].reshape(-1, size)
    if size > _SHORT:
        return np.asarray(rows.mean(axis=1))
    lanes = [rows[:, k] for k in range(size)]
    if size < _LANES:
        total = lanes[0].copy()
        rest = lanes[1:]
    else:
        whole = size // _LANES * _LANES
        a, b, c, d, e, f, g, h = (
            sum(lanes[k + _LANES : whole : _LANES], lanes[k]) for k in range(_LANES)
        )
        total = ((a + b) + (c + d)) + ((e + f) + (g + h))
        rest = lanes[whole:]
    for lane in rest:
        total += lane
    total /= x.dtype.type(size)
    return total


def along_blocks(values: NDArray[np.float64], size: int, count: int) -> NDArray[np.float64]:
    """Straight lines between values that stand at the middle of blocks, the ends held.

    Equal to ``np.interp(np.arange(count), (np.arange(values.size) + 0.5) * size, values)``.

    Parameters
    ----------
    values : shape (b,)
    size : int
        Samples in a block.
    count : int
        Samples wanted.

    Returns
    -------
    shape (count,)
    """
    first = (size + 1) // 2  # the first sample at or after the middle of the first block
    part = (np.arange(size) + (first - 0.5 * size)) / size
    lines = values[:-1, None] + np.diff(values)[:, None] * part
    out = np.full(count, values[-1])
    out[: min(first, count)] = values[0]
    middle = lines.ravel()[: max(0, count - first)]
    out[first : first + middle.size] = middle
    return out
