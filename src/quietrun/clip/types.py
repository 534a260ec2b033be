"""A clip: samples at their own rate, and what is known about the file."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietrun.problems import Problem

Samples = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Source:
    """Where a clip came from; every field is a fact of the file or ``None``.

    Attributes
    ----------
    path : str
        As the user gave it.
    sha256 : str or None
        Of the whole file.
    container, codec : str or None
        Names as the decoder gives them, e.g. ``"mov,mp4"`` and ``"aac"``.
    decoder : str
        ``"av"`` or ``"soundfile"``.
    channels : int
        Channels in the file.
    channel_used : int
        0-based index of the channel that was kept.
    duration_s : float
        Length of the decoded sound of the whole file, s.
    recorded_at : str or None
        ISO 8601 with offset, from the container, where it is there.
    """

    path: str
    sha256: str | None
    container: str | None
    codec: str | None
    decoder: str
    channels: int
    channel_used: int
    duration_s: float
    recorded_at: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Clip:
    """The sound to judge.

    Attributes
    ----------
    samples : shape (n,), float32, FS (1.0 is digital full scale), read-only
        One channel, at its own rate, never resampled.
    rate_hz : float
        From decoded frames.
    start_s : float
        Time in the file of ``samples[0]``; not 0 when only part of a long
        file was kept.
    source : Source
    problems : tuple of Problem
        What reading found: ``cut_file``, a second decoder was needed, ...
    silence_s : (float, float), s
        Digital silence that lay before and behind ``samples`` and is no part of them.
    """

    samples: Samples
    rate_hz: float
    source: Source
    start_s: float = 0.0
    problems: tuple[Problem, ...] = ()
    silence_s: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        if self.samples.ndim != 1 or self.samples.dtype != np.float32:
            raise ValueError(
                f"samples must be float32 of shape (n,), got {self.samples.dtype} "
                f"{self.samples.shape}"
            )
        if not self.rate_hz > 0:
            raise ValueError(f"rate_hz must be positive, got {self.rate_hz!r}")
        self.samples.flags.writeable = False

    @property
    def duration_s(self) -> float:
        """Length of ``samples``, s."""
        return self.samples.size / self.rate_hz
