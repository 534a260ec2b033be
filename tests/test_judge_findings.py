"""What is said beside the faults: each finding comes at its limit and not before."""

from dataclasses import replace

import made_analyses
import pytest

from quietrun.evidence import Evidence, Missing
from quietrun.fitness import Fitness
from quietrun.judge import findings
from quietrun.machine import Machine
from quietrun.run import CoastDown, SwitchEvent

RUN = replace(
    made_analyses.full_run(),
    switch_close=SwitchEvent(8.0, 0.3, 12.0),
)
CALM = {"tone_near_rest": Missing("no tone"), "tone_best": Missing("no tone")}


def found(*, stage="assembled", snr_db=30.0, evidence=None, **changed):
    return {
        finding.code: finding
        for finding in findings.find(
            replace(RUN, **changed),
            Evidence({**CALM, **(evidence or {})}),
            Fitness(16_000.0, snr_db, ()),
            Machine(stage=stage),
        )
    }


def coast(duration_s, confidence=0.9):
    return CoastDown(duration_s, 0.5, 0.2, 0.3, 1.2, confidence)


def test_an_ordinary_run_gives_no_finding():
    assert found() == {}


def test_a_motor_that_only_hums_is_told_and_nothing_else():
    told = found(started=False, sag_percent=9.0, switch_close=None)
    assert list(told) == ["did_not_start"]
    assert not told["did_not_start"].harmless
    assert "capacitor" in told["did_not_start"].look_at
    assert found(started=True) == {}
    assert found(started=None) == {}


def test_a_run_up_of_more_than_five_seconds_is_slow():
    """Capacitor makers: about 1 s usual, rarely over 3 s (findings.SLOW_RUN_UP_S)."""
    slow = found(power_on_s=1.0, at_speed_s=6.1)["slow_run_up"]
    assert slow.value == pytest.approx(5.1)
    assert (slow.unit, slow.usual[1], slow.harmless) == ("s", 5.0, False)
    assert "5.1 s" in slow.says
    assert "slow_run_up" not in found(power_on_s=1.0, at_speed_s=5.9)
    assert "slow_run_up" not in found(power_on_s=None, at_speed_s=9.0)
    assert "slow_run_up" not in found(power_on_s=1.0, at_speed_s=None)


def test_a_rotor_that_stops_within_a_second_drags():
    short = found(coast=coast(0.9))["coast_down_short"]
    assert (short.value, short.unit, short.harmless) == (0.9, "s", False)
    assert "coast_down_short" not in found(coast=coast(1.1))
    assert "coast_down_short" not in found(coast=coast(0.9, confidence=0.4)), "not sure enough"
    assert "coast_down_short" not in found(coast=None)


def test_a_speed_that_falls_with_the_power_on_is_told():
    sag = found(sag_percent=2.1)["speed_sags"]
    assert (sag.value, sag.unit, sag.harmless) == (2.1, "%", False)
    assert "2.1 %" in sag.says
    assert "speed_sags" not in found(sag_percent=1.9)


def test_clicks_that_a_clear_recording_lacks_are_told_and_never_counted():
    told = found(switch_open=None, switch_close=None)
    assert set(told) == {"start_switch_open_not_heard", "start_switch_close_not_heard"}
    assert all(finding.harmless for finding in told.values())
    assert set(found(switch_open=None)) == {"start_switch_open_not_heard"}
    assert set(found(switch_close=None)) == {"start_switch_close_not_heard"}
    assert set(found(switch_open=None, switch_close=None, snr_db=15.0)) == set(told)


@pytest.mark.parametrize(
    "changed",
    [
        {"snr_db": 14.9},
        {"snr_db": None},
        {"power_on_s": None, "power_off_s": None},
        {"power_on_s": None, "coast": None},
    ],
)
def test_a_click_is_not_missed_where_none_could_be_heard(changed):
    assert found(switch_open=None, switch_close=None, **changed) == {}


def test_a_squeal_of_the_last_turns_is_the_switch_ring_unless_it_sings_at_speed_too():
    squeal = found(evidence={"tone_near_rest": 14.0})["squeal_near_rest"]
    assert squeal.value == 14.0
    assert squeal.harmless
    assert found(evidence={"tone_near_rest": 13.9}) == {}
    assert "squeal_near_rest" in found(evidence={"tone_near_rest": 20.0, "tone_best": 11.9})
    assert found(evidence={"tone_near_rest": 20.0, "tone_best": 12.1}) == {}


def test_a_shaft_spun_by_hand_has_none_of_these():
    assert found(stage="hand_spin", started=False, sag_percent=9.0, coast=coast(0.5)) == {}
