"""A synthetic sound as a file."""

from __future__ import annotations

import contextlib
import io
import os
from pathlib import Path

from quietrun.errors import UsageError
from quietrun.synth.kit import Signal
from quietrun.synth.render import Sound

#: File suffix to (format, sample type) as libsndfile names them; both keep every sample.
FORMATS = {".wav": ("WAV", "PCM_16"), ".flac": ("FLAC", "PCM_16")}


def write_sound(sound: Sound, out: str | os.PathLike[str]) -> None:
    """Write samples to a wav or flac file, whole or not at all.

    Raises
    ------
    UsageError
        The suffix is neither, or the place cannot be written to.
    """
    import soundfile

    path = Path(out)
    if path.suffix.lower() not in FORMATS:
        raise UsageError(
            f"{path.name} does not end in {' or '.join(FORMATS)}.",
            "The end of the name says which kind of file to write.",
            f"Name it {path.with_suffix('.wav').name}",
        )
    kind, subtype = FORMATS[path.suffix.lower()]
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        # By way of memory: libsndfile's callbacks print what goes wrong with a file of ours.
        whole = io.BytesIO()
        soundfile.write(whole, sound.samples, sound.rate_hz, format=kind, subtype=subtype)
        part.write_bytes(whole.getbuffer())
        part.replace(path)
    except OSError as error:
        raise UsageError(
            f"{path} cannot be written: {error.strerror}.",
            "Nothing was written.",
            "Name a file in a folder that exists, with room on the disk, that you may write to.",
        ) from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def write_plain(samples: Signal, rate_hz: int, out: str | os.PathLike[str], kind: str) -> None:
    """Write samples as libsndfile's ``kind`` (``"WAV"``, ``"OGG"``, ...), for trying decoders.

    Parameters
    ----------
    samples : shape (n,), FS
    """
    import soundfile

    soundfile.write(out, samples, rate_hz, format=kind)
