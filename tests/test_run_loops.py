"""What is taken together for speed, against the same written as plain loops."""

import itertools
import math

import numpy as np
import pytest

from quietrun.run import power, ratio, speed


def test_pattern_and_columns_are_correlated_slide_by_slide():
    rng = np.random.default_rng(1)
    columns, pattern = rng.standard_normal((7, 30)), rng.standard_normal(30)
    expected = np.zeros((7, 40))
    for slide in range(29):  # the last bin alone tells nothing
        part = pattern[slide:] - pattern[slide:].mean()
        part /= np.linalg.norm(part)
        for i in range(7):
            expected[i, slide] = columns[i, : 30 - slide] @ part
    got = ratio._correlate(columns, pattern, 40)
    np.testing.assert_allclose(got[:, :29], expected[:, :29], rtol=0, atol=1e-7)
    assert got.shape == expected.shape
    assert not got[:, 29:].any()


def test_gain_along_paths_is_that_of_each_step():
    rng = np.random.default_rng(2)
    gain = rng.standard_normal((6, 20))
    share = np.exp(-ratio.LOG_STEP * rng.integers(0, 25, (3, 4, 6)))  # some beyond the last slide
    share[0, 0, 5] = 0.0
    for at in np.ndindex(3, 4):
        slides = [round(-math.log(max(s, 1e-6)) / ratio.LOG_STEP) for s in share[at]]
        expected = sum(gain[t, k] for t, k in enumerate(slides) if k < 20)
        got = ratio._along(gain, share, np.log(np.exp(-ratio.LOG_STEP * np.arange(20))))[at]
        assert got == pytest.approx(expected, abs=1e-12)


def test_a_level_is_held_against_its_best_exponent():
    rng = np.random.default_rng(3)
    decay = ratio.Decay(0.03 * np.arange(8), np.linspace(-1.0, -18.0, 8), -20.0)
    share = rng.uniform(0.0, 1.0, (2, 3, 8))
    got = ratio._level_penalty(share, decay)
    for at in np.ndindex(2, 3):
        misfits = []
        for exponent in ratio._EXPONENTS:
            levels = [max(exponent * 10 * math.log10(max(s, 1e-3)), -20.0) for s in share[at]]
            pairs = zip(levels, decay.level_db, strict=True)
            misfits.append(sum(min((a - b) ** 2, 100.0) for a, b in pairs))
        weight = 0.03 / ratio._LEVEL_EVERY_S / (2 * ratio._LEVEL_SPREAD_DB**2)
        assert got[at] == pytest.approx(weight * min(misfits), rel=1e-12)


def test_the_free_path_is_the_best_of_all_paths():
    rng = np.random.default_rng(4)
    gain = rng.standard_normal((4, 5))
    best = -math.inf
    for length in range(1, 5):
        for path in itertools.product(range(5), repeat=length):
            if all(a <= b for a, b in itertools.pairwise(path)):
                total = sum(gain[t, k] for t, k in enumerate(path))
                if total > best:
                    best, along = total, path
    path, total = ratio._free_path(gain)
    assert total == pytest.approx(best)
    assert tuple(path) == along


@pytest.mark.parametrize("seed", range(5))
def test_powered_stretches_are_the_likeliest_of_all(seed):
    odds = 3.0 * np.random.default_rng(seed).standard_normal(9)
    cost = 4.0
    share = power.WINDOW_S / power.RASTER_S / 2

    def worth(states):
        changes = sum(a != b for a, b in itertools.pairwise(states))
        powered = sum(o for o, on in zip(odds, states, strict=True) if on)
        return powered / share - changes * cost / 2

    best = max(itertools.product((0, 1), repeat=9), key=worth)
    edges = np.flatnonzero(np.diff([0, *best, 0]))
    expected = [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    assert power.powered_stretches(odds, cost=cost) == expected


def _spectrum(rng, size, step_hz, highest, weight):
    near = np.sort(rng.uniform(0.0, size * step_hz, size // 12))
    at = step_hz * np.arange(size)
    nearest = near[np.argmin(np.abs(at[:, None] - near), axis=1)]
    heights = rng.uniform(5.0, 18.0, size)
    return speed.LineSpectrum(nearest, heights, step_hz, weight, highest)


def _comb_of(spectra, rate_hz, mains_hz, orders):
    total = 0.0
    for lines in spectra:
        for order in orders(lines.highest_order):
            hz = order * rate_hz
            i = int(hz / lines.step_hz + 0.5)
            off_mains = abs(hz / (2 * mains_hz) - round(hz / (2 * mains_hz))) * 2 * mains_hz
            if i < lines.near_hz.size and off_mains > 0.7:
                off = (hz - lines.near_hz[i]) / (0.12 + 0.0004 * hz)
                total += lines.weight * lines.height_db[i] * math.exp(-0.5 * off * off)
    return total


def _every(top):
    return range(1, top + 1)


def test_both_combs_are_those_of_each_rate_alone():
    rng = np.random.default_rng(6)
    spectra = [_spectrum(rng, 6000, 0.2, 44, 1.0), _spectrum(rng, 2000, 0.2, 14, 0.8)]
    four, two, odd = speed._combs(spectra, 50.0)
    for i in rng.integers(0, speed._RATIOS.size, 25):
        slow = 25.0 * speed._RATIOS[i]
        assert four[i] == pytest.approx(_comb_of(spectra, slow, 50.0, _every))
        assert two[i] == pytest.approx(_comb_of(spectra, 2 * slow, 50.0, _every))
        expected = _comb_of(spectra, slow, 50.0, lambda top: range(1, top + 1, 2))
        assert odd[i] == pytest.approx(expected)
        assert speed._odd_sum(spectra, np.array([slow]), 50.0)[0] == pytest.approx(expected)
