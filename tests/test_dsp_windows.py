"""Window facts: F. J. Harris, Proc. IEEE 66 (1978), table I, from memory unless said."""

import numpy as np
import pytest
from scipy import signal

from quietrun.dsp.windows import (
    COSINES,
    coherent_gain,
    effective_averages,
    effective_kurtosis_frames,
    enbw_lines,
    hann,
    overlap_correlation,
    scalloping_db,
    window,
    worst_loss_db,
)

SCIPY_NAMES = {"rectangular": "boxcar"}


@pytest.mark.parametrize("name", COSINES)
@pytest.mark.parametrize("size", [16, 17, 4096])
def test_windows_equal_a_reference_library(name, size):
    wanted = signal.get_window(SCIPY_NAMES.get(name, name), size)
    assert window(name, size) == pytest.approx(wanted, abs=1e-12)


@pytest.mark.parametrize(
    ("name", "enbw", "scallop", "worst", "tol"),
    [
        ("rectangular", 1.00, 3.92, 3.92, 0.01),
        ("hann", 1.50, 1.42, 3.18, 0.01),  # 1.5: also a text on the audibility of tones
        ("hamming", 1.36, 1.78, 3.10, 0.04),  # Harris' Hamming is the symmetric one
        ("blackman", 1.73, 1.10, 3.47, 0.02),
        ("blackmanharris", 2.00, 0.83, 3.85, 0.02),
    ],
)
def test_noise_bandwidth_and_losses(name, enbw, scallop, worst, tol):
    w = window(name, 4096)
    found = (enbw_lines(w), scalloping_db(w), worst_loss_db(w))
    assert found == pytest.approx((enbw, scallop, worst), abs=tol)


def test_flat_top():
    """3.77 lines (Heinzel et al. 2002, from memory); under 0.01 dB (numeric-software page)."""
    w = window("flattop", 4096)
    assert enbw_lines(w) == pytest.approx(3.77, abs=0.005)
    assert scalloping_db(w) < 0.01
    assert enbw_lines(w) / enbw_lines(window("hann", 4096)) == pytest.approx(2.5, abs=0.05)


def test_hann_gain_and_overlap():
    w = window("hann", 4096)
    assert coherent_gain(w) == pytest.approx(0.5, abs=1e-3)
    assert overlap_correlation(w, 2048) == pytest.approx(0.1667, abs=1e-3)
    assert overlap_correlation(w, 1024) == pytest.approx(0.6592, abs=1e-3)
    assert overlap_correlation(w, 4096) == 0.0


def split(seconds, phase):
    """Whether 115 and 120 Hz show as two lines in a stretch under a Hann window."""
    n = int(seconds * 4000)
    t = np.arange(n) / 4000
    x = np.cos(2 * np.pi * 120 * t) + np.cos(2 * np.pi * 115 * t + phase)
    spectrum = np.abs(np.fft.rfft(x * window("hann", n), 16 * n))
    top = (spectrum[1:-1] > spectrum[:-2]) & (spectrum[1:-1] >= spectrum[2:])
    return int((spectrum[1:-1][top] > 0.5 * spectrum.max()).sum()) == 2


def test_splitting_the_near_pair_of_a_two_pole_motor():
    """Hum and second shaft line 5 Hz apart: 1.5 lines (0.3 s) are too few, 1 s is enough."""
    phases = np.arange(8) * np.pi / 4
    assert all(split(1.0, phase) for phase in phases)
    assert not all(split(0.3, phase) for phase in phases)


def test_welch_variance():
    """Welch (1967): at half overlap var = PSD^2 / K [1 + 2 (1 - 1/K) / 36]; K = 40: 1.054."""
    w = window("hann", 512)
    assert 40 / effective_averages(w, 256, 40) == pytest.approx(1.0542, abs=2e-3)
    assert effective_averages(w, 512, 40) == 40
    rng = np.random.default_rng(5)
    spectra = np.array(
        [
            signal.welch(rng.standard_normal(256 * 41), 1.0, w, 512, 256, detrend=False)[1][9:240]
            for _ in range(150)
        ]
    )
    seen = float(np.mean(spectra.var(axis=0) / spectra.mean(axis=0) ** 2))
    assert seen == pytest.approx(1 / effective_averages(w, 256, 40), rel=0.05)


def test_kurtosis_of_overlapping_frames():
    """Spread of the spectral kurtosis of Gaussian noise at three-quarters overlap."""
    w = window("hann", 256)
    rng = np.random.default_rng(6)
    x = rng.standard_normal(256 * 400)
    view = np.lib.stride_tricks.sliding_window_view(x, 256)[::64]
    power = np.abs(np.fft.rfft(view * w, axis=1))[:, 2:-2] ** 2
    kurtosis = (power**2).mean(axis=0) / power.mean(axis=0) ** 2 - 2
    worth = effective_kurtosis_frames(w, 64, view.shape[0])
    assert float(kurtosis.std()) == pytest.approx(2 / np.sqrt(worth), rel=0.15)
    assert worth < 0.8 * view.shape[0]


@pytest.mark.parametrize(("name", "size"), [("hann", 0), ("hahn", 8)])
def test_what_is_no_window(name, size):
    with pytest.raises(ValueError, match=r"no window|at least 1"):
        window(name, size)
    with pytest.raises(ValueError, match="hop and count"):
        effective_averages(window("hann", 8), 0, 3)


@pytest.mark.parametrize("size", [1, 2, 3, 4, 5, 64, 4097])
def test_the_kept_hann_window_is_numpys_to_the_last_bit(size):
    np.testing.assert_array_equal(hann(size), np.hanning(size))
    with pytest.raises(ValueError, match="read-only"):
        hann(size)[0] = 1.0
