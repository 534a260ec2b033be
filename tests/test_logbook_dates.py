"""The date of a visit: which source, which zone, and what is not believed."""

import os
from datetime import UTC, datetime

import pytest

from quietrun.errors import UsageError
from quietrun.logbook.dates import date_visit, in_file_name, utc, zone_of

NOW = datetime(2026, 11, 24, 12, tzinfo=UTC)
ATHENS = "Europe/Athens"


def dated(path="clip.m4a", **given):
    return date_visit(path, zone_name=ATHENS, now=NOW, **given)


@pytest.mark.parametrize(
    ("name", "when"),
    [
        ("2026-03-05 14.22.07.m4a", datetime(2026, 3, 5, 14, 22, 7)),
        ("REC_20260305_142207.wav", datetime(2026, 3, 5, 14, 22, 7)),
        ("PTT-20260305-WA0007.opus", datetime(2026, 3, 5)),
        ("AUDIO-2026-03-05-14-22-07.m4a", datetime(2026, 3, 5, 14, 22, 7)),
        ("Recording 2026-03-05 at 14.22.m4a", datetime(2026, 3, 5, 14, 22)),
        ("2026.03.05.3gp", datetime(2026, 3, 5)),
        ("B-014 20260305T1422.wav", datetime(2026, 3, 5, 14, 22)),
    ],
)
def test_year_first_dates_in_names_are_read(name, when):
    assert in_file_name(f"/some/20250101/{name}") == when


@pytest.mark.parametrize(
    "name",
    [
        "05-03-2026.m4a",  # two meanings
        "1772717000123.m4a",  # a counter since 1970
        "120260305.m4a",
        "2026-13-05.m4a",
        "2026-02-30.m4a",
        "2026-0305.m4a",
        "New Recording 12.m4a",
        "20261305.wav",
    ],
)
def test_what_only_looks_like_a_date_is_not_read(name):
    assert in_file_name(name) is None


def test_the_best_source_wins_and_is_named(tmp_path):
    path = tmp_path / "2026-03-05 14.22.07.m4a"
    path.write_bytes(b"x")
    os.utime(path, (NOW.timestamp(), NOW.timestamp()))
    container = "2026-03-04T22:30:00+00:00"
    given = dated(path, given="2026-03-01", recorded_at=container)
    named = dated(path, recorded_at=container)
    plain = path.rename(tmp_path / "clip.m4a")
    held = dated(plain, recorded_at=container)
    copied = dated(plain)
    assert [(w.source, w.day, w.zone_known) for w in (given, named, held, copied)] == [
        ("given", "2026-03-01", True),
        ("file_name", "2026-03-05", False),
        ("container", "2026-03-05", True),  # 22:30 UTC is past midnight in Athens
        ("file_time", "2026-11-24", True),
    ]
    assert named.at == "2026-03-05T14:22:07+02:00"
    assert held.at == "2026-03-05T00:30:00+02:00"
    assert {w.zone for w in (given, named, held, copied)} == {ATHENS}


def test_summer_time_is_that_of_the_day():
    assert dated("2026-07-05 14.22.07.m4a").at == "2026-07-05T14:22:07+03:00"


@pytest.mark.parametrize("never", ["1904-01-01T00:00:00+00:00", "1970-01-01T00:00:00+00:00", "x"])
def test_an_unset_recorder_clock_is_not_believed(tmp_path, never):
    path = tmp_path / "clip.m4a"
    path.write_bytes(b"x")
    assert dated(path, recorded_at=never).source == "file_time"


def test_a_name_in_the_future_is_not_believed():
    assert dated("2031-01-01.m4a", recorded_at="2026-03-04T10:00:00+00:00").source == "container"


def test_a_container_time_without_zone_is_marked():
    assert dated(recorded_at="2026-03-04T10:00:00").zone_known is False


@pytest.mark.parametrize(
    ("given", "says"), [("05/03/2026", "no date"), ("2031-01-01", "cannot be right")]
)
def test_a_typed_date_that_cannot_be_right_is_refused(given, says):
    with pytest.raises(UsageError, match=says):
        dated(given=given)


def test_a_typed_offset_is_kept():
    when = dated(given="2026-03-05T23:30-05:00")
    assert (when.day, utc(when.at)) == ("2026-03-05", "2026-03-06T04:30:00+00:00")


@pytest.mark.parametrize("name", ["Europe/Atlantis", "../../etc/passwd", "+99:00", ""])
def test_an_unknown_zone_is_refused(name):
    with pytest.raises(UsageError, match="no time zone"):
        zone_of(name)


def test_this_computers_zone_follows_the_season(monkeypatch, tmp_path):
    import time

    monkeypatch.setenv("TZ", "Europe/Athens")
    time.tzset()
    try:
        at = [date_visit(f"2026-0{m}-05 12.00.m4a", now=NOW).at[-6:] for m in (1, 7)]
    finally:
        monkeypatch.undo()
        time.tzset()
    assert at == ["+02:00", "+03:00"]
