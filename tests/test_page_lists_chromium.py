"""The pages of a batch and of a logbook in a real browser: on a phone, on paper, in the dark."""

import re

import chromium
import pytest
from test_batch_page import NASTY, visit
from test_logbook_page import clip, found, series
from test_logbook_page import visit as entry

from quietrun.batch.page import render
from quietrun.batch.summary import summarise
from quietrun.report.logbook_page import render_history

pytestmark = pytest.mark.skipif(
    chromium.find() is None, reason="no chromium here: apt-get install chromium"
)
LONG = "a-very-long-name-without-a-space-" * 4


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("lists")
    words = ("noisy", "inspect", "unreadable", "quiet") * 2
    week = [visit(f"M{i}", word, date_source="file_time") for i, word in enumerate(words)]
    nasty = visit("A", "noisy", path=f"{LONG}.m4a", note=NASTY)
    nasty["machine"]["id"] = NASTY
    history = found(
        *(
            entry(f"2026-0{month}-02", clip(verdict="inspect", flagged=["bearing_noise"]))
            for month in range(1, 8)
        ),
        charts=[series(f"m{i}", f"measure {i}") for i in range(7)],
        says=["Run-up time is rising since 2026-02-02."],
        changes=[{"at": "2026-03-20", "part": "burrs", "note": ""}],
    )
    hostile = found(
        entry("2026-01-05", clip(note=LONG, confirmed=[NASTY])),
        machine=LONG,
        place=NASTY,
        due=[NASTY],
        charts=[series(title=NASTY, phone=LONG)],
    )
    made = {
        "batch": render(summarise(week)),
        "batch_hostile": render(summarise([nasty])),
        "logbook": render_history(history),
        "logbook_hostile": render_history(hostile),
        "logbook_empty": render_history(found()),
    }
    for name, page in made.items():
        (folder / f"{name}.html").write_text(page, encoding="utf-8")
    return {name: folder / f"{name}.html" for name in made}


@pytest.fixture(scope="module")
def browser():
    with chromium.Browser() as made:
        yield made


ALL = ("batch", "batch_hostile", "logbook", "logbook_hostile", "logbook_empty")


@pytest.mark.parametrize("name", ALL)
def test_nothing_is_fetched_and_nothing_complained_of(browser, pages, name):
    browser.open(pages[name])
    asked = [url for url in browser.requests() if not url.startswith("data:")]
    assert asked == [pages[name].as_uri()]
    assert browser.complaints() == []
    assert browser.js("document.scripts.length + document.images.length") == 0
    assert browser.js("document.querySelectorAll('h1').length") == 1


@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("name", ALL)
def test_all_is_in_sight_and_no_column_is_too_narrow(browser, pages, name, width):
    """Nothing sticks out, nothing has to be pushed aside, no cell is a ladder of letters."""
    browser.open(pages[name], width=width, mobile=width < 500)
    assert browser.js("innerWidth") == width
    assert browser.js(chromium.STICKS_OUT) == []
    ladders = browser.js(
        """[...document.querySelectorAll("td")].filter(one => {
            const words = document.createRange();
            words.selectNodeContents(one);
            const box = words.getBoundingClientRect();
            return one.textContent.trim().length < 40 && box.height > 90;
        }).map(one => one.textContent)"""
    )
    assert ladders == []


@pytest.mark.parametrize("name", ALL)
def test_letters_are_large_enough_on_a_phone(browser, pages, name):
    browser.open(pages[name], width=390, mobile=True)
    assert browser.js(chromium.SMALL_LETTERS) == []


@pytest.mark.parametrize("paper", [chromium.A4, chromium.LETTER])
@pytest.mark.parametrize("name", ALL)
def test_they_print_on_two_sheets_with_whole_pictures(browser, pages, name, paper):
    browser.open(pages[name], dark=True)
    pdf = browser.pdf(paper)
    assert 1 <= len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 2
    rules = browser.js(
        """[...document.querySelectorAll("figure")].map(one => getComputedStyle(one).breakInside)"""
    )
    assert set(rules) <= {"avoid"}
    assert browser.js("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"


@pytest.mark.parametrize("name", ["batch", "logbook"])
def test_a_screen_reader_finds_the_table_on_a_phone_too(browser, pages, name):
    browser.open(pages[name], width=390, mobile=True)
    browser.call("Accessibility.enable")
    nodes = browser.call("Accessibility.getFullAXTree")["nodes"]
    roles = [node.get("role", {}).get("value") for node in nodes if not node.get("ignored")]
    named = [
        node.get("name", {}).get("value")
        for node in nodes
        if node.get("role", {}).get("value") == "table" and not node.get("ignored")
    ]
    assert named == ["All clips"]
    assert roles.count("row") >= 8
    assert roles.count("columnheader") in (6, 7)
    assert {"main", "banner", "contentinfo"} <= set(roles)
