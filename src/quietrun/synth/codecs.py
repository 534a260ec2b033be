"""Real codecs, in memory: what a recorder's file does to the sound."""

from __future__ import annotations

import io
from typing import Any

import numpy as np

from quietrun.synth.kit import Signal

#: codec: (container, encoder, rates it takes or None for any)
_FORMATS: dict[str, tuple[str, str, tuple[int, ...] | None]] = {
    "aac": ("mp4", "aac", (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000)),
    "alac": ("mp4", "alac", None),
    "opus": ("ogg", "libopus", (8000, 12000, 16000, 24000, 48000)),
    "mp3": ("mp3", "libmp3lame", (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000)),
    "amr": ("amr", "libopencore_amrnb", (8000,)),
    "pcm": ("wav", "pcm_s16le", None),
}


#: Settings that halve the time of an encoder (phones do not dwell on it either).
_QUICK = {
    "aac": {"aac_coder": "fast"},
    "opus": {"compression_level": "5"},
    "mp3": {"compression_level": "7"},
}
#: Samples by which this encoder is late and that no decoder here takes back by itself
#: (one AAC frame of 1024; the others tell their delay in the stream). Measured; see the tests.
_LATE = {"aac": 1024}


def can_encode(codec: str, rate_hz: int) -> bool:
    """Say whether this codec can be written at this rate here."""
    import av

    if codec not in _FORMATS:
        return False
    _, encoder, rates = _FORMATS[codec]
    if rates is not None and rate_hz not in rates:
        return False
    try:
        av.codec.Codec(encoder, "w")
    except av.codec.codec.UnknownCodecError:
        return False
    return True


def encode(samples: Signal, rate_hz: int, codec: str, bit_rate: int) -> bytes:
    """Encode to the bytes of a file.

    Parameters
    ----------
    samples : shape (n,) or (n, 2), FS
    bit_rate : bits/s; 0 where the codec has none, or for its own
    """
    import av

    container, encoder, _ = _FORMATS[codec]
    planes = np.atleast_2d(samples.T)
    layout = "mono" if planes.shape[0] == 1 else "stereo"
    pcm = np.round(np.clip(planes, -1, 1) * 32767).astype(np.int16)
    buffer = io.BytesIO()
    with av.open(buffer, "w", format=container) as out:
        stream: Any = out.add_stream(encoder, rate=rate_hz, options=_QUICK.get(codec))
        stream.layout = layout
        if bit_rate:
            stream.bit_rate = bit_rate
        frame = av.AudioFrame.from_ndarray(
            np.ascontiguousarray(pcm.T.reshape(1, -1)), format="s16", layout=layout
        )
        frame.sample_rate = rate_hz
        for packet in [*stream.encode(frame), *stream.encode(None)]:
            out.mux(packet)
    return buffer.getvalue()


def round_trip(samples: Signal, rate_hz: int, codec: str, bit_rate: int) -> Signal:
    """Encode and decode in memory; the result has the same rate, length and timing.

    Parameters
    ----------
    samples : shape (n,) or (n, 2), FS
    bit_rate : bits/s; 0 where the codec has none

    Returns
    -------
    Same shape, float32; what the codec cut or added at the ends is zeros or gone.
    """
    if codec == "pcm":
        return np.asarray(np.round(np.clip(samples, -1, 1) * 32767) / 32768, dtype=np.float32)
    planes = np.atleast_2d(samples.T)
    buffer = io.BytesIO(encode(samples, rate_hz, codec, bit_rate))
    decoded = _decoded(buffer, rate_hz, planes.shape, _LATE.get(codec, 0))
    return decoded[0] if samples.ndim == 1 else np.ascontiguousarray(decoded.T)


def _decoded(buffer: io.BytesIO, rate_hz: int, shape: tuple[int, ...], late: int) -> Signal:
    """Decode, drop ``late`` samples at the beginning, bring to a shape (channels, n)."""
    import av

    blocks = []
    with av.open(buffer, "r") as source:
        resampler = av.AudioResampler(format="fltp", rate=rate_hz)
        for frame in source.decode(audio=0):
            blocks += [part.to_ndarray() for part in resampler.resample(frame)]
        blocks += [part.to_ndarray() for part in resampler.resample(None)]
    got = np.concatenate(blocks, axis=1)[:, late:]
    out = np.zeros(shape, dtype=np.float32)
    length = min(got.shape[1], shape[1])
    out[:, :length] = got[: shape[0], :length]
    return out
