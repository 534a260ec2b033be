"""Pages in a real browser (Debian's chromium): nothing loads, players play, prints whole."""

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import chromium
import made_analyses
import pytest
from made_exhibits import bands, exhibit, passage

from quietrun.exhibits.pages import Asked, exhibits_of
from quietrun.judge.texts import LOOK_FIRST
from quietrun.machine import Machine
from quietrun.report.page import render

pytestmark = pytest.mark.skipif(
    chromium.find() is None, reason="no chromium here: apt-get install chromium"
)
DEMO = Path(__file__).parents[1] / "synthetic_audio"
NASTY = "<img src=x onerror=alert(1)> \"'&amp; {{7*7}}.opus"
#: Height and width that paper leaves inside the margins of the style sheet, CSS pixels.
A4_PX = (round((210 - 28) / 25.4 * 96), round((297 - 26) / 25.4 * 96))
LETTER_PX = (round((215.9 - 28) / 25.4 * 96), round((279.4 - 26) / 25.4 * 96))


def two_faults():
    made = made_analyses.noisy()
    first = made.verdict.faults[0]
    faults = (
        first,
        replace(first, fault="impeller_rub", probability=0.8),
        *made.verdict.faults[2:],
    )
    made = replace(made, verdict=replace(made.verdict, faults=faults))
    return exhibit(made, passages=(passage(), passage("impeller_rub", "repeats each turn")))


def three_faults():
    """As many reasons each as a real clip gives: a made bearing's, told of three faults."""
    (made,), _ = exhibits_of(None, [str(DEMO / "bearing.opus")], Asked(Machine(id="M1")))
    verdict = made.analysis.verdict
    told = sorted(verdict.faults, key=lambda one: -len(one.reasons))[:3]
    names = {one.fault for one in told}
    faults = tuple(
        replace(one, probability=max(0.95, one.limit), flagged=True)
        if one.fault in names
        else replace(one, flagged=False)
        for one in verdict.faults
    )
    first = tuple(line for name in sorted(names) for line in LOOK_FIRST[name])
    verdict = replace(verdict, word="noisy", faults=faults, look_first=first)
    return replace(made, analysis=replace(made.analysis, verdict=verdict))


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """Page files by name."""
    folder = tmp_path_factory.mktemp("pages")
    hostile = folder / NASTY.replace("/", "")
    shutil.copy(DEMO / "bearing.opus", hostile)
    (folder / "empty.m4a").touch()
    asked = Asked(Machine(id="M1"))
    nasty = Asked(Machine(), tag="<b>M1</b>", note="<script>alert(2)</script>" * 4)
    made = {
        "quiet": exhibits_of(None, [str(DEMO / "quiet.opus")], asked)[0],
        "noisy": exhibits_of(None, [str(DEMO / "bearing.opus")], asked)[0],
        "two_faults": (two_faults(),),
        "three_faults": (three_faults(),),
        "unusable": exhibits_of(None, [str(folder / "empty.m4a")], asked)[0],
        "hostile": exhibits_of(None, [str(hostile)], nasty)[0],
    }
    paths = {}
    for name, exhibits in made.items():
        paths[name] = folder / f"{name}.html"
        paths[name].write_text(render(exhibits), encoding="utf-8")
    paths["against_own"] = folder / "against_own.html"
    paths["against_own"].write_text(render(made["noisy"], [bands()]), encoding="utf-8")
    both = (*made["noisy"], *made["quiet"])
    paths["before_after"] = folder / "before_after.html"
    paths["before_after"].write_text(render(both, [bands()]), encoding="utf-8")
    return paths


@pytest.fixture(scope="module")
def browser():
    with chromium.Browser() as made:
        yield made


ALL = (
    "quiet",
    "noisy",
    "two_faults",
    "three_faults",
    "unusable",
    "hostile",
    "against_own",
    "before_after",
)
FIGURES = {"unusable": 0, "against_own": 5, "before_after": 9}


@pytest.mark.parametrize("name", ALL)
def test_nothing_is_fetched_and_nothing_complained_of(browser, pages, name):
    browser.open(pages[name])
    asked = [url for url in browser.requests() if not url.startswith("data:")]
    assert asked == [pages[name].as_uri()]
    assert browser.complaints() == []
    assert not [e for e in browser.events if e.get("method") == "Page.javascriptDialogOpening"]
    assert browser.js("document.scripts.length + document.images.length") == 0
    assert browser.js("document.querySelectorAll('h1').length") == 1
    assert pages[name].stat().st_size < 3_000_000


@pytest.mark.parametrize("name", ALL)
def test_players_play(browser, pages, name):
    browser.open(pages[name])
    expected = pages[name].read_text(encoding="utf-8").count("<audio ")
    assert (expected == 0) == (name == "unusable")
    told = browser.js(
        """Promise.all([...document.querySelectorAll("audio")].map(async player => {
            player.muted = true;
            await player.play();
            await new Promise(done => player.addEventListener("timeupdate", done));
            return [player.readyState, player.duration, player.currentTime,
                    player.error === null];
        }))"""
    )
    assert len(told) == expected
    for ready, duration_s, at_s, sound in told:
        assert ready >= 2
        assert 0.3 < duration_s < 31
        assert at_s > 0
        assert sound


@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("name", ALL)
def test_nothing_sticks_out_sideways(browser, pages, name, width):
    browser.open(pages[name], width=width, mobile=width < 500)
    assert browser.js("document.documentElement.scrollWidth") <= width
    assert browser.js("innerWidth") == width  # nothing made the phone zoom out
    assert browser.js(chromium.STICKS_OUT) == []


@pytest.mark.parametrize("name", ALL)
def test_letters_are_large_enough_on_a_phone(browser, pages, name):
    """No text below 8.5 pixels, pictures' own included (their letters shrink with them)."""
    browser.open(pages[name], width=390, mobile=True)
    assert browser.js(chromium.SMALL_LETTERS) == []


@pytest.mark.parametrize("name", ["noisy", "three_faults", "before_after"])
@pytest.mark.parametrize("medium", [390, 1280, "paper"])
def test_each_table_shows_one_sum_of_what_it_leaves_out(browser, pages, name, medium):
    """Rows and their rest, as they are seen, add up to the last line on screens and on paper."""
    width = 1280 if medium == "paper" else medium
    browser.open(pages[name], width=width, mobile=width < 500)
    if medium == "paper":
        browser.pdf()
    tables = browser.js(
        """[...document.querySelectorAll(".points")].filter(one => one.getClientRects().length
            && !one.closest("details")).map(table =>
            [...table.querySelectorAll("tr")].filter(row =>
                row.getClientRects().length && row.querySelector(".num")
            ).map(row => [row.cells[0].textContent, row.querySelector(".num").textContent]))"""
    )
    assert len(tables) == {"three_faults": 3}.get(name, 1)
    for rows in tables:
        assert [bool(re.match(r"\d+ smaller thing", text)) for text, _ in rows].count(True) == 1
        *parts, total = (float(points) for _, points in rows)
        if name != "three_faults":  # whose probabilities are made up
            assert sum(parts) == pytest.approx(total, abs=0.06)
    shown = len(tables[0]) - 3
    on_paper = {"noisy": 8, "three_faults": 2, "before_after": 3}[name]
    assert shown == (on_paper if medium == "paper" else 8)


@pytest.mark.parametrize(("paper", "inside"), [(chromium.A4, A4_PX), (chromium.LETTER, LETTER_PX)])
@pytest.mark.parametrize("name", ALL)
def test_it_prints_on_two_sheets_with_whole_pictures(browser, pages, name, paper, inside):
    browser.open(pages[name])
    pdf = browser.pdf(paper)
    assert 1 <= len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 2
    browser.call(
        "Emulation.setDeviceMetricsOverride",
        width=inside[0],
        height=inside[1],
        deviceScaleFactor=1,
        mobile=False,
    )  # still with the media that pdf() set: print
    figures = browser.js(
        """[...document.querySelectorAll("figure")].map(one =>
            [getComputedStyle(one).breakInside, one.getBoundingClientRect().height])"""
    )
    assert len(figures) == FIGURES.get(name, 4)
    assert all(rule == "avoid" and 50 < height < inside[1] for rule, height in figures)
    hidden = "[...document.querySelectorAll('audio')].every(one => !one.getClientRects().length)"
    assert browser.js(hidden)


#: What stands over a picture and what stands under it, in the picture itself.
OVER_AND_UNDER = (
    (r"What happened, and when|Which tones", r"seconds(?! from)"),
    (r"How does it run down", r"seconds from switch-off"),
    (r"What repeats", r"times per turn"),
    (r"What changed", r"third octave"),
)


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="apt-get install poppler-utils")
@pytest.mark.parametrize("paper", [chromium.A4, chromium.LETTER])
@pytest.mark.parametrize("name", ["noisy", "three_faults", "against_own", "before_after"])
def test_no_picture_is_cut_by_the_end_of_a_sheet(browser, pages, tmp_path, name, paper):
    """On each sheet there are as many questions as feet of the pictures that answer them."""
    browser.open(pages[name])
    (tmp_path / "page.pdf").write_bytes(browser.pdf(paper))
    told = subprocess.run(
        ["pdftotext", "-layout", tmp_path / "page.pdf", "-"], capture_output=True, check=True
    )
    sheets = told.stdout.decode("utf-8").split("\f")[:-1]
    assert len(sheets) == 2
    found = 0
    for sheet in sheets:
        for over, under in OVER_AND_UNDER:
            assert len(re.findall(over, sheet)) == len(re.findall(under, sheet)), (over, sheet)
            found += len(re.findall(over, sheet))
    assert found == FIGURES.get(name, 4)


@pytest.mark.parametrize("paper", [chromium.A4, chromium.LETTER])
def test_many_clips_print_on_two_sheets_each_at_the_most(browser, tmp_path, paper):
    """Three faults told of each of three clips, and pictures of what changed between them."""
    page = tmp_path / "three.html"
    for count in (2, 3):
        page.write_text(render([three_faults()] * count, [bands()] * (count - 1)), encoding="utf-8")
        browser.open(page)
        assert len(re.findall(rb"/Type\s*/Page\b", browser.pdf(paper))) <= 2 * count


def test_dark_screens_get_a_dark_page_with_readable_pictures(browser, pages):
    looks = {}
    for dark in (False, True):
        browser.open(pages["noisy"], dark=dark)
        looks[dark] = browser.js(
            """[getComputedStyle(document.body).backgroundColor,
                getComputedStyle(document.querySelector("image.shades")).filter,
                getComputedStyle(document.querySelector(".plot text")).fill]"""
        )
    assert looks[False] == ["rgb(251, 250, 246)", "none", "rgb(29, 36, 33)"]
    assert looks[True] == ["rgb(22, 26, 24)", "invert(1)", "rgb(232, 230, 223)"]
    browser.pdf()  # paper is light, whatever the screen
    assert browser.js("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"


def test_the_policy_holds_in_the_browser(browser, pages):
    """What a hole in the page could try is refused: fetching, images from outside, styles."""
    browser.open(pages["hostile"])
    told = browser.js(
        """(async () => {
            const broken = [];
            addEventListener("securitypolicyviolation", e => broken.push(e.effectiveDirective));
            await fetch("http://127.0.0.1:9/x").catch(() => 0);
            new Image().src = "http://127.0.0.1:9/x.png";
            document.body.setAttribute("style", "color: red");
            const inline = document.createElement("script");
            inline.textContent = "window.ran = true";
            document.body.append(inline);
            await new Promise(done => setTimeout(done, 200));
            return [broken.sort(), window.ran === undefined,
                    getComputedStyle(document.body).color !== "rgb(255, 0, 0)"];
        })()"""
    )
    assert told == [["connect-src", "img-src", "script-src-elem", "style-src-attr"], True, True]


@pytest.mark.parametrize("width", [390, 1280])
def test_a_screen_reader_finds_headings_tables_and_names(browser, pages, width):
    browser.open(pages["noisy"], width=width, mobile=width < 500)
    browser.call("Accessibility.enable")
    nodes = browser.call("Accessibility.getFullAXTree")["nodes"]

    def named(role):
        return [
            node.get("name", {}).get("value", "")
            for node in nodes
            if node.get("role", {}).get("value") == role and not node.get("ignored")
        ]

    assert {"main", "banner", "contentinfo"} <= {n.get("role", {}).get("value") for n in nodes}
    assert "It sounds like bearing noise." in named("heading")
    assert named("table") == ["What speaks for and against bearing noise"]
    assert named("columnheader") == [
        "What was measured",
        "Value against the usual range",
        "Points",
    ]
    pictures = named("image") or named("img")
    begins = ("Waveform with the phases", "Spectrogram", "Coast-down", "Envelope spectrum")
    assert [begin for begin in begins if not any(p.startswith(begin) for p in pictures)] == []
    assert any("run-up" in p and "steady run" in p for p in pictures)
    players = named("Audio")
    assert len(players) == pages["noisy"].read_text(encoding="utf-8").count("<audio ")
    assert all(players)


def test_it_can_be_used_by_keyboard(browser, pages):
    """Tab reaches the players and the folded points; Enter opens them."""
    browser.open(pages["quiet"])
    for _ in range(3):
        for kind in ("keyDown", "keyUp"):
            browser.call(
                "Input.dispatchKeyEvent", type=kind, key="Tab", code="Tab", windowsVirtualKeyCode=9
            )
        if browser.js("document.activeElement.tagName") == "SUMMARY":
            break
    assert browser.js("document.activeElement.tagName") == "SUMMARY"
    assert not browser.js("document.activeElement.parentElement.open")
    browser.call(
        "Input.dispatchKeyEvent",
        type="keyDown",
        key="Enter",
        code="Enter",
        text="\r",
        windowsVirtualKeyCode=13,
    )
    assert browser.js("document.activeElement.parentElement.open")
    assert browser.js("getComputedStyle(document.activeElement).outlineStyle") == "solid"
