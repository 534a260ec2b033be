"""Is this installation sound? Versions, codecs, devices, home, model, places; nothing private."""

from quietrun.doctor.examine import look
from quietrun.doctor.types import Checkup, Codec, Place, Trouble

__all__ = ["Checkup", "Codec", "Place", "Trouble", "look"]
