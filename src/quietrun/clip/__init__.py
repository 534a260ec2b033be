"""File to Clip."""

from quietrun.clip.kinds import Kind, sniff
from quietrun.clip.read import read_clip, sniff_file
from quietrun.clip.silence import without_silence
from quietrun.clip.types import Clip, Source

__all__ = ["Clip", "Kind", "Source", "read_clip", "sniff", "sniff_file", "without_silence"]
