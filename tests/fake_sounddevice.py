"""A double of sounddevice whose input plays what it is told, in no time, and fails as told."""

from dataclasses import dataclass, field
from types import SimpleNamespace

import numpy as np


class PortAudioError(Exception):
    """As sounddevice raises it: text and PortAudio's number."""


class Clock:
    """Seconds that pass only when the double says so."""

    def __init__(self):
        self.now_s = 100.0

    def __call__(self):
        return self.now_s


@dataclass
class Fake:
    """The parts of the module sounddevice that are used.

    samples : shape (n,) or (n, channels), what the input hears
    rate_hz : the rate that it says; ``true_rate_hz`` the one at which it delivers
    refuse_rates, refuse_channels : what it does not open with
    open_error, start_error, query_error : (text, number) that is raised
    gone_after_s : the stream ends there; ``stalls`` without saying so
    overflow_at : numbers of blocks before which samples are said to be lost
    interrupt_at : number of the block at which Ctrl-C comes
    """

    samples: np.ndarray = field(default_factory=lambda: np.zeros(48_000, np.float32))
    rate_hz: float = 48_000.0
    true_rate_hz: float | None = None
    devices: tuple = None
    default: int = 0
    refuse_rates: tuple = ()
    refuse_channels: tuple = ()
    open_error: tuple | None = None
    start_error: tuple | None = None
    close_error: tuple | None = None
    query_error: tuple | None = None
    stalls: bool = False
    overflow_at: tuple = ()
    block: int = 1024
    opened: list = field(default_factory=list)
    clock: Clock = field(default_factory=Clock)
    closed: int = 0

    PortAudioError = PortAudioError

    def __post_init__(self):
        if self.devices is None:
            self.devices = (
                {
                    "name": "Speakers",
                    "hostapi": 0,
                    "max_input_channels": 0,
                    "default_samplerate": self.rate_hz,
                },
                {
                    "name": "Desk microphone",
                    "hostapi": 0,
                    "max_input_channels": 2,
                    "default_samplerate": self.rate_hz,
                },
            )
            self.default = 1

    def query_hostapis(self):
        return ({"name": "Sound"},)

    def query_devices(self, kind=None):
        if self.query_error:
            raise PortAudioError(*self.query_error)
        if kind is None:
            return self.devices
        if self.default < 0:
            raise PortAudioError("Error querying device -1")
        return {**self.devices[self.default], "index": self.default}

    def InputStream(self, **options):
        self.opened.append((options["device"], options["channels"], options["samplerate"]))
        if self.open_error:
            raise PortAudioError(*self.open_error)
        if options["channels"] in self.refuse_channels:
            raise PortAudioError("Invalid number of channels", -9998)
        if options["samplerate"] in self.refuse_rates:
            raise PortAudioError("Invalid sample rate", -9997)
        return Stream(self, options)


class Stream:
    def __init__(self, fake, options):
        self.fake, self.options = fake, options
        self.samplerate = options["samplerate"]

    def start(self):
        fake = self.fake
        if fake.start_error:
            raise PortAudioError(*fake.start_error)
        heard = np.atleast_2d(fake.samples.T).T[:, : self.options["channels"]]
        true_rate_hz = fake.true_rate_hz or self.samplerate
        for number, at in enumerate(range(0, len(heard), fake.block)):
            block = heard[at : at + fake.block].astype(np.float32)
            fake.clock.now_s += len(block) / true_rate_hz
            status = SimpleNamespace(input_overflow=number in fake.overflow_at)
            self.options["callback"](block, len(block), None, status)
        if not fake.stalls:
            self.options["finished_callback"]()

    def close(self):
        self.fake.closed += 1
        if self.fake.close_error:
            raise PortAudioError(*self.fake.close_error)
