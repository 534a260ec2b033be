"""What a user can see go wrong, and act on.

QuietrunError
├── UnreadableClip   the file holds no sound that can be read (exit 3)
├── UsageError       an argument, manifest, machine or model file is wrong (exit 2)
└── ModelError       the shipped or chosen model cannot be used (exit 2)
"""

from __future__ import annotations


class QuietrunError(Exception):
    """What happened, why it matters, what the user can do next.

    All texts go to ``Exception.args``, so the error survives pickling out of
    a worker process. Subclasses add no ``__init__``.
    """

    exit_code = 3

    def __init__(self, what: str, why: str, do: str, code: str = "") -> None:
        super().__init__(what, why, do, code)
        self.what, self.why, self.do, self.code = what, why, do, code

    def __str__(self) -> str:
        return f"{self.what}\n  Why:  {self.why}\n  Do:   {self.do}"


class UnreadableClip(QuietrunError):
    """The file holds no sound that can be read; ``code`` is the problem code."""


class UsageError(QuietrunError):
    """An argument, manifest or machine file is wrong."""

    exit_code = 2


class ModelError(QuietrunError):
    """A model file cannot be used with this version."""

    exit_code = 2
