"""Beans or the machine's own blows: each bound moves the answer, and each way."""

from types import MappingProxyType

import pytest

from quietrun.evidence import Evidence, Missing
from quietrun.fitness.types import Fitness
from quietrun.judge.beans import is_beans, is_the_machines_own, settle
from quietrun.problems import Problem

BEANS = {
    "knock_rate": 22.0,
    "knock_strength": 9.0,
    "knock_in_turn": 0.1,
    "knock_coast_over": -4.0,
    "turn_comb_best": 3.5,
    "off_turn_together": 11.0,
}


def _evidence(**changed):
    return Evidence(MappingProxyType(BEANS | changed))


def _fitness(*problems):
    return Fitness(16000.0, 25.0, problems)


def _problem(code, *, fatal):
    return Problem(code, "what", "why", "do", (), fatal)


def test_beans_are_beans_and_not_the_machines_own():
    assert is_beans(_evidence())
    assert not is_the_machines_own(_evidence())


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("knock_rate", 5.0),
        ("knock_strength", 5.0),
        ("knock_in_turn", 0.6),
        ("knock_coast_over", 0.5),
        ("turn_comb_best", 8.0),
        ("off_turn_together", 25.0),
    ],
)
def test_what_keeps_time_or_goes_on_is_not_beans(name, value):
    assert not is_beans(_evidence(**{name: value}))


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("knock_rate", 2.0),
        ("knock_in_turn", 0.6),
        ("knock_coast_over", 3.0),
        ("turn_comb_best", 8.0),
        ("off_turn_together", 25.0),
    ],
)
def test_each_sign_of_the_machines_own_is_enough(name, value):
    evidence = _evidence(**{name: value})
    assert is_the_machines_own(evidence)
    settled = settle(_fitness(_problem("loaded_run", fatal=True)), evidence)
    assert settled.usable
    assert "loaded_run" in settled.codes


def test_what_was_not_measured_decides_nothing():
    assert not is_beans(_evidence(knock_coast_over=Missing("no coast-down was heard")))


def test_beans_not_heard_at_first_are_added():
    settled = settle(_fitness(), _evidence())
    assert not settled.usable
    assert settled.problems[0].code == "loaded_run"
    assert settled.problems[0].what
    assert settled.problems[0].do


def test_another_fatal_problem_stays():
    fitness = _fitness(_problem("no_machine", fatal=True))
    assert settle(fitness, _evidence(turn_comb_best=9.0)) is fitness
    assert settle(fitness, _evidence()) is fitness
