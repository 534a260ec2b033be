"""Order statistics against numpy's own, to the last bit."""

import numpy as np
import pytest

from quietrun.dsp.order import median, quantile, quantiles

SHAPES = [(1,), (2,), (3,), (10,), (61,), (64,), (1001,), (7, 4), (5, 61), (3, 4, 10)]
SHARES = (0.0, 0.02, 0.1, 0.25, 1 / 3, 0.5, 0.85, 0.995, 1.0)


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("shape", SHAPES)
def test_equal_to_numpy(shape, dtype):
    """Along every axis, and of all values; with values that come twice."""
    x = np.random.default_rng(sum(shape)).normal(size=shape).astype(dtype)
    x = np.where(x > 1.0, np.float32(1.0), x).astype(dtype)
    for axis in (None, *range(-1, len(shape))):
        ours, theirs = median(x, axis), np.median(x, axis=axis)
        assert np.array_equal(ours, theirs)
        assert ours.dtype == theirs.dtype
        for share in SHARES:
            got, want = quantile(x, share, axis), np.quantile(x, share, axis=axis)
            assert np.array_equal(got, want)
            assert got.dtype == want.dtype
        several = quantiles(x, SHARES, axis)
        assert np.array_equal(several, np.quantile(x, SHARES, axis=axis))


def test_views_are_taken_and_the_input_is_left_alone():
    """Views are fine, and what came in is not reordered."""
    x = np.random.default_rng(1).normal(size=400)
    view = np.lib.stride_tricks.sliding_window_view(x, 41)[::4]
    before = x.copy()
    assert np.array_equal(median(view, 1), np.median(view, axis=1))
    assert np.array_equal(quantile(view, 0.3, 1), np.quantile(view, 0.3, axis=1))
    assert np.array_equal(x, before)


def test_of_nothing_there_is_none():
    """NaN, of the right shape and without a warning."""
    assert np.isnan(median(np.zeros(0)))
    assert np.isnan(quantile(np.zeros(0), 0.5))
    assert median(np.zeros((0, 3)), 0).shape == (3,)
    assert np.isnan(quantiles(np.zeros((2, 0)), (0.1, 0.9), 1)).all()


def test_no_share():
    """What is no share is told."""
    with pytest.raises(ValueError, match="share must be 0 to 1"):
        quantile(np.zeros(3), 1.5)
