"""The page of a machine's history: what it says, its charts, and that nothing gets in or out."""

import html.parser
import re
from datetime import date, timedelta
from itertools import pairwise

import pytest

from quietrun.report.logbook_charts import write_charts
from quietrun.report.logbook_page import MOST_CHARTS, date_ticks, render_history

NASTY = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)> {{7*7}}"


def clip(**changes):
    return {
        "stage": "assembled",
        "temperature": "",
        "opened": None,
        "flagged": [],
        "date_source": "given",
        "verdict": "quiet",
        "run_up_s": 0.4321,
        "coast_down_s": 9.87,
        "confirmed": [],
        "note": "",
        **changes,
    }


def series(measure="run_up_s", title="run-up time", unit="s", **changes):
    return {
        "stage": "assembled",
        "phone": "mine",
        "measure": measure,
        "title": title,
        "unit": unit,
        "days": ["2026-01-05", "2026-02-02", "2026-03-02", "2026-04-06"],
        "values": [0.41, 0.43, 0.40, 0.62],
        "signals": [],
        **changes,
    }


def found(*visits, charts=(), says=(), due=(), changes=(), **more):
    return {
        "machine": "B-014",
        "place": "",
        "visits": list(visits),
        "trends": {"series": list(charts), "says": list(says), "least_visits": 4},
        "due": list(due),
        "changes": list(changes),
        **more,
    }


def visit(day, *clips, note=""):
    return {"day": day, "note": note, "clips": list(clips) or [clip()]}


class Reader(html.parser.HTMLParser):
    """Tags, attributes, headings and words of a page."""

    def __init__(self, page):
        super().__init__()
        self.tags, self.attributes, self.headings, self.texts = [], [], [], []
        self._open = []
        self.feed(page)

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attributes]
        self._open.append(tag)
        if re.fullmatch("h[1-6]", tag):
            self.headings.append([int(tag[1]), ""])

    def handle_endtag(self, tag):
        while self._open and self._open.pop() != tag:
            pass

    def handle_data(self, data):
        if self._open and self._open[-1] == "style":
            return
        self.texts.append(data)
        if self._open and re.fullmatch("h[1-6]", self._open[-1]):
            self.headings[-1][1] += data

    @property
    def text(self):
        return " ".join("".join(self.texts).split())


FULL = found(
    visit("2026-01-05", clip(), note="first visit"),
    visit("2026-02-02", clip(verdict="noisy", flagged=["bearing_noise"], date_source="container")),
    visit(
        "2026-06-10",
        clip(verdict="inspect", confirmed=["bearing_noise", "quiet"], note="front one rough"),
        clip(stage="motor_only", verdict=None, temperature="cold", opened=True, run_up_s=None),
    ),
    charts=[
        series(),
        series(
            "bearing_noise",
            "bearing noise score",
            "log-odds",
            values=[-3.0, -2.9, -1.0, 0.35],
            signals=[{"day": "2026-03-02", "since": "2026-02-02", "rising": True}],
        ),
    ],
    says=["Bearing noise score is rising."],
    due=["Tune it again."],
    changes=[{"at": "2026-03-20T00:00:00", "part": "burrs", "note": "wide ones"}],
    place="Kiln street",
)


def test_the_latest_answer_stands_first_with_machine_and_place():
    reader = Reader(render_history(FULL))
    assert reader.headings[0] == [1, "3 visits; the clip of 10 June 2026 was not judged."]
    assert "B-014, Kiln street" in reader.text
    assert [text for level, text in reader.headings if level == 2] == [
        "What is due",
        "What has changed",
        "All clips, the latest first",
        "Notes",
    ]
    assert all(b - a <= 1 for (a, _), (b, _) in pairwise(reader.headings))
    assert [level for level, _ in reader.headings].count(1) == 1


@pytest.mark.parametrize(
    ("last", "says"),
    [
        (clip(), "1 visit; on 5 January 2026 it was judged quiet."),
        (
            clip(verdict="noisy", flagged=["impeller_rub"]),
            "1 visit; on 5 January 2026 it was judged noisy (impeller rub).",
        ),
        (clip(verdict=None), "1 visit; the clip of 5 January 2026 was not judged."),
    ],
)
def test_the_answer_is_one_sentence(last, says):
    page = render_history(found(visit("2026-01-05", last)))
    assert f"<h1>{says}</h1>" in page


def test_an_empty_book_says_so():
    reader = Reader(render_history(found()))
    assert reader.headings[0] == [1, "No clips yet."]
    assert "table" not in reader.tags
    assert "Trends need 4 visits with one phone and stage." in reader.text


def test_rows_are_the_clips_latest_first_with_words_and_shapes():
    page = render_history(FULL)
    rows = re.findall(r'<tr role="row"><td.*?</tr>', page, re.S)
    days = [re.search(r"\d{4}-\d\d-\d\d", one)[0] for one in rows]
    assert days == ["2026-06-10", "2026-06-10", "2026-02-02", "2026-01-05"]
    cold, rough, noisy, first = rows
    assert "motor only, cold, opened" in cold
    assert "not judged" in cold
    assert ">-</td>" in cold, "a time that is not known"
    assert "bearing noise, quiet" in rough
    assert "front one rough" in rough
    assert "by the recorder&#39;s clock" in noisy
    assert 'class="mark noisy"' in noisy
    assert "bearing noise" in noisy
    assert ">0.4</td>" in first
    assert ">9.9</td>" in first
    assert "<svg" in first
    assert page.count('<td role="cell"') == 7 * 4


def test_charts_that_changed_come_first_and_are_told_in_words():
    page = render_history(FULL)
    questions = re.findall(r"<figure>\s*<h3>(.*?)</h3>", page)
    assert questions == ["Has the bearing noise score changed?", "Has the run-up time changed?"]
    told = re.findall(r"<desc [^>]*>(.*?)</desc>", page)
    assert told[0] == (
        "4 visits from 2026-01-05 to 2026-04-06, -3.00 to 0.35 log-odds: rising since 2026-02-02."
    )
    assert told[1].endswith("0.41 to 0.62 s: no change beyond chance.")
    assert page.count('<rect class="shift"') == 1
    assert page.count("new burrs") == 2
    assert "wide ones" in page
    assert "<figcaption>Assembled, mine: rising since 2026-02-02.</figcaption>" in page


def test_a_point_lies_where_its_day_and_value_are():
    """Closed form: x is linear in days with a day to spare at both ends, y in values."""
    page = render_history(found(visit("2026-01-05"), charts=[series()]))
    dots = re.findall(r'<circle class="dot before" cx="([\d.]+)" cy="([\d.]+)"', page)
    xs, ys = ([float(x) for x, _ in dots], [float(y) for _, y in dots])
    days = [date.fromisoformat(one).toordinal() for one in series()["days"]]
    values = series()["values"]
    assert len(dots) == 4
    share = (days[1] - days[0]) / (days[3] - days[0])
    assert (xs[1] - xs[0]) / (xs[3] - xs[0]) == pytest.approx(share, abs=0.002)
    slope = (values[3] - values[2]) / (values[1] - values[2])
    assert (ys[3] - ys[2]) / (ys[1] - ys[2]) == pytest.approx(slope, rel=0.02)
    assert ys[3] < ys[2], "up is more"
    assert all(42.0 <= x <= 392.0 and 18.0 <= y <= 164.0 for x, y in zip(xs, ys, strict=True))


def test_parts_renewed_on_one_day_share_one_mark():
    """Two names in one place could not be read."""
    changes = [
        {"at": "2026-02-20T08:00:00", "part": "bearings", "note": ""},
        {"at": "2026-02-20T08:00:00", "part": "start_switch", "note": ""},
        {"at": "2026-03-20", "part": "burrs", "note": ""},
    ]
    page = render_history(found(visit("2026-01-05"), charts=[series()], changes=changes))
    marks = re.findall(r"<text [^>]*>(new .*?)</text>", page)
    assert marks == ["new bearings and start switch", "new burrs"]
    assert page.count('class="cutline"') == 2


def test_the_picture_for_the_terminal_has_the_same_marks(tmp_path, monkeypatch):
    from matplotlib.axes import Axes

    told = []
    plain = Axes.annotate
    monkeypatch.setattr(
        Axes,
        "annotate",
        lambda self, text, *a, **k: (told.append(text), plain(self, text, *a, **k)),
    )
    changes = [
        {"at": "2026-02-20", "part": "bearings", "note": ""},
        {"at": "2026-02-20", "part": "impel$ler", "note": ""},
        {"at": "2027-02-20", "part": "burrs", "note": ""},
    ]
    signals = [{"day": "2026-04-06", "since": "2026-03-02", "rising": False}]
    charts = [series(signals=signals), series("hum", "hum share", "")]
    write_charts(found(visit("2026-01-05"), charts=charts, changes=changes), tmp_path / "a.png")
    assert told == ["new bearings and impel\\$ler"] * 2
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")


def test_a_value_that_never_moves_still_has_a_chart():
    flat = render_history(found(visit("2026-01-05"), charts=[series(values=[0.0] * 4)]))
    assert flat.count('<circle class="dot before"') == 4
    assert "nan" not in flat


def test_more_charts_than_a_page_holds_are_counted():
    many = [series(f"m{i}", f"measure {i}") for i in range(MOST_CHARTS + 3)]
    page = render_history(found(visit("2026-01-05"), charts=many))
    assert page.count("<figure>") == MOST_CHARTS
    assert "And 3 more measures; quietrun logbook B-014 --json has them all." in page


def test_nothing_that_a_person_wrote_becomes_markup():
    hostile = found(
        visit("2026-01-05", clip(note=NASTY, temperature=NASTY, confirmed=[NASTY]), note=NASTY),
        charts=[series(title=NASTY, phone=NASTY, unit=NASTY)],
        says=[NASTY],
        due=[NASTY],
        changes=[{"at": "2026-02-20", "part": NASTY, "note": NASTY}],
        machine=NASTY,
        place=NASTY,
    )
    page = render_history(hostile)
    reader = Reader(page)
    assert not {"script", "img", "link", "iframe", "object", "form"} & set(reader.tags)
    assert not [name for _, name, _ in reader.attributes if name.startswith("on")]
    assert not [value for _, name, value in reader.attributes if name in ("href", "style")]
    assert reader.text.count("{{7*7}}") >= 10
    assert "default-src 'none'" in page


@pytest.mark.parametrize(
    ("first", "days", "expected"),
    [
        ("2026-03-04", 10, ["4 Mar", "14 Mar"]),
        ("2026-03-04", 0, ["4 Mar"]),
        ("2026-01-12", 150, ["Feb", "Mar", "Apr", "May", "Jun"]),
        ("2025-06-15", 400, ["Jul", "Sep", "Nov", "Jan 2026", "Mar", "May", "Jul"]),
        ("2020-06-15", 2200, ["2021", "2022", "2023", "2024", "2025", "2026"]),
        ("1990-06-15", 36 * 365, ["1991", "1997", "2003", "2009", "2015", "2021"]),
    ],
)
def test_days_are_marked_at_round_places(first, days, expected):
    begin = date.fromisoformat(first)
    marks = date_ticks(begin, begin + timedelta(days=days))
    assert [told for _, told in marks] == expected
    assert len(marks) <= 7
    assert all(begin <= day <= begin + timedelta(days=days) for day, _ in marks)
