"""What a file is, by its first bytes. Names and suffixes are never asked.

Signatures are from the public format descriptions (RIFF/WAVE, EBML, ISO 14496-12,
RFC 3533, RFC 4867, ...), written from memory and held by tests against files that
the decoders' own writers make.
"""

from __future__ import annotations

from dataclasses import dataclass

#: Bytes that ``sniff`` wants to see.
HEAD_BYTES = 4096


@dataclass(frozen=True, slots=True)
class Kind:
    """What the first bytes of a file say.

    Attributes
    ----------
    name : str
        Short name, ``""`` when unknown.
    decoder : str
        ``"soundfile"`` or ``"av"``: the one to try first; ``""`` when the
        bytes are those of something that holds no sound.
    title : str
        The same in words, for messages: ``"a picture (PNG)"``.
    """

    name: str
    decoder: str
    title: str

    @property
    def may_hold_sound(self) -> bool:
        """False when the bytes are known to be something else."""
        return bool(self.decoder)


UNKNOWN = Kind("", "av", "a file of an unknown kind")

#: (offset, bytes, kind); the first that fits counts.
_SIGNATURES: tuple[tuple[int, bytes, Kind], ...] = (
    (0, b"fLaC", Kind("flac", "soundfile", "a FLAC file")),
    (0, b".snd", Kind("au", "soundfile", "an AU file")),
    (0, b"riff\x2e\x91\xcf\x11", Kind("w64", "soundfile", "a W64 file")),
    (0, b"caff", Kind("caf", "av", "a CAF file")),
    (0, b"\x1aE\xdf\xa3", Kind("matroska", "av", "a WEBM or Matroska file")),
    (0, b"#!AMR", Kind("amr", "av", "an AMR file")),
    (0, b"0&\xb2u\x8ef\xcf\x11", Kind("asf", "av", "a WMA or WMV file")),
    (4, b"ftyp", Kind("mp4", "av", "an M4A, MP4, MOV or 3GP file")),
    (4, b"moov", Kind("mp4", "av", "an M4A, MP4, MOV or 3GP file")),
    (4, b"mdat", Kind("mp4", "av", "an M4A, MP4, MOV or 3GP file")),
    (4, b"wide", Kind("mp4", "av", "an M4A, MP4, MOV or 3GP file")),
    (4, b"free", Kind("mp4", "av", "an M4A, MP4, MOV or 3GP file")),
    (0, b"\x00\x05\x16\x07", Kind("", "", "the hidden companion of a file, not the file")),
    (0, b"\x89PNG", Kind("", "", "a picture (PNG)")),
    (0, b"\xff\xd8\xff", Kind("", "", "a picture (JPEG)")),
    (0, b"GIF8", Kind("", "", "a picture (GIF)")),
    (0, b"BM", Kind("", "", "a picture (BMP)")),
    (0, b"II*\0", Kind("", "", "a picture (TIFF)")),
    (0, b"MM\0*", Kind("", "", "a picture (TIFF)")),
    (0, b"%PDF", Kind("", "", "a PDF document")),
    (0, b"PK\x03\x04", Kind("", "", "a ZIP archive or office document")),
    (0, b"\x1f\x8b", Kind("", "", "a packed file (GZIP)")),
    (0, b"7z\xbc\xaf", Kind("", "", "a packed file (7z)")),
    (0, b"Rar!", Kind("", "", "a packed file (RAR)")),
    (0, b"SQLite format 3\0", Kind("", "", "a database")),
    (0, b"MZ", Kind("", "", "a program")),
    (0, b"\x7fELF", Kind("", "", "a program")),
)

_PICTURE_BRANDS = (b"heic", b"heix", b"mif1", b"msf1", b"avif", b"avis")


def sniff(head: bytes) -> Kind:
    """Say what a file is.

    Parameters
    ----------
    head : bytes
        The first ``HEAD_BYTES`` bytes of the file (fewer where it is shorter).

    Returns
    -------
    Kind
        ``UNKNOWN`` (which still names a decoder to try) when no signature fits.
    """
    if head[:4] in (b"RIFF", b"RIFX", b"RF64", b"BW64", b"FORM"):
        return _sniff_chunks(head)
    if head[:4] == b"OggS":
        return _sniff_ogg(head)
    if head[4:8] == b"ftyp" and head[8:12] in _PICTURE_BRANDS:
        return Kind("", "", "a picture (HEIC or AVIF)")
    for offset, magic, kind in _SIGNATURES:
        if head.startswith(magic, offset):
            return kind
    if _is_mpeg_sound(head):
        return Kind("mpeg", "av", "an MP3 or AAC file")
    if _is_text(head):
        return Kind("", "", "a text file")
    return UNKNOWN


def _sniff_chunks(head: bytes) -> Kind:
    form = head[8:12]
    if form == b"WAVE":
        return Kind("wav", "soundfile", "a WAV file")
    if form in (b"AIFF", b"AIFC"):
        return Kind("aiff", "soundfile", "an AIFF file")
    if form == b"WEBP":
        return Kind("", "", "a picture (WEBP)")
    if form == b"AVI ":
        return Kind("avi", "av", "an AVI video")
    return UNKNOWN


def _sniff_ogg(head: bytes) -> Kind:
    first_packet = head[27 + head[26] :] if len(head) > 26 else b""
    if first_packet.startswith(b"\x01vorbis"):
        return Kind("ogg", "soundfile", "an Ogg Vorbis file")
    return Kind("ogg", "av", "an Ogg or Opus file")


def _is_mpeg_sound(head: bytes) -> bool:
    """ID3 tag, MPEG layer frame or ADTS frame (12 set bits of sync, layer bits sane)."""
    if head.startswith(b"ID3"):
        return True
    return len(head) > 2 and head[0] == 0xFF and head[1] & 0xE0 == 0xE0 and head[2] != 0xFF


def _is_text(head: bytes) -> bool:
    if not head or b"\0" in head:
        return False
    control = sum(byte < 32 and byte not in b"\t\n\r\f\x1b" for byte in head)
    if control:
        return False
    try:
        head.decode("utf-8")
    except UnicodeDecodeError as error:
        return error.start > len(head) - 4  # a letter cut at the end of the head
    return True
