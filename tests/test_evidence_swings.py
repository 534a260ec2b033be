"""Narrow bands that swing, and flutter, against sounds built to do so."""

import numpy as np
import pytest
from plain_run import plain_run

from quietrun.clip.types import Clip
from quietrun.dsp.frames import frames_of
from quietrun.evidence import Missing, gather
from quietrun.evidence.modulation import _flutter
from quietrun.evidence.scene import Envelope
from quietrun.evidence.swings import _loud, alone
from quietrun.machine import Machine
from quietrun.run import follow

RATE = 48000.0
SHAFT_HZ, OFF_S, COAST_S = 24.8, 6.0, 4.0


def _evidence(samples, source):
    clip = Clip(samples.astype(np.float32), RATE, source)
    frames = frames_of(clip.samples, RATE)
    return gather(clip, follow(clip, Machine(poles=4, mains_hz=50.0), frames), frames, 20000.0)


def _with(extra):
    clip = plain_run(shaft_hz=SHAFT_HZ, off_s=OFF_S, coast_s=COAST_S).clip
    t = np.arange(clip.samples.size) / RATE
    return _evidence(clip.samples + (0.0 if extra is None else extra(t, clip.samples)), clip.source)


@pytest.fixture(scope="module")
def healthy():
    return _with(None)


def _swell(t):
    return np.clip(np.sin(2 * np.pi * 1.7 * t), 0, None) * (t > 1.8) * (t < OFF_S)


def _mode(t):
    noise = np.random.default_rng(3).normal(size=t.size)
    spectrum = np.fft.rfft(noise)
    freq = np.fft.rfftfreq(t.size, 1 / RATE)
    return 0.05 * np.fft.irfft(spectrum * (np.abs(freq - 2200) < 120), t.size)


def test_a_mode_that_swells_is_heard_as_one_band_that_swells(healthy):
    swelling = _with(lambda t, x: 6 * _mode(t) * _swell(t))
    for name in ("swing_mid", "swing_best", "swing_alone_mid", "swing_alone_best"):
        assert swelling.number(name) > healthy.number(name) + 5, name
    assert swelling.number("swing_high") == pytest.approx(healthy.number("swing_high"), abs=1.0)


def test_what_swells_in_all_bands_at_once_is_not_one_band_alone(healthy):
    together = _with(lambda t, x: 2.0 * x * _swell(t))
    assert together.number("swing_top3") > healthy.number("swing_top3") + 4
    assert together.number("swing_alone_top3") < healthy.number("swing_alone_top3") + 1.5


def test_flutter_is_heard_where_sound_comes_and_goes_ten_times_a_second(healthy):
    noise = np.random.default_rng(5)

    def flutter(t, x):
        return 0.1 * noise.normal(size=t.size) * (np.mod(10 * t, 1) < 0.3) * (t > 1.9) * (t < OFF_S)

    fluttering = _with(flutter)
    assert fluttering.number("flutter_top3") > healthy.number("flutter_top3") + 5
    assert healthy.number("flutter_top3") < 1.0


def test_knocks_while_slowing_swing_there_and_not_in_the_run(healthy):
    def knocks(t, x):
        noise = np.random.default_rng(6).normal(size=t.size)
        return 0.1 * noise * np.exp(-np.mod(t, 0.4) / 0.03) * (t > OFF_S + 0.2) * (t < OFF_S + 3)

    knocking = _with(knocks)
    assert knocking.number("coast_flutter_best") > healthy.number("coast_flutter_best") + 4
    assert knocking.number("coast_swing_best") > healthy.number("coast_swing_best") + 3
    assert knocking.number("flutter_top3") == pytest.approx(healthy.number("flutter_top3"), abs=0.5)


def test_a_clip_without_a_run_has_none_of_it():
    samples = 0.01 * np.random.default_rng(1).normal(size=int(6 * RATE))
    found = _evidence(samples, plain_run(shaft_hz=SHAFT_HZ).clip.source)
    assert isinstance(found.values["swing_best"], Missing)
    assert isinstance(found.values["coast_flutter_best"], Missing)


@pytest.mark.parametrize("bins", [6, 20, 60])
def test_steady_noise_does_not_swing(bins):
    """Chi-square law for the mean power of a band's bins."""
    freedom = 2 * bins / 1.5
    power = np.random.default_rng(2).chisquare(freedom, (20000, 1)) / freedom
    over = 10 * np.log10(power / np.median(power))
    assert _loud(over, np.array([bins]))[0] == pytest.approx(0.0, abs=0.12)


@pytest.mark.parametrize(("share", "around"), [(0.90, 0), (0.95, 0)])
def test_steady_noise_does_not_flutter(share, around):
    """Chi-square law for blocks of 32 samples of two independent cells each."""
    energy = np.random.default_rng(2).chisquare(4, 64000) / 4
    envelope = Envelope(energy, 2000.0, 0.0, 2.0)
    found = _flutter(energy, envelope, block_s=0.016, share=share, around=around)
    assert found == pytest.approx(0.0, abs=0.12)
    assert _flutter(energy[:600], envelope, block_s=0.016, share=share) is None


def test_alone_is_what_the_neighbours_do_not_have():
    loud = np.full(20, 2.0)
    loud[9] = 7.0
    assert alone(loud)[9] == pytest.approx(5.0)
    assert alone(np.linspace(0, 3, 20))[10] == pytest.approx(0.0, abs=0.2)
