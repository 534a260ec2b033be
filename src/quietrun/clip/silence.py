"""Digital silence at the ends of a clip, which is no sound of the place.

No microphone is that still: a program put it there. It is neither the room before the run nor
the rest behind it, and in comparison with it any room is loud.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from quietrun.clip.types import Clip, Samples

#: A thirtieth of the least step of 16 bits; and from what length on it is cut off, s.
SILENT, SILENCE_S = 1e-6, 0.1


def without_silence(clip: Clip) -> Clip:
    """Cut digital silence off the ends; times stay those of the file.

    Parameters
    ----------
    clip : Clip

    Returns
    -------
    Clip
        The same one where there is none. ``silence_s`` keeps what was cut off.
    """
    first, last = sounding(clip.samples, round(SILENCE_S * clip.rate_hz))
    if (first, last) == (0, clip.samples.size):
        return clip
    return replace(
        clip,
        samples=clip.samples[first:last],
        start_s=clip.start_s + first / clip.rate_hz,
        silence_s=(first / clip.rate_hz, (clip.samples.size - last) / clip.rate_hz),
    )


def sounding(samples: Samples, least: int) -> tuple[int, int]:
    """First and past-the-last sample of the part between digital silence at the ends.

    Less than ``least`` samples stay (coders begin and end with a few); so does a clip that is
    nothing else.
    """
    head, tail = samples[:least], samples[-least:]
    if head.size < least or (_loudest(head) > SILENT and _loudest(tail) > SILENT):
        return 0, samples.size
    loud = np.flatnonzero(np.abs(samples) > SILENT)
    if not loud.size:
        return 0, samples.size
    first, last = int(loud[0]), int(loud[-1]) + 1
    return first if first >= least else 0, last if samples.size - last >= least else samples.size


def _loudest(samples: Samples) -> float:
    return float(np.abs(samples).max(initial=0.0))
