"""The steady shaft rate: peaks, combs and what is claimed of them, on sounds made of lines."""

import numpy as np
import pytest

from quietrun.dsp.frames import frames_of
from quietrun.run import speed
from quietrun.run.speed import find_shaft, sharp_peaks

RATE_HZ = 16_000


def frames_with(lines, seconds=4.0, noise=1e-3, seed=0, beat_hz=None, depth=0.5):
    """Frames of (frequency, amplitude) lines in noise, whose loudness may follow a beat."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    wave = noise * rng.standard_normal(t.size)
    if beat_hz is not None:
        wave *= 1.0 + depth * np.sin(2 * np.pi * beat_hz * t)
    for hz, height in lines:
        wave += height * np.sin(2 * np.pi * hz * t + rng.uniform(0, 6.28))
    return frames_of(wave.astype(np.float32), float(RATE_HZ))


def comb(base_hz, last, height=0.01, step=1):
    return [(k * base_hz, height) for k in range(1, last + 1, step)]


def shaft_of(frames, mains_hz=50.0, poles=None, span_s=(0.0, 4.0)):
    return find_shaft(frames, span_s, mains_hz=mains_hz, poles=poles, top_hz=8000.0)


# --- peaks -----------------------------------------------------------------------------------


def spectrum(*bumps, size=4000, step_hz=0.25):
    """Flat at 1 but for bumps (bin, dB), each a parabola of levels three bins wide."""
    level = np.zeros(size)
    for place, height_db in bumps:
        near = round(place)
        for k in range(near - 2, near + 3):
            level[k] = max(level[k], height_db - 3.0 * (k - place) ** 2)
    return 10 ** (level / 10), step_hz


def test_a_peak_stands_at_the_top_of_its_parabola():
    power, step_hz = spectrum((400.3, 20.0), (1600.0, 12.0))
    peaks = sharp_peaks(power, step_hz)
    assert peaks[:, 0] == pytest.approx([400.3 * 0.25, 1600 * 0.25], abs=0.002)
    # over the mean of noise whose median is 1: 1 / ln 2
    over_db = 10 * np.log10(1 / np.log(2))
    assert peaks[0, 1] == pytest.approx(20.0 - 3 * 0.3**2 - over_db, abs=1e-6)
    assert peaks[1, 1] == pytest.approx(12.0 - over_db, abs=1e-6)


@pytest.mark.parametrize(("height_db", "seen"), [(6.7, True), (6.5, False)])
def test_a_peak_stands_five_decibels_over_the_floor(height_db, seen):
    """5 dB over the mean, which is 1.59 dB over the median."""
    power, step_hz = spectrum((1000, height_db))
    assert bool(len(sharp_peaks(power, step_hz))) is seen


@pytest.mark.parametrize(("apart_hz", "count"), [(0.5, 1), (1.0, 2)])
def test_of_two_peaks_within_seven_tenths_of_a_hertz_the_higher_counts(apart_hz, count):
    step_hz = 0.05
    power, _ = spectrum((1000, 20.0), (1000 + apart_hz / step_hz, 15.0))
    peaks = sharp_peaks(power, step_hz)
    assert len(peaks) == count
    assert peaks[0, 0] == pytest.approx(50.0)


def test_the_floor_is_of_the_ten_hertz_around():
    """A loud stretch of the spectrum hides what would stand out of a faint one."""
    power, step_hz = spectrum((1000, 12.0), (3000, 12.0))
    power[2000:] *= 100.0
    peaks = sharp_peaks(power, step_hz)
    assert peaks[:, 1] == pytest.approx([peaks[0, 1]] * len(peaks), abs=0.1)
    assert {250.0, 750.0} <= set(np.round(peaks[:, 0], 6))


# --- lines of a sound ------------------------------------------------------------------------


def test_the_lines_of_a_sound_are_found_where_they_are():
    lines = speed.sound_lines(frames_with([(123.4, 0.01), (777.0, 0.01)]), (0.0, 4.0))
    for hz in (123.4, 777.0):
        index = round(hz / lines.step_hz)
        assert lines.near_hz[index] == pytest.approx(hz, abs=0.02)
        assert lines.height_db[index] == 18.0  # held
        # for each bin the nearest peak, also from some way off
        assert lines.near_hz[index + 3] == pytest.approx(hz, abs=0.02)
    assert lines.near_hz.size * lines.step_hz == pytest.approx(1300.0, rel=0.01)
    assert lines.weight == 1.0


def test_the_lines_of_an_envelope_are_those_of_the_beat():
    spectra = speed.envelope_lines(frames_with([], beat_hz=24.7), (0.0, 4.0), 8000.0)
    assert len(spectra) == 3  # the fourth band ends above the edge
    for lines in spectra:
        index = round(24.7 / lines.step_hz)
        assert lines.near_hz[index] == pytest.approx(24.7, abs=0.1)
        assert lines.height_db[index] > 8.0
        assert lines.weight == 0.8
        # up to 450 Hz, or to what a narrow band can carry
        assert 300.0 < lines.near_hz.size * lines.step_hz < 451.0
        assert lines.highest_order == 14


def test_a_band_is_used_where_it_ends_below_the_edge():
    frames = frames_with([])
    for top_hz, count in ((1100.0, 0), (1150.0, 1), (2700.0, 2), (6000.0, 3)):
        assert len(speed.envelope_lines(frames, (0.0, 4.0), top_hz)) == count, top_hz
    assert speed.envelope_lines(frames, (0.0, 0.3), 8000.0) == []  # too short


# --- what is claimed -------------------------------------------------------------------------


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
@pytest.mark.parametrize("slip", [0.004, 0.02, 0.05])
@pytest.mark.parametrize("poles", [2, 4])
def test_rate_and_poles_of_a_comb(mains_hz, slip, poles):
    rate_hz = 2 * mains_hz / poles * (1 - slip)
    frames = frames_with([*comb(rate_hz, 24), *comb(2 * mains_hz, 5, 0.05)])
    shaft = shaft_of(frames, mains_hz)
    assert shaft.rate_hz == pytest.approx(rate_hz, rel=0.0005)
    assert shaft.poles == poles
    assert shaft.z > speed.CLAIM_Z
    assert shaft.margin > speed.CLAIM_MARGIN
    told = shaft_of(frames, mains_hz, poles=poles)
    assert told.rate_hz == pytest.approx(rate_hz, rel=0.0005)
    assert told.poles == poles


def test_a_rate_is_heard_in_the_loudness_alone():
    shaft = shaft_of(frames_with([], noise=0.01, beat_hz=24.6, depth=0.8))
    assert shaft.rate_hz == pytest.approx(24.6, rel=0.001)
    assert shaft.z > speed.CLAIM_Z


def test_lines_of_the_mains_stand_for_no_shaft():
    """Multiples of 100 Hz are those of 25 and 50, but the motor's hum and not its shaft."""
    with_hum = shaft_of(frames_with([*comb(24.6, 24), *comb(100.0, 12, 0.1)]))
    without = shaft_of(frames_with(comb(24.6, 24)))
    assert with_hum.rate_hz == pytest.approx(without.rate_hz, rel=2e-4)
    hum = shaft_of(frames_with(comb(100.0, 12, 0.1)))
    assert hum.z < 0.5 * with_hum.z


@pytest.mark.parametrize("seed", range(5))
def test_noise_has_no_shaft(seed):
    shaft = shaft_of(frames_with([], seed=seed))
    assert shaft.z < speed.CLAIM_Z or shaft.margin < speed.CLAIM_MARGIN


def test_a_rate_that_no_motor_has_is_not_claimed():
    """28 turns a second on 50 Hz: faster than the field of four poles, slower than two allow."""
    shaft = shaft_of(frames_with(comb(28.0, 24)))
    assert shaft.z < speed.CLAIM_Z or shaft.margin < speed.CLAIM_MARGIN


def test_of_two_rates_the_less_slipping_is_likelier():
    """Alike in everything else; 1 for each 3 % beyond the first."""
    both = frames_with([*comb(24.8, 24), *comb(23.4, 24)])
    shaft = shaft_of(both, poles=4)
    assert shaft.rate_hz == pytest.approx(24.8, rel=0.001)
    assert shaft.margin < shaft.z / 2


def test_too_short_a_run_has_no_shaft():
    frames = frames_with(comb(24.6, 24))
    assert shaft_of(frames, span_s=(1.0, 1.79)) is None
    assert shaft_of(frames, span_s=(1.0, 1.81)) is not None


def test_half_of_the_lines_are_those_of_two_poles():
    """Only even multiples of 24.7: a shaft of 49.4; with the odd ones it is the slower one."""
    assert shaft_of(frames_with(comb(49.4, 20))).poles == 2
    assert shaft_of(frames_with(comb(24.7, 40))).poles == 4
