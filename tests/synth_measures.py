"""Measurements for the synthesiser's tests, sharing no code with it (numpy and scipy only)."""

from functools import cache

import numpy as np
from scipy import signal

from quietrun.synth import draw_recipe, render


@cache
def rendered(recipe_key):
    """Render once per test session; ``recipe_key`` is (seed of the draw, fixed fields)."""
    seed, fixed = recipe_key
    return render(recipe_of(seed, fixed))


def recipe_of(seed, fixed):
    plain = {k: dict(v) if isinstance(v, tuple) else v for k, v in fixed}
    return draw_recipe(np.random.default_rng(seed), **plain)


def clip(seed, **fixed):
    """Draw and render; dicts are given as dicts."""
    key = tuple((k, tuple(v.items()) if isinstance(v, dict) else v) for k, v in fixed.items())
    return rendered((seed, key))


def mono(sound):
    x = sound.samples if sound.samples.ndim == 1 else sound.samples[:, 0]
    return x.astype(np.float64)


def level_db(x, rate_hz, start_s, stop_s):
    part = x[int(start_s * rate_hz) : int(stop_s * rate_hz)]
    return 10 * np.log10(np.mean(np.square(part)) + 1e-20)


def line_hz(x, rate_hz, near_hz, width_hz):
    """Frequency of the strongest line near a frequency (Hann, zero-padded, parabola)."""
    n = 1 << int(np.ceil(np.log2(x.size * 4)))
    z = np.abs(np.fft.rfft(x * np.hanning(x.size), n))
    freqs = np.fft.rfftfreq(n, 1 / rate_hz)
    inside = np.flatnonzero(np.abs(freqs - near_hz) <= width_hz)
    k = inside[np.argmax(z[inside])]
    a, b, c = np.log(z[k - 1 : k + 2] + 1e-30)
    return float(freqs[k] + 0.5 * (a - c) / (a - 2 * b + c) * freqs[1])


def line_prominence_db(x, rate_hz, at_hz, tolerance):
    """Strongest bin within ``tolerance`` (share) of a line over the median around it."""
    z = np.abs(np.fft.rfft(x * np.hanning(x.size)))
    freqs = np.fft.rfftfreq(x.size, 1 / rate_hz)
    on = np.abs(freqs - at_hz) <= max(tolerance * at_hz, freqs[1])
    around = (freqs > 0.75 * at_hz) & (freqs < 1.25 * at_hz) & ~on
    return 20 * np.log10(z[on].max() / np.median(z[around]))


def squared_envelope(x, rate_hz, lo_hz, hi_hz, to_hz=2000):
    """Squared envelope of a band, brought down to about 2 kHz, without its mean."""
    sos = signal.butter(4, [lo_hz, min(hi_hz, 0.47 * rate_hz)], "band", fs=rate_hz, output="sos")
    e = np.square(np.abs(signal.hilbert(signal.sosfiltfilt(sos, x))))
    by = max(1, rate_hz // to_hz)
    e = e[: e.size // by * by].reshape(-1, by).mean(axis=1)
    return e / e.mean() - 1.0, rate_hz / by


def third_octave_frames(x, rate_hz, lowest_hz, top_hz, frame_s=0.020):
    """Mean square in 20 ms frames of ideal third-octave bands (base ten), by one long transform."""
    size = round(frame_s * rate_hz)
    x = x[: x.size // 4800 * 4800]  # a length that transforms quickly
    z, freqs = np.fft.rfft(x), np.fft.rfftfreq(x.size, 1 / rate_hz)
    rows = []
    for k in range(-20, 14):
        centre = 1000 * 10 ** (k / 10)
        if centre < lowest_hz * 0.99 or centre * 10**0.05 > top_hz:
            continue
        band = (freqs >= centre * 10**-0.05) & (freqs < centre * 10**0.05)
        y = np.fft.irfft(z * band, x.size)
        rows.append(np.square(y[: y.size // size * size].reshape(-1, size)).mean(axis=1))
    return np.stack(rows, axis=1)
