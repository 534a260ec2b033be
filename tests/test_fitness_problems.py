"""Every recording problem: one clip that has it, and a good one on which it is not raised."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import fitness_clips as make
import numpy as np
import pytest

from quietrun import words
from quietrun.clip import Clip, Source, read_clip
from quietrun.dsp.frames import frames_of
from quietrun.evidence import FAMILIES
from quietrun.fitness import TABLE, Fitness, assess
from quietrun.problems import Problem
from quietrun.run import Run

SHARED = Path(__file__).parents[2] / "shared"


def fitness_of(take: make.Take, run: Run | None = None, **more) -> Fitness:
    clip = take.clip()
    return assess(clip, run or take.run(), frames_of(clip.samples, clip.rate_hz), **more)


def problem_of(fitness: Fitness, code: str) -> Problem:
    (found,) = [one for one in fitness.problems if one.code == code]
    for text in (found.what, found.why, found.do):
        assert text[0].isupper()
        assert text.endswith(".")
    assert set(found.disables) <= {*FAMILIES, *words.PHASES}
    return found


@pytest.fixture(scope="module")
def good() -> make.Take:
    return make.whole_run(3)


# --- good clips ------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(12))
def test_a_good_clip_has_no_problem(seed):
    rng = np.random.default_rng([7, seed])
    take = make.whole_run(
        seed + 500,
        rate_hz=int(rng.choice([44_100, 48_000])),
        snr_db=rng.uniform(15, 35),
        level=10 ** (rng.uniform(-40, -15) / 20),
        mains_hz=float(rng.choice([50, 60])),
    )
    fitness = fitness_of(take)
    assert fitness.codes == frozenset()
    assert fitness.usable
    assert fitness.bandwidth_hz == pytest.approx(take.rate_hz / 2)


@pytest.mark.parametrize("snr_db", [3.0, 12.0, 20.0, 30.0])
def test_the_level_over_the_room_is_right(snr_db):
    fitness = fitness_of(make.whole_run(1, snr_db=snr_db))
    both_db = 10 * np.log10(10 ** (snr_db / 10) + 1)  # machine and room against room
    assert fitness.room_snr_db == pytest.approx(both_db, abs=1.0)


def test_the_level_over_the_room_is_unknown_without_a_room(good):
    fitness = fitness_of(make.cut(good, good.speed_s + 0.3, good.off_s - 0.2))
    assert fitness.room_snr_db is None


@pytest.mark.parametrize("gain_db", [-20.0, 6.0])
def test_a_gain_changes_nothing(good, gain_db):
    louder = replace(good, x=good.x * 10 ** (gain_db / 20))
    assert fitness_of(louder).codes == fitness_of(good).codes
    assert fitness_of(louder).room_snr_db == pytest.approx(fitness_of(good).room_snr_db, abs=0.3)


def test_where_the_clip_sits_in_the_file_changes_nothing(good):
    clip, run = good.clip(), good.run()
    moved = replace(clip, start_s=100.0)
    later = replace(
        run,
        power_on_s=run.power_on_s + 100,
        power_off_s=run.power_off_s + 100,
        at_speed_s=run.at_speed_s + 100,
        phases={name: (a + 100, b + 100) for name, (a, b) in run.phases.items()},
    )
    frames = frames_of(clip.samples, clip.rate_hz)
    assert assess(moved, later, frames) == assess(clip, run, frames)


# --- the table -------------------------------------------------------------------------------


def test_every_problem_has_its_row():
    assert tuple(TABLE) == words.PROBLEMS
    for row in TABLE.values():
        assert row.why.endswith(".")
        assert row.do.endswith(".")
        assert set(row.spoils) <= {*FAMILIES, *words.PHASES}


# --- no sound, cut file, too short -----------------------------------------------------------


@pytest.mark.parametrize("kind", ["zeros", "one click", "hiss"])
def test_no_sound(kind):
    x = np.zeros(480_000)
    if kind == "one click":
        x[240_000] = 0.5
    if kind == "hiss":  # -90 dB re full scale
        x = np.random.default_rng(0).normal(0, 10 ** (-90 / 20), x.size)
    fitness = fitness_of(make.Take(x, 48_000, None, 0.0, None, None), Run())
    assert problem_of(fitness, "no_sound").fatal
    assert not fitness.usable


def test_no_sound_on_a_faint_clip_is_not_raised(good):
    faint = replace(good, x=good.x * 10 ** (-35 / 20))  # about -61 dB re full scale
    assert "no_sound" not in fitness_of(faint).codes


CUT = Problem(
    "cut_file", "The file is cut.", "Why.", "Do.", disables=("coast_down", "rest", "power_cut")
)


def test_a_cut_file_spoils_the_end(good):
    part = make.cut(good, 0.0, good.off_s - 0.5)
    clip = replace(part.clip(), problems=(CUT,))
    fitness = assess(clip, part.run(), frames_of(clip.samples, clip.rate_hz))
    assert "coast_down" in problem_of(fitness, "cut_file").disables
    assert "no_switch_off" in fitness.codes


def test_a_cut_file_spoils_nothing_of_a_run_that_came_to_rest(good):
    clip = replace(good.clip(), problems=(CUT,))
    fitness = assess(clip, good.run(), frames_of(clip.samples, clip.rate_hz))
    assert problem_of(fitness, "cut_file").disables == ()
    assert "cut_file" not in fitness_of(good).codes


@pytest.mark.parametrize(("seconds", "fatal"), [(0.9, True), (2.2, False)])
def test_too_short(good, seconds, fatal):
    part = make.cut(good, good.speed_s + 0.5, good.speed_s + 0.5 + seconds)
    assert problem_of(fitness_of(part), "too_short").fatal is fatal


def test_a_short_run_in_a_long_clip():
    take = make.whole_run(4, on_s=1.5, off_s=3.0)
    run = take.run(phases={**take.run().phases, "steady": (2.1, 3.0)})
    assert not problem_of(fitness_of(take, run), "too_short").fatal
    run = take.run(phases={**take.run().phases, "steady": (2.6, 3.0)})
    assert problem_of(fitness_of(take, run), "too_short").fatal


# --- which machine? --------------------------------------------------------------------------


def test_no_machine_in_a_room():
    rng = np.random.default_rng(2)
    x = 0.01 * make.coloured(rng, 480_000, 48_000, -5)
    fitness = fitness_of(make.Take(x, 48_000, None, 0.0, None, None), Run())
    assert problem_of(fitness, "no_machine").fatal
    assert fitness.codes == {"no_machine"}


@pytest.mark.parametrize("kind", ["talk", "music", "handling"])
def test_no_machine_but_something_loud(kind):
    """A run that the course of the level suggests is not believed where the sound is restless."""
    rng = np.random.default_rng(3)
    sound = getattr(make, kind)(rng, 10.0, 48_000)
    x = 0.05 * sound / np.std(sound) + 1e-4 * make.coloured(rng, 480_000, 48_000, -4)
    take = make.Take(x, 48_000, 2.0, 2.2, 6.0, 7.0)
    run = take.run(mains_measured=False, mains_hz=None, shaft_hz=None, rotation_heard=False)
    assert problem_of(fitness_of(take, run), "no_machine").fatal


def test_no_machine_but_running_water():
    rng = np.random.default_rng(3)
    t = np.arange(480_000) / 48_000
    hiss = make.coloured(rng, 480_000, 48_000, -2, 300.0) * ((t > 2) & (t < 6))
    x = 0.03 * hiss + 3e-4 * make.coloured(rng, 480_000, 48_000, -4)
    take = make.Take(x, 48_000, 2.0, 2.0, 6.0, 6.0)
    run = take.run(mains_measured=False, mains_hz=None, shaft_hz=None, rotation_heard=False)
    assert problem_of(fitness_of(take, run), "no_machine").fatal


def test_a_machine_turned_by_hand_needs_no_hum(good):
    part = make.cut(good, 0.0, 9.9)
    run = part.run(mains_measured=False, mains_hz=None, shaft_hz=None, power_on_s=None)
    run = replace(run, power_off_s=None)
    fitness = fitness_of(part, run, stage="hand_spin")
    assert fitness.codes == frozenset()


def test_a_hand_spin_clip_without_a_turn():
    rng = np.random.default_rng(2)
    x = 0.01 * make.coloured(rng, 480_000, 48_000, -5)
    fitness = fitness_of(make.Take(x, 48_000, None, 0.0, None, None), Run(), stage="hand_spin")
    assert problem_of(fitness, "no_machine").fatal


@pytest.mark.parametrize("seed", range(6))
def test_another_machine(seed):
    take = make.universal_motor(seed)
    run = take.run(mains_measured=False, mains_hz=None, shaft_hz=None)
    found = problem_of(fitness_of(take, run), "other_machine")
    assert found.fatal


def test_the_hum_of_a_fridge_is_not_the_hum_of_the_machine():
    """Mains lines that were in the room before do not make it a motor on the mains."""
    take = make.universal_motor(1)
    t = np.arange(take.x.size) / take.rate_hz
    fridge = sum(np.cos(2 * np.pi * 100 * k * t) / k for k in range(1, 8))
    found = problem_of(
        fitness_of(replace(take, x=take.x + 2e-3 * fridge), take.run(shaft_hz=None)),
        "other_machine",
    )
    assert "wanders" in found.what
    assert found.fatal


def test_another_machine_beside_our_own_hum_is_only_named():
    take = make.universal_motor(1)
    t = np.arange(take.x.size) / take.rate_hz
    hum = sum(np.cos(2 * np.pi * 100 * k * t + k) / k for k in (1, 3)) * (t > 1.5) * (t < 6)
    run = take.run(shaft_hz=None)
    assert not problem_of(
        fitness_of(replace(take, x=take.x + 0.03 * hum), run), "other_machine"
    ).fatal


def test_a_motor_with_a_faint_hum_is_not_another_machine():
    quiet_hum = make.whole_run(11, hum=0.02)
    codes = fitness_of(quiet_hum, quiet_hum.run()).codes
    assert "other_machine" not in codes


def test_what_shows_neither_hum_nor_speed_cannot_be_told_from_another_machine():
    take = make.whole_run(11, hum=0.0)
    run = take.run(mains_measured=False, shaft_hz=None, shaft_confidence=1.0)
    assert problem_of(fitness_of(take, run), "other_machine").fatal


def test_a_grid_frequency_that_no_grid_has_is_no_mains():
    take = make.universal_motor(0)
    run = take.run(mains_hz=50.4, shaft_hz=None)
    assert problem_of(fitness_of(take, run), "other_machine").fatal


# --- parts of the course ---------------------------------------------------------------------


def test_already_running(good):
    fitness = fitness_of(make.cut(good, good.speed_s + 0.3, 10.0))
    found = problem_of(fitness, "already_running")
    assert "run_up" in found.disables
    assert fitness.usable
    assert fitness.codes == {"already_running"}


def test_no_switch_off(good):
    fitness = fitness_of(make.cut(good, 0.0, good.off_s - 0.3))
    found = problem_of(fitness, "no_switch_off")
    assert {"coast_down", "power_cut"} <= set(found.disables)
    assert fitness.usable
    assert fitness.codes == {"no_switch_off"}


def test_several_runs(good):
    second = make.whole_run(8, seconds=10.0)
    take = replace(good, x=np.concatenate([good.x, second.x]))
    run = good.run(others=((10.0 + second.on_s, 10.0 + second.off_s),))
    found = problem_of(fitness_of(take, run), "several_runs")
    assert "11.5 to 16.0 s" in found.what
    assert found.disables == ()


@pytest.mark.parametrize("span", [(2.0, 5.5), (8.0, 8.6)])
def test_a_piece_of_the_same_run_or_a_knock_is_not_another_run(good, span):
    assert "several_runs" not in fitness_of(good, good.run(others=(span,))).codes


# --- what the recorder did -------------------------------------------------------------------


@pytest.mark.parametrize(("over_db", "rail"), [(2.0, 1.0), (6.0, 1.0), (6.0, 0.4)])
def test_clipped(good, over_db, rail):
    fitness = fitness_of(make.clipped(good, over_db, rail))
    assert "impacts" in problem_of(fitness, "clipped").disables
    assert fitness.usable


def test_heavy_clipping_spoils_the_steady_run(good):
    heavy = problem_of(fitness_of(make.clipped(good, 20.0)), "clipped")
    assert "steady" in heavy.disables
    assert not heavy.fatal  # the times of the run can still be heard


def test_a_limiter_is_not_clipping(good):
    assert "clipped" not in fitness_of(make.limited(good, 4.0)).codes


def test_a_loud_tone_is_not_clipping(good):
    t = np.arange(good.x.size) / good.rate_hz
    tone = 0.9 * np.sin(2 * np.pi * 440 * t) * (t > good.on_s) * (t < good.off_s)
    assert "clipped" not in fitness_of(replace(good, x=tone + good.x)).codes


def test_one_knock_at_full_scale_is_not_clipping(good):
    x = good.x.copy()
    x[48_000:48_020] = 1.0
    assert "clipped" not in fitness_of(replace(good, x=x)).codes


@pytest.mark.parametrize("edge_hz", [3400.0, 3800.0, 7000.0, 7500.0])
def test_band_limited(good, edge_hz):
    fitness = fitness_of(make.low_passed(good, edge_hz))
    found = problem_of(fitness, "band_limited")
    assert fitness.bandwidth_hz == pytest.approx(edge_hz, rel=0.1)
    assert ("tones" in found.disables) == (edge_hz < 4500)
    assert fitness.codes == {"band_limited"}


def test_a_voice_codec_within_a_fast_file(good):
    """The band stays limited when noise of a later stage covers what is above it."""
    rng = np.random.default_rng(0)
    narrow = make.low_passed(good, 3600.0)
    noisy = replace(narrow, x=narrow.x + rng.normal(0, 3e-5, narrow.x.size))
    assert fitness_of(noisy).bandwidth_hz == pytest.approx(3600, rel=0.1)


@pytest.mark.parametrize("edge_hz", [15_000.0, 16_000.0])
def test_the_edge_of_a_music_codec_is_measured_and_no_problem(good, edge_hz):
    fitness = fitness_of(make.low_passed(good, edge_hz))
    assert fitness.bandwidth_hz == pytest.approx(edge_hz, rel=0.03)
    assert fitness.codes == frozenset()


def test_a_low_rate_is_a_limited_band():
    take = make.whole_run(5, rate_hz=16_000)
    fitness = fitness_of(take)
    assert fitness.bandwidth_hz == pytest.approx(8000, rel=0.1)
    assert fitness.codes == {"band_limited"}


@pytest.mark.parametrize("depth_db", [8.0, 14.0, 20.0])
@pytest.mark.parametrize("start_known", [True, False])
def test_suppression_of_steady_sound(good, depth_db, start_known):
    """Also where the falling level has hidden the start of the run from its course."""
    run = good.run()
    if not start_known:
        steady = {**run.phases, "steady": (0.0, good.off_s)}
        phases = {name: steady[name] for name in ("steady", "coast_down", "rest")}
        run = replace(run, power_on_s=None, at_speed_s=None, phases=phases)
    fitness = fitness_of(make.suppressed(good, depth_db), run)
    found = problem_of(fitness, "gain_riding")
    assert {"speed_exponent", "power_cut"} <= set(found.disables)
    assert "already_running" not in fitness.codes
    assert fitness.usable


def test_automatic_gain(good):
    ridden = make.gain_ridden(good, attack_s=0.4, release_s=2.0, range_db=40.0)
    assert "gain_riding" in fitness_of(ridden).codes


def test_another_sound_in_the_room_is_no_gain(good):
    """A fan that starts in the room changes some bands, a gain all of them."""
    rng = np.random.default_rng(1)
    t = np.arange(good.x.size) / good.rate_hz
    fan = make.band(rng.normal(0, 1, good.x.size), good.rate_hz, 150, 900) * (t > good.off_s)
    assert "gain_riding" not in fitness_of(replace(good, x=good.x + 3e-3 * fan)).codes


@pytest.mark.parametrize("floor", [0.0, 0.002])
def test_noise_gate(good, floor):
    fitness = fitness_of(make.gated(good, 12.0, floor))
    found = problem_of(fitness, "noise_gate")
    assert {"rest", "times"} <= set(found.disables)
    assert fitness.usable


def test_holes_in_the_steady_run(good):
    x = good.x.copy()
    for start_s in np.arange(good.speed_s + 0.3, good.off_s - 0.2, 1.2):
        x[int(start_s * good.rate_hz) : int((start_s + 0.12) * good.rate_hz)] = 0.0
    found = problem_of(fitness_of(replace(good, x=x)), "noise_gate")
    assert "impacts" in found.disables


@pytest.mark.parametrize("where", ["before", "after", "both"])
def test_added_silence_is_no_gate(good, where):
    pad = int(1.0 * good.rate_hz)
    head = pad if where != "after" else 0
    x = np.pad(good.x, (head, pad if where != "before" else 0))
    s = head / good.rate_hz
    take = make.Take(
        x, good.rate_hz, good.on_s + s, good.speed_s + s, good.off_s + s, good.rest_s + s
    )
    assert "noise_gate" not in fitness_of(take).codes


# --- what else was there ---------------------------------------------------------------------


def test_buried_in_room_noise():
    fitness = fitness_of(make.whole_run(6, snr_db=-1.0))
    found = problem_of(fitness, "buried_in_room_noise")
    assert found.fatal
    assert fitness.room_snr_db < 6


def test_a_faint_machine_is_not_buried():
    assert "buried_in_room_noise" not in fitness_of(make.whole_run(6, snr_db=9.0)).codes


@pytest.mark.parametrize("kind", ["talk", "music"])
@pytest.mark.parametrize("seed", range(3))
def test_talked_over(good, kind, seed):
    rng = np.random.default_rng(seed)
    sound = getattr(make, kind)(rng, 10.0, good.rate_hz)
    fitness = fitness_of(make.with_sound(good, sound, 2.0))
    assert "tones" in problem_of(fitness, "talked_over").disables
    assert not fitness.codes & {"handled", "loaded_run", "other_machine"}
    assert fitness.usable


@pytest.mark.parametrize("kind", ["talk", "music"])
def test_shouted_over(good, kind):
    sound = getattr(make, kind)(np.random.default_rng(4), 10.0, good.rate_hz)
    found = problem_of(fitness_of(make.with_sound(good, sound, 12.0)), "talked_over")
    assert "steady" in found.disables


def test_talk_after_the_run_is_not_over_it(good):
    sound = make.talk(np.random.default_rng(1), 10.0, good.rate_hz)
    over = make.with_sound(good, sound, 4.0, from_s=good.rest_s + 0.2)
    assert "talked_over" not in fitness_of(over).codes


@pytest.mark.parametrize("seed", range(3))
def test_handled(good, seed):
    sound = make.handling(np.random.default_rng(seed), 10.0, good.rate_hz)
    fitness = fitness_of(make.with_sound(good, sound, 8.0))
    assert "impacts" in problem_of(fitness, "handled").disables
    assert "loaded_run" not in fitness.codes


def test_one_door_is_not_handling(good):
    t = np.arange(good.x.size) / good.rate_hz
    slam = np.exp(-np.maximum(t - 4.0, 0) / 0.06) * (t > 4.0) * np.sin(2 * np.pi * 60 * t)
    assert "handled" not in fitness_of(replace(good, x=good.x + 0.3 * slam)).codes


@pytest.mark.parametrize("seed", range(3))
def test_loaded_run(good, seed):
    rng = np.random.default_rng(seed)
    crackle = make.beans(rng, 10.0, good.rate_hz)
    fitness = fitness_of(make.with_sound(good, crackle, 6.0, good.speed_s + 0.3, good.off_s))
    found = problem_of(fitness, "loaded_run")
    assert {"impacts", "orders"} <= set(found.disables)
    assert not fitness.codes & {"talked_over", "handled"}


@pytest.mark.parametrize("per_turn", [1, 3])
def test_knocks_once_a_turn_are_no_beans(good, per_turn):
    """A fault of the machine comes with every turn: it must be left for the judge."""
    rng = np.random.default_rng(5)
    n = good.x.size
    hits = np.zeros(n)
    at = np.arange(good.on_s, good.off_s, 1 / (24.8 * per_turn)) * good.rate_hz
    hits[at.astype(int)] = rng.lognormal(0, 0.2, at.size)
    ring = np.exp(-np.arange(400) / 60) * rng.normal(0, 1, 400)
    sound = make.band(np.convolve(hits, ring)[:n], good.rate_hz, 900, 8000)
    fitness = fitness_of(make.with_sound(good, sound, 6.0))
    assert not fitness.codes & {"loaded_run", "handled", "talked_over"}


# --- recordings by others --------------------------------------------------------------------


def shared_clip(name: str) -> Clip:
    path = SHARED / "data" / name
    if not path.exists():
        pytest.skip("the shared recordings are not here")
    return read_clip(path)


def resampled(clip: Clip, rate_hz: int, seconds: float) -> np.ndarray:
    from fractions import Fraction

    from scipy import signal

    ratio = Fraction(rate_hz, int(clip.rate_hz))
    x = signal.resample_poly(clip.samples.astype(float), ratio.numerator, ratio.denominator)
    return np.resize(x, int(seconds * rate_hz))


@pytest.mark.parametrize("name", ["cafe_chatter.mp3", "coffee_shop.ogg", "dishes.mp3", "steam.mp3"])
def test_a_real_room_at_a_distance_is_no_problem(name):
    room = resampled(shared_clip(f"ambience/{name}"), 48_000, 10.0)
    fitness = fitness_of(make.whole_run(9, room=room, snr_db=22.0))
    assert fitness.usable
    assert not fitness.codes & {"no_machine", "buried_in_room_noise", "other_machine", "loaded_run"}


@pytest.mark.parametrize(
    ("name", "from_s"),
    [("speech_a.ogg", 0), ("speech_b.ogg", 0), ("music_dance.ogg", 20), ("music_trumpet.ogg", 0)],
)
def test_real_talk_and_music_over_a_run(good, name, from_s):
    """Not all of ``music_dance.ogg``: where it is drums alone no tone tells it from a knock."""
    sound = resampled(shared_clip(f"speech_music/{name}"), 48_000, from_s + 10.0)[from_s * 48_000 :]
    assert "talked_over" in fitness_of(make.with_sound(good, sound, 6.0)).codes


def test_a_real_grinder_run_is_usable():
    from quietrun.machine import Machine
    from quietrun.run import follow

    clip = shared_clip("grinder/whole_run_50hz.wav")
    frames = frames_of(clip.samples, clip.rate_hz)
    fitness = assess(clip, follow(clip, Machine(), frames), frames)
    assert fitness.usable
    assert fitness.bandwidth_hz == pytest.approx(16_000, rel=0.05)  # seen in the spectrogram
    assert fitness.room_snr_db > 20


ELSE = (
    [f"ambience/{name}" for name in ("cafe_chatter.mp3", "coffee_shop.ogg", "cups.mp3")]
    + [f"ambience/{name}" for name in ("dishes.mp3", "steam.mp3", "train.ogg")]
    + [f"speech_music/{name}.ogg" for name in ("speech_a", "speech_b", "music_dance")]
    + ["speech_music/music_trumpet.ogg"]
)


@pytest.mark.parametrize("name", ELSE)
def test_other_recordings_are_unusable(name):
    from quietrun.machine import Machine
    from quietrun.run import follow

    clip = shared_clip(name)
    frames = frames_of(clip.samples, clip.rate_hz)
    assert not assess(clip, follow(clip, Machine(), frames), frames).usable


def test_the_source_of_a_hand_made_clip_is_kept():
    """The maker of these clips hands out what the reader would: guard of the tests themselves."""
    clip = make.whole_run(0, seconds=8.0).clip()
    assert isinstance(clip.source, Source)
    assert clip.samples.dtype == np.float32
