"""The CSV: what a spreadsheet makes of it."""

import collections
import csv
import io
import os
import subprocess

import made_analyses
import pytest
from test_batch_rows import row, small_disk  # noqa: F401

from quietrun.batch.table import COLUMNS, TableFile, defused, line_of
from quietrun.errors import UsageError
from quietrun.words import FAULTS


def read(path, delimiter=","):
    text = path.read_bytes().decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(text, newline=""), delimiter=delimiter))


def write(path, rows, **how):
    with TableFile(path, **how) as table:
        table.renew(rows)


def test_each_row_has_its_line_and_each_number_its_cell(tmp_path):
    path = tmp_path / "t.csv"
    write(path, [row(word, word) for word in made_analyses.ALL])
    lines = read(path)
    assert [line["clip"] for line in lines] == list(made_analyses.ALL)
    noisy = lines[1]
    assert noisy["verdict"] == "noisy"
    assert noisy["flagged"] == "bearing_noise"
    assert float(noisy["bearing_noise"]) == 0.979
    assert float(noisy["room_snr_db"]) == 21.3
    assert noisy["findings"] == "coast_down_short"
    unreadable = lines[list(made_analyses.ALL).index("unreadable")]
    assert (unreadable["verdict"], unreadable["bearing_noise"]) == ("unusable", "")
    assert unreadable["problems"] == "empty_file"
    assert set(FAULTS) <= COLUMNS.keys()


def test_lines_end_as_rfc_4180_says_and_there_is_no_mark_unless_asked(tmp_path):
    path = tmp_path / "t.csv"
    write(path, [row("m\u00fchle.m4a")])
    data = path.read_bytes()
    assert data.startswith(b'"clip","machine"')
    assert data.count(b"\r\n") == data.count(b"\n") == 2
    assert "m\u00fchle".encode() in data
    write(path, [row("a")], bom=True)
    assert path.read_bytes().startswith(b"\xef\xbb\xbf")
    assert read(path)[0]["clip"] == "a"


@pytest.mark.parametrize(
    "text",
    ["=1+1.wav", "@x.wav", "+2.wav", "-2.wav", "\t=1", "\r=1", " =1", "\uff1d1", '=HYPERLINK("x")'],
)
def test_text_that_starts_a_formula_is_defused(tmp_path, text):
    assert defused(text) == "'" + text
    path = tmp_path / "t.csv"
    made = row(text)
    made["batch"]["note"] = text
    write(path, [made])
    (line,) = read(path)
    assert line["clip"] == line["note"] == "'" + text


@pytest.mark.parametrize("text", ["B-014", "a=b", "1-2", "3 @ noon", ""])
def test_other_text_is_left_alone(text):
    assert defused(text) == text


def test_numbers_are_never_text_and_text_is_always_quoted():
    line = line_of(["-2", -2.5, None, 7, 'a "b"; c, d', "x\ny"])
    assert line == '"\'-2",-2.5,"",7,"a ""b""; c, d","x\ny"\r\n'


def test_a_cell_cannot_break_out_into_another(tmp_path):
    """A separator of another country in a name must not open a new cell with a formula."""
    path = tmp_path / "t.csv"
    write(path, [row('a;=1+1.wav","=2+2')])
    (line,) = read(path)
    assert line["clip"] == 'a;=1+1.wav","=2+2'
    first = path.read_bytes().split(b"\r\n")[1]
    assert first.startswith(b'"a;=1+1.wav"",""=2+2",')


def test_decimal_commas_and_semicolons(tmp_path):
    path = tmp_path / "t.csv"
    made = row("a,b;c")
    made["run"]["slip_percent"] = -0.125
    write(path, [made], decimal_comma=True)
    (line,) = read(path, ";")
    assert line["clip"] == "a,b;c"
    assert line["room_snr_db"] == "21,3"
    assert line["slip_percent"] == "-0,125"
    assert line["mains_hz"] == "50,01"
    assert ";21,3;" in path.read_text(encoding="utf-8")  # a number, hence without quotes


def test_rows_are_added_and_an_old_table_is_made_anew(tmp_path):
    path = tmp_path / "t.csv"
    write(path, [row("a"), row("b")])
    with TableFile(path) as table:
        table.renew([row("b")])
        table.append(row("c"))
        assert [line["clip"] for line in read(path)] == ["b", "c"]
    write(path, [row("d")], decimal_comma=True)
    assert [line["clip"] for line in read(path, ";")] == ["d"]


@pytest.mark.parametrize("data", [b"clip,machine\na.m4a,B-1\n", b"my,own\n", b"\x00\x01"])
def test_a_file_of_others_is_not_written_over(tmp_path, data):
    path = tmp_path / "t.csv"
    path.write_bytes(data)
    with pytest.raises(UsageError, match="no batch made it"):
        TableFile(path)
    assert path.read_bytes() == data


def test_names_that_are_no_text_are_written_as_they_are_shown(tmp_path):
    path = tmp_path / "t.csv"
    write(path, [row(os.fsdecode(b"\xff.m4a"))])
    assert read(path)[0]["clip"].endswith("ff.m4a")


def test_a_full_disk_ends_the_table_with_a_whole_line(small_disk):  # noqa: F811
    path = small_disk / "t.csv"
    with TableFile(path) as table:
        table.renew([])
        with pytest.raises(UsageError, match="the disk is full"):
            collections.deque((table.append(row(f"clip{i}")) for i in range(1000)), maxlen=0)
    lines = read(path)
    assert [line["clip"] for line in lines] == [f"clip{j}" for j in range(len(lines))]
    assert path.read_bytes().endswith(b"\r\n")
    assert len(lines) > 10


def test_a_read_only_place_is_told(small_disk):  # noqa: F811
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with pytest.raises(UsageError, match="read-only"):
        TableFile(small_disk / "t.csv")
