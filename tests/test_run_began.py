"""Switch-on told from what comes before it, and a louder start from a run, on made-up values."""

import numpy as np
import pytest

from quietrun.dsp.frames import frames_of
from quietrun.run import course, cut, power
from quietrun.run.course import Activity

RATE, STEP_S, BANDS = 16_000.0, 0.01, 22
COMB = power.Comb(50.0, 15.0, (20.0, 20.0, 20.0))


def levels(*pieces, quiet_db=-60.0, loud_db=-30.0, spread_db=0.3):
    """An activity from (seconds, dB) in a row, all bands alike but for a little noise."""
    db = np.concatenate([np.full(round(s / STEP_S), d) for s, d in pieces])
    rng = np.random.default_rng(3)
    level = db[:, None] + spread_db * rng.normal(size=(db.size, BANDS))
    share = np.clip((db - quiet_db) / (loud_db - quiet_db), 0.0, 1.2)
    return Activity(
        STEP_S * np.arange(db.size),
        level,
        np.full(BANDS, quiet_db),
        np.full(BANDS, loud_db),
        share,
        loud_db - quiet_db,
    )


def hum(*pieces, mains_hz=50.0):
    """Three mains lines whose size is told by (seconds, size), over a little noise."""
    size = np.concatenate([np.full(int(s * RATE), a) for s, a in pieces])
    t = np.arange(size.size) / RATE
    x = sum(size * np.sin(4 * np.pi * mains_hz * k * t + k) for k in (1, 2, 3))
    return frames_of((x + 1e-4 * np.random.default_rng(5).normal(size=t.size)).astype("f4"), RATE)


# --- the room before a run ----------------------------------------------------------------------


def test_a_loud_room_is_the_room_up_to_a_third_of_the_way_to_the_jump():
    """No quiet room, a third as loud as the machine in dB, yet nothing but room before 3 s."""
    act = levels((3.0, -50.0), (4.0, -30.0), (2.0, -60.0))
    assert not course.room_frames(act)[act.time_s < 3.0].any()
    room = course.room_before(act)
    assert room[act.time_s < 0.95].all()
    assert not room[act.time_s > 1.05].any()


@pytest.mark.parametrize(
    "pieces",
    [
        [(3.0, -30.0), (4.0, -60.0)],  # runs from the first sample on
        [(3.0, -60.0), (0.8, -30.0), (4.0, -60.0)],  # too short for a run
    ],
)
def test_without_a_jump_into_a_run_nothing_is_known_of_the_room(pieces):
    assert not course.room_before(levels(*pieces)).any()


def test_a_rise_that_takes_its_time_is_no_jump():
    ramp = [(0.05, -60.0 + 0.25 * k) for k in range(120)]
    act = levels((1.0, -60.0), *ramp, (3.0, -30.0))
    assert not course.room_before(act).any()


# --- switch-on ----------------------------------------------------------------------------------


def test_two_windows_find_the_same_step_as_one_each():
    frames = hum((2.0, 0.0), (2.0, 0.1))
    windows = ((1.7, 2.2), (1.5, 2.5))
    both = course.line_steps(frames, COMB, windows, up=True)
    assert both == [course.line_step(frames, COMB, window, up=True) for window in windows]
    assert [step for step, _ in both] == pytest.approx([2.0, 2.0], abs=0.02)
    short = course.line_steps(frames, COMB, ((1.95, 2.05), (1.5, 2.5)), up=True)
    assert short == [(2.0, 0.0), both[1]]


def test_the_whole_of_the_hum_at_once_outweighs_what_was_said_before():
    """A word at 1 s, the lines and the sound at 2 s."""
    act = levels((1.0, -60.0), (1.0, -50.0), (3.0, -30.0))
    steps = [(2.0, 0.9), (2.01, 0.8)]
    assert course._clear_step(act, steps, 1.0) == 2.0


@pytest.mark.parametrize(
    ("steps", "onset_s"),
    [
        ([(2.0, 0.9), (2.2, 0.8)], 1.0),  # the windows disagree
        ([(2.0, 0.9), (2.0, 0.8)], 1.99),  # no later than the guess
        ([(2.0, 0.4), (2.0, 0.4)], 1.0),  # not half of the hum
        ([(2.0, 0.6), (2.0, 0.6)], 1.0),  # not the whole, and the guess jumps too
        ([(3.0, 0.9), (3.0, 0.9)], 1.0),  # the sound does not rise with the lines
        ([(0.12, 0.9), (0.12, 0.9)], 0.0),  # the clip begins there
    ],
)
def test_a_step_that_is_not_clear_leaves_the_guess(steps, onset_s):
    act = levels((1.0, -60.0), (1.0, -50.0), (3.0, -30.0))
    assert course._clear_step(act, steps, onset_s) is None


def test_half_of_the_hum_is_enough_where_the_guess_does_not_jump():
    act = levels((2.0, -60.0), (3.0, -30.0))
    assert course._clear_step(act, [(2.0, 0.6), (2.0, 0.6)], 1.0) == 2.0


def test_lines_that_rise_just_before_the_sound_are_the_switch_on():
    frames = hum((2.0, 0.0), (2.0, 0.1))
    assert course._earlier_step(frames, COMB, 2.15) == pytest.approx(2.0, abs=0.02)
    assert course._earlier_step(frames, COMB, 1.9) == 1.9, "they rise later"
    assert course._earlier_step(frames, COMB, 3.4) == 3.4, "they rose long before"
    assert course._earlier_step(frames, COMB, 0.1) == 0.1, "the clip begins there"


def test_the_clearest_jump_is_the_one_that_stays():
    """Two tenths of a clatter are louder than the machine, but are gone."""
    act = levels((1.0, -60.0), (0.2, -20.0), (0.8, -60.0), (3.0, -35.0))
    assert course._clearest_jump(act, 3.0) == pytest.approx(2.0, abs=0.03)
    assert course._clearest_jump(act, 1.5) is None
    assert course._clearest_jump(act, 0.1) is None, "too little comes before"
    assert course._clearest_jump(levels((1.0, -60.0), (2.0, -53.0)), 2.0) is None, "7 dB"
    assert course._clearest_jump(levels((0.3, -60.0)), 2.0) is None, "nothing comes after"


def test_a_hum_that_begins_while_the_machine_runs_down_is_no_run():
    act = levels((1.0, -60.0), (8.0, -30.0), (2.0, -60.0))
    first = course._Stretch(1.0, 4.0, 1.0, 4.0)
    hums = course._Stretch(5.0, 8.0, 5.0, 8.0)
    assert course._starts(act, [first, hums]) == [first]
    louder = levels((1.0, -60.0), (4.0, -40.0), (4.0, -30.0), (2.0, -60.0), loud_db=-35.0)
    assert course._starts(louder, [first, hums]) == [first, hums]
    apart = levels((1.0, -60.0), (3.0, -30.0), (1.0, -60.0), (3.0, -30.0), (1.0, -60.0))
    assert course._starts(apart, [first, hums]) == [first, hums]
    assert course._starts(act, [hums]) == [hums]


# --- the end of a start ---------------------------------------------------------------------------


def test_what_holds_still_does_not_run_down():
    down = [(0.1, -30.0 - 0.3 * k) for k in range(30)]  # 3 dB a second
    assert course._holds(levels((2.0, -20.0), (3.0, -30.0)), 2.0)
    assert not course._holds(levels((2.0, -20.0), *down), 2.0)
    assert not course._holds(levels((2.0, -20.0), (0.5, -30.0)), 2.0), "the clip ends"


# --- switch-off -----------------------------------------------------------------------------------


def test_a_trusted_guess_decides_between_two_ends():
    """One line ends at 2.0 s, one at 2.3 s: trusted, the guess tells which; else the louder."""
    t = np.arange(int(4 * RATE)) / RATE
    x = 0.1 * np.sin(2 * np.pi * 100 * t) * (t < 2.0) + 0.1 * np.sin(2 * np.pi * 300 * t) * (
        t < 2.3
    )
    frames = frames_of((x + 3e-2 * np.random.default_rng(1).normal(size=t.size)).astype("f4"), RATE)

    def found(about_s, weight):
        return cut.cut_time(
            frames, about_s, from_s=0.5, tones_hz=[], lines_hz=[100.0, 300.0], weight=weight
        )

    assert found(2.0, 60.0) == pytest.approx(2.0, abs=0.06)
    assert found(2.3, 60.0) == pytest.approx(2.3, abs=0.06)
    assert found(2.0, 0.0) == pytest.approx(found(2.3, 0.0), abs=0.02)


def test_a_trusted_guess_is_no_evidence_by_itself():
    noise = np.random.default_rng(2).normal(size=int(4 * RATE)).astype("f4")
    assert (
        cut.cut_time(
            frames_of(noise, RATE),
            2.0,
            from_s=0.5,
            tones_hz=[],
            lines_hz=[],
            weight=60.0,
        )
        is None
    )


def test_a_run_is_not_looked_for_in_the_end_of_its_run_down(monkeypatch):
    """Three seconds of a tone, then a slow slide whose end is taken for the stillest part."""
    stillest, asked = course.stillest, []

    def tail_first(frames, span, length_s):
        asked.append(span)
        return (8.0, 9.4) if len(asked) == 1 else stillest(frames, span, length_s)

    monkeypatch.setattr(course, "stillest", tail_first)
    t = np.arange(int(12 * RATE)) / RATE
    hz = np.interp(t, [0.0, 4.0, 10.0, 12.0], [730.0, 730.0, 320.0, 320.0])
    level = np.interp(t, [0.0, 1.0, 1.05, 4.0, 10.0, 12.0], [0.0, 0.0, 0.3, 0.3, 0.02, 0.0])
    noise = np.random.default_rng(4).normal(size=t.size)
    x = level * (np.sin(2 * np.pi * np.cumsum(hz) / RATE) + 0.2 * noise) + 1e-3 * noise
    frames = frames_of(x.astype("f4"), RATE)
    act = course.activity(frames, None)
    no_hum = power.Hum(np.arange(0.01, 12.0, 0.02), np.zeros(600), 0.0)
    none = power.Comb(50.0, 0.0, (0.0,) * 12)
    (rough,) = course.active_stretches(act)
    found = course._refine(frames, act, none, rough, no_hum, False)
    assert [round(span[1], 1) for span in asked] == [round(rough[1], 1), 8.0]
    assert found.on_s == pytest.approx(1.0, abs=0.1)
    assert found.off_s == pytest.approx(4.0, abs=0.1)
