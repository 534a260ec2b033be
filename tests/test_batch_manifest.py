"""Manifests: every way in which people and spreadsheets write them."""

import os
import unicodedata

import pytest

from quietrun.batch.manifest import COLUMNS, locate, read_manifest
from quietrun.batch.plan import plan_manifest
from quietrun.errors import UsageError


@pytest.fixture
def write(tmp_path):
    def put(data):
        path = tmp_path / "m.csv"
        path.write_bytes(data if isinstance(data, bytes) else data.encode())
        return str(path)

    return put


FULL = (
    "note,phone,date,poles,mains_hz,stage,machine,clip\r\n"
    '"after, new burrs",old one,2026-03-02,4,50,motor_only,B-014,a.m4a\r\n'
)


@pytest.mark.parametrize(
    "data",
    [
        FULL,
        "\ufeff" + FULL,
        FULL.encode("utf-16"),
        FULL.replace("\r\n", "\n"),
        FULL.replace("\r\n", "\r"),
        FULL.replace("after, new", "after/ new").replace(",", ";").replace("/", ","),
        FULL.replace("after, new", "after/ new").replace(",", "\t").replace("/", ","),
        FULL.replace("note", " Note ").replace("mains_hz", "Mains Hz"),
        FULL.replace("motor_only", "Motor only").replace(",50,", ',"50,0 Hz",'),
        "\r\n,,,,,,,\r\n" + FULL + ",,,,,,,\r\n\r\n",
    ],
    ids=[
        *("plain", "bom", "utf-16", "lf", "cr", "semicolons", "tabs", "headings", "cells"),
        "blank lines",
    ],
)
def test_all_columns_in_any_order_and_any_dress(write, data):
    path = write(data)
    (item,) = plan_manifest(path).items
    assert item.path == os.path.join(os.path.dirname(path), "a.m4a")
    assert (item.machine.id, item.machine.stage, item.machine.phone) == (
        "B-014",
        "motor_only",
        "old one",
    )
    assert (item.machine.mains_hz, item.machine.poles) == (50.0, 4)
    assert (item.date, item.date_from, item.note) == ("2026-03-02", "given", "after, new burrs")


def test_only_clip_is_required_and_names_fill_what_is_empty(write):
    manifest = "clip,stage\nB-1__motor_only.m4a,\nB-1__motor_only__2.m4a,assembled\nc.m4a,\n"
    items = plan_manifest(write(manifest)).items
    assert [item.machine.id for item in items] == ["B-1", "B-1", None]
    assert [item.machine.stage for item in items] == ["motor_only", "assembled", "assembled"]


@pytest.mark.parametrize(
    ("data", "says"),
    [
        ("", r"is empty\."),
        ("clip\n", r"names no clips"),
        ("stage\nassembled\n", r"line 1: there is no column clip"),
        ("clip,machne\na,b\n", r"line 1: there is no column 'machne'(.|\n)*mean machine\?"),
        ("clip,clip\na,b\n", r"line 1: the column clip is there twice"),
        ("clip,stage\na,\nb,motors\n", r"line 3: stage is 'motors'(.|\n)*one of hand_spin"),
        ("clip,mains_hz\na,55\n", r"line 2: mains_hz is '55'(.|\n)*50 or 60"),
        ("clip,mains_hz\na,nan\n", r"line 2: mains_hz is 'nan'"),
        ("clip,poles\na,3\n", r"line 2: poles is '3'(.|\n)*2 or 4"),
        ("clip,date\na,02.03.2026\n", r"line 2: date is '02.03.2026'(.|\n)*year first"),
        ("clip,date\na,2099-01-01\n", r"line 2: date is '2099-01-01'(.|\n)*future"),
        ("clip,machine\na,-x\n", r"line 2: machine is '-x'"),
        ("clip,note\na,b,c\n", r"line 2: it has 3 cells for 2 columns"),
        ("clip,note\n,b\n", r"line 2: the cell clip is empty"),
        ('clip\n"a\nb.m4a"\n"c\n', r"line 4: its quotes are not in order"),
        ('clip,note\n"a\nb.m4a",x\nc,\nc,\n', r"line 5: the clip c is in line 4 already"),
        ("clip\n./c\nc\n", r"line 3: the clip c is in line 2 already"),
        ("clip\na\0b\n", r"line 2: a zero byte"),
        ("clip\na\ncaf\u00e9.m4a\n".encode("latin-1"), r"line 3: a letter that is not UTF-8"),
        ("clip,note\na," + "x" * 5000 + "\n", r"line 2: the cell note has 5000 letters"),
    ],
)
def test_a_mistake_is_told_with_its_line_and_what_to_write(write, data, says):
    with pytest.raises(UsageError, match=says):
        read_manifest(write(data))


def test_other_columns_are_left_alone_with_a_word(write):
    manifest = read_manifest(write("clip,technician,\na.m4a,somebody,\n"))
    assert manifest.entries[0].clip == "a.m4a"
    assert len(manifest.notes) == 1
    assert "'technician'" in manifest.notes[0]


@pytest.mark.parametrize("typed", ["NFC", "NFD"])
@pytest.mark.parametrize("on_disk", ["NFC", "NFD"])
def test_names_match_however_accents_are_composed(tmp_path, typed, on_disk):
    folder = tmp_path / unicodedata.normalize(on_disk, "Caf\u00e9")
    folder.mkdir()
    clip = folder / unicodedata.normalize(on_disk, "m\u00fchle.m4a")
    clip.write_bytes(b"x")
    (tmp_path / "m.csv").write_text(
        unicodedata.normalize(typed, "clip\nCaf\u00e9/m\u00fchle.m4a\n"), encoding="utf-8"
    )
    (item,) = plan_manifest(str(tmp_path / "m.csv")).items
    assert os.path.samefile(item.path, clip)


def test_a_clip_that_is_not_there_keeps_its_name_and_an_absolute_one_its_place(tmp_path):
    assert locate(str(tmp_path), "no/such.m4a") == str(tmp_path / "no/such.m4a")
    there = tmp_path / "x.m4a"
    there.write_bytes(b"x")
    assert locate("/elsewhere", str(there)) == str(there)
    assert locate("", "no.m4a") == "no.m4a"


def test_the_columns_are_those_of_the_design():
    assert COLUMNS == ("clip", "machine", "stage", "mains_hz", "poles", "date", "phone", "note")
