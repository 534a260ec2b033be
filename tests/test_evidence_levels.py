"""Levels by band through a run, on a scene that is written down and not heard.

Each number follows by hand from the level laws that are put in: a room, a machine so many
decibels over it, a fall with a power of the speed.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from quietrun.dsp.frames import frames_of
from quietrun.evidence import Missing, levels, scene
from quietrun.evidence.scene import NOISE_EDGES, Scene
from quietrun.run import Run

BANDS = NOISE_EDGES.size - 1
STEP_S = 0.03
ROOM = 1e-9
ON_S, UP_S, OFF_S, REST_S, END_S = 2.0, 3.0, 7.0, 11.0, 14.0
TIME = np.arange(0.5 * STEP_S, END_S, STEP_S)
WIDTH = np.diff(NOISE_EDGES)


def coast_share(t):
    """Speed falls in a straight line."""
    return np.clip((REST_S - t) / (REST_S - OFF_S), 0.0, 1.0)


def up_share(t):
    return np.clip((t - ON_S) / (UP_S - ON_S), 0.0, 1.0)


def machine(over_db=30.0, exponent=4.0, cut_db=0.0, start_db=0.0, law=None):
    """Power of a machine at each time and band, over a room of 1e-9 in each."""
    steady = ROOM * 10 ** (np.broadcast_to(over_db, BANDS) / 10)
    share = np.where(TIME < OFF_S, up_share(TIME), coast_share(TIME))
    power = steady * (share**exponent if law is None else law(share))[:, None]
    coasting = TIME >= OFF_S
    power[coasting] *= 10 ** (-np.broadcast_to(cut_db, BANDS) / 10)
    power[(TIME >= ON_S) & (TIME < UP_S)] *= 10 ** (start_db / 10)
    return power


def scene_of(power, *, room=ROOM, top_hz=20_000.0, track=True, spans=None):
    known = {
        "room": (0.0, ON_S),
        "run_up": (ON_S, UP_S),
        "steady": (UP_S, OFF_S),
        "coast_down": (OFF_S, REST_S),
        "rest": (REST_S, END_S),
    }
    return Scene(
        frames=SimpleNamespace(time_s=TIME),
        run=Run(),
        top_hz=top_hz,
        spans=known if spans is None else {name: known[name] for name in spans},
        envelopes=(),
        noise_time=TIME,
        noise=power + room,
        noise_room=np.full(BANDS, room),
        shaft_hz=None,
        mains_hz=50.0,
        coast_time=TIME[TIME >= OFF_S] if track else None,
        coast_share=coast_share(TIME[TIME >= OFF_S]) if track else None,
        up_time=TIME[(TIME >= ON_S) & (TIME < UP_S)] if track else None,
        up_share=up_share(TIME[(TIME >= ON_S) & (TIME < UP_S)]) if track else None,
    )


def values_of(power, **more):
    return levels.measure(scene_of(power, **more))


EACH = ("most", "three", "low", "mid", "high")


@pytest.mark.parametrize("over_db", [10.0, 30.0])
def test_the_machine_over_the_room(over_db):
    found = values_of(machine(over_db))
    wanted = 10 * np.log10(10 ** (over_db / 10) + 1)
    for name in EACH:
        assert found[f"steady_over_room_{name}"] == pytest.approx(wanted, abs=1e-6), name


def test_no_more_than_fifty_decibels_and_no_less_than_minus_three():
    loud = values_of(machine(70.0))
    assert loud["steady_over_room_most"] == 50.0
    quiet = scene_of(machine(-200.0))
    quiet.noise[(TIME > UP_S) & (TIME < OFF_S)] = ROOM / 10
    assert levels.measure(quiet)["steady_over_room_most"] == -3.0


@pytest.mark.parametrize("exponent", [2.0, 4.0, 6.0])
def test_the_exponent_of_the_fall(exponent):
    """L = L0 + n 10 lg(w / w0) in every band."""
    found = values_of(machine(40.0, exponent))
    for name in EACH:
        assert found[f"exponent_{name}"] == pytest.approx(exponent, abs=0.02), name


@pytest.mark.parametrize("exponent", [3.0, 5.0])
def test_what_is_kept_of_the_level_as_it_slows(exponent):
    """Means of w^n over 0.45 to 0.75 and over 0.2 to 0.42."""
    found = values_of(machine(45.0, exponent))
    for stem, lo, hi in (("coast_keep", 0.45, 0.75), ("late_keep", 0.2, 0.42)):
        n = exponent + 1
        wanted = 10 * np.log10((hi**n - lo**n) / n / (hi - lo))
        assert found[f"{stem}_mid"] == pytest.approx(wanted, abs=0.25), stem


@pytest.mark.parametrize("cut_db", [0.0, 6.0, 12.0])
def test_what_dies_with_the_power(cut_db):
    found = values_of(machine(40.0, 0.0, cut_db=cut_db))
    for name in EACH:
        assert found[f"cut_drop_{name}"] == pytest.approx(cut_db, abs=0.05), name
    wild = values_of(machine(45.0, 0.0, cut_db=40.0))
    assert wild["cut_drop_most"] == 30.0


def test_a_level_that_holds_and_then_ends():
    """Half way to where it is no longer heard, against just after the cut."""
    found = values_of(machine(30.0, 0.0, law=lambda w: np.where(w > 0.5, 1.0, 0.0)))
    assert found["hold_mid"] == pytest.approx(0.0, abs=0.1)
    assert found["end_over_mid"] == pytest.approx(30.0, abs=0.1)
    falling = values_of(machine(30.0, 6.0))
    assert falling["hold_mid"] < -8.0
    assert falling["end_over_mid"] < 8.0


@pytest.mark.parametrize(("apart_s", "share"), [(0.0, 1.0), (1.0, 4 / 13)])
def test_bands_that_end_together(apart_s, share):
    """Of 13 bands four end last, the others a while before."""
    power = machine(30.0, 0.0)
    for band in range(BANDS):
        ends_s = 10.0 if band < 4 else 10.0 - apart_s
        power[ends_s < TIME, band] = 0.0
    assert values_of(power)["stops_together"] == pytest.approx(share)


def test_a_louder_start():
    """As loud as steady from the first moment on, and more."""
    flat = machine(30.0, 0.0, start_db=8.0)
    found = values_of(flat)
    for name in EACH:
        assert found[f"start_excess_{name}"] == pytest.approx(8.0, abs=0.05), name
        assert found[f"start_early_{name}"] == pytest.approx(8.0, abs=0.05), name
        assert found[f"start_over_coast_{name}"] == pytest.approx(8.0, abs=0.05), name
    assert values_of(machine(20.0, 0.0, start_db=60.0))["start_excess_most"] == 30.0


def test_the_same_at_the_same_speed_is_no_excess():
    found = values_of(machine(45.0, 4.0))
    assert found["start_over_coast_mid"] == pytest.approx(0.0, abs=0.6)


def test_one_band_that_stands_out():
    """By 9 dB over the line between its neighbours; those lie 4.5 dB under theirs."""
    over = np.full(BANDS, 30.0) + 10 * np.log10(WIDTH / WIDTH[0])
    over[6] += 9.0
    found = values_of(machine(over, 0.0))
    # the room adds a little to what is heard, and is taken off again
    assert found["bump_most"] == pytest.approx(9.0, abs=0.05)
    assert found["bump_mid"] == pytest.approx(9.0, abs=0.05)
    assert found["bump_low"] == pytest.approx(0.0, abs=0.05)
    assert found["bump_three"] == pytest.approx(9.0 / 3, abs=0.05)
    assert found["bump_odd"] == pytest.approx(9.0 / 3, abs=0.05)


@pytest.mark.parametrize("slope_db", [-6.0, -3.0, 0.0, 2.0])
def test_the_slope_of_the_spectrum(slope_db):
    """Decibels an octave of the density, straight through all bands."""
    centre = np.log2(np.sqrt(NOISE_EDGES[1:] * NOISE_EDGES[:-1]) / 1000.0)
    over = 45.0 + slope_db * centre + 10 * np.log10(WIDTH / WIDTH[6])
    found = values_of(machine(over, 0.0))
    assert found["tilt"] == pytest.approx(slope_db, abs=0.1)
    assert found["coast_tilt_shift"] == pytest.approx(0.0, abs=0.1)
    assert found["start_tilt_shift"] == pytest.approx(0.0, abs=0.1)


def test_the_slope_shifts_where_high_bands_fall_faster():
    centre = np.log2(np.sqrt(NOISE_EDGES[1:] * NOISE_EDGES[:-1]) / 1000.0)
    power = machine(np.full(BANDS, 45.0), 0.0)
    power[TIME >= OFF_S] *= 10 ** (-2.0 * centre / 10)
    assert values_of(power)["coast_tilt_shift"] == pytest.approx(-2.0, abs=0.1)


def test_a_level_that_wanders():
    """Blocks of three frames, in turn 2 dB up and 2 dB down: 2 dB of spread."""
    power = machine(50.0, 0.0)
    inside = np.flatnonzero((TIME > UP_S) & (TIME < OFF_S))
    sign = np.where(np.arange(inside.size) // 3 % 2, 1.0, -1.0)
    power[inside] *= 10 ** (2.0 * sign[:, None] / 10)
    assert values_of(power)["steady_wander"] == pytest.approx(2.0, abs=0.05)
    assert values_of(machine(50.0, 0.0))["steady_wander"] == pytest.approx(0.0, abs=1e-6)


def test_what_is_not_heard_is_missing():
    silent = values_of(machine(), spans=())
    assert all(isinstance(value, Missing) for value in silent.values())
    steady = values_of(machine(), spans=("room", "steady"))
    assert not isinstance(steady["steady_over_room_most"], Missing)
    assert isinstance(steady["exponent_most"], Missing)
    assert isinstance(steady["start_excess_most"], Missing)
    lost = values_of(machine(40.0), track=False)
    assert isinstance(lost["exponent_most"], Missing)
    assert isinstance(lost["start_over_coast_most"], Missing)
    assert not isinstance(lost["cut_drop_most"], Missing)
    buried = values_of(machine(-5.0))  # less than half as much again as the room
    assert isinstance(buried["exponent_most"], Missing)


def test_above_the_edge_of_the_recording_nothing_is_measured():
    narrow = values_of(machine(30.0), top_hz=1000.0)
    assert not isinstance(narrow["steady_over_room_low"], Missing)
    assert isinstance(narrow["steady_over_room_high"], Missing)
    assert isinstance(narrow["exponent_high"], Missing)


# --- what a scene is made of -----------------------------------------------------------------


def test_frames_in_which_the_machine_surely_stands():
    frames = SimpleNamespace(time_s=np.arange(0.005, 10.0, 0.01))
    still = scene.quiet_frames(frames, {"room": (1.0, 2.0), "rest": (8.0, 9.5)})
    assert frames.time_s[still].min() == pytest.approx(1.005)
    room = still & (frames.time_s < 5.0)
    assert frames.time_s[room].max() == pytest.approx(1.915)  # 0.08 s before it starts
    rest = still & (frames.time_s > 5.0)
    assert frames.time_s[rest].min() == pytest.approx(8.155)  # 0.15 s for the room to answer
    assert frames.time_s[rest].max() == pytest.approx(9.495)
    assert not scene.quiet_frames(frames, {"steady": (1.0, 2.0)}).any()


def test_noise_between_the_tones():
    """White noise of variance v has v / bins in each; a tone in every band changes nothing."""
    rng = np.random.default_rng(2)
    rate_hz = 48_000
    noise = 0.01 * rng.standard_normal(4 * rate_hz)
    t = np.arange(noise.size) / rate_hz
    tones = sum(0.05 * np.sin(2 * np.pi * hz * t) for hz in (700.0, 1500.0, 3000.0, 6000.0))
    plain = frames_of(noise.astype(np.float32), rate_hz)
    time_s, level = scene.noise_levels(plain)
    assert time_s.size == plain.time_s.size // 3
    assert time_s[0] == pytest.approx(plain.time_s[:3].mean())
    assert level.shape == (time_s.size, BANDS)
    _, with_tones = scene.noise_levels(frames_of((noise + tones).astype(np.float32), rate_hz))
    rise_db = 10 * np.log10(np.median(with_tones, axis=0) / np.median(level, axis=0))
    # narrow bands have few bins beside the one with the tone
    assert rise_db[6:] == pytest.approx(np.zeros(BANDS - 6), abs=1.0)
    assert (rise_db[4:6] < 3.0).all()
    spread = 10 * np.log10(np.median(level, axis=0))
    assert np.ptp(spread[2:]) < 1.0  # white: a bin has as much in each band
    _, narrow = scene.noise_levels(frames_of(noise[: 2 * 8000].astype(np.float32), 8000))
    assert (narrow[:, -3:] == 0.0).all()
    empty_time, empty = scene.noise_levels(frames_of(np.zeros(300, np.float32), rate_hz))
    assert empty.shape == (empty_time.size, BANDS)


@pytest.mark.parametrize("after", [1.0, 4.0])
def test_a_click_is_brought_down_to_what_is_around_it(after):
    """From 20 ms before it to 0.4 s behind; the line between the levels on both sides, in dB."""
    rate = 100.0
    energy = np.concatenate([np.ones(200), np.full(200, after)])
    with_click = energy.copy()
    with_click[198:242] *= 50.0
    held = scene.without_clicks(with_click, rate, (2.0,))
    a, b = 198, 241
    assert held[:a] == pytest.approx(energy[:a])
    assert held[b + 1 :] == pytest.approx(energy[b + 1 :])
    line = after ** np.linspace(0.0, 1.0, b - a)
    assert held[a:b] == pytest.approx(line, rel=1e-6)


def test_without_a_click_nothing_is_copied():
    energy = np.ones(400)
    assert scene.without_clicks(energy, 100.0, ()) is energy
    assert scene.without_clicks(energy, 100.0, (0.1, 3.95)) is energy  # too near the ends
    changed = scene.without_clicks(energy, 100.0, (2.0,))
    assert changed is not energy
    assert changed == pytest.approx(energy)  # nothing stood out


def test_the_first_part_of_a_spin_stands_for_the_steady_run():
    spans = {"room": (0.0, 1.0), "coast_down": (2.0, 6.0)}
    scene.by_hand(spans)
    assert spans["steady"] == (2.0, pytest.approx(2.0 + 0.45 * 4.0))
    none = {"room": (0.0, 1.0)}
    scene.by_hand(none)
    assert none == {"room": (0.0, 1.0)}


def test_part_of_an_envelope():
    envelope = scene.Envelope(np.arange(100.0), 10.0, 0.0, 1.0)
    assert envelope.part((1.0, 2.0)).tolist() == list(range(10, 20))
    assert envelope.part((-1.0, 0.3)).tolist() == [0.0, 1.0, 2.0]
    assert envelope.part((9.5, 20.0)).tolist() == list(range(95, 100))


@pytest.mark.parametrize(("exponent", "told"), [(-5.0, -3.0), (14.0, 10.0)])
def test_an_exponent_is_held_to_what_can_be(exponent, told):
    """Louder as it slows is something else; so is a fall with more than the tenth power."""
    power = machine(60.0, law=lambda w: np.maximum(w, 0.05) ** exponent)
    power[TIME < OFF_S] = ROOM * 10**6
    found = values_of(power)
    assert found["exponent_most"] == told
    assert found["exponent_three"] == pytest.approx(told)


def test_what_is_kept_is_held_to_what_can_be():
    loud = machine(60.0, 0.0)
    loud[TIME >= OFF_S] *= 100.0
    assert values_of(loud)["coast_keep_most"] == 15.0
    gone = machine(90.0, 0.0)
    share = coast_share(TIME)
    gone[(TIME >= OFF_S) & (share < 0.8)] = ROOM
    assert values_of(gone)["coast_keep_low"] == -35.0
