"""The guide follows what is heard: levels in, steps out."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietrun.cli import record_screen
from quietrun.clip.guide import FRAME_S, STEPS, WAIT_S, Guide, difference_db, fixed, peak_db
from quietrun.words import STAGES


def followed(stage, pieces):
    """Feed (seconds, level) pieces; give {step: time at which it began} and the guide."""
    guide, began, at = Guide(STEPS[stage]), {"room": 0.0}, 0.0
    for seconds, level_db in pieces:
        for _ in range(round(seconds / FRAME_S)):
            at += FRAME_S
            if guide.hear(level_db):
                began["done" if guide.done else guide.step.name] = round(at, 2)
    return began, guide


ROOM_DB, RUN_DB = -70.0, -40.0


@pytest.mark.parametrize("stage", ["motor_only", "assembled"])
def test_a_run_in_order(stage):
    run_down = [(1.0, RUN_DB - 6), (1.0, RUN_DB - 14), (3.0, ROOM_DB)]
    began, guide = followed(stage, [(3.0, ROOM_DB), (8.0, RUN_DB), *run_down])
    # 0.3 s of machine are waited for; then a second of run-up and four of steady run.
    assert began == {
        "room": 0.0,
        "on": 2.0,
        "steady": pytest.approx(3.3, abs=0.06),
        "off": pytest.approx(8.3, abs=0.06),
        "run_down": pytest.approx(11.3, abs=0.06),
        "done": pytest.approx(14.0, abs=0.06),
    }
    assert guide.missed == ()


def test_a_hand_spin_has_no_switch():
    began, guide = followed("hand_spin", [(3.0, ROOM_DB), (4.0, RUN_DB), (2.0, ROOM_DB)])
    assert list(began) == ["room", "spin", "run_down", "done"]
    assert guide.done


def test_a_knock_is_no_machine():
    began, guide = followed("assembled", [(2.5, ROOM_DB), (0.1, RUN_DB), (5.0, ROOM_DB)])
    assert guide.step.name == "on"
    assert "steady" not in began


def test_nobody_waits_for_ever():
    """Without a start all is over after the wait; without a stop the run-down is not awaited."""
    _, guide = followed("assembled", [(2.0 + WAIT_S + 1, ROOM_DB)])
    assert guide.done
    assert guide.missed == ("on",)
    began, guide = followed("assembled", [(2.0, ROOM_DB), (60.0, RUN_DB)])
    assert guide.missed == ("off", "run_down")
    assert began["done"] < 60.0


def test_a_rough_room_does_not_hold_up_the_end():
    rng = np.random.default_rng(1)
    room = [(FRAME_S, ROOM_DB + 2 * rng.standard_normal()) for _ in range(60)]
    after = [(FRAME_S, ROOM_DB + 1 * rng.standard_normal()) for _ in range(200)]
    _, guide = followed("assembled", [*room, (8.0, RUN_DB), *after])
    assert guide.done
    assert guide.missed == ()


@given(
    st.sampled_from(STAGES),
    st.lists(st.floats(-200, 60) | st.just(float("-inf")), min_size=1, max_size=40),
)
def test_it_always_ends(stage, levels):
    """Whatever comes in, each step ends after its time at the latest."""
    guide = Guide(STEPS[stage])
    most = round(sum(step.seconds for step in guide.steps) / FRAME_S) + len(guide.steps)
    for i in range(most):
        guide.hear(levels[i % len(levels)])
    assert guide.done
    assert guide.left_s == 0 or guide.at == len(guide.steps)


def test_a_fixed_length():
    guide = Guide(fixed(1.5))
    heard = 0
    while not guide.done:
        guide.hear(-50.0)
        heard += 1
    assert heard == 30


@pytest.mark.parametrize("stage", STAGES)
def test_every_stage_has_steps_that_say_something(stage):
    assert STEPS[stage][0].name == "room"
    assert all(step.says and step.seconds > 0 for step in STEPS[stage])


def test_levels_against_the_arithmetic():
    """A sine of amplitude a: peak 20 lg a; its difference has amplitude 2 a sin(pi f / fs)."""
    rate_hz, f_hz, a = 48_000, 3_000.0, 0.25
    x = (a * np.sin(2 * np.pi * f_hz * np.arange(rate_hz) / rate_hz)).astype("f4")[:, None]
    assert peak_db(x) == pytest.approx(20 * np.log10(a), abs=0.01)
    step = 2 * a * np.sin(np.pi * f_hz / rate_hz)
    assert difference_db(x) == pytest.approx(20 * np.log10(step / np.sqrt(2)), abs=0.01)
    louder = np.hstack([0.1 * x, x])
    assert difference_db(louder) == pytest.approx(difference_db(x), abs=1e-6)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e38])
def test_levels_of_rubbish_are_numbers(bad):
    x = np.full((100, 1), bad, np.float32)
    assert np.isfinite(difference_db(x))
    assert np.isfinite(peak_db(x))


def test_the_bar_grows_and_warns():
    assert record_screen.bar(-99.0).startswith("[" + 30 * ".")
    assert record_screen.bar(-30.0).count("#") == 15
    assert record_screen.bar(0.0).count("#") == 30
    assert "TOO LOUD" in record_screen.bar(0.0)
    assert "faint" in record_screen.bar(-55.0)


def test_a_terminal_gets_the_moving_bar_and_keeps_the_steps(monkeypatch):
    import io

    class Terminal(io.StringIO):
        encoding = "utf-8"

        def isatty(self):
            return True

    terminal = Terminal()
    monkeypatch.setattr("sys.stderr", terminal)
    monkeypatch.setenv("TERM", "xterm")
    shown = record_screen.screen()
    assert isinstance(shown, record_screen.Live)
    with shown:
        shown.begin(1, 5, STEPS["assembled"][0])
        shown.level(0.5, 1.5, -20.0)
    assert "1 of 5" in terminal.getvalue()
    assert "-20 dB" in terminal.getvalue()
    assert "up to 2 s more" in terminal.getvalue()
    monkeypatch.setenv("TERM", "dumb")
    assert isinstance(record_screen.screen(), record_screen.Lines)
    monkeypatch.setattr("sys.stderr", None)
    assert isinstance(record_screen.screen(), record_screen.Lines)
