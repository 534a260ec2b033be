"""The measures behind the recording problems, against closed forms and published tables."""

from __future__ import annotations

import time

import fitness_clips as make
import numpy as np
import pytest

from quietrun.clip import Clip, Source
from quietrun.dsp.frames import frames_of
from quietrun.fitness import assess, clipping, gain, hum, room, turning, view, voices
from quietrun.run import Run

RATE_HZ = 48_000


def seen(x: np.ndarray, run: Run | None = None, rate_hz: int = RATE_HZ) -> view.View:
    """A view of plain samples; steady all along unless a run says otherwise."""
    x = np.ascontiguousarray(x, dtype="f4")
    clip = Clip(x, float(rate_hz), Source("x", None, None, None, "av", 1, 0, x.size / rate_hz))
    run = run or Run(power_on_s=0.0, phases={"steady": (0.0, x.size / rate_hz)})
    return view.view_of(clip, run, frames_of(x, rate_hz))


def noise(seconds: float, seed: int = 0, level: float = 0.05) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, level, int(seconds * RATE_HZ))


def tone(hz: float, seconds: float, level: float = 0.3) -> np.ndarray:
    return level * np.sin(2 * np.pi * hz * np.arange(int(seconds * RATE_HZ)) / RATE_HZ)


# IEC 61672-1, table of A-weights at nominal third-octave frequencies; at the exact base-ten
# centres the analytic form rounds to these
A_TABLE = {
    100: -19.1, 125: -16.1, 160: -13.4, 200: -10.9, 250: -8.6, 315: -6.6, 400: -4.8, 500: -3.2,
    630: -1.9, 800: -0.8, 1000: 0.0, 1250: 0.6, 1600: 1.0, 2000: 1.2, 2500: 1.3, 3150: 1.2,
    4000: 1.0, 5000: 0.5, 6300: -0.1, 8000: -1.1, 10000: -2.5, 12500: -4.3, 16000: -6.6,
}  # fmt: skip


def test_a_weighting_is_that_of_the_table():
    centres_hz = view.CENTRES_HZ[: len(A_TABLE)]
    found = 10 * np.log10(room.a_weight(centres_hz))
    np.testing.assert_allclose(found, list(A_TABLE.values()), atol=0.051)


def test_third_octave_edges_are_base_ten():
    np.testing.assert_allclose(view.EDGES_HZ[10:12], [891.25, 1122.02], atol=0.01)
    np.testing.assert_allclose(view.EDGES_HZ[1:] / view.EDGES_HZ[:-1], 10**0.1)


def test_bands_hold_the_power_of_the_sound():
    here = seen(noise(3.0))
    assert here.band.sum(axis=1).mean() == pytest.approx(0.05**2 * 17_784 / 24_000, rel=0.03)
    third = 10 * np.log10(seen(tone(1000.0, 2.0)).band.mean(axis=0))
    assert view.CENTRES_HZ[np.argmax(third)] == pytest.approx(1000.0)
    assert third.max() == pytest.approx(10 * np.log10(0.3**2 / 2), abs=0.05)


# --- clipping --------------------------------------------------------------------------------


@pytest.mark.parametrize("hz", [50.0, 440.0, 2999.3])
def test_a_sine_is_not_piled_up(hz):
    x = tone(hz, 3.0)
    top, near = np.mean(x > 0.9 * 0.3), np.mean(x > 0.997 * 0.3)
    # arccos 0.997 / arccos 0.9: closed form in the module's text
    assert near / top == pytest.approx(np.arccos(0.997) / np.arccos(0.9), rel=0.35)
    assert clipping.measure_clipping(seen(x)) == clipping.NONE


@pytest.mark.parametrize("over", [1.0, 1.5, 2.5])
def test_the_share_of_cut_noise_is_the_tail_of_its_distribution(over):
    from math import erfc, sqrt

    x = np.clip(noise(3.0, level=0.2), -0.2 * over, 0.2 * over)
    found = clipping.measure_clipping(seen(x))
    assert found.rail == pytest.approx(0.2 * over)
    assert found.share == pytest.approx(erfc(over / sqrt(2)), rel=0.1)


@pytest.mark.parametrize("seed", range(4))
def test_plain_noise_is_not_clipped(seed):
    assert clipping.measure_clipping(seen(noise(4.0, seed))) == clipping.NONE


def test_cut_tops_are_seen_through_a_coder():
    """A smeared rail: what AAC leaves of cut noise, here by noise of its own."""
    loud = make.band(noise(4.0), RATE_HZ, 100, 5000)
    x = np.clip(0.2 * loud / np.std(loud), -0.25, 0.25) + noise(4.0, 1, level=0.008)
    found = clipping.measure_clipping(seen(x))
    assert found.share > 0.05
    assert found.rail == pytest.approx(0.25, rel=0.1)


@pytest.mark.parametrize("hz", [100.0, 1000.0])
@pytest.mark.parametrize("level", [0.005, 0.02, 0.06])
def test_a_tone_in_noise_has_a_bump_and_is_not_clipped(hz, level):
    x = tone(hz, 4.0, 0.3) + noise(4.0, 1, level=level)
    assert clipping.measure_clipping(seen(x)) == clipping.NONE


# --- gain ------------------------------------------------------------------------------------


@pytest.mark.parametrize("fall_db", [-12.0, -3.0, 3.0])
def test_the_fall_of_all_bands_is_measured(fall_db):
    x = noise(4.0)
    ramp = 10 ** (np.linspace(0, fall_db, x.size) / 20)
    found = gain.measure_riding(seen(x * ramp)).steady_db
    # from the centre of the first sixth to that of the last
    assert found == pytest.approx(fall_db * 5 / 6, abs=0.1 * abs(fall_db) + 0.2)


def test_a_change_in_some_bands_is_no_gain():
    x = noise(4.0)
    low = make.band(x, RATE_HZ, 100, 1200)
    falling = x - low + low * 10 ** (np.linspace(0, -12, x.size) / 20)
    assert gain.measure_riding(seen(falling)).steady_db == 0.0


def test_gaps_are_counted_and_timed():
    x = noise(6.0)
    for start_s in (2.0, 4.0):
        x[int(start_s * RATE_HZ) : int((start_s + 0.3) * RATE_HZ)] = 0.0
    found = gain.measure_gate(seen(x))
    assert (found.gaps, found.empty) == (2, 2)
    assert found.total_s == pytest.approx(0.6, abs=0.05)
    assert found.in_steady_s == pytest.approx(found.total_s)


def test_a_reverberant_end_is_no_gate():
    """A room of 0.3 s reverberation: 12 dB in the time in which a gate does 20 and more."""
    x = noise(6.0)
    t = np.arange(x.size) / RATE_HZ
    x *= 10 ** (-60 * np.clip(t - 3.0, 0, None) / 0.3 / 20)
    assert gain.measure_gate(seen(x + noise(6.0, 1, 1e-4))).gaps == 0


# --- voices and crackle ----------------------------------------------------------------------


def test_steady_noise_shares_nothing():
    for seed in range(3):
        found = voices.measure_crackle(seen(noise(4.0, seed)))
        assert abs(found.shared_db2) < 0.3
        assert abs(found.likeness) < 0.2
    quiet = voices.measure_voices(seen(noise(4.0)), 0.0)
    assert quiet.tonal_share < 0.02
    assert quiet.over_db < -2.0


def test_shared_rises_are_measured_in_db_squared():
    """All bands move by +-3 dB at random, ten times a second: the covariance is 9 dB^2.

    A fifth goes with what is slower than half a second, a little to the 43 ms window.
    """
    rng = np.random.default_rng(2)
    steps_db = 3.0 * rng.choice([-1.0, 1.0], 80)
    x = noise(8.0) * 10 ** (np.repeat(steps_db, RATE_HZ // 10) / 20)
    found = voices.measure_crackle(seen(x))
    assert 0.6 * 9 < found.shared_db2 < 0.9 * 9
    assert found.likeness > 0.9


def test_what_strikes_in_time_is_regular():
    x = noise(6.0)
    x[:: RATE_HZ // 8] += 1.5  # eight clicks a second
    regular = voices.measure_crackle(seen(x)).regular
    rng = np.random.default_rng(3)
    y = noise(6.0)
    y[rng.integers(0, y.size, 48)] += 1.5
    assert regular > 0.5 > 0.3 > voices.measure_crackle(seen(y)).regular


# --- speed and hum ---------------------------------------------------------------------------


def lines_at(speed_hz: np.ndarray) -> np.ndarray:
    turns = 2 * np.pi * np.cumsum(speed_hz) / RATE_HZ
    return sum(np.cos(order * turns) for order in (2, 3, 5, 7, 9)) * 0.05 + noise(
        speed_hz.size / RATE_HZ, level=0.01
    )


@pytest.mark.parametrize("percent", [0.0, 2.0, 4.0])
def test_drift_of_the_lines_is_measured(percent):
    n = int(3.6 * RATE_HZ)
    found = turning.measure_turning(seen(lines_at(np.linspace(211, 211 * (1 - percent / 100), n))))
    assert found.drift_percent == pytest.approx(percent, abs=0.25 * percent + 0.15)
    assert found.tonal_db > 8


@pytest.mark.parametrize("seed", range(3))
def test_noise_has_no_lines(seed):
    found = turning.measure_turning(seen(noise(4.0, seed)))
    assert found.tonal_db < 8.0
    assert found.agree_share < 0.3


@pytest.mark.parametrize(("ours", "room_s"), [(True, 0.0), (False, 0.0), (False, 8.0)])
def test_mains_lines_that_come_with_the_run(ours, room_s):
    t = np.arange(8 * RATE_HZ) / RATE_HZ
    lines = sum(np.cos(2 * np.pi * 100 * k * t + k) for k in range(1, 7)) * 3e-3
    running = (t > 3) & (t < 6)
    x = noise(8.0, level=1e-3) + noise(8.0, 1, level=0.02) * running
    x += lines * running if ours else lines * (t < room_s)
    run = Run(
        mains_hz=50.0,
        power_on_s=3.0,
        power_off_s=6.0,
        phases={"room": (0, 3), "steady": (3, 6), "coast_down": (6, 6.1), "rest": (6.1, 8)},
    )
    found = hum.rising_lines(seen(x, run))
    assert (found >= 5) if ours else (found <= 1)


def test_mains_lines_are_unknown_without_a_room():
    assert hum.rising_lines(seen(noise(3.0), Run(mains_hz=50.0, phases={"steady": (0, 3)}))) is None


# --- cost ------------------------------------------------------------------------------------


def test_fitness_costs_less_than_the_frames_it_reads():
    """Budget: 8 ms a 10 s clip where the frames take about 11 (issue 2); held as a ratio."""
    take = make.whole_run(2)
    clip, run = take.clip(), take.run()
    frames = frames_of(clip.samples, clip.rate_hz)

    def cost(work) -> float:
        times = []
        for _ in range(7):
            start = time.process_time()
            work()
            times.append(time.process_time() - start)
        return min(times)

    ratio = cost(lambda: assess(clip, run, frames)) / cost(
        lambda: frames_of(clip.samples, clip.rate_hz)
    )
    assert ratio < 1.6
