"""The course of a run. All times are seconds in the *file* (``Clip.start_s`` included)."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class SpeedTrack:
    """Speed against time as a share of the steady speed.

    Attributes
    ----------
    time_s, share, confidence : shape (k,)
        ``share`` is w / w_steady (0..1); ``confidence`` 0..1.
    """

    time_s: Floats
    share: Floats
    confidence: Floats


@dataclass(frozen=True, slots=True)
class SwitchEvent:
    """A click of the centrifugal start switch.

    Attributes
    ----------
    time_s : s
    share : speed at the click over synchronous speed, or None
    rise_db : level of the click over its surroundings
    """

    time_s: float
    share: float | None
    rise_db: float


@dataclass(frozen=True, slots=True)
class CoastDown:
    """Fit of dw/dt = -(a + b w + c w^2) to the falling speed.

    Shares are of the drag torque at running speed and add up to 1. ``spread`` is the standard
    error of the logarithm of ``duration_s``.
    """

    duration_s: float
    coulomb: float | None
    viscous: float | None
    windage: float | None
    half_speed_s: float | None
    confidence: float
    spread: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """What happened in one run. ``None`` means: not found, see ``not_heard``.

    Attributes
    ----------
    mains_hz : measured mains frequency, Hz (given one where it cannot be measured)
    mains_measured : True when measured
    poles : as given, or inferred
    power_on_s, at_speed_s, power_off_s, rest_s : s
    shaft_hz : steady shaft rate, turns per second, None rather than a guess
    shaft_confidence : how far its comb stands over chance combs, in their spread
    shaft_guess_hz : likeliest shaft rate even where none is claimed (evidence only)
    half_rate_z : where two poles were told, how far the lines stand over chance that only a shaft
        of four poles has, in their spread
    other_mains_hz : mains frequency, Hz, where the hum is clearly not that of the mains told
    track : speed share over the coast-down
    up_track : speed share over the run-up
    switch_open, switch_close : SwitchEvent
    coast : CoastDown
    hum_share : share of the steady power that dies at once at switch-off
    rotation_heard : True when tones followed a falling shaft
    started : False when the motor hummed and did not turn
    sag_percent : fall of the speed over the steady run, with the power on
    others : (on, off) of further runs in the clip
    ends_turning : True when the clip ends while the machine, running down, is still heard
    not_heard : sentences on what could not be found
    """

    mains_hz: float | None = None
    mains_measured: bool = False
    poles: int | None = None
    power_on_s: float | None = None
    at_speed_s: float | None = None
    power_off_s: float | None = None
    rest_s: float | None = None
    shaft_hz: float | None = None
    shaft_confidence: float = 0.0
    shaft_guess_hz: float | None = None
    track: SpeedTrack | None = None
    up_track: SpeedTrack | None = None
    switch_open: SwitchEvent | None = None
    switch_close: SwitchEvent | None = None
    coast: CoastDown | None = None
    hum_share: float | None = None
    rotation_heard: bool = False
    started: bool | None = None
    sag_percent: float | None = None
    others: tuple[tuple[float, float], ...] = ()
    ends_turning: bool = False
    half_rate_z: float | None = None
    other_mains_hz: float | None = None
    not_heard: tuple[str, ...] = ()
    phases: dict[str, tuple[float, float]] = field(default_factory=dict)

    @property
    def running_rpm(self) -> float | None:
        """Steady speed, revolutions per minute."""
        return None if self.shaft_hz is None else 60.0 * self.shaft_hz

    @property
    def slip_percent(self) -> float | None:
        """Slip against the synchronous speed, per cent."""
        if self.shaft_hz is None or self.mains_hz is None or self.poles is None:
            return None
        sync_hz = 2.0 * self.mains_hz / self.poles
        return 100.0 * (1.0 - self.shaft_hz / sync_hz)
