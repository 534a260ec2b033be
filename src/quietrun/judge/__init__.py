"""What the evidence means."""

from quietrun.judge.types import Contact, FaultScore, Finding, Reason, Verdict

__all__ = ["Contact", "FaultScore", "Finding", "Reason", "Verdict"]
