"""Running extremes and medians against their plain definition and scipy.ndimage."""

import numpy as np
import pytest
from scipy import ndimage

from quietrun.dsp.running import running_max, running_median, running_min


@pytest.mark.parametrize("width", [1, 2, 3, 5, 8, 13, 45, 100])
def test_running_extremes_are_those_of_every_window(width):
    x = np.random.default_rng(width).normal(size=(100, 3))
    view = np.lib.stride_tricks.sliding_window_view(x, width, axis=0)
    assert (running_max(x, width) == view.max(axis=-1)).all()
    assert (running_min(x, width) == view.min(axis=-1)).all()


def test_running_max_is_that_of_scipy():
    x = np.random.default_rng(1).normal(size=300)
    inside = ndimage.maximum_filter1d(x, 11, mode="nearest")[5:-5]
    assert (running_max(x, 11) == inside).all()


@pytest.mark.parametrize("width", [0, 101])
def test_a_width_that_does_not_fit_is_refused(width):
    with pytest.raises(ValueError, match="width must be 1 to 100"):
        running_max(np.zeros(100), width)


@pytest.mark.parametrize("width", [3, 11, 31])
def test_running_median_is_that_of_scipy(width):
    x = np.random.default_rng(width).normal(size=(120, 4))
    wanted = ndimage.median_filter(x, (width, 1), mode="nearest")
    assert running_median(x, width) == pytest.approx(wanted)
    assert running_median(x[:, 0], width) == pytest.approx(wanted[:, 0])
    held = running_median(x, width, every=4)
    assert held == pytest.approx(np.repeat(wanted[::4], 4, axis=0)[:120])
