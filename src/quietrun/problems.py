"""A recording problem as a value: what, why, what to do, and what it disables."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with a recording.

    Attributes
    ----------
    code : str
        A word of ``words.PROBLEMS`` or ``words.UNREADABLE``.
    what, why, do : str
        What was seen, why it matters, the one thing a person in a shop can do.
    disables : tuple of str
        Evidence that is not judged: feature families (``evidence.FAMILIES``)
        or phases (``words.PHASES``).
    fatal : bool
        True when nothing is left to judge: the verdict is ``unusable``.
    """

    code: str
    what: str
    why: str
    do: str
    disables: tuple[str, ...] = ()
    fatal: bool = False
