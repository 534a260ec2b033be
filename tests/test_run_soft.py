"""A soft switch-on: narrow bands leave the room before the rest does."""

from __future__ import annotations

import numpy as np
import pytest

from quietrun.dsp.frames import frames_of
from quietrun.run import course, soft

RATE = 16_000.0
ON_S, LOUD_S = 2.0, 2.6


def sound(seed: int, *, line_db: float | None, brown: bool = False, pause_s: float = 0.0):
    """Room noise, a line from ``ON_S`` on, and a wide noise that comes up from ``LOUD_S`` on."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(6 * RATE)) / RATE
    room = rng.normal(0, 0.003, t.size)
    if brown:
        spectrum = np.fft.rfft(room)
        spectrum /= np.maximum(np.fft.rfftfreq(t.size, 1 / RATE), 100.0) / 500.0
        room = np.fft.irfft(spectrum, t.size)
    x = room + 0.03 * np.clip((t - LOUD_S) / 0.6, 0, 1) * rng.normal(0, 1, t.size)
    if line_db is not None:
        there = (t >= ON_S) & ~((t > LOUD_S - pause_s) & (t < LOUD_S))
        x += 0.003 * 10 ** (line_db / 20) * np.sqrt(2) * np.sin(2 * np.pi * 240 * t) * there
    return x.astype(np.float32)


def found(x: np.ndarray, guess_s: float) -> float:
    frames = frames_of(x, RATE)
    return soft.soft_start(frames, course.activity(frames, None).level_db, guess_s)


@pytest.mark.parametrize("line_db", [-8.0, -3.0, 2.0])
@pytest.mark.parametrize("seed", range(3))
def test_a_line_softer_than_the_room_tells_the_start(seed, line_db):
    assert found(sound(seed, line_db=line_db), LOUD_S) == pytest.approx(ON_S, abs=0.06)


def test_a_line_that_pauses_before_the_start_is_none_of_it():
    x = sound(1, line_db=2.0, pause_s=0.4)
    assert found(x, LOUD_S) == pytest.approx(LOUD_S, abs=0.06)


@pytest.mark.parametrize("brown", [False, True])
def test_the_room_alone_moves_no_start(brown):
    sounds = (sound(seed, line_db=None, brown=brown) for seed in range(40))
    assert sum(found(x, LOUD_S) < LOUD_S - 0.05 for x in sounds) <= 2


def test_a_sharp_start_is_left_alone():
    x = sound(2, line_db=2.0)
    at = int(LOUD_S * RATE)
    x[at : at + int(RATE)] += np.random.default_rng(9).normal(0, 0.1, int(RATE)).astype(np.float32)
    assert found(x, LOUD_S) == LOUD_S


def test_a_jump_is_read_in_the_clearest_bands():
    time_s = np.arange(100) * 0.01
    level = np.full((100, 8), -60.0)
    level[50:, :4] += np.array([20.0, 16.0, 12.0, 8.0])
    assert soft.jump_db(time_s, level, 0.5) == pytest.approx(14.0)
    assert soft.jump_db(time_s, level, 0.1) == float("inf")


def test_a_start_with_next_to_nothing_before_it_stays():
    assert found(sound(3, line_db=0.0), 0.2) == 0.2
