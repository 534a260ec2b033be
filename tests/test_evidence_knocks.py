"""Knocks, and the course of the run, against sounds whose blows are counted beforehand."""

import numpy as np
import pytest
from plain_run import plain_run

from quietrun.clip.types import Clip
from quietrun.dsp.frames import frames_of
from quietrun.evidence import Missing, gather
from quietrun.evidence.knocks import in_turn
from quietrun.machine import Machine
from quietrun.run import follow

RATE = 48000.0
SHAFT_HZ = 24.8


def _evidence(clip):
    frames = frames_of(clip.samples, clip.rate_hz)
    run = follow(clip, Machine(poles=4, mains_hz=50.0), frames)
    return gather(clip, run, frames, 20000.0)


def _struck(times_s, strength=0.4, ring_s=0.004):
    clip = plain_run(shaft_hz=SHAFT_HZ).clip
    samples = clip.samples.copy()
    rng = np.random.default_rng(4)
    length = int(8 * ring_s * RATE)
    blow = rng.normal(size=length) * np.exp(-np.arange(length) / (ring_s * RATE))
    for at in times_s:
        k = int(at * RATE)
        samples[k : k + length] += (strength * blow).astype(np.float32)
    return _evidence(Clip(samples, RATE, clip.source))


@pytest.fixture(scope="module")
def calm():
    return _evidence(plain_run(shaft_hz=SHAFT_HZ).clip)


def test_a_calm_run_has_next_to_no_knocks(calm):
    assert calm.number("knock_rate") < 1.0
    assert isinstance(calm.values["knock_uneven"], Missing)
    assert calm.number("knock_strength") < 2.0


def test_blows_are_counted(calm):
    found = _struck(np.arange(2.0, 6.0, 0.125))
    assert found.number("knock_rate") == pytest.approx(8.0, abs=1.0)
    assert found.number("knock_strength") > calm.number("knock_strength") + 6
    assert found.number("knock_uneven") < 0.15


def test_chance_blows_are_as_uneven_as_chance_has_it():
    rng = np.random.default_rng(9)
    times = 2.0 + np.cumsum(rng.exponential(0.12, 30))
    found = _struck(times[times < 5.9])
    assert 0.6 < found.number("knock_uneven") < 1.5


def test_one_blow_a_turn_keeps_to_one_place_of_the_turn():
    rng = np.random.default_rng(9)
    kept = _struck(2.0 + np.arange(90) / SHAFT_HZ)
    chance = _struck(2.0 + np.sort(rng.uniform(0.0, 3.8, 90)))
    assert kept.number("knock_in_turn") > 0.9
    assert chance.number("knock_in_turn") < 0.5


def test_mean_resultant_length_of_a_uniform_and_of_a_single_angle():
    """Mardia and Jupp, Directional Statistics: 1 for one angle, about 1/sqrt(n) by chance."""
    one = np.arange(200) / 25.0
    assert in_turn(one, np.ones(200), 25.0) == pytest.approx(1.0, abs=1e-9)
    even = np.arange(200) / 25.0 / 4.0  # four places of the turn, equally
    assert in_turn(even, np.ones(200), 25.0) < 0.1


def test_a_long_ring_is_longer_than_a_short_one():
    times = np.arange(2.0, 6.0, 0.2)
    short, long = _struck(times, ring_s=0.003), _struck(times, ring_s=0.02)
    assert long.number("knock_ring_ms") > short.number("knock_ring_ms") + 5


def test_knocks_of_the_start_are_told_from_those_of_the_run(calm):
    found = _struck(np.arange(1.15, 1.75, 0.05))
    assert found.number("knock_start") > calm.number("knock_start") + 5
    assert found.number("knock_start_over") > 5
    assert found.number("knock_rate") < 2.0


def test_knocks_after_the_cut(calm):
    found = _struck(np.arange(6.1, 6.9, 0.1))
    assert found.number("knock_cut_rate") == pytest.approx(8.0, abs=1.5)
    assert found.number("knock_cut_rate") > calm.number("knock_cut_rate") + 5


def test_a_hum_that_eases_after_the_start(calm):
    clip = plain_run(shaft_hz=SHAFT_HZ).clip
    t = np.arange(clip.samples.size) / RATE
    starting = 0.1 * np.sin(2 * np.pi * 100.0 * t) * ((t > 1.0) & (t < 1.7))
    louder = _evidence(Clip((clip.samples + starting).astype(np.float32), RATE, clip.source))
    assert louder.number("hum_eases") > calm.number("hum_eases") + 3


def test_a_run_that_loses_speed_and_air_noise_falls(calm):
    clip = plain_run(shaft_hz=SHAFT_HZ).clip
    t = np.arange(clip.samples.size) / RATE
    sinking = 10 ** (-np.clip((t - 2.0) / 4.0, 0, 1) * 6.0 / 20)
    found = _evidence(Clip((clip.samples * sinking).astype(np.float32), RATE, clip.source))
    assert found.number("steady_fall") == pytest.approx(6.0 * 0.75, abs=1.2)
    assert abs(calm.number("steady_fall")) < 0.5


def test_switch_clicks_are_given_as_heard_or_not(calm):
    clip = plain_run(shaft_hz=SHAFT_HZ, run_up_s=1.2).clip
    samples = clip.samples.copy()
    k = int(1.9 * RATE)
    snap = np.random.default_rng(1).normal(size=200) * np.exp(-np.arange(200) / 40)
    samples[k : k + 200] += (0.8 * snap).astype(np.float32)
    clicked = _evidence(Clip(samples, RATE, clip.source))
    assert clicked.number("open_click") > 15
    assert calm.number("open_click") == 0.0
