"""The answer as text for a terminal: the verdict first, then why, then what to do.

Conventions
-----------
Pure functions from value objects to text; nothing is judged or measured here.
Colour is only ever an addition: every state also has a word and a shape.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence

from quietrun import __version__
from quietrun.evidence import Feature, Missing
from quietrun.judge import FaultScore, Finding, Model, Reason, Verdict
from quietrun.pipeline import Analysis
from quietrun.problems import Problem
from quietrun.report.contract import between, coast_down_s
from quietrun.report.terminal import PLAIN_PAGE, Page, finish, wrap
from quietrun.run import Run, SwitchEvent
from quietrun.words import FAULT_TITLES

TOP_REASONS = 4  # more than a person reads; the rest is in the JSON
BAR_CELLS = 20
NEAR = 0.75  # share of the limit from which an unflagged fault's reasons are worth the space
JUST_UNDER = 0.9  # share of the limit from which rounded numbers would look equal
WIDE = 80  # columns that a row with its bar takes

NO_TOUCH = "No touch of the burrs is heard in this clip."
#: A shape for each verdict, for those who see no colour.
_SHAPES = {"quiet": "[ ok ]", "inspect": "[ ?? ]", "noisy": "[ !! ]", "unusable": "[ -- ]"}

_FALLBACK = {
    "quiet": "Nothing that this clip can show is over its limit.",
    "inspect": "Not clear enough to call it quiet.",
    "noisy": "A fault is over its limit.",
    "unusable": "This clip carries no answer.",
}


def quantity(value: float | None, unit: str) -> str:
    """Value and unit with the digits a person needs, e.g. ``12.4 dB``."""
    if value is None or not math.isfinite(value):
        return "not measurable"
    shown = digits(value, unit)
    return f"{shown} {unit}".rstrip() if unit != "1" else shown


def digits(value: float, unit: str = "") -> str:
    """Number with the digits that a person needs; of a level one decimal, nobody hears less."""
    size = abs(value)
    if unit == "dB":
        return f"{value:.0f}" if size >= 100 else f"{round(value, 1) + 0.0:.1f}"  # no "-0.0"
    if size >= 100 or size == 0:
        return f"{value:.0f}"
    if size >= 10:
        return f"{value:.1f}"
    return f"{value:.2f}" if size >= 0.1 else f"{value:.2g}"


def with_usual(value: float, unit: str, usual: tuple[float, float]) -> tuple[str, str, str]:
    """Value and both ends of the usual range, with digits enough to tell the value from an end."""
    told = [digits(one, unit) for one in (value, *usual)]
    if told[0] in told[1:] and value not in usual:
        told = [f"{one:.2f}" if abs(one) >= 0.1 else f"{one:.2g}" for one in (value, *usual)]
    return told[0], told[1], told[2]


def against_usual(value: float | None, unit: str, usual: tuple[float, float] | None) -> str:
    """Value, unit and the usual range in one phrase."""
    if usual is None:
        return quantity(value, unit)
    if value is None or not math.isfinite(value):
        return (
            f"{quantity(value, unit)} (usual {digits(usual[0], unit)} to {digits(usual[1], unit)})"
        )
    shown, lo, hi = with_usual(value, unit, usual)
    named = shown if unit == "1" else f"{shown} {unit}".rstrip()
    return f"{named} (usual {lo} to {hi})"


def _section(title: str, lines: Iterable[str], page: Page) -> Iterator[str]:
    body = list(lines)
    if body:
        yield ""
        yield page.paint(title, "bold")
        yield from body


def _bullets(texts: Sequence[str], page: Page, *, numbered: bool = False) -> Iterator[str]:
    for i, text in enumerate(texts, start=1):
        yield from wrap(text, page.columns(), f"  {i}. " if numbered else "  - ")


def _listed(words: Sequence[str], last: str) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {last} {words[-1]}"


def sentence(verdict: Verdict) -> str:
    """Give the verdict in one sentence: the faults over their limit, else the first reason."""
    flagged = [FAULT_TITLES[score.fault] for score in _ranked(verdict.faults) if score.flagged]
    if verdict.word == "noisy" and flagged:
        return f"It sounds like {_listed(flagged, 'and' if verdict.apart else 'or')}."
    return verdict.because[0] if verdict.because else _FALLBACK[verdict.word]


def _headline(analysis: Analysis, page: Page) -> Iterator[str]:
    word = analysis.verdict.word
    told = f"{_SHAPES[word]} {word.upper()}: {sentence(analysis.verdict)}"
    yield from (page.paint(line, word) for line in wrap(told, page.columns(), "", " " * 7))


def _about(analysis: Analysis, page: Page) -> Iterator[str]:
    source, machine = analysis.source, analysis.machine
    facts = [source.path]
    if analysis.rate_hz is not None:
        facts.append(f"{source.duration_s:.1f} s")
        facts.append(f"{analysis.rate_hz / 1000:g} kHz {source.codec or ''}".rstrip())
    facts.append(f"machine {machine.id}" if machine.id else "machine not named")
    facts.append(machine.stage.replace("_", " "))
    yield from wrap(", ".join(facts), page.columns(), " " * 7)


def bar(probability: float, limit: float) -> str:
    """Probability as a row of marks, the limit as an upright stroke among them."""
    filled = round(probability * BAR_CELLS)
    cells = ["#" if i < filled else "." for i in range(BAR_CELLS)]
    at = min(BAR_CELLS - 1, max(0, round(limit * BAR_CELLS)))
    return "".join([*cells[:at], "|", *cells[at:]])


def percent(probability: float) -> str:
    """Probability in per cent, never rounded to certainty."""
    if probability < 0.01:
        return "<1 %"
    return ">99 %" if probability > 0.99 else f"{100 * probability:.0f} %"


def _fault_row(score: FaultScore, page: Page) -> str:
    title = f"  {FAULT_TITLES[score.fault]:<19}"
    if not score.possible:
        return f"{title}not possible at this stage"
    if score.probability is None:
        return f"{title}not judged"
    close = score.probability >= JUST_UNDER * score.limit
    under = "just under its limit" if close else "under its limit"
    says = "OVER its limit" if score.flagged else under
    drawn = f"[{bar(score.probability, score.limit)}] " if page.columns() >= WIDE else ""
    shown = f"{title}{drawn}{percent(score.probability):>5}  {says} of {100 * score.limit:.0f} %"
    return page.paint(shown, "bold") if score.flagged else shown


def _reason_lines(reason: Reason, page: Page) -> Iterator[str]:
    width = page.columns()
    yield from wrap(reason.says, width, f"    {reason.points:+5.1f}  ", " " * 11)
    value = against_usual(reason.value, reason.unit, reason.usual)
    yield from wrap(f"{reason.feature}: {value}", width, " " * 11)


def _shown_reasons(score: FaultScore, count: int) -> list[Reason]:
    ranked = sorted(score.reasons, key=lambda reason: reason.points, reverse=True)
    return [reason for reason in ranked if reason.points > 0][:count]


def explained(faults: Sequence[FaultScore], word: str) -> Mapping[str, int]:
    """Faults whose reasons are shown, and how many: the flagged ones, else those not far off."""
    flagged = {score.fault: TOP_REASONS for score in faults if score.flagged}
    if flagged or word != "inspect":
        return flagged
    near = [score for score in faults if (score.probability or 0.0) >= NEAR * score.limit]
    return {score.fault: 2 for score in near}


def _ranked(faults: Sequence[FaultScore]) -> list[FaultScore]:
    return sorted(faults, key=lambda s: (not s.flagged, not s.possible, -(s.probability or 0.0)))


def _other_reasons(verdict: Verdict, shown: Mapping[str, int]) -> list[str]:
    """Give the reasons that neither the headline, nor a fault's row, nor a finding tells."""
    known = {finding.says for finding in verdict.findings} | {sentence(verdict)}
    titles = [FAULT_TITLES[fault] for fault in shown]
    return [
        line
        for line in verdict.because
        if line not in known and not any(title in line.lower() for title in titles)
    ]


def _why(analysis: Analysis, page: Page) -> Iterator[str]:
    verdict = analysis.verdict
    told = explained(verdict.faults, verdict.word)
    yield from _bullets(_other_reasons(verdict, told), page)
    if all(score.probability is None for score in verdict.faults):
        return
    for score in _ranked(verdict.faults):
        yield _fault_row(score, page)
        for reason in _shown_reasons(score, told.get(score.fault, 0)):
            yield from _reason_lines(reason, page)
    if told:
        yield from wrap(
            "Points in front: how much each thing heard speaks for the fault. "
            "quietrun explain NAME tells more.",
            page.columns(),
            "  ",
        )


def _finding_lines(finding: Finding, page: Page) -> Iterator[str]:
    told = finding.says
    if finding.value is not None:
        told += f" Measured: {against_usual(finding.value, finding.unit, finding.usual)}."
    if finding.harmless:
        told += " Usually harmless."
    yield from wrap(told, page.columns(), "  - ")
    if finding.look_at:
        yield from wrap(finding.look_at, page.columns(), "    ")


def _problem_lines(problem: Problem, page: Page) -> Iterator[str]:
    yield from wrap(problem.what, page.columns(), "  - ")
    yield from wrap(f"Why:  {problem.why}", page.columns(), "    ", " " * 10)
    yield from wrap(f"Do:   {problem.do}", page.columns(), "    ", " " * 10)


def _not_heard(analysis: Analysis, page: Page) -> Iterator[str]:
    """Problems with their remedy, then what else was not heard; each thing once.

    What makes a clip unusable stands in the headline, its remedy in the first block.
    """
    verdict, problems = analysis.verdict, analysis.fitness.problems
    for problem in problems:
        if not (problem.fatal and verdict.word == "unusable"):
            yield from _problem_lines(problem, page)
    known = tuple(problem.what for problem in problems)
    rest = [line for line in verdict.not_heard if not line.startswith(known)]
    yield from _bullets([line for line in rest if line not in verdict.because], page)


def _at(name: str, time_s: float | None) -> str:
    return f"{name} {time_s:.2f} s" if time_s is not None else f"{name} not heard"


def _switch(did: str, doing: str, event: SwitchEvent | None) -> str:
    if event is None:
        return f"{doing} not heard"
    share = f" ({100 * event.share:.0f} % of speed)" if event.share is not None else ""
    return f"{did} at {event.time_s:.2f} s{share}"


def _lasted(name: str, duration_s: float | None) -> list[str]:
    return [f"{name} {duration_s:.2f} s"] if duration_s is not None else []


def _speed(run: Run) -> list[str]:
    facts = []
    if run.mains_hz is not None:
        facts.append(f"mains {run.mains_hz:.2f} Hz" + ("" if run.mains_measured else " (as told)"))
    if run.running_rpm is not None:
        facts.append(f"{run.running_rpm:.0f} rpm")
    else:
        facts.append("speed not measurable")
    if run.slip_percent is not None:
        facts.append(f"slip {run.slip_percent:.1f} %")
    return facts


def _recording(analysis: Analysis) -> list[str]:
    facts = [f"sound up to {analysis.fitness.bandwidth_hz / 1000:.1f} kHz"]
    if analysis.fitness.room_snr_db is not None:
        facts.append(f"run {analysis.fitness.room_snr_db:.0f} dB over the room")
    return facts


def _course(analysis: Analysis, page: Page) -> Iterator[str]:
    run = analysis.run
    if run is None or (
        run.power_on_s is None and run.power_off_s is None and not run.rotation_heard
    ):
        return
    rows = {
        "power": [
            _at("on", run.power_on_s),
            _at("at speed", run.at_speed_s),
            _at("off", run.power_off_s),
            _at("at rest", run.rest_s),
        ],
        "lasted": [
            *_lasted("run-up", between(run.power_on_s, run.at_speed_s)),
            *_lasted("coast-down", coast_down_s(run)),
        ],
        "speed": _speed(run),
        "start switch": [
            _switch("opened", "opening", run.switch_open),
            _switch("closed", "closing", run.switch_close),
        ],
        "recording": _recording(analysis),
    }
    if analysis.verdict.word == "unusable":  # times of what may be no machine would mislead
        rows = {"recording": rows["recording"]}
    for name, facts in rows.items():
        if facts:
            yield from wrap(", ".join(facts), page.columns(), f"  {name:<14}")


def _contacts(analysis: Analysis, page: Page) -> Iterator[str]:
    if analysis.verdict.contacts is not None and not analysis.verdict.contacts:
        yield from wrap(NO_TOUCH, page.columns(), "  - ")
    for contact in analysis.verdict.contacts or ():
        share = (
            f", over {100 * contact.turn_share:.0f} % of the turn"
            if contact.turn_share is not None
            else ""
        )
        yield from wrap(
            f"from {contact.start_s:.2f} to {contact.until_s:.2f} s{share}", page.columns(), "  - "
        )


def _footer(analysis: Analysis, page: Page) -> Iterator[str]:
    yield ""
    yield from wrap(
        f"quietrun {__version__}, model {analysis.model.name} {analysis.model.sha256[:12]}",
        page.columns(),
    )


def render(analysis: Analysis, page: Page = PLAIN_PAGE) -> str:
    """Set one analysis as text, without a line break at the end.

    Parameters
    ----------
    analysis : Analysis
    page : Page
        Width, colour and signs that the terminal takes.
    """
    verdict = analysis.verdict
    findings = [line for f in verdict.findings for line in _finding_lines(f, page)]
    first = "What to do" if verdict.word == "unusable" else "Look at first"
    blocks = [
        _headline(analysis, page),
        _about(analysis, page),
        _section("Why", _why(analysis, page), page),
        _section(first, _bullets(verdict.look_first, page, numbered=True), page),
        _section("Also measured", findings, page),
        _section("Burrs touching", _contacts(analysis, page), page),
        _section("What could not be heard", _not_heard(analysis, page), page),
        _section("The run", _course(analysis, page), page),
        _section("Take care", _bullets(verdict.cautions, page), page),
        _footer(analysis, page),
    ]
    return finish((line for block in blocks for line in block), page)


def render_features(
    analysis: Analysis,
    catalogue: Mapping[str, Feature],
    page: Page = PLAIN_PAGE,
) -> str:
    """List every feature of the catalogue: value and unit, or why there is none."""
    if analysis.evidence is None:
        return finish(["No features: the clip gave no run to measure."], page)
    lines = [page.paint("Features", "bold")]
    name_width = max((len(name) for name in catalogue), default=0)
    for name, feature in catalogue.items():
        value = analysis.evidence.values[name]
        told = (
            f"not measurable: {value.because}"
            if isinstance(value, Missing)
            else quantity(value, feature.unit)
        )
        lines.extend(wrap(told, page.columns(), f"  {name:<{name_width}}  "))
    return finish(lines, page)


def _counts(feature: Feature, model: Model) -> Iterator[str]:
    """Where a feature counts in the model: usual range and the most it can add or take."""
    for name, card in model.cards.items():
        for term in card.terms:
            if term.feature == feature.name:
                lo, hi = min(term.points), max(term.points)
                ends = (digits(end, feature.unit) for end in term.usual)
                usual = f"usual {' to '.join(ends)}"
                yield f"{FAULT_TITLES[name]} ({lo:+.1f} to {hi:+.1f} points, {usual})"


def render_feature(feature: Feature, model: Model, page: Page = PLAIN_PAGE) -> str:
    """Set one row of the evidence catalogue as text, with where it counts in a model."""
    worse = {1: "higher is worse", -1: "lower is worse", 0: "depends on the fault"}
    band = f"{feature.band_hz[0]:.0f} to {feature.band_hz[1]:.0f} Hz" if feature.band_hz else "all"
    rows = {
        "what": feature.says,
        "unit": feature.unit or "none",
        "family": feature.family,
        "phase": feature.phase.replace("_", " "),
        "band": band,
        "worse": worse[feature.worse],
        "needs": f"a recording that holds sound up to {feature.needs_hz:.0f} Hz",
        "stages": ", ".join(stage.replace("_", " ") for stage in feature.stages),
        "source": feature.source,
        "counts": "; ".join(_counts(feature, model)) or "for nothing in this model",
    }
    lines = [page.paint(feature.name, "bold")]
    for name, told in rows.items():
        lines.extend(wrap(told, page.columns(), f"  {name:<8}"))
    return finish(lines, page)


def render_catalogue(catalogue: Mapping[str, Feature], page: Page = PLAIN_PAGE) -> str:
    """List the features of the catalogue by family, a sentence each."""
    lines: list[str] = []
    for family in dict.fromkeys(feature.family for feature in catalogue.values()):
        rows = [feature for feature in catalogue.values() if feature.family == family]
        lines.extend(["", page.paint(family.replace("_", " "), "bold")])
        for feature in rows:
            lines.extend(wrap(f"{feature.name}: {feature.says}", page.columns(), "  ", " " * 6))
    return finish(lines[1:], page)
