"""File -> Clip."""

from __future__ import annotations

import hashlib
import os
import stat
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import BinaryIO

import numpy as np

from quietrun.clip import refusals
from quietrun.clip.decoders import DECODERS, Block, Decoder, Facts, NotDecodable
from quietrun.clip.headers import read_promise
from quietrun.clip.kinds import HEAD_BYTES, Kind, sniff
from quietrun.clip.survey import (
    BEFORE_S,
    FULL_RATE_HZ,
    LEVEL_S,
    Survey,
    clean,
    first_run,
)
from quietrun.clip.types import Clip, Source
from quietrun.errors import UnreadableClip
from quietrun.problems import Problem

#: Decoding that takes longer than this is given up (an hour of m4a takes about 3 s).
GIVE_UP_S = 180.0
#: Sound beyond this is not looked at: nobody looks for a grinder in a day of sound.
LONGEST_S = 12 * 3600.0
#: Less than this missing is a container's rounding, not a cut (AAC pads by up to 0.05 s).
_MISSING_S = 0.1


def read_clip(path: str | os.PathLike[str], *, keep_s: float = 60.0) -> Clip:
    """Read a recording, whatever its suffix says.

    The content decides the decoder. Rate, length and channels come from the
    decoded samples. One channel is kept (the louder, unless it is clipped),
    at its own rate. Of a file longer than ``keep_s`` the part around the first
    run is kept: up to ``keep_s`` from 3 s before it, ``Clip.start_s`` says
    where that is. At rates over 48 kHz ``keep_s`` shrinks so that memory stays
    the same.

    Parameters
    ----------
    path : str or PathLike
    keep_s : float, s

    Returns
    -------
    Clip

    Raises
    ------
    UnreadableClip
        Nothing can be judged; ``code`` says why (the user's to mend).
    ValueError
        ``keep_s`` is not positive (the caller's bug).
    """
    if not keep_s > 0:
        raise ValueError(f"keep_s must be positive, got {keep_s!r}")
    name = os.fsdecode(path)
    try:
        with _open(name) as file:
            sha256 = _hash(file)
            return _Reading(name, file, sha256, keep_s).clip()
    except OSError as error:
        raise refusals.from_os_error(error, name) from error


def sniff_file(path: str | os.PathLike[str]) -> Kind:
    """Say what a file is by its content; raises ``UnreadableClip`` where it cannot be opened."""
    name = os.fsdecode(path)
    try:
        with _open(name) as file:
            return sniff(file.read(HEAD_BYTES))
    except OSError as error:
        raise refusals.from_os_error(error, name) from error


@contextmanager
def _open(name: str) -> Iterator[BinaryIO]:
    """Open an ordinary file; pipes, devices and folders are refused without touching them."""
    try:
        mode = os.stat(name).st_mode
    except ValueError as error:  # a zero byte in the name
        raise refusals.not_a_file("No file can have this name.") from error
    if stat.S_ISDIR(mode):
        raise refusals.not_a_file("This is a folder, not a recording.")
    if not stat.S_ISREG(mode):
        raise refusals.not_a_file("This is a pipe or a device, not a recording.")
    base = Path(name).name
    if base.startswith(".") and base.endswith(".icloud"):
        raise refusals.in_the_cloud()
    with open(name, "rb") as file:
        yield file


def _hash(file: BinaryIO) -> str:
    digest = hashlib.sha256()
    while data := file.read(1 << 18):
        digest.update(data)
    return digest.hexdigest()


class _Reading:
    """One file on its way to a ``Clip``."""

    def __init__(self, name: str, file: BinaryIO, sha256: str, keep_s: float) -> None:
        self.name, self.file, self.sha256, self.keep_s = name, file, sha256, keep_s
        if os.fstat(file.fileno()).st_size == 0:
            raise refusals.empty_file()
        file.seek(0)
        head = file.read(HEAD_BYTES)
        self.kind = sniff(head)
        if not self.kind.may_hold_sound:
            raise refusals.not_a_recording(self.kind.title)
        self.promise = read_promise(file, self.kind)
        self.deadline_s = time.monotonic() + GIVE_UP_S

    def clip(self) -> Clip:
        """Survey with one decoder or both, then keep what is wanted."""
        facts, survey, second = self._best()
        if survey.frames == 0:
            raise self._refusal(facts)
        if survey.bad_samples > survey.frames * max(1, facts.channels) // 2:
            raise refusals.not_numbers()
        channel = survey.channel()
        start, samples = self._keep(facts, survey, channel)
        duration_s = survey.frames / facts.rate_hz
        samples.flags.writeable = False
        return Clip(
            samples=samples,
            rate_hz=float(facts.rate_hz),
            start_s=start / facts.rate_hz,
            source=Source(
                path=self.name,
                sha256=self.sha256,
                container=facts.container,
                codec=facts.codec,
                decoder=facts.decoder,
                channels=facts.channels,
                channel_used=channel,
                duration_s=duration_s,
                recorded_at=recorded_at(facts, duration_s),
            ),
            problems=tuple(self._problems(facts, survey, second)),
        )

    def _best(self) -> tuple[Facts, Survey, bool]:
        """Take the more complete of two decoders' answers; the second only where needed."""
        names = [self.kind.decoder] + [one for one in DECODERS if one != self.kind.decoder]
        facts, survey = self._try(names[0])
        if self._complete(facts, survey) or not self._may_help(facts):
            return facts, survey, False
        other, more = self._try(names[1])
        longer = more.frames * max(1, facts.rate_hz) > survey.frames * max(1, other.rate_hz)
        says_more = survey.frames == 0 and other.error in ("no_sound_track", "unknown_codec")
        if longer or says_more:
            return other, more, True
        return facts, survey, False

    def _try(self, name: str) -> tuple[Facts, Survey]:
        try:
            return self._survey(name)
        except NotDecodable as error:
            return Facts(name, "", "", error=error.reason, tried=[error.detail]), Survey()

    def _complete(self, facts: Facts, survey: Survey) -> bool:
        if survey.frames == 0 or facts.error or facts.bad_packets:
            return False
        return self._missing_s(facts, survey) == 0.0

    def _may_help(self, facts: Facts) -> bool:
        """Would libsndfile read what PyAV could not? Only for what both know.

        Not for MP3: its decoder of it writes warnings to standard error by itself.
        """
        return facts.decoder == "soundfile" or self.kind.name in ("", "ogg", "caf")

    def _survey(self, name: str) -> tuple[Facts, Survey]:
        with closing(DECODERS[name](self.file)) as decoder:
            survey = Survey()
            for _, block in self._timed(decoder):
                rate_hz = decoder.facts.rate_hz
                survey.add(block, max(1, round(rate_hz * LEVEL_S)), self._keep_frames(rate_hz))
                if survey.frames > LONGEST_S * rate_hz:
                    decoder.facts.changed = "it goes on for more than twelve hours"
                    break
            return decoder.facts, survey

    def _timed(self, decoder: Decoder, from_frame: int = 0) -> Iterator[tuple[int, Block]]:
        for item in decoder.blocks(from_frame):
            yield item
            if time.monotonic() > self.deadline_s:
                raise refusals.gave_up(GIVE_UP_S)

    def _keep_frames(self, rate_hz: int) -> int:
        return max(1, int(self.keep_s * min(rate_hz, FULL_RATE_HZ)))

    def _keep(self, facts: Facts, survey: Survey, channel: int) -> tuple[int, Block]:
        """First frame and samples of the part to keep."""
        if not survey.spilled:
            assert survey.held is not None
            samples = survey.held[channel, : survey.frames]
            return 0, samples if facts.channels == 1 else samples.copy()
        length = min(survey.frames, self._keep_frames(facts.rate_hz))
        rise_s = first_run(np.concatenate(survey.levels))
        start = 0
        if rise_s is not None:
            start = max(0, int((rise_s - BEFORE_S) * facts.rate_hz))
        start = min(start, survey.frames - length)
        return start, self._fetch(facts, channel, start, length)

    def _fetch(self, facts: Facts, channel: int, start: int, length: int) -> Block:
        """Second pass: one channel of frames ``start`` to ``start + length``."""
        samples = np.zeros(length, dtype=np.float32)
        with closing(DECODERS[facts.decoder](self.file)) as decoder:
            for place, block in self._timed(decoder, start):
                lo, hi = max(start, place), min(start + length, place + block.shape[1])
                if lo < hi:
                    samples[lo - start : hi - start] = block[channel, lo - place : hi - place]
                if place + block.shape[1] >= start + length:
                    break
        clean(samples[np.newaxis])
        return samples

    def _promised_s(self, facts: Facts) -> float | None:
        return self.promise.duration_s or facts.promised_s

    def _missing_s(self, facts: Facts, survey: Survey) -> float:
        promised_s = self._promised_s(facts)
        if promised_s is None or not facts.rate_hz:
            return 0.0
        missing_s = promised_s - survey.frames / facts.rate_hz
        return missing_s if missing_s > max(_MISSING_S, 0.002 * promised_s) else 0.0

    def _problems(self, facts: Facts, survey: Survey, second: bool) -> Iterator[Problem]:
        have_s = survey.frames / facts.rate_hz
        missing_s = self._missing_s(facts, survey)
        if missing_s:
            yield _cut(
                f"The file is cut: {missing_s:.2f} of {have_s + missing_s:.2f} s are missing."
            )
        elif facts.changed:
            yield _cut(f"After {have_s:.1f} s {facts.changed}; what comes later is left out.")
        elif facts.bad_packets:
            yield _cut(f"{facts.bad_packets} pieces of the sound are damaged and were left out.")
        elif self.promise.unclosed or second:
            yield _unclosed(have_s, second)
        if survey.bad_samples:
            yield Problem(
                "cut_file",
                f"{survey.bad_samples} samples are not numbers; they were set to silence.",
                "A recorder or an audio driver failed while it wrote the file.",
                "Record again, with another program if it comes back.",
                disables=("impacts",),
            )

    def _refusal(self, facts: Facts) -> UnreadableClip:
        """Why not one sample came out."""
        if self.promise.index_missing or self.promise.unclosed:
            return refusals.incomplete(self.kind.title)
        reason = facts.error
        if reason == "no_sound_track":
            return refusals.no_sound_track(self.kind.title)
        if reason == "absurd_rate":
            return refusals.absurd_rate(facts.tried[-1])
        if reason == "unknown_codec":
            return refusals.unknown_codec(facts.tried[-1])
        if self.kind.name == "":
            return refusals.not_a_recording(self.kind.title)
        if reason == "not_recognised":
            return refusals.damaged(self.kind.title)
        if facts.error or facts.bad_packets:
            return refusals.damaged(self.kind.title)
        return refusals.no_sound(self.kind.title)


def _cut(what: str) -> Problem:
    return Problem(
        "cut_file",
        what,
        "The end of a run shows most: how it slows down and whether it scrapes.",
        "Copy the file from the phone again; if it is short there too, record again.",
        disables=("coast_down", "rest"),
    )


def _unclosed(have_s: float, second: bool) -> Problem:
    what = "The recorder did not finish this file"
    if second:
        what = "The header of this file is wrong and a second decoder had to be used"
    return Problem(
        "cut_file",
        f"{what}; {have_s:.1f} s could be read.",
        "How much is missing at the end, if anything, cannot be told.",
        "Check that the clip ends with the machine at rest; if not, copy or record it again.",
        disables=("coast_down", "rest"),
    )


def recorded_at(facts: Facts, duration_s: float) -> str | None:
    """When the recording began, ISO 8601 with offset, or None where the file does not say.

    ``creation_time`` of MP4-like files is UTC, written when the recorder
    stops, so the length is taken off. A camera's own start time, with its
    offset, comes first. Times before 2001 are unset clocks.
    """
    for text, before_s in ((facts.started_at, 0.0), (facts.created_at, duration_s)):
        if not text:
            continue
        try:
            when = datetime.fromisoformat(text.strip())
        except ValueError:
            continue
        if when.tzinfo is None:
            when = when.replace(tzinfo=UTC)
        if when.year > 2000:
            return (when - timedelta(seconds=before_s)).isoformat(timespec="seconds")
    return None
