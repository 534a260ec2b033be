"""A batch in one process: rows, what is kept, what is done again, what goes into the book."""

import json
import os
import unicodedata

import batch_fakes
import made_analyses
import pytest
from batch_fakes import make_clips

from quietrun.batch import run as run_module
from quietrun.batch.plan import plan_for
from quietrun.batch.rows import read_rows
from quietrun.batch.run import run_batch
from quietrun.batch.types import Outcome, Outputs, Settings, Silent
from quietrun.errors import ModelError, UsageError
from quietrun.judge.limits import FaultLimit, Limits
from quietrun.logbook.clips import clips as logged_clips
from quietrun.logbook.limits import as_object, put_limits
from quietrun.logbook.machines import add_machine
from quietrun.logbook.store import open_logbook
from quietrun.logbook.types import MachineRecord


class Heard(Silent):
    """Remembers what it was told."""

    def __init__(self):
        self.notes, self.begun, self.paths = [], [], []

    def note(self, text):
        self.notes.append(text)

    def begin(self, total, done):
        self.begun.append((total, done))

    def row(self, row):
        self.paths.append(row["clip"]["path"])


@pytest.fixture
def home(tmp_path):
    return tmp_path / "home"


@pytest.fixture
def go(tmp_path, home):
    """Run a batch on ``tmp_path/in``; returns outcome and listener."""

    def run(source=None, *, jobs=1, **more):
        outputs = more.pop("outputs", Outputs(tmp_path / "o.jsonl"))
        settings = Settings(jobs=jobs, analyse=batch_fakes.ANALYSE, home=str(home), **more)
        heard = Heard()
        plan = plan_for(str(source or tmp_path / "in"), outputs=outputs)
        return run_batch(plan, outputs, settings, heard), heard

    return run


@pytest.fixture
def out(tmp_path):
    return tmp_path / "o.jsonl"


def rows_of(path):
    return {row["clip"]["path"]: row for row in read_rows(path)}


def test_every_clip_has_its_row_whatever_is_wrong_with_it(tmp_path, go, out):
    clips = make_clips(tmp_path / "in", ["quiet", "noisy", "bug", "unreadable", "inspect"])
    outcome, heard = go()
    rows = rows_of(out)
    assert [rows[str(clip)]["verdict"] for clip in clips] == [
        *("quiet", "noisy", "unusable", "unusable", "inspect"),
    ]
    assert heard.begun == [(5, 0)]
    assert sorted(heard.paths) == sorted(map(str, clips))
    assert outcome.exit_code == 1
    assert (outcome.judged, outcome.kept) == (5, 0)
    assert [path for path, _ in outcome.failed] == [str(clips[2]), str(clips[3])]
    bug = rows[str(clips[2])]["recording"]["problems"][0]
    assert bug["what"] == "Judging this clip failed: RuntimeError: the wheels came off"
    assert bug["code"] == "gave_up"


def test_a_broken_model_stops_the_batch(tmp_path, go):
    make_clips(tmp_path / "in", ["model"])
    with pytest.raises(ModelError, match="The model is broken"):
        go()


def test_a_second_run_does_nothing_and_changes_nothing(tmp_path, go, out):
    make_clips(tmp_path / "in", ["quiet", "noisy"] * 4)
    go()
    before = out.read_bytes()
    outcome, heard = go()
    assert (outcome.judged, outcome.kept) == (0, 8)
    assert heard.begun == [(8, 8)]
    assert outcome.exit_code == 1
    assert out.read_bytes() == before


def test_a_second_run_does_what_is_new_or_changed_or_could_not_be_read(tmp_path, go, out):
    clips = make_clips(tmp_path / "in", ["quiet", "quiet", "unreadable", "bug"])
    go()
    clips[1].write_bytes(b"RIFFnoisy now")
    clips[3].write_bytes(b"RIFFinspect now")
    make_clips(tmp_path / "in" / "more", ["noisy"])
    outcome, heard = go()
    assert outcome.kept == 1
    assert str(clips[0]) not in heard.paths
    assert outcome.judged == 4
    assert [row["verdict"] for row in rows_of(out).values()].count("noisy") == 2
    assert len(list(read_rows(out))) == 5


def test_another_model_and_other_settings_judge_again(tmp_path, go, out, monkeypatch):
    make_clips(tmp_path / "in", ["quiet"] * 3)
    go()
    monkeypatch.setattr(run_module, "__version__", "9.9")
    outcome, _ = go()
    assert outcome.judged == 3
    monkeypatch.undo()
    go()
    (tmp_path / "m.csv").write_text("clip,mains_hz\nin/clip000.m4a,50\nin/clip001.m4a,\n")
    outcome, _ = go(tmp_path / "m.csv")
    assert (outcome.judged, outcome.kept) == (1, 1)

    class Other:
        sha256 = "f" * 64

    monkeypatch.setattr(batch_fakes, "general_model", Other)
    outcome, _ = go()
    assert outcome.judged == 3
    assert len(list(read_rows(out))) == 3


def test_a_moved_clip_takes_its_row_along_and_a_copy_gets_its_own(tmp_path, go, out):
    clips = make_clips(tmp_path / "in", ["noisy", "quiet"])
    go()
    moved = clips[0].with_name("moved.m4a")
    clips[0].rename(moved)
    copy = clips[1].with_name("copy.m4a")
    copy.write_bytes(clips[1].read_bytes())
    outcome, _ = go()
    assert (outcome.judged, outcome.kept) == (0, 3)
    again, _ = go(outputs=Outputs(tmp_path / "clean.jsonl"))
    assert again.judged == 3
    assert rows_of(out) == rows_of(tmp_path / "clean.jsonl")
    assert len(list(read_rows(out))) == 3


def test_a_clip_that_vanishes_midway_has_a_row_that_says_so(tmp_path, go, out, monkeypatch):
    clips = make_clips(tmp_path / "in", ["quiet"] * 4)
    real = batch_fakes.analyse

    def and_the_stick_is_pulled(path, **known):
        for clip in clips[2:]:
            clip.unlink(missing_ok=True)
        return real(path, **known)

    monkeypatch.setattr(batch_fakes, "analyse", and_the_stick_is_pulled)
    run_module_work = __import__("quietrun.batch.work", fromlist=["_analyser"])
    run_module_work._analyser.cache_clear()
    try:
        outcome, _ = go()
    finally:
        run_module_work._analyser.cache_clear()
    assert outcome.counts == {"quiet": 2, "unusable": 2}
    assert outcome.exit_code == 4
    gone = rows_of(out)[str(clips[3])]
    assert gone["recording"]["problems"][0]["code"] == "not_a_file"
    monkeypatch.undo()
    outcome, _ = go()
    assert set(rows_of(out)) == {str(clip) for clip in clips[:2]}, "a row about nothing goes"
    assert outcome.exit_code == 0


def test_a_name_in_a_manifest_without_a_file_is_one_row(tmp_path, go):
    make_clips(tmp_path / "in", ["quiet"])
    (tmp_path / "m.csv").write_text("clip\nin/clip000.m4a\nin/no.m4a\n")
    outcome, _ = go(tmp_path / "m.csv")
    assert outcome.counts == {"quiet": 1, "unusable": 1}


def test_rows_of_other_folders_stay(tmp_path, go, out):
    make_clips(tmp_path / "in", ["quiet"])
    make_clips(tmp_path / "in2", ["noisy"])
    go()
    outcome, _ = go(tmp_path / "in2")
    assert outcome.counts == {"noisy": 1}
    assert len(rows_of(out)) == 2


def test_what_a_manifest_says_is_in_the_row_and_may_change_without_judging_again(tmp_path, go, out):
    (clip,) = make_clips(tmp_path / "in", ["noisy"])
    manifest = tmp_path / "m.csv"
    manifest.write_text("clip,machine,date,phone,note\nin/clip000.m4a,B-1,2026-03-02,old,first\n")
    go(manifest)
    (row,) = read_rows(out)
    assert row["machine"]["id"] == "B-1"
    assert row["batch"]["date"].startswith("2026-03-02T00:00:00")
    assert (row["batch"]["date_source"], row["batch"]["phone"]) == ("given", "old")
    assert row["batch"]["note"] == "first"
    manifest.write_text("clip,machine,date,phone,note\nin/clip000.m4a,B-1,2026-03-03,old,second\n")
    outcome, _ = go(manifest)
    assert outcome.judged == 0
    (row,) = read_rows(out)
    assert row["batch"]["date"].startswith("2026-03-03")
    assert row["batch"]["note"] == "second"
    assert clip.exists()


def test_dates_come_from_the_best_source(tmp_path, go, out):
    for name in ("2026-03-02/a.m4a", "2026-03-02/2026-04-05 b.m4a", "c.m4a"):
        path = tmp_path / "in" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"RIFFquiet " + name.encode())
    go()
    dates = {
        os.path.basename(path): (row["batch"]["date"][:10], row["batch"]["date_source"])
        for path, row in rows_of(out).items()
    }
    assert dates["a.m4a"] == ("2026-03-02", "folder")
    assert dates["2026-04-05 b.m4a"] == ("2026-04-05", "file_name")
    assert dates["c.m4a"][1] == "container"


def test_the_row_is_the_object_of_check_and_one_member_more(tmp_path, go, out):
    from quietrun.report.contract import to_object

    (clip,) = make_clips(tmp_path / "in", ["noisy"])
    go()
    (row,) = read_rows(out)
    batch = row.pop("batch")
    known = plan_for(str(tmp_path / "in")).items[0].machine
    assert row == json.loads(json.dumps(to_object(batch_fakes.analyse(str(clip), machine=known))))
    assert set(batch) == {"settings", "date", "date_source", "phone", "note", "logged"}


def test_table_and_page_follow_the_rows(tmp_path, go):
    make_clips(tmp_path / "in", ["quiet", "noisy"])
    outputs = Outputs(tmp_path / "o.jsonl", tmp_path / "o.csv", tmp_path / "o.html")
    go(outputs=outputs)
    assert outputs.table.read_text().count("\n") == 3
    make_clips(tmp_path / "in" / "more", ["inspect"])
    go(outputs=outputs)
    lines = outputs.table.read_text().splitlines()
    assert len(lines) == 4
    assert lines[3].startswith(f'"{tmp_path}/in/more/clip000.m4a"')
    assert "3 clips" in outputs.page.read_text()
    leftovers = {path.name for path in tmp_path.iterdir()} - {"in", "home"}
    assert leftovers == {"o.jsonl", "o.csv", "o.html"}


@pytest.mark.parametrize("which", ["table", "page"])
def test_outputs_must_not_write_over_each_other_or_over_others(tmp_path, go, which):
    make_clips(tmp_path / "in", ["quiet"])
    rows = tmp_path / "o.jsonl"
    with pytest.raises(UsageError, match="Two outputs have the same name"):
        go(outputs=Outputs(rows, **{which: tmp_path / "in" / ".." / "o.jsonl"}))
    mine = tmp_path / "mine"
    mine.write_text("my own\n")
    with pytest.raises(UsageError, match="no batch made it"):
        go(outputs=Outputs(rows, **{which: mine}))
    assert mine.read_text() == "my own\n"


@pytest.mark.parametrize(
    ("counts", "code"),
    [
        ({"quiet": 3}, 0),
        ({"quiet": 3, "inspect": 1}, 1),
        ({"noisy": 1, "unusable": 2}, 1),
        ({"quiet": 1, "unusable": 2}, 4),
        ({"unusable": 2}, 3),
    ],
)
def test_exit_codes_are_those_of_the_design(counts, code):
    assert Outcome(counts, (), 0, 0).exit_code == code


@pytest.fixture
def book(home):
    with open_logbook(home) as book:
        add_machine(book, MachineRecord(tag="B-1", mains_hz=60.0, poles=4, phone="shop phone"))
    return home


def test_a_machine_of_the_book_is_known_and_the_manifest_overrules(tmp_path, go, out, book):
    make_clips(tmp_path / "in" / "B-1", ["quiet"])
    go()
    (row,) = read_rows(out)
    assert (row["machine"]["mains_hz"], row["machine"]["poles"]) == (60.0, 4)
    assert row["batch"]["phone"] == "shop phone"
    (tmp_path / "m.csv").write_text("clip,machine,mains_hz,poles\nin/B-1/clip000.m4a,b-1,50,2\n")
    go(tmp_path / "m.csv")
    (row,) = read_rows(out)
    assert (row["machine"]["mains_hz"], row["machine"]["poles"]) == (50.0, 2)


def test_judgements_go_into_the_book_of_machines_that_are_in_it(tmp_path, go, out, book):
    make_clips(tmp_path / "in" / "B-1" / "2026-03-02", ["quiet", "noisy"])
    make_clips(tmp_path / "in" / "X-9", ["noisy now"])
    make_clips(tmp_path / "in" / "music", ["inspect"])
    go()
    assert not any(row["batch"]["logged"] for row in read_rows(out))
    outcome, heard = go(log=True)
    assert outcome.judged == 2, "only what is not in the book yet"
    assert heard.notes == [
        "Not in the logbook, so their clips are not logged: X-9. "
        "Add one with: quietrun machine add X-9"
    ]
    with open_logbook(book) as opened:
        kept = logged_clips(opened, "B-1")
    assert [(clip.when.day, clip.latest.verdict) for clip in kept] == [
        ("2026-03-02", "quiet"),
        ("2026-03-02", "noisy"),
    ]
    assert kept[1].latest.scores["bearing_noise"] == 0.0
    assert kept[1].latest.evidence["knock_rate"] == 12.437
    outcome, _ = go(log=True)
    assert outcome.judged == 0


def own_limits(runs):
    return Limits(
        machine="B-1",
        phone="shop phone",
        stage="assembled",
        model_sha256=made_analyses.MODEL.sha256,
        faults={"bearing_noise": FaultLimit(shift=0.5, limit=1.0)},
        usual={"knock_rate": (0.0, 2.0)},
        runs=runs,
    )


def test_a_machines_own_limits_judge_its_clips_and_new_ones_judge_again(tmp_path, go, out, book):
    """Also in worker processes, where limits must arrive whole."""
    make_clips(tmp_path / "in" / "B-1", ["limits"])
    for runs, jobs in ((5, 1), (9, 2)):
        with open_logbook(book) as opened:
            put_limits(opened, "B-1", as_object(own_limits(runs), baseline=None))
        outcome, _ = go(jobs=jobs)
        assert outcome.judged == 1
        (row,) = read_rows(out)
        assert row["because"] == [repr(own_limits(runs))]
    outcome, _ = go()
    assert outcome.judged == 0


def test_a_clip_of_another_machine_is_told_and_costs_nothing_else(tmp_path, go, out, book):
    with open_logbook(book) as opened:
        add_machine(opened, MachineRecord(tag="B-2"))
    (clip,) = make_clips(tmp_path / "in" / "B-1", ["quiet"])
    go(log=True)
    copy = tmp_path / "in" / "B-2" / "copy.m4a"
    copy.parent.mkdir()
    copy.write_bytes(clip.read_bytes())
    outcome, heard = go(log=True)
    assert outcome.counts == {"quiet": 2}
    assert any("is in the logbook as a clip of machine B-1" in note for note in heard.notes)


def test_logging_without_a_book_is_a_mistake_before_anything_is_judged(tmp_path, go, out):
    make_clips(tmp_path / "in", ["quiet"])
    with pytest.raises(UsageError, match="There is no logbook"):
        go(log=True)
    assert not out.exists() or out.read_bytes() == b""


def test_the_time_limit_makes_a_row(tmp_path, go, out):
    make_clips(tmp_path / "in", ["spin", "quiet"])
    outcome, _ = go(time_limit_s=0.3)
    assert outcome.counts == {"quiet": 1, "unusable": 1}
    assert "given up after 0.3 s" in outcome.failed[0][1]


def test_names_composed_either_way_find_their_row(tmp_path, go):
    """A copy to a disk that composes accents otherwise is the same content: nothing is redone."""
    (clip,) = make_clips(tmp_path / "in", ["quiet"])
    composed = clip.with_name(unicodedata.normalize("NFC", "caf\u00e9.m4a"))
    clip.rename(composed)
    go()
    composed.rename(composed.with_name(unicodedata.normalize("NFD", "caf\u00e9.m4a")))
    outcome, _ = go()
    assert (outcome.judged, outcome.kept) == (0, 1)
