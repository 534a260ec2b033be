"""What a report draws and plays, measured beforehand: values only.

``exhibits/`` makes them from a clip and its analysis; page and picture set them. Arrays are
ready to be drawn: no report takes a transform or fits a line.

Conventions
-----------
Times are seconds in the file unless a name says otherwise. A picture that cannot be had is
``None``, and ``Exhibit.not_shown`` says why.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from quietrun.pipeline import Analysis

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Wave:
    """The waveform as lowest and highest sample of each column.

    Attributes
    ----------
    time_s : shape (k,), middle of each column
    low, high : shape (k,), FS
    phases : (name, from, to) of each phase of the run, in the order of time
    """

    time_s: Floats
    low: Floats
    high: Floats
    phases: tuple[tuple[str, float, float], ...]


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """A named line in the spectrogram.

    Attributes
    ----------
    kind : ``"mains"``, ``"turn"`` or ``"speed"``
    name : str
    time_s, hz : shape (k,)
    """

    kind: str
    name: str
    time_s: Floats
    hz: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Spectrogram:
    """Level over time and a logarithmic frequency axis.

    Attributes
    ----------
    shade : shape (rows, columns), uint8
        0 at ``floor_db`` or below, 255 at ``top_db`` or above; row 0 is the highest band.
    start_s, end_s, low_hz, high_hz : edges of the picture
    floor_db, top_db : dB re full scale in a third octave
    lines : tuple of Line
    """

    shade: NDArray[np.uint8]
    start_s: float
    end_s: float
    low_hz: float
    high_hz: float
    floor_db: float
    top_db: float
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Coast:
    """The coast-down: what was followed, and the law fitted to it.

    Attributes
    ----------
    time_s, share : shape (k,)
        Speed over steady speed, as followed; seconds from switch-off.
    fit_time_s, fit_share : shape (m,) or None
        dw/dt = -(a + b w + c w^2) with the shares of the fit.
    duration_s, half_speed_s : s from switch-off
    drag : (coulomb, viscous, windage) or None
    closed_s : s from switch-off to the click of the start switch, or None
    rpm : steady speed, or None
    """

    time_s: Floats
    share: Floats
    fit_time_s: Floats | None
    fit_share: Floats | None
    duration_s: float
    half_speed_s: float | None
    drag: tuple[float, float, float] | None
    closed_s: float | None
    rpm: float | None


@dataclass(frozen=True, slots=True)
class Mark:
    """A named place in the envelope spectrum.

    Attributes
    ----------
    kind : ``"turn"``, ``"mains"``, ``"bearing"`` or ``"series"``
    name : str
    order : multiples of the turn
    """

    kind: str
    name: str
    order: float


@dataclass(frozen=True, slots=True, eq=False)
class EnvelopePicture:
    """How the loudness of a band swells, against the turn.

    Attributes
    ----------
    order : shape (k,), multiples of the shaft rate
    rise_db : shape (k,), over the local noise
    band_hz : the band listened to
    marks : tuple of Mark
    shaft_hz : turns per second the orders are of
    certain : False where the speed is only the likeliest one
    """

    order: Floats
    rise_db: Floats
    band_hz: tuple[float, float]
    marks: tuple[Mark, ...]
    shaft_hz: float
    certain: bool


@dataclass(frozen=True, slots=True)
class BandsPicture:
    """Third octaves of the steady run before and after, where both could be measured.

    Attributes
    ----------
    centres_hz, before_db, after_db : of equal length
    clear : True where the change is larger than two quiet runs differ
    before, after : names of the clips
    against : what the levels are compared against
    clear_db : size from which a change is clear
    """

    centres_hz: tuple[float, ...]
    before_db: tuple[float, ...]
    after_db: tuple[float, ...]
    clear: tuple[bool, ...]
    before: str
    after: str
    against: str
    clear_db: float


@dataclass(frozen=True, slots=True, eq=False)
class Sound:
    """A few seconds to listen to.

    Attributes
    ----------
    kind : ``"heard"``, ``"slowed"``, ``"quiet"`` or ``"quiet_slowed"``
    what : plain words
    samples : shape (n,), float32, FS
    rate_hz : whole number
    """

    kind: str
    what: str
    samples: NDArray[np.float32]
    rate_hz: int


@dataclass(frozen=True, slots=True, eq=False)
class Passage:
    """One stretch and band of a clip that gave reasons, and the same of a quiet machine.

    Attributes
    ----------
    fault : the fault or, where that has no word in ``words.FAULTS``, the finding
    features : names of the features that were measured there, the weightiest first
    short : words for a file name
    says : what to listen for
    band_hz : (lo, hi) in the clip, before any shift
    shift_hz : how far the sound was brought down, 0 where not
    sounds : tuple of Sound
    """

    fault: str
    features: tuple[str, ...]
    short: str
    says: str
    band_hz: tuple[float, float]
    shift_hz: float
    sounds: tuple[Sound, ...]


@dataclass(frozen=True, slots=True)
class Told:
    """What a person or the logbook told about a clip.

    Attributes
    ----------
    when : local day (and time with zone where it is known), or None
    when_source : where that comes from, in words
    note : str
    limits : whose limits judged, in words
    """

    when: str | None = None
    when_source: str = ""
    note: str = ""
    limits: str = "of the general model"


@dataclass(frozen=True, slots=True, eq=False)
class Exhibit:
    """One clip, ready for a page.

    Attributes
    ----------
    analysis : Analysis
    told : Told
    wave, spectrogram, coast, envelope : or None
    whole : the clip itself to listen to, or None
    passages : what the reasons sound like
    quiet_from : where the quiet sounds beside them come from; empty where there are none
    not_shown : sentences on what could not be drawn or played
    """

    analysis: Analysis
    told: Told = field(default_factory=Told)
    wave: Wave | None = None
    spectrogram: Spectrogram | None = None
    coast: Coast | None = None
    envelope: EnvelopePicture | None = None
    whole: Sound | None = None
    passages: tuple[Passage, ...] = ()
    quiet_from: str = ""
    not_shown: tuple[str, ...] = ()
