"""When stretches of hum are one run: by what the rest of the machine does in between."""

import numpy as np
import pytest

from quietrun.dsp.frames import frames_of
from quietrun.run import course
from quietrun.run.course import Activity

STEP_S = 0.01


def activity_of(*pieces):
    """An activity of (seconds, share) pieces, 20 dB over the room where the share is 1."""
    share = np.concatenate([np.full(round(span / STEP_S), value) for span, value in pieces])
    level = np.tile((-60.0 + 20.0 * share)[:, None], (1, 22))
    ends = np.full(22, -60.0), np.full(22, -40.0)
    return Activity(STEP_S * np.arange(share.size), level, *ends, share, 20.0)


TWO = [(1.0, 2.0), (3.0, 4.0)]


@pytest.mark.parametrize(
    ("before", "between", "behind", "one"),
    [
        (1.0, 1.0, 1.0, True),  # the hum was only covered
        (1.0, 0.51, 1.0, False),  # softer in between: it had no power
        (0.5, 0.49, 0.49, False),  # hardly there at all
        (0.55, 0.51, 0.51, True),
        (0.57, 0.51, 0.51, False),  # softer by more than 0.05
        (0.9, 0.9, 0.99, True),
        (0.9, 0.9, 1.01, False),  # louder behind: it started again
    ],
)
def test_the_hum_of_one_run(before, between, behind, one):
    act = activity_of((1.0, 0.0), (1.0, before), (1.0, between), (1.0, behind), (1.0, 0.0))
    found = course._one_run(act, TWO)
    assert found == ([(1.0, 4.0)] if one else TWO)


@pytest.mark.parametrize(("apart_s", "one"), [(2.9, True), (3.1, False)])
def test_what_is_three_seconds_apart_is_not_one(apart_s, one):
    act = activity_of((9.0, 1.0))
    both = [(1.0, 2.0), (2.0 + apart_s, 7.0)]
    assert course._one_run(act, both) == ([(1.0, 7.0)] if one else both)


def test_three_in_a_row_are_one_and_none_is_none():
    act = activity_of((9.0, 1.0))
    assert course._one_run(act, [(1.0, 2.0), (3.0, 4.0), (5.0, 6.0)]) == [(1.0, 6.0)]
    assert course._one_run(act, []) == []


def test_a_scrap_of_a_gap_tells_nothing():
    """Fewer than four frames are no share: 0, so nothing is joined over them."""
    act = activity_of((9.0, 1.0))
    early = [(0.0, 0.01), (0.03, 4.0)]
    assert course._one_run(act, early) == early


@pytest.mark.parametrize(
    ("time_s", "frame"), [(-5.0, 0), (0.0, 0), (0.5, 50), (0.504, 50), (1e9, 98)]
)
def test_the_frame_at_a_time_is_one_that_is_there(time_s, frame):
    frames = frames_of(np.zeros(16_000, np.float32), 16_000.0)
    assert frames.hop_s == pytest.approx(0.01)
    wanted = frame if frame in (0, 98) else round((time_s - frames.time_s[0]) / frames.hop_s)
    found = frames.frame_at(time_s)
    assert found == min(wanted, frames.time_s.size - 1)
    assert abs(frames.time_s[found] - np.clip(time_s, *frames.time_s[[0, -1]])) <= 0.0051
