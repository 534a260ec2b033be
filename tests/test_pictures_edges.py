"""Pictures of what is only partly there: nothing is drawn that was not found."""

from types import SimpleNamespace

import numpy as np
import pytest

from quietrun.dsp.frames import frames_of
from quietrun.evidence.scene import BANDS, Envelope
from quietrun.exhibits import gather, pictures
from quietrun.machine import Machine
from quietrun.run import Run
from quietrun.run.types import CoastDown, SpeedTrack

RATE = 2000.0


def track(points):
    time_s = np.linspace(5.0, 8.0, points)
    return SpeedTrack(time_s, np.linspace(1.0, 0.0, points), np.ones(points))


COAST = CoastDown(3.0, 0.2, 0.3, 0.5, 1.0, 0.9)


@pytest.mark.parametrize(
    "more",
    [
        {},
        {"track": track(50)},
        {"track": track(50), "coast": COAST},
        {"track": track(3), "coast": COAST, "power_off_s": 5.0},  # the last share is 0
        {"track": track(50), "coast": COAST, "power_off_s": 9.0},
    ],
)
def test_a_coast_down_that_cannot_be_drawn(more):
    assert pictures.coast_of(Run(**more)) is None


def test_a_coast_down_without_its_shares_has_no_law():
    plain = CoastDown(3.0, None, None, None, 1.0, 0.9)
    drawn = pictures.coast_of(Run(track=track(50), coast=plain, power_off_s=5.0))
    assert drawn.drag is None
    assert drawn.fit_time_s is None
    whole = pictures.coast_of(Run(track=track(50), coast=COAST, power_off_s=5.0))
    assert whole.drag == (0.2, 0.3, 0.5)
    assert whole.fit_time_s is not None
    assert whole.time_s[0] == 0.0


def clip_of(samples, rate_hz=16_000.0):
    samples = samples.astype(np.float32)
    clip = SimpleNamespace(rate_hz=rate_hz, start_s=0.0, duration_s=samples.size / rate_hz)
    return clip, frames_of(samples, rate_hz)


@pytest.mark.parametrize(
    ("phases", "told"),
    [({}, False), ({"steady": (1.0, 1.05)}, False), ({"steady": (0.5, 2.5)}, True)],
)
def test_the_tone_that_falls_with_the_speed(phases, told):
    """The louder one is a line of the mains, where these are known."""
    t = np.arange(48_000) / 16_000
    wave = 0.1 * np.sin(2 * np.pi * 1234.0 * t) + 0.3 * np.sin(2 * np.pi * 800.0 * t)
    clip, frames = clip_of(wave + 1e-3 * np.random.default_rng(1).standard_normal(t.size))
    for mains_hz, tone_hz in ((None, 800.0), (50.0, 1234.0)):
        found = pictures._falling_tone(clip, Run(phases=phases, mains_hz=mains_hz), frames)
        assert (found is not None) is told
        if told:
            assert found == pytest.approx(tone_hz, abs=frames.freqs_hz[1])


def scene_of(envelopes, *, shaft_hz=25.0, mains_hz=50.0, span=(0.0, 4.0), claimed=True):
    return SimpleNamespace(
        spans={"steady": span},
        shaft_hz=shaft_hz,
        mains_hz=mains_hz,
        envelopes=envelopes,
        run=Run(shaft_hz=shaft_hz if claimed else None),
    )


def beat(*orders, seconds=4.0, depth=0.3, seed=0):
    t = np.arange(round(seconds * RATE)) / RATE
    noise = 0.05 * np.random.default_rng(seed).standard_normal(t.size)
    wave = 1.0 + sum(depth * np.cos(2 * np.pi * 25.0 * k * t) for k in orders) + noise
    return Envelope(wave, RATE, 0.0, 4.0)


def picture(envelopes, machine=None, **more):
    return pictures.envelope_of(scene_of(envelopes, **more), machine or Machine())


def test_the_band_in_which_most_repeats_is_shown():
    plain, loud = beat(seed=1), beat(1, 2, 3)
    drawn = picture((plain, None, loud, plain))
    assert drawn.band_hz == BANDS[2]
    assert drawn.certain
    assert drawn.order[np.argmax(drawn.rise_db)] == pytest.approx(1.0, abs=1.1)
    assert not picture((plain, loud), claimed=False).certain


@pytest.mark.parametrize(
    "more",
    [{"shaft_hz": None}, {"span": (0.0, 0.99)}, {"shaft_hz": 900.0}],
)
def test_without_a_speed_or_a_run_nothing_repeats(more):
    assert picture((beat(1),), **more) is None
    assert picture((None, None)) is None


def test_lines_of_the_mains_are_marked_where_they_are_known():
    kinds = {mark.kind for mark in picture((beat(1),)).marks}
    assert "mains" in kinds
    assert "mains" not in {mark.kind for mark in picture((beat(1),), mains_hz=None).marks}


@pytest.mark.parametrize(("orders", "base"), [((3.6,), 3.6), ((2.4, 4.8, 7.2), 2.4), ((), None)])
def test_a_series_beside_the_turn_is_named_by_its_fundamental(orders, base):
    marks = [m for m in picture((beat(*orders),)).marks if m.kind == "series"]
    if base is None:
        assert marks == []
        return
    assert marks[0].order == pytest.approx(base, abs=0.03)
    assert [round(m.order / marks[0].order, 2) for m in marks] == [1.0, 2.0, 3.0][: len(marks)]


def test_nothing_beside_the_turn_in_a_short_axis():
    order = np.array([0.0, 0.5, 1.0])
    assert pictures._series(order, np.zeros(3), scene_of(())) == []


def test_a_clip_of_nothing_has_no_sound_to_play():
    clip = SimpleNamespace(samples=np.zeros(100, np.float32), rate_hz=16_000.0, duration_s=0.006)
    assert gather._whole(clip) is None
