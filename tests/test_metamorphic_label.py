"""A wrong sample rate in the header shifts every tone: that must never read ``quiet``.

From the physics of the motor: a machine on 50 Hz hums at 100 Hz and its multiples. At twice the
rate the hum lies at 200, 400 ... Hz and 100, 300 ... Hz are empty, which no mains can do.
"""

from pathlib import Path

import numpy as np
import pytest

from quietrun.clip import Clip, Source, read_clip
from quietrun.machine import Machine
from quietrun.pipeline import KEEP_S, analyse_clip, general_model

DEMO = Path(__file__).parents[1] / "synthetic_audio"
NAMES = ("quiet", "bearing", "impeller", "pre_breaker", "burrs")


def labelled(name, times):
    """Judge a clip of the demo under another rate."""
    read = read_clip(DEMO / f"{name}.opus", keep_s=KEEP_S)
    rate_hz = read.rate_hz * times
    length_s = len(read.samples) / rate_hz
    source = Source("made", None, None, None, "", 1, 0, length_s)
    clip = Clip(np.array(read.samples), rate_hz, source)
    return analyse_clip(clip, machine=Machine(), model=general_model()).verdict.word


@pytest.mark.xfail(
    strict=True,
    reason="quiet at twice its rate reads as a 2-pole machine whose hum begins at 200 Hz; "
    "nothing asks yet whether the odd multiples of twice the mains are there",
)
def test_twice_the_rate_is_never_quiet():
    assert "quiet" not in {labelled(name, 2.0) for name in NAMES}


def test_half_the_rate_is_not_quiet_for_the_clips_of_the_demo():
    """More runs at half their rate are in test_hostile.py; some of those still read quiet."""
    assert "quiet" not in {labelled(name, 0.5) for name in NAMES}
