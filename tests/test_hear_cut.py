"""Cutting sounds to be heard: band, length, tempo, pitch, level, against arithmetic."""

import numpy as np
import pytest

from quietrun.exhibits.cut import LEVEL_DB, OUT_HZ, PEAK_DB, cut, gain_for, levelled

RATE_HZ = 44100.0


def noise(seconds=4.0, rate_hz=RATE_HZ, seed=1):
    return np.random.default_rng(seed).standard_normal(int(seconds * rate_hz)).astype(np.float32)


def tone(hz, seconds=4.0, rate_hz=RATE_HZ):
    t = np.arange(int(seconds * rate_hz)) / rate_hz
    return np.sin(2 * np.pi * hz * t).astype(np.float32)


def strongest_hz(x, rate_hz=OUT_HZ):
    spectrum = np.abs(np.fft.rfft(x * np.hanning(x.size)))
    return np.argmax(spectrum) * rate_hz / x.size


def share_inside(x, lo, hi, rate_hz=OUT_HZ):
    """Energy between two frequencies over all of it."""
    power = np.abs(np.fft.rfft(x)) ** 2
    hz = np.fft.rfftfreq(x.size, 1 / rate_hz)
    return power[(hz >= lo) & (hz <= hi)].sum() / power.sum()


def rms(x):
    return np.sqrt(np.mean(np.square(x, dtype=np.float64)))


@pytest.mark.parametrize("band", [(360.0, 987.0), (987.0, 3782.0), (60.0, 11000.0)])
@pytest.mark.parametrize("rate_hz", [44100.0, 48000.0, 8000.0, 96000.0])
def test_only_the_band_is_left(band, rate_hz):
    x = noise(rate_hz=rate_hz)
    made = cut(x, rate_hz, span_s=(0.5, 3.0), band_hz=band)
    top = min(band[1], rate_hz / 2)
    assert made.size == round(2.5 * OUT_HZ)
    assert share_inside(made, band[0], top) > 0.999
    # white noise of mean square 1 has the band's share of it; a raised-cosine edge keeps 3/8 of
    # its energy: two skirts of 6 % of the band, two fades of 30 ms of 2.5 s
    kept = (1 - 2 * 0.06 * 5 / 8) * (1 - 2 * 0.03 / 2.5 * 5 / 8)
    expected = kept * (top - band[0]) / (rate_hz / 2)
    assert rms(made) ** 2 == pytest.approx(expected, rel=0.1)  # 4 sigma of the narrowest


def test_what_lies_beside_the_band_is_gone():
    made = cut(tone(500.0), RATE_HZ, span_s=(0.5, 3.0), band_hz=(1000.0, 4000.0))
    assert rms(made) < 1e-4


def test_a_tone_keeps_pitch_size_and_place():
    x = tone(2000.0)
    made = cut(x, RATE_HZ, span_s=(1.0, 3.0), band_hz=(1000.0, 4000.0))
    assert strongest_hz(made) == pytest.approx(2000.0, abs=0.6)
    t = 1.0 + np.arange(made.size) / OUT_HZ
    middle = slice(5000, -5000)
    assert np.abs(made - np.sin(2 * np.pi * 2000.0 * t))[middle].max() < 0.01


def test_slowing_four_times_lasts_four_times_and_lowers_four_times():
    x = tone(2000.0)
    made = cut(x, RATE_HZ, span_s=(1.0, 2.0), band_hz=(1000.0, 4000.0), slow=4)
    assert made.size == 4 * OUT_HZ
    assert strongest_hz(made) == pytest.approx(500.0, abs=0.3)
    assert rms(made[5000:-5000]) == pytest.approx(np.sqrt(0.5), rel=0.01)


def test_slowing_keeps_the_pattern():
    """Clicks 10 ms apart come 40 ms apart."""
    x = np.zeros(int(2 * RATE_HZ), np.float32)
    x[:: int(0.01 * RATE_HZ)] = 1.0
    made = cut(x, RATE_HZ, span_s=(0.5, 1.0), band_hz=(1000.0, 4000.0), slow=4)
    energy = made.astype(np.float64) ** 2
    lines = np.abs(np.fft.rfft(energy - energy.mean()))
    hz = np.fft.rfftfreq(energy.size, 1 / OUT_HZ)
    low = hz < 60
    assert hz[low][np.argmax(lines[low])] == pytest.approx(25.0, abs=0.6)


def test_shifting_takes_the_same_from_every_tone():
    x = tone(9000.0) + tone(12000.0)
    made = cut(x, RATE_HZ, span_s=(1.0, 3.0), band_hz=(8000.0, 14000.0), shift_hz=7500.0)
    assert share_inside(made, 1495.0, 1505.0) == pytest.approx(0.5, abs=0.02)
    assert share_inside(made, 4495.0, 4505.0) == pytest.approx(0.5, abs=0.02)


def test_the_ends_do_not_click():
    made = cut(tone(2000.0), RATE_HZ, span_s=(1.0, 3.0), band_hz=(1000.0, 4000.0))
    assert np.abs(made[:20]).max() < 0.01
    assert np.abs(made[-20:]).max() < 0.01


def test_the_clip_is_not_changed():
    x = noise()
    before = x.copy()
    x.flags.writeable = False
    cut(x, RATE_HZ, span_s=(0.5, 3.0), band_hz=(500.0, 2000.0), slow=2)
    assert np.array_equal(x, before)


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({"span_s": (9.0, 10.0)}, "nothing to cut"),
        ({"band_hz": (3000.0, 3000.0)}, "nothing to cut"),
        ({"band_hz": (1000.0, 14000.0)}, "does not fit"),
        ({"band_hz": (1000.0, 4000.0), "shift_hz": 2000.0}, "does not fit"),
    ],
)
def test_what_cannot_be_cut_is_the_callers_bug(changes, match):
    given = {"span_s": (0.5, 3.0), "band_hz": (1000.0, 4000.0), **changes}
    with pytest.raises(ValueError, match=match):
        cut(noise(), RATE_HZ, **given)


@pytest.mark.parametrize("gain", [1e-4, 0.1, 3.0])
def test_every_sound_has_the_same_loudness(gain):
    made = levelled(gain * noise())
    assert 20 * np.log10(rms(made)) == pytest.approx(LEVEL_DB, abs=0.01)
    assert np.abs(made).max() <= 10 ** (PEAK_DB / 20) * 1.0001


def test_a_lone_click_is_held_by_its_peak():
    x = np.zeros(48000, np.float32)
    x[100] = 0.5
    made = levelled(x)
    assert 20 * np.log10(np.abs(made).max()) == pytest.approx(PEAK_DB, abs=0.01)
    assert 20 * np.log10(rms(made)) < LEVEL_DB


def test_silence_stays_silence():
    assert gain_for(np.zeros(100, np.float32)) == 0.0
    assert gain_for(np.zeros(0, np.float32)) == 0.0
    assert not levelled(np.zeros(100, np.float32)).any()
