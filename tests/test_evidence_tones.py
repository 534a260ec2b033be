"""Tones and times on spectra that are written down bin by bin."""

from types import SimpleNamespace

import numpy as np
import pytest
from written_scene import written_scene

from quietrun.evidence import Missing, tones
from quietrun.evidence.scene import Scene
from quietrun.evidence.tones import _BAND
from quietrun.run import Run
from quietrun.run.types import CoastDown

BIN_HZ = 23.4375
HOP_S = 0.01
BINS = 900
ON_S, UP_S, OFF_S, REST_S, END_S = 1.0, 2.0, 5.0, 9.0, 10.0
TIME = np.arange(0.5 * HOP_S, END_S, HOP_S)
FREQS = BIN_HZ * np.arange(BINS)
FLOOR = 1e-8


def share_at(t):
    return np.clip((REST_S - t) / (REST_S - OFF_S), 0.0, 1.0)


def frames_of_lines(*lines, floor=FLOOR):
    """Flat power but for lines: (Hz or a function of time, dB, from s, to s)."""
    power = np.full((TIME.size, BINS), floor)
    for hz, over_db, from_s, to_s in lines:
        inside = np.flatnonzero((from_s <= TIME) & (to_s > TIME))
        place = hz(TIME[inside]) if callable(hz) else np.full(inside.size, hz)
        at = np.rint(place / BIN_HZ).astype(int)
        power[inside, at] = FLOOR * 10 ** (over_db / 10)
    return SimpleNamespace(
        power=power,
        freqs_hz=FREQS,
        time_s=TIME,
        bins=lambda lo, hi: slice(*(int(k) for k in np.searchsorted(FREQS, (lo, hi)))),
    )


SPANS = {
    "room": (0.0, ON_S),
    "run_up": (ON_S, UP_S),
    "steady": (UP_S, OFF_S),
    "coast_down": (OFF_S, REST_S),
    "rest": (REST_S, END_S),
}


def values_of(*lines, run=None, spans=SPANS, track=True, top_hz=20_000.0, mains_hz=50.0):
    coasting = TIME[TIME >= OFF_S]
    scene = written_scene(
        frames_of_lines(*lines),
        spans=spans,
        top_hz=top_hz,
        run=run or Run(),
        mains_hz=mains_hz,
        coast_time=coasting if track else None,
        coast_share=share_at(coasting) if track else None,
    )
    return tones.measure(scene)


def over(height_db):
    """A line over the mean of the nineteen bins about it, itself among them."""
    return height_db * (1 - 1 / 19)


HIGH = 5000.0


def test_the_clearest_tones_and_how_many():
    found = values_of(
        (4000.0, 20.0, UP_S, OFF_S),
        (6000.0, 15.0, UP_S, OFF_S),
        (8000.0, 10.0, UP_S, OFF_S),
        (10_000.0, 7.0, UP_S, OFF_S),
    )
    assert found["tone_best"] == pytest.approx(over(20.0), abs=0.01)
    assert found["tone_second"] == pytest.approx(over(10.0), abs=0.01)  # the third
    assert found["tone_count"] == 3.0  # those of 8 dB and more
    plain = values_of()
    assert (plain["tone_best"], plain["tone_second"], plain["tone_count"]) == (0.0, 0.0, 0.0)
    assert plain["peaky"] == pytest.approx(0.0, abs=1e-9)
    assert found["peaky"] > 0.5


def test_a_tone_that_comes_and_goes():
    steady = values_of((HIGH, 20.0, UP_S, OFF_S))
    now_and_then = values_of(*[(HIGH, 20.0, t, t + 0.08) for t in np.arange(2.2, 4.9, 0.5)])
    assert steady["tone_fitful"] == pytest.approx(0.0, abs=0.01)
    assert now_and_then["tone_fitful"] > 8.0


def test_the_band_of_the_tones():
    below = values_of((0.9 * _BAND[0], 20.0, UP_S, OFF_S))
    assert below["tone_best"] < 1.0
    narrow = values_of((HIGH, 20.0, UP_S, OFF_S), top_hz=4000.0)
    assert narrow["tone_best"] < 1.0
    none = values_of((HIGH, 20.0, UP_S, OFF_S), top_hz=2500.0)
    assert isinstance(none["tone_best"], Missing)


def test_a_tone_that_stands_still_or_falls_with_the_speed():
    falls = values_of((lambda t: HIGH * share_at(t), 20.0, OFF_S, 8.0))
    stands = values_of((HIGH, 20.0, OFF_S, 8.0))
    # the mean of some frames smears a line that moves over two bins and more
    assert 10.0 < falls["tone_follows"] < over(20.0)
    assert stands["tone_follows"] < 0.5 * falls["tone_follows"]
    assert stands["tone_coast_fixed"] == pytest.approx(over(20.0), abs=2.0)
    assert falls["tone_coast_fixed"] < 0.6 * stands["tone_coast_fixed"]
    assert stands["tone_coast"] > 15.0
    assert stands["tone_coast_gain"] == pytest.approx(stands["tone_coast"] - stands["tone_best"])
    lost = values_of((HIGH, 20.0, OFF_S, 8.0), track=False)
    assert isinstance(lost["tone_follows"], Missing)
    assert isinstance(lost["tone_coast"], Missing)


@pytest.mark.parametrize(("share", "heard"), [(0.1, True), (0.5, False)])
def test_a_squeal_in_the_last_fifth_of_the_speed(share, heard):
    at_s = REST_S - share * (REST_S - OFF_S)
    found = values_of((3000.0, 20.0, at_s - 0.3, at_s + 0.3))
    assert (found["tone_near_rest"] > 12.0) is heard
    # what the room has too is no squeal
    room = values_of((3000.0, 20.0, at_s - 0.3, at_s + 0.3), (3000.0, 20.0, REST_S, END_S))
    assert room["tone_near_rest"] == pytest.approx(0.0, abs=0.1)


def test_the_clearest_tone_of_the_run_up():
    found = values_of((HIGH, 18.0, ON_S, UP_S))
    assert found["tone_start"] == pytest.approx(over(18.0), abs=0.01)
    assert isinstance(values_of(spans={"steady": (UP_S, OFF_S)})["tone_start"], Missing)


def test_hum_and_what_is_no_hum():
    """Multiples of 100 Hz are electrical; another low tone is the machine's."""
    hum = values_of(*[(100.0 * k, 20.0, UP_S, OFF_S) for k in (4, 7, 9)])
    assert hum["hum_rise"] == pytest.approx(over(20.0), abs=0.8)
    assert hum["tone_low"] < 2.0
    tone = values_of((650.0, 20.0, UP_S, OFF_S))
    assert tone["tone_low"] == pytest.approx(over(20.0), abs=0.01)
    assert tone["hum_rise"] < 2.0
    unknown = values_of((700.0, 20.0, UP_S, OFF_S), mains_hz=None)
    assert unknown["tone_low"] == pytest.approx(over(20.0), abs=0.01)
    assert isinstance(unknown["hum_rise"], Missing)


def test_too_short_a_run_has_no_tones():
    found = values_of((HIGH, 20.0, UP_S, OFF_S), spans={"steady": (UP_S, UP_S + 0.19)})
    assert isinstance(found["tone_best"], Missing)
    assert isinstance(found["tone_low"], Missing)
    assert isinstance(values_of(spans={})["tone_best"], Missing)


def test_times_of_the_run():
    coast = CoastDown(4.0, 0.25, 0.25, 0.5, 1.0, 0.9)
    run = Run(power_on_s=1.0, at_speed_s=2.5, mains_hz=50.0, poles=4, shaft_hz=24.5, coast=coast)
    found = values_of(run=run)
    assert found["run_up_s"] == 1.5
    assert found["slip_percent"] == pytest.approx(2.0)
    assert found["coast_down_s"] == 4.0
    assert found["coast_coulomb"] == 0.25
    assert found["coast_half_share"] == 0.25
    unknown = values_of(run=Run(power_on_s=1.0, coast=CoastDown(0.0, None, None, None, 1.0, 0.1)))
    for name in ("run_up_s", "slip_percent", "coast_coulomb", "coast_half_share"):
        assert isinstance(unknown[name], Missing), name
    assert unknown["coast_down_s"] == 0.0
    assert isinstance(values_of(run=Run(at_speed_s=1.0))["run_up_s"], Missing)


def test_the_share_of_the_coast_down_in_which_it_is_heard():
    time_s = np.arange(5.05, 9.0, 0.1)
    room = np.full(13, 1e-9)
    noise = np.where(time_s[:, None] < 7.0, 2e-9, 1.5e-9) * np.ones(13)
    scene = Scene(
        frames=None,
        run=Run(coast=CoastDown(4.0, None, None, None, None, 0.9)),
        top_hz=1.0,
        spans={"coast_down": (5.0, 9.0)},
        envelopes=(),
        noise_time=time_s,
        noise=noise,
        noise_room=room,
        shaft_hz=None,
        mains_hz=None,
    )
    assert tones.measure(scene)["fades_early"] == pytest.approx(0.5)
    noise[:, 4:] = 1e-9  # in 4 of 13 bands: more than three tenths
    assert tones.measure(scene)["fades_early"] == pytest.approx(0.5)
    noise[:, 3:] = 1e-9
    assert tones.measure(scene)["fades_early"] == 0.0
