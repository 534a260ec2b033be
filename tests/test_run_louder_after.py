"""A switch-off after which the rest gets louder, and a hum that never ends."""

from __future__ import annotations

import numpy as np
import pytest

from quietrun.clip.types import Clip, Source
from quietrun.dsp.frames import frames_of
from quietrun.machine import Machine
from quietrun.run import follow

RATE, ON_S, OFF_S = 16_000, 1.0, 6.5


def run_of(x: np.ndarray):
    source = Source("made", None, None, None, "", RATE, 1, x.size / RATE)
    clip = Clip(x.astype(np.float32), float(RATE), source)
    return follow(clip, Machine(mains_hz=50.0), frames_of(clip.samples, float(RATE)))


def parts(seed: int):
    """Time, noise of the room, mains lines while powered."""
    rng = np.random.default_rng(seed)
    t = np.arange(12 * RATE) / RATE
    lines = sum(np.sin(2 * np.pi * 100 * k * t + k) / k for k in range(1, 7))
    return rng, t, rng.normal(0, 0.001, t.size), lines * ((t >= ON_S) & (t < OFF_S))


@pytest.mark.parametrize("seed", range(4))
def test_the_end_of_a_long_clear_hum_is_the_switch_off(seed):
    """A part that rattles as the speed falls is louder than the run."""
    rng, t, room, lines = parts(seed)
    turns = np.clip((t - ON_S) / 0.5, 0, 1) * np.clip(1 - (t - OFF_S) / 4.5, 0, 1)
    rattle = np.where(t < OFF_S + 0.3, 1.0, 2.5)
    x = room + 0.02 * lines + 0.01 * turns * rattle * rng.normal(0, 1, t.size)
    run = run_of(x)
    assert run.power_on_s == pytest.approx(ON_S, abs=0.1)
    assert run.power_off_s == pytest.approx(OFF_S, abs=0.1)
