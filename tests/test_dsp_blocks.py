"""Block means against numpy's own, bit for bit; lines between blocks against ``numpy.interp``."""

import numpy as np
import pytest

from quietrun.dsp.blocks import along_blocks, block_means


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("size", [1, 2, 3, 7, 8, 9, 15, 16, 17, 20, 21, 64])
def test_block_means_are_numpys_to_the_last_bit(size, dtype):
    x = np.random.default_rng(size).standard_normal(1000 * size + size // 2).astype(dtype)
    kept = x.copy()
    got = block_means(x, size)
    assert got.dtype == dtype
    np.testing.assert_array_equal(got, x[: 1000 * size].reshape(-1, size).mean(axis=1))
    np.testing.assert_array_equal(x, kept)


def test_what_is_shorter_than_a_block_has_no_mean():
    assert block_means(np.ones(4), 5).shape == (0,)


@pytest.mark.parametrize("size", [8, 9, 101])
@pytest.mark.parametrize("blocks", [1, 2, 7])
@pytest.mark.parametrize("extra", [-3, 0, 5])
def test_lines_between_blocks_are_numpys(size, blocks, extra):
    values = np.random.default_rng(blocks).standard_normal(blocks)
    count = size * blocks + extra
    expected = np.interp(np.arange(count), (np.arange(blocks) + 0.5) * size, values)
    np.testing.assert_allclose(along_blocks(values, size, count), expected, rtol=0, atol=1e-14)


def test_a_few_samples_before_the_first_middle_hold_the_first_value():
    np.testing.assert_array_equal(along_blocks(np.array([3.0, 9.0]), 10, 4), np.full(4, 3.0))
