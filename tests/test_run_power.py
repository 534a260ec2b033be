"""Log-odds of power by hand: from the coherence of a line, or from two levels of it."""

import numpy as np
import pytest

from quietrun.dsp.frames import frames_of
from quietrun.run import power


def two_levels(low_db, high_db, count=40, more=()):
    return np.concatenate([np.full(count, low_db), np.full(count, high_db), more])


def by_hand(level_db):
    """The best of all splits into two parts of at least a twelfth, by the spread within them."""
    ordered = np.sort(level_db)
    least = max(3, ordered.size // 12)
    cuts = range(least, ordered.size - least)
    cut = min(
        cuts, key=lambda k: k * np.var(ordered[:k]) + (ordered.size - k) * np.var(ordered[k:])
    )
    low, high = ordered[:cut], ordered[cut:]
    within = (low.size * low.var() + high.size * high.var()) / ordered.size
    return low.mean(), high.mean(), max(1.0, np.sqrt(within))


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("share", [0.15, 0.4, 0.7])
def test_log_odds_of_the_higher_of_two_levels(seed, share):
    rng = np.random.default_rng(seed)
    level = np.where(rng.uniform(size=200) < share, -40.0, -55.0) + 1.5 * rng.standard_normal(200)
    low, high, spread = by_hand(level)
    wanted = (level - (low + high) / 2) * (high - low) / spread**2 / 4
    assert power._by_level(level) == pytest.approx(np.clip(wanted, -3.0, 3.0), abs=1e-6)


def test_levels_without_two_of_them_say_nothing():
    assert power._by_level(two_levels(-50.0, -47.1)).tolist() == [0.0] * 80
    found = power._by_level(two_levels(-50.0, -46.9))
    assert found[:40] == pytest.approx(np.full(40, -1.2, float), abs=0.01)  # 1.55 x 3.1 / 4
    assert found[40:] == pytest.approx(np.full(40, 1.2, float), abs=0.01)
    even = np.linspace(-60.0, -40.0, 200)  # any level as often: parts 10 dB apart, spread 2.9
    assert power._by_level(even).any()


def test_the_line_stands_where_its_coherence_is_that_of_its_upper_quartile():
    share = np.concatenate([np.full(60, 0.05), np.full(60, 0.95)])
    level = np.full(120, -40.0)
    odds = power.line_log_odds(share, level)
    assert (odds[:60] < -1.0).all()
    assert (odds[60:] > 1.0).all()
    assert np.abs(odds).max() <= 4.0
    # 9 dB and more under the level it has where it is clear, it is not there
    level[100:] = -49.5
    assert (power.line_log_odds(share, level)[100:] <= -1.0).all()
    level[100:] = -48.5
    assert (power.line_log_odds(share, level)[100:] > 1.0).all()


def test_an_incoherent_line_is_useless():
    share = np.full(100, 0.1)
    assert not power.line_log_odds(share, np.full(100, -40.0)).any()
    assert not power.line_log_odds(np.full(19, 0.9), np.full(19, -40.0)).any(), "too few"


def test_a_line_that_never_leaves_is_judged_by_its_level():
    level = two_levels(-60.0, -40.0, 60)
    odds = power.line_log_odds(np.full(120, 0.9), level)
    assert odds[:60].tolist() == [-3.0] * 60
    assert odds[60:].tolist() == [3.0] * 60


def test_where_the_room_hums_only_what_rises_over_it_counts():
    share = np.full(200, 0.9)
    room = np.arange(200) < 100
    level = np.where(room, -50.0, -40.0)
    odds = power.line_log_odds(share, level, room)
    assert odds[:100].tolist() == [-2.0] * 100
    assert (odds[100:] > 0.5).all()
    same = np.full(200, -50.0)
    same[150:] = -47.5  # not 3 dB over the room
    assert not power.line_log_odds(share, same, room).any()
    same[150:] = -46.5
    assert power.line_log_odds(share, same, room).any()


def test_a_logit_is_held_to_what_can_be_told():
    found = power._logit(np.array([0.0, 0.02, 0.5, 0.9, 0.99, 1.0]))
    held = np.log([0.02 / 0.98, 0.02 / 0.98, 1.0, 9.0, 99.0, 99.0])
    assert found == pytest.approx(held)


@pytest.mark.parametrize("size", [3, 5, 20])
@pytest.mark.parametrize("kernel", [1, 4, 5, 9])
def test_a_convolution_of_the_length_of_what_is_convolved(size, kernel):
    rng = np.random.default_rng(size)
    x, h = rng.normal(size=size), rng.normal(size=kernel)
    shift = (kernel - 1) // 2
    wanted = [
        sum(h[j] * x[k + shift - j] for j in range(kernel) if 0 <= k + shift - j < size)
        for k in range(size)
    ]
    assert power._same(x, h) == pytest.approx(wanted)


def test_power_around_a_line_is_the_median_two_to_nine_hertz_away():
    step_hz = 0.25
    spectrum = np.ones(2000)
    spectrum[round(98.5 / step_hz) : round(101.5 / step_hz) + 1] = 1e6  # the line and its skirts
    assert power._floor(spectrum, step_hz, np.array([100.0])) == pytest.approx([1.0])
    spectrum[round(91.0 / step_hz) : round(98.1 / step_hz)] = 3.0
    spectrum[round(102.0 / step_hz) : round(109.2 / step_hz)] = 5.0
    assert 3.0 <= power._floor(spectrum, step_hz, np.array([100.0]))[0] <= 5.0
    assert power._floor(spectrum, step_hz, np.array([300.0])) == pytest.approx([1.0])


def test_the_frames_of_a_comb_below_half_the_rate():
    frames = frames_of(np.zeros(4_000, np.float32), 400.0)
    comb = power.find_comb(frames, 100.0)
    assert (comb.mains_hz, comb.rises_db) == (100.0, ())
    assert comb.salience_db == 0.0
