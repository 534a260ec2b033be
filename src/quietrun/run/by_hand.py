"""A shaft spun by hand: no power, no steady speed, a sound that comes and dies away."""

from __future__ import annotations

import numpy as np

from quietrun.clip.types import Clip
from quietrun.dsp.frames import Frames
from quietrun.run.course import active_stretches, activity, onset_before, vanished
from quietrun.run.types import CoastDown, Run

SHORTEST_SPIN_S = 0.5
_PUSH_S = 0.12  # the hand is still at it


def follow_by_hand(clip: Clip, frames: Frames) -> Run:
    """Find the spin: from the push to where the sound has sunk into the room.

    Parameters
    ----------
    clip : Clip
    frames : Frames
        Of ``clip.samples``.

    Returns
    -------
    Run
        With the phases ``room``, ``coast_down`` and ``rest``; no speed, no switch.
    """
    act = activity(frames, None)
    stretches = active_stretches(act)
    if not stretches:
        return Run(not_heard=("No shaft was heard turning.",))

    def held(stretch: tuple[float, float]) -> float:
        a, b = np.searchsorted(act.time_s, stretch)
        return float(np.clip(act.share[a:b] - 0.3, 0.0, 1.0).sum())

    best = max(stretches, key=held)
    begin = onset_before(act, best[0], back_s=1.0)
    end = vanished(act, best[1])
    if end - begin < SHORTEST_SPIN_S:
        return Run(not_heard=("No shaft was heard turning for long enough.",))
    start = clip.start_s
    rest = end if end < frames.duration_s - 0.15 else None
    phases = {
        "room": (start, begin + start),
        "coast_down": (min(begin + _PUSH_S, end) + start, end + start),
    }
    if rest is not None:
        phases["rest"] = (end + start, frames.duration_s + start)
    return Run(
        rest_s=None if rest is None else rest + start,
        coast=CoastDown(end - begin, None, None, None, None, 0.5),
        rotation_heard=True,
        others=tuple((a + start, b + start) for a, b in stretches if (a, b) != best),
        phases=phases,
    )
