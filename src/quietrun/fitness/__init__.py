"""Whether a recording is fit to judge, and for what."""

from quietrun.fitness.assess import assess
from quietrun.fitness.table import TABLE
from quietrun.fitness.types import Fitness

__all__ = ["TABLE", "Fitness", "assess"]
