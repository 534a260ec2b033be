"""The small parts of ``run`` on made-up values: what follows by hand must come out."""

import numpy as np
import pytest

from quietrun.dsp.frames import frames_of
from quietrun.run import clicks, course, power, speed
from quietrun.run.course import Activity
from quietrun.run.types import CoastDown

RATE, STEP_S, BANDS = 16_000.0, 0.01, 22


def made(share, *, over_db=20.0):
    """An activity: the room at -60 dB, the machine ``over_db`` above it where the share is 1."""
    share = np.asarray(share, np.float64)
    level = -60.0 + over_db * share[:, None] * np.ones(BANDS)
    return Activity(
        time_s=STEP_S * np.arange(share.size),
        level_db=level,
        quiet_db=np.full(BANDS, -60.0),
        loud_db=np.full(BANDS, -60.0 + over_db),
        share=share,
        contrast_db=over_db,
    )


def runs(*pieces):
    """Shares in a row: (seconds, share) or (seconds, from, to)."""
    return np.concatenate(
        [np.linspace(p[1], p[-1], round(p[0] / STEP_S), endpoint=False) for p in pieces]
    )


# --- levels -----------------------------------------------------------------------------------


@pytest.mark.parametrize("frames", [1, 3, 5, 7])
def test_a_running_mean_repeats_the_ends(frames):
    x = np.array([1.0, 4.0, 9.0, 16.0, 25.0, 36.0, 49.0, 64.0])
    half = frames // 2
    padded = np.concatenate([[1.0] * half, x, [64.0] * half])
    wanted = np.convolve(padded, np.ones(frames) / frames, mode="valid")
    assert course.smooth(x[:, None], frames)[:, 0] == pytest.approx(wanted)


def band_noise(lo_hz, hi_hz, seconds, seed):
    n = int(seconds * RATE)
    spectrum = np.fft.rfft(np.random.default_rng(seed).normal(size=n))
    hz = np.fft.rfftfreq(n, 1 / RATE)
    spectrum[(hz < lo_hz) | (hz >= hi_hz)] = 0.0
    return np.fft.irfft(spectrum, n)


def test_the_contrast_is_the_mean_rise_of_the_three_clearest_bands():
    """Two of the bands rise by 30 dB and no other: 20 dB are the mean of three."""
    top = 0.45 * RATE
    edges = course.band_edges(top)
    assert (edges[0], edges[-1], edges.size) == (90.0, pytest.approx(top), BANDS + 1)
    x = 1e-3 * np.random.default_rng(1).normal(size=int(8 * RATE))
    share = np.sqrt((edges[20] - edges[18]) / (RATE / 2))
    loud = band_noise(edges[18] * 1.02, edges[20] * 0.98, 8.0, 2)
    loud *= 1e-3 * share * 10 ** (30 / 20) / loud.std()
    loud[: int(4 * RATE)] = 0.0
    frames = frames_of((x + loud).astype(np.float32), RATE)
    act = course.activity(frames, None)
    rise = np.sort(act.loud_db - act.quiet_db)
    assert rise[-2:] == pytest.approx([30.0, 30.0], abs=2.0)
    assert rise[-3] < 6.0
    assert act.contrast_db == pytest.approx(rise[-3:].mean(), abs=1e-9)
    t = act.time_s
    assert np.median(act.share[t < 3.8]) < 0.12
    assert np.median(act.share[t > 4.2]) == pytest.approx(1.0, abs=0.12)


def test_under_power_as_told_the_powered_frames_are_the_loud_ones():
    x = 1e-3 * np.random.default_rng(1).normal(size=int(6 * RATE))
    x[int(2 * RATE) : int(4 * RATE)] *= 10.0  # 20 dB
    x[int(4 * RATE) : int(6 * RATE)] *= 100.0  # 40 dB: something else
    frames = frames_of(x.astype(np.float32), RATE)
    powered = (frames.time_s > 2.2) & (frames.time_s < 3.8)
    act = course.activity(frames, powered)
    assert act.contrast_db == pytest.approx(20.0, abs=1.5)
    few = powered & (frames.time_s < 2.2 + 15 * frames.hop_s)
    assert course.activity(frames, few).contrast_db > 35.0, "too few frames to believe"


def test_silence_has_no_activity():
    act = course.activity(frames_of(np.zeros(int(2 * RATE), np.float32), RATE), None)
    assert act.contrast_db == 0.0
    assert not act.share.any()
    assert not course.room_frames(act).any()


def test_the_room_is_what_is_clear_of_all_else():
    act = made(runs((1.0, 0.0), (1.0, 1.0), (1.0, 0.0)))
    room = course.room_frames(act)
    t = act.time_s
    assert room[t < 0.84].all()
    assert not room[(t > 0.86) & (t < 2.13)].any(), "0.15 s on both sides are left out"
    assert room[t > 2.16].all()
    faint = Activity(act.time_s, act.level_db, act.quiet_db, act.loud_db, act.share, 5.9)
    assert not course.room_frames(faint).any()


def test_a_scrap_has_its_room_too():
    act = made([0.0] * 10 + [1.0] * 10)
    assert course.room_frames(act).tolist() == [True] * 10 + [False] * 10


def test_short_gaps_are_closed_and_long_ones_kept():
    assert course._closed([], 0.3) == []
    found = course._closed([(0.0, 1.0), (1.2, 2.0), (2.4, 3.0), (3.25, 3.5)], 0.3)
    assert found == [(0.0, 2.0), (2.4, 3.5)]


# --- the end ----------------------------------------------------------------------------------


def test_the_machine_has_vanished_where_it_stays_under_a_tenth():
    """Twelve frames in a row; shorter pauses do not count, and the first of the twelve does."""
    act = made(runs((1.0, 1.0), (0.10, 0.0), (0.5, 0.5), (1.0, 0.05)))
    assert course.vanished(act, 0.5) == pytest.approx(1.60, abs=1e-9)
    assert course.vanished(act, 1.9) == pytest.approx(1.90, abs=1e-9)
    twelve = made(runs((1.0, 1.0), (0.12, 0.0), (0.5, 0.5)))
    assert course.vanished(twelve, 0.5) == pytest.approx(1.0, abs=1e-9)
    eleven = made(runs((1.0, 1.0), (0.11, 0.0), (0.5, 0.5)))
    assert course.vanished(eleven, 0.5) == pytest.approx(1.60, abs=1e-9), "the clip's end"


@pytest.mark.parametrize(
    ("pieces", "heard"),
    [
        ([(1.0, 1.0), (2.0, 1.0, 0.0), (1.0, 0.0)], False),  # it came to rest
        ([(1.0, 1.0), (2.0, 1.0, 0.4)], True),  # it still falls
        ([(1.0, 1.0), (1.0, 1.0, 0.4), (1.0, 0.4, 0.8)], False),  # it rises: something else
        ([(1.0, 1.0), (1.0, 1.0, 0.5), (1.0, 0.5)], True),  # it goes on as it is
        ([(1.0, 1.0), (1.0, 1.0, 0.25), (1.0, 0.25)], False),  # as loud as a room may be
        ([(1.0, 1.0), (0.35, 0.5)], True),  # too short to see it fall
        ([(1.0, 1.0), (0.30, 0.0)], True),  # 19 frames: nothing can be told
        ([(1.0, 1.0), (0.31, 0.0)], False),  # 20 frames
    ],
)
def test_whether_it_is_heard_to_the_end(pieces, heard):
    assert course._heard_to_the_end(made(runs(*pieces)), 1.0) is heard


def test_the_hums_share_is_what_is_gone_at_once():
    """-40 dB before and -43 dB after, over a room of -60 dB, each less the room."""
    share = runs((1.0, 0.0), (2.0, 1.0), (2.0, 0.85), (1.0, 0.0))
    act = made(share)
    frames = frames_of(np.zeros(int(6 * RATE), np.float32), RATE)
    act = Activity(
        frames.time_s,
        np.repeat(np.interp(frames.time_s, act.time_s, act.level_db[:, 0])[:, None], BANDS, axis=1),
        act.quiet_db,
        act.loud_db,
        np.interp(frames.time_s, act.time_s, share),
        20.0,
    )
    stretch = course._Stretch(1.0, 3.0, 1.0, 3.0)
    wanted = 1 - (10**-4.3 - 10**-6.0) / (10**-4.0 - 10**-6.0)
    assert course._hum_share(act, frames, stretch) == pytest.approx(wanted, abs=0.01)
    assert course._hum_share(act, frames, course._Stretch(1.0, None, 1.0, 3.0)) is None
    assert course._hum_share(act, frames, course._Stretch(1.0, 5.97, 1.0, 5.97)) is None


# --- did it start? ----------------------------------------------------------------------------

HUM = course._Stretch(1.0, 4.0, 1.0, 4.0)


def test_a_hum_that_is_even_and_gone_at_once_started_nothing():
    act = made(runs((1.0, 0.0), (3.0, 1.0), (2.0, 0.0)))
    assert course._started(act, HUM, True) is False
    assert course._started(act, HUM, False) is None, "without a hum nothing is said"
    assert course._started(act, course._Stretch(None, 4.0, 1.0, 4.0), True) is None


@pytest.mark.parametrize(("early", "started"), [(0.95, False), (0.90, True), (1.1, True)])
def test_what_begins_louder_or_softer_turns(early, started):
    """20 dB over the room: 0.05 of it is 1 dB, 0.1 is 2 dB; 1.5 dB are the bound."""
    act = made(runs((1.0, 0.0), (0.6, early), (2.4, 1.0), (2.0, 0.0)))
    assert course._started(act, HUM, True) is started


def test_what_falls_silent_slowly_turns():
    slow = made(runs((1.0, 0.0), (3.0, 1.0), (2.0, 1.0, 0.0), (1.0, 0.0)))
    assert course._started(slow, HUM, True) is True
    quick = made(runs((1.0, 0.0), (3.0, 1.0), (0.2, 1.0, 0.0), (2.0, 0.0)))
    assert course._started(quick, HUM, True) is False


def test_where_too_little_is_heard_nothing_is_said():
    faint = made(runs((1.0, 0.0), (3.0, 1.0), (2.0, 0.0)), over_db=3.0)
    assert course._started(faint, HUM, True) is None
    cut = made(runs((1.0, 0.0), (3.0, 1.0), (0.4, 0.0)))
    assert course._started(cut, HUM, True) is None


@pytest.mark.parametrize(
    ("said", "z", "coast_s", "turned"),
    [
        (False, 8.1, 0.5, True),
        (False, 7.9, 0.5, False),
        (False, 8.1, 0.4, False),
        (False, None, 0.5, False),
        (False, 8.1, None, False),
        (None, 20.0, 2.0, None),
        (True, 2.0, 0.1, True),
    ],
)
def test_lines_of_a_shaft_that_ran_down_contradict_a_motor_that_did_not_start(
    said, z, coast_s, turned
):
    shaft = None if z is None else speed.Shaft(24.3, 4, z, 4.0)
    coast = None if coast_s is None else CoastDown(coast_s, None, None, None, None, 0.1)
    assert course._turned(said, shaft, coast) is turned


# --- mains lines ------------------------------------------------------------------------------


def hum(on_s, off_s, seconds=6.0, mains_hz=50.0, count=4, level=0.1):
    t = np.arange(int(seconds * RATE)) / RATE
    there = (t >= on_s) & (t < off_s)
    x = sum(level * np.sin(2 * np.pi * 2 * mains_hz * k * t + k) * there for k in range(1, count))
    x = x + 1e-4 * np.random.default_rng(5).normal(size=t.size)
    return frames_of(x.astype(np.float32), RATE)


@pytest.mark.parametrize("up", [True, False])
def test_a_step_of_the_lines_is_timed(up):
    frames = hum(2.0, 99.0) if up else hum(0.0, 2.0)
    comb = power.Comb(50.0, 15.0, (20.0, 20.0, 20.0))
    at_s, change = course.line_step(frames, comb, (1.2, 2.9), up=up)
    assert at_s == pytest.approx(2.0, abs=0.02)
    assert change == pytest.approx(1.0, abs=0.1)
    other_s, other = course.line_step(frames, comb, (1.2, 2.9), up=not up)
    assert other < 0.1, other_s


def test_only_lines_that_stand_out_are_asked():
    frames = hum(2.0, 99.0)
    middle = 0.5 * (1.2 + 2.9)
    assert course.line_step(frames, power.Comb(50.0, 5.0, (7.9,) * 3), (1.2, 2.9), up=True) == (
        middle,
        0.0,
    )
    at_s, _ = course.line_step(frames, power.Comb(50.0, 5.0, (8.1,) * 3), (1.2, 2.9), up=True)
    assert at_s == pytest.approx(2.0, abs=0.02)
    short = course.line_step(frames, power.Comb(50.0, 5.0, (20.0,)), (1.95, 2.10), up=True)
    assert short == (pytest.approx(2.025), 0.0), "0.15 s are too little"


@pytest.mark.parametrize(("nominal", "true"), [(50.0, 50.06), (50.0, 49.95), (60.0, 59.97)])
def test_the_mains_is_measured(nominal, true):
    """With six lines; fewer and lower ones are wider in hertz of the mains."""
    comb = power.find_comb(hum(0.0, 99.0, mains_hz=true, count=7), nominal)
    assert comb.mains_hz == pytest.approx(true, abs=0.04)
    assert min(comb.rises_db[:6]) > 15.0
    assert max(comb.rises_db[6:]) < 10.0
    assert comb.salience_db == pytest.approx(np.clip(comb.rises_db, 0, 20).mean(), abs=1e-9)


def test_coherence_and_level_of_a_line_by_hand():
    """A tone of amplitude 0.1 reads its analytic size; noise beside it lowers the share."""
    frames = hum(0.0, 99.0, count=2)
    share, level = power.line_tone(frames, 100.0, np.array([2.0, 3.0, 4.0]))
    assert share == pytest.approx([1.0] * 3, abs=0.01)
    away, _ = power.line_tone(frames, 110.0, np.array([2.0, 3.0, 4.0]))
    assert max(away) < 0.2, "10 Hz beside the line: five turns in 0.2 s and more cancel"
    louder = power.line_tone(hum(0.0, 99.0, count=2, level=0.2), 100.0, np.array([3.0]))[1]
    assert louder[0] - level[1] == pytest.approx(20 * np.log10(2), abs=0.05)


def test_powered_stretches_need_more_than_a_flicker():
    odds = np.concatenate([np.full(50, -2.0), np.full(100, 2.0), np.full(50, -2.0)])
    assert power.powered_stretches(odds) == [(50, 150)]
    flicker = odds.copy()
    flicker[80:83] = -2.0
    flicker[20:23] = 2.0
    assert power.powered_stretches(flicker) == [(50, 150)]
    assert power.powered_stretches(np.full(100, -1.0)) == []
    assert power.powered_stretches(np.full(100, 1.0)) == [(0, 100)]
    split = np.repeat([-2.0, 2.0, -2.0, 2.0, -2.0], [50, 100, 40, 100, 50])
    # between them 40 frames, of which each counts a fifth: 16 nats against 14
    assert power.powered_stretches(split) == [(50, 150), (190, 290)]
    assert power.powered_stretches(split, cost=17.0) == [(50, 290)]


# --- clicks -----------------------------------------------------------------------------------


def snaps(*events):
    time = 0.003 * (np.arange(1000) + 0.5)
    rise = np.zeros(1000)
    for at_s, db in events:
        rise[int(np.argmin(np.abs(time - at_s)))] = db
    return clicks.Snaps(time, rise)


def test_one_clear_click_is_found_and_two_alike_are_none():
    found = clicks.lone(snaps((1.0, 30.0)), (0.5, 2.0))
    assert found == (pytest.approx(1.0, abs=0.002), 30.0)
    assert clicks.lone(snaps((1.0, 14.9)), (0.5, 2.0)) is None
    assert clicks.lone(snaps((1.0, 15.1)), (0.5, 2.0)) is not None
    assert clicks.lone(snaps((1.0, 30.0), (1.5, 18.1)), (0.5, 2.0)) is None, "1.5 x 18.1 + 3 > 30"
    assert clicks.lone(snaps((1.0, 30.0), (1.5, 17.9)), (0.5, 2.0)) is not None
    assert clicks.lone(snaps((1.0, 30.0), (1.02, 29.0)), (0.5, 2.0)) is not None, "the same one"
    assert clicks.lone(snaps((1.0, 30.0), (1.5, 29.0)), (0.5, 1.4)) is not None, "out of it"
    assert clicks.lone(snaps((1.0, 30.0)), (0.99, 1.01)) is None, "too short a window"


def test_a_snap_is_seen_in_every_band_it_has():
    x = 1e-3 * np.random.default_rng(3).normal(size=int(3 * RATE))
    at = int(1.5 * RATE)
    x[at : at + 16] += 0.3 * np.array([1, -1] * 8)
    found = clicks.snaps_of(frames_of(x.astype(np.float32), RATE))
    best = int(np.argmax(found.rise_db))
    assert found.time_s[best] == pytest.approx(1.5, abs=0.006)
    bands = sum(hi <= 0.48 * RATE for hi in clicks._EDGES_HZ[1:])
    assert bands == 3
    assert 15.0 < found.rise_db[best] <= 15.0 * bands
    assert np.median(found.rise_db) < 1.0
    short = clicks.snaps_of(frames_of(x[: int(0.2 * RATE)].astype(np.float32), RATE))
    assert not short.rise_db.any()
