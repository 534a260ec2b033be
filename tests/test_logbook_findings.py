"""What technicians confirm, one by one and from a CSV; and the check of the book."""

import pytest
from made_logbook import FULL_MACHINE, made_entry, made_report, sha_of

from quietrun.errors import UsageError
from quietrun.logbook.checking import check_book, check_object
from quietrun.logbook.clips import add_clip, clip_by_name
from quietrun.logbook.confirmations import confirm, confirm_all, read_csv
from quietrun.logbook.machines import add_machine
from quietrun.logbook.store import open_logbook
from quietrun.report.logbook_text import check_text


@pytest.fixture
def book(tmp_path):
    with open_logbook(tmp_path / "home") as opened:
        add_machine(opened, FULL_MACHINE)
        add_clip(opened, made_entry(1))
        add_clip(opened, made_entry(2, stage="motor_only"))
        yield opened


def words(book, number):
    return [found.what for found in clip_by_name(book, sha_of(number)).confirmed]


def test_faults_add_up_and_quiet_excludes_them(book):
    confirm(book, sha_of(1), "bearing_noise", note="front one rough")
    confirm(book, sha_of(1), "impeller_rub")
    confirm(book, sha_of(1), "bearing_noise")
    assert words(book, 1) == ["bearing_noise", "impeller_rub"]
    assert clip_by_name(book, sha_of(1)).confirmed[0].note == "front one rough"
    with pytest.raises(UsageError, match="confirmed as bearing_noise, impeller_rub before"):
        confirm(book, sha_of(1), "quiet")
    confirm(book, sha_of(1), "quiet", replace=True)
    assert words(book, 1) == ["quiet"]
    assert clip_by_name(book, sha_of(1)).confirmed_quiet


def test_a_fault_the_stage_cannot_have_is_refused(book):
    with pytest.raises(UsageError, match="cannot come from a motor_only clip"):
        confirm(book, sha_of(2), "burr_contact")
    with pytest.raises(UsageError, match="Use one of"):
        confirm(book, sha_of(2), "gremlins")


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_a_csv_is_read_whatever_its_mark(book, tmp_path, mark):
    path = tmp_path / "found.csv"
    lines = (
        ["Finding", " Clip ", "note"],
        ["quiet", "clip-1.m4a", "ran an hour"],
        ["impeller_rub", sha_of(2)[:12], ""],
    )
    path.write_text("\n".join(mark.join(line) for line in lines), encoding="utf-8-sig")
    assert confirm_all(book, path) == 2
    assert (words(book, 1), words(book, 2)) == (["quiet"], ["impeller_rub"])


def test_clips_beside_the_csv_are_meant_first(book, tmp_path):
    clip = tmp_path / "mine.wav"
    clip.write_bytes(b"sound")
    from quietrun.logbook.clips import hash_file

    add_clip(book, made_entry(5, sha256=hash_file(clip), path="/gone/mine.wav"))
    (tmp_path / "found.csv").write_text("clip,finding\nmine.wav,quiet\n")
    confirm_all(book, tmp_path / "found.csv")
    assert clip_by_name(book, str(clip)).confirmed_quiet


def test_one_bad_line_and_nothing_is_entered(book, tmp_path):
    path = tmp_path / "found.csv"
    path.write_text("clip,finding\nclip-1.m4a,quiet\nclip-2.m4a,burr_contact\n")
    with pytest.raises(UsageError, match="line 3: burr_contact cannot come from"):
        confirm_all(book, path)
    assert words(book, 1) == []


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "needs one column each"),
        ("clip,verdict\na,quiet\n", "needs one column each"),
        ("clip,clip,finding\na,b,quiet\n", "needs one column each"),
        ("clip,finding\na\n", "line 2: a clip and a finding are needed"),
        ("clip,finding\na,quiet,extra\n", "line 2: a clip and a finding are needed"),
        ("clip,finding\n,quiet\n", "line 2: a clip and a finding are needed"),
        ('clip,finding\n"a,quiet\n' + "x" * 140_000, "cannot be cut into columns"),
    ],
)
def test_a_csv_that_is_wrong_names_the_line(tmp_path, text, says):
    path = tmp_path / "found.csv"
    path.write_text(text)
    with pytest.raises(UsageError, match=says):
        read_csv(path)


def test_a_csv_that_is_no_text_is_named(tmp_path):
    path = tmp_path / "found.csv"
    path.write_bytes(b"\xff\xd8\xff\xe0 picture")
    with pytest.raises(UsageError, match="cannot be read"):
        read_csv(path)


def test_a_sound_book_is_called_sound(book, tmp_path):
    for number in (1, 2):
        path = tmp_path / f"clip-{number}.m4a"
        path.write_bytes(b"x")
        stage = "motor_only" if number == 2 else "assembled"
        add_clip(book, made_entry(number, path=str(path), stage=stage))
    assert check_book(book) == ()
    assert "is sound: 1 machines, 2 clips" in check_text(check_object(book))


def spoil(book, sql, *values):
    with book.writing() as db:
        db.execute(sql, values)


@pytest.mark.parametrize(
    ("sql", "says", "serious"),
    [
        ("UPDATE machines SET poles = 5", "poles come in pairs", True),
        ("UPDATE machines SET bearings = 'x'", "Machine B-014", True),
        ("UPDATE analyses SET report = '{}'", "schema None is not", True),
        ("UPDATE analyses SET evidence = '[1]'", "an object is needed", True),
        ("UPDATE clips SET parts_changed = 'x'", "cannot be read", True),
        ("UPDATE clips SET at_utc='2099-01-01', at='2099-01-01T00:00:00+00:00'", "future", False),
        ("DELETE FROM analyses", "never judged", False),
        ("UPDATE clips SET stage = 'hand_spin'", "was judged as assembled but is kept as", False),
        (
            "INSERT INTO confirmations (clip_id, what, said_at)"
            " VALUES (2, 'burr_contact', '2026-03-06T08:00:00+00:00')",
            "motor_only cannot have it",
            True,
        ),
        (
            "INSERT INTO confirmations (clip_id, what, said_at) VALUES (1, 'quiet', 'x'),"
            " (1, 'impeller_rub', 'x')",
            "as quiet and as faulty",
            True,
        ),
        ("UPDATE clips SET path = '/gone'", "no longer where it was", False),
    ],
)
def test_what_is_wrong_in_a_book_is_found(book, sql, says, serious):
    spoil(book, sql)
    found = [remark for remark in check_book(book) if says in remark.what]
    assert found
    assert found[0].serious is serious


def test_an_entry_that_belongs_to_nothing_is_found(book):
    book.db.execute("PRAGMA foreign_keys = OFF")
    spoil(book, "DELETE FROM visits")
    assert any("belongs to nothing" in remark.what for remark in check_book(book))


def test_two_models_are_noted(book):
    report = made_report(1)
    report["tool"]["model_sha256"] = "cd" * 32
    add_clip(book, made_entry(1, report=report))
    assert any("judged by 2 models" in remark.what for remark in check_book(book))
