"""What happened in a run: against closed forms, and on a real grinder."""

from pathlib import Path

import numpy as np
import pytest
from plain_run import plain_run

from quietrun.clip import read_clip
from quietrun.clip.types import Clip, Source
from quietrun.dsp.frames import frames_of
from quietrun.machine import Machine
from quietrun.run import follow, power, ratio

REAL = Path(__file__).parents[2] / "shared" / "data" / "grinder" / "whole_run_50hz.wav"


def _follow(clip, machine=None):
    return follow(clip, machine or Machine(), frames_of(clip.samples, clip.rate_hz))


@pytest.mark.parametrize("rate_hz", [48000.0, 44100.0, 16000.0])
@pytest.mark.parametrize(("mains_hz", "shaft_hz"), [(50.0, 24.8), (60.0, 29.5), (50.0, 49.4)])
def test_times_and_speed_of_a_plain_run(rate_hz, mains_hz, shaft_hz):
    plain = plain_run(rate_hz=rate_hz, mains_hz=mains_hz, shaft_hz=shaft_hz)
    run = _follow(plain.clip)
    assert run.mains_hz == pytest.approx(mains_hz, abs=0.1)
    assert run.mains_measured
    assert run.power_on_s == pytest.approx(plain.on_s, abs=0.1)
    assert run.power_off_s == pytest.approx(plain.off_s, abs=0.1)
    assert run.at_speed_s == pytest.approx(plain.at_speed_s, abs=0.2)
    assert run.shaft_hz == pytest.approx(shaft_hz, rel=0.005)
    assert run.coast.duration_s == pytest.approx(plain.rest_s - plain.off_s, rel=0.1)
    assert run.others == ()


@pytest.mark.parametrize("coast_s", [0.9, 2.0, 8.0])
def test_quick_and_slow_coast_downs(coast_s):
    plain = plain_run(coast_s=coast_s, off_s=5.0, length_s=16.0)
    run = _follow(plain.clip)
    assert run.power_off_s == pytest.approx(5.0, abs=0.1)
    assert run.coast.duration_s == pytest.approx(coast_s, rel=0.12)
    # the law was built with as much windage as Coulomb drag at full speed
    assert 0.2 < run.coast.coulomb < 0.8


def test_poles_are_told_apart_by_the_odd_orders():
    assert _follow(plain_run(shaft_hz=24.8).clip).poles == 4
    assert _follow(plain_run(shaft_hz=49.4).clip).poles == 2


def test_a_clip_that_starts_while_running_has_no_switch_on():
    plain = plain_run()
    cut = plain.clip.samples[int(3.0 * 48000) :].copy()
    run = _follow(Clip(cut, 48000.0, plain.clip.source))
    assert run.power_on_s is None
    assert run.power_off_s == pytest.approx(3.0, abs=0.1)
    assert "run_up" not in run.phases


def test_a_clip_that_ends_while_running_has_no_switch_off():
    plain = plain_run()
    cut = plain.clip.samples[: int(5.0 * 48000)].copy()
    run = _follow(Clip(cut, 48000.0, plain.clip.source))
    assert run.power_on_s == pytest.approx(1.0, abs=0.1)
    assert run.power_off_s is None
    assert run.coast is None
    assert "coast_down" not in run.phases


def test_two_runs_are_both_found():
    one = plain_run(off_s=4.0, coast_s=1.5, length_s=7.0)
    two = plain_run(off_s=5.5, coast_s=1.5, length_s=9.0, seed=4)
    both = np.concatenate([one.clip.samples, two.clip.samples])
    run = _follow(Clip(both, 48000.0, one.clip.source))
    assert run.power_on_s == pytest.approx(8.0, abs=0.1)
    assert run.power_off_s == pytest.approx(12.5, abs=0.1)
    assert len(run.others) == 1
    assert run.others[0] == pytest.approx((1.0, 4.0), abs=0.15)


def test_times_are_of_the_file_not_of_the_part_that_was_kept():
    plain = plain_run()
    clip = Clip(plain.clip.samples.copy(), 48000.0, plain.clip.source, start_s=100.0)
    run = _follow(clip)
    assert run.power_on_s == pytest.approx(101.0, abs=0.1)
    assert run.phases["steady"][0] > 101.0


def test_noise_alone_is_no_run():
    noise = np.random.default_rng(5).normal(0, 0.02, 480000).astype(np.float32)
    run = _follow(Clip(noise, 48000.0, Source("n", None, None, None, "", 1, 0, 10.0)))
    assert run.power_on_s is None
    assert run.power_off_s is None
    assert run.shaft_hz is None


def test_coherence_of_noise_is_as_the_log_odds_assume():
    """The two constants of the not-powered law, simulated."""
    rng = np.random.default_rng(0)
    logits = []
    for i in range(6):
        frames = frames_of(rng.normal(0, 0.1, 480000).astype(np.float32), 48000.0)
        share = power.coherence(frames, 100.0 + 37 * i, np.arange(0.3, 9.7, 0.02))
        held = np.clip(share, 0.02, 0.99)
        logits.append(np.log(held / (1 - held)))
    found = np.concatenate(logits)
    assert found.mean() == pytest.approx(-1.7, abs=0.25)
    assert found.std() == pytest.approx(1.25, abs=0.25)


def test_coherence_of_a_tone_is_one():
    t = np.arange(480000) / 48000.0
    x = np.sin(2 * np.pi * 100.0 * t).astype(np.float32)
    share = power.coherence(frames_of(x, 48000.0), 100.0, np.arange(1.0, 9.0, 0.1))
    assert share.min() > 0.99


@pytest.mark.parametrize("drag", [(1.0, 0.0, 0.0), (0.3, 0.0, 0.7), (0.4, 0.6, 0.0)])
def test_drag_is_found_again_from_its_own_curve(drag):
    tau, w = ratio.motion_curves((drag,), points=400)
    time = np.linspace(0, 0.95, 120) * 5.0
    share = np.interp(time / 5.0, tau[0], w)
    found, stop = ratio.fit_drag_shares(time, share)
    assert stop == pytest.approx(5.0, rel=0.03)
    assert found == pytest.approx(drag, abs=0.12)


@pytest.mark.skipif(not REAL.exists(), reason="needs ../shared/data (real recordings)")
def test_a_real_grinder():
    """A household grinder on 50 Hz, measured by hand: see the recordings' index."""
    clip = read_clip(REAL)
    run = _follow(clip)
    assert run.mains_hz == pytest.approx(50.0, abs=0.2)
    assert run.power_on_s == pytest.approx(0.60, abs=0.06)
    assert 4.28 <= run.power_off_s <= 4.38
    assert 5.0 <= run.rest_s <= 5.6
    assert run.shaft_hz is None  # no induction motor: nothing may be claimed
    share = np.interp([4.33, 4.39], run.track.time_s, run.track.share)
    # 454 Hz in the steady run; 442 and 398 Hz read off by hand
    assert share[0] * 454 == pytest.approx(442, rel=0.04)
    assert share[1] * 454 == pytest.approx(398, rel=0.04)
