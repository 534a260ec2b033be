"""A sound as an address that holds it, small enough for a page.

MP3, because every browser and phone plays it without asking; WAV where the library that writes
it was built without. One second takes about 6 kB.
"""

from __future__ import annotations

import io
import wave

import numpy as np
from numpy.typing import NDArray

from quietrun.report.exhibit import Sound
from quietrun.report.svg import data_uri


def sound_uri(sound: Sound) -> str:
    """Encode a sound into a data address."""
    packed = mp3(sound)
    if packed is not None:
        return data_uri("audio/mpeg", packed)
    return data_uri("audio/wav", wav(sound))


def mp3(sound: Sound) -> bytes | None:
    """Encode as MP3; None where it cannot be written here."""
    import soundfile

    if "MP3" not in soundfile.available_formats():
        return None
    out = io.BytesIO()
    soundfile.write(out, sound.samples, sound.rate_hz, format="MP3", subtype="MPEG_LAYER_III")
    return out.getvalue()


def wav(sound: Sound) -> bytes:
    """Write 16-bit PCM in a RIFF file."""
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(sound.rate_hz)
        file.writeframes(pcm16(sound.samples).tobytes())
    return out.getvalue()


def pcm16(samples: NDArray[np.float32]) -> NDArray[np.int16]:
    """Full scale to 16 bits, little-endian, held at the rail."""
    held = np.clip(np.round(samples.astype(np.float64) * 32767.0), -32768, 32767)
    return np.asarray(held, dtype="<i2")
