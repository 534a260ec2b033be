"""Digital silence at the ends of a file is no part of the recording."""

import numpy as np
import pytest
import soundfile

from quietrun.clip import Clip, Source, read_clip, without_silence
from quietrun.clip.silence import SILENCE_S, SILENT, sounding
from quietrun.dsp.frames import frames_of
from quietrun.fitness.gain import measure_gate
from quietrun.fitness.view import view_of
from quietrun.run import Run

RATE_HZ = 8_000
LEAST = round(SILENCE_S * RATE_HZ)


def samples_of(before, loud, behind, level=0.1):
    loud_part = np.full(loud, level, np.float32)
    return np.concatenate([np.zeros(before), loud_part, np.zeros(behind)]).astype(np.float32)


@pytest.mark.parametrize(
    ("before", "behind", "kept"),
    [
        (0, 0, (0, 5000)),
        (LEAST, 0, (LEAST, LEAST + 5000)),
        (LEAST - 1, 0, (0, LEAST + 4999)),  # less than a tenth of a second stays
        (0, LEAST, (0, 5000)),
        (0, LEAST - 1, (0, LEAST + 4999)),
        (2000, 3000, (2000, 7000)),
        (2000, 10, (2000, 7010)),
    ],
)
def test_what_is_between_the_silences(before, behind, kept):
    assert sounding(samples_of(before, 5000, behind), LEAST) == kept


def test_the_least_step_of_16_bits_is_sound():
    assert 20 * SILENT < 2.0**-15
    faint = samples_of(2000, 5000, 2000, level=-(2.0**-15))
    assert sounding(faint, LEAST) == (2000, 7000)


@pytest.mark.parametrize("length", [0, 1, LEAST - 1, LEAST, 5000])
def test_nothing_but_silence_stays_what_it_is(length):
    assert sounding(np.zeros(length, np.float32), LEAST) == (0, length)


def test_times_stay_those_of_the_file(tmp_path):
    path = tmp_path / "x.wav"
    soundfile.write(path, samples_of(4000, 16_000, 2000), RATE_HZ, subtype="PCM_16")
    whole = read_clip(path)
    assert whole.duration_s == 2.75
    clip = without_silence(whole)
    assert clip.start_s == 0.5
    assert clip.silence_s == (0.5, 0.25)
    assert clip.duration_s == 2.0
    assert clip.source.duration_s == 2.75
    assert not clip.samples.flags.writeable
    assert without_silence(clip) is clip


def gate_of(*parts):
    samples = np.concatenate(parts).astype(np.float32)
    whole = Clip(samples, 48_000.0, Source("x", None, None, None, "", 1, 0, 0.0))
    clip = without_silence(whole)
    run = Run(phases={"room": (0.5, 2.5), "steady": (2.5, 6.5)})
    return measure_gate(view_of(clip, run, frames_of(clip.samples, clip.rate_hz)))


def test_a_gate_that_stays_shut_to_the_end_is_a_gate():
    """The run is cut off at full level, and zeros follow; behind a room they were added."""
    rng = np.random.default_rng(3)
    room = 0.001 * rng.standard_normal(96_000)
    loud = 0.1 * rng.standard_normal(192_000)
    lead, zeros = np.zeros(24_000), np.zeros(96_000)
    gate = gate_of(lead, room, loud, zeros)
    assert gate.gaps == 1
    assert gate.empty == 1
    assert gate.total_s == pytest.approx(2.0, abs=0.02)
    assert gate.in_steady_s == 0.0
    assert gate_of(lead, room, loud, room, zeros).gaps == 0
