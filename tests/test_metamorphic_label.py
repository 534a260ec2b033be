"""A wrong sample rate shifts every tone, and backwards nothing starts: never ``quiet``.

From the physics of the motor: a machine on 50 Hz hums at 100 Hz and its multiples. At twice the
rate the hum lies at 200, 400 ... Hz and 100, 300 ... Hz are empty, which no mains can do. A shaft
turns on for seconds after the power went, and not before it comes.
"""

from pathlib import Path

import numpy as np
import pytest

from quietrun.clip import Clip, Source, read_clip
from quietrun.machine import Machine
from quietrun.pipeline import KEEP_S, analyse_clip, general_model

DEMO = Path(__file__).parents[1] / "synthetic_audio"
NAMES = ("quiet", "bearing", "impeller", "pre_breaker", "burrs")


def judged(name, times, step=1):
    """Judge a clip of the demo under another rate, or backwards."""
    read = read_clip(DEMO / f"{name}.opus", keep_s=KEEP_S)
    rate_hz = read.rate_hz * times
    samples = np.array(read.samples[::step])
    source = Source("made", None, None, None, "", 1, 0, len(samples) / rate_hz)
    clip = Clip(samples, rate_hz, source)
    return analyse_clip(clip, machine=Machine(), model=general_model())


@pytest.mark.parametrize("name", NAMES)
def test_twice_the_rate_is_caught_and_not_judged(name):
    analysis = judged(name, 2.0)
    assert analysis.verdict.word == "unusable"
    (found,) = [p for p in analysis.fitness.problems if p.fatal]
    assert found.code == "other_machine"
    assert "At 48000 Hz instead of 96000 Hz" in found.what


@pytest.mark.parametrize("name", NAMES)
def test_half_the_rate_is_not_quiet(name):
    assert judged(name, 0.5).verdict.word != "quiet"


@pytest.mark.parametrize("name", NAMES)
def test_backwards_is_not_quiet(name):
    assert judged(name, 1.0, step=-1).verdict.word != "quiet"


@pytest.mark.parametrize("name", NAMES)
def test_as_it_was_recorded_nothing_of_it_is_said(name):
    assert "other_machine" not in judged(name, 1.0).fitness.codes
