"""The file of the book: transactions, crashes, one writer, formats, foreign files."""

import os
import signal
import sqlite3
import subprocess
import sys
import textwrap
import time
from dataclasses import replace

import pytest
from made_logbook import FULL_MACHINE, made_entry, made_report, sha_of

from quietrun.errors import UsageError
from quietrun.logbook.clips import add_clip, clip_by_name, clips, visits
from quietrun.logbook.home import FILE_NAME, home_folder
from quietrun.logbook.machines import add_machine, edit_machine, machine, machines
from quietrun.logbook.schema import STEPS, VERSION
from quietrun.logbook.store import open_logbook
from quietrun.logbook.types import MachineRecord


@pytest.fixture
def book(tmp_path):
    with open_logbook(tmp_path) as opened:
        add_machine(opened, FULL_MACHINE)
        yield opened


def test_home_is_the_option_then_the_variable_then_the_data_folder(monkeypatch, tmp_path):
    monkeypatch.setenv("QUIETRUN_HOME", str(tmp_path / "by-variable"))
    assert home_folder(tmp_path / "by-option") == tmp_path / "by-option"
    assert home_folder() == tmp_path / "by-variable"
    monkeypatch.delenv("QUIETRUN_HOME")
    assert home_folder().name == "quietrun"


def test_a_machine_comes_back_whole(book):
    assert machine(book, "b-014") == FULL_MACHINE
    assert machines(book) == (FULL_MACHINE,)


def test_one_tag_is_one_machine_whatever_its_case(book):
    with pytest.raises(UsageError, match="in the logbook already"):
        add_machine(book, MachineRecord("B-014".lower()))


def test_editing_changes_only_what_is_said(book):
    assert edit_machine(book, "B-014", place="Elsewhere") == replace(
        FULL_MACHINE, place="Elsewhere"
    )
    add_machine(book, MachineRecord("C-1"))
    with pytest.raises(UsageError, match="already"):
        edit_machine(book, "C-1", tag="B-014")
    with pytest.raises(UsageError, match="Nothing to change"):
        edit_machine(book, "C-1")


def test_an_unknown_tag_names_the_nearest(book):
    with pytest.raises(UsageError, match="nearest tag is B-014"):
        machine(book, "B-04")


@pytest.mark.parametrize(
    ("field", "value", "says"),
    [
        ("tag", "", "empty"),
        ("tag", "a\x1b[31mb", "control character"),
        ("tag", "-x", "cannot begin"),
        ("tag", "Check", "name of a command"),
        ("mains_hz", float("nan"), "out of range"),
        ("mains_hz", 400.0, "out of range"),
        ("poles", 3, "pairs"),
        ("fan_blades", 1, "out of range"),
        ("burr_life_kg", (500.0, 300.0), "out of range"),
        ("notes", "x" * 5000, "longer than"),
    ],
)
def test_a_field_that_cannot_be_right_is_refused(tmp_path, field, value, says):
    with open_logbook(tmp_path) as opened:
        with pytest.raises(UsageError, match=says):
            add_machine(opened, replace(MachineRecord("X-1"), **{field: value}))
        assert machines(opened) == ()


def test_the_same_hash_twice_is_one_clip(book):
    first = add_clip(book, made_entry(1))
    again = add_clip(book, made_entry(1, temperature="hot", note="from the back"))
    assert (first.new_clip, first.new_analysis) == (True, True)
    assert (again.new_clip, again.new_analysis) == (False, False)
    (clip,) = clips(book, "B-014")
    assert (clip.temperature, clip.note) == ("hot", "from the back")
    add_clip(book, made_entry(1))
    assert clips(book, "B-014")[0].temperature == "hot", "what is known is not blanked"


def test_a_moved_file_is_no_new_judgement_but_another_verdict_is(book):
    add_clip(book, made_entry(1))
    moved = made_entry(1, path="/new/place.m4a", report=made_report(1, path="/new/place.m4a"))
    assert not add_clip(book, moved).new_analysis
    assert clips(book, "B-014")[0].path == "/new/place.m4a"
    assert add_clip(book, made_entry(1, report=made_report(1, verdict="inspect"))).new_analysis
    (clip,) = clips(book, "B-014")
    assert [record.verdict for record in clip.analyses] == ["quiet", "inspect"]
    assert clip.latest.verdict == "inspect"


def test_a_clip_belongs_to_one_machine(book):
    add_machine(book, MachineRecord("C-2"))
    add_clip(book, made_entry(1))
    with pytest.raises(UsageError, match="clip of machine B-014"):
        add_clip(book, made_entry(1, machine="C-2"))
    assert clips(book, "C-2") == ()


def test_visits_are_local_days_in_order_and_no_empty_one_stays(book):
    for number, day in ((3, "2026-05-01"), (1, "2026-03-05"), (2, "2026-03-05")):
        add_clip(book, made_entry(number, day=day))
    assert [(v.when.day, len(v.clips)) for v in visits(book, "B-014")] == [
        ("2026-03-05", 2),
        ("2026-05-01", 1),
    ]
    add_clip(book, made_entry(3, day="2026-03-05"))  # retyped date: the clip moves
    assert [v.when.day for v in visits(book, "B-014")] == ["2026-03-05"]
    assert book.row("SELECT count(*) AS n FROM visits")["n"] == 1


def test_a_found_date_does_not_overrule_a_typed_one(book):
    add_clip(book, made_entry(1))
    entry = made_entry(1, day="2026-04-09")
    add_clip(book, replace(entry, when=replace(entry.when, source="file_time")))
    assert clips(book, "B-014")[0].when.day == "2026-03-05"


def test_a_copied_files_newer_time_does_not_move_the_visit(book):
    entry = made_entry(1)
    add_clip(book, replace(entry, when=replace(entry.when, source="file_time")))
    later = made_entry(1, day="2026-08-08")
    add_clip(book, replace(later, when=replace(later.when, source="file_time")))
    assert clips(book, "B-014")[0].when.day == "2026-03-05"


def test_clips_are_found_by_hash_path_and_name(book):
    add_clip(book, made_entry(1))
    for name in (sha_of(1), sha_of(1)[:8].upper(), "/clips/clip-1.m4a", "clip-1.m4a"):
        assert clip_by_name(book, name).sha256 == sha_of(1)
    add_clip(book, made_entry(2, path="/elsewhere/clip-1.m4a"))
    with pytest.raises(UsageError, match="means 2 clips"):
        clip_by_name(book, "clip-1.m4a")
    with pytest.raises(UsageError, match="not in the logbook"):
        clip_by_name(book, "nothing.wav")


def test_a_failing_write_leaves_nothing(book):
    def half_a_write():
        with book.writing():
            add_clip(book, made_entry(1))
            raise RuntimeError("stop")

    with pytest.raises(RuntimeError, match="stop"):
        half_a_write()
    assert clips(book, "B-014") == ()


def test_deleting_follows_foreign_keys(book):
    add_clip(book, made_entry(1))
    with book.writing() as db:
        db.execute("DELETE FROM machines")
    for name in ("visits", "clips", "analyses"):
        assert book.row(f"SELECT count(*) AS n FROM {name}")["n"] == 0


def test_a_killed_writer_leaves_whole_entries_only(tmp_path):
    """A process is killed in the middle of writing; what it reported is there, no half entry."""
    code = f"""
        import sys
        sys.path.insert(0, {os.path.dirname(__file__)!r})
        from made_logbook import FULL_MACHINE, made_entry
        from quietrun.logbook.store import open_logbook
        from quietrun.logbook.clips import add_clip
        from quietrun.logbook.machines import add_machine
        with open_logbook({str(tmp_path)!r}) as book:
            add_machine(book, FULL_MACHINE)
            for number in range(100_000):
                add_clip(book, made_entry(number))
                print(number, flush=True)
    """
    child = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(code)], stdout=subprocess.PIPE, text=True
    )
    told = -1
    for line in child.stdout:
        told = int(line)
        if told == 20:
            child.send_signal(signal.SIGKILL)
            break
    rest = child.stdout.read().split()
    child.stdout.close()
    child.wait(10)
    told = int(rest[-1]) if rest else told
    with open_logbook(tmp_path) as book:
        held = clips(book, "B-014")
        assert book.row("PRAGMA integrity_check")[0] == "ok"
        assert book.rows("PRAGMA foreign_key_check") == []
    assert len(held) in (told + 1, told + 2)
    assert all(len(clip.analyses) == 1 for clip in held)


def test_a_second_writer_is_told_and_readers_are_not_held_up(tmp_path, book):
    with book.writing() as db:
        db.execute("UPDATE machines SET place = 'being written'")
        with open_logbook(tmp_path, wait_s=0.1) as other:
            assert machine(other, "B-014").place == FULL_MACHINE.place
            start = time.perf_counter()
            with pytest.raises(UsageError, match="being written by another quietrun"):
                add_clip(other, made_entry(1))
            assert 0.05 < time.perf_counter() - start < 3
    assert machine(book, "B-014").place == "being written"


def test_a_waiting_writer_gets_its_turn(tmp_path, book):
    code = f"""
        from quietrun.logbook.store import open_logbook
        from quietrun.logbook.machines import edit_machine
        with open_logbook({str(tmp_path)!r}) as book:
            print("ready", flush=True)
            edit_machine(book, "B-014", place="second")
    """
    with book.writing() as db:
        db.execute("UPDATE machines SET place = 'first'")
        child = subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(code)], stdout=subprocess.PIPE, text=True
        )
        assert child.stdout.readline() == "ready\n"
    child.stdout.close()
    assert child.wait(10) == 0
    assert machine(book, "B-014").place == "second"


def test_an_old_book_walks_forward_and_is_copied_first(tmp_path):
    path = tmp_path / FILE_NAME
    old = sqlite3.connect(path)
    old.executescript(STEPS[0])
    old.execute("INSERT INTO machines (tag, burr_mm) VALUES ('OLD-1', 98)")
    old.execute("INSERT INTO visits (machine_id, day) VALUES (1, '2025-01-02')")
    old.execute(
        "INSERT INTO clips (sha256, visit_id, path, at, at_utc, date_source, zone, zone_known,"
        " stage, added_at) VALUES (?, 1, 'a.wav', '2025-01-02T10:00:00+01:00',"
        " '2025-01-02T09:00:00+00:00', 'given', '+01:00', 1, 'assembled', '2025-01-02')",
        (sha_of(7),),
    )
    old.execute("PRAGMA application_id = 0x51524C42")
    old.execute("PRAGMA user_version = 1")
    old.commit()
    old.close()
    with open_logbook(tmp_path) as book:
        assert machine(book, "OLD-1") == MachineRecord("OLD-1", burr_mm=98.0)
        assert clips(book, "OLD-1")[0].sha256 == sha_of(7)
        migrated = _shape(book)
    with open_logbook(tmp_path / "fresh") as fresh:
        assert _shape(fresh) == migrated
    kept = sqlite3.connect(tmp_path / "logbook.format-1.sqlite3")
    assert kept.execute("PRAGMA user_version").fetchone()[0] == 1
    assert kept.execute("SELECT tag FROM machines").fetchone()[0] == "OLD-1"
    kept.close()


def _shape(book):
    tables = [r["name"] for r in book.rows("SELECT name FROM sqlite_master WHERE type='table'")]
    assert len(tables) >= 8
    return {
        name: [tuple(row)[1:5] for row in book.rows(f"PRAGMA table_info({name})")]
        for name in tables
    } | {"version": book.row("PRAGMA user_version")[0]}


def test_a_failing_migration_changes_nothing(tmp_path, monkeypatch):
    with open_logbook(tmp_path) as book:
        add_machine(book, FULL_MACHINE)
    steps = (*STEPS, "CREATE TABLE extra (a);\nCREATE TABLE machines (b)")
    monkeypatch.setattr("quietrun.logbook.store.STEPS", steps)
    monkeypatch.setattr("quietrun.logbook.store.VERSION", VERSION + 1)
    with pytest.raises(UsageError, match="cannot be used"):
        open_logbook(tmp_path)
    monkeypatch.undo()
    with open_logbook(tmp_path) as book:
        assert machines(book) == (FULL_MACHINE,)
        assert book.rows("SELECT 1 FROM sqlite_master WHERE name = 'extra'") == []


def test_a_newer_book_is_left_alone(tmp_path, book):
    book.db.execute(f"PRAGMA user_version = {VERSION + 1}")
    with pytest.raises(UsageError, match="newer quietrun"):
        open_logbook(tmp_path)


def test_another_programs_database_is_left_alone(tmp_path):
    path = tmp_path / FILE_NAME
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE contacts (name)")
    other.commit()
    other.close()
    before = path.read_bytes()
    with pytest.raises(UsageError, match="no quietrun logbook"):
        open_logbook(tmp_path)
    assert path.read_bytes() == before


@pytest.mark.parametrize("content", [b"not a database at all" * 100, b"SQLite format 3\0" * 300])
def test_a_file_that_is_no_database_is_named_damaged(tmp_path, content):
    (tmp_path / FILE_NAME).write_bytes(content)
    with pytest.raises(UsageError, match=r"damaged|cannot be used"):
        open_logbook(tmp_path)


def test_no_book_and_no_wish_for_one(tmp_path):
    with pytest.raises(UsageError, match="no logbook at"):
        open_logbook(tmp_path, create=False)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_made_is_named(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(UsageError, match="cannot be made"):
        open_logbook(tmp_path / "file" / "home")
