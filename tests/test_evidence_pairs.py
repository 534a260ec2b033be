"""Pairs are plain differences, and missing where one of the two is."""

import pytest

from quietrun.evidence import BY_NAME, Missing
from quietrun.evidence.pairs import PAIRS, measure


@pytest.mark.parametrize(("name", "one", "other"), [pair[:3] for pair in PAIRS])
def test_a_pair_is_a_difference_of_rows_in_one_unit(name, one, other):
    values = {n: 0.0 for n in BY_NAME} | {one: 7.5, other: 3.0}
    assert measure(values)[name] == pytest.approx(4.5)
    row, first, second = BY_NAME[name], BY_NAME[one], BY_NAME[other]
    assert row.unit == first.unit == second.unit
    assert row.family == first.family
    assert row.needs_hz == max(first.needs_hz, second.needs_hz)


def test_a_pair_says_why_it_is_missing():
    values = {n: 0.0 for n in BY_NAME} | {"turn_together": Missing("the shaft speed was not found")}
    found = measure(values)
    assert found["flutter_over_lines"] == Missing("the shaft speed was not found")
    assert found["flutter_bright"] == 0.0
