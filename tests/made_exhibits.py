"""Exhibits made by hand: what pages and pictures are shown in tests. Nothing is a measurement."""

from dataclasses import replace

import numpy as np
from made_analyses import noisy, quiet, unreadable

from quietrun.machine import Machine
from quietrun.report.exhibit import (
    BandsPicture,
    Coast,
    EnvelopePicture,
    Exhibit,
    Line,
    Mark,
    Passage,
    Sound,
    Spectrogram,
    Told,
    Wave,
)

RATE_HZ = 24000


def beep(kind="heard", what="this clip"):
    t = np.arange(RATE_HZ // 2) / RATE_HZ
    return Sound(kind, what, (0.1 * np.sin(2 * np.pi * 440 * t)).astype(np.float32), RATE_HZ)


def wave():
    t = np.linspace(0.0, 10.0, 50)
    return Wave(
        t, -0.2 * np.ones(50), 0.3 * np.ones(50), (("room", 0.0, 1.2), ("steady", 2.1, 6.4))
    )


def spectrogram():
    shade = np.tile(np.arange(200, dtype=np.uint8), (40, 1))
    lines = (
        Line("mains", "hum 100 Hz", np.array([1.2, 6.4]), np.array([100.0, 100.0])),
        Line("speed", "speed", np.array([6.4, 9.0]), np.array([1000.0, 200.0])),
    )
    return Spectrogram(shade, 0.0, 10.0, 60.0, 20000.0, -80.0, -30.0, lines)


def coast():
    t = np.linspace(0.0, 3.0, 40)
    return Coast(t, 1 - t / 3.4, t, 1 - t / 3.4, 3.4, 1.7, (0.5, 0.2, 0.3), 2.0, 1480.0)


def envelope():
    order = np.linspace(0.0, 13.0, 1301)
    rise = np.where(np.abs(order - 3.57) < 0.006, 22.0, 2.0)
    marks = (Mark("turn", "turn", 1.0), Mark("series", "3.57 per turn", 3.57))
    return EnvelopePicture(order, rise, (2700.0, 3800.0), marks, 24.7, False)


def bands():
    return BandsPicture(
        (500.0, 1000.0, 2000.0),
        (-30.0, -32.0, -35.0),
        (-30.5, -25.0, -35.0),
        (False, True, False),
        "before.m4a",
        "after.m4a",
        "Levels are against the machine's own air noise.",
        4.0,
    )


def passage(fault="bearing_noise", short="growl"):
    return Passage(
        fault,
        ("knock_rate",),
        short,
        "Slow uneven swelling, a growl.",
        (2000.0, 4000.0),
        0.0,
        (beep(), beep("slowed", "this clip, 4 times slower"), beep("quiet", "a quiet machine")),
    )


def exhibit(analysis=None, **changes):
    made = Exhibit(
        analysis=analysis or noisy(),
        told=Told("2026-03-02T09:15:00+01:00", "by the recorder's clock", "Rattles when cold."),
        wave=wave(),
        spectrogram=spectrogram(),
        coast=coast(),
        envelope=envelope(),
        whole=beep(what="the whole clip"),
        passages=(passage(),),
        quiet_from="a made-up quiet machine",
    )
    return replace(made, **changes)


def bare(analysis=None):
    return Exhibit(analysis or unreadable(), not_shown=("Nothing could be drawn.",))


def named(name, path="cafe/clip.m4a"):
    """A quiet exhibit of another machine and file."""
    made = quiet()
    return exhibit(
        replace(made, machine=Machine(id=name), source=replace(made.source, path=path)),
        passages=(),
    )
