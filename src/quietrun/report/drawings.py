"""The pictures of a page: each answers the question that stands over it.

Pure functions from values to SVG; nothing is measured. Beside each picture goes what it shows
in words, for those who do not see it, made of the same numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from quietrun.report.exhibit import (
    BandsPicture,
    Coast,
    EnvelopePicture,
    Exhibit,
    Spectrogram,
    Wave,
)
from quietrun.report.svg import WIDTH, Board, Scale, linear, logarithmic, ticks

_PHASE_WORDS = {
    "room": "room",
    "run_up": "run-up",
    "steady": "steady run",
    "coast_down": "coast-down",
    "rest": "rest",
}
_HZ_TICKS = (100, 200, 500, 1000, 2000, 5000, 10000, 20000)
_LABEL_UNITS = 5.6  # about the width of a letter
DRAG_WORDS = ("friction", "grease", "air")


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture with its question.

    Attributes
    ----------
    question : heading
    svg : markup, safe
    caption : how to read it
    plain : the caption says nothing of this clip; left out where paper is short
    """

    question: str
    svg: str
    caption: str
    plain: bool = False


def figures_of(exhibit: Exhibit, name: str) -> tuple[Figure, ...]:
    """All pictures of a clip; ``name`` stands in front of their ids."""
    made = []
    if exhibit.wave is not None:
        contacts = exhibit.analysis.verdict.contacts or ()
        touches = [(contact.start_s, contact.until_s) for contact in contacts]
        made.append(wave_figure(exhibit.wave, f"{name}-wave", touches))
    if exhibit.spectrogram is not None:
        made.append(spectrogram_figure(exhibit.spectrogram, f"{name}-spec"))
    if exhibit.coast is not None:
        made.append(coast_figure(exhibit.coast, f"{name}-coast"))
    if exhibit.envelope is not None:
        made.append(envelope_figure(exhibit.envelope, f"{name}-env"))
    return tuple(made)


def seconds(value: float) -> str:
    """Time with the digits a person needs."""
    return f"{value:.2f} s" if value < 10 else f"{value:.1f} s"


def hertz(value: float) -> str:
    """Frequency in Hz or kHz."""
    return f"{value:.0f} Hz" if value < 1000 else f"{value / 1000:g} kHz"


def day_and_time(iso: str) -> str:
    """Local day and time with its zone: ``2 March 2026, 09:15 (UTC+01:00)``."""
    try:
        when = datetime.fromisoformat(iso)
    except ValueError:
        return iso
    months = "January February March April May June July August September October November December"
    day = f"{when.day} {months.split()[when.month - 1]} {when.year}"
    if len(iso) <= 10:
        return day
    zone = when.strftime("%z")
    where = f" (UTC{zone[:3]}:{zone[3:5]})" if zone else ""
    return f"{day}, {when:%H:%M}{where}"


def wave_figure(wave: Wave, name: str, touches: Sequence[tuple[float, float]] = ()) -> Figure:
    """Waveform with the phases of the run, and where the burrs touch."""
    board = Board(name, 236.0, left=10.0, top=22.0)
    half = 0.5 * float(wave.time_s[1] - wave.time_s[0]) if wave.time_s.size > 1 else 0.0
    start, end = float(wave.time_s[0]) - half, float(wave.time_s[-1]) + half
    x = linear(start, end, board.x0, board.x1)
    peak = max(float(np.max(np.abs(wave.low))), float(np.max(np.abs(wave.high))), 1e-6)
    y = linear(-peak, peak, board.y0 - 2.0, board.y1 + 2.0)
    _phases(board, wave.phases, x)
    time = np.concatenate([wave.time_s, wave.time_s[::-1]])
    value = np.concatenate([wave.high, wave.low[::-1]])
    board.path([x(t) for t in time], [y(v) for v in value], "wave", closed=True)
    for a, b in touches:
        board.rect(x(a), board.y0 - 8.0, max(2.0, x(b) - x(a)), 6.0, "touch")
    board.x_axis([(x(t), f"{t:g}") for t in ticks(start, end)], "seconds")
    spans = "; ".join(
        f"{_PHASE_WORDS[phase]} {seconds(a)} to {seconds(b)}" for phase, a, b in wave.phases
    )
    says = f"The sound of the clip over {seconds(end - start)}. " + (
        f"{spans[0].upper()}{spans[1:]}." if spans else "No phases of a run were found in it."
    )
    caption = "Height is loudness, on the scale of the loudest moment."
    if touches:
        told = ", ".join(f"{seconds(a)} to {seconds(b)}" for a, b in touches)
        says += f" The burrs touch: {told}."
        caption += " Bars along the foot: the burrs touch."
    question = "What happened, and when?" if wave.phases else "What is in the clip?"
    svg = board.svg("Waveform with the phases", says)
    return Figure(question, svg, caption, plain=not touches)


def _phases(board: Board, phases: Sequence[tuple[str, float, float]], place: Scale) -> None:
    """Shade every other phase and name those that are wide enough."""
    for i, (phase, a, b) in enumerate(phases):
        left = max(board.x0, place(a))
        right = min(board.x1, place(b))
        board.rect(left, board.y1, right - left, board.y0 - board.y1, "ph1" if i % 2 else "ph0")
        if i:
            board.line(left, board.y1, left, board.y0, "cutline")
        words = _PHASE_WORDS[phase]
        if phase == "steady" and right - left < len(words) * _LABEL_UNITS:
            words = "steady"
        if right - left >= len(words) * _LABEL_UNITS:
            board.text((left + right) / 2.0, board.y1 - 7.0, words, "t", "middle")


def spectrogram_figure(picture: Spectrogram, name: str) -> Figure:
    """Spectrogram with the hum, and the speed as a falling tone."""
    board = Board(name, 236.0)
    x = linear(picture.start_s, picture.end_s, board.x0, board.x1)
    y = logarithmic(picture.low_hz, picture.high_hz, board.y0, board.y1)
    board.image(picture.shade)
    board.y_axis(
        [(y(hz), hertz(hz)) for hz in _HZ_TICKS if picture.low_hz <= hz <= picture.high_hz], ""
    )
    for line in picture.lines:
        inside = (line.hz >= picture.low_hz) & (line.hz <= picture.high_hz)
        if inside.sum() < 2:
            continue
        xs = [min(board.x1, x(t)) for t in line.time_s[inside]]
        ys = [y(hz) for hz in line.hz[inside]]
        board.path(xs, ys, "halo")
        board.path(xs, ys, f"line {line.kind}")
        board.text(xs[0] + 5.0, ys[0] - 5.0, line.name, "tl")
    board.x_axis([(x(t), f"{t:g}") for t in ticks(picture.start_s, picture.end_s)], "seconds")
    names = " ".join(_line_words(line.kind, line.name) for line in picture.lines)
    says = (
        f"Loudness by time and pitch, {hertz(picture.low_hz)} to {picture.high_hz / 1000:.1f} kHz; "
        f"a stronger shade is louder, over {picture.top_db - picture.floor_db:.0f} dB. {names}"
    ).strip()
    caption = "The stronger the shade, the louder. " + (
        "What falls along the speed line turns with the shaft; what ends at once is electrical."
        if any(line.kind == "speed" for line in picture.lines)
        else "Level lines are tones that stand still; slanting ones follow a speed."
    )
    follows = any(line.kind == "speed" for line in picture.lines)
    return Figure(
        "Which tones, and which follow the speed?" if follows else "Which tones were there?",
        board.svg("Spectrogram", says),
        caption,
        plain=True,
    )


def _line_words(kind: str, name: str) -> str:
    if kind == "mains":
        return f"A line marks the {name} from switch-on to switch-off."
    if kind == "turn":
        return f"A line marks the {name} in the steady run."
    return "A falling line shows how the speed drops after switch-off."


def coast_figure(coast: Coast, name: str) -> Figure:
    """Speed against time after switch-off, with the fitted law."""
    board = Board(name)
    end = max(float(coast.time_s[-1]), coast.duration_s) * 1.03
    x = linear(0.0, end, board.x0, board.x1)
    y = linear(0.0, 1.05, board.y0, board.y1)
    board.y_axis([(y(v), f"{100 * v:.0f} %") for v in (0.0, 0.25, 0.5, 0.75, 1.0)], "speed")
    if coast.fit_time_s is not None and coast.fit_share is not None:
        board.path([x(t) for t in coast.fit_time_s], [y(s) for s in coast.fit_share], "line fit")
    pick = np.unique(np.linspace(0, coast.time_s.size - 1, 34).astype(int))
    board.dots(
        [x(t) for t in coast.time_s[pick]], [y(s) for s in coast.share[pick]], 2.4, "followed"
    )
    if coast.half_speed_s is not None:
        board.line(x(coast.half_speed_s), y(0.5), x(coast.half_speed_s), board.y0, "cutline")
        board.text(
            x(coast.half_speed_s) + 4.0, y(0.5) - 5.0, f"half {seconds(coast.half_speed_s)}", "t"
        )
    if coast.closed_s is not None and 0.0 < coast.closed_s < end:
        share = float(np.interp(coast.closed_s, coast.time_s, coast.share))
        board.diamond(x(coast.closed_s), y(share), 4.5, "mark switch")
        board.text(x(coast.closed_s) + 7.0, y(share) - 4.0, "switch closes", "t")
    board.line(x(coast.duration_s), y(0.22), x(coast.duration_s), board.y0, "cutline")
    board.text(x(coast.duration_s), y(0.25), f"rest {seconds(coast.duration_s)}", "t", "end")
    board.x_axis([(x(t), f"{t:g}") for t in ticks(0.0, end)], "seconds from switch-off")
    law = "The line is the fitted law of motion. " if coast.fit_time_s is not None else ""
    split = ""
    if coast.drag is not None:
        parts = ", ".join(
            f"{100 * share:.0f} % {word}"
            for share, word in zip(coast.drag, DRAG_WORDS, strict=True)
            if share >= 0.005
        )
        split = f"It says what slows the shaft at full speed: {parts}."
    half = f" and half speed after {seconds(coast.half_speed_s)}" if coast.half_speed_s else ""
    says = f"The speed falls to rest in {seconds(coast.duration_s)}{half}. {split}".strip()
    caption = f"Dots: the speed as followed in the sound. {law}{split}".strip()
    return Figure("How does it run down?", board.svg("Coast-down", says), caption)


def envelope_figure(picture: EnvelopePicture, name: str) -> Figure:
    """Envelope spectrum over the turn, with the named lines."""
    board = Board(name, 222.0, top=48.0)
    top_order = float(picture.order[-1])
    x = linear(0.0, top_order, board.x0, board.x1)
    top = max(20.0, 5.0 * float(np.ceil(picture.rise_db.max() / 5.0)))
    y = linear(0.0, top, board.y0, board.y1)
    board.y_axis([(y(v), f"{v:g}") for v in ticks(0.0, top, 4)], "")
    board.text(board.x0 - 5.0, board.y1 - 6.0, "dB", "ts", "end")
    for mark in picture.marks:
        board.line(x(mark.order), board.y1, x(mark.order), board.y0, f"guide {mark.kind}")
    order, rise = _highest(picture.order, picture.rise_db, top_order)
    use = rise > 0.4
    board.stems([x(o) for o in order[use]], [y(r) for r in rise[use]], board.y0, "stem")
    _mark_names(board, picture, x)
    for mark in picture.marks:
        if mark.kind == "series":
            near = np.abs(picture.order - mark.order) < 0.04
            height = float(picture.rise_db[near].max()) if near.any() else 0.0
            board.diamond(x(mark.order), y(height), 3.6, "mark series")
    board.x_axis([(x(o), f"{o:g}") for o in ticks(0.0, top_order, 13)], "times per turn")
    return Figure(
        "What repeats, and does it keep time with the turn?",
        board.svg("Envelope spectrum over the turn", _envelope_words(picture)),
        _envelope_caption(picture),
    )


def _highest(order: np.ndarray, rise: np.ndarray, top: float) -> tuple[np.ndarray, np.ndarray]:
    """Keep the highest line of each of some hundred columns, where it lies."""
    column = (order / top * (WIDTH - 50.0)).astype(int)
    best = np.lexsort((rise, column))
    last = np.append(np.flatnonzero(np.diff(column[best])), column.size - 1)
    keep = best[last]
    return order[keep], rise[keep]


def _mark_names(board: Board, picture: EnvelopePicture, place: Scale) -> None:
    """Write the names in a row a kind, so that they do not run into each other."""
    rows = {"turn": 8.0, "mains": 20.0, "bearing": 32.0, "series": 44.0}
    ends: dict[str, float] = {}
    for mark in picture.marks:
        width = len(mark.name) * _LABEL_UNITS
        middle = min(max(place(mark.order), board.x0 + width / 2 - 8), board.x1 - width / 2)
        if middle - width / 2 < ends.get(mark.kind, 0.0):
            continue
        ends[mark.kind] = middle + width / 2 + 8.0
        board.text(middle, rows[mark.kind] + 3.0, mark.name, f"tm {mark.kind}", "middle")


def _envelope_words(picture: EnvelopePicture) -> str:
    lo, hi = picture.band_hz
    told = [
        f"How the loudness between {lo / 1000:.1f} and {hi / 1000:.1f} kHz swells, over the turn."
    ]
    series = [mark for mark in picture.marks if mark.kind == "series"]
    if series:
        told.append(
            f"Something repeats {series[0].order:.2f} times a turn, beside the turn: "
            "a shaft alone does not do that."
        )
    else:
        told.append("No series of lines stands clearly beside whole turns.")
    return " ".join(told)


def _envelope_caption(picture: EnvelopePicture) -> str:
    lo, hi = picture.band_hz
    rpm = f"{60.0 * picture.shaft_hz:.0f} rpm"
    speed = "" if picture.certain else f" The turn is taken at {rpm}, likely but not certain."
    return (
        f"Of the band {lo / 1000:.1f} to {hi / 1000:.1f} kHz. Lines at whole numbers come once or "
        f"more a turn; lines between them come from something that keeps its own beat.{speed}"
    )


def bands_figure(picture: BandsPicture, name: str) -> Figure:
    """Third octaves before and after."""
    board = Board(name, 226.0)
    levels = [*picture.before_db, *picture.after_db]
    low = 10.0 * float(np.floor(min(levels) / 10.0))
    high = 10.0 * float(np.ceil(max(levels) / 10.0))
    x = logarithmic(picture.centres_hz[0] / 1.15, picture.centres_hz[-1] * 1.15, board.x0, board.x1)
    y = linear(low, max(high, low + 10.0), board.y0, board.y1)
    board.y_axis([(y(v), f"{v:g}") for v in ticks(low, high, 5)], "dB")
    rows = list(
        zip(picture.centres_hz, picture.before_db, picture.after_db, picture.clear, strict=True)
    )
    for centre, before, after, clear in rows:
        board.line(x(centre), y(before), x(centre), y(after), "change" if clear else "same")
    board.path([x(r[0]) for r in rows], [y(r[1]) for r in rows], "line before")
    board.path([x(r[0]) for r in rows], [y(r[2]) for r in rows], "line after")
    board.dots([x(r[0]) for r in rows], [y(r[1]) for r in rows], 2.6, "dot before")
    for centre, _, after, _ in rows:
        board.diamond(x(centre), y(after), 3.4, "dot after")
    board.dots([board.x0 + 42], [8.5], 3.0, "dot before")
    board.text(board.x0 + 48, 12.0, "before", "t")
    board.diamond(board.x0 + 104, 8.5, 3.8, "dot after")
    board.text(board.x0 + 111, 12.0, "after", "t")
    marks = [hz for hz in _HZ_TICKS if picture.centres_hz[0] <= hz <= picture.centres_hz[-1]]
    board.x_axis([(x(hz), hertz(hz)) for hz in marks], "third octave")
    clear_rows = [r for r in rows if r[3]]
    told = (
        "; ".join(
            f"{hertz(round(c))} {abs(a - b):.1f} dB {'louder' if a > b else 'quieter'}"
            for c, b, a, _ in clear_rows
        )
        or f"No third octave changed by more than {picture.clear_db:.1f} dB"
    )
    who = f"{picture.before} before and {picture.after} after"
    says = f"Third-octave levels of the steady run, {who}. {told}."
    caption = (
        f"{picture.against} Upright strokes mark changes of more than {picture.clear_db:.1f} dB."
    )
    return Figure(
        f"What changed from {picture.before} to {picture.after}?",
        board.svg("Third octaves", says),
        caption,
    )
