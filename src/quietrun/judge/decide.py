"""Evidence + Fitness + limits -> Verdict: the only place where the word is chosen."""

from __future__ import annotations

from collections.abc import Mapping

from quietrun.evidence.types import Evidence, Feature
from quietrun.fitness.types import Fitness
from quietrun.judge import findings as finder
from quietrun.judge import texts
from quietrun.judge.limits import Limits
from quietrun.judge.model import Model
from quietrun.judge.score import (
    Nameless,
    name_the_likeliest,
    one_of_four,
    score_fault,
    unknown_limit,
    unknown_score,
)
from quietrun.judge.types import Contact, FaultScore, Finding, Verdict
from quietrun.machine.types import Machine
from quietrun.run.types import Run
from quietrun.words import FAULT_TITLES, FAULTS, POSSIBLE


def decide(
    *,
    machine: Machine,
    run: Run | None,
    fitness: Fitness,
    evidence: Evidence | None,
    model: Model,
    catalogue: Mapping[str, Feature],
    limits: Limits | None = None,
    contacts: tuple[Contact, ...] | None = None,
) -> Verdict:
    """Judge one clip.

    Parameters
    ----------
    machine, run, fitness, evidence
        ``run`` and ``evidence`` are None where the file gave no clip.
    model : Model
    catalogue : feature name to Feature
    limits : Limits or None
        The machine's own.
    contacts : burr contacts of a ``burr_setting`` clip, else None
    """
    if run is None or evidence is None or not fitness.usable:
        return _unusable(machine, fitness, model, run)
    hand = machine.stage == "hand_spin"
    if hand and not model.by_hand:
        return _by_hand(machine, fitness, model, run)
    if limits is not None and not limits.fits(model_sha256=model.sha256, stage=machine.stage):
        limits = None
    possible = POSSIBLE[machine.stage]
    faults = tuple(
        score_fault(
            fault,
            model.card(fault, machine.stage),
            evidence,
            catalogue,
            possible=fault in possible,
            limits=limits,
        )
        for fault in FAULTS
    )
    found = list(finder.find(run, evidence, fitness, machine))
    turned = run.started is not False and not hand
    heard = one_of_four(model, evidence, limits) if turned else None
    alone = sum(f.flagged for f in faults)
    if heard is not None and heard.over:
        faults = name_the_likeliest(faults)
    flagged = [f for f in faults if f.flagged]
    near = [
        f
        for f in faults
        if not f.flagged
        and f.probability is not None
        and f.probability >= _near(model, f, machine.stage)
    ]
    if turned:
        found = finder.signs(model, evidence, found, named=bool(flagged or near))
    unlike = Nameless(
        unknown_score(model, evidence, catalogue, limits)[0], unknown_limit(model, limits)
    )
    if not unlike.over and heard is not None:
        unlike = heard
    strange = turned and unlike.over
    nameless = not flagged and not near and all(f.harmless for f in found)
    if strange and nameless:
        found.append(
            Finding(
                "unknown_noise",
                "It does not sound like a quiet machine, nor clearly like one of the four faults.",
                unlike.probability,
                "",
                (0.0, unlike.limit),
                "Listen at each stage: hand spin, motor alone, chamber on. Check for loose parts, "
                "packed grounds and the start switch.",
            )
        )
    not_heard = _not_heard(machine, run, fitness)
    gaps = _gaps(machine, run) + tuple(
        p.what
        for p in fitness.problems
        if (p.code in _CUTS_SHORT and p.disables)
        or "steady" in p.disables
        or p.code in _COVERS
        or (p.code == "other_machine" and run.shaft_hz is None)
    )
    sure = hand or _on_the_mains(run)
    word = _word(flagged, near, found, gaps, sure=sure)
    return Verdict(
        word=word,
        faults=faults,
        findings=tuple(found),
        contacts=contacts,
        because=_together(heard, len(flagged) - alone) + _because(flagged, near, found, gaps)
        or _calm(machine, run, fitness),
        look_first=_look_first(flagged, near, found),
        not_heard=not_heard,
        cautions=_cautions(machine, run, flagged, near, found),
        apart=len(flagged) == alone,
    )


#: Recording problems that may cover what the machine itself sounds like: never ``quiet``.
_COVERS = ("buried_in_room_noise", "loaded_run")
#: Recording problems that leave a part of the run unheard: never ``quiet``.
_CUTS_SHORT = ("too_short", "cut_file", "noise_gate")


def _by_hand(machine: Machine, fitness: Fitness, model: Model, run: Run) -> Verdict:
    """A shaft spun by hand: no scorecard was trained on such clips, so none is used."""
    unknown = _unusable(machine, fitness, model, run)
    return Verdict(
        word="inspect",
        faults=unknown.faults,
        findings=(),
        contacts=None,
        because=("A shaft spun by hand is not scored: listen to it beside a quiet one.",),
        look_first=(
            "Unplug. Spin it again and feel for roughness, one spot that touches, and how long "
            "it runs free.",
            "Then run the motor alone and check that clip with --stage motor_only.",
        ),
        not_heard=tuple(f"{p.what} {p.why}" for p in fitness.problems),
        cautions=(texts.UNPLUG, texts.CAPACITOR, texts.FINGERS),
    )


#: A grid holds within 0.4 % (EN 50160: 49.5 to 50.5 Hz for 99.5 % of a year, far less in practice).
_GRID_WITHIN = 0.0045


def _on_the_mains(run: Run) -> bool:
    """The hum was heard, at a frequency that a grid can have, and ended or went with a speed."""
    if not run.mains_measured or not run.mains_hz:
        return False
    if run.power_off_s is None and run.shaft_hz is None:
        return False
    nominal_hz = 50.0 if run.mains_hz < 55.0 else 60.0
    return abs(run.mains_hz / nominal_hz - 1.0) <= _GRID_WITHIN


def _near(model: Model, score: FaultScore, stage: str) -> float:
    """Probability from which a fault is near its limit."""
    card = model.card(score.fault, stage)
    return card.near * score.limit / card.limit


def _word(
    flagged: list[FaultScore],
    near: list[FaultScore],
    found: list[Finding],
    gaps: tuple[str, ...],
    *,
    sure: bool,
) -> str:
    if flagged and sure:  # without the mains hum it may be another machine altogether
        return "noisy"
    if flagged or near or gaps or any(not finding.harmless for finding in found):
        return "inspect"
    return "quiet"


def _unusable(machine: Machine, fitness: Fitness, model: Model, run: Run | None) -> Verdict:
    faults = tuple(
        FaultScore(
            fault,
            fault in POSSIBLE[machine.stage],
            None,
            model.card(fault, machine.stage).limit,
            False,
            None,
            model.card(fault, machine.stage).base,
            (),
        )
        for fault in FAULTS
    )
    fatal = [p for p in fitness.problems if p.fatal] or list(fitness.problems)
    return Verdict(
        word="unusable",
        faults=faults,
        findings=(),
        contacts=None,
        because=tuple(f"I cannot tell: {p.what} {p.why}" for p in fatal),
        look_first=tuple(dict.fromkeys(p.do for p in fatal)),
        not_heard=() if run is None else run.not_heard,
        cautions=(texts.DUTY, texts.FINGERS),
    )


def _gaps(machine: Machine, run: Run) -> tuple[str, ...]:
    """Parts of the job that the clip did not show: they keep the word from being ``quiet``."""
    gaps = []
    if machine.stage == "hand_spin":
        return () if run.coast is not None else ("No shaft was heard turning freely.",)
    if run.power_on_s is None:
        gaps.append("The switch-on and the run-up are not in the clip.")
    if run.power_off_s is None:
        gaps.append("The switch-off and the coast-down are not in the clip.")
    elif run.coast is None:
        gaps.append("The coast-down could not be followed.")
    if run.ends_turning:
        gaps.append("The clip ends while the machine is still running down.")
    if "steady" not in run.phases:
        gaps.append("No steady run is in the clip.")
    if not run.mains_measured and run.shaft_hz is None:
        gaps.append("Neither the mains hum nor the turning of a shaft was heard for certain.")
    return tuple(gaps)


def _not_heard(machine: Machine, run: Run, fitness: Fitness) -> tuple[str, ...]:
    lines = list(run.not_heard) + list(_gaps(machine, run))
    if machine.stage != "hand_spin":
        if run.shaft_hz is None:
            lines.append("The shaft speed: no pattern stood out clearly enough to claim a number.")
        if not run.mains_measured:
            lines.append("The mains hum.")
        if run.power_off_s is not None and run.rest_s is None:
            lines.append("The moment of rest: the clip ends, or the room covers it.")
    lines += [f"{p.what} {p.why}" for p in fitness.problems if p.disables and not p.fatal]
    lines.append("Noises that come only warm, only now and then, or only with beans.")
    return tuple(dict.fromkeys(lines))


def _together(heard: Nameless | None, named: int) -> tuple[str, ...]:
    """Say so where faults are flagged because one of the four is there, whichever."""
    if heard is None or not named:
        return ()
    return (
        f"One of the four faults is in the sound (probability {heard.probability:.2f}, "
        f"limit {heard.limit:.2f}); what fits it best is named.",
    )


def _because(
    flagged: list[FaultScore], near: list[FaultScore], found: list[Finding], gaps: tuple[str, ...]
) -> tuple[str, ...]:
    lines = []
    for fault in flagged:
        lines.append(
            f"It sounds like {FAULT_TITLES[fault.fault]} "
            f"(probability {fault.probability:.2f}, limit {fault.limit:.2f})."
        )
    for fault in near:
        lines.append(
            f"{FAULT_TITLES[fault.fault].capitalize()} is near its limit "
            f"(probability {fault.probability:.2f}, limit {fault.limit:.2f})."
        )
    lines += [finding.says for finding in found if not finding.harmless]
    lines += gaps
    return tuple(lines)


def _calm(machine: Machine, run: Run, fitness: Fitness) -> tuple[str, ...]:
    """Nothing is wrong: say so of what was heard, and name what was not."""
    silent = _unheard(machine, run, fitness)
    if not silent:
        return ("Everything this stage allows was heard, and nothing is over its limit.",)
    told = silent[0] if len(silent) == 1 else f"{', '.join(silent[:-1])} and {silent[-1]}"
    return (f"Nothing is over its limit in what was heard; not heard: {told}.",)


def _unheard(machine: Machine, run: Run, fitness: Fitness) -> list[str]:
    """Short words for each part of a quiet run that the clip did not show."""
    silent = []
    if machine.stage != "hand_spin":
        did = [
            word
            for word, event in (("opening", run.switch_open), ("closing", run.switch_close))
            if event is None
        ]
        if did:
            silent.append(f"the start switch {' and '.join(did)}")
        if run.shaft_hz is None:
            silent.append("the shaft speed")
        if not run.mains_measured:
            silent.append("the mains hum")
        if run.power_off_s is not None and run.rest_s is None:
            silent.append("the moment of rest")
    if any(p.disables and not p.fatal for p in fitness.problems):
        silent.append("what the recording could not carry")
    return silent


def _look_first(
    flagged: list[FaultScore], near: list[FaultScore], found: list[Finding]
) -> tuple[str, ...]:
    lines: list[str] = []
    for fault in sorted(flagged + near, key=lambda f: -(f.probability or 0.0)):
        lines += texts.LOOK_FIRST[fault.fault]
    lines += [finding.look_at for finding in found if not finding.harmless]
    return tuple(dict.fromkeys(lines))


def _cautions(
    machine: Machine,
    run: Run,
    flagged: list[FaultScore],
    near: list[FaultScore],
    found: list[Finding],
) -> tuple[str, ...]:
    lines = []
    codes = {finding.code for finding in found}
    if codes & {"did_not_start", "slow_run_up"}:
        lines += [texts.HUMS, texts.DUTY, texts.CAPACITOR, texts.LICENSED]
    serious = [finding for finding in found if not finding.harmless]
    if flagged or near or serious:
        lines += [texts.UNPLUG, texts.CAPACITOR, texts.EVIDENCE]
    if any(fault.fault == "bearing_noise" for fault in flagged + near):
        lines.append(texts.FOOD)
    if machine.stage in ("motor_only", "burr_setting"):
        lines += [texts.FINGERS, texts.COVERS]
    if machine.stage == "burr_setting":
        lines.append(texts.EARS)
    lines.append(texts.FINGERS)
    return tuple(dict.fromkeys(lines))
