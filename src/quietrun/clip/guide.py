"""What to do next in a guided recording: levels of the sound in, steps out. No device, no screen.

Conventions
-----------
Levels are those of the sample-to-sample difference, dB re full scale: the rumble of a
building hardly counts in it, a machine does. They arrive one each ``FRAME_S``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

FRAME_S = 0.05

#: A machine stands at least this far over the room; the same rise as reading long files uses.
_RISE_DB = 6.0
#: Switching off takes the electrical sound away at once and more as it slows down.
_FALL_DB = 4.0
#: Back at the room, with some way for a room that is not steady.
_BACK_DB = 3.0
_HOLD_FRAMES = 6  # 0.3 s: a door or a word is shorter
_QUIET_FRAMES = 20  # 1 s
_FLOOR_DB = -120.0

#: Longest wait for a hand, s; what was recorded until then is kept all the same.
WAIT_S = 20.0
#: Longest run-down that is waited for, s (a free motor takes up to some 12 s).
RUN_DOWN_S = 20.0


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do.

    Attributes
    ----------
    name : str
    says : str
        To the person at the machine.
    until : str
        ``"time"`` (``seconds`` are over), ``"rise"``, ``"fall"`` or ``"room"`` (the level is
        back at the room's); the latter three end after ``seconds`` at the latest.
    seconds : float, s
    """

    name: str
    says: str
    until: str
    seconds: float


_ROOM = Step("room", "Hands off, no talk: the quiet room.", "time", 2.0)
_ON = Step("on", "Switch ON now.", "rise", WAIT_S)
_OFF = Step("off", "Switch OFF now.", "fall", WAIT_S)
_DOWN = Step("run_down", "Let it run down to rest. Touch nothing.", "room", RUN_DOWN_S)

#: Steps for each stage of assembly. The run is a run-up of about a second and four steady ones.
STEPS = MappingProxyType(
    {
        "hand_spin": (
            _ROOM,
            Step("spin", "Spin the shaft by hand, once, and let go.", "rise", WAIT_S),
            Step("run_down", "Let it run out. Touch nothing.", "room", RUN_DOWN_S),
        ),
        "motor_only": (_ROOM, _ON, Step("steady", "Let it run.", "time", 5.0), _OFF, _DOWN),
        "assembled": (_ROOM, _ON, Step("steady", "Let it run, empty.", "time", 5.0), _OFF, _DOWN),
        "burr_setting": (
            _ROOM,
            _ON,
            Step("steady", "Bring the burrs together until they touch, back off.", "time", 15.0),
            _OFF,
            _DOWN,
        ),
    }
)


def fixed(seconds: float) -> tuple[Step, ...]:
    """One step of a fixed length, for a person who needs no guidance."""
    return (Step("fixed", f"Recording for {seconds:g} s.", "time", seconds),)


@dataclass(slots=True)
class Guide:
    """Where a recording stands; ``hear`` moves it on.

    Attributes
    ----------
    steps : tuple of Step
    at : int
        Index of the step under way; ``len(steps)`` when all is done.
    missed : tuple of str
        Names of steps whose sound did not come in time. Without a beginning there is no more
        to wait for.
    """

    steps: tuple[Step, ...]
    at: int = 0
    missed: tuple[str, ...] = ()
    _levels: list[float] = field(default_factory=list)
    _begun: int = 0
    _room_db: float = _FLOOR_DB

    @property
    def done(self) -> bool:
        """True when nothing is left to do."""
        return self.at >= len(self.steps)

    @property
    def step(self) -> Step:
        """The step under way, the last one when all is done."""
        return self.steps[min(self.at, len(self.steps) - 1)]

    @property
    def left_s(self) -> float:
        """Time until the step ends at the latest, s."""
        return max(0.0, self.step.seconds - FRAME_S * (len(self._levels) - self._begun))

    def hear(self, level_db: float) -> bool:
        """Take the level of the next ``FRAME_S``; True when a new step begins, or all is done."""
        if self.done:
            return False
        self._levels.append(max(_FLOOR_DB, level_db))
        came = self._came()
        if not came and self.left_s > 0:
            return False
        if not came and self.step.until != "time":
            self.missed = (*self.missed, self.step.name)
        if self.step.name == "room":
            self._room_db = self._middle(self._begun + _HOLD_FRAMES)  # a key or a click comes first
        never_began = not came and self.step.until == "rise"
        self.at = len(self.steps) if never_began else self.at + 1
        self._begun = len(self._levels)
        return True

    def _came(self) -> bool:
        """Tell whether the sound that ends this step is there."""
        heard = self._levels[self._begun :]
        if self.step.until == "rise":
            return _held(heard, _HOLD_FRAMES, low=self._room_db + _RISE_DB)
        if self.step.until == "fall":
            before_db = self._middle(self._begun - _QUIET_FRAMES * 2, self._begun)
            return _held(heard, _HOLD_FRAMES, high=before_db - _FALL_DB)
        if self.step.until == "room":
            return _held(heard, _QUIET_FRAMES, high=self._room_db + _BACK_DB)
        return False

    def _middle(self, start: int, stop: int | None = None) -> float:
        heard = self._levels[max(0, start) : stop]
        return float(np.median(heard)) if heard else _FLOOR_DB


def _held(heard: list[float], count: int, *, low: float = -np.inf, high: float = np.inf) -> bool:
    """Tell whether the last ``count`` levels all lie between the two."""
    return len(heard) >= count and all(low <= one <= high for one in heard[-count:])


def difference_db(block: NDArray[np.float32]) -> float:
    """Level of the sample-to-sample difference of the louder channel, dB re full scale.

    Parameters
    ----------
    block : shape (n, channels), FS
    """
    if len(block) < 2:
        return _FLOOR_DB
    step = np.diff(np.nan_to_num(block, nan=0.0, posinf=0.0, neginf=0.0), axis=0)
    with np.errstate(over="ignore"):
        power = float(np.max(np.mean(np.square(step, dtype=np.float64), axis=0)))
    return float(10.0 * np.log10(power + 1e-20))


def peak_db(block: NDArray[np.float32]) -> float:
    """Peak of all channels, dB re full scale; what is no number counts as nothing."""
    peak = float(np.max(np.abs(np.nan_to_num(block, nan=0.0)), initial=0.0))
    return float(20.0 * np.log10(min(peak, 1e6) + 1e-6))
