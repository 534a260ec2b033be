"""What is not a grinder run by itself: learned from the evidence, after the first hearing.

``fitness`` hears beans and other machines by a few plain measures. Two scorecards over the whole
evidence hear what passes these: beans that crackle as softly as parts do, machines whose hum
happens to fit the mains. What keeps time with the shaft is never taken for beans: a bad bearing
grinds too.
"""

from __future__ import annotations

from dataclasses import replace

from quietrun.evidence.types import Evidence
from quietrun.fitness.types import Fitness
from quietrun.judge import beans
from quietrun.judge.model import Model
from quietrun.judge.score import log_odds_of, probability_of
from quietrun.problems import Problem

_PROBLEMS = {
    "loaded_run": replace(
        beans.PROBLEM,
        what="The sound is that of grinding: a crackle that the run of an empty machine lacks.",
    ),
    "other_machine": Problem(
        "other_machine",
        "All in all this does not sound like a grinder's motor.",
        "It runs up, turns and stops otherwise than a motor on the mains with two bearings.",
        "Record the grinder alone, with the phone close to it and other machines off.",
        beans.PROBLEM.disables,
        True,
    ),
}
#: Stages without burrs or chamber: nothing can be in it.
_EMPTY = frozenset({"motor_only", "hand_spin"})


def settle(fitness: Fitness, evidence: Evidence, model: Model, stage: str) -> Fitness:
    """Fitness once the evidence is in.

    Parameters
    ----------
    fitness, evidence
    model : Model
        Whose ``spoilt`` cards are asked; none for a shaft spun by hand.
    stage : str

    Returns
    -------
    Fitness
        As ``beans.settle`` leaves it, with what the cards hear in front of all.
    """
    fitness = beans.settle(fitness, evidence)
    if not fitness.usable or stage == "hand_spin":
        return fitness
    heard = tuple(
        _PROBLEMS[code]
        for code, card in model.spoilt.items()
        if not (code == "loaded_run" and (stage in _EMPTY or beans.is_the_machines_own(evidence)))
        and probability_of(log_odds_of(card, evidence)) >= card.limit
    )
    if not heard:
        return fitness
    codes = {problem.code for problem in heard}
    others = tuple(problem for problem in fitness.problems if problem.code not in codes)
    return replace(fitness, problems=(*heard, *others))
