"""Laws of small functions that longer tests pass by.

Each number follows from a law, worked out here from the definition; none is what the program
happened to print.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from test_evidence_bursts import SPANS, TIME, UP_S, flat, scene_of
from test_judge_beans import BEANS
from test_judge_decide import RUN, judged

from quietrun.dsp.defects import search_outer_race
from quietrun.dsp.spectra import whiten
from quietrun.dsp.tones import _summit, _tone_lines
from quietrun.dsp.windows import effective_averages, effective_kurtosis_frames, window
from quietrun.evidence import Evidence, Missing, bursts, modulation
from quietrun.evidence import course as times
from quietrun.evidence.scene import BANDS, Envelope
from quietrun.fitness import Fitness
from quietrun.judge import texts
from quietrun.judge.beans import settle
from quietrun.judge.population import Population, Spread
from quietrun.problems import Problem
from quietrun.run import power, soft
from quietrun.run.course import best_comb

# --- dsp -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("worth", "power"), [(effective_averages, 2), (effective_kurtosis_frames, 4)]
)
def test_few_frames_are_worth_what_their_overlap_leaves(worth, power):
    """One frame is one frame; two are worth 2 / (1 + rho^power) (variance of a mean of two)."""
    w = window("hann", 64)
    rho = np.sum(w[8:] * w[:-8]) / np.sum(w * w)
    assert worth(w, 8, 1) == 1.0
    assert worth(w, 8, 2) == pytest.approx(2.0 / (1.0 + rho**power))


def test_of_noise_alone_whitening_holds_down_as_seldom_as_it_says():
    """Lines of Gaussian noise go over the limit in ``false_alarm`` of the spectra (exponential
    law: 1 - exp(-false_alarm) of them). A line that was held down has a mean square of 1 there.
    """
    rng = np.random.default_rng(11)
    held, most = 0, 300
    for _ in range(most):
        noise = rng.normal(size=2048) + 1j * rng.normal(size=2048)
        level = np.abs(whiten(noise, 1.0, width_hz=1024.0, false_alarm=0.5))
        held += bool(np.any(np.abs(level - 1.0) < 1e-6))
    # the floor is a median of 1024 lines: known to 4 %, which moves e^-8.3 by a third
    assert held / most == pytest.approx(1.0 - np.exp(-0.5), abs=0.12)


@pytest.mark.parametrize(("left", "right"), [(2, 2), (3, 2), (4, 2), (2, 3), (2, 4), (5, 3)])
def test_a_tone_ends_on_each_side_where_its_skirt_sinks_into_the_noise(left, right):
    """Skirts fall by half a line; from some line on there is less than 6 dB over the floor."""
    at = 200
    p = np.ones(401)
    p[at] = 1000.0
    for k in range(1, left + 1):
        p[at - k] = 1000.0 / 2**k
    for k in range(1, right + 1):
        p[at + k] = 1000.0 / 2**k
    assert _tone_lines(p, np.ones(401), at, 1.0) == (at - left, at + right + 1)


@pytest.mark.parametrize(("at", "lines"), [(2, (1, 7)), (397, (393, 401)), (398, (394, 401))])
def test_a_tone_at_the_end_of_a_spectrum_ends_with_it(at, lines):
    """62 at four lines from the top is over 4 times the floor of 12, 31 at five is not."""
    p = 1000.0 * 0.5 ** np.abs(np.arange(401.0) - at)
    first, last = _tone_lines(p, np.full(401, 12.0), at, 1.0)
    assert (first, last) == lines


@pytest.mark.parametrize(
    ("top", "at"), [(1, 3.0), (2, 0.0), (5, 3.0), (36, 36.0), (38, 36.4), (38, 39.0), (20, 21.6)]
)
def test_a_summit_is_the_highest_line_within_two(top, at):
    """At either end it is looked for within two of the fourth line from there."""
    p = np.linspace(1.0, 1.1, 40)
    p[top] = 9.0
    assert _summit(p, at) == top


def test_a_line_at_a_half_order_speaks_for_no_unknown_bearing():
    """Of nine balls the outer race passes 3.24 to 3.96 times a turn, thrice that is 11.88: the
    half order 11.5 lies below and may be what something loose does every second turn.
    """
    axis = np.arange(0.0, 30.0, 0.02)
    power = np.random.default_rng(3).exponential(size=axis.size)
    power[round(11.5 / 0.02)] = 1e4
    for balls in ((9,), (7, 8, 9, 10)):
        found = search_outer_race(axis, power, balls=balls, harmonics=3)
        assert not any(one.certain for one in found.harmonics)
    power[round(11.3 / 0.02)] = 1e4  # a third of it is no whole and no half order
    found = search_outer_race(axis, power, balls=(9,), harmonics=3)
    assert [one.number for one in found.harmonics if one.certain] == [3]


# --- run -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("first", "last"), [(0, 50), (1, 50), (2, 20), (3, 49), (10, 30), (47, 50)]
)
def test_levels_of_a_soft_start_are_means_of_five_frames(first, last):
    """Before the first frame and behind the last one stands the same again."""
    rate_hz, bins = 8000.0, 161
    power = np.random.default_rng(5).exponential(size=(50, bins)).astype(np.float32)
    freqs_hz = np.linspace(0.0, rate_hz / 2, bins)
    frames = SimpleNamespace(
        rate_hz=rate_hz, freqs_hz=freqs_hz, power=power, time_s=0.01 * np.arange(50)
    )
    found = soft._levels(frames, first, last)
    around = np.clip(np.arange(first, last)[:, None] + np.arange(-2, 3), 0, 49)
    # the lowest band: 60 to 95 Hz holds the bin at 75 Hz alone
    assert freqs_hz[3] == 75.0
    law = 10 * np.log10(power[around, 3].astype(np.float64).mean(axis=1))
    assert found.shape[0] == last - first
    assert found[:, 0] == pytest.approx(law, abs=1e-4)


@pytest.mark.parametrize(
    ("fifty", "sixty", "is_fifty"),
    [
        ((10.0, 2.0), (9.0, 6.0), False),
        ((10.0, 6.0), (9.0, 2.0), True),
        ((10.0, 2.0), (14.0, 2.0), False),
        ((14.0, 2.0), (10.0, 2.0), True),
    ],
)
def test_mains_that_were_not_told_are_those_that_are_clearer_in_all(
    monkeypatch, fifty, sixty, is_fifty
):
    """Lines that only one grid has, and the whole pattern, count together; told, it is taken."""
    combs = {
        mains_hz: power.Comb(mains_hz, pattern_db, (own_db,) * 4)
        for mains_hz, (own_db, pattern_db) in ((50.0, fifty), (60.0, sixty))
    }
    monkeypatch.setattr(power, "find_comb", lambda frames, mains_hz: combs[mains_hz])
    assert best_comb(None, None)[0] is combs[50.0 if is_fifty else 60.0]
    assert best_comb(None, 50.0)[0] is combs[50.0]
    assert best_comb(None, 60.0)[0] is combs[60.0]


# --- evidence --------------------------------------------------------------------------------


def test_a_band_counts_to_the_edge_of_what_was_recorded():
    """Three bands up to the very edge are enough for bursts; an edge below the third is not."""
    power = flat((1, 4.5, 4.65, 9.0))
    whole = bursts.measure(scene_of(power, top_hz=BANDS[2][1]))
    assert whole["burst_steady_best"] == pytest.approx(9.0, abs=0.01)
    less = bursts.measure(scene_of(power, top_hz=BANDS[2][1] / 1.03))
    assert isinstance(less["burst_steady_best"], Missing)


def test_flutter_is_held_to_thirty_decibels():
    """A loud fifth that stands 50 dB over the rest says no more than one of 30 dB."""
    loud = np.repeat(np.where(np.arange(250) % 5 == 0, 1e5, 1.0), 32)
    envelope = Envelope(loud, 2000.0, 0.0, 4.0)
    assert modulation._flutter(loud, envelope, block_s=0.016, share=0.90) == 30.0


@pytest.mark.parametrize(("until_s", "long_enough"), [(UP_S + 0.9, False), (UP_S + 1.1, True)])
def test_what_a_second_of_a_steady_run_cannot_show_is_not_told(until_s, long_enough):
    spans = {**SPANS, "steady": (UP_S, until_s)}
    scene = replace(
        scene_of(flat(), spans=spans), noise_time=TIME, noise=np.full((TIME.size, 13), 1e-8)
    )
    fall = times.measure(scene)["steady_fall"]
    assert isinstance(fall, float) is long_enough
    if long_enough:
        assert fall == pytest.approx(0.0, abs=0.01)


# --- judge -----------------------------------------------------------------------------------


def test_who_is_sent_to_look_is_told_to_unplug_first():
    """A finding that is no fault of the four wants the covers off just as well."""
    sagging = judged(run=replace(RUN, sag_percent=5.0))
    assert [one.code for one in sagging.findings] == ["speed_sags"]
    assert {texts.UNPLUG, texts.CAPACITOR, texts.EVIDENCE} <= set(sagging.cautions)
    harmless = judged(tone_near_rest=20.0)
    assert [one.harmless for one in harmless.findings] == [True]
    assert texts.UNPLUG not in harmless.cautions


def test_no_squeal_at_all_is_usual():
    (squeal,) = judged(tone_near_rest=20.0).findings
    assert squeal.usual[0] == 0.0 < squeal.usual[1] < squeal.value


def test_a_stage_without_numbers_of_its_own_takes_those_of_the_whole_machine():
    whole, motor = Spread(1.0, 0.5, 0.5, 9.0), Spread(2.0, 0.5, 0.5, 9.0)
    tables = {"assembled": {"a": whole, "b": whole}, "motor_only": {"a": motor}}
    for known in (
        Population("ab", tables, {}, 3, 9).fault,
        Population("ab", {}, tables, 3, 9).feature,
    ):
        assert known("motor_only", "a") is motor
        assert known("motor_only", "b") is whole
        assert known("burr_setting", "a") is whole
        assert known("assembled", "c") is None


def test_beans_that_are_heard_leave_the_other_problems_as_they_are():
    clipped = Problem("clipped", "what", "why", "do", (), fatal=False)
    suspected = Problem("loaded_run", "what", "why", "do", (), fatal=False)
    settled = settle(Fitness(16_000.0, 25.0, (suspected, clipped)), Evidence(BEANS))
    assert [one.code for one in settled.problems] == ["loaded_run", "clipped"]
    assert [one.fatal for one in settled.problems] == [True, False]
    assert settled.problems[1] is clipped


def test_a_quiet_answer_names_the_hum_that_was_not_heard():
    told = judged(run=replace(RUN, mains_measured=False))
    assert any("the mains hum" in line for line in told.because)
    assert not any("the mains hum" in line for line in judged(run=RUN).because)
