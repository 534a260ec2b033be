"""Bursts and swings on spectra that are written down: what stands over what is around it."""

from types import SimpleNamespace

import numpy as np
import pytest
from written_scene import written_scene

from quietrun.evidence import Missing, bursts, pairs, swings
from quietrun.evidence.scene import BANDS, GROUPS

BIN_HZ = 23.4375
HOP_S = 0.01
BINS = 900
FREQS = BIN_HZ * np.arange(BINS)
ON_S, UP_S, OFF_S, REST_S, END_S = 1.0, 3.0, 6.0, 10.0, 11.0
TIME = np.arange(0.5 * HOP_S, END_S, HOP_S)
SPANS = {
    "room": (0.0, ON_S),
    "run_up": (ON_S, UP_S),
    "steady": (UP_S, OFF_S),
    "coast_down": (OFF_S, REST_S),
    "rest": (REST_S, END_S),
}


def scene_of(power, *, top_hz=20_000.0, spans=SPANS, clicks_s=()):
    up, down = TIME[(TIME >= ON_S) & (TIME < UP_S)], TIME[(TIME >= OFF_S) & (TIME < REST_S)]
    frames = SimpleNamespace(
        power=power,
        freqs_hz=FREQS,
        time_s=TIME,
        hop_s=HOP_S,
        bins=lambda lo, hi: slice(*(int(k) for k in np.searchsorted(FREQS, (lo, hi)))),
    )
    return written_scene(
        frames,
        spans=spans,
        top_hz=top_hz,
        coast_time=down,
        coast_share=(REST_S - down) / (REST_S - OFF_S),
        up_time=up,
        up_share=(up - ON_S) / (UP_S - ON_S),
        clicks_s=clicks_s,
    )


def flat(*bumps, level=1e-8):
    """Flat power with (band, from s, to s, dB) bumps over whole bands."""
    power = np.full((TIME.size, BINS), level)
    for band, from_s, to_s, over_db in bumps:
        lo, hi = np.searchsorted(FREQS, BANDS[band])
        inside = (from_s <= TIME) & (to_s > TIME)
        power[np.ix_(inside, np.arange(lo, hi))] *= 10 ** (over_db / 10)
    return power


# --- bursts ----------------------------------------------------------------------------------


def test_what_stands_over_its_opening():
    """Shorter than the window it stands out, longer it is the level itself; a click is neither."""
    level = np.zeros((600, 3))
    level[100 : 100 + bursts._OPEN // 2, 0] = 7.0
    level[200 : 200 + 3 * bursts._OPEN, 1] = 7.0
    level[300, 2] = 30.0
    over = bursts.stands_over(level)
    assert over[100 + bursts._OPEN // 4, 0] == pytest.approx(7.0)
    assert over[:, 1].max() == pytest.approx(0.0)
    assert over[:, 2].max() == pytest.approx(0.0)
    assert over.min() >= 0.0


@pytest.mark.parametrize(
    ("at_s", "stem"), [(2.0, "burst_start"), (4.5, "burst_steady"), (8.0, "burst_coast")]
)
def test_a_burst_of_one_band_is_found_in_its_phase(at_s, stem):
    names = {name.rsplit("_", 1)[0] for name in bursts.measure(scene_of(flat()))}
    assert stem in names
    found = bursts.measure(scene_of(flat((4, at_s, at_s + 0.15, 9.0))))
    assert found[f"{stem}_best"] == pytest.approx(9.0, abs=0.01)
    assert found[f"{stem}_top3"] == pytest.approx(3.0, abs=0.01)
    assert found[f"{stem}_mid"] == pytest.approx(9.0, abs=0.01)
    assert found[f"{stem}_low"] == pytest.approx(0.0, abs=0.01)
    others = {"burst_start", "burst_steady", "burst_coast"} - {stem}
    for other in others:
        assert found[f"{other}_best"] == pytest.approx(0.0, abs=0.01), other
    assert 4 in GROUPS["mid"]


def test_two_bursts_at_one_speed_and_at_two():
    """At half of the speed on the way up (2.0 s) and on the way down (8.0 s)."""
    both = flat((4, 1.9, 2.05, 9.0), (4, 7.9, 8.05, 6.0))
    assert bursts.measure(scene_of(both))["burst_same_speed"] == pytest.approx(6.0, abs=0.01)
    apart = flat((4, 1.3, 1.45, 9.0), (4, 7.0, 7.15, 6.0))  # 0.15 and 0.75 of the speed
    assert bursts.measure(scene_of(apart))["burst_same_speed"] == pytest.approx(0.0, abs=0.01)
    other = flat((4, 1.9, 2.05, 9.0), (7, 7.9, 8.05, 6.0))
    assert bursts.measure(scene_of(other))["burst_same_speed"] == pytest.approx(0.0, abs=0.01)


def test_a_switch_click_is_no_burst():
    loud = flat(*[(band, 2.0, 2.15, 12.0) for band in range(len(BANDS))])
    with_click = bursts.measure(scene_of(loud))["burst_start_best"]
    without = bursts.measure(scene_of(loud, clicks_s=(2.0,)))["burst_start_best"]
    assert with_click == pytest.approx(12.0, abs=0.01)
    assert without < 2.0


def test_a_tone_between_which_there_is_noise_is_no_burst():
    power = flat()
    inside = (TIME > 4.0) & (TIME < 4.2)
    power[inside, int(2000.0 / BIN_HZ)] *= 1e4
    assert bursts.measure(scene_of(power))["burst_steady_best"] == pytest.approx(0.0, abs=0.01)


def test_what_is_too_short_or_too_narrow_for_bursts():
    none = bursts.measure(scene_of(flat(), top_hz=600.0))
    assert all(isinstance(value, Missing) for value in none.values())
    part = bursts.measure(scene_of(flat(), spans={"steady": (UP_S, UP_S + 0.19)}))
    assert isinstance(part["burst_steady_best"], Missing)
    assert isinstance(part["burst_same_speed"], Missing)


# --- swings ----------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [1, 5, 20])
def test_what_a_band_has_alone(size):
    loud = np.full(size, 3.0)
    loud[size // 2] = 8.0
    found = swings.alone(loud)
    wanted = 5.0 if size > 3 else 8.0
    assert found[size // 2] == pytest.approx(wanted)
    everywhere = swings.alone(np.full(40, 6.0))
    assert everywhere == pytest.approx(np.zeros(40))


def test_steady_noise_has_no_swings():
    """Each bin of a frame of noise is exponential; bands of more bins scatter less."""
    rng = np.random.default_rng(3)
    power = 1e-8 * rng.exponential(size=(TIME.size, BINS))
    found = swings.measure(scene_of(power))
    assert found["swing_top3"] < 1.0
    assert found["coast_swing_top3"] < 1.5


def test_a_band_that_swings():
    """A tenth of the time ten times as loud: the loud moments stand 10 dB over the middle."""
    power = np.full((TIME.size, BINS), 1e-8)
    lo, hi = np.searchsorted(FREQS, (2900.0, 3100.0))
    loud = np.flatnonzero((np.arange(TIME.size) // 4) % 8 == 0)
    power[np.ix_(loud, np.arange(lo, hi))] *= 10.0
    found = swings.measure(scene_of(power))
    flat_level = swings.measure(scene_of(np.full((TIME.size, BINS), 1e-8)))
    assert flat_level["swing_best"] == 0.0
    # 10 dB, less what the loud moments of steady noise of so few bins have
    assert 4.0 < found["swing_best"] <= 10.0
    assert found["swing_alone_best"] == pytest.approx(found["swing_best"], abs=0.5)
    everywhere = np.full((TIME.size, BINS), 1e-8)
    everywhere[loud] *= 10.0
    together = swings.measure(scene_of(everywhere))
    assert together["swing_best"] > 4.0
    assert together["swing_alone_best"] < 2.5


def test_swings_need_a_recording_that_reaches_them():
    found = swings.measure(scene_of(np.full((TIME.size, BINS), 1e-8), top_hz=300.0))
    assert all(isinstance(value, Missing) for value in found.values())
    short = swings.measure(scene_of(np.full((TIME.size, BINS), 1e-8), spans={}))
    assert isinstance(short["swing_best"], Missing)
    assert isinstance(short["coast_swing_best"], Missing)


# --- pairs -----------------------------------------------------------------------------------


def test_a_pair_is_a_difference_or_the_reason_of_what_lacks():
    names = {name for _, one, other, _ in pairs.PAIRS for name in (one, other)}
    values = {name: float(i) for i, name in enumerate(sorted(names))}
    found = pairs.measure(values)
    for name, one, other, _ in pairs.PAIRS:
        assert found[name] == values[one] - values[other]
    because = Missing("no reason")
    name, one, other, _ = pairs.PAIRS[0]
    assert pairs.measure({**values, one: because})[name] is because
    assert pairs.measure({**values, other: because})[name] is because
