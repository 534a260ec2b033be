"""What is known about the machine beforehand."""

from quietrun.machine.types import Bearing, Machine

__all__ = ["Bearing", "Machine"]
