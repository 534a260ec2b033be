"""Why a file gives no clip: one function a reason, each with one thing to do."""

from __future__ import annotations

import errno
from pathlib import Path

from quietrun.errors import UnreadableClip

#: A cloud folder's placeholder lists like a file and fails when read: EDEADLK is 11 on macOS
#: and 35 on Linux; 22 (EINVAL) is what a Windows sync folder gives.
CLOUD_ERRNOS = frozenset({11, 22, errno.EDEADLK})


def empty_file() -> UnreadableClip:
    """Refuse 0 bytes."""
    return UnreadableClip(
        "The file is empty (0 bytes).",
        "The recorder or the copy stopped before anything was written.",
        "Copy it from the phone again; if it is empty there too, record again.",
        "empty_file",
    )


def not_a_recording(title: str) -> UnreadableClip:
    """Refuse what is not sound or video at all."""
    return UnreadableClip(
        f"This is {title}, not a recording.",
        "The content decides, not the name: no sound was found in it.",
        "Choose the recording itself, for example the m4a, wav or mp4 file from the phone.",
        "not_a_recording",
    )


def no_sound_track(title: str) -> UnreadableClip:
    """Refuse a video, or another container, without an audio stream."""
    return UnreadableClip(
        f"There is no sound in this file: it is {title} without a sound track.",
        "Slow-motion and time-lapse videos are often stored without sound.",
        "Record again as a normal video or with the voice recorder.",
        "no_sound_track",
    )


def unknown_codec(codecs: str) -> UnreadableClip:
    """Refuse sound tracks that no decoder knows."""
    return UnreadableClip(
        f"The sound in this file is coded in a way that cannot be read here ({codecs}).",
        "No decoder for it comes with the libraries used.",
        "Export it from the phone as m4a (AAC), wav or flac, or switch off spatial audio.",
        "unknown_codec",
    )


def no_sound(title: str) -> UnreadableClip:
    """Refuse a header with nothing behind it."""
    return UnreadableClip(
        f"There is no sound data in this file: it is {title} with nothing behind the header.",
        "The recorder stopped before it wrote any sound.",
        "Record again and play the file on the phone before you send it.",
        "no_sound",
    )


def not_numbers() -> UnreadableClip:
    """Refuse samples that are NaN or absurd throughout."""
    return UnreadableClip(
        "There is no sound in this file: its samples are not numbers.",
        "A recorder or an audio driver failed and wrote rubbish.",
        "Record again, with another program if it comes back.",
        "no_sound",
    )


def incomplete(title: str) -> UnreadableClip:
    """Refuse a file without the part that makes the rest readable."""
    return UnreadableClip(
        f"The copy is incomplete: it is {title} whose index or data is missing.",
        "The copy was interrupted, or the phone stopped before it closed the file.",
        "Send or copy it again; if it does not play on the phone either, record again.",
        "cut_file",
    )


def absurd_rate(rate: str) -> UnreadableClip:
    """Refuse a header with a sample rate that no recorder has."""
    return UnreadableClip(
        f"The file is damaged: it says that its sample rate is {rate}, which no recorder makes.",
        "The copy was interrupted, or the file was changed on its way.",
        "Send or copy it again; if it does not play on the phone either, record again.",
        "cut_file",
    )


def damaged(title: str) -> UnreadableClip:
    """Refuse the right kind of file with nothing in it that can be decoded."""
    return UnreadableClip(
        f"The file is damaged: it is {title}, but no sound could be decoded from it.",
        "The copy was interrupted, or the file was changed on its way.",
        "Send or copy it again; if it does not play on the phone either, record again.",
        "cut_file",
    )


def in_the_cloud() -> UnreadableClip:
    """Refuse the placeholder of a sync folder."""
    return UnreadableClip(
        "The file is still in the cloud: only its placeholder is on this computer.",
        "A sync folder lists files that it has not fetched yet.",
        "Open the folder, choose 'download' or 'keep on this device', and try again.",
        "in_the_cloud",
    )


def not_a_file(what: str) -> UnreadableClip:
    """Refuse a folder, a device, a pipe, or nothing at all."""
    return UnreadableClip(
        what,
        "Only a recording in an ordinary file can be judged.",
        "Give the path of a recording.",
        "not_a_file",
    )


def no_access(reason: str) -> UnreadableClip:
    """Refuse what the system does not let us read."""
    return UnreadableClip(
        f"The file cannot be opened: {reason}.",
        "The system refuses to hand out its content.",
        "Check the file's permissions, or copy it to your own folder and use the copy.",
        "no_access",
    )


def gave_up(limit_s: float) -> UnreadableClip:
    """Refuse what takes longer to decode than any honest file needs."""
    return UnreadableClip(
        f"Reading was given up after {limit_s:g} s.",
        "The file is far too long, or made so that it never ends.",
        "Cut out the minute with the run and use that.",
        "gave_up",
    )


def from_os_error(error: OSError, path: str) -> UnreadableClip:
    """Name what an ``OSError`` on opening or reading means to the user."""
    name = Path(path).name
    if name.startswith(".") and name.endswith(".icloud"):
        return in_the_cloud()
    if isinstance(error, FileNotFoundError):
        stub = Path(path).with_name(f".{name}.icloud") if name else None
        if stub is not None and stub.exists():
            return in_the_cloud()
        return not_a_file("There is no file of this name here.")
    if isinstance(error, IsADirectoryError | NotADirectoryError):
        return not_a_file("This is a folder, not a recording.")
    if error.errno in CLOUD_ERRNOS:
        return in_the_cloud()
    if error.errno in (errno.ELOOP, errno.ENAMETOOLONG, errno.ENXIO):
        return not_a_file("No file can be reached under this name.")
    return no_access((error.strerror or type(error).__name__).lower())
