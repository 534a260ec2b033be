"""Times of a run are those of the file, also where only a later part of it was kept."""

from dataclasses import fields, replace

import numpy as np
import pytest
from plain_run import plain_run

from quietrun.dsp.frames import frames_of
from quietrun.fitness import assess
from quietrun.machine import Machine
from quietrun.run import follow

LATER_S = 7.5


@pytest.fixture(scope="module")
def both():
    clip = plain_run().clip
    later = replace(clip, start_s=LATER_S)
    frames = frames_of(clip.samples, clip.rate_hz)
    return tuple((one, follow(one, Machine(), frames), frames) for one in (clip, later))


def moved(value):
    return None if value is None else value + LATER_S


def test_every_time_moves_with_the_part_that_was_kept(both):
    (_, first, _), (_, second, _) = both
    for name in ("power_on_s", "at_speed_s", "power_off_s", "rest_s"):
        value = getattr(first, name)
        assert value is not None, name
        assert getattr(second, name) == pytest.approx(moved(value)), name
    assert first.phases.keys() == second.phases.keys()
    for phase, span in first.phases.items():
        assert second.phases[phase] == pytest.approx([moved(t) for t in span]), phase
    for name in ("track", "up_track"):
        one, two = getattr(first, name), getattr(second, name)
        assert (one is None) == (two is None)
        if one is not None:
            assert two.time_s == pytest.approx(one.time_s + LATER_S)
            assert two.share == pytest.approx(one.share)
    for name in ("switch_open", "switch_close"):
        one, two = getattr(first, name), getattr(second, name)
        assert (one is None) == (two is None)
        if one is not None:
            assert two.time_s == pytest.approx(one.time_s + LATER_S)
    assert second.others == pytest.approx([tuple(map(moved, s)) for s in first.others])


def test_nothing_else_does(both):
    (_, first, _), (_, second, _) = both
    still = {f.name for f in fields(first)} - {
        *("power_on_s", "at_speed_s", "power_off_s", "rest_s", "phases", "others"),
        *("track", "up_track", "switch_open", "switch_close", "coast"),
    }
    for name in still:
        assert getattr(first, name) == getattr(second, name), name
    for part in fields(first.coast):
        one, two = getattr(first.coast, part.name), getattr(second.coast, part.name)
        assert one == two, part.name  # durations, not moments


def test_nor_does_what_the_clip_is_fit_for(both):
    (clip, first, frames), (later, second, _) = both
    one, two = assess(clip, first, frames), assess(later, second, frames)
    assert one.codes == two.codes
    assert one.bandwidth_hz == two.bandwidth_hz
    assert one.room_snr_db == pytest.approx(two.room_snr_db)


def test_frames_lie_within_the_clip(both):
    (clip, first, frames), _ = both
    assert frames.time_s[0] >= 0.0
    assert frames.time_s[-1] <= clip.duration_s
    assert np.isfinite(first.power_on_s)
