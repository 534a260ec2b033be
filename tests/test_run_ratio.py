"""The sliding pattern of tones and the laws of motion, against closed forms and brute force."""

import numpy as np
import pytest

from quietrun.dsp.frames import frames_of
from quietrun.run import ratio
from quietrun.run.ratio import LOG_STEP, Decay, SlideMap

# --- spectra on a logarithmic axis -----------------------------------------------------------


def test_prominence_is_the_level_over_the_seventeen_bins_around():
    power = np.full((2, 60), 1e-4, np.float32)
    power[1, 30] *= 1000.0  # 30 dB
    rise = ratio.prominence(power)
    assert rise[0] == pytest.approx(np.zeros(60), abs=1e-4)
    assert rise[1, 30] == pytest.approx(30.0 * (1 - 1 / 17), abs=1e-3)
    assert rise[1, 22] == pytest.approx(-30.0 / 17, abs=1e-3)
    assert rise[1, 38] == pytest.approx(-30.0 / 17, abs=1e-3)
    assert rise[1, [21, 39]] == pytest.approx([0.0, 0.0], abs=1e-3)
    edge = np.full((1, 60), 1e-4, np.float32)
    edge[0, 0] *= 10.0  # repeated eight times outside
    assert ratio.prominence(edge)[0, 0] == pytest.approx(10.0 * (1 - 9 / 17), abs=1e-3)


@pytest.mark.parametrize(
    ("top_hz", "wanted_hz"), [(20_000.0, 9000.0), (4000.0, 4000.0), (50.0, 280.0)]
)
def test_the_axis_runs_from_140_hz_in_steps_of_one_per_cent(top_hz, wanted_hz):
    frames = frames_of(np.zeros(48_000, np.float32), 48_000.0)
    axis = ratio._log_axis(frames, top_hz)
    assert np.exp(axis[0]) == pytest.approx(140.0)
    assert np.diff(axis) == pytest.approx(np.full(axis.size - 1, 0.01))
    assert np.exp(axis[-1]) < wanted_hz < np.exp(axis[-1] + 0.0101)


def test_the_axis_ends_below_half_the_rate():
    frames = frames_of(np.zeros(8_000, np.float32), 8_000.0)
    assert np.exp(ratio._log_axis(frames, 20_000.0)[-1]) == pytest.approx(0.95 * 4000.0, rel=0.01)


def test_between_bins_it_is_linear():
    bin_hz = 20.0
    level = np.array([3.0 + 0.5 * np.arange(100), 7.0 - 0.25 * np.arange(100)], np.float32)
    axis = np.log(np.array([140.0, 150.0, 333.3, 1979.0]))
    found = ratio._on_log_axis(bin_hz, level, axis)
    at = np.exp(axis) / bin_hz
    assert found[0] == pytest.approx(3.0 + 0.5 * at, abs=1e-4)
    assert found[1] == pytest.approx(7.0 - 0.25 * at, abs=1e-4)


def test_electrical_lines_are_taken_out_of_the_rises():
    rise = np.tile(np.array([5.0, -5.0], np.float32), (1, 20))
    found = ratio._skip(rise.copy(), 10.0, (100.0, 306.0))
    changed = np.flatnonzero(found[0] != rise[0])
    # within 16 Hz of 100: bins 9, 10, 11; of 306: 30, 31, 32 (29 is 16 Hz away)
    assert set(changed) == {10, 30, 32}
    assert (found[0, changed] == 0.0).all()


def by_hand(columns, pattern, slides):
    """The text of ``_correlate`` word for word."""
    gain = np.zeros((len(columns), slides))
    for t, column in enumerate(columns):
        for s in range(min(slides, pattern.size - 1)):
            here = pattern[s:]
            here = here - here.mean()
            here = here / (np.sqrt(np.sum(here**2)) + 1e-9)
            gain[t, s] = np.sum(column[: here.size] * here)
    return gain


@pytest.mark.parametrize("slides", [5, 30, 50])
def test_correlation_is_what_its_text_says(slides):
    rng = np.random.default_rng(slides)
    columns, pattern = rng.normal(size=(4, 31)), rng.normal(size=31)
    found = ratio._correlate(columns, pattern, slides)
    assert found.shape == (4, slides)
    assert found == pytest.approx(by_hand(columns, pattern, slides), abs=1e-9)


RATE = 16_000.0


def tones(ratio_of_time, seconds, orders=(17, 23, 31, 41, 57, 79), seed=0):
    """Orders of a shaft of 49 turns a second whose speed follows a share of time."""
    t = np.arange(int(seconds * RATE)) / RATE
    phase = 2 * np.pi * np.cumsum(49.0 * ratio_of_time(t)) / RATE
    x = sum(0.05 * np.sin(k * phase + k) for k in orders)
    x = x * (ratio_of_time(t) > 0)
    x = x + 1e-4 * np.random.default_rng(seed).normal(size=t.size)
    return frames_of(x.astype(np.float32), RATE)


@pytest.mark.parametrize("share", [1.0, 0.8, 0.5, 0.3])
@pytest.mark.parametrize("sharp_hz", [0.0, 1500.0])
def test_a_slowed_pattern_is_found_at_its_share(share, sharp_hz):
    """Two seconds at full speed, one at a share of it, three of room."""

    def speed(t):
        return np.where(t < 2.0, 1.0, np.where(t < 3.0, share, 0.0))

    slide = ratio.slide_map(
        tones(speed, 6.0),
        steady_s=(0.2, 1.9),
        span_s=(2.0, 6.0),
        top_hz=6000.0,
        sharp_below_hz=sharp_hz,
        audible_until_s=6.0,
    )
    assert slide.share == pytest.approx(np.exp(-0.01 * np.arange(slide.share.size)))
    assert slide.share[-1] == pytest.approx(ratio.LOWEST_SHARE, rel=0.011)
    heard = (slide.time_s > 2.15) & (slide.time_s < 2.85)
    best = slide.share[np.argmax(slide.gain[heard], axis=1)]
    assert np.median(best) == pytest.approx(share, rel=0.025)
    assert slide.gain[heard].max(axis=1).min() > 4.0
    assert slide.clarity > 1.0


def test_columns_are_means_of_frames_in_the_middle_of_them():
    frames = tones(lambda t: np.ones(t.size), 3.0)
    for group in (2, 4):
        slide = ratio.slide_map(
            frames, steady_s=(0.2, 0.9), span_s=(1.0, 2.0), top_hz=6000.0, group=group
        )
        assert np.diff(slide.time_s) == pytest.approx(
            np.full(slide.time_s.size - 1, group * frames.hop_s)
        )
        first = frames.time_s[frames.frame_at(1.0)]
        assert slide.time_s[0] == pytest.approx(first + 0.5 * (group - 1) * frames.hop_s)
        assert slide.time_s[-1] < 2.0 + group * frames.hop_s
        assert slide.gain.shape == (slide.time_s.size, slide.share.size)


# --- laws of motion --------------------------------------------------------------------------


def test_the_laws_of_the_bank_are_shares():
    assert len(ratio.COAST_SHAPES) == 22
    assert np.sum(ratio.COAST_SHAPES, axis=1) == pytest.approx(np.ones(22))
    assert (1.0, 0.0, 0.0) in ratio.COAST_SHAPES
    assert min(min(shape) for shape in ratio.COAST_SHAPES) == 0.0


def test_curves_of_motion_in_closed_form():
    """dw/dt = -a: a straight line; = -(a + b w): a logarithm; = -(a + c w^2): an arc tangent."""
    tau, w = ratio.motion_curves(((1.0, 0.0, 0.0), (0.2, 0.8, 0.0), (0.25, 0.0, 0.75)))
    assert (w[0], w[-1], w.size) == (1.0, 0.0, 200)
    assert tau[0] == pytest.approx(1.0 - w, abs=1e-9)
    viscous = np.log(1.0 / (0.2 + 0.8 * w))
    assert tau[1] == pytest.approx(viscous / viscous[-1], abs=1e-4)
    root = np.sqrt(0.75 / 0.25)
    windage = np.arctan(root) - np.arctan(root * w)
    assert tau[2] == pytest.approx(windage / windage[-1], abs=1e-4)


@pytest.mark.parametrize(
    ("drag", "stop_s"),
    [((1.0, 0.0, 0.0), 3.0), ((0.3, 0.7, 0.0), 5.0), ((0.4, 0.0, 0.6), 2.0), ((0.2, 0.3, 0.5), 4)],
)
@pytest.mark.parametrize("heard_share", [0.0, 0.3])
def test_drag_is_read_off_a_falling_curve(drag, stop_s, heard_share):
    """Of a curve of that law; where its end is not heard it is drawn on to rest."""
    (tau,), w = ratio.motion_curves((drag,), points=2000)
    time_s = np.linspace(0.0, stop_s, 400)
    share = np.interp(time_s / stop_s, tau, w)
    use = share >= heard_share
    found, rest_s = ratio.fit_drag_shares(time_s[use], share[use])
    assert found == pytest.approx(drag, abs=0.03)
    assert sum(found) == pytest.approx(1.0)
    assert rest_s == pytest.approx(stop_s, rel=0.02)


def test_a_curve_that_does_not_fall_has_a_drag_all_the_same():
    found, rest_s = ratio.fit_drag_shares(np.linspace(0, 2, 50), np.full(50, 1.0))
    assert found == pytest.approx((1.0, 0.0, 0.0), abs=1e-6) or min(found) >= 0.0
    assert rest_s > 2.0


# --- paths -----------------------------------------------------------------------------------


def best_by_brute_force(gain):
    """Total of the best path: starts below 12, falls by 0 to 14 a column, may end anywhere."""
    count, slides = gain.shape
    best = -np.inf
    totals = {s: gain[0, s] for s in range(min(12, slides))}
    best = max(totals.values())
    for t in range(1, count):
        totals = {
            s: gain[t, s] + max(totals[p] for p in totals if 0 <= s - p <= 14)
            for s in range(slides)
            if any(0 <= s - p <= 14 for p in totals)
        }
        best = max(best, *totals.values())
    return best


@pytest.mark.parametrize("seed", range(8))
def test_the_free_path_is_the_best_of_all(seed):
    rng = np.random.default_rng(seed)
    gain = rng.normal(size=(9, 40)) - 0.3
    path, total = ratio._free_path(gain)
    assert total == pytest.approx(best_by_brute_force(gain))
    assert gain[np.arange(path.size), path].sum() == pytest.approx(total)
    assert path[0] < 12
    assert (np.diff(path) >= 0).all()
    assert (np.diff(path) <= 14).all()


def test_where_nothing_is_won_the_path_is_a_point():
    path, total = ratio._free_path(np.full((6, 30), -1.0))
    assert path.tolist() == [0]
    assert total == -1.0


def test_gain_along_paths_by_hand():
    logs = -LOG_STEP * np.arange(5)
    gain = np.arange(15.0).reshape(3, 5)
    share = np.exp(-LOG_STEP * np.array([[0, 2, 4], [1, 1, 9]]))
    assert ratio._along(gain, share, logs).tolist() == [0 + 7 + 14, 1 + 6 + 0]
    assert ratio._along(gain, np.zeros((1, 3)), logs).tolist() == [0.0]


def test_a_corridor_keeps_near_the_law():
    gain = np.full((20, 120), -1.0)
    wanted = np.minimum(5 * np.arange(20) + 6, 119)
    gain[np.arange(20), wanted] = 5.0
    gain[np.arange(20), np.minimum(wanted + 30, 119)] = 50.0  # far away, and louder
    law = np.exp(-LOG_STEP * 5.0 * np.arange(20))
    found = ratio._corridor(gain, law)
    assert found == pytest.approx(np.exp(-LOG_STEP * wanted))
    short = np.exp(-LOG_STEP * np.array([0.0, 1.0, 2.0, 3.0, 4.0]))
    assert ratio._corridor(gain[:5], short) is short


# --- levels ----------------------------------------------------------------------------------


def test_the_level_under_a_path_costs_its_misfit():
    time_s = np.arange(10) * 0.24  # farther apart than 0.12 s: each counts whole
    share = np.linspace(1.0, 0.2, 10)
    cost = 1.0 / (2 * 2.5**2)
    for exponent in (2.0, 5.0):
        level = 10 * exponent * np.log10(share)
        fits = ratio._level_penalty(share, Decay(time_s, level, -90.0))
        assert fits == pytest.approx(0.0, abs=1e-9)
    level = 10 * 4.0 * np.log10(share)
    off = np.where(np.arange(10) == 0, 2.0, 0.0)  # at full speed every exponent says 0 dB
    assert ratio._level_penalty(share, Decay(time_s, level + off, -90.0)) == pytest.approx(4 * cost)
    wild = np.where(np.arange(10) == 0, 50.0, 0.0)  # what is far off counts as 10 dB
    assert ratio._level_penalty(share, Decay(time_s, level + wild, -90.0)) == pytest.approx(
        100 * cost
    )
    dense = Decay(time_s / 4, level + off, -90.0)  # half of 0.12 s apart
    assert ratio._level_penalty(share, dense) == pytest.approx(0.5 * 4 * cost)


def test_below_the_room_the_level_says_nothing():
    time_s = np.arange(10) * 0.24
    share = np.linspace(1.0, 0.05, 10)
    floor = np.maximum(10 * 3.0 * np.log10(share), -12.0)
    assert ratio._level_penalty(share, Decay(time_s, floor, -12.0)) == pytest.approx(0.0, abs=1e-9)


def test_a_decay_is_thinned_to_forty_points_after_the_cut():
    time_s = np.arange(0.0, 4.0, 0.01)
    decay = Decay(time_s, -5.0 * time_s, -30.0)
    found = ratio._relative(decay, 1.0)
    assert found.floor_db == -30.0
    assert 40 <= found.time_s.size < 44
    assert found.time_s[0] > 0.05
    assert found.time_s[-1] < 3.0
    assert found.level_db == pytest.approx(-5.0 * (found.time_s + 1.0))
    assert ratio._relative(None, 1.0) is None
    assert ratio._relative(decay, 3.9) is None  # five points are left


# --- the whole -------------------------------------------------------------------------------


def map_of(share_of_time, seconds, height=5.0, step_s=0.02):
    """A map that is 0 but for the bins next to a path."""
    time_s = step_s * np.arange(round(seconds / step_s))
    share = np.exp(-LOG_STEP * np.arange(212))
    gain = np.zeros((time_s.size, share.size))
    for t, now in enumerate(share_of_time(time_s)):
        if now > share[-1]:
            gain[t, round(-np.log(now) / LOG_STEP)] = height
    return SlideMap(time_s, share, gain, 3.0)


@pytest.mark.parametrize("drag", [(1.0, 0.0, 0.0), (0.25, 0.375, 0.375), (0.5, 0.0, 0.5)])
@pytest.mark.parametrize("stop_s", [2.0, 5.0])
def test_a_law_is_found_by_its_tones(drag, stop_s):
    (tau,), w = ratio.motion_curves((drag,))

    def speed(t):
        return np.interp((t - 1.0) / stop_s, tau, w, right=0.0)

    slope = ratio.follow_down(map_of(speed, 1.0 + stop_s + 1.0), 1.0, audible_s=0.9 * stop_s)
    # the last turns below a share of 0.12 are not heard: by what law they go is a guess
    assert slope.duration_s == pytest.approx(stop_s, rel=0.25)
    assert slope.time_s[0] == pytest.approx(1.0)
    heard = (slope.time_s > 1.1) & (slope.share > 0.2)
    assert slope.share[heard] == pytest.approx(speed(slope.time_s[heard]), abs=0.05)
    assert (np.diff(slope.share) <= 1e-9).all()
    assert slope.score > 12.0
    assert sum(slope.drag) == pytest.approx(1.0)


def test_a_free_path_where_no_law_fits():
    """A brake: full speed for a second, then down within another."""

    def speed(t):
        return np.interp(t, [0.0, 1.0, 1.9, 2.4], [1.0, 1.0, 0.2, 0.0])

    slope = ratio.follow_down(map_of(speed, 3.0, height=6.0), 0.0, audible_s=2.0)
    heard = slope.share > 0.2
    assert slope.share[heard] == pytest.approx(speed(slope.time_s[heard]), abs=0.03)


def test_too_short_a_span_is_not_followed():
    slide = map_of(lambda t: np.ones(t.size), 1.0)
    assert ratio.follow_down(slide, 1.0 - 0.02 * 8 - 0.001) is not None
    assert ratio.follow_down(slide, 1.0 - 0.02 * 7 - 0.001) is None


def test_a_run_up_is_followed_backwards_from_full_speed():
    def speed(t):
        return np.clip((t - 0.5) / 1.5, 0.0, 1.0)

    slide = map_of(speed, 3.0)
    time_s, share = ratio.follow_up(slide, 0.5, 2.0)
    assert (time_s[0], share[0]) == (0.5, 0.0)
    assert (np.diff(time_s) > 0).all()
    assert share[1:] == pytest.approx(speed(time_s[1:]), abs=0.02)
    assert time_s[-1] == pytest.approx(2.0, abs=0.03)
    assert ratio.follow_up(slide, 1.95, 2.0) is None


def test_a_late_rest_is_less_likely_than_one_soon_after_hearing_ends():
    """Without a tone or a level the stop time is what is usual after the sound has gone."""
    empty = map_of(lambda t: np.zeros(t.size), 6.0)
    empty.gain[:] = ratio._LAW_TOLL  # nothing is won and nothing lost
    for audible_s in (1.0, 2.0, 4.0):
        slope = ratio.follow_down(empty, 0.0, audible_s=audible_s)
        short_db = 15.0  # as far below 30 dB over the room as is taken where nothing is known
        usual = audible_s * np.exp(0.07 + 0.008 * short_db)
        assert slope.duration_s == pytest.approx(usual, rel=0.05)
        assert slope.spread == pytest.approx(0.08 + 0.004 * short_db, rel=0.1)


def test_every_law_of_the_bank_falls():
    tau, w = ratio.motion_curves(ratio.COAST_SHAPES)
    assert (np.diff(tau, axis=1) > 0).all()
    assert (tau[:, 0] == 0.0).all()
    assert tau[:, -1] == pytest.approx(np.ones(22))
    assert (np.diff(w) < 0).all()
