"""Spectral facts: closed forms first, then a reference library, then simulated noise.

"From memory" marks a formula whose text was not at hand; each was recomputed.
"""

import math

import librosa
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal, stats

from quietrun.dsp.spectra import (
    averaged_chance_log10,
    averaged_spectrum,
    band_kurtosis,
    band_signal,
    centroid_hz,
    chance_log10,
    energy_spectrum,
    erlang_tail_log10,
    flatness,
    floor_worth,
    kurtosis_bands,
    liveliest_band,
    local_floor,
    median_to_mean,
    rolloff_hz,
    slope_db_octave,
    spectral_kurtosis,
    squared_envelope_spectrum,
    whiten,
)

RATE = 48_000


def tones(*pairs, seconds=1.0):
    """Sum of amplitude * sine for (frequency, amplitude)."""
    t = np.arange(int(RATE * seconds)) / RATE
    return sum(a * np.sin(2 * np.pi * f * t) for f, a in pairs)


def periodogram(x):
    return np.abs(np.fft.rfft(x)) ** 2


FREQS = np.fft.rfftfreq(RATE, 1 / RATE)


@pytest.fixture
def rng():
    return np.random.default_rng(20)


# --- shape


def test_centroid_of_two_tones():
    equal = periodogram(tones((1000, 1), (3000, 1)))
    uneven = periodogram(tones((1000, 1), (4000, 2)))
    for magnitude, first, second in ((True, 2000, 3000), (False, 2000, 3400)):
        got = [float(centroid_hz(p, FREQS, magnitude=magnitude)) for p in (equal, uneven)]
        assert got == pytest.approx([first, second], rel=1e-6)


def test_centroid_of_white_noise_is_a_quarter_of_the_rate(rng):
    power = periodogram(rng.standard_normal((4, RATE)))
    assert centroid_hz(power, FREQS) == pytest.approx(12_000, rel=0.01)


def test_flatness_of_white_noise_is_not_one(rng):
    """One periodogram: e^-gamma = 0.5615, by the mean logarithm of the exponential law."""
    power = periodogram(rng.standard_normal((8, RATE)))[:, 1:-1]
    assert flatness(power) == pytest.approx(math.exp(-np.euler_gamma), abs=0.01)
    assert float(flatness(np.ones(50))) == pytest.approx(1.0)
    assert float(flatness(periodogram(tones((1000, 1))))) < 1e-6


def test_shape_equals_a_reference_library(rng):
    power = rng.random((30, 1025)) * np.linspace(1, 0.01, 1025)
    freqs = np.fft.rfftfreq(2048, 1 / RATE)
    magnitude = np.sqrt(power).T
    centroid = librosa.feature.spectral_centroid(S=magnitude, sr=RATE)[0]
    assert centroid_hz(power, freqs, magnitude=True) == pytest.approx(centroid, rel=1e-9)
    rolloff = librosa.feature.spectral_rolloff(S=power.T, sr=RATE, roll_percent=0.85)[0]
    assert rolloff_hz(power, freqs) == pytest.approx(rolloff)
    flat = librosa.feature.spectral_flatness(S=magnitude, power=2.0)[0]
    assert flatness(power) == pytest.approx(flat, rel=1e-6)


@given(gain=st.floats(1e-6, 1e6))
def test_shape_does_not_depend_on_gain(gain):
    power = np.random.default_rng(3).random(257)
    freqs = np.arange(257.0)
    for measure in (
        lambda p: centroid_hz(p, freqs),
        lambda p: rolloff_hz(p, freqs),
        flatness,
        lambda p: slope_db_octave(p, freqs, 10, 200),
    ):
        assert float(measure(power * gain)) == pytest.approx(float(measure(power)), rel=1e-5)


@pytest.mark.parametrize("exponent", [-2, -1, 0, 1])
def test_slope_of_coloured_spectra(exponent):
    freqs = np.arange(1, 2000.0)
    wanted = 10 * math.log10(2) * exponent
    assert float(slope_db_octave(freqs**exponent, freqs, 50, 1500)) == pytest.approx(wanted)


def test_empty_spectra_and_bad_bands():
    assert centroid_hz(np.zeros((2, 5)), np.arange(5.0)).tolist() == [0, 0]
    assert rolloff_hz(np.zeros((2, 5)), np.arange(5.0)).tolist() == [0, 0]
    with pytest.raises(ValueError, match="share"):
        rolloff_hz(np.ones(5), np.arange(5.0), share=1.0)
    with pytest.raises(ValueError, match="no slope"):
        slope_db_octave(np.ones(5), np.arange(5.0), 0.0, 4.0)


def test_single_precision_is_good_enough(rng):
    power = rng.random((20, 1025)).astype(np.float32)
    freqs = np.fft.rfftfreq(2048, 1 / RATE)
    for measure in (lambda p: centroid_hz(p, freqs), lambda p: rolloff_hz(p, freqs), flatness):
        assert measure(power) == pytest.approx(measure(power.astype(np.float64)), rel=1e-4)
    assert spectral_kurtosis(power) == pytest.approx(
        spectral_kurtosis(power.astype(np.float64)), abs=1e-5
    )


# --- averaged spectrum and its scaling


def test_density_of_white_noise(rng):
    found = averaged_spectrum(rng.standard_normal(200_000), 1.0, size=1024)
    assert float(found.density[5:-5].mean()) == pytest.approx(2.0, rel=0.02)


def test_a_centred_sine_reads_its_mean_square():
    found = averaged_spectrum(np.sqrt(2) * tones((1000, 1)), RATE, size=4800)
    assert float(found.tone_power.max()) == pytest.approx(1.0, abs=1e-6)
    assert float(found.power.sum()) == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("hop", [256, 512])
def test_averaging_equals_a_reference_library(rng, hop):
    x = rng.standard_normal(9000)
    _, wanted = signal.welch(x, RATE, "hann", 512, 512 - hop, detrend=False)
    assert averaged_spectrum(x, RATE, size=512, hop=hop).density == pytest.approx(wanted)


def test_a_frame_that_does_not_fit():
    with pytest.raises(ValueError, match="does not fit"):
        averaged_spectrum(np.zeros(100), 1.0, size=128)


# --- kurtosis


def test_spectral_kurtosis_of_gaussian_noise(rng):
    """0, spread 2 / sqrt(K) (Antoni 2006, from memory)."""
    frames = rng.standard_normal((1800, 512))
    found = spectral_kurtosis(periodogram(frames)[:, 1:-1])
    spread = 2 / math.sqrt(1800)
    assert abs(float(found.mean())) < 5 * spread / math.sqrt(255)
    assert float(found.std()) == pytest.approx(spread, rel=0.15)


def test_spectral_kurtosis_of_a_tone_in_its_bin():
    power = (
        np.abs(
            np.fft.rfft(tones((93.75 * 50, 1), seconds=512 * 90 / RATE).reshape(-1, 512), axis=1)
        )
        ** 2
    )
    assert float(spectral_kurtosis(power[:, 50:51])[0]) == pytest.approx(-1.0, abs=1e-6)


def test_band_kurtosis_of_gaussian_noise_has_its_known_spread(rng):
    sigmas = []
    for _ in range(40):
        spectrum = np.fft.rfft(rng.standard_normal(20_000))
        sigmas += [b.sigmas for b in kurtosis_bands(spectrum, 1.0, 500, 9500, least_hz=2500)]
    assert abs(float(np.mean(sigmas))) < 0.3
    assert float(np.std(sigmas)) == pytest.approx(1.0, abs=0.15)


def test_band_kurtosis_of_swelling_noise(rng):
    """Noise times (1 + m cos): kurtosis of the energy follows from its moments.

    With s = 1 + m cos: <s^4> = 1 + 3 m^2 + 3 m^4 / 8 and 2 <s^4> / <s^2>^2 - 2.
    """
    n, m = 2**18, 0.8
    noise = np.fft.irfft(np.fft.rfft(rng.standard_normal(n)))
    swell = 1 + m * np.cos(2 * np.pi * 64 * np.arange(n) / n)
    found = band_kurtosis(np.fft.rfft(noise * swell), 1.0, 1000, 100_000)
    wanted = 2 * (1 + 3 * m**2 + 0.375 * m**4) / (1 + m**2 / 2) ** 2 - 2
    assert found.value == pytest.approx(wanted, abs=8 * found.spread)


def test_bands_are_cut_in_twos_and_threes():
    spectrum = np.fft.rfft(np.random.default_rng(0).standard_normal(8000))
    bands = kurtosis_bands(spectrum, 1.0, 100, 3700, least_hz=600)
    assert len(bands) == 1 + 2 + 3 + 4 + 6
    assert bands[1].hi_hz == bands[2].lo_hz == 1900


def test_the_liveliest_band_holds_the_impacts(rng):
    n = 60_000
    x = rng.standard_normal(n)
    ring = np.exp(-np.arange(200) / 40) * np.sin(2 * np.pi * 0.3 * np.arange(200))
    for start in range(500, n - 300, 600):
        x[start : start + 200] += 4 * ring
    bands = kurtosis_bands(np.fft.rfft(x), 1.0, 1000, 29_000, least_hz=3000)
    best = liveliest_band(bands)
    assert best.lo_hz <= 0.3 * n <= best.hi_hz
    assert best.sigmas > 10


def test_stationary_noise_has_no_lively_band(rng):
    alarms = 0
    for _ in range(100):
        x = signal.lfilter([1], [1, -0.9], rng.standard_normal(12_000))
        bands = kurtosis_bands(np.fft.rfft(x), 1.0, 500, 5500, least_hz=1200)
        alarms += liveliest_band(bands, false_alarm=0.01) is not None
    assert alarms <= 6  # 1 expected; the law's own tail is a little heavier than the normal one


def test_too_narrow_a_band_is_refused():
    with pytest.raises(ValueError, match="fewer than 16 lines"):
        band_kurtosis(np.ones(100, dtype=complex), 1.0, 10, 20)
    assert liveliest_band(()) is None


# --- envelope


def analytic(m, rate_hz=107.0, seconds=1.0, carrier_hz=5000.0):
    t = np.arange(int(RATE * seconds)) / RATE
    return (1 + m * np.cos(2 * np.pi * rate_hz * t)) * np.exp(2j * np.pi * carrier_hz * t)


@pytest.mark.parametrize("m", [0.05, 0.5, 0.9])
@pytest.mark.parametrize("shape", ["rectangular", "hann"])
def test_lines_of_the_squared_envelope(m, shape):
    """(1 + m cos)^2 = 1 + m^2/2 + 2 m cos + m^2/2 cos 2: over the mean, one-sided, squared."""
    mean = 1 + m * m / 2
    found = squared_envelope_spectrum(analytic(m), RATE, shape=shape)
    assert found.step_hz == 1.0
    assert found.power[107] == pytest.approx((2 * m / mean) ** 2, rel=1e-6)
    assert found.power[214] == pytest.approx((m * m / 2 / mean) ** 2, rel=1e-6)
    assert found.power[0] == 1.0
    assert float(found.power[300:-300].max()) < 1e-12


def test_lines_of_the_envelope_itself():
    """The plain envelope has only the line m; m = 0.5 on 5 kHz."""
    z = analytic(0.5)
    found = energy_spectrum(np.abs(z), RATE, shape="rectangular")
    assert math.sqrt(found.power[107]) == pytest.approx(0.5, abs=1e-6)
    assert math.sqrt(found.power[214]) < 1e-6
    assert float(np.abs(z).mean()) == pytest.approx(1.0, abs=1e-6)
    assert float((np.abs(z) ** 2).mean()) == pytest.approx(1.125, abs=1e-6)


@given(gain=st.floats(1e-3, 1e3), shift=st.integers(0, 4000))
@settings(max_examples=20)
def test_lines_do_not_depend_on_gain_or_start(gain, shift):
    z = np.roll(analytic(0.5), shift) * gain
    assert squared_envelope_spectrum(z, RATE).power[107] == pytest.approx(0.7901, abs=1e-4)


def test_a_band_cut_from_the_long_transform_keeps_its_beat():
    x = analytic(0.5).real
    band = band_signal(np.fft.rfft(x), 1.0, 4000, 6000)
    assert band.rate_hz == 2000
    found = squared_envelope_spectrum(band.z, band.rate_hz)
    assert found.power[107] == pytest.approx((1.0 / 1.125) ** 2, rel=1e-6)


def test_silence_and_scraps_have_no_envelope():
    with pytest.raises(ValueError, match="silent"):
        energy_spectrum(np.zeros(100), 1.0)
    with pytest.raises(ValueError, match="at least 16"):
        energy_spectrum(np.ones(10), 1.0)


# --- whitening


def test_whitening_levels_noise_and_holds_tones(rng):
    n = 2**17
    x = signal.lfilter([1], [1, -0.95], rng.standard_normal(n))
    x += 40 * np.sin(2 * np.pi * 0.1 * np.arange(n)) + 40 * np.sin(2 * np.pi * 0.102 * np.arange(n))
    white = whiten(np.fft.rfft(x).astype(np.complex64), 0.1, width_hz=40)
    power = np.abs(white) ** 2
    assert white.dtype == np.complex64
    assert float(power[2000:-2000].max()) < math.log(n / 2 / 0.01) + 1
    fifths = np.array_split(power[1000:-1000], 5)
    assert [float(part.mean()) for part in fifths] == pytest.approx([1] * 5, abs=0.06)
    raw = squared_envelope_spectrum(band_signal(np.fft.rfft(x), 0.1, 1000, 2000).z, 1000)
    held = squared_envelope_spectrum(band_signal(white, 0.1, 1000, 2000).z, 1000)
    beat = round(0.002 * n)
    assert float(raw.power[beat - 2 : beat + 3].max()) > 0.3
    assert float(held.power[beat - 2 : beat + 3].max()) < 0.01


def test_whitening_keeps_swelling_noise(rng):
    n = 2**17
    x = rng.standard_normal(n) * (1 + 0.5 * np.cos(2 * np.pi * 900 * np.arange(n) / n))
    white = whiten(np.fft.rfft(x), 0.1, width_hz=40)
    found = squared_envelope_spectrum(band_signal(white, 0.1, 1000, 6000).z, 1000)
    assert math.sqrt(found.power[900]) == pytest.approx(1 / 1.125, abs=0.05)


# --- chance


@pytest.mark.parametrize("width", [64, 128, 300])
def test_false_alarms_of_a_line_over_an_estimated_floor(rng, width):
    """Never above what is stated, and not absurdly below, down to one in ten thousand."""
    said = []
    for _ in range(100):
        z = rng.standard_normal(4000) + 1j * rng.standard_normal(4000)
        power = squared_envelope_spectrum(z, 1000.0).power[10:1800]
        said.append(chance_log10(power / local_floor(power, width), lines=floor_worth(width)))
    said = np.concatenate(said)
    for level, least in ((-1, 0.7), (-2, 0.4), (-3, 0.2)):
        seen = float((said < level).mean()) / 10.0**level
        assert least < seen < 1.05
    assert float((said < -4).mean()) < 2e-4


def test_the_floor_is_the_mean_of_the_noise(rng):
    power = rng.exponential(size=20_000) * np.linspace(1, 5, 20_000)
    floor = local_floor(power, 400)
    assert floor.shape == power.shape
    assert floor == pytest.approx(np.linspace(1, 5, 20_000), rel=0.35)
    assert float(np.mean(power / floor)) == pytest.approx(1.0, abs=0.03)
    power[::10] *= 1e4  # a tenth of the lines are tones
    assert float(np.median(local_floor(power, 400) / floor)) < 1.25


def test_a_known_floor_gives_the_exponential_law():
    assert chance_log10(np.array([math.log(1000)])) == pytest.approx([-3.0])
    assert chance_log10(np.array([10.0]), lines=1e9) == pytest.approx(-10 / math.log(10))


@pytest.mark.parametrize("averages", [1.0, 2.5, 7.0, 40.0, 200.0])
def test_averaged_lines_follow_the_gamma_law(averages):
    x = np.array([0.3, 0.9, 1.0, 1.5, 2.0, 4.0])
    wanted = stats.gamma.logsf(x * averages, averages) / math.log(10)
    assert averaged_chance_log10(x, averages) == pytest.approx(wanted, rel=1e-9, abs=1e-12)
    median = stats.gamma.median(averages) / averages
    assert median_to_mean(averages) * median == pytest.approx(1.0, abs=1e-3)


def test_joined_probabilities():
    """Fisher: the sum of n exponential values follows the Erlang law."""
    for n in (1, 2, 3, 4, 6):
        x = np.array([0.1, 1.0, 5.0, 30.0, 500.0])
        wanted = stats.gamma.logsf(x, n) / math.log(10)
        assert erlang_tail_log10(x, n) == pytest.approx(wanted, rel=1e-9)
    assert erlang_tail_log10(np.array([5.0, 5.0]), np.array([0, 1])).tolist() == pytest.approx(
        [0.0, -5 / math.log(10)]
    )
