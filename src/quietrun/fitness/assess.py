"""Clip + Run -> Fitness: what a recording can carry."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from quietrun.clip.types import Clip
from quietrun.dsp.frames import Frames
from quietrun.dsp.order import quantiles
from quietrun.fitness.arrow import Arrow, measure_arrow
from quietrun.fitness.bandwidth import upper_edge_hz
from quietrun.fitness.clipping import Clipping, measure_clipping
from quietrun.fitness.gain import Gate, Riding, measure_gate, measure_riding
from quietrun.fitness.hum import rising_lines
from quietrun.fitness.label import Label, doubt_doubled, doubt_halved, measure_label
from quietrun.fitness.room import LEAST_SNR_DB, Standing, measure_standing
from quietrun.fitness.table import problem
from quietrun.fitness.turning import Turning, measure_turning
from quietrun.fitness.types import Fitness
from quietrun.fitness.view import BLOCK, View, blocks_of, by_hand, to_db, view_of
from quietrun.fitness.voices import Crackle, Voices, measure_crackle, measure_voices
from quietrun.problems import Problem
from quietrun.run.types import Run

#: Below this there is nothing but rounding, dB re full scale; a hiss that does not move
#: is a recorder's own up to ``HISS_DB`` (a covered or refused microphone).
SILENT_DB, HISS_DB, EVEN_DB = -92.0, -78.0, 5.0
SHORTEST_CLIP_S, SHORT_CLIP_S = 1.5, 3.0
SHORTEST_STEADY_S, SHORT_STEADY_S = 0.6, 1.0
SHORTEST_SPIN_S = 0.3
#: The grid keeps within 0.4 % (common practice of interconnected grids, from memory).
_MAINS_WITHIN = 0.0045
OTHER_POINTS, OTHER_POINTS_FATAL = 2.5, 3.0
#: Over chance; motors of two poles stay below 3 (138 bench clips), nine of ten of four are above.
SURE_OF_FOUR_POLES_Z = 5.0
_DROWNED_DB = 3.0  # below this the machine is not told from the room, though its hum may be
#: Points towards another machine for each step of drift, per cent, that is passed.
_DRIFT_POINTS = {0.8: 0.5, 1.0: 0.25, 1.2: 0.25, 1.6: 1.0}


@dataclass(frozen=True, slots=True)
class Measures:
    """All that was measured for one clip."""

    edge_hz: float
    clipping: Clipping
    riding: Riding
    gate: Gate
    standing: Standing
    voices: Voices
    crackle: Crackle
    turning: Turning
    rising: int | None
    label: Label
    arrow: Arrow


def measure(view: View) -> Measures:
    """Take every measure once."""
    riding = measure_riding(view)
    edge_hz = upper_edge_hz(view)
    return Measures(
        edge_hz=edge_hz,
        clipping=measure_clipping(view),
        riding=riding,
        gate=measure_gate(view),
        standing=measure_standing(view, edge_hz),
        voices=measure_voices(view, riding.steady_db),
        crackle=measure_crackle(view),
        turning=measure_turning(view),
        rising=rising_lines(view),
        label=measure_label(view, edge_hz),
        arrow=measure_arrow(view, edge_hz),
    )


def assess(clip: Clip, run: Run, frames: Frames, *, stage: str = "assembled") -> Fitness:
    """Say what a recording can carry, and what is wrong with it.

    Parameters
    ----------
    clip : Clip
    run : Run
        Of that clip; times in the file.
    frames : Frames
        Of ``clip.samples``.
    stage : str
        A word of ``words.STAGES``; a ``hand_spin`` clip has no power to look for.

    Returns
    -------
    Fitness
        ``bandwidth_hz`` of the sound, ``room_snr_db`` of the steady run, and
        the problems, the ones that leave nothing to judge first.
    """
    view = view_of(clip, run, frames)
    file_problems = [_file_problem(one, run, clip) for one in clip.problems]
    if _is_silent(view):
        silence = problem("no_sound", "There is no sound in this clip.", fatal=True)
        return Fitness(0.0, None, (silence, *file_problems))
    if stage == "hand_spin":
        view = by_hand(view)
        # a sound that dies away looks like a falling gain, and all its bands fall together
        measures = replace(measure(view), riding=Riding(0.0, 0.0, 0.0))
        found = [*_turned(view, clip), *file_problems, *_recorder(view, measures)]
    else:
        measures = measure(view)
        found = [
            *_machine(view, measures),
            *file_problems,
            *_length(clip, view),
            *_course(run, view),
            *_recorder(view, measures),
            *_surroundings(measures),
        ]
    found = _most_telling(found)
    found.sort(key=lambda one: not one.fatal)
    return Fitness(measures.edge_hz, measures.standing.snr_db, tuple(found))


def _file_problem(one: Problem, run: Run, clip: Clip) -> Problem:
    """A cut file spoils nothing of a run that comes to rest before the cut.

    A fitted course may end behind the clip: that rest was not heard.
    """
    at_rest = run.rest_s is not None and run.rest_s <= clip.start_s + clip.duration_s
    if one.code == "cut_file" and at_rest and "coast_down" in one.disables:
        return replace(one, disables=())
    return one


def _is_silent(view: View) -> bool:
    """Nothing at all, or an even hiss so faint that only the recorder itself can make it."""
    if not view.total.size:
        return True
    level_db = to_db(blocks_of(view.total)) if view.total.size >= BLOCK else to_db(view.total)
    low_db, high_db = quantiles(level_db, (0.1, 0.95))
    return bool(high_db < SILENT_DB or (high_db < HISS_DB and high_db - low_db < EVEN_DB))


def _mains_heard(run: Run, rising: int | None) -> bool:
    """The mains were measured, at a frequency that a grid can have or whose lines came with us."""
    if not run.mains_measured or not run.mains_hz:
        return False
    nominal_hz = 50.0 if run.mains_hz < 55.0 else 60.0
    return abs(run.mains_hz / nominal_hz - 1.0) <= _MAINS_WITHIN or (rising or 0) >= 2


# --- is there a machine, and the right one? ---------------------------------------------------


def _turned(view: View, clip: Clip) -> Iterator[Problem]:
    """Look for a shaft turned by hand, and for long enough."""
    turned_s = float(view.steady.sum()) * view.frames.hop_s
    if clip.duration_s < SHORTEST_CLIP_S:
        yield problem("too_short", f"The clip lasts only {clip.duration_s:.1f} s.", fatal=True)
    elif turned_s < SHORTEST_SPIN_S:
        yield problem(
            "no_machine", "Nothing stands out of the room: no shaft was heard turning.", fatal=True
        )


def _presence(view: View, measures: Measures) -> Iterator[Problem]:
    """No machine, a buried one, or another one; at most one of the three is fatal."""
    run, standing, turning = view.run, measures.standing, measures.turning
    if not view.steady.any():
        yield problem(
            "no_machine", "No run was heard: neither a motor's hum nor turning.", fatal=True
        )
        return
    hum = _mains_heard(run, measures.rising)
    contrast_db = standing.contrast_db
    ridden = _hides_snr(measures)
    stands = contrast_db is not None and contrast_db >= LEAST_SNR_DB
    tonal = turning.tonal_db >= 8.0
    moves = max(standing.restless_db, standing.sinks_db)
    known = run.shaft_confidence >= 4.0 or (measures.rising or 0) >= 2
    if moves > 6.5 and not (hum and known and turning.tonal_db >= 6.0):
        yield problem(
            "no_machine",
            "The sound comes and goes like talk, music or clatter; no machine runs on in it.",
            fatal=True,
        )
    elif contrast_db is None and not (
        tonal and (hum or run.shaft_hz is not None) and (moves <= 4.5 or turning.tonal_db >= 12.0)
    ):
        yield problem(
            "no_machine",
            "There is sound all along, but neither a motor's hum nor the tones of turning in it.",
            fatal=True,
        )
    elif contrast_db is not None and not stands and not ridden:
        yield from _weak(view, measures, hum and turning.tonal_db >= 6.0)
    elif (points := _other_points(view, measures, hum)) >= OTHER_POINTS:
        strange = _is_humless(measures, hum) or measures.rising is None
        yield problem(
            "other_machine",
            _other_says(turning),
            fatal=strange and points >= OTHER_POINTS_FATAL,
        )
    elif not hum and (not tonal or moves > 3.5):
        yield problem(
            "no_machine",
            "There is sound for a while, but neither a motor's hum nor the tones of turning in it.",
            fatal=True,
        )


def _weak(view: View, measures: Measures, motor: bool) -> Iterator[Problem]:
    """A run that does not stand clear of the room."""
    standing = measures.standing
    share = standing.clear_share or 0.0
    snr_db = standing.snr_db or 0.0
    if not motor and (share < 0.2 or (standing.contrast_db or 0.0) < 3.0):
        yield problem(
            "no_machine",
            "Nothing stands out of the room for long; no motor's hum and no turning was heard.",
            fatal=True,
        )
    elif snr_db < LEAST_SNR_DB:
        yield _buried(snr_db, fatal=share < 0.25 and snr_db < _DROWNED_DB)


def _buried(snr_db: float, *, fatal: bool) -> Problem:
    return problem(
        "buried_in_room_noise",
        f"The running machine is only {snr_db:.0f} dB louder than the room."
        if snr_db >= 0.5
        else "The running machine is no louder than the room.",
        fatal=fatal,
    )


def _other_points(view: View, measures: Measures, hum: bool) -> float:
    """Weigh the signs of a machine that is not tied to the mains; no single one is enough.

    The weights are ours, set on runs made by ``tests/fitness_clips.py`` so
    that a motor with a faint hum, or one whose speed was not found, or one
    whose lines seem to move for a while, passes.
    """
    clear = (measures.standing.contrast_db or 0.0) >= LEAST_SNR_DB
    disturbed = _is_talk(measures.voices) or _is_handled(measures.voices)
    run, turning, rising = view.run, measures.turning, measures.rising
    moves = turning.agree_share >= 0.3 and turning.step_percent_s >= 1.4
    drift = turning.drift_percent
    if not clear or disturbed or not (turning.tonal_db >= 8.0 or moves):
        return 0.0
    points = 2.5 if not hum else 0.0
    if hum and rising is not None:
        points += {0: 2.0, 1: 1.5, 2: 0.0, 3: 0.0}.get(rising, -1.5)
    if run.shaft_hz is None:
        points += 1.0
    else:
        points -= (
            2.5 if run.shaft_confidence >= 8.0 else 1.0 if run.shaft_confidence >= 5.0 else 0.0
        )
    if turning.agree_share >= 0.3:
        points += sum(_DRIFT_POINTS[least] for least in _DRIFT_POINTS if drift >= least)
        points += 1.0 * moves
    return points


def _is_humless(measures: Measures, hum: bool) -> bool:
    """No mains lines at all, or only ones that were in the room before."""
    return not hum or (measures.rising is not None and measures.rising <= 1)


def _other_says(turning: Turning) -> str:
    if turning.drift_percent >= 1.2:
        return (
            f"The speed wanders by {turning.drift_percent:.1f} % while running: "
            "it is not tied to the mains."
        )
    return "A machine runs, but without the hum of a motor on the mains."


def _machine(view: View, measures: Measures) -> Iterator[Problem]:
    """Whether the machine that was told is there; under wrong mains nothing else can be said."""
    if wrong := _wrong_mains(view.run):
        yield from wrong
        return
    yield from _presence(view, measures)
    yield from _wrong_poles(view.run) or tuple(_clock(view, measures)) or _two_poles(measures)


# --- does its clock run right? ----------------------------------------------------------------


def _wrong_mains(run: Run) -> tuple[Problem, ...]:
    """Mains that were told and that the hum contradicts."""
    if run.other_mains_hz is None:
        return ()
    mains = 50 if run.other_mains_hz < 55.0 else 60
    return (
        _strange(
            f"The motor hums on mains of {run.other_mains_hz:.1f} Hz; {110 - mains} Hz were told.",
            "With the wrong mains no speed can be found, and no order be told.",
            f"Judge it again with --mains {mains}, or correct the machine's entry: "
            f"quietrun machine edit TAG --mains {mains}.",
            fatal=True,
        ),
    )


def _wrong_poles(run: Run) -> tuple[Problem, ...]:
    """Two poles that were told, and a shaft with the lines of four."""
    if run.half_rate_z is None or run.half_rate_z <= SURE_OF_FOUR_POLES_Z:
        return ()
    return (
        _strange(
            "The shaft has the lines of a motor with 4 poles; 2 poles were told.",
            "With the wrong number of poles every order is off by two.",
            "Read the rating plate. Judge it again with --poles 4, or correct the machine's "
            "entry: quietrun machine edit TAG --poles 4.",
        ),
    )


def _two_poles(measures: Measures) -> tuple[Problem, ...]:
    """A shaft that was taken for one of four poles, without the lines that only those have."""
    if not measures.label.is_of_two_poles:
        return ()
    return (
        _strange(
            "The shaft lacks the lines of a motor with 4 poles and has those of one with 2.",
            "With the wrong number of poles every order is off by two.",
            "Read the rating plate. Judge it again with --poles 2, or correct the machine's "
            "entry: quietrun machine edit TAG --poles 2. If it does have 4 poles, the file's "
            "sample rate is wrong: send it as the recorder made it.",
        ),
    )


def _clock(view: View, measures: Measures) -> Iterator[Problem]:
    """A rate label that is wrong by two, or a clip that is played backwards."""
    if not view.steady.any():
        return
    doubled = doubt_doubled(measures.label, view.frames.rate_hz, measures.edge_hz)
    halved = doubt_halved(measures.label, view.frames.rate_hz)
    if doubled or halved:
        yield _strange(
            _label_says(measures.label, view.frames.rate_hz, doubled=doubled >= halved),
            "A wrong sample rate moves every tone and every time.",
            "Send the file as the recorder made it, at 44.1 or 48 kHz.",
            fatal=max(doubled, halved) > 1,
        )
    elif measures.arrow.is_backwards:
        yield _strange(
            "The sound swells before the power comes, or stops short where a shaft runs on.",
            "A motor starts from rest and runs down; a clip that is cut together or played "
            "backwards shows neither.",
            "Record a whole run: quiet room, on, four seconds running, off, let it run down.",
        )


def _label_says(label: Label, rate_hz: float, *, doubled: bool) -> str:
    if label.own_z is None:
        return (
            f"Hardly a phone records at {rate_hz:.0f} Hz, and no hum of the mains was heard "
            "that would show this rate to be right."
        )
    true_hz, what = (
        (0.5 * rate_hz, "every second line that it should have is missing")
        if doubled
        else (2.0 * rate_hz, "there are lines half way between those that it can have")
    )
    return (
        f"The tones fit no motor on the mains: {what}. At {true_hz:.0f} Hz instead of "
        f"{rate_hz:.0f} Hz they would."
    )


def _strange(what: str, why: str, do: str, *, fatal: bool = False) -> Problem:
    """A machine that cannot be."""
    found = problem("other_machine", what, fatal=fatal, also=("steady",))
    return replace(found, why=why, do=do)


# --- is it long enough, and whole? ------------------------------------------------------------


def _length(clip: Clip, view: View) -> Iterator[Problem]:
    steady_s = float(view.steady.sum()) * view.frames.hop_s
    if clip.duration_s < SHORTEST_CLIP_S:
        yield problem("too_short", f"The clip lasts only {clip.duration_s:.1f} s.", fatal=True)
    elif view.steady.any() and steady_s < SHORTEST_STEADY_S:
        yield problem("too_short", f"The machine runs for only {steady_s:.1f} s.", fatal=True)
    elif clip.duration_s < SHORT_CLIP_S:
        yield problem("too_short", f"The clip lasts only {clip.duration_s:.1f} s.")
    elif view.steady.any() and steady_s < SHORT_STEADY_S:
        yield problem("too_short", f"The steady run lasts only {steady_s:.1f} s.")


def _course(run: Run, view: View) -> Iterator[Problem]:
    if not view.steady.any():
        return
    if run.power_on_s is None and not view.start_hidden:
        yield problem("already_running", "The machine runs already when the clip begins.")
    if run.power_off_s is None:
        yield problem("no_switch_off", "The clip ends before the machine is switched off.")
    apart = [span for span in run.others if span[1] - span[0] >= 1.0 and _is_apart(span, run)]
    if apart:
        times = ", ".join(f"{a:.1f} to {b:.1f} s" for a, b in apart[:4])
        yield problem("several_runs", f"There are more runs in this clip: {times}.")


def _is_apart(span: tuple[float, float], run: Run) -> bool:
    """A further run must not overlap the one that is judged."""
    ends = [
        edge for name, both in run.phases.items() if name not in ("room", "rest") for edge in both
    ]
    return not ends or span[1] <= min(ends) + 0.2 or span[0] >= max(ends) - 0.2


# --- what did the recorder do? ----------------------------------------------------------------


def _recorder(view: View, measures: Measures) -> Iterator[Problem]:
    clipping, gate = measures.clipping, measures.gate
    if clipping.share >= 5e-4 and clipping.blocks >= 5:
        yield problem(
            "clipped",
            f"The loudest tops are cut off ({100 * clipping.share:.1f} % of the clip).",
            also=("steady",) if clipping.share >= 0.08 else (),
        )
    if measures.edge_hz < 9500.0:
        yield problem(
            "band_limited",
            f"The recording ends at {measures.edge_hz / 1000:.1f} kHz.",
            also=("tones", "impacts") if measures.edge_hz < 4500.0 else (),
        )
    if _is_ridden(measures.riding):
        also = ("run_up", "room") if view.run.power_on_s is None else ()
        yield problem("gain_riding", _riding_says(measures.riding), also=also)
    # dry talk stops sharply too: beside it only empty silence counts
    sure = gate.gaps if not _is_talk(measures.voices) else gate.empty
    if sure and (gate.total_s >= 0.15 or sure >= 3):
        steady_s = max(0.01, float(view.steady.sum()) * view.frames.hop_s)
        holes = gate.in_steady_s > 0.02 * steady_s
        yield problem(
            "noise_gate",
            f"The sound is switched off {gate.gaps} times, for {gate.total_s:.1f} s in all."
            if gate.gaps > 1
            else f"The sound is switched off at once, for {gate.total_s:.1f} s.",
            also=("impacts", "synchronous", "orders") if holes else (),
            fatal=gate.in_steady_s > 0.4 * steady_s,
        )


def _hides_snr(measures: Measures) -> bool:
    """Tell whether the gain moved so far that run and room cannot be compared."""
    riding = measures.riding
    far = abs(riding.steady_db) >= 3.0 or abs(riding.room_db) >= 3.0
    return far or (_is_ridden(riding) and (measures.standing.clear_share or 0.0) >= 0.2)


def _is_ridden(riding: Riding) -> bool:
    """One clear sign, or two faint ones that agree."""
    clear = abs(riding.steady_db) >= 1.5 or abs(riding.room_db) >= 3.0 or riding.recovery_db >= 2.0
    faint = (riding.steady_db <= -0.8, riding.room_db <= -1.5, riding.recovery_db >= 1.0)
    return clear or sum(faint) >= 2


def _riding_says(riding: Riding) -> str:
    if abs(riding.steady_db) >= 1.5:
        way = "falls" if riding.steady_db < 0 else "rises"
        return (
            f"The level {way} by {abs(riding.steady_db):.0f} dB during the steady run "
            "while the sound stays the same."
        )
    if abs(riding.room_db) >= 1.5:
        way = "lower" if riding.room_db < 0 else "higher"
        return f"The same room is {abs(riding.room_db):.0f} dB {way} after the run than before it."
    return f"The room grows louder by {riding.recovery_db:.0f} dB after the run, all of it at once."


# --- what else was there? ---------------------------------------------------------------------


def _surroundings(measures: Measures) -> Iterator[Problem]:
    standing, voices = measures.standing, measures.voices
    if standing.snr_db is not None and standing.snr_db < LEAST_SNR_DB and not _hides_snr(measures):
        drowned = (standing.clear_share or 0.0) < 0.15 and standing.snr_db < _DROWNED_DB
        yield _buried(standing.snr_db, fatal=drowned)
    if _is_talk(voices):
        yield problem(
            "talked_over",
            f"Talk or music can be heard over the run ({100 * voices.tonal_share:.0f} % of it).",
            also=("steady",) if voices.over_db >= 4.0 and voices.tonal_share >= 0.12 else (),
            fatal=voices.over_db >= 16.0 and voices.tonal_share >= 0.2,
        )
    if _is_handled(voices):
        yield problem(
            "handled",
            f"The phone was touched or bumped while the machine ran ({voices.bumps} times).",
            fatal=voices.surge_db >= 5.0 and voices.bumps >= 3,
        )
    if _is_loaded(voices, measures.crackle):
        yield problem(
            "loaded_run",
            "A dense crackle, as of beans, covers the run.",
            fatal=measures.crackle.likeness >= 0.4 and measures.crackle.regular < 0.2,
        )


def _is_talk(voices: Voices) -> bool:
    loud = voices.over_db >= -1.5 and voices.gaps < 0.16
    return loud and voices.tonal_share >= 0.045 and voices.tonal_bins >= 5


def _is_handled(voices: Voices) -> bool:
    return voices.low_db >= 7.0 and voices.bumps >= 2


def _is_loaded(voices: Voices, crackle: Crackle) -> bool:
    dense = crackle.shared_db2 >= 1.3 and crackle.likeness >= 0.33 and crackle.rare < 6.5
    coarse = crackle.shared_db2 >= 4.0 and crackle.likeness >= 0.6 and crackle.rare < 25.0
    return (
        (dense or coarse)
        and crackle.regular < 0.3
        and not _is_talk(voices)
        and not _is_handled(voices)
    )


def _most_telling(found: list[Problem]) -> list[Problem]:
    """One problem a code (the fatal one), and without a machine nothing about its sound."""
    best: dict[str, Problem] = {}
    for one in found:
        if one.code not in best or (one.fatal and not best[one.code].fatal):
            best[one.code] = one
    if "no_machine" in best and best["no_machine"].fatal:
        about_file = ("no_machine", "cut_file", "too_short", "clipped", "band_limited")
        best = {code: one for code, one in best.items() if code in about_file}
    return list(best.values())
