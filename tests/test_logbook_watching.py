"""Trends of a machine in the book: by phone and stage, by visit, since the last new parts."""

from datetime import date, timedelta

import matplotlib.image
import pytest
from made_logbook import FULL_MACHINE, made_entry, made_report

from quietrun.errors import UsageError
from quietrun.logbook.clips import add_clip
from quietrun.logbook.describe import history_object
from quietrun.logbook.machines import Change, add_change, add_machine
from quietrun.logbook.store import open_logbook
from quietrun.logbook.types import AnalysisRecord
from quietrun.logbook.watching import trends_object
from quietrun.report.logbook_charts import write_charts
from quietrun.report.logbook_text import history_text
from quietrun.words import FAULTS

WOBBLE = (0.00, 0.02, -0.02, 0.01, -0.01, 0.02, 0.0, -0.02, 0.01, 0.0, -0.01, 0.02, 0.0, 0.01)


@pytest.fixture
def book(tmp_path):
    with open_logbook(tmp_path) as opened:
        add_machine(opened, FULL_MACHINE)
        yield opened


def visit(book, number, *, run_up=0.8, bearing=-4.0, verdict="quiet", day=None, **changes):
    day = day or str(date(2026, 1, 1) + timedelta(days=7 * number))
    report = made_report(number, verdict=verdict, run={"run_up_s": run_up})
    record = AnalysisRecord(
        made_at="2026-03-06T08:00:00+00:00",
        report=report,
        evidence={"run_up_s": run_up, "coast_down_s": 4.0 + WOBBLE[number % 14], "hum_share": 0.2},
        scores=dict.fromkeys(FAULTS, -4.0) | {"bearing_noise": bearing},
    )
    add_clip(book, made_entry(number, day=day, analysis=record, **changes))


def steady(book, count, start=0, **changes):
    for number in range(start, start + count):
        wobble = WOBBLE[number % 14]
        visit(book, number, run_up=0.8 + wobble, bearing=-4.0 + 10 * wobble, **changes)


def test_a_steady_machine_has_no_signal(book):
    steady(book, 14)
    found = trends_object(book, "B-014")
    assert {one["measure"] for one in found["series"]} == {
        "run_up_s",
        "coast_down_s",
        "hum_share",
        *FAULTS,
    }
    assert found["says"] == []
    text = history_text(history_object(book, "B-014") | {"trends": found})
    assert "No measure has changed more than chance would." in text


def test_a_growing_bearing_is_dated(book):
    steady(book, 10)
    for number in range(10, 20):
        visit(book, number, bearing=-4.0 + 0.6 * (number - 9))
    found = trends_object(book, "B-014")
    assert [one["measure"] for one in found["series"] if one["signals"]] == ["bearing_noise"]
    (says,) = found["says"]
    assert says.startswith("Bearing noise score is rising since 2026-03")
    assert "By chance such a signal comes once in about 24" in says
    text = history_text(history_object(book, "B-014") | {"trends": found})
    assert says in " ".join(text.split())


def test_new_bearings_begin_the_chart_anew_and_the_old_one_stays(book):
    steady(book, 10)
    for number in range(10, 20):
        visit(book, number, bearing=2.0)
    add_change(book, "B-014", Change("2026-05-25T00:00:00+00:00", "bearings"))
    steady(book, 5, start=21)
    found = trends_object(book, "B-014")
    bearing = [one for one in found["series"] if one["measure"] == "bearing_noise"]
    assert [(len(one["days"]), bool(one["signals"])) for one in bearing] == [(20, True), (5, False)]
    assert bearing[0]["ended_by"] == ["bearings"]
    (says,) = found["says"]
    assert "before the new bearings of 2026-05-25, was rising since 2026-03" in says


def test_a_short_stretch_before_new_parts_is_passed_over(book):
    steady(book, 2)
    add_change(book, "B-014", Change("2026-01-12T00:00:00+00:00", "burrs"))
    steady(book, 5, start=2)
    found = trends_object(book, "B-014")
    assert {len(one["days"]) for one in found["series"]} == {5}
    assert found["short"] == []


def test_clips_of_one_visit_are_one_point(book):
    for number in range(10):
        visit(book, number, run_up=0.7 + 0.2 * (number % 2), day=f"2026-0{1 + number // 2}-01")
    found = trends_object(book, "B-014")
    series = next(one for one in found["series"] if one["measure"] == "run_up_s")
    assert series["values"] == [pytest.approx(0.8)] * 5


def test_phones_and_stages_are_charted_apart_and_short_ones_named(book):
    steady(book, 5)
    steady(book, 3, start=5, phone="new phone")
    steady(book, 1, start=8, stage="motor_only")
    found = trends_object(book, "B-014")
    assert {(one["stage"], one["phone"]) for one in found["series"]} == {("assembled", "old phone")}
    assert found["short"] == [
        {"stage": "assembled", "phone": "new phone", "visits": 3},
        {"stage": "motor_only", "phone": "old phone", "visits": 1},
    ]


def test_unusable_clips_are_no_points(book):
    steady(book, 5)
    visit(book, 6, run_up=9.0, verdict="unusable")
    found = trends_object(book, "B-014")
    series = next(one for one in found["series"] if one["measure"] == "run_up_s")
    assert len(series["days"]) == 5


def test_the_picture_shows_every_series(book, tmp_path):
    steady(book, 10)
    for number in range(10, 18):
        visit(book, number, bearing=2.0)
    found = history_object(book, "B-014") | {"trends": trends_object(book, "B-014")}
    path = tmp_path / "charts.png"
    write_charts(found, path)
    image = matplotlib.image.imread(path)
    assert image.shape[1] > 1000
    rows = image.shape[0] // 4
    for row in range(4):  # seven charts in four rows, each with ink
        part = image[row * rows : (row + 1) * rows, :, :3]
        assert part.std() > 0.02
    reddish = (image[..., 0] - image[..., 1] > 0.05).mean()
    assert 0.002 < reddish < 0.2, "the change is marked"


def test_a_picture_of_too_few_visits_is_refused(book, tmp_path):
    steady(book, 2)
    found = history_object(book, "B-014") | {"trends": trends_object(book, "B-014")}
    with pytest.raises(UsageError, match="too few visits"):
        write_charts(found, tmp_path / "charts.png")
    steady(book, 6)
    found = history_object(book, "B-014") | {"trends": trends_object(book, "B-014")}
    with pytest.raises(UsageError, match="cannot be written"):
        write_charts(found, tmp_path / "none" / "charts.png")
