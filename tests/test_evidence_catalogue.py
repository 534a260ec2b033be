"""Every row of the catalogue says something that can be meant."""

from types import SimpleNamespace

import pytest

from quietrun import words
from quietrun.evidence import BY_NAME, FAMILIES, Missing
from quietrun.evidence import course as times
from quietrun.run import Run
from quietrun.run.types import CoastDown, SwitchEvent

COAST = CoastDown(3.0, None, None, None, None, 0.5)


@pytest.mark.parametrize("name", sorted(BY_NAME))
def test_a_row(name):
    row = BY_NAME[name]
    assert row.name == name
    assert row.family in FAMILIES
    assert row.worse in (-1, 0, 1)
    assert set(row.phase.split("+")) <= {*words.PHASES, "clip"} or row.phase in words.PHASES
    if row.band_hz is not None:
        low, high = row.band_hz
        assert 0.0 <= low < high <= 24_000.0
    assert row.says[0].isupper()
    assert row.says.endswith(".")
    assert row.source


def values(**more):
    return times.measure(SimpleNamespace(run=Run(**more), spans={}))


CLICK = SwitchEvent(2.0, 0.7, 21.0)


@pytest.mark.parametrize(
    ("more", "open_click"),
    [
        ({"power_on_s": 1.0, "at_speed_s": 2.0, "switch_open": CLICK}, 21.0),
        ({"power_on_s": 1.0, "at_speed_s": 2.0}, 0.0),
        ({"power_on_s": 1.0, "switch_open": CLICK}, None),
        ({"at_speed_s": 2.0, "switch_open": CLICK}, None),
        ({}, None),
    ],
)
def test_a_click_is_asked_for_where_the_run_up_was_heard(more, open_click):
    found = values(**more)["open_click"]
    assert isinstance(found, Missing) if open_click is None else found == open_click


@pytest.mark.parametrize(
    ("more", "close_click"),
    [
        ({"power_off_s": 1.0, "coast": COAST, "switch_close": CLICK}, 21.0),
        ({"power_off_s": 1.0, "coast": COAST}, 0.0),
        ({"power_off_s": 1.0, "switch_close": CLICK}, None),
        ({"coast": COAST, "switch_close": CLICK}, None),
    ],
)
def test_and_the_other_where_it_ran_down(more, close_click):
    found = values(**more)["close_click"]
    assert isinstance(found, Missing) if close_click is None else found == close_click


@pytest.mark.parametrize(("sag", "told"), [(None, None), (2.5, 2.5), (-9.0, -5.0), (35.0, 20.0)])
def test_a_sag_is_held_to_what_can_be(sag, told):
    found = values(sag_percent=sag)["sag_percent"]
    assert isinstance(found, Missing) if told is None else found == told
