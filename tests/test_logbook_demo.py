"""The demo logbook: the plan is what it claims to be, and a piece of it can be made."""

import sys
from dataclasses import replace
from pathlib import Path

import pytest

from quietrun.logbook.baseline import baseline_of
from quietrun.logbook.checking import check_book
from quietrun.logbook.clips import clips
from quietrun.logbook.machines import clean_machine
from quietrun.logbook.store import open_logbook
from quietrun.logbook.words import CONFIRMABLE, PARTS
from quietrun.words import POSSIBLE, STAGES

SCRIPTS = str(Path(__file__).parents[1] / "scripts")


@pytest.fixture(scope="module")
def demo():
    sys.path.insert(0, SCRIPTS)
    try:
        import make_demo_logbook

        yield make_demo_logbook
    finally:
        sys.path.remove(SCRIPTS)


def test_the_round_is_eight_machines_over_six_months(demo):
    plans = demo.plans()
    assert len({plan.record.tag for plan in plans}) == 8
    weeks = [stop.week for plan in plans for stop in plan.stops]
    assert min(weeks) == 0
    assert 24 <= max(weeks) <= 26
    for plan in plans:
        assert clean_machine(plan.record) == plan.record
        assert [stop.week for stop in plan.stops] == sorted(stop.week for stop in plan.stops)


def test_a_bearing_grows_worse_and_one_machine_is_rebuilt_twice(demo):
    by_tag = {plan.record.tag: plan.stops for plan in demo.plans()}
    bearing = [s.faults["bearing_noise"] for s in by_tag["KILN-2"] if "bearing_noise" in s.faults]
    assert len(bearing) >= 6
    assert bearing == sorted(bearing)
    rebuilt = [stop for stop in by_tag["HARBOUR-3"] if stop.parts]
    assert len(rebuilt) == 2
    assert all(stop.found == ("quiet",) for stop in rebuilt)


def test_every_stop_can_be_entered(demo):
    for plan in demo.plans():
        for stop in plan.stops:
            assert stop.stage in STAGES
            assert set(stop.faults) <= POSSIBLE[stop.stage]
            assert set(stop.found) <= set(CONFIRMABLE)
            assert set(stop.parts) <= set(PARTS)


@pytest.mark.slow
def test_a_piece_of_the_round_is_rendered_judged_and_entered(demo, tmp_path, monkeypatch):
    from test_cli_logbook import MODEL

    monkeypatch.setattr(demo, "general_model", lambda: MODEL)
    plan = next(p for p in demo.plans() if p.record.tag == "HARBOUR-3")
    monkeypatch.setattr(demo, "plans", lambda: (replace(plan, stops=plan.stops[2:5]),))
    with open_logbook(tmp_path) as book:
        words = demo.fill(book, 1, tmp_path)
        held = clips(book, "HARBOUR-3")
        assert len(words["HARBOUR-3"]) == len(held) == 3
        assert baseline_of(book, "HARBOUR-3").parts == ("burrs",)
        assert [clip.when.source for clip in held] == ["file_name"] * 3
        assert held[0].confirmed_faults == ("burr_contact",)
        assert all((tmp_path / clip.path).exists() for clip in held)
        assert not any(remark.serious for remark in check_book(book))
