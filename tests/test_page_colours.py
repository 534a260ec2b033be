"""Colours: contrast by WCAG 2.1, and whether the colour-blind can tell apart what must be.

Seen without one kind of cone: the matrices of Machado, Oliveira and Fernandes, "A physiologically
based model for simulation of color vision deficiency", IEEE TVCG 15 (2009) 1291, table 1, severity
1.0, for linear RGB (from memory; that each row adds up to 1, so that gray stays gray, is tested).
Distances are CIE 1976 L*a*b* (ISO/CIE 11664-4), D65; 2.3 is about one just noticeable difference.
"""

import re
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

import quietrun.report
from quietrun.report import logbook_charts, picture

CSS = (Path(quietrun.report.__file__).parent / "templates" / "page.css").read_text(encoding="utf-8")
#: A mark of a few pixels must differ by much more than is just noticeable on a large field.
APART = 20.0
EYES = {
    "every cone": np.eye(3),
    "no long": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "no middle": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "no short": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}
#: What stands side by side in one picture and differs by colour (and by dash, shape or place).
TOGETHER = {
    "spectrogram": ("vermilion", "blue", "purple"),
    "envelope": ("vermilion", "blue", "purple"),
    "coast-down": ("vermilion", "blue", "purple"),
    "before and after": ("blue", "vermilion"),
    "points": ("vermilion", "blue"),
    "value and usual range": ("vermilion", "usual"),
    "value within": ("blue", "usual"),
}


def linear(colour):
    """sRGB (IEC 61966-2-1) to linear light."""
    rgb = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def lab(light):
    """Linear sRGB to CIE L*a*b*, white D65."""
    to_xyz = np.array(
        [
            [0.4124564, 0.3575761, 0.1804375],
            [0.2126729, 0.7151522, 0.0721750],
            [0.0193339, 0.1191920, 0.9503041],
        ]
    )
    t = to_xyz @ light / (to_xyz @ np.ones(3))
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def distance(one, other, eye):
    seen = [lab(np.clip(EYES[eye] @ linear(colour), 0.0, 1.0)) for colour in (one, other)]
    return float(np.linalg.norm(seen[0] - seen[1]))


def contrast(one, other):
    """WCAG 2.1: (L1 + 0.05) / (L2 + 0.05), L the relative luminance."""
    weights = np.array([0.2126, 0.7152, 0.0722])
    dark, light = sorted(float(weights @ linear(colour)) for colour in (one, other))
    return (light + 0.05) / (dark + 0.05)


def scheme(name):
    light, dark = CSS.split("@media screen and (prefers-color-scheme: dark)")
    pattern = r"--(\w+): (#[0-9a-f]{6})"
    found = dict(re.findall(pattern, light.split("* {")[0]))
    return found if name == "light" else found | dict(re.findall(pattern, dark.split("svg .sh")[0]))


def test_the_arithmetic_against_known_values():
    """White is L* 100, mid gray of sRGB 53.59; red of sRGB has L* 53.24, a* 80.09, b* 67.20."""
    assert lab(linear("#ffffff")) == pytest.approx([100.0, 0.0, 0.0], abs=0.01)
    assert lab(linear("#808080"))[0] == pytest.approx(53.585, abs=0.01)
    assert lab(linear("#ff0000")) == pytest.approx([53.24, 80.09, 67.20], abs=0.02)
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


@pytest.mark.parametrize("eye", EYES)
def test_gray_stays_gray_to_every_eye(eye):
    assert EYES[eye].sum(axis=1) == pytest.approx(np.ones(3), abs=2e-6)


def test_red_and_green_lights_would_fall_together():
    """The test finds what it looks for: the usual pair of signal colours, no hue but lightness."""
    red, green = "#a84b1c", "#6e6b14"
    assert distance(red, green, "every cone") > 2 * distance(red, green, "no middle")
    assert distance(red, green, "no middle") < APART


@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize("name", ["light", "dark"])
@pytest.mark.parametrize("where", TOGETHER)
def test_what_stands_together_can_be_told_apart(where, name, eye):
    colours = scheme(name)
    for one, other in combinations(TOGETHER[where], 2):
        apart = distance(colours[one], colours[other], eye)
        assert apart >= APART, (one, other, round(apart, 1))


@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize(
    "colours",
    [
        (picture.VERMILION, picture.BLUE, picture.PURPLE),
        (logbook_charts._LINE, logbook_charts._SIGNAL),
    ],
)
def test_so_it_is_in_the_pictures_of_the_terminal(colours, eye):
    for one, other in combinations(colours, 2):
        assert distance(one, other, eye) >= APART, (one, other)
        assert contrast(one, "#ffffff") >= 3.0


@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize("name", ["light", "dark"])
def test_everything_stands_out_from_its_ground_to_every_eye(name, eye):
    """Lines and marks of a picture: 3 to 1 (WCAG 2.1, 1.4.11), also without one kind of cone."""
    colours = scheme(name)
    weights = np.array([0.2126, 0.7152, 0.0722])
    for mark in ("vermilion", "blue", "purple", "noisy", "inspect", "unusable", "quiet", "wave"):
        for ground in ("paper", "card"):
            seen = [
                float(weights @ np.clip(EYES[eye] @ linear(colours[one]), 0.0, 1.0))
                for one in (mark, ground)
            ]
            dark, light = sorted(seen)
            assert (light + 0.05) / (dark + 0.05) >= 3.0, (mark, ground)


@pytest.mark.parametrize("name", ["light", "dark"])
def test_text_has_the_contrast_of_aa(name):
    """WCAG 2.1, 1.4.3: 4.5 to 1, for every colour that text is set in, on every ground under it."""
    colours = scheme(name)
    used = set(re.findall(r"(?<!-)(?:color|fill): var\(--(\w+)\)", CSS))
    texts = used - {"paper", "card", "line", "shade0", "shade1", "usual", "wave", "green"}
    assert {"ink", "soft", "noisy", "inspect", "unusable", "quiet", "blue"} <= texts
    for text in texts:
        for ground in ("paper", "card"):
            assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
