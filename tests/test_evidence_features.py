"""Features against sounds built from closed forms: each answers to its cause, not to gain."""

import math

import numpy as np
import pytest
from plain_run import plain_run

from quietrun.clip.types import Clip, Source
from quietrun.dsp.frames import frames_of
from quietrun.evidence import BY_NAME, CATALOGUE, FAMILIES, Missing, gather
from quietrun.evidence.modulation import _rough, _spiky
from quietrun.evidence.scene import noise_levels
from quietrun.machine import Machine
from quietrun.run import follow

RATE = 48000.0
OFF_S, COAST_S, SHAFT_HZ = 6.0, 4.0, 24.8


def _share(t):
    up = np.clip((t - 1.0) / 0.8, 0, 1)
    down = np.tan(np.clip(np.pi / 4 * (1 - (t - OFF_S) / COAST_S), 0, None))
    return np.where(t < OFF_S, up, down)


def _with(extra):
    """Evidence of a plain run with a further sound: ``extra(t, share, angle_in_turns, noise)``."""
    plain = plain_run(shaft_hz=SHAFT_HZ, off_s=OFF_S, coast_s=COAST_S)
    t = np.arange(plain.clip.samples.size) / RATE
    share = _share(t)
    angle = np.cumsum(share) * SHAFT_HZ / RATE
    noise = np.random.default_rng(8).normal(size=t.size)
    added = 0.02 * extra(t, share, angle, noise)
    clip = Clip((plain.clip.samples + added).astype(np.float32), RATE, plain.clip.source)
    return _evidence(clip)


def _evidence(clip):
    frames = frames_of(clip.samples, clip.rate_hz)
    run = follow(clip, Machine(poles=4, mains_hz=50.0), frames)
    return gather(clip, run, frames, 20000.0)


@pytest.fixture(scope="module")
def healthy():
    return _evidence(plain_run(shaft_hz=SHAFT_HZ, off_s=OFF_S, coast_s=COAST_S).clip)


def test_the_catalogue_is_whole():
    assert len({feature.name for feature in CATALOGUE}) == len(CATALOGUE)
    assert set(FAMILIES) >= {
        "power_cut",
        "speed_exponent",
        "orders",
        "synchronous",
        "impacts",
        "tones",
        "shape",
        "times",
    }
    for feature in CATALOGUE:
        assert feature.says.endswith((".", ").")), feature.name
        assert feature.source, feature.name
        assert feature.worse in (-1, 0, 1)
        assert BY_NAME[feature.name] is feature


def test_every_row_is_a_finite_number_or_a_reason(healthy):
    assert set(healthy.values) == set(BY_NAME)
    numbers = [v for v in healthy.values.values() if not isinstance(v, Missing)]
    assert all(math.isfinite(v) for v in numbers)
    assert len(numbers) > 0.9 * len(CATALOGUE)
    assert all(v.because for v in healthy.values.values() if isinstance(v, Missing))


def test_a_scrape_once_a_turn_is_heard_as_once_a_turn(healthy):
    scraped = _with(lambda t, w, a, n: 3 * n * (np.mod(a, 1) < 0.12) * np.sqrt(w) * (w > 0.02))
    assert scraped.number("turn_comb_best") > healthy.number("turn_comb_best") + 5
    assert scraped.number("turn_once_best") > 10
    assert scraped.number("coast_turn_best") > healthy.number("coast_turn_best") + 2
    assert scraped.number("off_over_turn") < healthy.number("off_over_turn")


def test_a_race_defect_repeats_beside_the_turn(healthy):
    order = 3.053  # outer race of the common 203 geometry, handbook table

    def defect(t, w, a, n):
        return 4 * n * np.exp(-np.mod(a * order, 1) / 0.08) * w * (w > 0.02)

    damaged = _with(defect)
    assert damaged.number("off_turn_best") > healthy.number("off_turn_best") + 8
    assert damaged.number("off_over_turn") > healthy.number("off_over_turn") + 3


def test_a_noise_that_stops_with_the_shaft_does_not_fade_like_air(healthy):
    rubbing = _with(lambda t, w, a, n: 2 * n * (w > 0.05) * np.sqrt(np.clip(w, 0, 1)))
    assert rubbing.number("end_over_most") > healthy.number("end_over_most") + 4
    assert rubbing.number("hold_three") > healthy.number("hold_three") + 2
    assert rubbing.number("exponent_most") < healthy.number("exponent_most")


def test_clatter_in_the_run_up_alone_is_heard_in_the_run_up(healthy):
    def clatter(t, w, a, n):
        knocks = np.zeros(t.size)
        rng = np.random.default_rng(2)
        for at in rng.uniform(1.05, 1.7, 30):
            k = int(at * RATE)
            knocks[k : k + 480] += 20 * n[k : k + 480] * np.exp(-np.arange(480) / 90)
        return knocks

    rattling = _with(clatter)
    assert rattling.number("start_spiky_best") > healthy.number("start_spiky_best") + 5
    assert rattling.number("spiky_best") == pytest.approx(healthy.number("spiky_best"), abs=1.0)


def test_a_high_tone_stands_out(healthy):
    squeal = _with(lambda t, w, a, n: 2 * np.sin(2 * np.pi * 4100 * t) * (w > 0.05))
    assert squeal.number("tone_best") > healthy.number("tone_best") + 8
    assert squeal.number("tone_coast_fixed") > healthy.number("tone_coast_fixed") + 8


@pytest.mark.parametrize("gain_db", [-20.0, 6.0])
def test_gain_changes_no_feature(healthy, gain_db):
    """But for what float32 rounds: the coast-down may be cut into turns one sample elsewhere."""
    clip = plain_run(shaft_hz=SHAFT_HZ, off_s=OFF_S, coast_s=COAST_S).clip
    louder = _evidence(Clip(clip.samples * np.float32(10 ** (gain_db / 20)), RATE, clip.source))
    for name in BY_NAME:
        one, two = healthy.number(name), louder.number(name)
        assert (one is None) == (two is None), name
        if one is not None:
            cut = name.startswith(("coast_turn", "coast_off"))
            most_db = 0.15 + 0.04 * abs(one) if cut else 0.05 + 0.01 * abs(one)
            assert two == pytest.approx(one, abs=most_db), name


@pytest.mark.parametrize("cells", [1.0, 4.0, 16.0])
def test_steady_noise_is_neither_rough_nor_spiky(cells):
    """Chi-square law: 0 dB, for envelopes averaged over any number of independent cells."""
    rng = np.random.default_rng(4)
    x = rng.chisquare(2 * cells, 20000) / (2 * cells)
    assert _rough(x, cells) == pytest.approx(0.0, abs=0.4)
    assert _spiky(x, cells) == pytest.approx(0.0, abs=0.5)


def test_noise_levels_pass_over_tones():
    rng = np.random.default_rng(6)
    noise = 0.01 * rng.normal(size=240000)
    t = np.arange(240000) / RATE
    tone = sum(0.02 * np.sin(2 * np.pi * f * t) for f in (1500.0, 2100.0, 3000.0))
    _, without = noise_levels(frames_of(noise.astype(np.float32), RATE))
    _, with_tones = noise_levels(frames_of((noise + tone).astype(np.float32), RATE))
    change = 10 * np.log10(np.median(with_tones, axis=0) / np.median(without, axis=0))
    assert np.abs(change[5:8]).max() < 1.5


def test_what_the_recording_does_not_reach_is_missing():
    clip = plain_run(rate_hz=8000.0, shaft_hz=SHAFT_HZ, orders=(1, 2, 7, 14, 21)).clip
    frames = frames_of(clip.samples, 8000.0)
    found = gather(clip, follow(clip, Machine(), frames), frames, 3800.0)
    assert isinstance(found.values["spiky_high"], Missing)
    assert found.number("spiky_low") is not None


def test_silence_gives_reasons_not_numbers():
    silent = Clip(np.zeros(480000, np.float32), RATE, Source("s", None, None, None, "", 1, 0, 10.0))
    found = _evidence(silent)
    assert all(isinstance(v, Missing) for v in found.values.values())


def test_a_whine_that_falls_with_the_speed_is_told_from_a_ring_that_does_not(healthy):
    def whine(t, w, a, n):
        return 2 * np.sin(2 * np.pi * 131 * a) * (w > 0.05)

    def ring(t, w, a, n):
        return 2 * np.sin(2 * np.pi * 3249 * t) * (w > 0.05)

    falling, fixed = _with(whine), _with(ring)
    assert falling.number("tone_follows") > healthy.number("tone_follows") + 6
    assert falling.number("tone_follows") > fixed.number("tone_follows") + 4
    assert fixed.number("tone_coast_fixed") > falling.number("tone_coast_fixed") + 4
