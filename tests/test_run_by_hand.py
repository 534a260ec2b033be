"""A shaft spun by hand, and the room's own hum beside a machine's."""

import numpy as np
import pytest
from plain_run import plain_run

from quietrun.clip.types import Clip, Source
from quietrun.dsp.frames import frames_of
from quietrun.evidence import Missing, gather
from quietrun.machine import Machine
from quietrun.run import follow

RATE = 48000.0


def _clip(samples):
    source = Source("made", None, None, None, "", 1, 0, samples.size / RATE)
    return Clip(samples.astype(np.float32), RATE, source)


def _spin(push_s=1.5, free_s=4.0, length_s=8.0, ticks=False):
    rng = np.random.default_rng(7)
    t = np.arange(int(length_s * RATE)) / RATE
    share = np.clip(1 - (t - push_s) / free_s, 0, 1) * (t >= push_s)
    sound = 0.03 * share**1.5 * rng.normal(size=t.size)
    if ticks:
        angle = np.cumsum(share) * 5.0 / RATE
        sound += 0.2 * rng.normal(size=t.size) * (np.mod(angle, 1) < 0.02) * (share > 0.05)
    return _clip(sound + 0.0005 * rng.normal(size=t.size))


def _follow(clip, stage="hand_spin"):
    frames = frames_of(clip.samples, clip.rate_hz)
    return follow(clip, Machine(stage=stage), frames), frames


def test_the_push_and_the_free_run_are_found():
    run, _ = _follow(_spin())
    assert run.phases["room"][1] == pytest.approx(1.5, abs=0.1)
    assert run.phases["coast_down"][1] == pytest.approx(5.2, abs=0.5)
    assert 3.0 < run.coast.duration_s < 4.2
    assert run.power_on_s is None
    assert run.shaft_hz is None


def test_a_quiet_room_is_no_spin():
    rng = np.random.default_rng(3)
    run, _ = _follow(_clip(0.001 * rng.normal(size=int(6 * RATE))))
    assert run.coast is None
    assert any("turning" in line for line in run.not_heard)


def test_evidence_of_a_spin_is_measured_where_it_can_be():
    clean, frames = _follow(_spin())
    ticking, ticked = _follow(_spin(ticks=True))
    one = gather(_spin(), clean, frames, 20000.0)
    two = gather(_spin(ticks=True), ticking, ticked, 20000.0)
    assert two.number("knock_coast_rate") > one.number("knock_coast_rate") + 2
    assert two.number("spiky_best") > one.number("spiky_best") + 5
    assert isinstance(one.values["turn_comb_best"], Missing)
    assert isinstance(one.values["run_up_s"], Missing)


def _with_refrigerator(level):
    """The plain machine with the room's own hum on the same mains, before, during and after."""
    plain = plain_run()
    t = np.arange(plain.clip.samples.size) / RATE
    fridge = sum(np.sin(2 * np.pi * 100.0 * k * t + k) / k for k in (1, 2, 3))
    return plain, _clip(plain.clip.samples + level * fridge)


@pytest.mark.parametrize("level", [0.0005, 0.002])
def test_a_refrigerator_on_the_same_mains_is_not_the_machine(level):
    plain, clip = _with_refrigerator(level)
    run, _ = _follow(clip, "assembled")
    assert run.power_on_s == pytest.approx(plain.on_s, abs=0.1)
    assert run.power_off_s == pytest.approx(plain.off_s, abs=0.1)


def test_of_two_like_runs_the_first_is_judged_and_the_other_named():
    plain = plain_run()
    both = np.concatenate([plain.clip.samples, plain.clip.samples])
    run, _ = _follow(_clip(both), "assembled")
    assert run.power_on_s == pytest.approx(plain.on_s, abs=0.1)
    assert len(run.others) == 1
    assert run.others[0][0] == pytest.approx(12.0 + plain.on_s, abs=0.2)


@pytest.mark.parametrize("bump_s", [0.3, 0.6])
def test_a_bump_before_the_start_is_not_the_start(bump_s):
    plain = plain_run()
    samples = plain.clip.samples.copy()
    k = int(bump_s * RATE)
    rng = np.random.default_rng(2)
    samples[k : k + 4800] += (0.3 * rng.normal(size=4800) * np.exp(-np.arange(4800) / 900)).astype(
        np.float32
    )
    run, _ = _follow(_clip(samples), "assembled")
    assert run.power_on_s == pytest.approx(plain.on_s, abs=0.1)


def test_switch_clicks_are_heard_and_knocks_are_not_taken_for_them():
    plain = plain_run(run_up_s=1.2)
    rng = np.random.default_rng(5)
    snap = 0.6 * rng.normal(size=240) * np.exp(-np.arange(240) / 50)

    def with_snaps(times):
        samples = plain.clip.samples.copy()
        for at in times:
            k = int(at * RATE)
            samples[k : k + 240] += snap.astype(np.float32)
        return _follow(_clip(samples), "assembled")[0]

    run = with_snaps([1.9, 7.8])
    assert run.switch_open.time_s == pytest.approx(1.9, abs=0.02)
    assert run.switch_close.time_s == pytest.approx(7.8, abs=0.02)
    rattling = with_snaps(np.arange(1.2, 9.0, 0.21))
    assert rattling.switch_open is None
    assert rattling.switch_close is None


@pytest.mark.parametrize("part", [0.1, 0.3, 0.5])
def test_a_clip_that_ends_in_the_run_down_says_so(part):
    plain = plain_run()
    cut = int((plain.off_s + part * (plain.rest_s - plain.off_s)) * RATE)
    run, _ = _follow(_clip(plain.clip.samples[:cut]), "assembled")
    assert run.ends_turning
    whole, _ = _follow(_clip(plain.clip.samples), "assembled")
    assert not whole.ends_turning
