"""The text a technician reads: order, width, signs, colour."""

import re
from dataclasses import replace

import made_analyses as made
import pytest

from quietrun.clip import Source
from quietrun.report.terminal import Page, printable
from quietrun.report.text import (
    against_usual,
    bar,
    percent,
    quantity,
    render,
    render_catalogue,
    render_feature,
    render_features,
)

ESCAPE = re.compile(r"\x1b\[[0-9;]*m")
LONG = "The steady run holds a rattle that comes back three times in each turn of the shaft. " * 3


def headings(text):
    return [line for line in text.splitlines() if line and not line.startswith((" ", "[", "quiet"))]


@pytest.mark.parametrize("name", made.ALL)
def test_the_verdict_stands_first(name):
    analysis = made.ALL[name]()
    first = render(analysis).splitlines()[0]
    assert re.match(rf"\[ .. \] {analysis.verdict.word.upper()}: \S", first)


def test_the_headline_names_every_fault_over_its_limit():
    both = made.analysis("noisy", probabilities=(0.6, 0.02, 0.9, 0.1))
    first = render(both).splitlines()[0]
    assert first == "[ !! ] NOISY: It sounds like pre-breaker wobble and bearing noise."
    assert "It sounds like bearing noise.\n" in render(made.noisy())
    assert "] INSPECT: Bearing noise is near its limit.\n" in render(made.inspect())


@pytest.mark.parametrize(
    ("name", "once"),
    [
        ("noisy", "The machine came to rest early."),
        ("noisy", "The switch-on is not in the clip."),
        ("noisy", "bearing noise (probability 0.98"),
        ("band_limited", "The recording holds no sound above 3.8 kHz."),
        ("unreadable", "The file is empty."),
        ("unreadable", "Send the clip again."),
    ],
)
def test_nothing_is_said_twice(name, once):
    count = render(made.ALL[name]()).count(once)
    assert count == (0 if "probability" in once else 1)  # the fault's own row says it


def test_the_blocks_come_in_the_order_of_need():
    assert headings(render(made.noisy())) == [
        "Why",
        "Look at first",
        "Also measured",
        "What could not be heard",
        "The run",
        "Take care",
    ]


@pytest.mark.parametrize("width", [40, 60, 80, 100])
@pytest.mark.parametrize("name", made.ALL)
def test_no_line_is_wider_than_the_terminal(name, width):
    analysis = made.ALL[name]()
    verdict = replace(analysis.verdict, because=(LONG, LONG), look_first=(LONG,), not_heard=(LONG,))
    long_path = Source("x" * 200 + ".wav", None, None, None, "av", 1, 0, 1.0)
    text = render(replace(analysis, verdict=verdict, source=long_path), Page(width=width))
    assert max(map(len, text.splitlines())) <= max(width, 51)  # a fault's row takes 51


def test_width_is_held_between_40_and_100():
    assert Page(width=10).columns() == 40
    assert Page(width=300).columns() == 100


def test_a_flagged_fault_shows_its_strongest_reasons_with_value_range_and_points():
    text = render(made.noisy())
    assert "+2.1  Knocks come several times a turn." in text
    assert "knock_rate: 12.4 per turn (usual 0 to 1.50)" in text
    assert "OVER its limit of 50 %" in text
    assert text.index("+2.1") < text.index("+0.3")
    assert "calm" not in text, "a reason that speaks against the fault is no reason for it"


def test_only_flagged_or_near_faults_are_explained():
    assert "knock_rate" not in render(made.quiet())
    assert render(made.noisy()).count("knock_rate") == 1
    assert render(made.inspect()).count("knock_rate") == 1


def test_a_fault_that_the_stage_rules_out_is_named_so():
    analysis = made.analysis(stage="motor_only")
    text = render(analysis)
    assert "burr contact       not possible at this stage" in text


def test_problems_say_what_why_and_do():
    text = render(made.band_limited())
    assert "- The recording holds no sound above 3.8 kHz." in text
    assert "Why:  Bearings and rubs are heard above that." in text
    assert "Do:   Record with the phone's own microphone" in text


def test_an_unreadable_file_shows_no_run_and_no_probability():
    text = render(made.unreadable())
    assert "%" not in text
    assert headings(text) == ["What to do", "Take care"]
    assert "  1. Send the clip again." in text


def test_the_run_in_a_compact_block():
    text = render(made.quiet())
    assert "on 1.20 s, at speed 2.10 s, off 6.40 s, at rest 9.80 s" in text
    assert "run-up 0.90 s, coast-down 3.40 s" in text
    assert "mains 50.01 Hz, 1492 rpm, slip 0.5 %" in text
    assert "start switch  opened at 1.80 s (74 % of speed), closing not heard" in text


def test_an_unusable_clip_shows_no_times_of_what_may_be_no_machine():
    analysis = made.quiet()
    unusable = replace(analysis.verdict, word="unusable", because=("I cannot tell: no machine.",))
    text = render(replace(analysis, verdict=unusable))
    assert "recording     sound up to 18.1 kHz" in text
    assert "power" not in text
    assert "rpm" not in text


def test_a_probability_close_to_its_limit_is_not_called_equal():
    text = render(made.analysis("inspect", probabilities=(0.498, 0.3, 0.1, 0.1)))
    assert "50 %  just under its limit of 50 %" in text
    assert "30 %  under its limit of 50 %" in text


def test_a_mains_frequency_that_was_told_is_not_called_measured():
    run = replace(made.full_run(), mains_measured=False, shaft_hz=None)
    text = render(replace(made.quiet(), run=run))
    assert "mains 50.01 Hz (as told), speed not measurable" in text


def test_burr_contact_times_are_shown():
    assert "from 4.12 to 5.50 s, over 30 % of the turn" in render(made.burr_setting())


def test_ascii_where_the_terminal_needs_it():
    analysis = made.noisy()
    verdict = replace(
        analysis.verdict,
        because=(
            "Hot at 80 \u00b0C \u2013 \u201cnear\u201d its limit \u2265 2\u00d7 the usual\u2026",
        ),
    )
    text = render(replace(analysis, verdict=verdict), Page(unicode=False))
    assert text.isascii()
    assert 'Hot at 80 degC - "near" its limit >= 2x the usual...' in text


@pytest.mark.parametrize("name", made.ALL)
def test_colour_only_adds(name):
    analysis = made.ALL[name]()
    plain = render(analysis)
    coloured = render(analysis, Page(colour=True))
    assert "\x1b" not in plain
    assert ESCAPE.search(coloured)
    assert ESCAPE.sub("", coloured) == plain


def test_a_file_name_cannot_steer_the_terminal():
    analysis = made.quiet()
    evil = replace(analysis.source, path="a\x1b[2Jb\nQUIET: all good\udce9.wav")
    text = render(replace(analysis, source=evil))
    assert "\x1b" not in text
    assert "\\x1b[2Jb\\nQUIET" in text
    assert not any(line.startswith("QUIET") for line in text.splitlines())
    text.encode("utf-8")


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        (12.437, "dB", "12.4 dB"),
        (1492.4, "rpm", "1492 rpm"),
        (0.123, "1", "0.12"),
        (0.0123, "s", "0.012 s"),
        (-3.0, "dB", "-3.0 dB"),
        (-0.04, "dB", "0.0 dB"),
        (0.123, "dB", "0.1 dB"),
        (130.44, "dB", "130 dB"),
        (0.0, "", "0"),
        (None, "dB", "not measurable"),
        (float("nan"), "dB", "not measurable"),
    ],
)
def test_quantities_have_sensible_digits(value, unit, shown):
    assert quantity(value, unit) == shown


def test_usual_range_follows_the_value():
    assert against_usual(3.4, "s", (5.0, 9.0)) == "3.40 s (usual 5.00 to 9.00)"
    assert against_usual(3.4, "s", None) == "3.40 s"


@pytest.mark.parametrize(
    ("probability", "shown"), [(0.0, "<1 %"), (0.5, "50 %"), (0.994, ">99 %"), (1.0, ">99 %")]
)
def test_percent_never_claims_certainty(probability, shown):
    assert percent(probability) == shown


def test_bar_shows_probability_and_limit_as_shapes():
    assert bar(0.0, 0.5) == "." * 10 + "|" + "." * 10
    assert bar(1.0, 0.5) == "#" * 10 + "|" + "#" * 10
    assert bar(0.25, 0.9) == "#" * 5 + "." * 13 + "|" + ".."


def test_printable_keeps_letters_of_any_script():
    assert printable("Müller \u5496\u5561") == "Müller \u5496\u5561"


def test_features_and_catalogue_rows():
    listed = render_features(made.quiet(), made.CATALOGUE)
    assert re.search(r"knock_rate +12\.4 per turn", listed)
    assert re.search(r"hiss_slope +not measurable: no coast-down", listed)
    assert "no run to measure" in render_features(made.unreadable(), made.CATALOGUE)
    row = render_feature(made.CATALOGUE["knock_rate"], made.SCORECARDS)
    assert "2000 to 8000 Hz" in row
    assert "higher is worse" in row
    assert "made for a test" in row
    assert "bearing noise (-0.5 to +2.1 points, usual 0 to 1.50)" in row
    other = render_feature(made.CATALOGUE["hiss_slope"], made.SCORECARDS)
    assert "counts  for nothing in this model" in other
    index = render_catalogue(made.CATALOGUE)
    assert index.splitlines()[0] == "knocks"
    assert "  hiss_slope: How the hiss falls with speed." in index


@pytest.mark.parametrize(
    ("value", "unit", "usual", "told"),
    [
        (-1.74, "dB", (-1.71, -0.2), "-1.74 dB (usual -1.71 to -0.20)"),
        (-1.7, "dB", (-1.7, -0.2), "-1.7 dB (usual -1.7 to -0.2)"),
        (12.4, "dB", (-0.6, 9.77), "12.4 dB (usual -0.6 to 9.8)"),
        (12.44, "1", (0.6, 12.41), "12.44 (usual 0.60 to 12.41)"),
        (None, "dB", (-0.6, 9.77), "not measurable (usual -0.6 to 9.8)"),
        (float("inf"), "dB", (-0.6, 9.77), "not measurable (usual -0.6 to 9.8)"),
        (12.4, "dB", None, "12.4 dB"),
    ],
)
def test_a_value_beside_its_range_can_be_told_from_its_ends(value, unit, usual, told):
    """Below -1.7 must not read -1.7: where rounded numbers are equal they get more digits."""
    assert against_usual(value, unit, usual) == told
