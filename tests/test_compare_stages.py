"""Stage against stage: where a noise first appears, and what can be its cause."""

import pytest
from made_logbook import made_report

from quietrun.compare.stages import CAUSES, JOINS, narrow
from quietrun.compare.together import compare
from quietrun.compare.types import Side
from quietrun.errors import UsageError
from quietrun.report.compare_text import compare_text
from quietrun.words import FAULTS, POSSIBLE, STAGES


def side(number, stage, verdict="quiet", flagged=()):
    report = made_report(number, stage=stage, verdict=verdict, flagged=flagged)
    return Side(f"{stage}-{number}.wav", report, {})


def noisy(number, stage, *flagged):
    return side(number, stage, "noisy", flagged)


def test_every_stage_is_described_and_every_fault_has_a_stage_that_brings_it():
    assert set(JOINS) == set(CAUSES) == set(STAGES)
    assert set().union(*CAUSES.values()) == set(FAULTS)
    for stage in STAGES:
        assert CAUSES[stage] <= POSSIBLE[stage]


def test_quiet_motor_and_noisy_chamber_leave_what_joined():
    found = narrow([side(1, "motor_only"), noisy(2, "assembled", "pre_breaker_wobble")])
    assert (found.first, found.quiet_before) == ("assembled", "motor_only")
    assert found.causes == ("pre_breaker_wobble", "burr_contact")
    assert found.ruled_out == ("bearing_noise", "impeller_rub")
    assert "pre-breaker" in found.joined
    assert "start switch" not in found.joined


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 0, 1), (1, 2, 0)])
def test_three_stages_give_the_first_whatever_their_order(order):
    sides = [
        side(1, "hand_spin"),
        noisy(2, "motor_only", "impeller_rub"),
        noisy(3, "assembled", "impeller_rub"),
    ]
    found = narrow([sides[i] for i in order])
    assert (found.first, found.quiet_before) == ("motor_only", "hand_spin")
    assert found.causes == ("bearing_noise", "impeller_rub")
    assert [one.stage for one in found.heard] == ["hand_spin", "motor_only", "assembled"]


def test_noise_only_with_the_burrs_together_is_the_burrs():
    found = narrow([side(1, "assembled"), noisy(2, "burr_setting", "burr_contact")])
    assert found.causes == ("burr_contact",)


def test_a_gap_between_stages_is_named():
    found = narrow([side(1, "motor_only"), noisy(2, "burr_setting", "burr_contact")])
    assert found.causes == ("pre_breaker_wobble", "burr_contact")
    assert any("record in between: chamber on" in says for says in found.says)


def test_noise_from_the_first_stage_on_rules_nothing_out():
    found = narrow([noisy(1, "motor_only", "bearing_noise"), noisy(2, "assembled")])
    assert (found.first, found.quiet_before) == ("motor_only", None)
    assert found.causes == ("bearing_noise", "impeller_rub")
    assert found.ruled_out == ()
    assert any("Go one back and listen: spun by hand" in says for says in found.says)


def test_an_unsure_stage_before_is_not_taken_for_quiet():
    found = narrow([side(1, "motor_only", "inspect"), noisy(2, "assembled", "burr_contact")])
    assert found.quiet_before is None
    assert set(found.causes) == set(FAULTS)
    assert any("not clearly quiet" in says for says in found.says)


def test_one_noisy_clip_of_three_makes_a_stage_noisy():
    sides = [side(1, "motor_only"), noisy(2, "motor_only", "impeller_rub"), side(3, "assembled")]
    found = narrow(sides)
    assert found.first == "motor_only"
    assert any("may come and go" in says for says in found.says)


def test_a_sound_that_contradicts_the_stages_is_said():
    found = narrow([side(1, "motor_only"), noisy(2, "assembled", "bearing_noise")])
    assert "bearing_noise" not in found.causes
    assert any("points to bearing noise; the order of stages does not" in s for s in found.says)


def test_all_calm_says_so_and_names_what_is_not_sure():
    found = narrow([side(1, "motor_only", "inspect"), side(2, "assembled")])
    assert found.first is None
    assert found.says == (
        "No fault is over its limit at any of these stages.",
        "Not sure: motor alone. Record again.",
    )


def test_one_stage_alone_narrows_nothing():
    with pytest.raises(ValueError, match="two different stages"):
        narrow([side(1, "assembled"), side(2, "assembled")])


def test_compare_gives_stages_and_pairs_of_equal_ones():
    found = compare([side(1, "motor_only"), noisy(2, "assembled"), side(3, "assembled")])
    assert found["stages"]["first"] == "assembled"
    assert [(p["before"], p["after"]) for p in found["pairs"]] == [
        ("assembled-2.wav", "assembled-3.wav")
    ]
    text = compare_text(found)
    assert text.startswith("The noise first appears at: chamber on")
    assert max(map(len, text.splitlines())) <= 80


def test_the_same_recording_twice_is_named():
    with pytest.raises(UsageError, match="the very same recording"):
        compare([side(1, "motor_only"), side(1, "assembled")])


def test_clips_without_an_answer_are_not_compared():
    dead = side(1, "motor_only", "unusable")
    with pytest.raises(UsageError, match="Fewer than two of these clips"):
        compare([dead, side(2, "assembled")])
    with pytest.raises(UsageError, match="Two clips are needed"):
        compare([side(2, "assembled")])
    found = compare([dead, side(2, "assembled"), side(3, "assembled")])
    assert found["clips"][0]["verdict"] == "unusable"
    assert len(found["pairs"]) == 1
