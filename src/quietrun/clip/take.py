"""A ``Take`` as a file, and what is wrong with it that the file itself does not show."""

from __future__ import annotations

import contextlib
import io
import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from quietrun import __version__
from quietrun.clip.microphone import Take, permission_hint
from quietrun.clip.survey import clean
from quietrun.errors import UsageError
from quietrun.problems import Problem

#: File suffix to libsndfile's name; both hold 24 bits, more than any microphone has.
FORMATS = {".wav": "WAV", ".flac": "FLAC"}
NOTE_SCHEMA = "quietrun/recording-1"
#: Rates that devices are mixed up with: a headset's 8, 16 or 24 kHz in a 48 kHz stream, and so on.
_RATIOS = (1 / 6, 1 / 3, 0.5, 2 / 3, 44.1 / 48, 48 / 44.1, 1.5, 2.0, 3.0, 6.0)
_RATIO_TOLERANCE = 0.02
#: Clocks of computer and device differ by far less than this share; blocks come in steps.
_LOST_SHARE = 0.03
#: Quieter than any microphone's own noise: a muted or forbidden input, from memory of 16-bit
#: inputs whose last digit (-90 dB) always moves.
_SILENT_PEAK = 2.0**-15


@dataclass(frozen=True, slots=True)
class Label:
    """What is written into the file beside the sound, its date and its device.

    Attributes
    ----------
    machine, stage : str or None
    """

    machine: str | None = None
    stage: str | None = None


def check_place(out: str | os.PathLike[str], *, force: bool = False) -> Path:
    """Say before the machine is started whether ``out`` can be written.

    Raises
    ------
    UsageError
    """
    path = Path(out)
    if path.suffix.lower() not in FORMATS:
        raise UsageError(
            f"{path.name} does not end in {' or '.join(FORMATS)}.",
            "The end of the name says which kind of file to write; both lose nothing.",
            f"Name it {(path.stem or 'clip') + '.flac'}",
        )
    if os.path.isdir(path):
        raise UsageError(f"{path} is a folder.", "A recording is one file.", "Name a file in it.")
    if os.path.lexists(path) and not force:
        raise UsageError(
            f"{path} is there already.",
            "It might be a recording that you need.",
            "Name another file, or say --force.",
        )
    part = _part(path)
    try:
        with contextlib.suppress(FileNotFoundError):
            os.lstat(path)  # the name itself: too long, through a file
        part.touch(exist_ok=False)
        part.unlink()
    except (OSError, ValueError) as error:
        raise _unwritable(path, error) from error
    return path


def write_take(take: Take, path: Path, label: Label) -> None:
    """Write a take to a WAV or FLAC file, whole or not at all.

    Date, machine and device go into the file's own text fields.

    Raises
    ------
    UsageError
        The place cannot be written to.
    """
    import soundfile

    samples = take.samples.copy()
    clean(samples)
    # By way of memory: libsndfile's callbacks print what goes wrong with a file of ours.
    whole = io.BytesIO()
    with soundfile.SoundFile(
        whole,
        "w",
        samplerate=round(take.rate_hz),
        channels=samples.shape[1],
        format=FORMATS[path.suffix.lower()],
        subtype="PCM_24",
    ) as sound:
        sound.title = label.machine or "empty run"
        sound.software = f"quietrun {__version__}"
        sound.date = take.begun.isoformat(timespec="seconds")
        sound.comment = _note(take, label)
        sound.write(np.clip(samples, -1.0, 1.0))
    part = _part(path)
    try:
        with part.open("wb") as file:
            file.write(whole.getbuffer())
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        raise _unwritable(path, error) from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def _note(take: Take, label: Label) -> str:
    told = {
        "schema": NOTE_SCHEMA,
        "machine": label.machine,
        "stage": label.stage,
        "device": take.device.name,
        "overflows": take.overflows,
    }
    return json.dumps(told, ensure_ascii=True, allow_nan=False)


def _part(path: Path) -> Path:
    return path.with_name(f".{path.name[:100]}.{os.getpid()}.part")


def _unwritable(path: Path, error: Exception) -> UsageError:
    reason = getattr(error, "strerror", None) or str(error)
    return UsageError(
        f"{path} cannot be written: {reason}.",
        "Nothing was written.",
        "Name a file in a folder that exists, with room on the disk, that you may write to.",
    )


def problems(take: Take) -> Iterator[Problem]:
    """Yield what the device did wrong; what the sound itself shows is for ``fitness``."""
    samples = take.samples
    bad = int(np.count_nonzero(~(np.abs(samples) < 1e6)))
    if bad > samples.size // 2:
        yield Problem(
            "no_sound",
            "The microphone delivered rubbish: most samples are not numbers.",
            "Its driver failed.",
            "Unplug it and plug it in again, or take another: quietrun record --devices",
            fatal=True,
        )
        return
    if np.max(np.abs(samples), initial=0.0) < _SILENT_PEAK:
        yield Problem(
            "no_sound",
            "The microphone delivered silence only.",
            "The system gives silence, and no error, to a program that may not listen; "
            "a muted or wrong input does the same.",
            permission_hint(),
            fatal=True,
        )
        return
    if take.ended == "gone":
        have_s = len(samples) / take.rate_hz
        yield Problem(
            "cut_file",
            f"The microphone went away after {have_s:.1f} s; what came until then was kept.",
            "It was unplugged, its battery ran out, or another program took it.",
            "Plug it in again and record again.",
            disables=("coast_down", "rest"),
        )
    yield from _timing(take)


def _timing(take: Take) -> Iterator[Problem]:
    """Compare samples with the computer's clock: a wrong rate, or lost samples."""
    have_s = len(take.samples) / take.rate_hz
    if take.elapsed_s < 1.0:
        return
    share = have_s / take.elapsed_s
    near = min(_RATIOS, key=lambda ratio: abs(share / ratio - 1.0))
    if abs(share / near - 1.0) < _RATIO_TOLERANCE and not take.overflows:
        yield Problem(
            "cut_file",
            f"The microphone says {take.rate_hz:g} Hz but delivers about "
            f"{share * take.rate_hz:.0f} samples a second.",
            "Every speed and pitch in this recording would be wrong.",
            "Set one rate for the device in the system's sound settings, or take another input.",
            fatal=True,
        )
    elif share < 1.0 - _LOST_SHARE or take.overflows:
        times = "once" if take.overflows == 1 else f"{take.overflows} times"
        lost = times if take.overflows else f"{100 * (1 - share):.0f} % of the sound"
        yield Problem(
            "cut_file",
            f"Samples were lost while recording ({lost}).",
            "The computer was too busy to take them; a gap sounds like a knock.",
            "Close other programs and record again.",
            disables=("impacts",),
        )
