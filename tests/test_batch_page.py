"""The one-page summary: order of urgency, and a page that can do no harm."""

import base64
import hashlib
import html.parser
import re

import pytest
from test_batch_rows import row

from quietrun.batch.page import render, write_page
from quietrun.batch.summary import BRING, ORDER, RECORD_AGAIN, as_text, summarise
from quietrun.errors import UsageError
from quietrun.words import FAULTS, FINDINGS, VERDICTS


def visit(tag, word, day="2026-03-02", *, stage="assembled", path=None, **members):
    made = row(path or f"{tag}/{day}-{stage}.m4a", word)
    made["machine"].update(id=tag, stage=stage)
    made["batch"].update(date=f"{day}T09:00:00+01:00", **members)
    return made


def test_the_words_are_those_of_the_trade():
    assert set(ORDER) == set(VERDICTS)
    assert set(BRING) <= {*FAULTS, *FINDINGS}
    assert set(FAULTS) <= set(BRING)


def test_machines_come_in_order_of_urgency():
    rows = [
        visit("Q", "quiet"),
        visit("U", "unreadable"),
        visit("I", "inspect"),
        visit("N", "noisy"),
    ]
    louder = visit("L", "noisy")
    louder["faults"]["bearing_noise"]["probability"] = 0.999
    summary = summarise([*rows, louder])
    assert [machine.tag for machine in summary.machines] == ["L", "N", "I", "U", "Q"]
    assert summary.counts == {"noisy": 2, "inspect": 1, "unusable": 1, "quiet": 1}


def test_the_latest_clip_of_a_stage_counts():
    before, after = visit("M", "noisy", "2026-03-02"), visit("M", "quiet", "2026-03-04")
    for rows in ([before, after], [after, before]):
        (machine,) = summarise(rows).machines
        assert machine.word == "quiet"
        assert machine.bring == ()
        assert [clip.day for clip in machine.clips] == ["2026-03-04", "2026-03-02"]


def test_of_two_clips_at_one_time_the_worse_counts():
    """A manifest often knows the day only: then nobody knows which came last."""
    rows = [visit("M", "noisy", path="a"), visit("M", "quiet", path="b")]
    assert summarise(rows).machines[0].word == "noisy"
    assert summarise(rows[::-1]).machines[0].word == "noisy"


def test_a_fault_at_one_stage_is_not_outvoted_by_another_stage():
    rows = [visit("M", "noisy", stage="motor_only"), visit("M", "quiet", "2026-03-04")]
    assert summarise(rows).machines[0].word == "noisy"


def test_a_clip_without_an_answer_does_not_hide_one_with_it():
    rows = [visit("M", "noisy", path="a"), visit("M", "unreadable", "2026-03-09", path="b")]
    for given in (rows, rows[::-1]):
        summary = summarise(given)
        assert summary.machines[0].word == "noisy"
        assert dict(summary.bring)[RECORD_AGAIN] == ("M",)
        assert "the latest clip carries no answer" in render(summary)


def test_clips_without_a_machine_stand_for_themselves():
    summary = summarise([visit(None, "quiet", path="x.m4a"), visit(None, "noisy", path="y.m4a")])
    assert [machine.name for machine in summary.machines] == ["y.m4a", "x.m4a"]


def test_what_to_bring_is_gathered_over_machines():
    summary = summarise([visit("A", "noisy"), visit("B", "noisy"), visit("C", "unreadable")])
    things = dict(summary.bring)
    assert things["both motor bearings"] == ("A", "B")
    assert things[RECORD_AGAIN] == ("C",)


@pytest.mark.parametrize("code", ["start_switch_open_not_heard", "start_switch_close_not_heard"])
def test_a_click_that_drowned_needs_no_part_and_is_not_urgent(code):
    """Not heard is harmless; the same word with a value is told by a scorecard, in earnest."""
    drowned, earnest = visit("A", "inspect"), visit("B", "inspect")
    told = {"code": code, "says": "x", "unit": "", "usual": None, "look_at": "y"}
    drowned["findings"] = [{**told, "value": None}]
    earnest["findings"] = [{**told, "value": 0.8}]
    summary = summarise([drowned, earnest])
    assert dict(summary.bring).get("a start switch") == ("B",)
    assert summary.machines[0].name == "B"


def test_the_table_is_a_table_to_a_screen_reader_on_a_phone_too():
    """Cards on a phone take a table's display away, and with it its roles: they are written."""
    page = render(summarise([visit("A", "noisy"), visit("B", "quiet", date_source="file_time")]))
    table = re.search(r"<table.*?</table>", page, re.S)[0]
    assert 'role="table" aria-label="All clips"' in table
    assert table.count("<tr ") == table.count('<tr role="row"') == 3
    assert table.count("<td") == table.count('<td role="cell"') == 12
    assert table.count("<th ") == table.count('scope="col" role="columnheader"') == 6
    assert table.count("by the file time") == 1


def test_the_text_names_machines_and_what_to_bring():
    text = as_text(summarise([visit("A", "noisy"), visit("B", "quiet")]))
    assert "2 clips: 1 noisy, 1 quiet." in text
    assert re.search(r"noisy +A: bearing noise", text)
    assert "Bring both motor bearings" in text
    assert "B:" not in text
    many = [visit(f"M{i}", "inspect") for i in range(40)]
    assert "and 28 more" in as_text(summarise(many))


class _Reader(html.parser.HTMLParser):
    """What a browser would find in the page."""

    def __init__(self):
        super().__init__()
        self.tags, self.attributes, self.texts, self.style = [], [], [], ""
        self._in = []

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attributes]
        self._in.append(tag)

    def handle_endtag(self, tag):
        while self._in and self._in.pop() != tag:
            pass

    def handle_data(self, data):
        if self._in and self._in[-1] == "style":
            self.style += data
        else:
            self.texts.append(data)


def read(page):
    reader = _Reader()
    reader.feed(page)
    return reader


NASTY = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>"


def test_the_page_lets_nothing_out_and_nothing_in():
    made = visit("A", "noisy", path=NASTY, note=NASTY)
    made["machine"]["id"] = NASTY
    made["because"] = [NASTY]
    made["look_first"] = [NASTY]
    reader = read(render(summarise([made])))
    assert not {"script", "img", "link", "iframe", "object", "form"} & set(reader.tags)
    assert not [name for _, name, _ in reader.attributes if name.startswith("on")]
    assert not [name for _, name, _ in reader.attributes if name in ("href", "src", "style")]
    assert NASTY in "".join(reader.texts)
    policy = next(v for t, n, v in reader.attributes if n == "content" and "default-src" in v)
    digest = base64.b64encode(hashlib.sha256(reader.style.encode()).digest()).decode()
    assert policy == (
        f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    )


def test_every_verdict_has_a_word_and_its_own_shape():
    words = ("noisy", "inspect", "unreadable", "quiet")
    page = render(summarise([visit(word, word) for word in words]))
    marks = set(
        re.findall(r'<span class="mark (\w+)"><svg.*?>(<.*?)</svg>(\w+)</span>', page, re.S)
    )
    assert {word for word, _, _ in marks} == set(ORDER)
    assert all(word == said for word, _, said in marks)
    assert len({shape for _, shape, _ in marks}) == 4


def _luminance(colour):
    """WCAG 2.1, relative luminance."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def _contrast(one, other):
    """WCAG 2.1, contrast ratio."""
    dark, light = sorted((_luminance(one), _luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_colours_can_be_read_in_light_and_in_dark():
    """WCAG 2.1, 1.4.3: a contrast of 4.5 to 1."""
    style = read(render(summarise([visit("A", "quiet")]))).style
    light, dark = style.split("@media screen and (prefers-color-scheme: dark)")
    for part in (light, dark):
        colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", part))
        for name in ("ink", "soft", *ORDER):
            assert _contrast(colours[name], colours["paper"]) >= 4.5, name
            assert _contrast(colours[name], colours["card"]) >= 4.5, name


def test_a_page_is_written_whole_over_its_own_kind_only(tmp_path):
    path = tmp_path / "week.html"
    write_page(path, summarise([visit("A", "noisy")]))
    write_page(path, summarise([visit("B", "noisy")]))
    assert "B: bearing noise" in path.read_text(encoding="utf-8")
    assert [one.name for one in tmp_path.iterdir()] == ["week.html"]
    path.write_text("<p>my own page")
    with pytest.raises(UsageError, match="no batch made it"):
        write_page(path, summarise([]))
    assert path.read_text() == "<p>my own page"


def test_a_large_batch_still_gives_a_page_one_can_open():
    rows = [visit(f"M{i}", "quiet") for i in range(3000)]
    page = render(summarise(rows))
    assert len(page) < 2_000_000
    assert "And 2600 more" in page
