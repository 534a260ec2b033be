"""Ways through small functions that longer tests pass by."""

import math

import numpy as np
import pytest

from quietrun.batch import work
from quietrun.cli import edge, main
from quietrun.clip import survey
from quietrun.logbook import clips
from quietrun.synth import ambience
from quietrun.synth.recipe import draw_recipe


@pytest.mark.parametrize(
    ("old", "new", "same"),
    [
        (('{"clip": {"path": "a"}, "v": 1}', "x"), ('{"clip": {"path": "b"}, "v": 1}', "x"), True),
        (('{"clip": {"path": "a"}, "v": 1}', "x"), ('{"clip": {"path": "a"}, "v": 2}', "x"), False),
        (('{"v": 1}', "x"), ('{"v": 1}', "x"), True),  # no clip in it
        (('{"v": 1}', "x"), ('{"v": 1}', "y"), False),
    ],
)
def test_a_moved_file_is_no_new_judgement(old, new, same):
    assert clips._same(old, new) is same


def test_a_fault_that_its_stage_does_not_allow_cannot_be_drawn():
    """Burrs need their chamber."""
    fixed = {"faults": {"burr_contact": 0.5}, "stage": "motor_only"}
    with pytest.raises(ValueError, match=r"no stage allows|cannot occur"):
        draw_recipe(np.random.default_rng(1), **fixed)


@pytest.mark.parametrize("kind", ["pump", "steam", "blender", "grinder", "dishwasher"])
def test_every_machine_next_door_sounds(kind, monkeypatch):
    monkeypatch.setattr(ambience, "pick", lambda rng, among: kind if kind in among else among[0])
    for whole in (True, False):
        monkeypatch.setattr(ambience, "chance", lambda rng, share, whole=whole: whole)
        made = ambience.machine_near(np.random.default_rng(2), 3.0, 50.0)
        sound = made.samples
        assert np.isfinite(sound).all()
        assert np.abs(sound).max() > 0.0


def test_a_run_is_not_looked_for_in_a_scrap():
    assert survey.first_run(np.zeros((3, 2), np.float32)) is None


def test_unknown_commands_are_none(monkeypatch):
    import click

    context = click.Context(main)
    assert main.get_command(context, "no-such-command") is None
    assert main.get_command(context, "check") is not None
    assert "check" in main.list_commands(context)


def test_where_standard_error_takes_nothing_it_is_let_go(monkeypatch):
    """Flushing it at the end must not turn an answer into a failure."""
    sent = []

    class Full:
        def flush(self):
            raise OSError(28, "No space left on device")

        def fileno(self):
            return 99

    monkeypatch.setattr(edge.sys, "stderr", Full())
    monkeypatch.setattr(edge.os, "dup2", lambda a, b: sent.append(b))
    edge._abandon_stderr()
    assert sent == [99]
    monkeypatch.setattr(edge.sys, "stderr", None)
    edge._abandon_stderr()
    assert sent == [99]


def test_a_worker_that_may_be_ended_has_a_watchdog_while_it_works(monkeypatch):
    told = []
    monkeypatch.setattr(work.faulthandler, "disable", lambda: told.append("quiet"))
    monkeypatch.setattr(
        work.faulthandler, "dump_traceback_later", lambda s, **more: told.append((s, more["exit"]))
    )
    monkeypatch.setattr(
        work.faulthandler, "cancel_dump_traceback_later", lambda: told.append("off")
    )
    with work._within(10.0, hard=True):
        told.append("work")
    soft_s = 10.0 * work.HARD_FACTOR + work.HARD_EXTRA_S
    assert told[0] == "quiet"
    assert told[1] in ((soft_s, True), (10.0, True))
    assert told[2:] == ["work", "off"]
    assert math.isfinite(soft_s)
