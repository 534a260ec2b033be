"""Edges of the signal helpers that longer tests pass by: ends, empty stretches, one value."""

import numpy as np
import pytest

from quietrun.dsp import levels, tones, windows
from quietrun.dsp.blocks import along_blocks, block_means
from quietrun.dsp.frames import band_envelope, fast_length, frames_of, slice_signal
from quietrun.dsp.order import median, quantile, quantiles
from quietrun.dsp.running import running_max, running_median


@pytest.mark.parametrize("at_least", [1, 2, 7, 11, 97, 1000, 1021, 44_101])
def test_a_fast_length_has_no_factor_above_five(at_least):
    found = fast_length(at_least)
    assert found >= at_least
    assert found % 2 == 0
    assert _rest(found) == 1
    assert all(_rest(n) != 1 for n in range(max(2, at_least), found) if n % 2 == 0)
    odd = fast_length(at_least, even=False)
    assert at_least <= odd <= found


def _rest(n):
    for factor in (2, 3, 5):
        while n % factor == 0:
            n //= factor
    return n


@pytest.mark.parametrize("size", [1, 5, 16, 17, 100])
@pytest.mark.parametrize("by", [1, 3, 16])
def test_means_of_blocks(size, by):
    x = np.random.default_rng(size).normal(size=size).astype(np.float32)
    count = size // by
    wanted = [x[k * by : (k + 1) * by].astype(np.float64).mean() for k in range(count)]
    assert block_means(x, by) == pytest.approx(wanted, abs=1e-6)


def test_values_of_blocks_are_drawn_between_their_middles():
    """Straight from the middle of one block to that of the next; level before and behind."""
    found = along_blocks(np.array([0.0, 10.0]), 10, 25)
    centres = (np.arange(2) + 0.5) * 10
    assert found == pytest.approx(np.interp(np.arange(25), centres, [0.0, 10.0]), abs=0.51)
    assert found[0] == 0.0
    assert found[-1] == 10.0


@pytest.mark.parametrize("width", [1, 3, 7])
def test_the_running_maximum(width):
    x = np.random.default_rng(1).normal(size=40)
    found = running_max(x, width)
    wanted = [x[k : k + width].max() for k in range(40 - width + 1)]
    assert found[: len(wanted)] == pytest.approx(wanted)


def test_the_running_median_keeps_a_straight_line():
    x = np.arange(60.0)
    found = running_median(x, 9)
    assert found[8:-8] == pytest.approx(x[8:-8])
    spiked = x.copy()
    spiked[30] = 1e6
    assert running_median(spiked, 9)[8:-8] == pytest.approx(x[8:-8], abs=1.0)


@pytest.mark.parametrize("size", [1, 2, 3, 4, 5, 10, 101])
def test_ranks_are_those_of_numpy(size):
    x = np.random.default_rng(size).normal(size=(size, 3))
    assert median(x, axis=0) == pytest.approx(np.median(x, axis=0))
    for rank in (0.0, 0.1, 0.5, 0.97, 1.0):
        assert quantile(x, rank, axis=0) == pytest.approx(np.quantile(x, rank, axis=0))
    low, high = quantiles(x[:, 0], (0.2, 0.8))
    assert (low, high) == pytest.approx(tuple(np.quantile(x[:, 0], (0.2, 0.8))))


@pytest.mark.parametrize("seconds", [1.0, 2.5])
def test_frames_stand_ten_milliseconds_apart_and_hold_the_power(seconds):
    rate_hz = 16_000
    x = (0.1 * np.random.default_rng(2).normal(size=round(seconds * rate_hz))).astype(np.float32)
    frames = frames_of(x, rate_hz)
    assert np.diff(frames.time_s) == pytest.approx(np.full(frames.time_s.size - 1, 0.01))
    assert frames.duration_s == pytest.approx(seconds)
    assert frames.power.sum(axis=1).mean() == pytest.approx(0.01, rel=0.03)  # Parseval
    band = frames.bins(1000.0, 3000.0)
    assert frames.freqs_hz[band].min() >= 1000.0
    assert frames.freqs_hz[band].max() < 3000.0
    assert frames.freqs_hz[band.start - 1] < 1000.0
    assert frames.freqs_hz[band.stop] >= 3000.0


def test_the_envelope_of_a_tone_is_its_mean_square():
    rate_hz = 16_000
    t = np.arange(2 * rate_hz) / rate_hz
    x = (0.2 * np.sin(2 * np.pi * 2000.0 * t)).astype(np.float32)
    energy, rate = band_envelope(frames_of(x, rate_hz), 1500.0, 2500.0, rate_hz=1000.0)
    inner = energy[round(0.1 * rate) : round(1.9 * rate)]
    assert inner == pytest.approx(np.full(inner.size, inner.mean()), rel=0.02)
    twice = (0.4 * np.sin(2 * np.pi * 2000.0 * t)).astype(np.float32)
    more, _ = band_envelope(frames_of(twice, rate_hz), 1500.0, 2500.0, rate_hz=1000.0)
    assert more[round(rate)] / energy[round(rate)] == pytest.approx(4.0, rel=1e-3)
    beside, _ = band_envelope(frames_of(x, rate_hz), 4000.0, 5000.0, rate_hz=1000.0)
    assert beside[round(rate)] < 1e-4 * energy[round(rate)]


def test_a_slice_of_a_signal_turns_at_what_is_over_its_edge():
    """A tone 100 Hz above the lower edge of the slice comes out as one of 100 Hz."""
    rate_hz = 16_000
    t = np.arange(2 * rate_hz) / rate_hz
    frames = frames_of(np.cos(2 * np.pi * 2100.0 * t).astype(np.float32), rate_hz)
    wave, rate = slice_signal(frames, 2000.0, 2400.0)
    spectrum = np.abs(np.fft.fft(wave))
    at = np.fft.fftfreq(wave.size, 1 / rate)[int(np.argmax(spectrum))]
    step = rate_hz / frames.padded
    assert at == pytest.approx(2100.0 - round(2000.0 / step) * step, abs=2.0)
    assert wave.size / rate == pytest.approx(2.0, abs=0.1)


def test_decibels_and_back():
    assert levels.level_db(1.0) == pytest.approx(0.0)
    assert levels.level_db(np.array([0.1, 0.01])) == pytest.approx([-10.0, -20.0])


@pytest.mark.parametrize("size", [2, 5, 64, 101])
def test_a_hann_window_is_that_of_its_formula(size):
    found = windows.hann(size)
    k = np.arange(size)
    periodic = 0.5 - 0.5 * np.cos(2 * np.pi * k / size)
    symmetric = 0.5 - 0.5 * np.cos(2 * np.pi * k / max(1, size - 1))
    assert np.allclose(found, periodic, atol=1e-6) or np.allclose(found, symmetric, atol=1e-6)


def test_nominal_third_octaves_are_the_exact_ones_rounded():
    """IEC 61260-1, base ten: 1000 * 10^(n / 10) for n = -20 .. 13, each within 3 %."""
    exact = 1000.0 * 10.0 ** (np.arange(-20, 14) / 10.0)
    assert np.array(levels.NOMINAL_HZ) == pytest.approx(exact, rel=0.03)


def test_the_power_of_a_band_by_parts_of_lines():
    """Lines stand for half a step to each side; a band beyond the last one ends with it."""
    power = np.arange(1.0, 11.0)
    one = tones.Band(2.5, 3.5)
    assert tones._sum(power, 1.0, one) == pytest.approx(4.0)
    parts = tones.Band(2.0, 4.0)
    assert tones._sum(power, 1.0, parts) == pytest.approx(0.5 * 3.0 + 4.0 + 0.5 * 5.0)
    end = tones._sum(power, 1.0, tones.Band(8.5, 9.5))
    assert end == pytest.approx(10.0)
    assert tones._sum(power, 1.0, tones.Band(8.5, 40.5)) == pytest.approx(10.0)
    assert tones._sum(power, 1.0, tones.Band(7.0, 40.5)) == pytest.approx(0.5 * 8.0 + 9.0 + 10.0)
