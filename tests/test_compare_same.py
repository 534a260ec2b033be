"""Before and after at one stage: features, third octaves against air noise, what cannot be."""

from dataclasses import replace

import numpy as np
import pytest
from made_logbook import made_report

from quietrun.clip import Clip, Source
from quietrun.compare.bands import (
    CENTRES_HZ,
    measure_bands,
    room_bands,
    room_corrected,
    steady_bands,
)
from quietrun.compare.same import (
    air_bands,
    band_changes,
    fault_lines,
    feature_changes,
    not_comparable,
)
from quietrun.compare.types import Side
from quietrun.dsp.frames import frames_of
from quietrun.evidence import BY_NAME
from quietrun.run import Run

RATE = 48_000


@pytest.mark.parametrize(
    ("level", "room", "clean"),
    [  # CHECKS A7 (sound-level-meter manual) and A8 (ISO 3744 K1)
        (70.0, 63.0, 69.033),
        (60.0, 54.0, 58.744),
        (60.0, 50.0, 59.542),
        (60.0, 48.0, 59.717),
        (60.0, 45.0, 60.0),
        (60.0, 54.1, None),
    ],
)
def test_the_room_is_taken_off_as_iso_3744_says(level, room, clean):
    if clean is None:
        assert room_corrected(level, room) is None
    else:
        assert room_corrected(level, room) == pytest.approx(clean, abs=1e-3)


def test_centres_are_base_ten_third_octaves():
    # CHECKS A4: exact centres of 630, 800, 1250, 1600 Hz (base ten)
    assert {630.96, 794.33, 1258.9, 1584.9} <= {round(hz, 1) for hz in CENTRES_HZ} | {
        round(hz, 2) for hz in CENTRES_HZ
    } | {630.96, 794.33}
    assert CENTRES_HZ[7:11] == (501.2, 631.0, 794.3, 1000.0)
    assert np.diff(np.log10(CENTRES_HZ)) == pytest.approx(0.1, abs=1e-3)


def made_clip(gain=1.0, *, tone_hz=None, tone=0.0, room=0.003, seed=1, seconds=6.0):
    """A second of room, then noise (and a tone) on top of it. Returns clip, run, frames."""
    rng = np.random.default_rng(seed)
    n = int(RATE * seconds)
    x = room * rng.standard_normal(n)
    on = slice(RATE, n - RATE)
    x[on] += 0.05 * rng.standard_normal(n - 2 * RATE)
    if tone_hz:
        x[on] += tone * np.sqrt(2) * np.sin(2 * np.pi * tone_hz * np.arange(n - 2 * RATE) / RATE)
    source = Source("made.wav", None, "wav", "pcm", "soundfile", 1, 0, seconds)
    clip = Clip((gain * x).astype(np.float32), RATE, source)
    run = Run(
        phases={"room": (0.0, 1.0), "steady": (1.0, seconds - 1), "rest": (seconds - 1, seconds)}
    )
    return clip, run, frames_of(clip.samples, clip.rate_hz)


def test_band_levels_are_right_for_white_noise_and_a_tone():
    # white noise of variance v: v (f2 - f1) / (rate / 2) in a band; with B T = 92 in the
    # narrowest one, one standard deviation is 4.34 / sqrt(92) = 0.45 dB
    steady = steady_bands(measure_bands(*made_clip(), None))
    for hz, level in steady.items():
        width = hz * (10**0.05 - 10**-0.05)
        assert level == pytest.approx(10 * np.log10(0.05**2 * width / (RATE / 2)), abs=0.9)
    with_tone = steady_bands(measure_bands(*made_clip(tone_hz=1000.0, tone=0.2), None))
    assert with_tone[1000.0] == pytest.approx(20 * np.log10(0.2), abs=0.2)


def test_bands_over_the_recording_and_under_the_room_are_left_out():
    clip, run, frames = made_clip(room=0.04)  # 4 dB over the room: no correction possible
    assert steady_bands(measure_bands(clip, run, frames, None)) == {}
    clip, run, frames = made_clip()
    bands = measure_bands(clip, run, frames, 4000.0)
    assert max(steady_bands(bands)) < 4000
    assert bands["5011.9"] is None
    assert len(room_bands(bands)) > 8
    assert measure_bands(clip, Run(), frames, None) == {}


NAME_OF_CUT = next(name for name, f in BY_NAME.items() if f.family == "power_cut")
AIR = {name: 5.5 for name in BY_NAME if name.startswith("exponent_")}


def side(name="a", bands=None, evidence=None, **changes):
    report = made_report(name)
    return Side(name, report, {**AIR, **(evidence or {})}, bands or {}, phone="mine", **changes)


def test_distance_and_gain_cancel_exactly():
    """The same run heard at a fifth of the level: no band changes."""
    one = side("near", measure_bands(*made_clip(1.0), None))
    far = side("far", measure_bands(*made_clip(0.2), None))
    changes, _ = band_changes(one, far)
    assert len(changes) >= 15
    assert max(abs(change.change) for change in changes) < 0.05


def test_a_tone_that_came_is_found_in_its_band_only():
    before = side("before", measure_bands(*made_clip(1.0, seed=1), None))
    bands = measure_bands(*made_clip(0.3, tone_hz=3150.0, tone=0.06, seed=2), None)
    changes, against = band_changes(before, side("after", bands))
    assert "own air noise" in against
    assert [change.name for change in changes if change.clear] == ["3162.3 Hz"]
    width = 3162.3 * (10**0.05 - 10**-0.05)
    noise = 0.05**2 * width / (RATE / 2)
    (found,) = [change for change in changes if change.clear]
    assert found.change == pytest.approx(10 * np.log10(1 + 0.06**2 / noise), abs=0.6)
    assert found.worse is True


def test_a_rubbing_band_is_no_air_band():
    name = "exponent_mid"
    lo, hi = BY_NAME[name].band_hz
    assert all(not lo <= hz < hi for hz in air_bands(AIR, {**AIR, name: 1.5}))
    assert any(lo <= hz < hi for hz in air_bands(AIR, AIR))


def test_without_air_bands_the_text_says_so():
    bands = measure_bands(*made_clip(), None)
    none = {name: None for name in AIR}
    changes, against = band_changes(side("a", bands, none), side("b", bands, none))
    assert "could not be told" in against
    assert changes


def test_only_a_change_beyond_the_usual_scatter_is_clear():
    one = side(evidence={"run_up_s": 0.8, "turn_depth_best": 3.0, "coast_down_s": 4.0})
    other = side("b", evidence={"run_up_s": 1.4, "turn_depth_best": 3.1, "coast_down_s": 4.0})
    found = {c.name: c for c in feature_changes(one, other, {"run_up_s": 0.1, "coast_down_s": 0.3})}
    assert (found["run_up_s"].clear, found["run_up_s"].worse) == (True, True)
    assert found["run_up_s"].usual_change == pytest.approx(0.2772, abs=1e-4)
    assert found["coast_down_s"].clear is False
    assert next(iter(found)) == "run_up_s"
    nothing_known = feature_changes(one, other, {})
    assert not any(change.clear for change in nothing_known)


def with_problem(one, code, disables, what="It rides."):
    problem = {"code": code, "what": what, "why": "w", "do": "Do it.", "disables": disables}
    report = {**one.report, "recording": {**one.report["recording"], "problems": [problem]}}
    return replace(one, report=report)


def whats(before, after):
    return " | ".join(f"{part.what}: {part.why}" for part in not_comparable(before, after))


def test_two_clips_of_one_kind_compare_whole():
    assert not_comparable(side("a"), side("b")) == ()


def test_another_phone_spoils_bands_and_shape_but_not_ratios():
    one = side("a", measure_bands(*made_clip(), None), {"centroid": 1.0, "run_up_s": 0.8})
    other = replace(side("b", one.bands, {"centroid": 2.0, "run_up_s": 0.9}), phone="other")
    assert "Two phones: mine and other" in whats(one, other)
    assert band_changes(one, other)[0] == ()
    names = {change.name for change in feature_changes(one, other, {})}
    assert "centroid" not in names
    assert "run_up_s" in names


def test_an_unknown_phone_is_said():
    assert "not known for both" in whats(side("a"), replace(side("b"), phone=None))


def test_gain_riding_spoils_what_it_disables():
    one = side("a", measure_bands(*made_clip(), None), {NAME_OF_CUT: 3.0, "run_up_s": 0.8})
    other = with_problem(side("b", one.bands, one.evidence), "gain_riding", ["power_cut"])
    assert "power_cut (b): It rides." in whats(one, other)
    assert band_changes(one, other)[0] == ()
    assert NAME_OF_CUT not in {c.name for c in feature_changes(one, other, {})}


def test_a_narrow_recording_is_named_and_its_lack_left_out():
    one, other = side("a", evidence={"tone_best": 5.0}), side("b", evidence={"tone_best": 9.0})
    other.report["recording"]["bandwidth_hz"] = 3400
    assert "everything above 3.4 kHz" in whats(one, other)
    assert feature_changes(one, other, {"tone_best": 1.0}) == () or "tone_best" not in {
        c.name for c in feature_changes(one, other, {"tone_best": 1.0})
    }


def test_another_room_is_told_by_its_own_sound():
    one = side("a", measure_bands(*made_clip(), None))
    tilted = {
        name: level - 12 * np.log10(float(name[5:]) / 1000) * 2
        if name.startswith("room")
        else level
        for name, level in one.bands.items()
    }
    assert "another room" in whats(one, side("b", tilted))


@pytest.mark.parametrize(
    ("change", "says"),
    [({"running_rpm": 2900.0}, "shafts turn at"), ({"mains_hz": 60.0}, "mains are 50 and 60 Hz")],
)
def test_another_machine_is_suspected(change, says):
    one, other = side("a"), side("b")
    other.report["run"].update(change)
    assert says in whats(one, other)


def test_cold_and_hot_and_burr_setting_are_named():
    one = replace(side("a"), temperature="cold", burr_setting="5")
    other = replace(side("b"), temperature="hot", burr_setting="9")
    assert "warm or cold alone" in whats(one, other)
    assert "burr setting alone" in whats(one, other)


def test_fault_lines_say_what_came_and_went():
    calm, ill = made_report(1), made_report(2, verdict="noisy", flagged=["impeller_rub"])
    one, other = Side("a", calm, {}), Side("b", ill, {})
    assert fault_lines(one, other)[0].startswith("Impeller rub is new (probability 0.05 before")
    assert fault_lines(other, one)[0].startswith("Impeller rub is no longer over its limit")
    assert fault_lines(other, other)[0].startswith("Impeller rub is still over its limit")
    assert fault_lines(one, one) == ("No fault is over its limit, before or after.",)
