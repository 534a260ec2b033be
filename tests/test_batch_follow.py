"""Watching a folder: a clip is judged once it is complete, and not before."""

import os
import threading

import batch_fakes
import clip_files
import pytest
from batch_fakes import make_clips

from quietrun.batch import follow as follow_module
from quietrun.batch.find import in_the_cloud
from quietrun.batch.follow import Watch, follow, looks_whole
from quietrun.batch.rows import read_rows
from quietrun.batch.types import Outputs, Settings, Silent


class Notes(Silent):
    def __init__(self):
        self.notes = []

    def note(self, text):
        self.notes.append(text)


@pytest.fixture
def watch(tmp_path):
    notes = Notes()
    made = Watch(str(tmp_path / "in"), (), notes.note, settle_s=4.0, patience_s=300.0)
    (tmp_path / "in").mkdir()
    return made, notes


@pytest.fixture(scope="module")
def sounds(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sounds")
    x = clip_files.tone(seconds=1.0)
    return {
        "index last": clip_files.encode(folder / "a.m4a", x, "aac", "ipod").read_bytes(),
        "index first": clip_files.encode(
            folder / "b.m4a", x, "aac", "ipod", options={"movflags": "faststart"}
        ).read_bytes(),
        "wav": clip_files.encode(
            folder / "c.wav", x, "pcm_s16le", "wav", sample_format="s16"
        ).read_bytes(),
        "ogg": clip_files.encode(folder / "d.ogg", x, "libopus", "ogg").read_bytes(),
    }


@pytest.mark.parametrize("kind", ["index last", "index first", "wav", "ogg"])
@pytest.mark.parametrize("share", [0.05, 0.5, 0.97, 1.0])
def test_a_part_of_a_recording_does_not_look_whole(tmp_path, sounds, kind, share):
    data = sounds[kind]
    path = tmp_path / "x"
    path.write_bytes(data[: int(len(data) * share)])
    assert looks_whole(str(path)) == (share == 1.0)


def test_an_empty_file_is_not_whole_and_an_unknown_one_cannot_say(tmp_path):
    path = tmp_path / "x.m4a"
    path.write_bytes(b"")
    assert not looks_whole(str(path))
    path.write_bytes(b"\xf0\x0f" * 100)
    assert looks_whole(str(path))
    assert not looks_whole(str(tmp_path / "no"))


def test_a_clip_waits_until_it_stands_still(watch, tmp_path, sounds):
    watched, notes = watch
    data = sounds["wav"]
    path = tmp_path / "in" / "x.wav"
    assert watched.ready(0.0) == []
    path.write_bytes(data[:1000])
    assert watched.ready(1.0) == []
    assert watched.ready(6.0) == [], "still, but only a part of it"
    assert notes.notes == [
        f"Waiting for {path}: only a part of it is here, a copy may be under way"
    ]
    path.write_bytes(data)
    assert watched.ready(7.0) == [], "it has just grown"
    assert watched.ready(10.9) == []
    assert watched.ready(11.0) == [str(path)]
    assert watched.ready(20.0) == [], "once is enough"
    path.write_bytes(data + b"\0\0")
    assert watched.ready(21.0) == []
    assert watched.ready(26.0) == [str(path)], "it has changed"


def test_a_recording_that_never_becomes_whole_is_judged_in_the_end(watch, tmp_path, sounds):
    watched, _ = watch
    path = tmp_path / "in" / "cut.m4a"
    path.write_bytes(sounds["index last"][:-500])
    assert watched.ready(0.0) == []
    assert watched.ready(299.0) == []
    assert watched.ready(300.0) == [str(path)]


def test_placeholders_and_copies_under_way_wait_with_a_word_said_once(watch, tmp_path, sounds):
    watched, notes = watch
    (tmp_path / "in" / ".x.m4a.icloud").write_bytes(b"bplist00")
    (tmp_path / "in" / "y.m4a.part").write_bytes(sounds["index last"])
    for now_s in (0.0, 10.0, 500.0):
        assert watched.ready(now_s) == []
    assert sorted(notes.notes) == [
        f"Waiting for {tmp_path}/in/.x.m4a.icloud: still in the cloud: "
        "only its placeholder is here",
        f"Waiting for {tmp_path}/in/y.m4a.part: a copy under way",
    ]


class _Stat:
    def __init__(self, real, **more):
        self.__dict__.update(more)
        self.st_size, self.st_mtime_ns, self.st_mode = real.st_size, real.st_mtime_ns, real.st_mode


@pytest.mark.parametrize(
    "more",
    [{"st_flags": 0x40000000}, {"st_file_attributes": 0x400000}, {"st_file_attributes": 0x1000}],
)
def test_a_placeholder_that_looks_like_a_file_is_not_opened(
    watch, tmp_path, sounds, monkeypatch, more
):
    watched, notes = watch
    path = tmp_path / "in" / "x.wav"
    path.write_bytes(sounds["wav"])
    away = _Stat(os.stat(path), **more)
    assert in_the_cloud(away)
    assert not in_the_cloud(os.stat(path))
    real = os.stat
    monkeypatch.setattr(
        follow_module.os, "stat", lambda p, **k: away if str(p) == str(path) else real(p, **k)
    )
    monkeypatch.setattr(follow_module, "looks_whole", lambda _: pytest.fail("it was opened"))
    assert watched.ready(0.0) == []
    assert watched.ready(10.0) == []
    assert notes.notes == [f"Waiting for {path}: still in the cloud, only its placeholder is here"]


def test_a_folder_that_goes_away_is_told_and_may_come_back(watch, tmp_path, sounds):
    watched, notes = watch
    os.rename(tmp_path / "in", tmp_path / "away")
    assert watched.ready(0.0) == []
    assert "cannot be listed" in notes.notes[0]
    os.rename(tmp_path / "away", tmp_path / "in")
    (tmp_path / "in" / "x.wav").write_bytes(sounds["wav"])
    watched.ready(1.0)
    assert watched.ready(9.0) == [str(tmp_path / "in" / "x.wav")]


def test_following_judges_what_comes_and_what_changes(tmp_path):
    """The whole of it, with real time made short."""
    folder, notes = tmp_path / "in" / "B-1", Notes()
    first, second = make_clips(folder, ["quiet", "crash"])
    outputs = Outputs(tmp_path / "o.jsonl", tmp_path / "o.csv", tmp_path / "o.html")
    settings = Settings(analyse=batch_fakes.ANALYSE, home=str(tmp_path / "home"), jobs=1)
    steps = {
        2: lambda: make_clips(folder / "later", ["noisy"]),
        3: lambda: first.write_bytes(b"RIFFinspect changed"),
    }

    def rows():
        return {row["clip"]["path"]: row for row in read_rows(outputs.rows)}

    def stop():
        done = len(rows())
        if done in steps:
            steps.pop(done)()
        return not steps and rows()[str(first)]["verdict"] == "inspect"

    watchdog = threading.Timer(60, os._exit, (9,))
    watchdog.start()
    try:
        outcome = follow(
            str(tmp_path / "in"),
            outputs,
            settings,
            notes,
            stop=stop,
            every_s=0.02,
            settle_s=0.05,
            patience_s=0.05,
        )
    finally:
        watchdog.cancel()
    assert {os.path.relpath(path, tmp_path): row["verdict"] for path, row in rows().items()} == {
        "in/B-1/clip000.m4a": "inspect",
        "in/B-1/clip001.m4a": "unusable",
        "in/B-1/later/clip000.m4a": "noisy",
    }
    assert len(list(read_rows(outputs.rows))) == 3
    assert rows()[str(first)]["machine"]["id"] == "B-1"
    assert outcome.counts == {"inspect": 1, "noisy": 1, "unusable": 1}
    assert outputs.table.read_text().count("\n") == 4
    assert "3 clips" in outputs.page.read_text()
    assert second.exists()
