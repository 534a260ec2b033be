"""All pictures of a clip in one PNG file (matplotlib's object interface, no screen needed)."""

from __future__ import annotations

import io
from os import PathLike
from textwrap import fill, shorten
from typing import Any

import numpy as np

from quietrun import __version__
from quietrun.report.drawings import hertz
from quietrun.report.exhibit import Coast, EnvelopePicture, Exhibit, Spectrogram, Wave
from quietrun.report.files import check_picture_place, write_whole
from quietrun.report.page import file_name
from quietrun.report.text import percent, sentence
from quietrun.words import FAULT_TITLES

#: Colours of Okabe and Ito (2008), the light ones darkened for lines on white.
VERMILION, BLUE, PURPLE, GRAY = "#c24e00", "#0067a3", "#923765", "#4a5a63"
_LINES = {"speed": (VERMILION, "-"), "mains": (BLUE, "--"), "turn": (PURPLE, ":")}
_HZ_TICKS = (100, 200, 500, 1000, 2000, 5000, 10000, 20000)


def write_picture(path: str | PathLike[str], exhibit: Exhibit) -> None:
    """Draw a clip into a PNG file.

    Raises
    ------
    UsageError
        It cannot be written, or something else has that name.
    """
    place = check_picture_place(path)
    write_whole(place, picture_png(exhibit))


def picture_png(exhibit: Exhibit) -> bytes:
    """Draw a clip: answer, waveform, spectrogram, coast-down, envelope, faults."""
    from matplotlib.figure import Figure

    verdict = exhibit.analysis.verdict
    lower = exhibit.coast is not None or exhibit.envelope is not None
    upper = exhibit.wave is not None or exhibit.spectrogram is not None
    heights = [1.0, 1.3] * upper + [1.3] * lower
    figure = Figure(figsize=(12.0, 0.9 + 2.42 * sum(heights or [0.6])), layout="constrained")
    name = exhibit.analysis.machine.id or file_name(exhibit.analysis.source.path)
    told = shorten(f"{name}: {verdict.word.upper()}. {sentence(verdict)}", 330)
    figure.suptitle(_plain(fill(told, 110)), fontsize=13)
    if heights:
        grid = figure.add_gridspec(len(heights), 2, height_ratios=heights)
    if upper:
        tones = "Which tones, and which follow the speed?" if lower else "Which tones were there?"
        _draw(figure.add_subplot(grid[0, :]), exhibit.wave, _wave, "What happened, and when?")
        _draw(figure.add_subplot(grid[1, :]), exhibit.spectrogram, _spectrogram, tones)
    if lower:
        left, right = (figure.add_subplot(grid[len(heights) - 1, i]) for i in (0, 1))
        repeats = "What repeats, and does it keep time with the turn?"
        _draw(left, exhibit.coast, _coast, "How does it run down?")
        _draw(right, exhibit.envelope, _envelope, repeats)
    figure.supxlabel(_plain(_foot(exhibit)), fontsize=9)
    out = io.BytesIO()
    figure.savefig(
        out,
        dpi=120,
        format="png",
        metadata={"Software": f"quietrun {__version__}"},
    )
    return out.getvalue()


def _foot(exhibit: Exhibit) -> str:
    """Say what could not be drawn; then how likely each fault is, or what to do instead."""
    verdict = exhibit.analysis.verdict
    told = "   ".join(
        f"{FAULT_TITLES[s.fault]} {percent(s.probability)} (limit {100 * s.limit:.0f} %)"
        for s in verdict.faults
        if s.probability is not None
    )
    do = " ".join(verdict.look_first) if verdict.word == "unusable" else ""
    return "\n".join(fill(line, 150) for line in (*exhibit.not_shown, do, told) if line)


def _plain(text: str) -> str:
    """Text that the drawing library does not take for mathematics."""
    return text.replace("\\", "\\\\").replace("$", r"\$")


def _draw(axis: Any, value: Any, how: Any, question: str) -> None:
    axis.set_title(question, fontsize=10, loc="left")
    axis.tick_params(labelsize=8)
    if value is None:
        axis.set_axis_off()
        axis.text(0.5, 0.5, "not measurable in this clip", ha="center", transform=axis.transAxes)
        return
    how(axis, value)


def _wave(axis: Any, wave: Wave) -> None:
    axis.fill_between(wave.time_s, wave.low, wave.high, color=GRAY, lw=0)
    peak = max(float(np.abs(wave.low).max()), float(np.abs(wave.high).max()), 1e-6)
    for i, (phase, a, b) in enumerate(wave.phases):
        axis.axvspan(a, b, color="#000000", alpha=0.03 + 0.05 * (i % 2), lw=0)
        axis.text((a + b) / 2, 1.06 * peak, phase.replace("_", "-"), ha="center", fontsize=8)
    axis.set_ylim(-1.05 * peak, 1.25 * peak)
    if wave.time_s.size > 1:
        axis.set_xlim(wave.time_s[0], wave.time_s[-1])
    axis.set_yticks([])
    axis.set_xlabel("seconds", fontsize=8)


def _spectrogram(axis: Any, picture: Spectrogram) -> None:
    rows, columns = picture.shade.shape
    axis.pcolormesh(
        np.linspace(picture.start_s, picture.end_s, columns + 1),
        np.geomspace(picture.low_hz, picture.high_hz, rows + 1),
        picture.shade[::-1],
        cmap="gray_r",
        rasterized=True,
    )
    axis.set_yscale("log")
    axis.minorticks_off()
    marks = [hz for hz in _HZ_TICKS if picture.low_hz <= hz <= picture.high_hz]
    axis.set_yticks(marks, [hertz(hz) for hz in marks])
    for line in picture.lines:
        colour, style = _LINES[line.kind]
        axis.plot(line.time_s, line.hz, style, color="white", lw=3.5, alpha=0.7)
        axis.plot(line.time_s, line.hz, style, color=colour, lw=1.6, label=line.name)
    if picture.lines:
        axis.legend(fontsize=8, loc="upper right")
    axis.set_ylim(picture.low_hz, picture.high_hz)
    axis.set_xlabel("seconds", fontsize=8)


def _coast(axis: Any, coast: Coast) -> None:
    axis.plot(coast.time_s, 100 * coast.share, ".", color=BLUE, label="followed")
    if coast.fit_time_s is not None and coast.fit_share is not None:
        axis.plot(coast.fit_time_s, 100 * coast.fit_share, color=VERMILION, label="fitted law")
    axis.legend(fontsize=8)
    axis.grid(alpha=0.25, lw=0.5)
    axis.set_xlabel(f"seconds from switch-off (rest after {coast.duration_s:.2f} s)", fontsize=8)
    axis.set_ylabel("speed, %", fontsize=8)


def _envelope(axis: Any, picture: EnvelopePicture) -> None:
    axis.vlines(picture.order, 0.0, picture.rise_db, color=GRAY, lw=0.7)
    colours = {"turn": GRAY, "mains": BLUE, "bearing": PURPLE, "series": VERMILION}
    top = float(picture.rise_db.max())
    rows = {"turn": 1.02, "mains": 1.09, "bearing": 1.16, "series": 1.23}
    for mark in picture.marks:
        axis.axvline(mark.order, color=colours[mark.kind], ls=":", lw=1.0)
        axis.text(
            mark.order,
            rows[mark.kind] * top,
            _plain(mark.name),
            fontsize=7,
            ha="center",
            clip_on=True,
            color=colours[mark.kind],
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
        )
    axis.set_ylim(0.0, 1.3 * max(top, 1.0))
    axis.set_xlim(0.0, float(picture.order[-1]))
    lo, hi = picture.band_hz
    sure = "" if picture.certain else ", speed likely but not certain"
    axis.set_xlabel(
        f"times per turn (band {lo / 1000:.1f} to {hi / 1000:.1f} kHz{sure})", fontsize=8
    )
    axis.set_ylabel("dB over the noise", fontsize=8)
