"""Is the recording fit to judge, and for what?"""

from quietrun.fitness.types import Fitness

__all__ = ["Fitness"]
