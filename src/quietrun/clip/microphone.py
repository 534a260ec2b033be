"""Microphone -> Take: what a live input delivered, and what went wrong on the way.

sounddevice (PortAudio) is loaded by ``load_backend`` and nowhere else; the rest takes it as an
argument, so that each failure of a device can be played by a double. Codes of PortAudio errors
are those of its header ``portaudio.h`` (from memory, as sounddevice passes them on).
"""

from __future__ import annotations

import queue
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from quietrun.clip.guide import FRAME_S
from quietrun.errors import QuietrunError, UsageError

#: Without a block for so long the device is gone, s.
STALL_S = 3.0
#: Nobody records an empty run for longer, s.
LONGEST_S = 120.0
#: Tried in turn where the device's own rate is refused, Hz.
OTHER_RATES_HZ = (48_000.0, 44_100.0, 32_000.0, 16_000.0)

_BAD_RATE, _BAD_CHANNELS, _BUSY, _BAD_DEVICE, _HOST = -9997, -9998, -9985, -9996, -9999

Blocks = NDArray[np.float32]


class NoRecording(QuietrunError):
    """The device gave no sound at all."""


@dataclass(frozen=True, slots=True)
class Input:
    """A device that can record.

    Attributes
    ----------
    index : int
        Its number in PortAudio.
    name, api : str
    channels : int
    rate_hz : float
        Its own rate.
    default : bool
        True for the one that is taken if nothing is said.
    """

    index: int
    name: str
    api: str
    channels: int
    rate_hz: float
    default: bool


@dataclass(frozen=True, slots=True, eq=False)
class Take:
    """What was recorded.

    Attributes
    ----------
    samples : shape (n, channels), float32, FS, as delivered
    rate_hz : float
        As the open stream says.
    device : Input
    begun : datetime with the computer's zone
        When the first sample came.
    overflows : int
        Blocks before which the system says that it lost samples.
    elapsed_s : float
        Time by the computer's clock in which the samples came, s.
    ended : str
        ``"done"``, ``"stopped"`` (by hand), ``"gone"`` (the device ceased to deliver) or
        ``"longest"``.
    """

    samples: Blocks
    rate_hz: float
    device: Input
    begun: datetime
    overflows: int
    elapsed_s: float
    ended: str


def load_backend() -> Any:
    """Import sounddevice.

    Raises
    ------
    UsageError
        It, or PortAudio, is not installed.
    """
    try:
        import sounddevice
    except ImportError:
        raise UsageError(
            "Recording needs the library sounddevice, which is not installed.",
            "Everything else works without it; it is the extra 'record'.",
            "Install it: pip install 'quietrun[record]'. Or record with a phone.",
        ) from None
    except OSError as error:
        raise UsageError(
            f"The library PortAudio, which reads the microphone, is not there: {error}.",
            "sounddevice brings it along on Windows and macOS; elsewhere the system must have it.",
            "Install it (Debian and Ubuntu: sudo apt install libportaudio2). "
            "Or record with a phone.",
        ) from None
    return sounddevice


def inputs(backend: Any) -> tuple[Input, ...]:
    """List the devices that can record.

    Raises
    ------
    NoRecording
        The system's sound service does not answer.
    """
    try:
        devices, apis = backend.query_devices(), backend.query_hostapis()
        default = _default_index(backend)
    except backend.PortAudioError as error:
        raise _refused(error, "the sound system") from error
    return tuple(
        Input(
            index=number,
            name=" ".join(str(device["name"]).split()),
            api=str(apis[device["hostapi"]]["name"]),
            channels=int(device["max_input_channels"]),
            rate_hz=float(device["default_samplerate"]),
            default=number == default,
        )
        for number, device in enumerate(devices)
        if device["max_input_channels"] > 0
    )


def _default_index(backend: Any) -> int:
    """Number of the default input, -1 where there is none."""
    try:
        return int(backend.query_devices(kind="input")["index"])
    except (backend.PortAudioError, ValueError, KeyError):
        return -1


def choose(devices: Sequence[Input], wanted: str | None = None) -> Input:
    """Take the input of a number, or of a name or part of one; else the default, else the first.

    Raises
    ------
    NoRecording
        There is no input at all.
    UsageError
        None fits, or more than one.
    """
    if not devices:
        raise NoRecording(
            "This computer has no microphone that can be used.",
            "No input device is listed by the system.",
            "Plug one in or switch it on, then: quietrun record --devices. Or record with a phone.",
        )
    if wanted is None:
        return next((device for device in devices if device.default), devices[0])
    if wanted.isdecimal():
        fitting = [device for device in devices if device.index == int(wanted)]
    else:
        fitting = [device for device in devices if wanted.lower() in device.name.lower()]
        exact = [device for device in fitting if wanted.lower() == device.name.lower()]
        fitting = exact[:1] or fitting
    if len(fitting) == 1:
        return fitting[0]
    raise UsageError(
        f"{'More than one' if fitting else 'No'} input is called {wanted!r}.",
        "It has to be clear which microphone listens to the machine.",
        "Take a number from: quietrun record --devices",
    )


@dataclass(slots=True)
class _Tap:
    """Takes blocks from the sound system's own thread."""

    clock: Callable[[], float]
    blocks: queue.SimpleQueue[tuple[float, Blocks]] = field(default_factory=queue.SimpleQueue)
    overflows: int = 0
    ended: bool = False

    def take(self, block: Any, frames: int, times: Any, status: Any) -> None:
        """Copy one block; called by PortAudio, whose memory is used again."""
        if getattr(status, "input_overflow", False):
            self.overflows += 1
        self.blocks.put((self.clock(), np.array(block, dtype=np.float32)))

    def finish(self) -> None:
        """Note that the stream has ended; called by PortAudio."""
        self.ended = True


class Microphone:
    """An input on its way to a ``Take``: open it, iterate over its frames, then ``take``.

    Parameters
    ----------
    backend : the module sounddevice, or a double of it
    device : Input
    clock : seconds, monotonic
    """

    def __init__(
        self, backend: Any, device: Input, *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._backend, self._device = backend, device
        self._tap = _Tap(clock)
        self._kept: list[Blocks] = []
        self._ended = "stopped"
        self._first_s = self._last_s = 0.0
        self._first_frames = 0
        self._begun = datetime.now(UTC).astimezone()
        self._stream = self._open()
        self.rate_hz = float(self._stream.samplerate)

    def _open(self) -> Any:
        """Open at the device's own rate, one channel; else what it takes.

        Raises
        ------
        NoRecording
            It cannot be opened.
        """
        device, error = self._device, None
        rates = dict.fromkeys((device.rate_hz, *OTHER_RATES_HZ))
        for channels in dict.fromkeys((1, min(2, device.channels), device.channels)):
            for rate_hz in rates:
                try:
                    return self._backend.InputStream(
                        device=device.index,
                        channels=channels,
                        samplerate=rate_hz,
                        dtype="float32",
                        latency="high",
                        callback=self._tap.take,
                        finished_callback=self._tap.finish,
                    )
                except self._backend.PortAudioError as refusal:
                    error = refusal
                    if _code(refusal) != _BAD_RATE:
                        break
            if error is not None and _code(error) not in (_BAD_RATE, _BAD_CHANNELS):
                break
        assert error is not None
        raise _refused(error, repr(device.name)) from error

    def frames(self) -> Iterator[Blocks]:
        """Start, and yield each ``FRAME_S`` of sound, shape (n, channels), until it ends.

        Raises
        ------
        NoRecording
            The device does not start, or never delivers anything.
        """
        length, rest = max(1, round(self.rate_hz * FRAME_S)), None
        try:
            self._stream.start()
        except self._backend.PortAudioError as error:
            raise _refused(error, repr(self._device.name)) from error
        for block in self._blocks():
            joined = block if rest is None else np.concatenate([rest, block])
            whole = len(joined) - len(joined) % length
            for start in range(0, whole, length):
                yield joined[start : start + length]
            rest = joined[whole:]
        if not self._kept:
            raise NoRecording(
                f"The input {self._device.name!r} delivers nothing.",
                f"It was opened, but within {STALL_S:g} s not one sample came.",
                "Unplug it and plug it in again, or take another: quietrun record --devices",
            )

    def _blocks(self) -> Iterator[Blocks]:
        waited_s, frames = 0.0, 0
        while frames < LONGEST_S * self.rate_hz:
            try:
                # Short waits: on Windows a waiting queue does not let Ctrl-C through.
                at_s, block = self._tap.blocks.get(timeout=0.2)
            except queue.Empty:
                waited_s += 0.2
                if self._tap.ended or waited_s >= STALL_S:
                    self._ended = "gone"
                    return
                continue
            waited_s = 0.0
            if not self._kept:
                self._first_s, self._first_frames = at_s, len(block)
                lasted = timedelta(seconds=len(block) / self.rate_hz)
                self._begun = datetime.now(UTC).astimezone() - lasted
            self._last_s = at_s
            self._kept.append(block)
            frames += len(block)
            yield block
        self._ended = "longest"

    def done(self) -> None:
        """Note that all was recorded that was wanted."""
        self._ended = "done"

    def take(self) -> Take:
        """Stop, and give what was recorded; also after an interrupt."""
        self.close()
        samples = np.concatenate(self._kept) if self._kept else np.zeros((0, 1), np.float32)
        return Take(
            samples=samples,
            rate_hz=self.rate_hz,
            device=self._device,
            begun=self._begun,
            overflows=self._tap.overflows,
            elapsed_s=self._last_s - self._first_s + self._first_frames / self.rate_hz,
            ended=self._ended,
        )

    def close(self) -> None:
        """Let go of the device; one that is gone may object."""
        try:
            self._stream.close()
        except self._backend.PortAudioError:
            return


def _code(error: Exception) -> int:
    """PortAudio's number for an error, 0 where there is none."""
    numbers = [one for one in error.args[1:2] if isinstance(one, int)]
    return numbers[0] if numbers else 0


def _refused(error: Exception, name: str) -> NoRecording:
    """Name what a PortAudio error means to the user."""
    text = str(error.args[0]) if error.args else type(error).__name__
    why, do = {
        _BUSY: (
            "Another program has it, perhaps for itself alone (exclusive mode).",
            "Close the programs that use the microphone (calls, browsers), then try again.",
        ),
        _BAD_RATE: (
            "It takes none of the usual sample rates.",
            "Set it to 48000 Hz in the system's sound settings, or take another input.",
        ),
        _BAD_CHANNELS: (
            "It takes neither one channel nor two.",
            "Take another input: quietrun record --devices",
        ),
        _BAD_DEVICE: (
            "It is no longer there.",
            "Plug it in again, then: quietrun record --devices",
        ),
    }.get(
        _code(error),
        ("The system's sound service refuses it.", permission_hint()),
    )
    return NoRecording(f"The microphone cannot be opened ({name}): {text}.", why, do)


def permission_hint(platform: str = sys.platform) -> str:
    """Say where this system keeps its leave to listen."""
    if platform == "darwin":
        return (
            "Open System Settings, Privacy & Security, Microphone, and switch on the terminal "
            "program that you type this in; close and open it again."
        )
    if platform == "win32":
        return (
            "Open Settings, Privacy & security, Microphone, and switch on both 'Microphone "
            "access' and 'Let desktop apps access your microphone'."
        )
    return (
        "Look at the system's sound settings: the right input chosen, not muted, level up; "
        "a program in a container or sandbox needs leave to use the microphone."
    )
