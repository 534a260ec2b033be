"""A wrong sample rate and time that runs backwards: what the mains and the shaft say of them.

Expected values follow from the physics of the motor (hum at whole multiples of twice the mains,
lines at whole multiples of the shaft's rate) on sounds that are nothing but such lines.
"""

from dataclasses import replace

import fitness_clips as make
import numpy as np
import pytest

from quietrun.clip import Clip, Source
from quietrun.dsp.frames import frames_of
from quietrun.fitness import assess
from quietrun.fitness.arrow import Arrow, measure_arrow
from quietrun.fitness.label import Label, doubt_doubled, doubt_halved, measure_label
from quietrun.fitness.view import view_of
from quietrun.run import Run

RATE_HZ = 16_000
LENGTH_S = 4.0
FLOOR = 0.003


def clip_of(samples, rate_hz=RATE_HZ):
    samples = np.asarray(samples, np.float32)
    source = Source("made", None, None, None, "", 1, 0, len(samples) / rate_hz)
    return Clip(samples, float(rate_hz), source)


def run_of(**more):
    whole = {"steady": (0.0, LENGTH_S)}
    return Run(**{"mains_hz": 50.0, "mains_measured": True, "phases": whole, **more})


def label_of(lines_hz, seed=0, rate_hz=RATE_HZ, **more):
    """Measure steady tones in a little noise."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(round(LENGTH_S * rate_hz)) / rate_hz
    wave = FLOOR * rng.standard_normal(time_s.size)
    for one_hz in lines_hz:
        wave += 0.02 * np.sin(2 * np.pi * one_hz * time_s + rng.uniform(0, 6.28))
    clip = clip_of(wave, rate_hz)
    view = view_of(clip, run_of(**more), frames_of(clip.samples, clip.rate_hz))
    return measure_label(view, 0.5 * rate_hz)


def multiples(base_hz, first=1, last=16, step=1):
    return [base_hz * k for k in range(first, last + 1, step)]


def test_the_hum_of_a_motor_has_every_multiple_of_twice_the_mains():
    label = label_of(multiples(100.0, last=8))
    assert label.missing_db == pytest.approx(0.0, abs=0.5)
    assert label.between_db == pytest.approx(-18.0, abs=0.5)


def test_at_twice_the_rate_each_second_one_is_missing():
    label = label_of(multiples(200.0, last=4))
    # the first to the seventh: each beside lines of the full height of 18 dB
    assert label.missing_db == pytest.approx(18.0, abs=0.5)
    assert label.between_db == pytest.approx(-9.0, abs=0.5)


def test_at_half_the_rate_there_are_as_many_between():
    label = label_of(multiples(50.0, last=16))
    assert label.between_db == pytest.approx(0.0, abs=0.5)
    # three tenths of what stands at odd multiples of the mains is taken off
    assert label.missing_db == pytest.approx(-0.3 * 18.0, abs=0.5)


@pytest.mark.parametrize("rate_hz", [8_000, 16_000, 48_000])
@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_the_rate_and_the_grid_do_not_matter(rate_hz, mains_hz):
    lines = multiples(4 * mains_hz, last=4)
    label = label_of(lines, rate_hz=rate_hz, mains_hz=mains_hz)
    # noise may have a peak of 5 dB where an odd one would be
    assert label.missing_db == pytest.approx(18.0, abs=2.0)


TOLD_TWO = {"poles": 2, "half_rate_z": 0.0}  # measured only where two poles were told


def test_a_shaft_faster_than_two_poles_allow():
    """99.2 turns a second on 50 Hz: none of the odd lines of 49.6 is there."""
    assert label_of(multiples(99.2, last=12), **TOLD_TWO).own_z < 1.5
    assert label_of(multiples(49.6, last=24), **TOLD_TWO).own_z > 5.0


def test_a_shaft_faster_than_four_poles_allow():
    """49.6 turns a second: so may two poles turn, but not the four that were told."""
    assert label_of(multiples(49.6, last=24), poles=4).own_z < 1.5
    assert label_of(multiples(24.8, last=40), poles=4).own_z > 5.0


def test_two_poles_are_told_from_the_four_they_were_taken_for():
    """Each second line of 24.8 turns a second is one of 49.6."""
    two = label_of(multiples(49.6, last=24), poles=4)
    assert two.twice_z > 5.0
    assert two.is_of_two_poles
    four = label_of(multiples(24.8, last=40), poles=4)
    assert four.twice_z > 5.0
    assert not four.is_of_two_poles
    assert not label_of([], poles=4).is_of_two_poles
    assert label_of(multiples(49.6, last=24), **TOLD_TWO).twice_z is None
    assert not Label().is_of_two_poles


def test_two_poles_that_were_not_told_speak_for_no_label():
    """49.6 turns a second are two poles, or four of which the label is doubled."""
    assert label_of(multiples(49.6, last=24), poles=2).own_z == 3.0
    assert label_of(multiples(99.2, last=12), poles=2).own_z < 1.5
    assert label_of(multiples(24.8, last=40), poles=None).own_z == 3.0


def test_a_shaft_slower_than_four_poles_allow():
    """12.4 turns a second: half way between the lines of 24.8 there are as many again."""
    assert label_of(multiples(12.4, last=48), poles=4).half_z > 4.0
    assert label_of(multiples(24.8, last=24), poles=4).half_z < 2.0
    assert label_of(multiples(24.8, last=24), **TOLD_TWO).half_z > 4.0
    assert label_of(multiples(24.8, last=24), rate_hz=32_000, poles=4).half_z is None


@pytest.mark.parametrize("seed", range(6))
def test_noise_says_nothing_of_a_label(seed):
    label = label_of([], seed=seed)
    assert abs(label.missing_db) < 2.0
    assert abs(label.between_db) < 2.0
    assert doubt_doubled(label, 48_000.0, 20_000.0) == 0
    assert doubt_halved(label, 16_000.0) <= 1


@pytest.mark.parametrize(
    "more",
    [
        {"mains_hz": None},
        {"mains_measured": False},
        {"phases": {}},
        {"phases": {"steady": (0.0, 0.7)}},
    ],
)
def test_without_mains_or_run_nothing_is_measured(more):
    assert label_of(multiples(200.0, last=4), **more) == Label()


# --- how sure --------------------------------------------------------------------------------

CLEAR, EMPTY = 10.0, 0.0  # z of lines that are there, and of such as are not


@pytest.mark.parametrize(
    ("label", "rate_hz", "edge_hz", "doubt"),
    [
        # both clocks say so, one of them, none
        (Label(missing_db=12.0, own_z=EMPTY), 32_000, 20_000, 2),
        (Label(missing_db=0.0, own_z=EMPTY), 32_000, 20_000, 1),
        (Label(missing_db=12.0, own_z=CLEAR), 32_000, 20_000, 0),
        (Label(missing_db=0.0, own_z=CLEAR), 32_000, 20_000, 0),
        # poles that were not told: the mains alone
        (Label(missing_db=16.0, own_z=3.0), 32_000, 20_000, 2),
        (Label(missing_db=9.0, own_z=3.0), 32_000, 20_000, 1),
        (Label(missing_db=6.0, own_z=3.0), 32_000, 20_000, 0),
        # a rate at which phones record wants more
        (Label(missing_db=0.0, own_z=EMPTY), 48_000, 20_000, 0),
        (Label(missing_db=6.0, own_z=EMPTY), 44_100, 20_000, 1),
        (Label(missing_db=15.0, own_z=EMPTY), 48_000, 20_000, 2),
        (Label(missing_db=16.0, own_z=3.0), 48_000, 20_000, 0),
        # a rate at which no phone records, without and with sound that nobody hears
        (Label(missing_db=0.0, own_z=3.0), 96_000, 20_000, 1),
        (Label(missing_db=0.0, own_z=3.0), 96_000, 30_000, 2),
        (Label(missing_db=0.0, own_z=3.0), 64_000, 24_600, 2),
        (Label(missing_db=0.0, own_z=3.0), 63_000, 24_600, 0),
        # which the clear lines of a shaft outweigh
        (Label(missing_db=0.0, own_z=CLEAR), 96_000, 30_000, 0),
        (Label(missing_db=12.0, own_z=6.0), 96_000, 30_000, 2),
        # z beyond what is weighed change nothing
        (Label(missing_db=20.0, own_z=40.0), 96_000, 30_000, 1),
        (Label(missing_db=-18.0, own_z=-40.0), 32_000, 20_000, 0),
        # nothing was heard
        (Label(), 44_100, 20_000, 0),
        (Label(), 96_000, 30_000, 1),
    ],
)
def test_doubt_of_a_doubled_label(label, rate_hz, edge_hz, doubt):
    assert doubt_doubled(label, float(rate_hz), float(edge_hz)) == doubt


@pytest.mark.parametrize(
    ("label", "rate_hz", "doubt"),
    [
        (Label(between_db=0.0, own_z=3.0, half_z=CLEAR), 24_000, 2),
        (Label(between_db=0.0, own_z=3.0, half_z=EMPTY), 24_000, 1),
        (Label(between_db=0.0, own_z=3.0, half_z=2.9), 24_000, 1),
        (Label(between_db=0.0, own_z=3.0, half_z=3.0), 24_000, 2),
        (Label(between_db=-9.0, own_z=3.0, half_z=CLEAR), 24_000, 2),
        (Label(between_db=-9.0, own_z=3.0, half_z=EMPTY), 24_000, 0),
        (Label(between_db=-4.0, own_z=3.0, half_z=EMPTY), 24_000, 0),
        # a shaft that has its own lines may have half ones of another cause
        (Label(between_db=-18.0, own_z=CLEAR, half_z=4.0), 16_000, 0),
        # what no phone records at twice the rate
        (Label(between_db=9.0, own_z=3.0, half_z=CLEAR), 32_000, 0),
        (Label(), 32_000, 0),
        # a voice app's own rate says nothing
        (Label(), 16_000, 0),
    ],
)
def test_doubt_of_a_halved_label(label, rate_hz, doubt):
    assert doubt_halved(label, float(rate_hz)) == doubt


@pytest.mark.parametrize("seed", range(3))
def test_without_hum_a_strange_rate_is_in_doubt_and_said_so(seed):
    take = make.whole_run(seed)
    clip = take.clip()
    run = replace(take.run(), mains_measured=False)
    told, _ = problems_of(clip_of(np.repeat(clip.samples, 4), 4 * clip.rate_hz), run)
    assert any(f"records at {4 * clip.rate_hz:.0f} Hz" in one.what for one in told)
    for usual in (clip, clip_of(clip.samples[::3], clip.rate_hz / 3)):
        told, _ = problems_of(usual, run)
        assert not any("records at" in one.what for one in told)


# --- backwards -------------------------------------------------------------------------------


def arrow_of(level_db, on_s, off_s, rate_hz=16_000):
    """Measure noise whose level follows (time, dB) points."""
    rng = np.random.default_rng(5)
    time_s = np.arange(round(level_db[-1][0] * rate_hz)) / rate_hz
    level = np.interp(time_s, *zip(*level_db, strict=True))
    clip = clip_of(10 ** (level / 20) * rng.standard_normal(time_s.size), rate_hz)
    run = Run(power_on_s=on_s, power_off_s=off_s)
    return measure_arrow(view_of(clip, run, frames_of(clip.samples, clip.rate_hz)), 8000.0)


#: Room at -60 dB, up by 20 dB in half a second, 2 s steady, 4 s of running down.
WHOLE = [(0, -60), (1.5, -60), (2.0, -40), (4.0, -40), (8.0, -60), (10, -60)]


def test_a_run_forward_and_the_same_backwards():
    forward = arrow_of(WHOLE, 1.5, 4.0)
    # 20 dB in 4 s: after 0.65 s on average 3.25 dB are gone; before switch-on there is nothing
    assert forward.runs_on_db == pytest.approx(16.75, abs=1.0)
    # a median of 0.25 s on each side of 0.1 s: 0.35 s of the rise, 40 dB a second; 5 of the fall
    assert forward.starts_db == pytest.approx(0.35 * (40.0 - 5.0), abs=1.5)
    assert not forward.is_backwards
    back = arrow_of([(10 - t, level) for t, level in WHOLE[::-1]], 6.0, 8.5)
    assert back.runs_on_db == pytest.approx(-17.25, abs=1.0)
    assert back.starts_db == pytest.approx(-forward.starts_db, abs=1.0)
    assert back.is_backwards


def test_a_knock_is_no_step():
    with_knock = [*WHOLE[:-1], (8.5, -60), (8.51, -20), (8.53, -20), (8.54, -60), (10, -60)]
    assert arrow_of(with_knock, 1.5, 4.0).starts_db > 8.0


def test_ends_that_are_not_there_say_nothing():
    no_end = arrow_of(WHOLE, 1.5, None)
    assert no_end.runs_on_db is None
    assert not no_end.is_backwards
    assert arrow_of([(0, -60), (0.9, -60)], None, None) == Arrow()
    assert not Arrow().is_backwards


def test_what_rises_at_once_and_dies_away_slowly_runs_forward():
    """Of a saw of sudden rises each change is skewed by what the law of the saw says.

    20 dB up within 40 ms once a second, and down by 20 dB over the rest: of n = 100 changes over
    40 ms four lie on the rise, on average half of it high, the others are -20 * 4 / 96 dB.
    """
    knots = [(0.0, -60.0)]
    for k in range(8):
        knots += [(k + 0.5, -60.0), (k + 0.54, -40.0), (k + 1.5, -60.0)]
    forward = arrow_of(knots, 0.54, 7.5)
    back = arrow_of([(8.5 - t, level) for t, level in knots[::-1]], 0.54, 7.5)
    rise, fall = 20.0 * np.array([0.25, 0.5, 0.75, 1.0, 0.75, 0.5, 0.25]), -20.0 * 4 / 96
    third = np.sum(rise**3) + 93 * fall**3
    second = np.sum(rise**2) + 93 * fall**2
    law = (third / 100) / (second / 100) ** 1.5
    assert forward.rises == pytest.approx(law, rel=0.25)  # the frames are as long as the rise
    assert back.rises == pytest.approx(-forward.rises, rel=0.05)


@pytest.mark.parametrize(
    ("runs_on_db", "starts_db", "rises", "backwards"),
    [
        # all three agree, either way
        (-10.0, -10.0, -2.0, True),
        (10.0, 10.0, 2.0, False),
        # a start as slow as the stop is outweighed by what goes on after it, or by how it rises
        (20.0, -4.0, 0.0, False),
        (0.0, -4.0, 1.0, False),
        (0.0, -7.0, 0.0, True),
        (0.0, -5.0, 0.0, False),
        (0.0, 0.0, -1.2, True),
        (0.0, 0.0, -1.0, False),
        # a step counts no more than 25 dB, a skewness no more than -1.5
        (25.0, -13.0, 0.0, False),
        (99.0, -14.0, 0.0, True),
        (20.0, 0.0, -14.0, False),
        (None, -20.0, -5.0, False),
        (-20.0, None, -5.0, False),
        (-20.0, -20.0, None, False),
    ],
)
def test_three_signs_are_weighed(runs_on_db, starts_db, rises, backwards):
    assert Arrow(runs_on_db, starts_db, rises).is_backwards is backwards


# --- what is said ----------------------------------------------------------------------------


def problems_of(clip, run):
    fitness = assess(clip, run, frames_of(clip.samples, clip.rate_hz))
    return [one for one in fitness.problems if one.code == "other_machine"], fitness


def test_a_doubled_label_is_refused_with_the_rate_that_would_fit():
    take = make.whole_run(3)
    clip, run = take.clip(), take.run()
    fast = clip_of(clip.samples, 2 * clip.rate_hz)
    half = {name: (0.5 * a, 0.5 * b) for name, (a, b) in run.phases.items()}
    moved = replace(
        run,
        phases=half,
        power_on_s=0.5 * run.power_on_s,
        power_off_s=0.5 * run.power_off_s,
        shaft_hz=None,
    )
    (found,), fitness = problems_of(fast, moved)
    assert found.fatal
    assert not fitness.usable
    assert f"{clip.rate_hz:.0f} Hz instead of {2 * clip.rate_hz:.0f} Hz" in found.what
    assert "44.1 or 48 kHz" in found.do
    assert "steady" in found.disables
    kept, _ = problems_of(clip, run)
    assert kept == []


def test_two_poles_taken_for_four_are_said_to_be_two():
    rate_hz = 48_000
    rng = np.random.default_rng(4)
    time_s = np.arange(round(LENGTH_S * rate_hz)) / rate_hz
    lines = [*multiples(100.0, last=8), *multiples(49.6, last=24)]
    wave = FLOOR * rng.standard_normal(time_s.size)
    for one_hz in lines:
        wave += 0.02 * np.sin(2 * np.pi * one_hz * time_s + rng.uniform(0, 6.28))
    told, _ = problems_of(
        clip_of(wave, rate_hz), run_of(poles=4, shaft_hz=24.8, shaft_confidence=6.0)
    )
    (found,) = [one for one in told if "those of one with 2" in one.what]
    assert "--poles 2" in found.do
    assert not found.fatal
    assert "steady" in found.disables
    told, _ = problems_of(clip_of(wave, rate_hz), run_of(poles=2, shaft_hz=49.6, half_rate_z=0.0))
    assert not any("those of one with 2" in one.what for one in told)


def test_a_run_backwards_is_told_and_keeps_the_word_from_being_quiet():
    take = make.whole_run(3)
    clip, run = take.clip(), take.run()
    length_s = clip.duration_s
    back = replace(
        run,
        phases={
            "room": (0.0, length_s - run.rest_s),
            "steady": (length_s - run.power_off_s, length_s - run.at_speed_s),
            "rest": (length_s - run.power_on_s, length_s),
        },
        power_on_s=length_s - run.power_off_s,
        power_off_s=length_s - run.power_on_s,
    )
    (found,), _ = problems_of(clip_of(clip.samples[::-1], clip.rate_hz), back)
    assert "swells before the power comes" in found.what
    assert not found.fatal
    assert "steady" in found.disables  # judge/ calls that a gap: never quiet
