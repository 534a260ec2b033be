"""File to Clip."""

from quietrun.clip.types import Clip, Source

__all__ = ["Clip", "Source"]
