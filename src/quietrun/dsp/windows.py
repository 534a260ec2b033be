"""Windows and what they do to a spectrum.

Conventions
-----------
Windows are *periodic* (made for transforms): the sample after the last equals the first.
Widths are in *lines* (bins) of an unpadded transform.
"""

from __future__ import annotations

from functools import lru_cache
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Coefficients of w(t) = a0 - a1 cos(2 pi t) + a2 cos(4 pi t) - ... over one turn.
#: Hann to Blackman-Harris: F. J. Harris, Proc. IEEE 66 (1978) 51-83 (from memory). Flat top:
#: the coefficients in common use by numeric software (0.01 dB scalloping).
COSINES = MappingProxyType(
    {
        "rectangular": (1.0,),
        "hann": (0.5, 0.5),
        "hamming": (0.54, 0.46),
        "blackman": (0.42, 0.5, 0.08),
        "blackmanharris": (0.35875, 0.48829, 0.14128, 0.01168),
        "flattop": (0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368),
    }
)


@lru_cache(maxsize=16)
def hann(size: int) -> Floats:
    """Symmetric Hann window, kept: one clip asks for the same one once a band.

    Parameters
    ----------
    size : int
        Samples, at least 1.

    Returns
    -------
    shape (size,), read-only
    """
    rising = 0.5 + 0.5 * np.cos(np.pi * np.arange(1.0 - size, 1.0, 2.0) / max(1, size - 1))
    made = np.concatenate([rising, rising[::-1][size % 2 :]])  # the other half is its mirror
    made.flags.writeable = False
    return made


def window(name: str, size: int) -> Floats:
    """Make a periodic cosine-sum window.

    Parameters
    ----------
    name : str
        A key of ``COSINES``.
    size : int
        Samples, at least 1.

    Returns
    -------
    shape (size,)

    Raises
    ------
    ValueError
        Unknown name or size below 1.
    """
    if name not in COSINES:
        raise ValueError(f"no window {name!r}; there are {', '.join(COSINES)}")
    if size < 1:
        raise ValueError(f"size must be at least 1, got {size!r}")
    turn = 2.0 * np.pi * np.arange(size) / size
    made = np.zeros(size)
    for k, a in enumerate(COSINES[name]):
        made += (-1) ** k * a * np.cos(k * turn)
    return made


def coherent_gain(w: Floats) -> float:
    """Mean of the window: by how much it scales the amplitude of a centred tone."""
    return float(np.mean(w))


def enbw_lines(w: Floats) -> float:
    """Equivalent noise bandwidth, lines: n sum w^2 / (sum w)^2 (Hann: 1.5)."""
    return float(w.size * np.sum(w * w) / np.sum(w) ** 2)


def scalloping_db(w: Floats) -> float:
    """Loss of a tone half-way between two lines, dB (Hann: 1.42)."""
    half = np.exp(-1j * np.pi * np.arange(w.size) / w.size)
    return float(-20.0 * np.log10(np.abs(np.sum(w * half)) / np.abs(np.sum(w))))


def worst_loss_db(w: Floats) -> float:
    """Worst-case processing loss of a tone in noise: scalloping plus ENBW, dB (Hann: 3.18)."""
    return scalloping_db(w) + float(10.0 * np.log10(enbw_lines(w)))


def overlap_correlation(w: Floats, hop: int) -> float:
    """Correlation of the lines of two frames of white noise ``hop`` samples apart.

    Hann: 1/6 at half, 0.659 at three-quarters overlap. The powers correlate by its square.
    """
    if hop >= w.size:
        return 0.0
    return float(np.sum(w[hop:] * w[: w.size - hop]) / np.sum(w * w))


def effective_averages(w: Floats, hop: int, count: int) -> float:
    """How many independent frames the mean power of ``count`` overlapping ones is worth.

    The variance of a Welch density of white noise is its square over this number:
    K / (1 + 2 sum_j (1 - j/K) rho_j^2).

    References
    ----------
    .. [1] P. D. Welch, IEEE Trans. Audio Electroacoustics AU-15 (1967) 70-73 (from memory).
    """
    return _effective(w, hop, count, power=2)


def effective_kurtosis_frames(w: Floats, hop: int, count: int) -> float:
    """How many independent frames the spectral kurtosis of overlapping ones is worth.

    Its leading term is a Laguerre polynomial of second order of the frame's power, and those
    of two frames correlate by rho^4 where the lines correlate by rho [derived here].
    """
    return _effective(w, hop, count, power=4)


def _effective(w: Floats, hop: int, count: int, *, power: int) -> float:
    if hop < 1 or count < 1:
        raise ValueError(f"hop and count must be at least 1, got {hop!r} and {count!r}")
    extra = 0.0
    for j in range(1, min(count, -(-w.size // hop))):
        extra += (1.0 - j / count) * overlap_correlation(w, j * hop) ** power
    return count / (1.0 + 2.0 * extra)
