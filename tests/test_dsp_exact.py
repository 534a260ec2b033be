"""Values that follow from the formulas alone: no noise, no tolerance to hide in."""

import math

import numpy as np
import pytest

from quietrun.dsp.defects import prepare
from quietrun.dsp.spectra import (
    averaged_spectrum,
    energy_spectrum,
    floor_worth,
    local_floor,
    rolloff_hz,
)
from quietrun.dsp.tones import find_tones


@pytest.mark.parametrize("width", [8, 9, 64, 65])
def test_the_floor_of_a_straight_line_is_that_line(width):
    """The median of evenly spaced values is their middle one: the floor stands at its centre."""
    power = 10.0 + np.arange(400.0)
    floor = local_floor(power, width)
    hop = width // 2
    centres = (width - 1) / 2 + hop * np.arange((400 - width) // hop + 1)
    inside = slice(math.ceil(centres[0]), int(centres[-1]) + 1)
    assert floor[inside] == pytest.approx(power[inside] / math.log(2))
    assert floor[0] == pytest.approx((10.0 + centres[0]) / math.log(2)), "level beyond the ends"
    assert floor[-1] == pytest.approx((10.0 + centres[-1]) / math.log(2))


def test_the_floor_of_a_scrap_is_its_median():
    scrap = np.array([1.0, 2.0, 9.0, 4.0, 3.0, 8.0, 7.0, 6.0, 5.0])
    assert local_floor(scrap, 100) == pytest.approx([5.0 / math.log(2)] * 9)


@pytest.mark.parametrize(
    ("shape", "correlated"),
    [
        ("rectangular", 1.0),
        ("hann", 1 + 2 * ((2 / 3) ** 2 + (1 / 6) ** 2)),  # w^2: lines 3/8, -1/4, 1/16
    ],
)
def test_what_a_median_of_correlated_lines_is_worth(shape, correlated):
    """n ln^2 2 / (1 + 2 sum rho^2); rho of the window's square, by hand."""
    for width in (50, 200):
        wanted = width * math.log(2) ** 2 / correlated
        assert floor_worth(width, shape=shape) == pytest.approx(wanted, rel=1e-9)
    assert floor_worth(1, shape=shape) == 1.0


def test_as_many_false_tones_as_are_asked_for():
    """``false_alarm`` is the number of tones to expect in a spectrum of nothing but noise."""
    rng = np.random.default_rng(4)
    found, spectra = 0, 150
    for _ in range(spectra):
        x = averaged_spectrum(rng.standard_normal(48_000), 48_000, size=4800)
        found += len(find_tones(x.power, x.step_hz, averages=x.averages, false_alarm=0.9))
    assert 0.1 * spectra < found < 0.95 * spectra, "peaks are fewer than lines: some less"


def test_the_smallest_that_is_enough():
    """What is asked for in the error is what is taken."""
    axis, power = np.arange(64.0), np.ones(64)
    assert prepare(axis, power).power.size == 64
    with pytest.raises(ValueError, match="64 lines or more"):
        prepare(axis[:63], power[:63])
    assert energy_spectrum(np.ones(16), 100.0).power.size == 9
    with pytest.raises(ValueError, match="at least 16 samples"):
        energy_spectrum(np.ones(15), 100.0)


@pytest.mark.parametrize("size", [64, 65])
def test_lines_of_an_envelope_from_end_to_end(size):
    """Depth a on any line reads a^2: on the highest of an even length as on those below."""
    n = np.arange(size)
    lines = size // 2
    for line in (3, lines):
        swing = 0.2 * np.cos(2 * np.pi * line * n / size)
        found = energy_spectrum(5.0 * (1.0 + swing), 100.0, shape="rectangular")
        assert found.power[0] == 1.0, "the mean itself"
        assert found.power[line] == pytest.approx(0.2**2, rel=1e-9)
        others = np.delete(found.power, [0, line])
        assert others.max() < 1e-20
        assert found.step_hz == pytest.approx(100.0 / size)


@pytest.mark.parametrize("shape", ["rectangular", "hann", "blackmanharris"])
def test_an_envelope_that_does_not_swing_has_no_lines(shape):
    found = energy_spectrum(np.full(64, 7.0), 100.0, shape=shape)
    assert found.power[0] == 1.0
    assert found.power[1:].max() < 1e-25


def test_the_roll_off_by_counting():
    hz = np.arange(6) * 10.0
    assert rolloff_hz(np.array([0.0, 0, 0, 1, 1, 2]), hz, share=0.5) == 40.0
    assert rolloff_hz(np.array([0.0, 0, 0, 0, 0, 2]), hz, share=0.5) == 50.0
    several = np.array([[4.0, 1, 1, 1, 1, 0], [0, 0, 0, 0, 0, 0], [0, 0, 1, 1, 1, 1]])
    assert rolloff_hz(several, hz, share=0.5) == pytest.approx([0.0, 0.0, 30.0])
