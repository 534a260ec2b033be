"""New baselines after new parts, the reminder after wear-in, and the life of a burr set."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from made_logbook import FULL_MACHINE, MODEL_SHA, made_entry

from quietrun.judge.limits import FaultLimit, Limits
from quietrun.logbook.baseline import (
    baseline_advice,
    baseline_clips,
    baseline_of,
    kg_between,
    own_limits,
)
from quietrun.logbook.clips import add_clip
from quietrun.logbook.describe import history_object, list_object, machine_object
from quietrun.logbook.life import LIFE_98_MM_KG, burr_life, life_range, rate_of
from quietrun.logbook.limits import as_object, drop_limits, put_limits
from quietrun.logbook.machines import (
    Change,
    Throughput,
    add_change,
    add_machine,
    add_throughput,
    changes,
    throughputs,
)
from quietrun.logbook.store import open_logbook
from quietrun.logbook.types import MachineRecord
from quietrun.report.logbook_text import history_text, list_text, machine_text

NOW = datetime(2026, 11, 24, 12, tzinfo=UTC)
POUND_KG = 0.45359237


def day(text):
    return f"{text}T00:00:00+00:00"


@pytest.fixture
def book(tmp_path):
    with open_logbook(tmp_path) as opened:
        add_machine(opened, FULL_MACHINE)
        yield opened


def throughput(book, kg, at, *, weekly=False):
    add_throughput(book, "B-014", Throughput(day(at), kg, weekly))


def test_the_life_of_a_98_mm_set_is_that_of_the_trade():
    # common practice, no source: 13,000 to 15,000 lb
    assert pytest.approx((13_000 * POUND_KG, 15_000 * POUND_KG), rel=0.005) == LIFE_98_MM_KG
    assert life_range(98.0, None) == LIFE_98_MM_KG
    assert life_range(98.0, (300.0, 500.0)) == (300.0, 500.0)
    assert life_range(64.0, None) is None
    assert life_range(None, None) is None


def test_due_dates_follow_from_a_weekly_rate(book):
    add_change(book, "B-014", Change(day("2026-09-01"), "burrs"))
    throughput(book, 70, "2026-09-01", weekly=True)
    life = burr_life(book, "B-014", NOW)
    weeks = (NOW - datetime(2026, 9, 1, tzinfo=UTC)).total_seconds() / (7 * 86_400)
    assert life.kg_so_far == pytest.approx(70 * weeks)
    # 5000 kg at 70 kg a week are 71.43 weeks = 500 days after 2026-09-01; 6000 kg: 600 days
    assert life.due == ("2028-01-14", "2028-04-23")
    assert life.own_figure
    assert any("Sound and taste decide" in says for says in life.says)


def test_a_changed_rate_counts_from_its_day(book):
    add_change(book, "B-014", Change(day("2026-09-01"), "burrs"))
    throughput(book, 70, "2026-09-01", weekly=True)
    throughput(book, 140, "2026-09-15", weekly=True)
    assert burr_life(book, "B-014", datetime(2026, 9, 29, tzinfo=UTC)).kg_so_far == pytest.approx(
        2 * 70 + 2 * 140
    )


def test_a_total_noted_later_counts_more_than_the_rate(book):
    add_change(book, "B-014", Change(day("2026-09-01"), "burrs"))
    throughput(book, 70, "2026-09-01", weekly=True)
    throughput(book, 500, "2026-09-15")
    assert burr_life(book, "B-014", datetime(2026, 9, 22, tzinfo=UTC)).kg_so_far == pytest.approx(
        500 + 70
    )


def test_two_totals_make_a_rate(book):
    throughput(book, 100, "2026-09-01")
    throughput(book, 240, "2026-09-15")
    assert rate_of(throughputs(book, "B-014"), None) == pytest.approx(70)
    life = burr_life(book, "B-014", datetime(2026, 9, 22, tzinfo=UTC))
    assert life.kg_so_far == pytest.approx(240 + 70)


def test_new_burrs_begin_at_nothing(book):
    throughput(book, 4000, "2026-08-01")
    add_change(book, "B-014", Change(day("2026-09-01"), "burrs"))
    throughput(book, 70, "2026-09-01", weekly=True)
    assert burr_life(book, "B-014", datetime(2026, 9, 8, tzinfo=UTC)).kg_so_far == pytest.approx(70)


def test_what_is_lacking_is_asked_for(book):
    assert any("new-parts B-014 burrs" in says for says in burr_life(book, "B-014", NOW).says)
    add_change(book, "B-014", Change(day("2026-09-01"), "burrs"))
    assert any("KG --per week" in says for says in burr_life(book, "B-014", NOW).says)
    add_machine(book, MachineRecord("X-1", burr_mm=64.0))
    assert any("No life is known" in says for says in burr_life(book, "X-1", NOW).says)
    assert burr_life(book, "X-1", NOW).due is None


def test_a_tiny_rate_gives_a_far_date_not_an_overflow(book):
    add_change(book, "B-014", Change(day("2026-09-01"), "burrs"))
    throughput(book, 0.001, "2026-09-01", weekly=True)
    assert burr_life(book, "B-014", NOW).due == ("2199-12-31", "2199-12-31")


def test_totals_of_an_older_set_do_not_count_after_other_parts():
    entries = (
        Throughput(day("2026-09-02"), 1000, False),
        Throughput(day("2026-09-16"), 1140, False),
    )
    span = (datetime(2026, 9, 1, tzinfo=UTC), datetime(2026, 9, 20, tzinfo=UTC))
    assert kg_between(entries, *span, fresh=False) == pytest.approx(140)
    assert kg_between(entries, *span, fresh=True) == pytest.approx(1140)
    assert kg_between(entries[:1], *span, fresh=False) is None
    assert kg_between((), *span, fresh=True) is None


def tuned(book, baseline, made):
    limits = Limits(
        "B-014", "old phone", "assembled", MODEL_SHA, {"impeller_rub": FaultLimit(0, 1)}
    )
    put_limits(book, "B-014", as_object(limits, baseline=baseline, made_at=day(made)))


SOUGHT = {"phone": "old phone", "stage": "assembled"}


def test_new_parts_begin_a_baseline_and_rest_earlier_limits(book):
    add_clip(book, made_entry(1, day="2026-08-01"))
    tuned(book, None, "2026-08-02")
    assert own_limits(book, "B-014", **SOUGHT) is not None
    add_change(book, "B-014", Change(day("2026-08-05"), "start_capacitor"))
    assert own_limits(book, "B-014", **SOUGHT) is not None, "a capacitor changes no baseline"
    add_clip(book, made_entry(2, day="2026-09-01", parts_changed=("bearings",)))
    assert own_limits(book, "B-014", **SOUGHT) is None
    since = baseline_of(book, "B-014")
    assert (since.since, since.parts) == ("2026-09-01T09:02:00+00:00", ("bearings",))
    held = baseline_clips(book, "B-014", **SOUGHT)
    assert [clip.when.day for clip in held] == ["2026-09-01"]
    assert [change.part for change in changes(book, "B-014")] == ["start_capacitor", "bearings"]


def test_a_clip_before_the_change_on_the_same_day_is_not_of_the_new_baseline(book):
    add_clip(book, made_entry(1, day="2026-09-01"))
    add_clip(book, made_entry(2, day="2026-09-01", parts_changed=("burrs",)))
    add_clip(book, made_entry(3, day="2026-09-01"))
    assert [c.path[-5] for c in baseline_clips(book, "B-014", **SOUGHT)] == ["2", "3"]


def test_phones_and_stages_are_kept_apart(book):
    add_clip(book, made_entry(1))
    add_clip(book, made_entry(2, phone="new phone"))
    add_clip(book, made_entry(3, stage="motor_only"))
    add_clip(book, made_entry(4, phone=None))
    assert [c.path[-5] for c in baseline_clips(book, "B-014", **SOUGHT)] == ["1"]
    assert [c.path[-5] for c in baseline_clips(book, "B-014", stage="assembled", phone=None)] == [
        "4"
    ]
    tuned(book, None, "2026-08-02")
    assert own_limits(book, "B-014", phone="new phone", stage="assembled") is None
    assert own_limits(book, "B-014", phone="old phone", stage="motor_only") is None


def test_reminders_after_new_burrs(book):
    assert baseline_advice(book, "B-014", NOW) == ()
    at = "2026-09-01T00:00:00+00:00"
    add_change(book, "B-014", Change(at, "burrs"))
    first = baseline_advice(book, "B-014", datetime(2026, 9, 2, tzinfo=UTC))
    assert "a new baseline begins" in first[0]
    assert "quietrun tune B-014" in first[1]
    assert "20 to 30 kg" in first[2]

    tuned(book, at, "2026-09-03")
    unknown = baseline_advice(book, "B-014", datetime(2026, 9, 4, tzinfo=UTC))
    assert "Note what is ground" in unknown[0]

    throughput(book, 10, "2026-09-01", weekly=True)
    assert baseline_advice(book, "B-014", datetime(2026, 9, 14, tzinfo=UTC)) == ()
    second = baseline_advice(book, "B-014", datetime(2026, 9, 16, tzinfo=UTC))
    assert "21 kg ground since the new burrs" in second[0]

    tuned(book, at, "2026-09-17")
    assert baseline_advice(book, "B-014", datetime(2026, 9, 30, tzinfo=UTC)) == ()


def test_limits_are_dropped_by_phone_and_stage(book):
    tuned(book, None, "2026-08-02")
    assert drop_limits(book, "B-014", phone="other", stage=None) == 0
    assert drop_limits(book, "B-014", phone=None, stage="assembled") == 1
    assert own_limits(book, "B-014", **SOUGHT) is None


def test_what_the_texts_say(book):
    add_clip(book, made_entry(1, temperature="cold", opened=True))
    entry = made_entry(2, day="2026-09-01", parts_changed=("burrs",))
    add_clip(book, replace(entry, when=replace(entry.when, source="file_time")))
    history = history_text(history_object(book, "B-014", NOW))
    rows = history.splitlines()
    assert rows[0] == "Machine B-014, Café Löwenzahn, Hof"
    assert rows[3].split()[:4] == ["2026-03-05", "assembled", "cold", "opened"]
    assert rows[4].startswith("2026-09-01 f")
    assert "file time (least sure)" in history
    assert "a new baseline begins" in history
    shown = machine_text(machine_object(book, "B-014", NOW))
    assert "new burrs on 2026-09-01" in shown
    assert "6203, 6205" in shown
    assert "0.8   4.2" in history
    listed = list_text(list_object(book))
    assert listed.splitlines()[1].split()[0] == "B-014"
