"""The page: what it says, and that nothing gets in or out of it."""

import base64
import hashlib
import html
import html.parser
import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import made_analyses
import made_exhibits
import numpy as np
import pytest
from made_exhibits import bands, bare, exhibit, named

import quietrun.batch.page
import quietrun.report
from quietrun.judge import Reason
from quietrun.machine import Machine
from quietrun.report.contract import to_object
from quietrun.report.drawings import day_and_time
from quietrun.report.exhibit import Sound
from quietrun.report.page import render
from quietrun.report.svg import ticks
from quietrun.report.text import NEAR
from quietrun.report.text import render as text_of
from quietrun.words import FAULT_TITLES

CSS = Path(quietrun.report.__file__).parent / "templates" / "page.css"
NASTY = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)> {{7*7}} {% raw %}"
EVERY = {
    "quiet": lambda: exhibit(made_analyses.quiet(), passages=()),
    "noisy": exhibit,
    "inspect": lambda: exhibit(made_analyses.inspect()),
    "burr_setting": lambda: exhibit(made_analyses.burr_setting()),
    "band_limited": lambda: exhibit(made_analyses.band_limited()),
    "unreadable": bare,
}


class Reader(html.parser.HTMLParser):
    """What a browser would find in the page."""

    VOID = frozenset({"meta", "link", "img", "br", "path", "rect", "circle", "image"})

    def __init__(self, text):
        super().__init__()
        self.tags, self.attributes, self.texts, self.style, self.open = [], [], [], "", []
        self.headings, self.unclosed = [], []
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attributes]
        if re.fullmatch("h[1-6]", tag):
            self.headings.append([int(tag[1]), ""])
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attributes]

    def handle_endtag(self, tag):
        if tag in self.VOID:
            return
        if not self.open or self.open.pop() != tag:
            self.unclosed.append(tag)

    def handle_data(self, data):
        if self.open and self.open[-1] == "style":
            self.style += data
            return
        self.texts.append(data)
        if self.open and re.fullmatch("h[1-6]", self.open[-1]):
            self.headings[-1][1] += data

    @property
    def text(self):
        return " ".join("".join(self.texts).split())


def values(reader, *names):
    return [value for _, name, value in reader.attributes if name in names]


@pytest.fixture(params=sorted(EVERY))
def page(request):
    return render([EVERY[request.param]()])


def test_the_markup_is_whole(page):
    """Every element that is opened is closed, in order (HTML, and SVG inside it)."""
    reader = Reader(page)
    assert reader.unclosed == []
    assert reader.open == []
    assert page.startswith("<!doctype html>")


def test_nothing_is_fetched_and_nothing_runs(page):
    reader = Reader(page)
    assert not {"script", "link", "iframe", "object", "embed", "form", "base"} & set(reader.tags)
    assert not [name for _, name, _ in reader.attributes if name.startswith("on")]
    assert not values(reader, "style", "srcset", "action")
    for address in values(reader, "src", "href", "xlink:href", "poster"):
        assert address.startswith(("data:image/png;", "data:audio/", "#"))
    assert "url(" not in reader.style
    assert "@import" not in reader.style


def test_the_policy_lets_in_this_style_sheet_and_what_lies_in_the_page(page):
    reader = Reader(page)
    policy = next(v for t, n, v in reader.attributes if n == "content" and "default-src" in v)
    digest = base64.b64encode(hashlib.sha256(reader.style.encode()).digest()).decode()
    assert policy == (
        "default-src 'none'; img-src data:; media-src data:; "
        f"style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    )


def test_it_can_be_read_aloud(page):
    """Language, title, landmarks, one h1, no level skipped, a name for each picture and player."""
    reader = Reader(page)
    assert ("html", "lang", "en") in reader.attributes
    assert {"main", "header", "footer", "title"} <= set(reader.tags)
    levels = [level for level, _ in reader.headings]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    assert all(text.strip() for _, text in reader.headings)
    names = values(reader, "aria-labelledby")
    ids = values(reader, "id")
    assert len(ids) == len(set(ids))
    assert all(set(name.split()) <= set(ids) for name in names)
    assert len(names) == page.count('role="img"')
    svgs = re.findall(r"<svg [^>]*>", page)
    assert all('aria-hidden="true"' in one or "aria-labelledby=" in one for one in svgs)
    assert all(re.search(r'aria-label="[^"]+"', one) for one in re.findall("<audio [^>]*>", page))


def test_each_picture_says_what_it_shows():
    page = render([exhibit()])
    told = re.findall(r"<desc [^>]*>(.*?)</desc>", page)
    assert len(told) == 4
    assert "Room 0.00 s to 1.20 s" in told[0]
    assert "hum 100 Hz" in told[1]
    assert "falls to rest in 3.40 s" in told[2]
    assert "50 % friction" in told[2]
    assert "3.57 times a turn" in told[3]
    questions = re.findall(r"<figure>\s*<h3>(.*?)</h3>", page)
    assert len(questions) == 4
    assert all(question.endswith("?") for question in questions)


def test_markup_in_names_and_notes_stays_text():
    made = made_analyses.noisy()
    verdict = replace(
        made.verdict,
        because=(NASTY,),
        look_first=(NASTY,),
        not_heard=(NASTY,),
        cautions=(NASTY,),
    )
    hostile = replace(
        made,
        machine=Machine(id=NASTY),
        source=replace(made.source, path=f"a/{NASTY.replace('/', '')}", codec=NASTY),
        verdict=verdict,
    )
    told = replace(exhibit().told, note=NASTY, when=NASTY, when_source=NASTY)
    passages = (replace(made_exhibits.passage(), short=NASTY, says=NASTY),)
    bad_lines = replace(
        made_exhibits.spectrogram(),
        lines=tuple(replace(one, name=NASTY) for one in made_exhibits.spectrogram().lines),
    )
    page = render(
        [exhibit(hostile, told=told, passages=passages, spectrogram=bad_lines)] * 2,
        [replace(bands(), before=NASTY, after=NASTY, against=NASTY)],
    )
    reader = Reader(page)
    assert not {"script", "img"} & set(reader.tags)
    assert not [name for _, name, _ in reader.attributes if name.startswith("on")]
    assert reader.unclosed == []
    assert reader.text.count("{{7*7}}") >= 10
    assert "49 {%" not in reader.text


def test_undecodable_names_are_shown():
    made = made_analyses.quiet()
    page = render([exhibit(replace(made, source=replace(made.source, path="caf\udce9.m4a")))])
    assert "caf\\xe9.m4a" in page
    page.encode("utf-8")


def test_the_answer_comes_first_with_the_machine():
    reader = Reader(render([exhibit()]))
    assert reader.headings[0] == [1, "It sounds like bearing noise."]
    assert reader.text.index("M17") < reader.text.index("Why")
    assert [text for level, text in reader.headings if level == 2] == [
        "Why",
        "Look at first",
        "Also measured",
        "What the clip shows",
        "Listen",
        "What could not be heard",
        "Take care",
        "How it was measured",
    ]


def test_points_are_those_of_the_contract_and_add_up():
    """Every row has the contract's points; with the rest and the base they are the log-odds."""
    reasons = tuple(
        Reason(f"feature_{i}", float(i), "dB", (0.0, 4.0), 0.137 * (i - 4), f"Thing {i}.")
        for i in range(12)
    )
    made = made_analyses.noisy()
    total = -3.0 + sum(reason.points for reason in reasons)
    score = replace(made.verdict.faults[0], reasons=reasons, log_odds=total)
    made = replace(made, verdict=replace(made.verdict, faults=(score, *made.verdict.faults[1:])))
    page = render([exhibit(made)])
    told = {r["feature"]: r for r in to_object(made)["faults"]["bearing_noise"]["reasons"]}
    table = re.search(r"<table class=\"points\".*?</table>", page, re.S)[0]
    rows = re.findall(r"<tr role=\"row\"><td role=\"cell\">Thing.*?</tr>", table, re.S)
    assert len(rows) == 8
    shown = 0.0
    for row in rows:
        feature = re.search(r"<code>(.*?)</code>", row)[1]
        points = float(re.search(r'class="num">(.*?)<', row)[1])
        assert points == pytest.approx(told[feature]["points"], abs=0.005)
        value = float(re.search(r"<b>(.*?) ?dB</b>", row)[1])
        assert value == pytest.approx(told[feature]["value"])
        lo, hi = told[feature]["usual"]
        assert ("above" in row) == (value > hi)
        assert ("within" in row) == (lo <= value <= hi)
        shown += points
    rest, printed, base, sum_ = (float(x) for x in re.findall(r'class="num">(.*?)<', table)[-4:])
    assert 'class="on-screen"><td role="cell" colspan="2">4 smaller things together' in table
    assert shown + rest + base == pytest.approx(sum_, abs=0.05)
    assert printed == rest
    assert "lesser" not in table
    assert sum_ == pytest.approx(total, abs=0.005)


def flagged_with(faults, reasons=10):
    """A noisy clip with so many faults over their limit, each with so many reasons."""
    told = tuple(
        Reason(f"feature_{i}", float(i), "dB", (0.0, 4.0), 1.0 - 0.1 * i, f"Thing {i}.")
        for i in range(reasons)
    )
    made = made_analyses.noisy()
    scores = tuple(
        replace(score, reasons=told, probability=0.9, limit=0.5, flagged=i < faults, log_odds=2.2)
        for i, score in enumerate(made.verdict.faults)
    )
    return exhibit(replace(made, verdict=replace(made.verdict, faults=scores)))


@pytest.mark.parametrize(
    ("clips", "faults", "printed"),
    [(1, 1, 8), (1, 2, 5), (1, 3, 2), (1, 4, 2), (2, 1, 3), (2, 2, 2), (2, 3, 1), (2, 4, 1)],
)
def test_a_screen_shows_all_and_paper_sums_up_what_it_leaves_out(clips, faults, printed):
    """Ten reasons: eight on a screen; on paper rows and rest still add up to the same sum."""
    page = render([flagged_with(faults)] * clips)
    tables = re.findall(r"<table class=\"points\".*?</table>", page, re.S)
    assert len(tables) == 4 * clips
    table = tables[0]
    rows = re.findall(r"<tr role=\"row\"( class=\"lesser\")?><td role=\"cell\">Thing", table)
    assert len(rows) == 8
    assert rows == [""] * printed + [' class="lesser"'] * (8 - printed)
    points = [float(x) for x in re.findall(r'class="num">(.*?)<', table)]
    screen, paper = (
        re.search(rf'class="{where}">.*?>(\d+) smaller things.*?class="num">(.*?)<', table)
        for where in ("on-screen", "on-paper")
    )
    assert (int(screen[1]), int(paper[1])) == (2, 10 - printed)
    assert sum(points[:8]) + float(screen[2]) == pytest.approx(
        sum(points[:printed]) + float(paper[2])
    )


def test_a_harmless_hint_is_no_order():
    """What to know of a finding stands as its own sentence: none begins with words of ours."""
    page = render([exhibit()])
    assert "Look at:" not in page
    for finding in made_analyses.noisy().verdict.findings:
        assert html.escape(finding.look_at) in page


def test_bars_point_to_the_right_for_the_fault():
    page = render([exhibit()])
    table = re.search(r"<table class=\"points\".*?</table>", page, re.S)[0]
    for row in re.findall(r"<tr role=\"row\"><td role=\"cell\">.*?</tr>", table, re.S):
        points = float(re.search(r'class="num">(.*?)<', row)[1])
        start = float(re.search(r'<rect class="(?:for|against)" x="([\d.]+)"', row)[1])
        assert (start >= 55.0) == (points >= 0)
        assert ('class="for"' in row) == (points >= 0)


def test_a_value_stands_in_its_strip_where_it_is():
    page = render([exhibit()])
    row = re.search(r"<tr role=\"row\"><td role=\"cell\">Knocks come.*?</tr>", page, re.S)[0]
    block = re.search(r'class="usual" x="([\d.]+)" y="3" width="([\d.]+)"', row)
    right = float(block[1]) + float(block[2])
    at = float(re.search(r'class="out" d="M([\d.]+)', row)[1])
    assert at > right  # 12.4 is above 0..1.5
    assert "12.4 per turn" in row


@pytest.mark.parametrize("name", ["quiet", "noisy", "inspect"])
def test_every_fault_has_a_word_and_a_shape(name):
    made = made_analyses.ALL[name]()
    page = render([exhibit(made)])
    rows = re.findall(r'<li class="(\w*)"><span class="name">(.*?)</li>', page, re.S)
    assert len(rows) == 4
    for score in made.verdict.faults:
        row = next(r for r in rows if r[1].startswith(FAULT_TITLES[score.fault]))
        near = score.probability >= NEAR * score.limit
        expected = "over" if score.flagged else ("near" if near else "under")
        assert row[0] == expected
        assert (f'<path class="at {expected}"' in row[1]) == score.flagged
        assert (f'<circle class="at {expected}"' in row[1]) == (not score.flagged)
        at = float(re.search(r'class="at \w+" (?:d="M|cx=")([\d.]+)', row[1])[1])
        gate = float(re.search(r'class="gate" d="M([\d.]+)', row[1])[1])
        assert (at > gate) == score.flagged


def test_an_unusable_clip_gives_a_page_that_says_what_to_do():
    reader = Reader(render([bare()]))
    assert reader.headings[0] == [1, "I cannot tell from this clip."]
    text = reader.text
    assert "The file is empty. There is nothing to judge." in text
    assert text.index("What to do") < text.index("Send the clip again.")
    assert "quiet" not in [word for word in re.findall("[a-z]+", text.lower()) if word == "quiet"]
    assert "Nothing could be drawn." in text
    assert text.count("I cannot tell") == 1, "the heading says it, the why does not say it again"


def test_several_clips_have_a_summary_on_top():
    page = render(
        [exhibit(), named("A1", "x/one.m4a"), named("A1", "x/two.m4a"), bare()], [bands()]
    )
    reader = Reader(page)
    assert reader.headings[0] == [1, "4 clips: 1 noisy, 1 unusable, 2 quiet"]
    links = [v for t, n, v in reader.attributes if t == "a" and n == "href"]
    assert links == ["#clip-1", "#clip-2", "#clip-3", "#clip-4"]
    assert set(links) <= {f"#{one}" for one in values(reader, "id")}
    assert "A1, one.m4a" in reader.text
    assert "What changed from before.m4a to after.m4a?" in reader.text
    assert "1 kHz 7.0 dB louder" in page
    levels = [level for level, _ in reader.headings]
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))


def test_a_page_needs_a_clip():
    with pytest.raises(ValueError, match="a page needs a clip"):
        render([])


def test_sounds_are_named_and_counted():
    passages = tuple(made_exhibits.passage(short=f"thing {i}") for i in range(6))
    page = render([exhibit(passages=passages)])
    assert page.count("<audio ") == 1 + 4 * 3
    assert "2 more with: quietrun check CLIP --hear FOLDER" in page
    assert "Bearing noise: growl, 2.0 to 4.0 kHz" in render([exhibit()])
    assert "Quiet sounds are from a made-up quiet machine." in page


@pytest.mark.parametrize(
    ("iso", "told"),
    [
        ("2026-03-02T09:15:00+01:00", "2 March 2026, 09:15 (UTC+01:00)"),
        ("2026-12-31T23:59:59-03:30", "31 December 2026, 23:59 (UTC-03:30)"),
        ("2026-03-02T09:15:00", "2 March 2026, 09:15"),
        ("2026-03-02", "2 March 2026"),
        ("last week", "last week"),
    ],
)
def test_times_are_local_with_their_zone(iso, told):
    assert day_and_time(iso) == told


# --- colours


def luminance(colour):
    """WCAG 2.1, relative luminance of an sRGB colour."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(one, other):
    """WCAG 2.1, contrast ratio (L1 + 0.05) / (L2 + 0.05)."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def schemes(style):
    light, dark = style.split("@media screen and (prefers-color-scheme: dark)")
    pattern = r"--(\w+): (#[0-9a-f]{6})"
    return {
        "light": dict(re.findall(pattern, light)),
        "dark": dict(re.findall(pattern, dark.split("svg .shades")[0])),
    }


def test_the_contrast_formula():
    """WCAG 2.1: black on white is 21 to 1; #767676 is the lightest gray that passes on white."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_colours_can_be_read(scheme):
    """WCAG 2.1: 4.5 to 1 for text (1.4.3), 3 to 1 for parts of a picture (1.4.11)."""
    colours = schemes(CSS.read_text(encoding="utf-8"))[scheme]
    for text in ("ink", "soft", "noisy", "inspect", "unusable", "quiet"):
        for ground in ("paper", "card"):
            assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
    for text in ("blue", "purple", "vermilion"):  # names in pictures
        assert contrast(colours[text], colours["paper"]) >= 4.5, text
    for text in ("ink",):  # names over the phases
        for ground in ("shade0", "shade1"):
            assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
    for ground in ("shade0", "shade1"):
        assert contrast(colours["wave"], colours[ground]) >= 3.0, ground


def seen_by(colour, kind):
    """Colour as seen without one kind of cone, linear RGB (Vienot, Brettel, Mollon 1999)."""
    rgb = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    to_lms = np.array(
        [[17.8824, 43.5161, 4.11935], [3.45565, 27.1554, 3.86714], [0.0299566, 0.184309, 1.46709]]
    )
    lose = {
        "no long": np.array([[0, 2.02344, -2.52581], [0, 1, 0], [0, 0, 1]]),
        "no middle": np.array([[1, 0, 0], [0.494207, 0, 1.24827], [0, 0, 1]]),
    }[kind]
    return np.clip(np.linalg.inv(to_lms) @ lose @ to_lms @ linear, 0, 1)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("kind", ["no long", "no middle"])
def test_for_and_against_differ_for_the_colour_blind(scheme, kind):
    """Vermilion and blue keep apart without red or green cones; red and green would not."""
    colours = schemes(CSS.read_text(encoding="utf-8"))[scheme]
    apart = np.linalg.norm(seen_by(colours["vermilion"], kind) - seen_by(colours["blue"], kind))
    traffic = np.linalg.norm(seen_by("#b01010", kind) - seen_by("#107010", kind))
    assert apart > 0.2
    assert apart > 2 * traffic


def test_all_pages_share_the_words_colours():
    """A noisy machine has one colour, on the page of a clip and in the summary of a batch."""
    summary = Path(quietrun.batch.page.__file__).parent / "templates" / "summary.css"
    ours, theirs = schemes(CSS.read_text()), schemes(summary.read_text())
    for scheme in ("light", "dark"):
        assert theirs[scheme]
        assert theirs[scheme].items() <= ours[scheme].items()


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (0.0, 10.0, [0, 2, 4, 6, 8, 10]),
        (0.3, 1.1, [0.4, 0.6, 0.8, 1.0]),
        (-4.2, 0.4, [-4, -3, -2, -1, 0]),
        (5.0, 5.0, []),
    ],
)
def test_ticks_are_round(low, high, expected):
    assert ticks(low, high) == pytest.approx(expected)


# --- what was added to the plain page


def test_touching_burrs_are_drawn_and_told():
    page = render([exhibit(made_analyses.burr_setting())])
    assert page.count('<rect class="touch"') == 1
    bar = re.search(r'<rect class="touch" x="([\d.]+)" y="[\d.]+" width="([\d.]+)"', page)
    # columns from 0 to 10 s stand for half a column more at both ends; 382 units from 10 on
    column = 10.0 / 49
    scale = 382 / (10 + column)
    assert float(bar[1]) == pytest.approx(10 + (4.1234 + column / 2) * scale, abs=0.1)
    assert float(bar[2]) == pytest.approx((5.5 - 4.1234) * scale, abs=0.1)
    assert "The burrs touch: 4.12 s to 5.50 s." in page
    assert "The burrs touch from 4.12 to 5.50 s, over 30 % of the turn." in page
    assert '<rect class="touch"' not in render([exhibit()])


def test_burrs_that_never_touch_are_said_to():
    made = made_analyses.burr_setting()
    calm = replace(made, verdict=replace(made.verdict, contacts=()))
    assert "<li>No touch of the burrs is heard in this clip.</li>" in render([exhibit(calm)])
    assert "- No touch of the burrs is heard in this clip." in text_of(calm)
    other = made_analyses.noisy()
    assert other.verdict.contacts is None
    assert "No touch" not in render([exhibit(other)]) + text_of(other)


def test_whose_limits_judged_is_told():
    assert "of the general model" in render([exhibit()])
    own = replace(exhibit().told, limits="the machine's own, from 6 quiet runs")
    assert "the machine&#39;s own, from 6 quiet runs" in render([exhibit(told=own)])


def long_sound(seconds, kind="heard"):
    samples = np.random.default_rng(1).normal(0, 0.1, int(seconds * 24000)).astype(np.float32)
    return Sound(kind, "this clip", samples, 24000)


def test_many_clips_share_the_room_for_sounds():
    """Twelve clips of 12 s with four faults' worth of passages stay a page one can mail."""
    sounds = (long_sound(3), long_sound(5, "slowed"), long_sound(3, "quiet"))
    many = [
        replace(made_exhibits.passage(fault, f"thing {i}"), sounds=sounds)
        for fault in ("bearing_noise", "impeller_rub")
        for i in range(4)
    ]
    one = exhibit(passages=tuple(many), whole=long_sound(12))
    alone, twelve = render([one]), render([one] * 12)
    assert alone.count("<audio ") == 1 + 8 * 3
    assert len(alone) < 3_000_000
    assert twelve.count("<audio ") == 12  # the clip itself goes before its parts
    assert len(twelve) < 3_000_000
    three = render([one] * 3)
    assert three.count("<audio ") == 3 * (1 + 6 * 3)
    # of each fault the weightiest first
    first = three.split('id="clip-2"')[0]
    assert all(f"thing {i}, 2.0" in first for i in (0, 1, 2))
    assert "thing 3, 2.0" not in first
    assert "2 more with" in first
