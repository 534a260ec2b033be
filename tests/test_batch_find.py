"""Finding clips in folders, and what names say of them."""

import os
import unicodedata
from pathlib import PurePath

import clip_files
import pytest

from quietrun.batch.find import find_clips
from quietrun.batch.names import said_by_path
from quietrun.batch.plan import folder_to_follow, plan_folder, plan_for, plan_list
from quietrun.batch.types import Outputs
from quietrun.errors import UsageError


def names(clips, folder):
    return sorted(os.path.relpath(path, folder) for path in clips)


@pytest.fixture(scope="module")
def tone(tmp_path_factory):
    path = tmp_path_factory.mktemp("tone") / "tone.m4a"
    clip_files.encode(path, clip_files.tone(seconds=0.5), "aac", "ipod")
    return path.read_bytes()


def test_content_decides_whatever_the_suffix(tmp_path, tone):
    for name in ("A.M4A", "b.m4a", "c", "d.dat", "sub/e.QtA"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(tone)
    clips, skipped = find_clips(str(tmp_path))
    assert names(clips, tmp_path) == ["A.M4A", "b.m4a", "c", "d.dat", "sub/e.QtA"]
    assert skipped == []


def test_what_is_no_clip_is_skipped_with_the_reason(tmp_path, tone):
    files = {
        "notes.txt": b"Tuesday: the loud one\n",
        "photo.jpg": b"\xff\xd8\xff\xe0rest",
        "random.bin": bytes(range(256)) * 4,
        ".hidden.m4a": tone,
        "._clip.m4a": bytes.fromhex("0005160700020000"),
        ".cloudy.m4a.icloud": b"bplist00",
        "half.m4a.part": tone[:100],
        "Thumbs.db": tone,
        "__MACOSX/clip.m4a": tone,
        ".trash/clip.m4a": tone,
        "clip.m4a": tone,
    }
    for name, data in files.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(data)
    os.symlink(tmp_path, tmp_path / "loop")
    os.symlink(tmp_path / "nothing", tmp_path / "broken.m4a")
    os.mkfifo(tmp_path / "pipe.wav")
    clips, skipped = find_clips(str(tmp_path))
    assert names(clips, tmp_path) == ["clip.m4a"]
    assert {os.path.relpath(one.path, tmp_path): one.why for one in skipped} == {
        "notes.txt": "a text file",
        "photo.jpg": "a picture (JPEG)",
        "random.bin": "not a recording that is known here",
        ".hidden.m4a": "a hidden file",
        "._clip.m4a": "the hidden companion of a file, not the file",
        ".cloudy.m4a.icloud": "still in the cloud: only its placeholder is here",
        "half.m4a.part": "a copy under way",
        "Thumbs.db": "a file of the system",
        "__MACOSX": "a folder of the system",
        ".trash": "a hidden folder",
        "loop": "a link to a folder",
        "broken.m4a": "a link to nothing",
        "pipe.wav": "a pipe or a device",
    }


def test_a_broken_file_with_a_recorders_suffix_is_judged_so_that_it_gets_its_row(tmp_path):
    (tmp_path / "empty.WAV").write_bytes(b"")
    (tmp_path / "text.m4a").write_text("hello")
    clips, _ = find_clips(str(tmp_path))
    assert names(clips, tmp_path) == ["empty.WAV", "text.m4a"]


def test_strange_names_are_found_as_they_are(tmp_path, tone):
    strange = ["-2.m4a", "=1+1.m4a", "a\nb.m4a", " 'q'.m4a", "\u2603 \u00e4.m4a"]
    strange.append(unicodedata.normalize("NFD", "caf\u00e9.m4a"))
    for name in strange:
        (tmp_path / name).write_bytes(tone)
    undecodable = os.fsencode(tmp_path) + b"/\xff.m4a"
    with open(undecodable, "wb") as file:
        file.write(tone)
    clips, _ = find_clips(str(tmp_path))
    assert {os.path.basename(path) for path in clips} == {*strange, os.fsdecode(b"\xff.m4a")}


def test_a_folder_without_clips_is_a_mistake_that_says_what_is_there(tmp_path):
    with pytest.raises(UsageError, match=r"no clips in .*nothing at all"):
        plan_folder(str(tmp_path))
    (tmp_path / "a.txt").write_text("text")
    with pytest.raises(UsageError, match=r"1 other file in it.\n.*a.txt: a text file"):
        plan_folder(str(tmp_path))


def test_outputs_in_the_folder_are_no_clips(tmp_path, tone):
    (tmp_path / "clip.m4a").write_bytes(tone)
    out = tmp_path / "out.wav"  # an odd name for rows, but the user's choice
    out.write_bytes(tone)
    plan = plan_for(str(tmp_path), outputs=Outputs(out))
    assert [item.path for item in plan.items] == [str(tmp_path / "clip.m4a")]
    assert plan.skipped[0].why == "written by this batch"


@pytest.mark.parametrize(
    ("path", "machine", "stage", "date"),
    [
        ("clip.m4a", None, None, None),
        ("B-014/clip.m4a", "B-014", None, None),
        ("B-014/2026-03-02/Motor only/clip.m4a", "B-014", "motor_only", "2026-03-02"),
        ("20260302/B-014/hand-spin/x.wav", "B-014", "hand_spin", "2026-03-02"),
        ("Voice Memos/B-014/x.wav", "B-014", None, None),
        ("B-014/Cafe Nine/x.wav", "B-014", None, None),
        ("B-014/31-02-2026/x.wav", "B-014", None, None),
        ("2099-01-01/x.wav", "2099-01-01", None, None),
        ("B-014__motor_only__2026-03-02.m4a", "B-014", "motor_only", None),
        ("B-014__2026-03-02__Burr setting__second try.m4a", "B-014", "burr_setting", None),
        ("A-1/motor_only/B-014__assembled.m4a", "B-014", "assembled", None),
        ("A-1/2026-01-01/Recording 2026-03-02 09.15.m4a", "A-1", None, None),
        ("motor_only__2026-03-02.m4a", None, "motor_only", None),
        ("a_b_c.m4a", None, None, None),
    ],
)
def test_names_say_machine_stage_and_date(path, machine, stage, date):
    said = said_by_path(PurePath(path))
    assert (said.machine, said.stage, said.date) == (machine, stage, date)


def test_a_list_of_names_by_lines_or_zero_bytes():
    plan = plan_list(b"a.m4a\r\nM-1__motor_only.m4a\n\na.m4a\n")
    assert [item.path for item in plan.items] == ["a.m4a", "M-1__motor_only.m4a"]
    assert plan.items[1].machine.id == "M-1"
    assert [item.path for item in plan_list(b"a\nb.m4a\0c.m4a\0").items] == ["a\nb.m4a", "c.m4a"]
    with pytest.raises(UsageError, match="no names on standard input"):
        plan_list(b"\n\n")


def test_what_cannot_be_planned_says_what_to_do(tmp_path, tone):
    clip = tmp_path / "clip.m4a"
    clip.write_bytes(tone)
    with pytest.raises(UsageError, match=r"is a clip: an M4A.*\n.*\n.*quietrun check"):
        plan_for(str(clip))
    with pytest.raises(UsageError, match="no folder or manifest"):
        plan_for(str(tmp_path / "nowhere"))
    with pytest.raises(UsageError, match="is no folder"):
        folder_to_follow(str(clip))
    manifest = tmp_path / "m.csv"
    manifest.write_text("clip\nclip.m4a\n")
    with pytest.raises(UsageError, match="both the manifest and an output"):
        plan_for(str(manifest), outputs=Outputs(tmp_path / "o.jsonl", table=manifest))
