"""Run -> Evidence: the whole catalogue, every row a number or a reason."""

from __future__ import annotations

import math
from types import MappingProxyType

from quietrun.clip.types import Clip
from quietrun.dsp.frames import Frames
from quietrun.evidence import bursts, course, knocks, levels, modulation, pairs, swings, tones
from quietrun.evidence.rows import Value, missing
from quietrun.evidence.scene import set_scene
from quietrun.evidence.types import Evidence, Feature
from quietrun.run.types import Run

_MEASURED: tuple[Feature, ...] = (
    *levels.ROWS,
    *modulation.ROWS,
    *knocks.ROWS,
    *bursts.ROWS,
    *swings.ROWS,
    *tones.ROWS,
    *course.ROWS,
)
CATALOGUE = (*_MEASURED, *pairs.rows({feature.name: feature for feature in _MEASURED}))
BY_NAME = MappingProxyType({feature.name: feature for feature in CATALOGUE})
FAMILIES = tuple(dict.fromkeys(feature.family for feature in CATALOGUE))


def gather(clip: Clip, run: Run, frames: Frames, bandwidth_hz: float) -> Evidence:
    """Measure every row of the catalogue.

    Parameters
    ----------
    clip : Clip
    run : Run
        Of that clip.
    frames : Frames
        Of ``clip.samples``.
    bandwidth_hz : Hz
        Real upper edge of the recording; rows above it are missing.

    Returns
    -------
    Evidence
        With a finite number or a ``Missing`` for every row.
    """
    scene = set_scene(clip, run, frames, bandwidth_hz)
    values: dict[str, Value] = {}
    for family in (levels, modulation, knocks, bursts, swings, tones, course):
        values.update(family.measure(scene))
    values.update(pairs.measure(values))
    for feature in CATALOGUE:
        value = values.get(feature.name, missing("not measured"))
        if isinstance(value, float) and not math.isfinite(value):
            value = missing("the sound gave no finite value")
        values[feature.name] = value
    return Evidence(MappingProxyType({f.name: values[f.name] for f in CATALOGUE}))
