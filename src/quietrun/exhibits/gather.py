"""Path -> Exhibit: judge a clip, draw its arrays, cut its sounds."""

from __future__ import annotations

import os

from quietrun.clip import Clip, read_clip
from quietrun.dsp.frames import frames_of
from quietrun.errors import UnreadableClip
from quietrun.evidence.scene import set_scene
from quietrun.exhibits.cut import OUT_HZ, cut, levelled
from quietrun.exhibits.passages import Quiet, passages_of
from quietrun.exhibits.pictures import coast_of, envelope_of, spectrogram_of, wave_of
from quietrun.judge import Limits, Model
from quietrun.machine import Machine
from quietrun.pipeline import KEEP_S, Analysis, analyse, analyse_clip, general_model
from quietrun.report.exhibit import Exhibit, Sound, Told
from quietrun.run import Run

_LONGEST_S = 30.0
_WHOLE_BAND = (40.0, 11500.0)


def exhibit_of(
    path: str | os.PathLike[str],
    *,
    machine: Machine | None = None,
    limits: Limits | None = None,
    told: Told | None = None,
    quiet: Quiet | None = None,
    sounds: bool = True,
) -> Exhibit:
    """Judge a file and make everything that a page shows of it.

    Parameters
    ----------
    path : of the clip
    machine, limits : as for ``pipeline.analyse``
    told : what else is known
    quiet : a quiet run to set beside it
    sounds : False: pictures only

    Raises
    ------
    ModelError
    """
    known, model = machine or Machine(), general_model()
    try:
        clip = read_clip(path, keep_s=KEEP_S)
    except UnreadableClip:
        analysis = analyse(path, machine=known, model=model, limits=limits)
        return Exhibit(
            analysis,
            told or Told(),
            not_shown=("Nothing could be drawn: the file gave no sound.",),
        )
    return of_clip(
        clip, known, model, limits=limits, told=told or Told(), quiet=quiet, sounds=sounds
    )


def of_clip(
    clip: Clip,
    machine: Machine,
    model: Model,
    *,
    limits: Limits | None,
    told: Told,
    quiet: Quiet | None,
    sounds: bool,
) -> Exhibit:
    """Make the exhibit of a clip that is already in memory; see ``exhibit_of``."""
    analysis = analyse_clip(clip, machine=machine, model=model, limits=limits)
    frames = frames_of(clip.samples, clip.rate_hz)
    run, fitness = analysis.run, analysis.fitness
    assert run is not None
    usable = analysis.verdict.word != "unusable"
    drawn = run if usable else Run()  # phases of what may be no machine would mislead
    scene = set_scene(clip, run, frames, fitness.bandwidth_hz) if usable else None
    coast = coast_of(run) if usable else None
    envelope = envelope_of(scene, machine) if scene is not None else None
    passages = passages_of(clip, analysis, quiet) if sounds and usable else ()
    return Exhibit(
        analysis=analysis,
        told=told,
        wave=wave_of(clip, drawn),
        spectrogram=spectrogram_of(clip, drawn, frames, fitness.bandwidth_hz, machine),
        coast=coast,
        envelope=envelope,
        whole=_whole(clip) if sounds else None,
        passages=passages,
        quiet_from=quiet.source if quiet is not None else "",
        not_shown=_not_shown(analysis, coast is not None, envelope is not None, usable),
    )


def _whole(clip: Clip) -> Sound | None:
    """The clip itself, levelled; of a long one the beginning."""
    end = min(clip.duration_s, _LONGEST_S)
    if end < 0.1:
        return None
    made = cut(clip.samples, clip.rate_hz, span_s=(0.0, end), band_hz=_WHOLE_BAND, out_hz=OUT_HZ)
    made = levelled(made)
    part = "the whole clip" if end == clip.duration_s else f"the first {end:.0f} s that were judged"
    return Sound("heard", part, made, OUT_HZ) if made.any() else None


def _not_shown(analysis: Analysis, coast: bool, envelope: bool, usable: bool) -> tuple[str, ...]:
    if not usable:
        return ("Phases, speed and patterns are not drawn: of this clip they would mislead.",)
    if analysis.machine.stage == "hand_spin" and not (coast or envelope):
        return ("Speed and patterns are not drawn: a hand spin keeps no speed to follow them by.",)
    lines = []
    if not coast:
        lines.append("The coast-down is not drawn: it could not be followed.")
    if not envelope:
        lines.append(
            "What repeats with the turn is not drawn: no speed was found, not even a likely one."
        )
    return tuple(lines)
