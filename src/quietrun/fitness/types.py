"""Fitness of a recording."""

from __future__ import annotations

from dataclasses import dataclass

from quietrun.problems import Problem


@dataclass(frozen=True, slots=True)
class Fitness:
    """What the recording can carry.

    Attributes
    ----------
    bandwidth_hz : float
        Upper edge of the band that holds sound, Hz (not half the rate).
    room_snr_db : float or None
        Steady run over room, A-weighted, dB.
    problems : tuple of Problem
    """

    bandwidth_hz: float
    room_snr_db: float | None
    problems: tuple[Problem, ...]

    @property
    def usable(self) -> bool:
        """False when some problem leaves nothing to judge."""
        return not any(problem.fatal for problem in self.problems)

    @property
    def codes(self) -> frozenset[str]:
        """Codes of all problems."""
        return frozenset(problem.code for problem in self.problems)
