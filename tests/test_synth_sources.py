"""Each source model and each other fault: finite, heard where it belongs, and what it claims."""

import numpy as np
import pytest
from scipy import signal
from synth_measures import (
    clip,
    level_db,
    line_prominence_db,
    mono,
    squared_envelope,
)

from quietrun.synth import OTHER, source_models
from quietrun.words import FAULTS

PLACE = {"phone": 169, "room": 17, "snr_db": 32.0, "stage": "assembled"}
SOURCES = [(fault, source) for fault in FAULTS for source in source_models(fault)]
#: Other faults that make no sound of their own.
SILENT = {"did_not_start", "start_switch_stuck_open", "sag"}


def steady_of(sound):
    t, rate = sound.truth, sound.rate_hz
    return mono(sound)[
        int((t["at_speed_s"] + 0.2) * rate) : int((t["switched_off_s"] - 0.1) * rate)
    ]


@pytest.mark.parametrize(("fault", "source"), SOURCES)
def test_each_source_model_is_heard(fault, source):
    sound = clip(2, faults={fault: 0.9}, sources={fault: source}, other={}, machine=5, **PLACE)
    assert np.isfinite(sound.samples).all()
    assert np.abs(sound.samples).max() <= 1.0
    assert sound.truth["sources"] == {fault: source}
    assert sound.truth["audibility_db"][fault] == pytest.approx(17.5, abs=0.05)
    assert sound.truth["usable"]


@pytest.mark.parametrize("word", OTHER)
def test_each_other_fault_is_finite_and_heard(word):
    sound = clip(2, faults={}, other={word: 0.8}, machine=5, **PLACE)
    t = sound.truth
    assert np.isfinite(sound.samples).all()
    assert t["other"] == {word: 0.8}
    if word in SILENT:
        assert word not in t["other_audibility_db"]
    else:
        assert t["other_audibility_db"][word] > -15


def healthy_time(fixed):
    t = clip(2, faults={}, other={}, machine=5, **{**PLACE, **fixed}).truth
    return t["at_rest_s"] - t["switched_off_s"], t["at_speed_s"] - t["switched_on_s"], t


def test_other_faults_change_the_run_as_they_should():
    coast, up, _ = healthy_time({})
    drag = clip(2, faults={}, other={"drag": 0.8}, machine=5, **PLACE).truth
    assert drag["at_rest_s"] - drag["switched_off_s"] < 0.55 * coast
    sheared = clip(2, faults={}, other={"sheared_drive": 0.8}, machine=5, **PLACE).truth
    end = sheared["at_rest_s"] or sheared["duration_s"]
    assert end - sheared["switched_off_s"] > 1.2 * coast
    assert sheared["at_speed_s"] - sheared["switched_on_s"] < up
    dead = clip(2, faults={}, other={"start_switch_stuck_open": 0.8}, machine=5, **PLACE).truth
    assert dead["start_switch_open_s"] is None
    assert dead["switched_off_s"] - dead["switched_on_s"] <= 5.0
    shut = clip(2, faults={}, other={"start_switch_stuck_closed": 0.8}, machine=5, **PLACE).truth
    assert shut["start_switch_open_s"] is None
    assert shut["at_speed_s"] is not None
    sag = clip(2, faults={}, other={"sag": 0.8}, machine=5, **PLACE).truth
    when, speed = (np.asarray(v) for v in sag["speed_track"])
    at_off = float(np.interp(sag["switched_off_s"], when, speed))
    assert at_off < 0.97 * speed.max()


def test_a_damaged_spot_repeats_at_its_order():
    seen = []
    for seed in (11, 12, 13):
        sound = clip(
            seed,
            faults={"bearing_noise": 1.0},
            sources={"bearing_noise": "spots"},
            other={},
            machine=5,
            **PLACE,
        )
        t = sound.truth
        order = t["source_notes"]["bearing_noise"]["order"]
        line = order * t["running_rpm"] / 60
        best = max(
            line_prominence_db(
                *squared_envelope(steady_of(sound), sound.rate_hz, lo, hi), line, 0.01
            )
            for lo, hi in ((800, 2000), (2000, 4000), (4000, 9000))
        )
        seen.append(best)
    # Healthy records of a public test rig show up to about 15 dB here by chance.
    assert np.median(seen) > 15


def test_a_scrape_comes_once_a_turn():
    sound = clip(
        21,
        faults={"impeller_rub": 1.0},
        sources={"impeller_rub": "one_spot"},
        other={},
        machine=5,
        **PLACE,
    )
    env, rate = squared_envelope(steady_of(sound), sound.rate_hz, 2000, 9000)
    turn = sound.truth["running_rpm"] / 60
    assert line_prominence_db(env, rate, turn, 0.01) > 15


def test_teeth_pass_at_their_rate():
    from quietrun.synth.families import machine_family

    sound = clip(
        22,
        faults={"burr_contact": 1.0},
        sources={"burr_contact": "tooth_pass"},
        other={},
        machine=5,
        **PLACE,
    )
    passing = machine_family(5).teeth * sound.truth["running_rpm"] / 60
    x = steady_of(sound)
    quiet = steady_of(clip(22, faults={}, other={}, machine=5, **PLACE))
    bands = [np.array([0.8, 1.25]) * k * passing for k in (1, 2, 3)]
    gains = []
    for lo, hi in bands:
        sos = signal.butter(
            4, [lo, min(hi, 0.45 * sound.rate_hz)], "band", fs=sound.rate_hz, output="sos"
        )
        a, b = (np.mean(np.square(signal.sosfilt(sos, y))) for y in (x, quiet))
        gains.append(10 * np.log10(a / b))
    assert max(gains) > 6


def test_chatter_sits_in_the_run_up():
    fixed = {"faults": {"pre_breaker_wobble": 1.0}, "sources": {"pre_breaker_wobble": "chatter"}}
    sound = clip(23, other={}, machine=55, **fixed, **PLACE)
    plain = clip(23, faults={}, other={}, machine=55, **PLACE)
    t = sound.truth

    def over(start, stop):
        rises = []
        for lo, hi in ((230, 420), (420, 900), (900, 2000), (2000, 5000)):
            sos = signal.butter(4, [lo, hi], "band", fs=sound.rate_hz, output="sos")
            a, b = (
                level_db(signal.sosfilt(sos, mono(s)), s.rate_hz, start, stop)
                for s in (sound, plain)
            )
            rises.append(a - b)
        return rises

    run_up = over(t["switched_on_s"], t["at_speed_s"])
    steady = over(t["at_speed_s"] + 1.0, t["switched_off_s"] - 0.1)
    assert max(np.subtract(run_up, steady)) > 6


def test_a_growl_of_the_iron_dies_with_the_power():
    sound = clip(24, faults={}, other={"magnetic_growl": 1.0}, machine=5, **PLACE)
    plain = clip(24, faults={}, other={}, machine=5, **PLACE)
    t, rate, off = sound.truth, sound.rate_hz, sound.truth["switched_off_s"]
    x = mono(sound)
    drop = level_db(x, rate, off - 0.5, off - 0.05) - level_db(x, rate, off + 0.15, off + 0.5)
    y = mono(plain)
    usual = level_db(y, rate, off - 0.5, off - 0.05) - level_db(y, rate, off + 0.15, off + 0.5)
    assert drop > usual + 3
    assert t["other_audibility_db"]["magnetic_growl"] == pytest.approx(20, abs=0.1)


def test_the_switch_ring_squeals_only_in_the_last_turns():
    sound = clip(25, faults={}, other={"switch_ring_squeal": 1.0}, machine=5, **PLACE)
    t = sound.truth
    x, rate = mono(sound), sound.rate_hz
    end = t["at_rest_s"]
    when, speed = (np.asarray(v) for v in t["speed_track"])
    low = when[(when > t["switched_off_s"]) & (speed < 0.05 * speed.max())][0]
    late = x[int((low - 0.2) * rate) : int(end * rate)]
    power = np.abs(np.fft.rfft(late * np.hanning(late.size))) ** 2
    freqs = np.fft.rfftfreq(late.size, 1 / rate)
    band = (freqs > 400) & (freqs < 6000)
    assert power[band].max() > 200 * np.median(power[band])
