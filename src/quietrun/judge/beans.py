"""Beans, or blows of the machine's own: what the evidence adds to the first hearing.

Beans crackle without a beat, hard and often, and stop with the power: nothing
is ground once the shaft slows down. What keeps time with the shaft, repeats
beside it, or knocks harder while it runs down is the machine's own.

The bounds stand between 45 clips with beans and the usable clips of four sound
models, training seeds (DEVELOPERS.md): of 102 clips without beans that the first
hearing took for beans 75 pass, and 7 of 6,356 are taken for beans here.
"""

from __future__ import annotations

from dataclasses import replace

from quietrun.evidence.types import Evidence
from quietrun.fitness.types import Fitness
from quietrun.problems import Problem

PROBLEM = Problem(
    "loaded_run",
    "Hard crackle without a beat covers the run and ends with the power, as of beans.",
    "Grinding drowns every sound of the machine itself.",
    "Empty the chamber, let it run clean, and record an empty run.",
    ("steady", "impacts", "synchronous", "orders", "tones"),
    True,
)


def is_the_machines_own(evidence: Evidence) -> bool:
    """Whether knocks keep time, repeat, are few, or grow while the shaft runs down."""
    least = {
        "turn_comb_best": 6.0,
        "off_turn_together": 20.0,
        "knock_in_turn": 0.5,
        "knock_coast_over": 2.0,
    }
    over = any((evidence.number(name) or 0.0) >= bound for name, bound in least.items())
    rate = evidence.number("knock_rate")
    return over or (rate is not None and rate < 4.0)


def is_beans(evidence: Evidence) -> bool:
    """Whether hard knocks come often, without a beat, and weaken with the power."""
    needed = [
        evidence.number(name)
        for name in (
            "knock_rate",
            "knock_strength",
            "knock_in_turn",
            "knock_coast_over",
            "turn_comb_best",
            "off_turn_together",
        )
    ]
    if any(value is None for value in needed):
        return False
    rate, strength, in_turn, coast_over, comb, beside = (float(v or 0.0) for v in needed)
    often = rate >= 12.0 and strength >= 7.5
    return often and in_turn < 0.25 and coast_over < -1.2 and comb < 6.0 and beside < 16.0


def settle(fitness: Fitness, evidence: Evidence) -> Fitness:
    """Fitness once the evidence is in.

    Parameters
    ----------
    fitness, evidence

    Returns
    -------
    Fitness
        A ``loaded_run`` that is the machine's own noise is no longer fatal; one
        that was not heard at first is added.
    """
    fatal = {problem.code for problem in fitness.problems if problem.fatal}
    if fatal == {"loaded_run"} and is_the_machines_own(evidence):
        return replace(fitness, problems=tuple(replace(p, fatal=False) for p in fitness.problems))
    if not fatal and is_beans(evidence):
        others = tuple(p for p in fitness.problems if p.code != "loaded_run")
        return replace(fitness, problems=(PROBLEM, *others))
    return fitness
