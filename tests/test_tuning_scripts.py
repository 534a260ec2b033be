"""The scripts behind tuning: spread between and within machines, and counting alarms."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

SCRIPTS = str(Path(__file__).parents[1] / "scripts")


@pytest.fixture(scope="module")
def scripts():
    sys.path.insert(0, SCRIPTS)
    try:
        import evaluate_tuning
        import make_population

        yield evaluate_tuning, make_population
    finally:
        sys.path.remove(SCRIPTS)


def test_spread_is_split_between_and_within(scripts):
    _, population = scripts
    rng = np.random.default_rng(8)
    centres = rng.normal(-4.0, 1.5, 600)
    sds = 0.8 * np.sqrt(10.0 / rng.chisquare(10.0, 600))
    groups = [list(rng.normal(c, s, 5)) for c, s in zip(centres, sds, strict=True)]
    found = population.spread_of(groups)
    assert found["centre"] == pytest.approx(-4.0, abs=0.2)
    assert found["between"] == pytest.approx(1.5, abs=0.12)
    assert found["within"] == pytest.approx(0.8, abs=0.08)
    assert 6 < found["dof"] < 18


def test_machines_that_scatter_alike_are_known_firmly(scripts):
    _, population = scripts
    rng = np.random.default_rng(9)
    groups = [list(rng.normal(0.0, 1.0, 6)) for _ in range(600)]
    found = population.spread_of(groups)
    assert found["dof"] > 25
    assert found["between"] < 0.15


def test_too_few_machines_and_constant_ones_give_nothing(scripts):
    _, population = scripts
    assert population.spread_of([[1.0, 2.0]] * 5) is None
    assert population.spread_of([[1.0, 1.0]] * 50) is None
    assert population.spread_of([[1.0]] * 50) is None


def test_alarms_and_hits_are_counted_by_machine(scripts):
    evaluate, _ = scripts
    from test_tuning_tune import OTHERS, WITH_ANY
    from test_tuning_tune import POPULATION as FOUR

    from quietrun.words import FAULTS

    model = WITH_ANY
    others = replace(
        FOUR, faults={"assembled": {**FOUR.faults["assembled"], "one_of_four": OTHERS}}
    )

    def run(rub, any_of_them=-4.0):
        return dict.fromkeys(FAULTS, -4.0) | {"impeller_rub": rub, "one_of_four": any_of_them}

    table = {
        0: {"tune": [run(0.2)] * 5, "later": [run(0.3), run(0.1)], "impeller_rub": [run(6.0)]},
        1: {"tune": [run(-4.0)] * 5, "later": [run(-4.0)] * 3, "impeller_rub": [run(-3.0)]},
    }
    general = evaluate.counts(table, model, others, "assembled", 0)
    assert general["alarms"].tolist() == [[2, 2], [0, 3]]
    assert general["impeller_rub"].tolist() == [[1, 1], [0, 1]]
    own = evaluate.counts(table, model, others, "assembled", 5)
    assert own["alarms"].tolist() == [[0, 2], [0, 3]]
    assert own["impeller_rub"].tolist() == [[1, 1], [0, 1]]
    # under its own limit, but sure to be one of the four and the likeliest of them
    table[1]["impeller_rub"] = [run(-1.0, 3.0)]
    sure = evaluate.counts(table, model, others, "assembled", 0)
    assert sure["impeller_rub"].tolist() == [[1, 1], [1, 1]]
