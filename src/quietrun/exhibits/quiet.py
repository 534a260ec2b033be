"""The quiet run that a sound is set beside: the machine's own, or the shipped example."""

from __future__ import annotations

from pathlib import Path

from quietrun.clip import read_clip, without_silence
from quietrun.dsp.frames import frames_of
from quietrun.errors import UnreadableClip
from quietrun.exhibits.passages import Quiet
from quietrun.machine import Machine
from quietrun.pipeline import KEEP_S
from quietrun.run import follow

_NAME = "quiet.opus"
EXAMPLE_SOURCE = "a made-up quiet machine (computed, not recorded)"


def example_path() -> Path | None:
    """Where the shipped quiet example lies: in the package, or in the checkout; None: nowhere."""
    inside = Path(__file__).parents[1] / "_examples" / _NAME
    outside = Path(__file__).parents[3] / "synthetic_audio" / _NAME
    return next((path for path in (inside, outside) if path.is_file()), None)


def quiet_example() -> Quiet | None:
    """Read the shipped quiet example; None where it is not there."""
    path = example_path()
    return None if path is None else quiet_run(path, Machine(), EXAMPLE_SOURCE)


def quiet_run(path: str | Path, machine: Machine, source: str) -> Quiet | None:
    """Read a quiet clip and find its run; None where it cannot be read."""
    try:
        clip = without_silence(read_clip(path, keep_s=KEEP_S))
    except UnreadableClip:
        return None
    return Quiet(clip, follow(clip, machine, frames_of(clip.samples, clip.rate_hz)), source)
