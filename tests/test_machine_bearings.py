"""The table of sizes against two things that know nothing of it: a load rating and a catalogue."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietrun.errors import UsageError
from quietrun.machine import Bearing
from quietrun.machine.bearings import SIZES, look_up, own_geometry, parse
from quietrun.machine.kinematics import bearing_orders

WANTED = [
    *("6000", "6001", "6002", "6003"),
    *("6200", "6201", "6202", "6203", "6204", "6205", "6206"),
    *("6300", "6301", "6302", "6303", "6304"),
]

#: Boundary dimensions, bore and outside diameter in mm: ISO 15 (diameter series 0, 2, 3).
BORE_AND_OUTSIDE = {
    "6000": (10, 26),
    "6001": (12, 28),
    "6002": (15, 32),
    "6003": (17, 35),
    "6200": (10, 30),
    "6201": (12, 32),
    "6202": (15, 35),
    "6203": (17, 40),
    "6204": (20, 47),
    "6205": (25, 52),
    "6206": (30, 62),
    "6300": (10, 35),
    "6301": (12, 37),
    "6302": (15, 42),
    "6303": (17, 47),
    "6304": (20, 52),
}

#: Basic dynamic load ratings in N as bearing handbooks print them (from memory).
RATINGS_N = {
    "6000": 4550,
    "6001": 5100,
    "6002": 5600,
    "6003": 6000,
    "6200": 5100,
    "6201": 6800,
    "6202": 7650,
    "6203": 9550,
    "6204": 12800,
    "6205": 14000,
    "6206": 19500,
    "6300": 8100,
    "6301": 9700,
    "6302": 11400,
    "6303": 13600,
    "6304": 15900,
}

#: ISO 281, table of f_c for single-row radial contact groove ball bearings (from memory).
FC_RATIO = [0.16, 0.18, 0.20, 0.22, 0.24, 0.26, 0.28, 0.30, 0.32, 0.34]
FC = [59.6, 59.9, 59.9, 59.6, 59.0, 58.2, 57.1, 56.0, 54.6, 53.2]


def interpolate(x, xs, ys):
    i = next(i for i in range(1, len(xs)) if x <= xs[i])
    share = (x - xs[i - 1]) / (xs[i] - xs[i - 1])
    return ys[i - 1] + share * (ys[i] - ys[i - 1])


def iso_281_rating_n(bearing):
    """C = b_m f_c Z^(2/3) d^1.8 with b_m = 1.3, balls up to 25.4 mm."""
    fc = interpolate(bearing.ball_mm / bearing.pitch_mm, FC_RATIO, FC)
    return 1.3 * fc * bearing.balls ** (2 / 3) * bearing.ball_mm**1.8


def test_the_table_holds_the_sizes_wanted_with_a_source_each():
    assert list(SIZES) == WANTED
    assert all(size.source for size in SIZES.values())
    assert all(size.bearing.name == name for name, size in SIZES.items())


@pytest.mark.parametrize("name", WANTED)
def test_balls_give_the_printed_load_rating(name):
    """Wrong number or size of balls would be off by 10 % and more."""
    assert iso_281_rating_n(SIZES[name].bearing) == pytest.approx(RATINGS_N[name], rel=0.02)


@pytest.mark.parametrize("name", WANTED)
def test_pitch_lies_half_way_between_bore_and_outside(name):
    bore, outside = BORE_AND_OUTSIDE[name]
    assert SIZES[name].bearing.pitch_mm == pytest.approx((bore + outside) / 2, rel=0.015)
    assert SIZES[name].bearing.ball_mm < (outside - bore) / 2


@pytest.mark.parametrize(
    ("name", "outer", "tol"),
    [
        ("6203", 3.053, 1e-3),
        ("6204", 3.052, 1e-3),
        ("6205", 3.574, 0.012),  # the rig's own geometry lies 0.3 % higher
        ("6206", 3.568, 1.5e-3),
        ("6303", 2.545, 1.5e-3),
        ("6304", 2.574, 1.5e-3),
    ],
)
def test_outer_orders_of_the_housed_unit_catalogue(name, outer, tol):
    """Table A-9, page A-13, of a public catalogue of housed bearing units (name left out)."""
    assert bearing_orders(look_up(name)).outer == pytest.approx(outer, abs=tol)


@pytest.mark.parametrize(
    "text",
    [
        *("6203", " 6203 ", "6203-2RS", "6203-2RSH/C3", "6203 ZZ C3", "6203ZZ", "6203.2RSR"),
        *("6203-2z", "S6203-2RS", "SS 6203", "6203LLU", "6203DDU", "6203-RS1"),
    ],
)
def test_suffixes_do_not_matter(text):
    assert parse(text) == SIZES["6203"].bearing


@pytest.mark.parametrize(
    "text", ["62030", "6203.5", "6999", "608", "NU205", "", "bearing", "6 203"]
)
def test_unknown_sizes_are_named_with_the_known_ones(text):
    with pytest.raises(UsageError, match=r"6203|cannot be read"):
        parse(text)


def test_a_near_size_is_offered():
    with pytest.raises(UsageError, match="Did you mean 6304 or 6303"):
        look_up("6305-2RS")


@pytest.mark.parametrize(
    "text",
    [
        "8,6.75,28.5",
        "8, 6.75, 28.5",
        "8;6,75;28,5",
        "8 x 6.75 x 28.5",
        "8 6.75 28.5",
        "8,6.75,28.5,0",
    ],
)
def test_own_geometry_as_people_write_it(text):
    assert parse(text) == Bearing(8, 6.75, 28.5)


def test_contact_angle_is_the_fourth_number():
    assert parse("16,8.4,71.5,15.17").contact_deg == 15.17


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("8,28.5,6.75", "do not fit"),
        ("30,6.75,28.5", "do not fit"),
        ("8.5,6.75,28.5", "Balls come whole"),
        ("8,6.75", "three numbers"),
        ("8,6,75,28,5", "decimal comma"),
        ("0,6.75,28.5", "3..40"),
        ("8,6.75,9000", "pitch_mm"),
        ("8,6.75,28.5,89", "contact_deg"),
        ("8,.,28.5", "three numbers"),
    ],
)
def test_geometry_no_bearing_has(text, says):
    with pytest.raises(UsageError, match=says):
        parse(text)


def test_not_a_number_is_refused():
    with pytest.raises(UsageError, match="balls"):
        own_geometry(math.nan, 6.75, 28.5)


def outcome(text):
    try:
        return parse(text)
    except UsageError as error:
        return error


@given(st.text(max_size=40))
def test_any_text_gives_a_bearing_or_a_plain_error(text):
    found = outcome(text)
    if isinstance(found, UsageError):
        assert all((found.what, found.why, found.do))
    else:
        assert bearing_orders(found).outer > 0
