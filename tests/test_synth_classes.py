"""No class can be told by anything but its sound: nuisances are the same either way."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from synth_measures import mono

from quietrun.synth import draw_recipe, render, source_models
from quietrun.synth.scene import make_scene
from quietrun.words import FAULTS, POSSIBLE


def base_recipes(count, **fixed):
    rng = np.random.default_rng(17)
    return [draw_recipe(rng, faults={}, other={}, **fixed) for _ in range(count)]


def test_a_fault_does_not_change_the_length_of_the_clip_or_the_moments_of_the_hand():
    for recipe in base_recipes(15):
        plain = make_scene(recipe)
        for fault in POSSIBLE[recipe.stage]:
            scene = make_scene(replace(recipe, faults={fault: 0.9}))
            if recipe.stage != "hand_spin":
                assert scene.n == plain.n
                assert scene.motion.hands == plain.motion.hands
            assert scene.mains_hz == plain.mains_hz


def test_a_fault_changes_neither_room_nor_phone_nor_level():
    for recipe in base_recipes(2, stage="assembled", machine=5):
        plain = render(recipe)
        for fault in ("bearing_noise", "pre_breaker_wobble"):
            sound = render(replace(recipe, faults={fault: 0.9}))
            for key in ("rate_hz", "codec", "snr_db", "events_db", "duration_s", "family"):
                assert sound.truth[key] == plain.truth[key], key
            loud = [np.percentile(np.abs(mono(s)), 99.9) for s in (sound, plain)]
            # The level is set before the phone's gain control; that may move it by its range.
            assert abs(20 * np.log10(loud[0] / loud[1])) < 8


def mix(count):
    rng = np.random.default_rng(3)
    return [draw_recipe(rng) for _ in range(count)]


def kind(recipe):
    if set(recipe.other) - {"switch_ring_squeal"}:
        return "other"
    strong = [f for f, s in recipe.faults.items() if s >= 0.2]
    return {0: "healthy", 1: "one", 2: "two"}[len(strong)]


def test_the_mix_for_training():
    recipes = mix(3000)
    share = {k: v / 3000 for k, v in Counter(kind(r) for r in recipes).items()}
    assert share["healthy"] == pytest.approx(0.35, abs=0.03)
    assert share["one"] == pytest.approx(0.45, abs=0.03)
    assert share["two"] == pytest.approx(0.08, abs=0.02)
    assert share["other"] == pytest.approx(0.12, abs=0.02)
    healthy = [r for r in recipes if kind(r) == "healthy"]
    traces = np.mean([bool(r.faults) for r in healthy])
    assert 0.3 < traces < 0.6
    assert all(s < 0.2 for r in healthy for s in r.faults.values())
    assert all(r.problem is None for r in recipes)
    strong = Counter(f for r in recipes for f, s in r.faults.items() if s >= 0.2)
    assert min(strong.values()) > 0.6 * max(strong.values())
    used = Counter((f, r.sources[f]) for r in recipes for f in r.faults)
    assert set(used) == {(f, s) for f in FAULTS for s in source_models(f)}


def test_stage_mains_and_poles_do_not_tell_healthy_from_faulty():
    recipes = mix(4000)
    for value in (lambda r: r.stage, lambda r: r.mains_hz, lambda r: r.poles):
        rate = {}
        for key in {value(r) for r in recipes}:
            of_key = [kind(r) == "healthy" for r in recipes if value(r) == key]
            rate[key] = np.mean(of_key)
        assert max(rate.values()) - min(rate.values()) < 0.08, rate


def test_traces_come_with_and_without_a_fault_alike():
    recipes = mix(3000)
    share = {}
    for name in ("healthy", "one"):
        of = [r for r in recipes if kind(r) == name and r.stage == "assembled"]
        share[name] = np.mean([any(s < 0.2 for s in r.faults.values()) for r in of])
    assert share["healthy"] == pytest.approx(share["one"], abs=0.08)
