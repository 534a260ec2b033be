"""Small tools of the synthesiser: noise, impulses, resonances, streams of chance.

Conventions
-----------
Everything is rendered at ``FS`` = 48 kHz in float32 and brought to the
phone's rate at the end. Slow quantities live on the control grid, one value
every ``BLOCK`` samples (1 ms), one value more than there are blocks.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

Signal = NDArray[np.float32]
Floats = NDArray[np.floating]
Spectrum = NDArray[np.complex64]
Phase = NDArray[np.uint32]
Rng = np.random.Generator

FS = 48_000
BLOCK = 48
CONTROL_HZ = FS // BLOCK
TABLE = 65_536
COSINE = np.cos(2.0 * np.pi * np.arange(TABLE) / TABLE).astype(np.float32)
_FRAC = (np.arange(BLOCK, dtype=np.float64) / BLOCK).astype(np.float32)
_FRAME = 1024
_WINDOW = np.sin(np.pi * (np.arange(_FRAME) + 0.5) / _FRAME).astype(np.float32)


def stream(seed: int, *names: str | int) -> Rng:
    """Return an independent stream of chance for a named part of one recipe.

    The same seed and names give the same stream, and no other part's draws
    move it: a recipe changed in one respect keeps all the others.
    """
    keys = [zlib.crc32(str(name).encode()) for name in names]
    return np.random.default_rng(np.random.SeedSequence([seed % (1 << 63), *keys]))


def log_uniform(rng: Rng, lo: float, hi: float) -> float:
    """Draw between ``lo`` and ``hi``, evenly in the logarithm."""
    return float(np.exp(rng.uniform(np.log(lo), np.log(hi))))


def amplitude(level_db: float) -> float:
    """10^(L/20)."""
    return float(10.0 ** (level_db / 20.0))


def chance(rng: Rng, probability: float) -> bool:
    """Toss a coin that lands on True with ``probability``."""
    return bool(rng.random() < probability)


def pick(rng: Rng, items: Sequence[str]) -> str:
    """Pick one of several words, evenly."""
    return items[int(rng.integers(len(items)))]


def ramp(control: NDArray[np.floating]) -> Signal:
    """Bring control values to the audio rate by straight lines.

    Parameters
    ----------
    control : shape (k + 1,)

    Returns
    -------
    shape (k * BLOCK,), float32
    """
    c = control.astype(np.float32)
    return (c[:-1, None] + (c[1:] - c[:-1])[:, None] * _FRAC).reshape(-1)


def on_grid(samples: Signal, points: int) -> Floats:
    """Mean square of the samples in each block, as a control curve of ``points`` values."""
    power = np.square(samples.astype(np.float64)).reshape(-1, BLOCK).mean(axis=1)
    return np.append(power, power[-1])[:points]


def fraction(turns: Floats) -> Signal:
    """Angle within the turn, 0..1."""
    return (turns - np.floor(turns)).astype(np.float32)


def phase_of(turns: Floats) -> Phase:
    """Angle within the turn as a 32-bit count, which wraps by itself."""
    return (np.mod(turns, 1.0) * 4294967296.0).astype(np.uint64).astype(np.uint32)


def look_up(table: Signal, angle: Floats | Phase, times: int = 1, offset: float = 0.0) -> Signal:
    """Read a periodic table (one period = ``TABLE`` values) along an angle.

    Parameters
    ----------
    angle : shape (n,)
        Turns, or 32-bit counts of ``phase_of`` (much faster).
    times, offset :
        The table is read at ``times * angle + offset`` turns.
    """
    if angle.dtype == np.uint32:
        shift = np.uint32(int(np.mod(offset, 1.0) * 4294967296.0) & 0xFFFFFFFF)
        count = angle.astype(np.uint32, copy=False) * np.uint32(times) + shift
        return np.take(table, count >> np.uint32(16))
    return np.take(table, ((times * angle + offset) * TABLE).astype(np.int64) & (TABLE - 1))


def harmonics(amplitudes: Sequence[float] | Floats, rng: Rng, *, first: int = 1) -> Signal:
    """Table of one period with the given amplitudes of harmonics and random phases."""
    spectrum = np.zeros(TABLE // 2 + 1, dtype=np.complex128)
    a = np.asarray(amplitudes, dtype=np.float64)
    phases = rng.uniform(0, 2 * np.pi, a.size)
    spectrum[first : first + a.size] = 0.5 * TABLE * a * np.exp(1j * phases)
    return np.fft.irfft(spectrum, TABLE).astype(np.float32)


def place(times_s: Floats, strengths: Floats, n: int) -> Signal:
    """Impulses at times between samples (shared by the two neighbours)."""
    at = np.asarray(times_s, dtype=np.float64) * FS
    keep = (at >= 0) & (at < n - 1)
    at, s = at[keep], np.asarray(strengths, dtype=np.float64)[keep]
    low = at.astype(np.int64)
    part = at - low
    out = np.bincount(low, weights=s * (1 - part), minlength=n)
    out += np.bincount(low + 1, weights=s * part, minlength=n)
    return out[:n].astype(np.float32)


def rings(
    freqs_hz: Floats, quality: Floats, gains: Floats, *, length_s: float, rate_hz: float = FS
) -> Signal:
    """Impulse response of a bank of resonances: sum of g exp(-pi f t / Q) sin(2 pi f t).

    Parameters
    ----------
    freqs_hz, quality, gains : shape (m,)
    """
    t = (np.arange(int(length_s * rate_hz)) / rate_hz).astype(np.float32)
    f = np.asarray(freqs_hz, dtype=np.float32)[:, None]
    q = np.asarray(quality, dtype=np.float32)[:, None]
    g = np.asarray(gains, dtype=np.float32)[:, None]
    out = (g * np.exp(-np.float32(np.pi) * f / q * t) * np.sin(np.float32(2 * np.pi) * f * t)).sum(
        axis=0
    )
    fade = min(out.size, 256)
    out[-fade:] *= np.linspace(1, 0, fade, dtype=np.float32)
    return np.asarray(out, dtype=np.float32)


def band_shape(freqs_hz: Floats, lo_hz: float, hi_hz: float, order: float = 2.0) -> Floats:
    """Amplitude response with gentle edges: 1 between lo and hi."""
    f = np.maximum(freqs_hz, 1e-3)
    return np.asarray(
        1.0 / np.sqrt((1 + (lo_hz / f) ** (2 * order)) * (1 + (f / hi_hz) ** (2 * order)))
    )


def hump(freqs_hz: Floats, centre_hz: float, up: float, down: float) -> Floats:
    """Amplitude spectrum rising by ``up`` and falling by ``down`` dB an octave about a centre."""
    octaves = np.log2(np.maximum(freqs_hz, 10.0) / centre_hz)
    level = np.where(octaves < 0, up * octaves, -down * octaves)
    level = level - 1.5 * np.exp(-np.square(octaves))  # rounds the top
    return np.asarray(10.0 ** (level / 20.0))


def rfft(x: Signal, n: int | None = None) -> Spectrum:
    """Real transform along the last axis in single precision, at scipy's speed."""
    from scipy import fft

    return np.asarray(fft.rfft(x, n), dtype=np.complex64)


def irfft(z: Spectrum, n: int) -> Signal:
    """Inverse of ``rfft``."""
    from scipy import fft

    return np.asarray(fft.irfft(z, n), dtype=np.float32)


def white(rng: Rng, n: int) -> Signal:
    """White Gaussian noise, standard deviation 1."""
    return rng.standard_normal(n, dtype=np.float32)


def flowing_noise(
    rng: Rng, n: int, shapes: Sequence[tuple[Floats, Callable[[Floats], Floats]]]
) -> Signal:
    """Noise whose spectrum may change over time, in overlapping frames of 21 ms.

    Parameters
    ----------
    n : int
    shapes : pairs of (level over time, spectrum)
        Level: amplitude on the control grid, shape (k + 1,). Spectrum: function
        from frequencies in Hz, shape (m,), to amplitudes. The powers of all
        pairs add.

    Returns
    -------
    shape (n,), float32
        One pair with level 1 and spectrum 1 gives noise of standard deviation 1.
    """
    hop = _FRAME // 2
    frames = n // hop + 2
    freqs = np.fft.rfftfreq(_FRAME, 1.0 / FS)
    centres = np.arange(frames) * hop / BLOCK
    noise = white(rng, (frames + 1) * hop)
    z = rfft(np.lib.stride_tricks.sliding_window_view(noise, _FRAME)[::hop] * _WINDOW)
    levels = [
        np.interp(centres, np.arange(level.size), level).astype(np.float32) for level, _ in shapes
    ]
    spectra = [spectrum(freqs).astype(np.float32) for _, spectrum in shapes]
    if len(shapes) == 1:
        z *= spectra[0]
        gain = levels[0][:, None] * _WINDOW
    else:
        z *= np.sqrt(np.square(np.stack(levels, axis=1)) @ np.square(np.stack(spectra)))
        gain = _WINDOW[None, :]
    blocks = irfft(z, _FRAME)
    blocks *= gain
    out = np.zeros((frames + 1, hop), dtype=np.float32)
    out[:-1] += blocks[:, :hop]
    out[1:] += blocks[:, hop:]
    return out.reshape(-1)[hop : hop + n]


def wandering(
    rng: Rng, points: int, seconds: float, spread: float, *, rate_hz: float = CONTROL_HZ
) -> Floats:
    """Slow random curve: normal knots every ``seconds``, joined smoothly; std about ``spread``."""
    knots = int(points / rate_hz / seconds) + 5
    values = rng.normal(0.0, spread, knots)
    x = np.arange(points) / rate_hz / seconds + 1.0
    i = x.astype(np.int64)
    f = x - i
    a, b, c, d = values[i - 1], values[i], values[i + 1], values[np.minimum(i + 2, knots - 1)]
    smooth = b + 0.5 * f * (c - a + f * (2 * a - 5 * b + 4 * c - d + f * (3 * (b - c) + d - a)))
    return np.asarray(smooth)


def angle_noise(
    rng: Rng, turns: Floats, per_turn: int, shape: Callable[[Floats], Floats] | None = None
) -> Signal:
    """Noise laid along the angle, so that its pitch falls with the speed.

    Parameters
    ----------
    turns : shape (n,)
        Angle, turns.
    per_turn : int
        Noise points a turn: the sound reaches up to half of it in orders.
    shape : function or None
        Amplitude over order (in shaft orders).
    """
    start = float(turns[0])
    count = int((float(turns[-1]) - start) * per_turn) + 4
    values = white(rng, count)
    if shape is not None:
        spectrum = np.fft.rfft(values)
        orders = np.fft.rfftfreq(count, 1.0 / per_turn)
        spectrum *= shape(orders).astype(np.float32)
        values = np.fft.irfft(spectrum, count).astype(np.float32)
    at = (turns - start) * per_turn
    low = at.astype(np.int32)
    part = (at - low).astype(np.float32)
    here = values[low]
    return here + part * (values[low + 1] - here)


def smooth_gate(points: int, intervals: Sequence[tuple[float, float]], edge_s: float) -> Floats:
    """Control curve: 1 inside the intervals (s), 0 outside, with raised-cosine edges."""
    t = np.arange(points) / CONTROL_HZ
    out = np.zeros(points)
    for start, stop in intervals:
        rise = np.clip((t - start) / edge_s + 0.5, 0, 1)
        fall = np.clip((stop - t) / edge_s + 0.5, 0, 1)
        out = np.maximum(out, np.minimum(rise, fall))
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * out))


def third_octaves(lo_hz: float, hi_hz: float) -> tuple[Floats, Floats]:
    """Centres and edges of the base-ten third-octave bands with centres in [lo, hi]."""
    first = int(np.ceil(10 * np.log10(lo_hz / 1000.0) - 1e-6))
    last = int(np.floor(10 * np.log10(hi_hz / 1000.0) + 1e-6))
    index = np.arange(first, last + 1)
    centres = 1000.0 * 10.0 ** (index / 10.0)
    edges = 1000.0 * 10.0 ** ((np.append(index, last + 1) - 0.5) / 10.0)
    return centres, edges


def a_weight(freqs_hz: Floats) -> Floats:
    """A-weighting as a factor on power (IEC 61672-1, analytical form)."""
    f2 = np.square(freqs_hz)
    ra = (
        12194.217**2
        * f2**2
        / (
            (f2 + 20.598997**2)
            * np.sqrt((f2 + 107.65265**2) * (f2 + 737.86223**2))
            * (f2 + 12194.217**2)
        )
    )
    return np.asarray(np.square(ra * 10 ** (1.9997 / 20)))
