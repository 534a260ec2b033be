"""Tones: the rules of ECMA-418-1 and ISO 7779, and tones of known size in known noise.

Formulas of the critical band and of the tone-to-noise ratio are from memory; the criteria of
the prominence ratio were seen in a user guide that cites both standards.
"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietrun.dsp.spectra import averaged_spectrum
from quietrun.dsp.tones import (
    HIGHEST_HZ,
    LOWEST_HZ,
    Band,
    band_above,
    band_below,
    critical_band,
    critical_bandwidth_hz,
    find_tones,
    prominence_limit_db,
    prominence_ratio_db,
    proximity_hz,
    tone_to_noise,
    tone_to_noise_limit_db,
)

RATE = 48_000


def test_critical_bandwidths():
    table = {100: 100.7, 250: 104.5, 500: 117.3, 1000: 162.2, 2000: 300.8, 4000: 685.4}
    found = [critical_bandwidth_hz(f) for f in table]
    assert found == pytest.approx(list(table.values()), abs=0.1)


@pytest.mark.parametrize(
    ("freq", "lo", "hi"),
    [(500, 441.4, 558.6), (1000, 922.2, 1084.4), (4000, 3671.9, 4357.4)],
)
def test_critical_band_edges(freq, lo, hi):
    band = critical_band(freq)
    assert (band.lo_hz, band.hi_hz) == pytest.approx((lo, hi), abs=0.2)


@given(st.floats(90, 11_000))
def test_neighbour_bands_adjoin(freq):
    middle = critical_band(freq)
    below, above = band_below(middle), band_above(middle)
    assert below.hi_hz == middle.lo_hz
    assert above.lo_hz == middle.hi_hz
    assert above.width_hz > middle.width_hz * 0.99
    assert below.lo_hz >= 20.0


def test_the_lower_neighbour_is_cut_below_171_hz():
    """A 100 Hz wide lower band would begin at 20 Hz for a tone at 171.1 Hz (solved)."""
    assert critical_band(171.1).lo_hz - 100 == pytest.approx(20.0, abs=0.1)
    assert band_below(critical_band(150.0)).lo_hz == 20.0
    assert band_below(critical_band(180.0)).lo_hz > 20.0


def test_prominence_limits():
    table = {2000: 9.0, 1000: 9.0, 500: 12.01, 250: 15.02, 100: 19.0}
    found = [prominence_limit_db(f) for f in table]
    assert found == pytest.approx(list(table.values()), abs=0.01)


def test_tone_to_noise_limits():
    table = {2000: 8.0, 1000: 8.0, 500: 10.51, 250: 13.02, 100: 16.33}
    found = [tone_to_noise_limit_db(f) for f in table]
    assert found == pytest.approx(list(table.values()), abs=0.01)


def test_scope():
    """ECMA's page on the standard: tones from 89.1 Hz to 11 220 Hz."""
    assert (LOWEST_HZ, HIGHEST_HZ) == (89.1, 11_220.0)
    assert proximity_hz(212.0) == pytest.approx(21.0)


def flat_with_tone(freq_hz, tone_power, *, step_hz=2.0, per_hz=1e-6):
    """Exact expectation: flat noise, and a tone with the three lines of a Hann window."""
    power = np.full(12_001, per_hz * step_hz)
    at = round(freq_hz / step_hz)
    power[at - 1 : at + 2] += tone_power * np.array([1, 4, 1]) / 6
    return power


@pytest.mark.parametrize("freq", [120.0, 250.0, 700.0, 1000.0, 3000.0, 9000.0])
@pytest.mark.parametrize("ratio_db", [3.0, 10.0, 25.0])
def test_ratio_of_a_tone_of_known_size(freq, ratio_db):
    noise = 1e-6 * critical_bandwidth_hz(freq)
    tone = noise * 10 ** (ratio_db / 10)
    found = tone_to_noise(flat_with_tone(freq, tone), 2.0, freq, averages=1e6)
    assert found.tone_to_noise_db == pytest.approx(ratio_db, abs=0.15)
    assert found.power == pytest.approx(tone, rel=0.02)
    assert found.freq_hz == pytest.approx(freq, abs=0.01)


@pytest.mark.parametrize("freq", [200.0, 1000.0, 4000.0])
def test_prominence_of_a_tone_of_known_size(freq):
    middle = critical_band(freq)
    power = flat_with_tone(freq, 9e-6 * middle.width_hz)
    neighbours = (band_below(middle).width_hz + band_above(middle).width_hz) / 2
    wanted = 10 * math.log10(10 * middle.width_hz / neighbours)
    assert prominence_ratio_db(power, 2.0, freq) == pytest.approx(wanted, abs=0.02)


def test_the_narrow_lower_band_is_scaled_up():
    """Flat noise below 171.4 Hz: the cut lower band counts as 100 Hz."""
    power = np.full(12_001, 1e-6)
    middle = critical_band(120.0)
    wanted = middle.width_hz / ((100.0 + band_above(middle).width_hz) / 2)
    assert prominence_ratio_db(power, 1.0, 120.0) == pytest.approx(
        10 * math.log10(wanted), abs=0.01
    )


def test_two_tones_of_one_band():
    """Close ones count together; a wider one is kept out of the noise."""
    noise = 1e-6 * critical_bandwidth_hz(250.0)
    alone = flat_with_tone(250.0, 10 * noise)
    close = alone + flat_with_tone(264.0, 10 * noise) - 2e-6
    apart = alone + flat_with_tone(290.0, 10 * noise) - 2e-6
    assert 14 < proximity_hz(250.0) < 40
    both = tone_to_noise(close, 2.0, 250.0, averages=1e6, others_hz=(264.0,))
    assert both.tone_to_noise_db == pytest.approx(13.0, abs=0.2)
    one = tone_to_noise(apart, 2.0, 250.0, averages=1e6, others_hz=(290.0,))
    assert one.tone_to_noise_db == pytest.approx(10.0, abs=0.2)
    assert tone_to_noise(apart, 2.0, 250.0, averages=1e6).tone_to_noise_db < 1.0


def noise_with(rng, *tones, seconds=4.0):
    t = np.arange(int(RATE * seconds)) / RATE
    x = rng.standard_normal(t.size)
    for freq, over_db in tones:
        power = critical_bandwidth_hz(freq) / (RATE / 2) * 10 ** (over_db / 10)
        x = x + np.sqrt(2 * power) * np.sin(2 * np.pi * freq * t)
    return averaged_spectrum(x, RATE, size=24_000)


@pytest.fixture
def rng():
    return np.random.default_rng(8)


def test_tones_are_found_with_their_ratio(rng):
    said = {437.3: 14.0, 1201.1: 9.0, 5600.7: 5.0}
    found = find_tones(*spectrum_of(noise_with(rng, *said.items())))
    got = {round(tone.freq_hz, 1): tone for tone in found}
    assert sorted(got) == pytest.approx(sorted(said), abs=0.3)
    for tone in found:
        wanted = next(v for f, v in said.items() if abs(f - tone.freq_hz) < 1)
        assert tone.tone_to_noise_db == pytest.approx(wanted, abs=1.0)
    prominent = {round(t.freq_hz) for t in found if t.prominent}
    assert prominent == {437, 1201}
    assert [t.tone_to_noise_db for t in found] == sorted(
        (t.tone_to_noise_db for t in found), reverse=True
    )


def spectrum_of(averaged):
    return averaged.power, averaged.step_hz


def test_noise_alone_has_no_tones(rng):
    """At most one in a hundred spectra, as asked for."""
    alarms = 0
    for _ in range(60):
        x = averaged_spectrum(rng.standard_normal(48_000), RATE, size=4800)
        alarms += bool(find_tones(x.power, x.step_hz, averages=x.averages, false_alarm=0.01))
    assert alarms <= 3


def test_the_false_alarm_rate_is_not_bought_with_deafness(rng):
    x = noise_with(rng, (1000.0, 3.0))
    found = find_tones(x.power, x.step_hz, averages=x.averages)
    assert [round(tone.freq_hz) for tone in found] == [1000]
    assert found[0].chance_log10 < -3


@given(gain=st.floats(1e-6, 1e6))
def test_ratios_do_not_depend_on_gain(gain):
    power = flat_with_tone(1000.0, 1e-3)
    one, other = (tone_to_noise(p, 2.0, 1000.0) for p in (power, power * gain))
    assert one.tone_to_noise_db == pytest.approx(other.tone_to_noise_db)
    assert one.prominence_db == pytest.approx(other.prominence_db)


def test_what_the_spectrum_does_not_reach():
    with pytest.raises(ValueError, match="spectrum ends"):
        prominence_ratio_db(np.ones(500), 2.0, 990.0)
    with pytest.raises(ValueError, match="fewer than 64 lines"):
        find_tones(np.ones(500), 20.0, lo_hz=100, hi_hz=1000)
    assert tone_to_noise(np.ones(500), 2.0, 980.0).prominence_db == -math.inf
    assert Band(3.0, 5.0).width_hz == 2.0
