"""Values that cannot be are refused where they are made, and edges that need no computing."""

import json
import math
import sqlite3

import numpy as np
import pytest

from quietrun.dsp import stats
from quietrun.dsp.frames import frames_of
from quietrun.errors import ModelError, QuietrunError
from quietrun.fitness import clipping
from quietrun.judge import model as models
from quietrun.judge.limits import FaultLimit, Limits
from quietrun.logbook import store
from quietrun.machine import coastdown
from quietrun.synth import codecs, motion
from quietrun.synth.recipe import Recipe, draw_recipe


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"stage": "parked"}, "stage must be one of"),
        ({"poles": 3}, "poles must be 2 or 4"),
        ({"mains_hz": 16.7}, "mains_hz must be near 50 or 60"),
        ({"problem": "moonlight"}, "problem must be one of"),
        ({"other": {"ghost": 0.5}}, "other must be of"),
        ({"stage": "hand_spin", "other": {"did_not_start": 0.5}}, "cannot occur at stage"),
        ({"stage": "motor_only", "faults": {"burr_contact": 0.5}}, "cannot occur at stage"),
        ({"faults": {"bearing_noise": 1.5}}, "severity must be 0..1"),
        ({"sources": {"bearing_noise": "ghost"}}, "no source model"),
    ],
)
def test_a_recipe_that_nothing_can_be_made_of(more, says):
    with pytest.raises(ValueError, match=says):
        Recipe(seed=1, **more)


def test_a_recipe_has_no_other_fields():
    with pytest.raises(ValueError, match="no field"):
        draw_recipe(np.random.default_rng(1), colour="green")


@pytest.mark.parametrize(("shift", "limit"), [(math.nan, 0.0), (0.0, math.inf)])
def test_a_limit_that_is_no_number(shift, limit):
    with pytest.raises(ValueError, match="must be finite"):
        FaultLimit(shift, limit)


def test_a_limit_for_a_fault_that_there_is_not():
    with pytest.raises(ValueError, match=r"unknown faults: \['ghost'\]"):
        Limits("A", "", "assembled", "x", {"ghost": FaultLimit(0.0, 0.0)})
    held = Limits("A", "", "assembled", "x", {"bearing_noise": FaultLimit(0.5, 1.0)})
    assert held.faults["bearing_noise"].general == 1.5
    assert held.faults["bearing_noise"].probability == pytest.approx(1 / (1 + math.exp(-1)))
    with pytest.raises(TypeError):
        held.faults["bearing_noise"] = FaultLimit(0.0, 0.0)


def test_models_that_are_none(tmp_path, monkeypatch):
    good = json.loads(models.default_path().read_bytes())
    path = tmp_path / "model.json"

    def told(change):
        got = json.loads(json.dumps(good))
        change(got)
        path.write_text(json.dumps(got))
        with pytest.raises(ModelError) as caught:
            models.load_model(path)
        return caught.value

    bad = told(lambda got: got["faults"]["bearing_noise"].update(limit=0.2, near=0.5))
    assert "limit of bearing_noise" in bad.why
    assert told(lambda got: got["unknown"].update(base=math.inf)).what
    assert "format 99" in told(lambda got: got.update(format=99)).what
    path.write_text("[1, 2]")
    with pytest.raises(ModelError, match="not a model of this tool"):
        models.load_model(path)
    path.write_text(json.dumps(good))
    monkeypatch.setattr(models, "LARGEST_BYTES", 1000)
    with pytest.raises(ModelError, match="too large"):
        models.load_model(path)
    with pytest.raises(ModelError, match="cannot be read"):
        models.load_model(tmp_path / "gone.json")


def test_the_model_inside_a_package_comes_first(tmp_path, monkeypatch):
    """As in an installed wheel."""
    inside = tmp_path / "quietrun" / "_models" / "general" / "model.json"
    monkeypatch.setattr(models, "__file__", str(tmp_path / "quietrun" / "judge" / "model.py"))
    outside = models.default_path()
    assert outside.parts[-3:] == ("models", "general", "model.json")
    inside.parent.mkdir(parents=True)
    inside.write_text("{}")
    assert models.default_path() == inside


@pytest.mark.parametrize("share", [0.0, -0.1, 1.1])
def test_a_share_of_false_alarms_that_is_none(share):
    with pytest.raises(ValueError, match="most_false must lie within"):
        stats.partial_auc([0, 1], [0.1, 0.9], most_false=share)


def test_the_whole_area_is_a_partial_one_too():
    truth, score = [0, 0, 1, 1, 0, 1], [0.1, 0.4, 0.35, 0.8, 0.2, 0.9]
    whole = stats.roc_auc(truth, score)
    assert stats.partial_auc(truth, score, most_false=1.0) == pytest.approx(whole)


@pytest.mark.parametrize("limit", [2.0, 4.0, 5.0])
def test_a_cusum_whose_drift_is_its_allowance(limit):
    """Siegmund's limit case b^2; beside it the general formula goes there."""
    at = stats.arl_cusum_siegmund(0.5, limit, 0.5)
    near = stats.arl_cusum_siegmund(0.5, limit, 0.5 + 1e-5)
    assert at == pytest.approx(near, rel=1e-3)
    assert at == pytest.approx((limit + 1.166) ** 2, rel=0.05)  # the other side adds little


def test_no_time_passes_between_two_speeds_that_are_one():
    assert coastdown.time_to(5.0, 1.0, 0.0, 0.0, 5.0) == 0.0
    assert coastdown.time_to(5.0, 0.0, 0.0, 0.0, 5.0) == 0.0
    assert coastdown.time_to(4.0, 0.0, 0.0, 0.0, 5.0) == math.inf
    assert coastdown.time_to(4.0, 0.5, 0.0, 0.0, 5.0) == pytest.approx(2.0)
    with pytest.raises(ValueError, match="w1 must lie within"):
        coastdown.time_to(6.0, 1.0, 0.0, 0.0, 5.0)


def motor(**more):
    usual = {
        "sync_hz": 25.0,
        "pull": 5.0,
        "kink": 0.2,
        "backward": 0.3,
        "start": 2.0,
        "opens": 0.75,
        "closes": 0.4,
        "coulomb": 0.05,
        "viscous": 0.02,
        "windage": 0.05,
    }
    return motion.Motor(**{**usual, **more})


def test_a_motor_that_cannot_run():
    stuck = motor(coulomb=50.0)
    assert stuck.running_share() == 0.0
    assert motion.run_up_s(stuck) == math.inf
    assert motion.run_up_s(motor(start=0.0, backward=5.0)) == math.inf  # it hangs
    assert 0.9 < motor().running_share() < 1.0
    assert 0.0 < motion.run_up_s(motor()) < 5.0


def test_a_shaft_at_rest_needs_no_time_to_come_to_rest():
    assert motion.coast_s(motor(), 0.0) == 0.0
    assert motion.coast_s(motor(coulomb=0.25, viscous=0.0, windage=0.0), 1.0) == pytest.approx(4.0)


@pytest.mark.parametrize(
    ("codec", "rate_hz", "can"),
    [("pcm", 12_345, True), ("aac", 48_000, True), ("aac", 12_345, False), ("ghost", 8000, False)],
)
def test_what_can_be_coded(codec, rate_hz, can):
    assert codecs.can_encode(codec, rate_hz) is can


def test_a_coder_that_this_library_does_not_have(monkeypatch):
    monkeypatch.setitem(codecs._FORMATS, "odd", ("wav", "no_such_coder", None))
    assert codecs.can_encode("odd", 8000) is False


@pytest.mark.parametrize(
    "samples",
    [
        np.zeros(4800),
        -np.abs(np.sin(np.arange(4800) * 0.1)) - 0.01,  # below zero all along
        np.abs(np.sin(np.arange(4800) * 0.1)) + 0.01,
    ],
)
def test_waves_of_one_side_are_not_clipped(samples):
    assert clipping._piled(samples.astype(np.float32), 48_000.0) == clipping.NONE


def test_a_wave_of_one_side_may_be_clipped():
    wave = np.minimum(np.abs(np.sin(np.arange(48_000) * 0.01)) + 0.01, 0.5).astype(np.float32)
    found = clipping._piled(wave, 48_000.0)
    assert found.share > 0.3


def test_nothing_shorter_than_a_frame_breaks_the_frames():
    frames = frames_of(np.zeros(1, np.float32), 48_000.0)
    assert frames.power.shape[0] >= 1


# --- the book on a disk that takes no writing ------------------------------------------------


def test_a_book_that_can_only_be_read_is_read(tmp_path, monkeypatch):
    """The first look fails as it does where the helper files of the log cannot be made."""
    path = tmp_path / "logbook.sqlite3"
    real = sqlite3.connect
    with real(path) as db:
        db.execute("CREATE TABLE t (x)")
        db.execute("INSERT INTO t VALUES (7)")
    db.close()
    asked = []

    class Unwilling(sqlite3.Connection):
        def execute(self, text, *more):
            if "user_version" in text and len(asked) == 1:
                raise sqlite3.OperationalError("unable to open database file")
            return super().execute(text, *more)

    def connect(place, **more):
        asked.append(str(place))
        return real(place, factory=Unwilling, **more)

    monkeypatch.setattr(store.sqlite3, "connect", connect)
    monkeypatch.setattr(store.os, "access", lambda *_: False)
    db = store._connect(path, 0.1)
    assert db.execute("SELECT x FROM t").fetchone() == (7,)
    db.close()
    assert asked[1].endswith("?immutable=1")
    asked.clear()
    monkeypatch.setattr(store.os, "access", lambda *_: True)
    with pytest.raises(sqlite3.OperationalError):
        store._connect(path, 0.1)


def test_a_broken_rule_of_the_book_is_a_mistake_of_the_call(tmp_path):
    with (
        pytest.raises(QuietrunError, match="refused an entry"),
        store._told(tmp_path / "logbook.sqlite3"),
    ):
        raise sqlite3.IntegrityError("FOREIGN KEY constraint failed")
