"""Clip + Machine -> Run, by what turns the shaft: the motor or a hand."""

from __future__ import annotations

from quietrun.clip.types import Clip
from quietrun.dsp.frames import Frames
from quietrun.machine.types import Machine
from quietrun.run.by_hand import follow_by_hand
from quietrun.run.course import follow_powered
from quietrun.run.types import Run


def follow(clip: Clip, machine: Machine, frames: Frames) -> Run:
    """Find out what happened in a clip.

    Parameters
    ----------
    clip : Clip
    machine : Machine
    frames : Frames
        Of ``clip.samples``.

    Returns
    -------
    Run
        With None for whatever was not found, and why in ``not_heard``.
    """
    if machine.stage == "hand_spin":
        return follow_by_hand(clip, frames)
    return follow_powered(clip, machine, frames)
