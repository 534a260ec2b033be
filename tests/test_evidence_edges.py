"""Where a phase is too short to measure, there is a reason, and never a number out of nothing.

Warnings are errors in these tests: a mean of no frames or a logarithm of nothing does not pass.
"""

import math
from dataclasses import replace

import pytest
from plain_run import plain_run

from quietrun.clip.types import Clip
from quietrun.dsp.frames import frames_of
from quietrun.evidence import BY_NAME, Missing, gather
from quietrun.machine import Machine
from quietrun.run import follow

SHORT_S = (0.0, 0.01, 0.03, 0.06, 0.1, 0.14, 0.2, 0.3, 0.5, 0.8)
LENGTH_S, OFF_S = 5.0, 3.0


@pytest.fixture(scope="module")
def plain():
    made = plain_run(rate_hz=24_000.0, off_s=OFF_S, coast_s=1.5, length_s=LENGTH_S)
    frames = frames_of(made.clip.samples, made.clip.rate_hz)
    return made.clip, frames, follow(made.clip, Machine(poles=4, mains_hz=50.0), frames)


def evidence(plain, **changed):
    clip, frames, run = plain
    return gather(clip, replace(run, **changed), frames, 11_000.0)


def must_hold(found):
    assert set(found.values) == set(BY_NAME)
    for name, value in found.values.items():
        if isinstance(value, Missing):
            assert value.because, name
        else:
            assert math.isfinite(value), name


def numbers(found):
    return {name for name, value in found.values.items() if not isinstance(value, Missing)}


def test_the_run_of_these_tests_has_all_phases(plain):
    run = plain[2]
    assert {"room", "run_up", "steady", "coast_down", "rest"} <= run.phases.keys()
    assert run.mains_measured
    assert run.shaft_hz == pytest.approx(24.8, rel=0.005)
    assert len(numbers(evidence(plain))) > 150


@pytest.mark.parametrize("phase", ["room", "run_up", "steady", "coast_down", "rest"])
def test_a_phase_may_be_as_short_as_it_likes_or_not_there(plain, phase):
    run = plain[2]
    whole = numbers(evidence(plain))
    start, _ = run.phases[phase]
    for length_s in SHORT_S:
        phases = {**run.phases, phase: (start, start + length_s)}
        found = evidence(plain, phases=phases)
        must_hold(found)
        if phase in ("steady", "run_up") and length_s <= 0.03:
            gone = {f.name for f in BY_NAME.values() if f.phase == phase} & whole
            left = gone & numbers(found)
            assert len(left) < 0.35 * len(gone), (phase, length_s, sorted(left))
    must_hold(evidence(plain, phases={n: s for n, s in run.phases.items() if n != phase}))


@pytest.mark.parametrize("end_s", [0.3, 1.5, 2.95, 3.02, 3.06, 3.1, 3.16, 3.2, 3.25, 3.3, 3.5, 4.0])
def test_a_clip_may_end_anywhere(plain, end_s):
    clip, _, run = plain
    part = Clip(clip.samples[: int(end_s * clip.rate_hz)], clip.rate_hz, clip.source)
    frames = frames_of(part.samples, part.rate_hz)
    must_hold(gather(part, run, frames, 11_000.0))
    must_hold(gather(part, follow(part, Machine(), frames), frames, 11_000.0))


def test_the_hum_is_no_evidence_where_it_was_not_heard(plain):
    """A frequency that was only given tells nothing of the motor."""
    heard = evidence(plain)
    assert {"hum_eases", "hum_swell"} <= numbers(heard)
    for changed in ({"mains_measured": False}, {"mains_hz": None, "mains_measured": False}):
        found = evidence(plain, **changed)
        must_hold(found)
        assert not {"hum_eases", "hum_swell"} & numbers(found)
        assert found.values["hum_swell"].because == "the mains hum was not heard"


@pytest.mark.parametrize(
    "changed",
    [
        {"shaft_hz": None, "shaft_guess_hz": None},
        {"track": None, "up_track": None},
        {"coast": None},
        {"power_on_s": None, "at_speed_s": None},
        {"power_off_s": None, "rest_s": None},
        {"switch_open": None, "switch_close": None},
    ],
)
def test_what_was_not_found_leaves_reasons(plain, changed):
    found = evidence(plain, **changed)
    must_hold(found)
    assert numbers(found) <= numbers(evidence(plain))


def test_a_recording_of_a_narrow_band_leaves_the_high_bands_out(plain):
    clip, frames, run = plain
    counts = [len(numbers(gather(clip, run, frames, hz))) for hz in (500.0, 2000.0, 11_000.0)]
    assert counts == sorted(counts)
    assert counts[0] < counts[1] < counts[2]
