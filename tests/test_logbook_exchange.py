"""Export and import: lossless, and safe against hostile files."""

import copy
import json

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from made_logbook import FULL_MACHINE, MODEL_SHA, made_entry, made_report, sha_of

from quietrun.errors import UsageError
from quietrun.judge.limits import FaultLimit, Limits
from quietrun.logbook.clips import add_clip, clips
from quietrun.logbook.confirmations import confirm
from quietrun.logbook.exchange import (
    export_book,
    import_book,
    read_export,
    write_export,
)
from quietrun.logbook.limits import as_object, limits_for, put_limits
from quietrun.logbook.machines import Change, Throughput, add_change, add_machine, add_throughput
from quietrun.logbook.store import open_logbook
from quietrun.logbook.types import MachineRecord
from quietrun.logbook.visit_notes import note_visit


def fill(book):
    """A book that uses every table and every field."""
    add_machine(book, FULL_MACHINE)
    add_machine(book, MachineRecord("C-1"))
    add_clip(book, made_entry(1, temperature="cold", burr_setting="7", opened=True, note="a\nb"))
    add_clip(book, made_entry(1, report=made_report(1, verdict="inspect")))
    add_clip(book, made_entry(1, report=made_report(1, verdict="noisy", flagged=["impeller_rub"])))
    add_clip(book, made_entry(2, day="2026-04-01", parts_changed=("bearings", "burrs")))
    add_clip(book, made_entry(3, machine="C-1", stage="motor_only", phone=None, analysis=None))
    confirm(book, sha_of(1), "impeller_rub", note="fan on the guard")
    confirm(book, sha_of(1), "bearing_noise")
    confirm(book, sha_of(2), "quiet")
    add_change(book, "B-014", Change("2026-02-01T09:00:00+01:00", "impeller", "crept"))
    add_throughput(book, "B-014", Throughput("2026-02-01T09:00:00+01:00", 55.5, True))
    note_visit(book, "B-014", "2026-04-01", "Customer was there.")
    limits = Limits(
        "B-014",
        "old phone",
        "assembled",
        MODEL_SHA,
        {"impeller_rub": FaultLimit(0.7, 1.25)},
        {"knock_rate": (0.5, 2.0)},
        runs=5,
    )
    made = "2026-03-06T08:00:00+00:00"
    put_limits(book, "B-014", as_object(limits, baseline=None, made_at=made))
    return limits


def plain(whole):
    return {name: value for name, value in whole.items() if name != "written_at"}


@pytest.fixture
def whole(tmp_path):
    with open_logbook(tmp_path / "first") as book:
        fill(book)
        return json.loads(json.dumps(export_book(book)))


def test_every_field_of_every_table_is_used_in_the_example(whole):
    """Guards the next tests: a field that is always empty would be lost unseen."""
    first = whole["machines"][0]
    assert all(first[name] for name in first)
    clip = first["visits"][0]["clips"][0]
    assert [n for n in clip if not clip[n]] == ["parts_changed"]
    assert len(clip["analyses"]) == 3
    assert len(clip["confirmed"]) == 2


def test_export_and_import_lose_nothing(tmp_path, whole):
    path = tmp_path / "book.json"
    write_export(whole, path)
    with open_logbook(tmp_path / "second") as book:
        new = import_book(book, read_export(path))
        assert plain(json.loads(json.dumps(export_book(book)))) == plain(whole)
    assert (new.machines, new.clips, new.analyses, new.confirmations) == (2, 3, 4, 3)
    with open_logbook(tmp_path / "first") as old, open_logbook(tmp_path / "second") as new_book:
        assert clips(old, "B-014") == clips(new_book, "B-014")
        sought = {"phone": "old phone", "stage": "assembled", "baseline": None}
        assert limits_for(new_book, "B-014", **sought).faults["impeller_rub"].limit == 1.25


def test_importing_twice_adds_nothing(tmp_path, whole):
    with open_logbook(tmp_path / "first") as book:
        new = import_book(book, whole)
        assert plain(json.loads(json.dumps(export_book(book)))) == plain(whole)
    assert (new.machines, new.clips, new.analyses, new.confirmations) == (0, 0, 0, 0)


def test_two_books_flow_together(tmp_path, whole):
    with open_logbook(tmp_path / "other") as book:
        add_machine(book, FULL_MACHINE)
        add_clip(book, made_entry(9, day="2026-06-01"))
        assert import_book(book, whole).clips == 3
        assert len(clips(book, "B-014")) == 3


def test_a_machine_described_otherwise_is_a_question_not_a_mix(tmp_path, whole):
    with open_logbook(tmp_path / "other") as book:
        add_machine(book, MachineRecord("b-014", place="Elsewhere"))
        with pytest.raises(UsageError, match=r"described differently: bearings, .*place"):
            import_book(book, whole)
        assert book.row("SELECT count(*) AS n FROM clips")["n"] == 0


def test_a_clip_of_another_machine_is_refused(tmp_path, whole):
    with open_logbook(tmp_path / "other") as book:
        add_machine(book, MachineRecord("D-9"))
        add_clip(book, made_entry(1, machine="D-9"))
        with pytest.raises(UsageError, match="one of D-9 in the logbook"):
            import_book(book, whole)


def test_contradicting_findings_are_refused(tmp_path, whole):
    with open_logbook(tmp_path / "other") as book:
        add_machine(book, FULL_MACHINE)
        add_clip(book, made_entry(1))
        confirm(book, sha_of(1), "quiet")
        with pytest.raises(UsageError, match="confirmed as quiet in the logbook"):
            import_book(book, whole)


def bend(whole, *path, to=..., drop=False):
    bent = copy.deepcopy(whole)
    at = bent
    for step in path[:-1]:
        at = at[step]
    if drop:
        del at[path[-1]]
    else:
        at[path[-1]] = to
    return bent


CLIP = ("machines", 0, "visits", 0, "clips", 0)
HOSTILE = [
    (("schema",), "quietrun/logbook-9", "is not quietrun/logbook-1"),
    (("machines",), {"a": 1}, "a list is needed"),
    (("surprise",), 1, "unknown field"),
    (("machines", 0, "tag"), 7, "a text is needed"),
    (("machines", 0, "tag"), "x'; DROP TABLE machines;--" * 9, "longer than"),
    (("machines", 0, "notes"), "\x1b]0;owned\x07", "control character"),
    (("machines", 0, "place"), "\ud800", "control character"),
    (("machines", 0, "poles"), True, "a number is needed"),
    (("machines", 0, "fan_blades"), 10**400, "out of range"),
    (("machines", 0, "bearings"), [{"balls": 8}], "missing"),
    (("machines", 0, "bearings", 0, "balls"), "8", "a number is needed"),
    (("machines", 0, "burr_life_kg"), [1.0], "two numbers"),
    (("machines", 0, "evil"), 1, "unknown field"),
    (("machines", 0, "limits", 0, "faults", "impeller_rub", "limit"), 1e9, "out of range"),
    (("machines", 0, "limits", 0, "faults", "gremlins"), {"shift": 0, "limit": 0}, "Use one of"),
    (("machines", 0, "throughput", 0, "kg"), -1, "out of range"),
    (("machines", 0, "throughput", 0, "per_week"), "yes", "true or false"),
    (("machines", 0, "changes", 0, "part"), "wheels", "Use one of"),
    ((*CLIP, "sha256"), "../../etc/passwd", "no SHA-256"),
    ((*CLIP, "stage"), "dreaming", "Use one of"),
    ((*CLIP, "when", "at"), "yesterday", "no time"),
    ((*CLIP, "when", "at"), "0001-01-01T00:00:00+14:00", "no time"),
    ((*CLIP, "when", "at"), "2026-03-05", "no time"),
    ((*CLIP, "when", "source"), "dream", "Use one of"),
    ((*CLIP, "opened"), 1, "true or false"),
    ((*CLIP, "parts_changed"), ["x"] * 99, "a list is needed"),
    ((*CLIP, "path"), "a" * 5000, "longer than"),
    ((*CLIP, "confirmed", 0, "what"), "haunted", "Use one of"),
    ((*CLIP, "analyses", 0, "report"), "text", "an object is needed"),
    ((*CLIP, "analyses", 0, "report", "schema"), "x", "is not quietrun/verdict-1"),
    ((*CLIP, "analyses", 0, "report", "verdict"), "fine", "Use one of"),
    ((*CLIP, "analyses", 0, "report", "faults"), {"gremlins": {}}, "missing"),
    ((*CLIP, "analyses", 0, "report", "faults", "gremlins"), {}, "unknown field"),
    ((*CLIP, "analyses", 0, "report", "faults", "impeller_rub", "flagged"), 1, "true or false"),
    ((*CLIP, "analyses", 0, "report", "recording", "problems"), [{"code": "x"}], "missing"),
    ((*CLIP, "analyses", 0, "report", "machine", "stage"), "x", "Use one of"),
    ((*CLIP, "analyses", 0, "report", "faults"), [], "an object is needed"),
    ((*CLIP, "analyses", 0, "report", "because"), ["\x07"], "control character"),
    ((*CLIP, "analyses", 0, "report", "run", "run_up_s"), "slow", "a number is needed"),
    ((*CLIP, "analyses", 0, "report", "run"), None, "an object is needed"),
    ((*CLIP, "analyses", 0, "report", "findings"), [{"code": 1}], "a text is needed"),
    ((*CLIP, "analyses", 0, "report", "tool"), "x", "an object is needed"),
    ((*CLIP, "analyses", 0, "evidence"), {"a": "b"}, "a number is needed"),
    ((*CLIP, "analyses", 0, "scores"), {"a": 10**400}, "out of range"),
    ((*CLIP, "analyses"), None, "a list is needed"),
]


@pytest.mark.parametrize(("path", "value", "says"), HOSTILE)
def test_a_hostile_file_is_refused_and_nothing_is_written(tmp_path, whole, path, value, says):
    with open_logbook(tmp_path / "other") as book:
        with pytest.raises(UsageError, match=says):
            import_book(book, bend(whole, *path, to=value))
        for table in ("machines", "visits", "clips", "limits"):
            assert book.row(f"SELECT count(*) AS n FROM {table}")["n"] == 0


def test_a_missing_field_is_named(tmp_path, whole):
    with (
        open_logbook(tmp_path / "other") as book,
        pytest.raises(UsageError, match="stage is missing"),
    ):
        import_book(book, bend(whole, *CLIP, "stage", drop=True))


def deep(levels):
    return "[" * levels + "]" * levels


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "cannot be read"),
        ("[1]", "an object is needed"),
        ('{"schema": 1', "cannot be read"),
        ('{"a": NaN}', "NaN is no number"),
        ('{"a": 1, "a": 2}', "twice"),
        ('{"a": ' + deep(200_000) + "}", "nested too deep"),
        ('{"a": ' + "9" * 10_000 + "}", "cannot be read"),
    ],
)
def test_a_trick_in_the_json_is_named(tmp_path, text, says):
    path = tmp_path / "book.json"
    path.write_text(text)
    with pytest.raises(UsageError, match=says):
        read_export(path)


def test_bytes_that_are_no_text_and_huge_files_are_named(tmp_path, monkeypatch):
    path = tmp_path / "book.json"
    path.write_bytes(b"\xff\xfe\x00{")
    with pytest.raises(UsageError, match="cannot be read"):
        read_export(path)
    monkeypatch.setattr("quietrun.logbook.exchange.MOST_BYTES", 3)
    with pytest.raises(UsageError, match="larger than"):
        read_export(path)


def test_a_report_nested_too_deep_is_refused(tmp_path, whole):
    nested = []
    for _ in range(40):
        nested = [nested]
    with (
        open_logbook(tmp_path / "other") as book,
        pytest.raises(UsageError, match="nested too deep"),
    ):
        import_book(book, bend(whole, *CLIP, "analyses", 0, "report", "extra", to=nested))


def test_an_export_that_cannot_be_written_leaves_the_old_one(tmp_path, whole):
    path = tmp_path / "book.json"
    path.write_text("old")
    with pytest.raises(UsageError, match="cannot be written"):
        write_export(whole, tmp_path / "none" / "book.json")
    with pytest.raises(ValueError, match="Out of range"):
        write_export({"a": float("nan")}, path)
    assert path.read_text() == "old"


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=20),
    lambda part: (
        st.lists(part, max_size=3) | st.dictionaries(st.text(max_size=8), part, max_size=3)
    ),
    max_leaves=10,
)
PLACES = [("machines",), *(path for path, _, _ in HOSTILE if path[0] == "machines")]


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(place=st.sampled_from(PLACES), value=JSON)
def test_no_json_at_any_place_makes_a_traceback(tmp_path, whole, place, value):
    """Whatever stands anywhere: taken whole, or refused in plain words with nothing written."""
    home = tmp_path / "fuzz"
    with open_logbook(home) as book:
        with book.writing() as db:
            db.execute("DELETE FROM machines")
        try:
            import_book(book, bend(whole, *place, to=value))
        except UsageError:
            assert book.row("SELECT count(*) AS n FROM machines")["n"] == 0
        else:
            json.dumps(export_book(book), allow_nan=False)
