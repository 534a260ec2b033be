"""Which stretch and band each reason is heard in, and what stands beside it."""

from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pytest
import soundfile
from made_logbook import made_entry, made_report
from plain_run import plain_run

from quietrun.clip import read_clip
from quietrun.dsp.frames import frames_of
from quietrun.evidence import BY_NAME, CATALOGUE, Evidence, Missing
from quietrun.evidence.levels import NOISE_EDGES
from quietrun.evidence.scene import BANDS, GROUPS
from quietrun.exhibits.cut import OUT_HZ
from quietrun.exhibits.gather import exhibit_of, of_clip
from quietrun.exhibits.known import known_of, quiet_of, told_of
from quietrun.exhibits.passages import (
    Place,
    Quiet,
    explained,
    passages_of,
    place_of,
    span_of,
    stem_of,
    words_for,
)
from quietrun.exhibits.quiet import EXAMPLE_SOURCE, example_path, quiet_example, quiet_run
from quietrun.judge import FaultScore, Finding, Reason
from quietrun.logbook.clips import add_clip, hash_file
from quietrun.logbook.confirmations import confirm
from quietrun.logbook.machines import add_machine
from quietrun.logbook.store import open_logbook
from quietrun.logbook.types import MachineRecord
from quietrun.machine import Machine
from quietrun.pipeline import general_model
from quietrun.report.exhibit import Told
from quietrun.synth import draw_recipe, render

DEMO = Path(__file__).parents[1] / "synthetic_audio"


def evidence(**values):
    return Evidence(
        MappingProxyType({f.name: values.get(f.name, Missing("no")) for f in CATALOGUE})
    )


def test_every_feature_of_the_catalogue_has_a_place_or_is_a_time():
    for feature in CATALOGUE:
        place = place_of(feature, evidence())
        time = feature.family == "times" and feature.band_hz is None
        assert (place is None) == time, feature.name
        if place is not None:
            assert 0 < place.band_hz[0] < place.band_hz[1]


def test_words_are_there_for_everything_a_scorecard_asks():
    """No reason is shown under the bare name of its feature."""
    used = {t.feature for card in general_model().cards.values() for t in card.terms}
    sounds = {name for name in used if place_of(BY_NAME[name], evidence()) is not None}
    assert len(sounds) > 50
    bare = {stem_of(name) for name in sounds if words_for(name)[1] == BY_NAME[name].says}
    assert bare == set(), "give them words in exhibits.passages._LISTEN"


def test_a_feature_of_a_group_is_heard_in_the_bands_of_that_group():
    lo, hi = BANDS[GROUPS["mid"][0]][0], BANDS[GROUPS["mid"][-1]][1]
    assert place_of(BY_NAME["growl_mid"], evidence()) == Place("steady", (lo, hi))


@pytest.mark.parametrize("which", ["low", "mid", "high"])
@pytest.mark.parametrize("name", ["best", "top3"])
def test_the_clearest_of_several_bands_is_heard_where_it_was_clearest(which, name):
    values = {"growl_low": 3.0, "growl_mid": 4.0, "growl_high": 5.0, f"growl_{which}": 9.0}
    place = place_of(BY_NAME[f"growl_{name}"], evidence(**values))
    assert place.band_hz == BY_NAME[f"growl_{which}"].band_hz


def test_where_lower_is_worse_the_lowest_band_is_heard():
    values = {"exponent_low": 1.0, "exponent_mid": 4.0, "exponent_high": 5.0}
    place = place_of(BY_NAME["exponent_most"], evidence(**values))
    assert place.band_hz == (NOISE_EDGES[0], NOISE_EDGES[3])


def test_names_that_end_like_a_group_are_not_taken_for_one():
    assert stem_of("tone_low") == "tone_low"
    assert stem_of("tone_best") == "tone_best"
    assert stem_of("growl_top3") == "growl"
    assert stem_of("rough_high_low") == "rough_high_low"
    assert place_of(BY_NAME["tone_low"], evidence(tone_best=30.0)).band_hz == (180.0, 1500.0)


def followed(plain=None):
    plain = plain or plain_run()
    clip = plain.clip
    made = of_clip(
        clip,
        Machine(),
        general_model(),
        limits=None,
        told=Told(),
        quiet=None,
        sounds=False,
    )
    return clip, made.analysis


@pytest.fixture(scope="module")
def judged():
    return followed()


def test_stretches_lie_where_the_run_has_them(judged):
    clip, analysis = judged
    run, plain = analysis.run, plain_run()
    end = clip.duration_s
    a, b = span_of("steady", run, 0.0, end)
    assert plain.at_speed_s - 0.3 < a < b < plain.off_s + 0.1
    assert b - a == pytest.approx(3.0, abs=0.1)
    a, b = span_of("coast_down", run, 0.0, end)
    assert a == pytest.approx(plain.off_s - 0.8, abs=0.2)
    assert b > plain.off_s + 2.0
    a, b = span_of("cut", run, 0.0, end)
    assert a < plain.off_s < b
    assert b - a == pytest.approx(2.0, abs=0.01)
    a, b = span_of("run_up", run, 0.0, end)
    assert a < plain.on_s + 0.1
    assert b > plain.at_speed_s
    assert span_of("rest of the day", run, 0.0, end) is None


def with_reasons(analysis, *reasons, word="noisy", findings=()):
    score = FaultScore("bearing_noise", True, 0.9, 0.5, word == "noisy", 2.2, -3.0, tuple(reasons))
    verdict = replace(analysis.verdict, word=word, faults=(score,), findings=findings)
    values = {r.feature: r.value for r in reasons}
    return replace(analysis, verdict=verdict, evidence=evidence(**values))


def reason(name, points=1.0, value=9.0):
    return Reason(name, value, "dB", (0.0, 1.0), points, "x")


def inside(sound, lo, hi):
    power = np.abs(np.fft.rfft(sound.samples)) ** 2
    hz = np.fft.rfftfreq(sound.samples.size, 1 / sound.rate_hz)
    return power[(hz >= lo) & (hz <= hi)].sum() / power.sum()


def level_db(sound):
    return 10 * np.log10(np.mean(np.square(sound.samples, dtype=np.float64)))


def test_a_reason_is_cut_from_its_band_and_slowed(judged):
    clip, analysis = judged
    (made,) = passages_of(clip, with_reasons(analysis, reason("growl_mid")))
    assert made.band_hz == BY_NAME["growl_mid"].band_hz
    heard, slowed = made.sounds
    assert (heard.kind, slowed.kind) == ("heard", "slowed")
    assert heard.samples.size == pytest.approx(3.0 * OUT_HZ, rel=0.02)
    assert slowed.samples.size == pytest.approx(4 * 1.25 * OUT_HZ, rel=0.02)
    lo, hi = made.band_hz
    assert inside(heard, lo, hi) > 0.995
    assert inside(slowed, lo / 4, hi / 4) > 0.995
    for sound in made.sounds:
        peak = 20 * np.log10(np.abs(sound.samples).max())
        assert level_db(sound) == pytest.approx(-20.0, abs=0.1) or peak == pytest.approx(
            -1, abs=0.1
        )


def test_a_high_band_is_brought_down(judged):
    clip, analysis = judged
    (made,) = passages_of(clip, with_reasons(analysis, reason("growl_high")))
    lo, hi = made.band_hz
    assert lo == BY_NAME["growl_high"].band_hz[0]
    assert made.shift_hz == pytest.approx(lo - 500.0)
    assert inside(made.sounds[0], 500.0, hi - made.shift_hz) > 0.995


def test_reasons_of_one_place_share_a_passage_and_stand_by_weight(judged):
    clip, analysis = judged
    made = passages_of(
        clip,
        with_reasons(
            analysis,
            reason("growl_mid", 0.4),
            reason("rough_mid", 0.9),
            reason("spiky_low", 0.6),
            reason("turn_comb_mid", -0.9),  # speaks against
            reason("spiky_mid", 0.01),  # weighs nothing
            reason("run_up_s", 2.0),  # a time
            reason("no_such_feature", 2.0),
        ),
    )
    assert [one.features for one in made] == [("rough_mid", "growl_mid"), ("spiky_low",)]


def test_a_quiet_run_stands_beside_in_the_same_band_and_loudness(judged):
    clip, analysis = judged
    other = plain_run(shaft_hz=29.0, mains_hz=60.0, seed=9)
    quiet = Quiet(other.clip, followed(other)[1].run, "another")
    (made,) = passages_of(clip, with_reasons(analysis, reason("growl_mid")), quiet)
    assert [s.kind for s in made.sounds] == ["heard", "slowed", "quiet", "quiet_slowed"]
    assert inside(made.sounds[2], *made.band_hz) > 0.995
    assert level_db(made.sounds[2]) == pytest.approx(level_db(made.sounds[0]), abs=0.5)
    assert not np.array_equal(made.sounds[0].samples, made.sounds[2].samples)


def test_a_band_that_the_recording_lacks_is_not_played():
    clip, analysis = followed(plain_run(rate_hz=8000.0, orders=(1, 2, 7, 14)))
    assert passages_of(clip, with_reasons(analysis, reason("growl_high"))) == ()


def test_findings_are_heard_too(judged):
    clip, analysis = judged
    squeal = Finding("squeal_near_rest", "A squeal.", 15.0, "dB", (0.0, 14.0), "", harmless=True)
    silent = Finding("start_switch_open_not_heard", "No click.", None, "", None, "")
    made = passages_of(clip, with_reasons(analysis, word="quiet", findings=(squeal, silent)))
    assert [(one.fault, one.short) for one in made] == [("squeal_near_rest", "squeal near rest")]


def test_what_is_explained_follows_the_word():
    over = FaultScore("bearing_noise", True, 0.6, 0.5, True, 0.4, 0.0, ())
    near = FaultScore("impeller_rub", True, 0.4, 0.5, False, -0.4, 0.0, ())
    calm = FaultScore("burr_contact", True, 0.1, 0.5, False, -2.0, 0.0, ())
    unknown = FaultScore("pre_breaker_wobble", False, None, 0.5, False, None, 0.0, ())
    assert explained((calm, near, over, unknown), "noisy") == [over]
    assert explained((calm, near, unknown), "inspect") == [near]
    assert explained((calm, near, unknown), "quiet") == []


# --- where the quiet sounds come from


def test_the_shipped_example_is_quiet_and_found():
    path = example_path()
    assert path is not None
    made = quiet_example()
    assert made.source == EXAMPLE_SOURCE
    assert exhibit_of(path, sounds=False).analysis.verdict.word == "quiet"


def test_no_example_no_sound(monkeypatch, tmp_path):
    monkeypatch.setattr("quietrun.exhibits.quiet.example_path", lambda: None)
    assert quiet_example() is None
    made = exhibit_of(DEMO / "bearing.opus", quiet=None)
    assert made.quiet_from == ""
    assert {s.kind for p in made.passages for s in p.sounds} <= {"heard", "slowed"}


def test_an_unreadable_quiet_clip_is_left_out(tmp_path):
    (tmp_path / "x.wav").write_bytes(b"no sound")
    assert quiet_run(tmp_path / "x.wav", Machine(), "x") is None


@pytest.fixture
def book(tmp_path):
    with open_logbook(tmp_path / "home") as made:
        add_machine(made, MachineRecord("B-014", mains_hz=50.0, poles=4))
        yield made


def logged(book, path, day, number, verdict="quiet"):
    sha = hash_file(path)
    report = made_report(number, verdict=verdict)
    report["clip"] = {**report["clip"], "sha256": sha, "path": str(path)}
    add_clip(book, made_entry(number, day=day, sha256=sha, path=str(path), report=report))


def test_the_machines_own_quiet_clip_is_taken_where_its_file_is_there(book, tmp_path):
    own = tmp_path / "own.opus"
    own.write_bytes((DEMO / "quiet.opus").read_bytes())
    logged(book, own, "2026-03-05", 1)
    bad = str(DEMO / "bearing.opus")
    known = known_of(book, bad, Machine(phone="old phone"), tag="B-014", stage=None)
    assert known.machine.id == "B-014"
    assert known.machine.poles == 4
    found = quiet_of(book, known)
    assert found.source == "this machine's own run of 2026-03-05, judged quiet"
    assert found.clip.source.path == str(own)
    confirm(book, str(own), "quiet")
    assert quiet_of(book, known).source.endswith("confirmed quiet")
    own.write_bytes((DEMO / "burrs.opus").read_bytes())  # another recording took its place
    assert quiet_of(book, known).source == EXAMPLE_SOURCE


def test_a_noisy_clip_or_the_clip_itself_is_no_quiet_one(book, tmp_path):
    logged(book, DEMO / "bearing.opus", "2026-03-05", 1, verdict="noisy")
    logged(book, DEMO / "quiet.opus", "2026-03-06", 2)
    known = known_of(book, str(DEMO / "quiet.opus"), Machine(), tag=None, stage=None)
    assert known.machine.id == "B-014"  # the book holds it
    assert quiet_of(book, known).source == EXAMPLE_SOURCE
    told = told_of(known, known.record.path, None)
    assert told.when == "2026-03-06T10:02:00+01:00"


def test_a_clip_of_another_machine_is_not_renamed(book):
    from quietrun.errors import UsageError

    logged(book, DEMO / "quiet.opus", "2026-03-06", 2)
    with pytest.raises(UsageError, match="as a clip of B-014, not of C-1"):
        known_of(book, str(DEMO / "quiet.opus"), Machine(), tag="C-1", stage=None)


def test_frames_are_those_of_the_clip():
    clip = read_clip(DEMO / "quiet.opus")
    assert frames_of(clip.samples, clip.rate_hz).duration_s == pytest.approx(clip.duration_s)


def test_a_part_of_a_long_file_is_cut_at_the_same_places(judged):
    """Times of a run are times in the file; samples begin where the part begins."""
    clip, analysis = judged
    told = with_reasons(analysis, reason("growl_mid"), reason("coast_rough_mid", 0.5))
    later = {name: (a + 100.0, b + 100.0) for name, (a, b) in analysis.run.phases.items()}
    moved = replace(told, run=replace(analysis.run, phases=later))
    here = passages_of(clip, told)
    there = passages_of(replace(clip, start_s=100.0), moved)
    assert len(here) == 2
    for one, other in zip(here, there, strict=True):
        for a, b in zip(one.sounds, other.sounds, strict=True):
            assert np.array_equal(a.samples, b.samples)


def test_a_hand_spin_is_not_said_to_lack_what_it_cannot_have(tmp_path):
    """Its length is told; no speed is followed, and that is no fault of the recording."""
    made = render(draw_recipe(np.random.default_rng(7), stage="hand_spin", faults={}, snr_db=28.0))
    soundfile.write(tmp_path / "spin.wav", made.samples, int(made.rate_hz))
    shown = exhibit_of(tmp_path / "spin.wav", machine=Machine(stage="hand_spin"), sounds=False)
    assert shown.analysis.run.coast is not None
    assert shown.not_shown == (
        "Speed and patterns are not drawn: a hand spin keeps no speed to follow them by.",
    )
