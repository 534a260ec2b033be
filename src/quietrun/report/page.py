"""The page for the customer: one HTML file that travels alone.

No script, nothing fetched: the page's own policy allows its style sheet (by hash), and pictures
and sounds that lie in the page itself. The template escapes everything but the drawings, which
escape their own texts (``svg.Board``). Every verdict has a word and a shape beside its colour;
colours are those of Okabe and Ito, safe for the common kinds of colour blindness.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from quietrun.judge import FaultScore, Finding, Reason, Verdict
from quietrun.report.contract import to_object
from quietrun.report.drawings import Figure, bands_figure, day_and_time, figures_of
from quietrun.report.exhibit import BandsPicture, Exhibit, Passage, Sound
from quietrun.report.page_sound import sound_uri
from quietrun.report.setting import set_page
from quietrun.report.svg import linear, num
from quietrun.report.text import (
    NEAR,
    NO_TOUCH,
    digits,
    explained,
    percent,
    quantity,
    sentence,
    with_usual,
)
from quietrun.words import FAULT_TITLES

#: Marks a page as ours: it may be written over by a later one.
GENERATOR = "quietrun report"
#: Reasons shown of each fault: more than a person reads; the rest is summed, and whole in the JSON.
TOP_REASONS = 8
#: On paper fewer, by how many faults are told (0, 1, 2, more), so that a clip fits two sheets, and
#: two clips side by side fit two in all.
PRINTED_REASONS = (8, 8, 5, 2)
PRINTED_BESIDE = (3, 3, 2, 1)
TOP_PASSAGES = 4
#: Sound in a page, s: about 8 kB a second as MP3 in a data address, so that the page may be mailed.
MOST_SOUND_S = 240.0
NO_ANSWER = "I cannot tell from this clip."
NO_ANSWER_YET = "I cannot tell: "
_STRIP = 120.0
_BAR = 110.0


@dataclass(frozen=True, slots=True)
class ReasonRow:
    """One line of a points chart."""

    says: str
    feature: str
    value: str
    usual: str
    where: str
    points: str
    strip: str
    bar: str
    lesser: bool


@dataclass(frozen=True, slots=True)
class Rest:
    """What the rows that are not shown add up to."""

    count: int
    points: str


@dataclass(frozen=True, slots=True)
class FaultRow:
    """One fault: its probability against its limit, and the points behind it.

    ``rest`` is of the screen, ``printed_rest`` of paper, where the ``lesser`` rows are hidden.
    """

    title: str
    word: str
    state: str
    scale: str
    base: str
    rows: tuple[ReasonRow, ...]
    rest: Rest
    printed_rest: Rest
    total: str
    percent: str
    open: bool


@dataclass(frozen=True, slots=True)
class Player:
    """One sound in the page."""

    what: str
    label: str
    uri: str


@dataclass(frozen=True, slots=True)
class Listen:
    """What one group of reasons sounds like."""

    title: str
    says: str
    note: str
    players: tuple[Player, ...]


@dataclass(frozen=True, slots=True)
class ClipView:
    """One clip, in the words and drawings of the page."""

    name: str
    machine: str
    anchor: str
    word: str
    answer: str
    facts: tuple[tuple[str, str], ...]
    faults: tuple[FaultRow, ...]
    because: tuple[str, ...]
    findings: tuple[tuple[Finding, str], ...]
    figures: tuple[Figure, ...]
    whole: Player | None
    listen: tuple[Listen, ...]
    more_listen: int
    quiet_from: str
    look_first: tuple[str, ...]
    problems: tuple[Any, ...]
    not_heard: tuple[str, ...]
    cautions: tuple[str, ...]
    measured: tuple[tuple[str, str], ...]
    contacts: tuple[str, ...]
    note: str


def render(exhibits: Sequence[Exhibit], bands: Sequence[BandsPicture] = ()) -> str:
    """Set the page.

    Parameters
    ----------
    exhibits : one or more clips, in the order to show
    bands : before and after, where there are two clips of one machine

    Raises
    ------
    ValueError
        No clip at all: the caller's bug.
    """
    if not exhibits:
        raise ValueError("a page needs a clip")
    sound_s = MOST_SOUND_S / len(exhibits)
    printed = PRINTED_REASONS if len(exhibits) == 1 else PRINTED_BESIDE
    views = [
        _view(exhibit, f"clip-{i}", sound_s, printed) for i, exhibit in enumerate(exhibits, start=1)
    ]
    return set_page(
        "page.html",
        views=views,
        single=len(views) == 1,
        title=_title(views),
        bands=tuple(bands_figure(one, f"bands-{i}") for i, one in enumerate(bands)),
        tally=_tally(views),
        generator=GENERATOR,
    )


def _name(exhibit: Exhibit) -> str:
    """Machine and clip, so that two clips of one machine can be told apart."""
    clip = file_name(exhibit.analysis.source.path)
    machine = exhibit.analysis.machine.id
    return clip if not machine else f"{machine}, {clip}"


def _title(views: Sequence[ClipView]) -> str:
    if len(views) == 1:
        return f"{views[0].name}: {views[0].word}"
    return f"{len(views)} clips: {_tally(views)}"


def _tally(views: Sequence[ClipView]) -> str:
    words = ("noisy", "inspect", "unusable", "quiet")
    counts = [(sum(view.word == word for view in views), word) for word in words]
    return ", ".join(f"{count} {word}" for count, word in counts if count)


def file_name(path: str) -> str:
    """Last part of a path, undecodable bytes made visible."""
    last = path.replace("\\", "/").rsplit("/", 1)[-1] or path
    return last.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def _view(
    exhibit: Exhibit, anchor: str, sound_s: float, printed: tuple[int, ...] = PRINTED_REASONS
) -> ClipView:
    analysis, verdict = exhibit.analysis, exhibit.analysis.verdict
    fatal = verdict.word == "unusable"
    problems = tuple(p for p in analysis.fitness.problems if not (fatal and p.fatal))
    known = tuple(problem.what for problem in analysis.fitness.problems)
    because = _untold(verdict)
    if fatal:  # the heading has said already that there is no answer
        because = tuple(line.removeprefix(NO_ANSWER_YET) for line in verdict.because)
    whole = exhibit.whole
    if whole is not None and _length_s(whole) > sound_s:
        whole = None
    listen = _listen(exhibit, sound_s - (0.0 if whole is None else _length_s(whole)))
    return ClipView(
        name=_name(exhibit),
        machine=analysis.machine.id or "",
        anchor=anchor,
        word=verdict.word,
        answer=NO_ANSWER if fatal else sentence(verdict),
        facts=_facts(exhibit),
        faults=() if fatal else _fault_rows(verdict.faults, verdict.word, printed),
        because=because,
        findings=tuple((finding, _measured_words(finding)) for finding in verdict.findings),
        figures=figures_of(exhibit, anchor),
        whole=None if whole is None else _player(whole, "The clip"),
        listen=listen,
        more_listen=len(exhibit.passages) - len(listen),
        quiet_from=exhibit.quiet_from,
        look_first=verdict.look_first,
        problems=problems,
        not_heard=(
            *(line for line in verdict.not_heard if not line.startswith(known or ("\0",))),
            *exhibit.not_shown,
        ),
        cautions=verdict.cautions,
        measured=_measured(exhibit),
        contacts=_contacts(exhibit),
        note=exhibit.told.note,
    )


def _untold(verdict: Verdict) -> tuple[str, ...]:
    """Give the reasons that neither the headline, nor a fault's row, nor a finding tells."""
    told = {finding.says for finding in verdict.findings} | {sentence(verdict)}
    titles = [FAULT_TITLES[fault] for fault in explained(verdict.faults, verdict.word)]
    return tuple(
        line
        for line in verdict.because
        if line not in told and not any(title in line.lower() for title in titles)
    )


def _facts(exhibit: Exhibit) -> tuple[tuple[str, str], ...]:
    analysis, told = exhibit.analysis, exhibit.told
    machine, source = analysis.machine, analysis.source
    facts = [("Machine", machine.id or "not named")]
    facts.append(("Stage", machine.stage.replace("_", " ")))
    if told.when:
        source_words = f", {told.when_source}" if told.when_source else ""
        facts.append(("Recorded", day_and_time(told.when) + source_words))
    facts.append(("Clip", file_name(source.path)))
    run = analysis.run
    if analysis.verdict.word != "unusable" and run is not None and run.running_rpm is not None:
        facts.append(("Speed", f"{run.running_rpm:.0f} rpm"))
    return tuple(facts)


def _fault_rows(
    faults: Sequence[FaultScore], word: str, printed: tuple[int, ...]
) -> tuple[FaultRow, ...]:
    ranked = sorted(faults, key=lambda s: (not s.flagged, not s.possible, -(s.probability or 0.0)))
    told = explained(faults, word)
    top = printed[min(len(told), len(printed) - 1)]
    return tuple(_fault_row(score, opened=score.fault in told, printed=top) for score in ranked)


def _fault_row(score: FaultScore, *, opened: bool, printed: int) -> FaultRow:
    probability = score.probability
    title = FAULT_TITLES[score.fault]
    if probability is None:
        state = "not judged" if score.possible else "not possible at this stage"
        nothing = Rest(0, "")
        return FaultRow(title, "", state, "", "", (), nothing, nothing, "", "", False)
    near = probability >= NEAR * score.limit
    word = "over" if score.flagged else ("near" if near else "under")
    limit = f"{100 * score.limit:.0f} %"
    states = {
        "over": f"over its limit of {limit}",
        "near": f"not far below its limit of {limit}",
        "under": f"under its limit of {limit}",
    }
    ranked = sorted(score.reasons, key=lambda reason: -abs(reason.points))
    largest = max((abs(reason.points) for reason in ranked), default=1.0) or 1.0
    return FaultRow(
        title=title,
        word=word,
        state=states[word],
        scale=_scale(probability, score.limit, word),
        base=f"{score.base:+.2f}",
        rows=tuple(
            _reason_row(reason, largest, lesser=i >= printed)
            for i, reason in enumerate(ranked[:TOP_REASONS])
        ),
        rest=_rest(ranked[TOP_REASONS:]),
        printed_rest=_rest(ranked[printed:]),
        total="" if score.log_odds is None else f"{score.log_odds:+.2f}",
        percent=percent(probability),
        open=opened,
    )


def _rest(reasons: Sequence[Reason]) -> Rest:
    return Rest(len(reasons), f"{sum(reason.points for reason in reasons):+.2f}")


def _scale(probability: float, limit: float, word: str) -> str:
    """Draw a line from 0 to 1 with the limit as a gate and the probability as a mark."""
    x = linear(0.0, 1.0, 8.0, 192.0)
    gate, at = x(limit), x(probability)
    shape = (
        f'<path class="at over" d="M{num(at)} 3L{num(at + 7)} 16H{num(at - 7)}Z"/>'
        if word == "over"
        else f'<circle class="at {word}" cx="{num(at)}" cy="11" r="5.5"/>'
    )
    return (
        '<svg class="scale" viewBox="0 0 200 22" aria-hidden="true">'
        f'<path class="rail" d="M8 11H192"/><path class="beyond" d="M{num(gate)} 11H192"/>'
        f'<path class="gate" d="M{num(gate)} 2V20"/>{shape}</svg>'
    )


def _reason_row(reason: Reason, largest: float, *, lesser: bool) -> ReasonRow:
    usual, where, value = "", "", quantity(reason.value, reason.unit)
    if reason.usual is not None:
        lo, hi = reason.usual
        low, high = digits(lo, reason.unit), digits(hi, reason.unit)
        if reason.value is not None:
            shown, low, high = with_usual(reason.value, reason.unit, reason.usual)
            value = shown if reason.unit == "1" else f"{shown} {reason.unit}".rstrip()
            where = "above" if reason.value > hi else ("below" if reason.value < lo else "within")
        usual = f"usual {low} to {high}"
    return ReasonRow(
        says=reason.says,
        feature=reason.feature,
        value=value,
        usual=usual,
        where=where,
        points=f"{reason.points:+.2f}",
        strip=_strip(reason),
        bar=_bar(reason.points, largest),
        lesser=lesser,
    )


def _strip(reason: Reason) -> str:
    """Draw the usual range as a block on a line, the value as a diamond."""
    if reason.value is None or reason.usual is None:
        return ""
    lo, hi = reason.usual
    low, high = min(lo, reason.value), max(hi, reason.value)
    x = linear(low, high, 8.0, _STRIP - 8.0)
    a, b, at = x(lo), x(hi), x(reason.value)
    place = "in" if lo <= reason.value <= hi else "out"
    return (
        f'<svg class="strip" viewBox="0 0 {num(_STRIP)} 16" aria-hidden="true">'
        f'<path class="rail" d="M2 8H{num(_STRIP - 2)}"/>'
        f'<rect class="usual" x="{num(a)}" y="3" width="{num(max(2.0, b - a))}" height="10"/>'
        f'<path class="{place}" d="M{num(at)} 1L{num(at + 5.5)} 8L{num(at)} 15'
        f'L{num(at - 5.5)} 8Z"/></svg>'
    )


def _bar(points: float, largest: float) -> str:
    """Draw points to the right of a middle line where they speak for the fault, else left."""
    half = _BAR / 2.0
    length = abs(points) / largest * (half - 4.0)
    start = half if points >= 0 else half - length
    kind = "for" if points >= 0 else "against"
    return (
        f'<svg class="bar" viewBox="0 0 {num(_BAR)} 14" aria-hidden="true">'
        f'<rect class="{kind}" x="{num(start)}" y="2" width="{num(length)}" height="10"/>'
        f'<path class="ax" d="M{num(half)} 0V14"/></svg>'
    )


def _measured_words(finding: Finding) -> str:
    if finding.value is None:
        return ""
    shown = quantity(finding.value, finding.unit)
    if finding.usual is None:
        return shown
    lo, hi = (digits(end, finding.unit) for end in finding.usual)
    return f"{shown}, usual {lo} to {hi}"


def _player(sound: Sound, before: str) -> Player:
    return Player(sound.what, f"{before}: {sound.what}", sound_uri(sound))


def _length_s(*sounds: Sound) -> float:
    return sum(sound.samples.size / sound.rate_hz for sound in sounds)


def _listen(exhibit: Exhibit, sound_s: float) -> tuple[Listen, ...]:
    """The weightiest passages of each fault, of each fault's first before any one's second."""
    ranked: list[tuple[int, Passage]] = []
    seen: dict[str, int] = {}
    for passage in exhibit.passages:
        rank = seen[passage.fault] = seen.get(passage.fault, 0) + 1
        ranked.append((rank, passage))
    kept: list[Passage] = []
    for rank, passage in sorted(ranked, key=lambda pair: pair[0]):
        sound_s -= _length_s(*passage.sounds)
        if rank <= TOP_PASSAGES and sound_s >= 0.0:
            kept.append(passage)
    return tuple(_one(passage) for passage in exhibit.passages if passage in kept)


def _one(passage: Passage) -> Listen:
    lo, hi = (hz / 1000.0 for hz in passage.band_hz)
    band = f"{lo:.1f} to {hi:.1f} kHz"
    note = f"Heard in: {', '.join(passage.features)}." if passage.features else ""
    if passage.shift_hz:
        note = f"Brought down by {passage.shift_hz / 1000:.1f} kHz to be heard easily. {note}"
    fault = FAULT_TITLES.get(passage.fault)
    title = f"{fault}: {passage.short}" if fault else passage.short
    return Listen(
        title=f"{title[0].upper()}{title[1:]}, {band}",
        says=passage.says,
        note=note,
        players=tuple(_player(sound, passage.short) for sound in passage.sounds),
    )


def _contacts(exhibit: Exhibit) -> tuple[str, ...]:
    contacts = exhibit.analysis.verdict.contacts
    if contacts is not None and not contacts:
        return (NO_TOUCH,)
    lines = []
    for contact in contacts or ():
        share = contact.turn_share
        arc = "" if share is None else f", over {100 * share:.0f} % of the turn"
        lines.append(f"The burrs touch from {contact.start_s:.2f} to {contact.until_s:.2f} s{arc}.")
    return tuple(lines)


def _measured(exhibit: Exhibit) -> tuple[tuple[str, str], ...]:
    """How it was measured: the numbers of the contract, in words."""
    told = to_object(exhibit.analysis)
    clip, recording, run, tool = (told[k] for k in ("clip", "recording", "run", "tool"))
    usable = exhibit.analysis.verdict.word != "unusable"
    rows: list[tuple[str, str]] = []

    def row(name: str, value: float | None, form: str) -> None:
        if value is not None:
            rows.append((name, form.format(value)))

    row("Length", clip["duration_s"], "{:.1f} s")
    if clip["sample_rate_hz"]:
        rows.append(
            ("Sound", f"{clip['sample_rate_hz'] / 1000:g} kHz {clip['codec'] or ''}".rstrip())
        )
    row(
        "Sound up to",
        None if not recording["bandwidth_hz"] else recording["bandwidth_hz"] / 1000,
        "{:.1f} kHz",
    )
    if usable:
        row("Run over the room", recording["room_snr_db"], "{:.0f} dB")
        row("Mains", run["mains_hz"], "{:.2f} Hz")
        row("Slip", run["slip_percent"], "{:.1f} %")
        row("Run-up", run["run_up_s"], "{:.2f} s")
        row("Coast-down", run["coast_down_s"], "{:.2f} s")
    rows.append(("Tool", f"quietrun {tool['version']}"))
    if usable:
        rows.append(("Limits", exhibit.told.limits))
    rows.append(("Model", f"{tool['model']}, SHA-256 {tool['model_sha256'][:16]}"))
    if clip["sha256"]:
        rows.append(("Clip, SHA-256", clip["sha256"]))
    return tuple(rows)
