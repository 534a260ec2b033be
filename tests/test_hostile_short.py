"""Clips of next to nothing, at any rate and stage: an answer, and never ``quiet``."""

import numpy as np
import pytest

from quietrun.clip import Clip, Source
from quietrun.clip.decoders import LEAST_RATE_HZ, MOST_RATE_HZ
from quietrun.machine import Machine
from quietrun.pipeline import analyse_clip, general_model
from quietrun.words import STAGES

LENGTHS = (1, 2, 3, 5, 10, 50, 100, 240, 500, 1000, 3000, 10_000)


@pytest.mark.parametrize("rate_hz", [LEAST_RATE_HZ, 8_000, 44_100, 48_000, 192_000, MOST_RATE_HZ])
@pytest.mark.parametrize("stage", STAGES)
@pytest.mark.parametrize("level", [0.0, 0.3])
def test_every_length_has_an_answer(rate_hz, stage, level):
    rng = np.random.default_rng(0)
    for length in LENGTHS:
        samples = (level * rng.standard_normal(length)).astype(np.float32)
        source = Source("made", None, None, None, "", 1, 0, length / rate_hz)
        analysis = analyse_clip(
            Clip(samples, float(rate_hz), source),
            machine=Machine(stage=stage),
            model=general_model(),
        )
        assert analysis.verdict.word in ("unusable", "inspect"), length
