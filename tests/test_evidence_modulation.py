"""Modulation and knocks on envelopes that are written down: orders, depths, counts by hand."""

from types import SimpleNamespace

import numpy as np
import pytest

from quietrun.dsp.windows import hann
from quietrun.evidence import Missing, knocks, modulation
from quietrun.evidence.scene import BANDS, Envelope, Scene
from quietrun.run import Run

RATE = 2000.0


def scene_of(energy, *, shaft_hz=25.0, mains_hz=50.0, spans=None, count=11, room=0.0, cells=4.0):
    """A scene whose bands all have the same envelope, or one each."""
    energy = np.asarray(energy, np.float64)
    each = energy if energy.ndim == 2 else np.tile(energy, (count, 1))
    envelopes = [Envelope(row, RATE, room, cells) for row in each]
    length_s = each.shape[1] / RATE
    return Scene(
        frames=SimpleNamespace(duration_s=length_s, time_s=np.arange(0.005, length_s, 0.01)),
        run=Run(),
        top_hz=20_000.0,
        spans={"steady": (0.0, length_s)} if spans is None else spans,
        envelopes=tuple(envelopes + [None] * (len(BANDS) - len(envelopes))),
        noise_time=np.zeros(0),
        noise=np.zeros((0, 13)),
        noise_room=np.zeros(13),
        shaft_hz=shaft_hz,
        mains_hz=mains_hz,
    )


def beat(*orders, depth=0.5, seconds=4.0, shaft_hz=25.0):
    t = np.arange(round(seconds * RATE)) / RATE
    return 1.0 + sum(depth * np.cos(2 * np.pi * shaft_hz * k * t) for k in orders)


# --- order spectra ---------------------------------------------------------------------------


@pytest.mark.parametrize("depth", [0.1, 0.4])
@pytest.mark.parametrize("room", [0.0, 0.5])
def test_a_modulation_stands_at_its_order_with_its_power(depth, room):
    """A cosine of depth m has (m/2)^2 of the window's sum squared; the room's share is no sound."""
    energy = beat(3.0, depth=depth) + room
    spectrum = modulation._spectrum(energy, RATE, 25.0, room)
    index = round(3.0 / spectrum.step)
    window = hann(energy.size)
    wanted = (depth / 2) ** 2 * window.sum() ** 2 * 2 / np.sum(window**2)
    top = spectrum.power[index - 3 : index + 4].max()
    assert top == pytest.approx(wanted, rel=0.1)
    assert int(np.argmax(spectrum.power)) == pytest.approx(index, abs=2)
    assert spectrum.rise_db.max() == 35.0
    assert spectrum.top == pytest.approx((spectrum.rise_db.size - 1) * spectrum.step)


def test_a_spike_counts_as_twelve_times_the_median():
    energy = np.ones(4000)
    energy[2000] = 1e6
    held = np.ones(4000)
    held[2000] = 12.0
    wild, tame = (modulation._spectrum(e, RATE, 25.0, 0.0).power for e in (energy, held))
    assert wild == pytest.approx(tame)


def test_the_highest_rise_near_an_order():
    rise = np.zeros(201)
    rise[100], rise[104] = 10.0, 20.0
    spectrum = modulation.OrderSpectrum(rise, rise, rise, 0.01)
    assert spectrum.top == pytest.approx(2.0)
    orders = np.array([1.0, 1.02, 0.95, 1.5, 3.0])
    assert spectrum.at(orders, 0.0).tolist() == [10.0, 0.0, 0.0, 0.0, 0.0]
    assert spectrum.at(orders, 0.02).tolist() == [10.0, 20.0, 0.0, 0.0, 0.0]
    assert spectrum.at(orders, 0.05).tolist() == [20.0, 20.0, 10.0, 0.0, 0.0]


def test_lines_of_the_mains_in_orders():
    scene = scene_of(np.ones(100))
    assert modulation._mains_orders(scene).tolist() == [4.0, 8, 12, 16, 20, 24, 28, 32]
    assert modulation._mains_orders(scene_of(np.ones(100), shaft_hz=None)).size == 0
    assert modulation._mains_orders(scene_of(np.ones(100), mains_hz=None)).size == 0
    far = modulation._apart(np.array([3.9, 3.96, 4.06]), np.array([4.0, 8.0]), 0.05)
    assert far.tolist() == [True, False, True]
    assert modulation._apart(np.array([1.0]), np.zeros(0), 0.05).tolist() == [True]


@pytest.mark.parametrize("order", [2.3, 3.6, 5.4])
def test_a_series_beside_the_turn_is_scored_with_its_harmonics(order):
    """The line, seven tenths of its double, half of its triple; 14 dB each at most."""
    rng = np.random.default_rng(1)
    energy = beat(order, 2 * order, 3 * order, depth=0.3) + 0.02 * rng.standard_normal(8000)
    spectrum = modulation._spectrum(energy, RATE, 25.0, 0.0)
    orders, _ = modulation._searched(())
    score = modulation._off_turn(spectrum, np.zeros(0))
    assert orders[np.argmax(score)] == pytest.approx(order, abs=0.02)
    fair = [abs(k * order - round(k * order)) > 0.03 for k in (2, 3)]
    assert score.max() == pytest.approx(14.0 * (1 + 0.7 * fair[0] + 0.5 * fair[1]), abs=0.01)
    assert spectrum.series(np.zeros(0)) is spectrum.series(np.zeros(0))


def test_whole_orders_and_lines_of_the_mains_are_no_series():
    orders, _ = modulation._searched((3.5, 7.0))
    assert (np.abs(orders - np.rint(orders)) > 0.045).all()
    assert (np.abs(orders - 3.5) > 0.05).all()
    assert orders.min() > 1.59
    assert orders.max() < 12.5


# --- roughness -------------------------------------------------------------------------------


def test_roughness_of_two_levels():
    """Half and one and a half: a variance of a quarter, over that of noise of four cells."""
    x = np.tile([0.5, 1.5], 500)
    assert modulation._gauss_rough(4.0) == 0.25
    assert modulation._gauss_rough(0.1) == 1.0
    assert modulation._rough(x, 4.0) == pytest.approx(0.0, abs=0.01)
    assert modulation._rough(x, 40.0) == pytest.approx(10.0, abs=0.01)
    assert modulation._rough(np.ones(100), 4.0) == -6.0
    assert modulation._rough(np.array([1e9] * 100), 1e9) == 30.0


@pytest.mark.parametrize("cells", [2.0, 8.0])
def test_steady_noise_is_neither_rough_nor_spiky(cells):
    rng = np.random.default_rng(3)
    x = rng.gamma(cells, 1.0 / cells, 200_000)
    assert modulation._rough(x, cells) == pytest.approx(0.0, abs=0.1)
    assert modulation._spiky(x, cells) == pytest.approx(0.0, abs=0.3)


def test_spikes_over_the_median():
    x = np.ones(1000)
    plain = modulation._spiky(x, 4.0)
    x[::100] = 10.0  # one in a hundred: more than the half per cent looked at
    assert modulation._spiky(x, 4.0) - plain == pytest.approx(10.0, abs=0.01)
    assert modulation._spiky(np.ones(99), 4.0) is None


def test_flutter_is_the_loud_tenth_over_the_middle():
    loud = np.repeat(np.where(np.arange(250) % 5 == 0, 4.0, 1.0), 32)
    envelope = Envelope(loud, RATE, 0.0, 4.0)
    high = modulation._flutter(loud, envelope, block_s=0.016, share=0.90)
    flat = modulation._flutter(np.ones(8000), envelope, block_s=0.016, share=0.90)
    assert high - flat == pytest.approx(10 * np.log10(4.0), abs=0.01)
    assert modulation._flutter(np.ones(32 * 24), envelope, block_s=0.016, share=0.90) is None
    assert modulation._flutter(np.ones(32 * 25), envelope, block_s=0.016, share=0.90) is not None
    drowned = Envelope(loud, RATE, 10.0, 4.0)  # under 1.2 of the room nothing is a middle
    low = modulation._flutter(loud, drowned, block_s=0.016, share=0.90)
    assert low - flat == pytest.approx(10 * np.log10(4.0 / 12.0), abs=0.01) or low == -5.0


def test_a_slow_change_of_level_is_taken_out():
    rising = np.linspace(1.0, 3.0, 4000)
    flat = modulation._detrend(rising, RATE, 0.25)
    assert flat[500:-500] == pytest.approx(np.ones(3000), abs=0.01)
    short = modulation._detrend(np.array([1.0, 3.0]), RATE, 0.25)
    assert short.tolist() == [0.5, 1.5]
    quick = 1.0 + 0.5 * np.cos(2 * np.pi * 40.0 * np.arange(4000) / RATE)
    kept = modulation._detrend(quick, RATE, 0.25)
    assert kept[500:-500] == pytest.approx(quick[500:-500], abs=0.01)


def test_growl_is_slow_swelling():
    slow = 1.0 + 0.5 * np.cos(2 * np.pi * 8.0 * np.arange(8000) / RATE)
    quick = 1.0 + 0.5 * np.cos(2 * np.pi * 30.0 * np.arange(8000) / RATE)
    rng = np.random.default_rng(2)
    noise = rng.gamma(4.0, 0.25, 8000)
    envelope = Envelope(noise, RATE, 0.0, 4.0)
    steady = modulation._growl(noise, envelope)
    assert steady == pytest.approx(0.0, abs=1.5)
    assert modulation._growl(noise * quick, envelope) == pytest.approx(steady, abs=1.5)
    swelling = 1.0 + 0.5 * rng.standard_normal(80).repeat(100)
    assert modulation._growl(noise * np.abs(swelling), envelope) > steady + 5.0
    assert modulation._growl(noise * slow, envelope) >= steady - 1.0
    assert modulation._growl(noise[:1980], envelope) is None


def test_the_turns_of_a_coast_down_are_even_again():
    """Speed falls to a half in a straight line; one bump a turn comes back as one every 64."""
    scene = scene_of(np.ones(100))
    time_s = np.arange(0.0, 4.0, 0.01)
    share = 1.0 - 0.125 * time_s
    scene = SimpleNamespace(shaft_hz=25.0, coast_time=time_s, coast_share=share)
    t = (np.arange(7600) + 0.5) / RATE
    angle = 25.0 * (t - 0.0625 * t * t)
    turned = modulation._turns(scene, 1.0 + 0.5 * np.cos(2 * np.pi * angle), RATE, 0.0)
    spectrum = np.abs(np.fft.rfft(turned - turned.mean()))
    assert np.argmax(spectrum) * 64.0 / turned.size == pytest.approx(1.0, abs=0.01)
    assert turned.size / 64.0 == pytest.approx(angle[-1], abs=0.1)
    assert modulation._turns(scene, np.ones(90), RATE, 0.0) is None
    scene.shaft_hz = None
    assert modulation._turns(scene, np.ones(7600), RATE, 0.0) is None


def test_the_clearest_of_each_group_of_bands():
    found = [1.0, None, 3.0, 9.0, 4.0, None, None, None, None, 5.0, None]
    values = {}
    modulation._gather_bands("rough", found, values)
    assert values == {
        "rough_best": 9.0,
        "rough_top3": pytest.approx(6.0),
        "rough_low": 3.0,
        "rough_mid": 9.0,
        "rough_high": 5.0,
    }
    modulation._gather_bands("none", [None] * 11, values)
    assert len(values) == 5


def test_once_a_turn_and_beside_the_turn():
    rng = np.random.default_rng(4)
    noise = 0.02 * rng.standard_normal(10_000)
    whole = modulation.measure(scene_of(beat(1, 2, 3, seconds=5.0, depth=0.2) + noise))
    beside = modulation.measure(scene_of(beat(2.6, 5.2, 7.8, seconds=5.0, depth=0.2) + noise))
    assert whole["turn_once_best"] > 20.0 > beside["turn_once_best"]
    assert beside["off_turn_best"] > whole["off_turn_best"] + 8.0
    assert beside["off_over_turn"] > whole["off_over_turn"]
    hum = modulation.measure(scene_of(beat(4.0, seconds=5.0, depth=0.2) + noise))
    assert hum["mains_beat_best"] > 20.0 > whole["mains_beat_best"]
    unknown = modulation.measure(scene_of(beat(1, seconds=5.0), shaft_hz=None))
    assert isinstance(unknown["turn_once_best"], Missing)
    assert not isinstance(unknown["rough_best"], Missing)
    short = modulation.measure(scene_of(np.ones(5000), spans={"steady": (0.0, 0.49)}))
    assert all(isinstance(value, Missing) for value in short.values())


# --- knocks ----------------------------------------------------------------------------------


def struck(times_s, seconds=6.0, rise_db=20.0, half_s=0.01, bands=range(11)):
    """Blows whose rise over a steady level falls in a straight line, to the half in ``half_s``."""
    energy = np.full((11, round(seconds * RATE)), 1e-6)
    fall_db = rise_db * np.linspace(1.0, 0.0, round(2 * half_s * RATE))
    for at_s in times_s:
        a = round(at_s * RATE)
        for band in bands:
            energy[band, a : a + fall_db.size] *= 10 ** (fall_db / 10)
    return energy


def test_knocks_are_counted_and_measured():
    """Five a second over the six seconds that are looked at, all alike."""
    every = np.arange(0.1, 5.9, 0.2)
    found = knocks.measure(scene_of(struck(every), shaft_hz=25.0))
    assert found["knock_rate"] == pytest.approx(every.size / 5.9, rel=0.01)
    assert found["knock_strength"] == pytest.approx(19.2, abs=0.5)  # the mean of its first 2 ms
    assert found["knock_uneven"] == pytest.approx(0.0, abs=0.02)
    assert found["knock_in_turn"] == pytest.approx(1.0, abs=0.02)  # every fifth turn
    assert found["knock_bright"] == pytest.approx(0.0, abs=0.01)
    assert found["knock_ring_ms"] == pytest.approx(10.0, abs=2.0)


@pytest.mark.parametrize("half_s", [0.006, 0.012, 0.02])
def test_how_long_knocks_ring(half_s):
    every = np.arange(0.1, 5.9, 0.3)
    found = knocks.measure(scene_of(struck(every, half_s=half_s)))
    assert found["knock_ring_ms"] == pytest.approx(1000 * half_s, abs=2.5)


def test_high_bands_alone_are_bright():
    every = np.arange(0.1, 5.9, 0.2)
    found = knocks.measure(scene_of(struck(every, rise_db=22.0, bands=range(6, 11))))
    assert found["knock_bright"] == pytest.approx(21.2, abs=0.7)
    assert found["knock_strength"] == pytest.approx(21.2 * 5 / 11, abs=0.3)
    low = knocks.measure(scene_of(struck(every, rise_db=22.0, bands=range(6))))
    assert low["knock_bright"] == pytest.approx(-21.2, abs=0.7)


def test_uneven_knocks_are_not_in_turn():
    rng = np.random.default_rng(5)
    at_s = np.sort(rng.uniform(0.1, 5.9, 40))
    at_s = at_s[np.concatenate([[True], np.diff(at_s) > 0.03])]
    found = knocks.measure(scene_of(struck(at_s)))
    assert found["knock_uneven"] > 0.5
    assert found["knock_in_turn"] < 0.6


@pytest.mark.parametrize(("count", "told"), [(7, False), (8, True)])
def test_fewer_than_eight_have_no_pattern(count, told):
    found = knocks.measure(scene_of(struck(0.3 + 0.6 * np.arange(count))))
    assert isinstance(found["knock_uneven"], Missing) is not told
    assert found["knock_rate"] == pytest.approx(count / 5.9, rel=0.01)


def test_the_harder_knocks_and_the_fewer():
    rise = np.zeros(1000)
    peaks = np.arange(10, 990, 70)
    rise[peaks] = np.arange(peaks.size) + 1.0
    # ten highest of fourteen: 5 to 14
    assert knocks._hard(rise, peaks, 10.0) == pytest.approx(np.arange(5, 15).mean())
    # four a second where that is fewer, and one at least
    assert knocks._hard(rise, peaks, 0.5) == pytest.approx(13.5)
    assert knocks._hard(rise, peaks, 0.1) == pytest.approx(14.0)
    assert knocks._hard(rise, peaks[:2], 1.0) == pytest.approx((1.0 + 2.0) / 4)


def test_each_phase_has_its_knocks():
    spans = {"run_up": (0.5, 1.5), "steady": (1.5, 4.0), "coast_down": (4.0, 6.0)}
    at_s = [0.7, 0.9, 1.1, 1.3, 2.0, 3.0, 4.1, 4.3, 4.5, 5.8]
    found = knocks.measure(scene_of(struck(at_s), spans=spans))
    assert found["knock_start_rate"] == pytest.approx(4 / 0.95, rel=0.01)
    assert found["knock_rate"] == pytest.approx(2 / 2.4, rel=0.01)
    assert found["knock_coast_rate"] == pytest.approx(4 / 1.95, rel=0.01)
    assert found["knock_cut_rate"] == pytest.approx(3.0, abs=0.01)  # in the first second
    assert found["knock_start_over"] == pytest.approx(
        found["knock_start"] - found["knock_strength"]
    )
    assert found["knock_coast_over"] == pytest.approx(
        found["knock_coast"] - found["knock_strength"]
    )


def test_too_few_bands_and_too_short_a_clip():
    few = scene_of(struck([1.0])[:2])
    assert all(isinstance(value, Missing) for value in knocks.measure(few).values())
    short = scene_of(np.full((11, 600), 1e-6))
    assert all(isinstance(value, Missing) for value in knocks.measure(short).values())


def test_two_knocks_within_twelve_milliseconds_are_one():
    """The louder of the two."""
    for apart_s, count in ((0.008, 1), (0.016, 2)):
        both = struck([1.0], half_s=0.002)
        both *= struck([1.0 + apart_s], half_s=0.002, rise_db=17.0) / 1e-6
        found = knocks.measure(scene_of(both))
        assert found["knock_rate"] == pytest.approx(count / 5.9, rel=0.01)
