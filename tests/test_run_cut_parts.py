"""The likelihoods behind the switch-off, and peaks between lines, by hand."""

from types import SimpleNamespace

import numpy as np
import pytest

from quietrun.dsp import defects
from quietrun.dsp.frames import frames_of
from quietrun.run import cut

RATE = 100.0


@pytest.mark.parametrize("share", [0.0, 0.3, 0.9])
@pytest.mark.parametrize(("count", "rate"), [(50, 100.0), (200, 40.0)])
def test_nats_of_what_a_model_explains(share, count, rate):
    """As many free samples as the band is wide: -n ln(1 - share)."""
    free = count * 2 * cut._HALF_HZ / rate
    found = cut._nats(np.array([share * 7.0]), 7.0, count, rate)
    assert found == pytest.approx([-free * np.log(1 - share)], abs=1e-6)
    whole = cut._nats(np.array([7.0]), 7.0, count, rate)
    assert whole == pytest.approx([free * np.log(1000.0)], rel=1e-6)  # no more than that


def test_a_tone_that_ends_is_likeliest_to_end_there():
    z = np.where(np.arange(200) < 120, 1.0, 0.0).astype(complex)
    nats = cut._ends(z, RATE)
    assert int(np.argmax(nats)) == 120
    # up to sample k a tone of power 1 explains k of 120
    assert nats[60] == pytest.approx(-200 * 2 * cut._HALF_HZ / RATE * np.log(1 - 60 / 120))
    assert nats[0] == 0.0


@pytest.mark.parametrize("off_hz", [-1.5, 0.0, 0.8])
def test_a_tone_off_its_frequency_is_turned_back(off_hz):
    t = np.arange(300) / RATE
    z = np.exp(2j * np.pi * off_hz * t)
    still = cut._unturn(z, RATE, 150)
    phase = np.unwrap(np.angle(still))
    slope_hz = np.polyfit(t, phase, 1)[0] / (2 * np.pi)
    assert slope_hz == pytest.approx(0.0, abs=RATE / 1024)
    far = cut._unturn(np.exp(2j * np.pi * 6.0 * t), RATE, 150)  # further than is looked for
    assert abs(np.polyfit(t, np.unwrap(np.angle(far)), 1)[0]) / (2 * np.pi) > 3.5


@pytest.mark.parametrize("loss", [cut._LOSSES[1], cut._LOSSES[3]])
def test_a_tone_that_slides_is_likeliest_to_begin_where_it_does(loss):
    """Still for 1.5 s, then losing a share of its frequency a second."""
    hz, begins_s = 300.0, 1.5
    t = np.arange(300) / RATE
    after = np.maximum(t - begins_s, 0.0)
    z = np.exp(-1j * np.pi * hz * loss * after**2)
    nats = cut._slides(z, RATE, hz)
    assert nats.shape == (300, cut._LOSSES.size)
    at, which = np.unravel_index(int(np.argmax(nats)), nats.shape)
    assert at / RATE == pytest.approx(begins_s, abs=0.05)
    assert cut._LOSSES[which] == pytest.approx(loss)


@pytest.mark.parametrize("hz", [307.3, 1000.0])
def test_the_sound_about_a_tone_stands_still(hz):
    rate = 16_000
    t = np.arange(3 * rate) / rate
    frames = frames_of(np.cos(2 * np.pi * hz * t).astype(np.float32), rate)
    z, low_rate, first_s = cut._band(frames, hz, (0.5, 2.5))
    assert first_s == pytest.approx(0.5, abs=1 / low_rate)
    assert z.size / low_rate == pytest.approx(2.0, abs=2 / low_rate)
    middle = z[z.size // 4 : 3 * z.size // 4]
    turned = np.unwrap(np.angle(middle))
    slope_hz = np.polyfit(np.arange(middle.size) / low_rate, turned, 1)[0] / (2 * np.pi)
    assert slope_hz == pytest.approx(0.0, abs=0.2)
    assert np.ptp(np.abs(middle)) < 0.05 * np.abs(middle).mean()


@pytest.mark.parametrize("around", [0.15, 0.45])
def test_where_there_is_too_little_nothing_is_told(around):
    frames = frames_of(np.zeros(16_000, np.float32), 16_000.0)
    told = cut.cut_time(frames, around, from_s=0.0, tones_hz=[300.0], lines_hz=[])
    assert told is None


# --- peaks between lines ---------------------------------------------------------------------


@pytest.mark.parametrize("place", [5.0, 5.3, 4.6, 5.49])
def test_a_peak_between_lines_is_that_of_the_parabola(place):
    """Exact for a bell, whose logarithm is a parabola."""
    lines = SimpleNamespace(power=np.exp(-0.5 * (np.arange(11) - place) ** 2), step=0.02)
    near = round(place)
    assert defects._peak(lines, near) == pytest.approx(0.02 * place)


def test_a_peak_at_an_end_or_of_a_flat_stretch_stays_on_its_line():
    lines = SimpleNamespace(power=np.array([9.0, 4.0, 4.0, 4.0, 1.0]), step=0.5)
    assert defects._peak(lines, 0) == 0.0
    assert defects._peak(lines, 4) == 2.0
    assert defects._peak(lines, 2) == 1.0
    slope = SimpleNamespace(power=np.array([1.0, 2.0, 1e9, 9e8, 1e9, 1.0]), step=1.0)
    assert defects._peak(slope, 3) == 3.0  # a valley has no top


def harmonic(number, order, rise_db, certain):
    return defects.Harmonic(number, order, rise_db, -5.0, certain)


def test_the_fundamental_is_known_best_from_high_and_clear_harmonics():
    found = (
        harmonic(1, 3.0, 0.0, True),
        harmonic(3, 9.3, 20.0, True),
        harmonic(2, 50.0, 60.0, False),  # not certain
    )
    weight = np.array([1.0 * 1.0, 3.0 * 10.0])
    wanted = np.average([3.0, 3.1], weights=weight)
    assert defects._rate(found) == pytest.approx(wanted)
    unsure = (harmonic(1, 3.0, 0.0, False), harmonic(2, 6.4, 0.0, False))
    assert defects._rate(unsure) == pytest.approx(np.average([3.0, 3.2], weights=[1.0, 2.0]))


@pytest.mark.parametrize(
    ("chance", "held", "certain"), [(-9.0, -9.0, True), (-1.0, -1.0, False), (0.7, 0.0, False)]
)
def test_a_harmonic_is_no_likelier_than_chance(chance, held, certain):
    """More than sure is not less than chance; certain below the share of false alarms."""
    lines = SimpleNamespace(rise=np.full(9, 100.0), power=np.ones(9), step=0.5)
    plan = SimpleNamespace(false_alarm=1e-3)
    found = defects._harmonic(lines, 2, 4, chance, plan)
    assert found.number == 2
    assert found.order == 2.0
    assert found.rise_db == pytest.approx(20.0)
    assert found.certain is certain
    assert found.chance_log10 == held
