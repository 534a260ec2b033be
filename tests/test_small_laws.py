"""Laws of small functions that longer tests pass by.

Each number follows from a law, worked out here from the definition; none is what the program
happened to print.
"""

import numpy as np
import pytest

from quietrun.dsp.spectra import whiten
from quietrun.dsp.tones import _tone_lines
from quietrun.dsp.windows import effective_averages, effective_kurtosis_frames, window

# --- dsp -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("worth", "power"), [(effective_averages, 2), (effective_kurtosis_frames, 4)]
)
def test_few_frames_are_worth_what_their_overlap_leaves(worth, power):
    """One frame is one frame; two are worth 2 / (1 + rho^power) (variance of a mean of two)."""
    w = window("hann", 64)
    rho = np.sum(w[8:] * w[:-8]) / np.sum(w * w)
    assert worth(w, 8, 1) == 1.0
    assert worth(w, 8, 2) == pytest.approx(2.0 / (1.0 + rho**power))


def test_of_noise_alone_whitening_holds_down_as_seldom_as_it_says():
    """Lines of Gaussian noise go over the limit in ``false_alarm`` of the spectra (exponential
    law: 1 - exp(-false_alarm) of them). A line that was held down has a mean square of 1 there.
    """
    rng = np.random.default_rng(11)
    held, most = 0, 300
    for _ in range(most):
        noise = rng.normal(size=2048) + 1j * rng.normal(size=2048)
        level = np.abs(whiten(noise, 1.0, width_hz=1024.0, false_alarm=0.5))
        held += bool(np.any(np.abs(level - 1.0) < 1e-6))
    # the floor is a median of 1024 lines: known to 4 %, which moves e^-8.3 by a third
    assert held / most == pytest.approx(1.0 - np.exp(-0.5), abs=0.12)


@pytest.mark.parametrize(("left", "right"), [(2, 2), (3, 2), (4, 2), (2, 3), (2, 4), (5, 3)])
def test_a_tone_ends_on_each_side_where_its_skirt_sinks_into_the_noise(left, right):
    """Skirts fall by half a line; from some line on there is less than 6 dB over the floor."""
    at = 200
    p = np.ones(401)
    p[at] = 1000.0
    for k in range(1, left + 1):
        p[at - k] = 1000.0 / 2**k
    for k in range(1, right + 1):
        p[at + k] = 1000.0 / 2**k
    assert _tone_lines(p, np.ones(401), at, 1.0) == (at - left, at + right + 1)


@pytest.mark.parametrize(("at", "lines"), [(2, (1, 7)), (397, (393, 401)), (398, (394, 401))])
def test_a_tone_at_the_end_of_a_spectrum_ends_with_it(at, lines):
    """62 at four lines from the top is over 4 times the floor of 12, 31 at five is not."""
    p = 1000.0 * 0.5 ** np.abs(np.arange(401.0) - at)
    first, last = _tone_lines(p, np.full(401, 12.0), at, 1.0)
    assert (first, last) == lines
