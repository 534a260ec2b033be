"""Which stretch and band of a clip gave each reason, and cutting it out to be heard.

A reason's feature names its phase and its band; where the feature is the clearest of several
bands ("best", "top3", "most", "three"), it is the group of bands that gave that number. Reasons of
one stretch and band share one passage. Beside each stands the same stretch and band of a quiet
machine, brought to the same loudness: what is to be compared is the pattern, since how loud a
phone recorded says nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from quietrun.clip import Clip
from quietrun.evidence import BY_NAME, Evidence, Feature
from quietrun.exhibits.cut import OUT_HZ, cut, levelled
from quietrun.judge import FaultScore, Reason
from quietrun.pipeline import Analysis
from quietrun.report.exhibit import Passage, Sound
from quietrun.run import Run

SLOWER = 4
#: From here up most ears past fifty hear little; a band from here is brought down as a whole.
_SHIFT_FROM_HZ = 5000.0
_SHIFTED_LOW_HZ = 500.0
_FULL_BAND = (60.0, 11000.0)
_HIGHEST_HZ = 0.46 * OUT_HZ
_STEADY_S, _SLOWED_S, _COAST_S, _RUN_UP_S = 3.0, 1.25, 5.0, 4.0
#: Points below this are not worth an ear.
_LEAST_POINTS = 0.05
#: An unflagged fault is explained from this share of its limit on, as in the text report.
_NEAR = 0.75
#: Families whose pattern is too quick for an ear at full speed.
_QUICK = ("synchronous", "orders", "impacts")

#: What to listen for, by the stem of the feature: words for a file name, and a sentence.
_LISTEN: Mapping[str, tuple[str, str]] = {
    "off_turn": ("repeats beside the turn", "Ticks that keep a beat of their own."),
    "off_turn_together": ("repeats beside the turn", "Ticks that keep a beat of their own."),
    "off_over_turn": ("repeats beside the turn", "Ticks that keep a beat of their own."),
    "off_depth": ("beats beside the turn", "Loudness that swings to a beat of its own."),
    "coast_off": ("ticks while slowing", "Ticks beside the turn, slower and slower."),
    "turn_comb": ("repeats each turn", "A sound that comes again with every turn."),
    "turn_depth": ("swells each turn", "Loudness that swings with every turn."),
    "turn_once": ("once a turn", "One stroke a turn."),
    "turn_together": ("repeats each turn", "A sound that comes again with every turn."),
    "turn_slope": ("repeats each turn", "A wide swish or a short tick, once a turn."),
    "turn_high_low": ("repeats each turn", "A sound that comes again with every turn."),
    "mains_beat": ("buzz of the mains", "A buzz at twice the mains frequency."),
    "rough": ("rough", "Sound that is not smooth: it crackles, rattles or scrapes."),
    "spiky": ("knocks", "Single knocks that stand out of the noise."),
    "growl": ("growl", "Slow uneven swelling, a growl."),
    "flutter": ("flutter", "Sound that comes and goes many times a second."),
    "swing": ("one pitch swells", "One narrow band of pitch that swells and sinks."),
    "swing_alone": ("one pitch swells", "One narrow band that swells while the others do not."),
    "coast_swing": ("pitch swells while slowing", "A narrow band that swells as it slows down."),
    "coast_flutter": ("flutter while slowing", "Sound that comes and goes while it slows down."),
    "flutter_bright": ("flutter", "Sound that comes and goes many times a second."),
    "flutter_edge": ("flutter", "Sound that comes and goes many times a second."),
    "spiky_bright": ("knocks", "Single knocks that stand out of the noise."),
    "swing_bright": ("one pitch swells", "One narrow band of pitch that swells and sinks."),
    "swing_edge": ("one pitch swells", "One narrow band of pitch that swells and sinks."),
    "flutter_over_turn": ("flutter", "Sound that comes and goes, with the turn or without."),
    "flutter_over_lines": ("flutter", "Sound that comes and goes, with the turn or without."),
    "spiky_over_turn": ("knocks", "Knocks, with the turn or without."),
    "coast_flutter_over": ("flutter while slowing", "Flutter of the run-down and of the run."),
    "knock_cut_over": ("knocks at switch-off", "Knocks in the second after switch-off."),
    "coast_spiky_over": ("knocks while slowing", "Single knocks while it slows down."),
    "coast_flutter_dull": ("flutter while slowing", "Sound that comes and goes while it slows."),
    "flutter_over_spiky": ("flutter", "Whether it flutters or knocks."),
    "swing_over_flutter": ("one pitch swells", "One narrow band of pitch that swells and sinks."),
    "swing_share": ("one pitch swells", "One narrow band that swells while the others do not."),
    "turn_slope_over": ("repeats each turn", "A wide swish or a short tick, once a turn."),
    "start_spiky_over": ("knocks at the start", "Single knocks while it comes up to speed."),
    "coast_rough": ("rough while slowing", "How smoothly the sound dies away."),
    "coast_spiky": ("knocks while slowing", "Single knocks while it slows down."),
    "coast_turn": ("beat while slowing", "A beat that slows down with the shaft."),
    "coast_over_steady": ("rough while slowing", "How smoothly the sound dies away."),
    "start_rough": ("rattle at the start", "Rattling while it comes up to speed."),
    "start_spiky": ("knocks at the start", "Single knocks while it comes up to speed."),
    "start_over_steady": ("rattle at the start", "Rattling while it comes up to speed."),
    "start_excess": ("loud start", "How much louder the start is than the run."),
    "start_over_coast": ("loud start", "The start against the run-down."),
    "start_early": ("loud start", "The very first of the start."),
    "knock_rate": ("knocks", "Single knocks, and how many."),
    "knock_strength": ("knocks", "Single knocks that stand out of the noise."),
    "knock_uneven": ("knocks", "Knocks with a beat, or without one."),
    "knock_in_turn": ("knocks each turn", "Knocks that keep to one place of the turn."),
    "knock_ring_ms": ("ringing knocks", "How long a knock rings."),
    "knock_bright": ("bright knocks", "Knocks that click more than they thud."),
    "knock_start": ("knocks at the start", "Single knocks while it comes up to speed."),
    "knock_start_rate": ("knocks at the start", "Single knocks while it comes up to speed."),
    "knock_start_over": ("knocks at the start", "Knocks of the start, and fewer in the run."),
    "knock_cut_rate": ("knocks at switch-off", "Knocks in the second after switch-off."),
    "knock_coast": ("knocks while slowing", "Single knocks while it slows down."),
    "knock_coast_rate": ("knocks while slowing", "Single knocks while it slows down."),
    "knock_coast_over": ("knocks while slowing", "Knocks of the run-down, and fewer in the run."),
    "burst_steady": ("bursts", "Bursts of a tenth of a second and more, in the run."),
    "burst_start": ("bursts at the start", "Bursts while it comes up to speed."),
    "burst_coast": ("bursts while slowing", "Bursts while it slows down."),
    "burst_same_speed": ("bursts at one speed", "A burst that comes at one speed, up and down."),
    "open_click": ("click in the start", "The click of the start switch opening."),
    "close_click": ("click while slowing", "The click of the start switch closing."),
    "hum_eases": ("hum after the start", "Hum that eases when the start is over."),
    "hum_swell": ("swelling hum", "Hum that swells and sinks."),
    "steady_fall": ("falling noise", "Noise that falls over the steady run."),
    "sag_percent": ("sagging speed", "Tones that sink with the power on."),
    "steady_over_room": ("run and room", "The run against the quiet room."),
    "cut_knock": ("knock at switch-off", "A knock just after the switch-off."),
    "cut_drop": ("drop at switch-off", "What falls silent at once at switch-off."),
    "exponent": ("fading while slowing", "How quickly the noise fades as it slows down."),
    "coast_keep": ("fading while slowing", "What is left of the noise as it slows down."),
    "late_keep": ("fading while slowing", "What is left of the noise near the end."),
    "hold": ("fading while slowing", "What is left of the noise half way down."),
    "end_over": ("end of the run-down", "Whether the noise fades, or stops with the shaft."),
    "stops_together": ("end of the run-down", "Whether the noise fades, or stops with the shaft."),
    "fades_early": ("fading while slowing", "How long it is heard as it slows down."),
    "coast_tilt_shift": ("fading while slowing", "Whether dull or bright sound is left."),
    "start_tilt_shift": ("start", "Whether the start sounds duller or brighter than the run."),
    "rough_high_low": ("rough", "Roughness of the bright sound against the dull one."),
    "steady_wander": ("wandering", "Loudness that wanders."),
    "tone_best": ("whistle", "A clear high tone."),
    "tone_second": ("whistles", "Several clear high tones."),
    "tone_count": ("whistles", "Several clear high tones."),
    "tone_fitful": ("fitful squeal", "A squeal that comes and goes."),
    "tone_coast": ("whistle while slowing", "A tone while it slows down."),
    "tone_coast_fixed": ("ringing while slowing", "A tone that keeps its pitch as it slows down."),
    "tone_follows": ("falling whistle", "A high tone that falls with the speed."),
    "tone_coast_gain": ("whistle while slowing", "Tones that come out as it slows down."),
    "tone_near_rest": ("squeal near rest", "A squeal just before it stands still."),
    "tone_start": ("whistle at the start", "A tone while it comes up to speed."),
    "tone_low": ("low tone", "A clear low tone."),
    "peaky": ("tones", "Tones in the bright part of the sound."),
    "peaky_coast": ("tones while slowing", "Tones while it slows down."),
    "hum_rise": ("hum", "The hum of the mains."),
    "bump": ("tone colour", "The colour of the steady noise."),
    "tilt": ("tone colour", "The colour of the steady noise."),
}
#: Where a finding is heard: stretch, band, words for a file name, and what to listen for.
_FINDINGS: Mapping[str, tuple[str, tuple[float, float], str, str]] = {
    "did_not_start": ("steady", _FULL_BAND, "hum alone", "Hum, and nothing that turns."),
    "slow_run_up": ("run_up", _FULL_BAND, "slow start", "How long it takes to come to speed."),
    "coast_down_short": ("coast_down", _FULL_BAND, "short run-down", "How soon it stands still."),
    "speed_sags": ("steady", _FULL_BAND, "sagging speed", "Tones that sink with the power on."),
    "squeal_near_rest": (
        "coast_down",
        (500.0, 8000.0),
        "squeal near rest",
        "A squeal in the last turns.",
    ),
    "face_rub": ("coast_down", (500.0, 11000.0), "rub", "A scrape that stops with the shaft."),
    "irregular_knocks": ("steady", (360.0, 11000.0), "knocks", "Knocks without a beat."),
    "mains_hum_strong": ("steady", (60.0, 1300.0), "hum", "The hum of the mains."),
    "unknown_noise": ("steady", _FULL_BAND, "unknown noise", "What is not like a quiet machine."),
}
_CLEAREST = ("best", "top3", "most", "three", "odd")
_GROUPS = ("low", "mid", "high", "top")
_CUT_STEMS = ("cut_knock", "cut_drop", "knock_cut_rate")


@dataclass(frozen=True, slots=True)
class Place:
    """A stretch and a band.

    Attributes
    ----------
    stretch : ``"steady"``, ``"coast_down"``, ``"run_up"`` or ``"cut"`` (around switch-off)
    band_hz : (lo, hi)
    """

    stretch: str
    band_hz: tuple[float, float]


def explained(faults: Sequence[FaultScore], word: str) -> list[FaultScore]:
    """Faults whose reasons are told: those over their limit; of ``inspect`` those near it."""
    ranked = sorted(faults, key=lambda score: -(score.probability or 0.0))
    flagged = [score for score in ranked if score.flagged]
    near = [s for s in ranked if s.possible and (s.probability or 0.0) >= _NEAR * s.limit]
    return near if not flagged and word == "inspect" else flagged


def stem_of(name: str) -> str:
    """Name of a feature without its group of bands."""
    if name in _LISTEN:
        return name
    stem, _, last = name.rpartition("_")
    return stem if stem and last in (*_GROUPS, *_CLEAREST) else name


def words_for(name: str) -> tuple[str, str]:
    """Words for a file name, and what to listen for, of a feature."""
    return _LISTEN.get(stem_of(name), (stem_of(name).replace("_", " "), BY_NAME[name].says))


def place_of(feature: Feature, evidence: Evidence) -> Place | None:
    """Find where in the clip a feature was measured; None for what is a time, not a sound."""
    if feature.family == "times" and feature.band_hz is None:
        return None
    stem = stem_of(feature.name)
    stretch = "cut" if stem in _CUT_STEMS else feature.phase
    return Place(stretch, _band(feature, stem, evidence))


def _band(feature: Feature, stem: str, evidence: Evidence) -> tuple[float, float]:
    """Band of the feature, or of the group of bands that gave the clearest of them."""
    last = feature.name.rpartition("_")[2]
    if last in _CLEAREST:
        groups = [g for g in _GROUPS if evidence.values.get(f"{stem}_{g}") is not None]
        known = [(evidence.number(f"{stem}_{g}"), g) for g in groups]
        numbers = [(value, group) for value, group in known if value is not None]
        if numbers:
            # worse downwards: the most marked band is the lowest number
            _, group = (min if feature.worse < 0 else max)(numbers)
            return BY_NAME[f"{stem}_{group}"].band_hz or _FULL_BAND
    return feature.band_hz or _FULL_BAND


def span_of(stretch: str, run: Run, start_s: float, end_s: float) -> tuple[float, float] | None:
    """Stretch of a run in seconds from the first sample; None where it was not heard."""
    phases = {name: (a - start_s, b - start_s) for name, (a, b) in run.phases.items()}
    length = end_s - start_s
    steady, coast, up = (phases.get(name) for name in ("steady", "coast_down", "run_up"))
    if stretch == "steady" and steady is not None:
        found = (max(steady[0], steady[1] - 0.05 - _STEADY_S), steady[1] - 0.05)
    elif stretch == "coast_down" and coast is not None:
        found = (coast[0] - 0.8, min(coast[1] + 0.3, coast[0] - 0.8 + _COAST_S))
    elif stretch == "cut" and coast is not None:
        found = (coast[0] - 0.8, coast[0] + 1.2)
    elif stretch == "run_up" and up is not None:
        found = (up[0] - 0.2, min(up[1] + 0.8, up[0] - 0.2 + _RUN_UP_S))
    else:
        return None
    found = (max(0.0, found[0]), min(length, found[1]))
    return found if found[1] - found[0] >= 0.3 else None


def passages_of(clip: Clip, analysis: Analysis, quiet: Quiet | None = None) -> tuple[Passage, ...]:
    """Cut out what each reason of the told faults sounds like, the weightiest first.

    Parameters
    ----------
    clip : the recording that ``analysis`` is of
    analysis : Analysis
    quiet : a quiet run to set beside it, or None
    """
    if analysis.run is None or analysis.evidence is None:
        return ()
    found = []
    for score in explained(analysis.verdict.faults, analysis.verdict.word):
        for place, reasons in _places(score, analysis.evidence).items():
            names = tuple(reason.feature for reason in reasons)
            quick = any(BY_NAME[name].family in _QUICK for name in names)
            passage = _passage(
                score.fault,
                place,
                names,
                words_for(names[0]),
                clip,
                analysis.run,
                quiet,
                quick=quick,
            )
            if passage is not None:
                found.append(passage)
    for finding in analysis.verdict.findings:
        if finding.code in _FINDINGS:
            stretch, band, short, says = _FINDINGS[finding.code]
            place, words = Place(stretch, band), (short, says)
            passage = _passage(
                finding.code, place, (), words, clip, analysis.run, quiet, quick=False
            )
            if passage is not None:
                found.append(passage)
    return tuple(found)


@dataclass(frozen=True, slots=True, eq=False)
class Quiet:
    """A quiet run to compare with, and where it is from."""

    clip: Clip
    run: Run
    source: str


def _places(score: FaultScore, evidence: Evidence) -> dict[Place, list[Reason]]:
    """Places of the reasons that speak for a fault, the weightiest first."""
    ranked = sorted(score.reasons, key=lambda reason: -reason.points)
    found: dict[Place, list[Reason]] = {}
    for reason in ranked:
        feature = BY_NAME.get(reason.feature)
        if reason.points < _LEAST_POINTS or feature is None or reason.value is None:
            continue
        place = place_of(feature, evidence)
        if place is not None:
            found.setdefault(place, []).append(reason)
    return found


def _passage(
    fault: str,
    place: Place,
    features: tuple[str, ...],
    words: tuple[str, str],
    clip: Clip,
    run: Run,
    quiet: Quiet | None,
    *,
    quick: bool,
) -> Passage | None:
    span = span_of(place.stretch, run, clip.start_s, clip.start_s + clip.duration_s)
    if span is None or place.band_hz[0] > 0.45 * clip.rate_hz:
        return None
    lo, hi = place.band_hz
    shift = lo - _SHIFTED_LOW_HZ if lo >= _SHIFT_FROM_HZ or hi > _HIGHEST_HZ else 0.0
    shift = max(0.0, min(shift, lo))
    band = (lo, min(hi, _HIGHEST_HZ + shift))
    slowable = quick and place.stretch in ("steady", "cut")
    sounds = list(_sounds(clip, span, band, shift, slowable, quiet=False))
    if not sounds:
        return None
    if quiet is not None:
        end = quiet.clip.start_s + quiet.clip.duration_s
        same = span_of(place.stretch, quiet.run, quiet.clip.start_s, end)
        if same is not None and band[0] < 0.45 * quiet.clip.rate_hz:
            sounds += _sounds(quiet.clip, same, band, shift, slowable, quiet=True)
    return Passage(
        fault=fault,
        features=features,
        short=words[0],
        says=words[1],
        band_hz=band,
        shift_hz=shift,
        sounds=tuple(sounds),
    )


def _sounds(
    clip: Clip,
    span: tuple[float, float],
    band: tuple[float, float],
    shift: float,
    slowable: bool,
    *,
    quiet: bool,
) -> list[Sound]:
    """Cut the passage, and its slowed end where that helps."""
    who = "quiet" if quiet else "heard"
    plain = cut(clip.samples, clip.rate_hz, span_s=span, band_hz=band, shift_hz=shift)
    made = [Sound(who, "a quiet machine" if quiet else "this clip", levelled(plain), OUT_HZ)]
    if slowable:
        end = (max(span[0], span[1] - _SLOWED_S), span[1])
        slow = cut(
            clip.samples, clip.rate_hz, span_s=end, band_hz=band, shift_hz=shift, slow=SLOWER
        )
        kind = "quiet_slowed" if quiet else "slowed"
        whose = "a quiet machine" if quiet else "this clip"
        made.append(Sound(kind, f"{whose}, {SLOWER} times slower", levelled(slow), OUT_HZ))
    return [sound for sound in made if bool(sound.samples.any())]
