"""What a look at the installation found."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Trouble:
    """One thing that is wrong: what, why it matters, what to do."""

    what: str
    why: str
    do: str


@dataclass(frozen=True, slots=True)
class Codec:
    """A kind of sound file.

    Attributes
    ----------
    name : str
    decodes : bool
    how : str
        ``"tried"``: a sound was written and read back; ``"listed"``: there is nothing here
        that writes it, the decoder is there (or not).
    """

    name: str
    decodes: bool
    how: str


@dataclass(frozen=True, slots=True)
class Place:
    """A folder that something is written to.

    Attributes
    ----------
    use : str
    shown : str
        Without private parts: the user's folder is ``~``.
    writable : bool
    free_mb : int or None
    """

    use: str
    shown: str
    writable: bool
    free_mb: int | None


@dataclass(frozen=True, slots=True)
class Checkup:
    """Everything that ``quietrun doctor`` tells.

    Attributes
    ----------
    versions : tuple of (name, version or None)
        None: an extra that is not installed.
    codecs : tuple of Codec
    inputs : tuple of str, or None
        Input devices; None where recording is not installed.
    places : tuple of Place
    logbook : str
    model : tuple of (str, str), or None
        Name and hash.
    terminal : tuple of (str, str)
    self_test : str
    troubles : tuple of Trouble
    """

    versions: tuple[tuple[str, str | None], ...]
    codecs: tuple[Codec, ...]
    inputs: tuple[str, ...] | None
    places: tuple[Place, ...]
    logbook: str
    model: tuple[str, str] | None
    terminal: tuple[tuple[str, str], ...]
    self_test: str
    troubles: tuple[Trouble, ...]
