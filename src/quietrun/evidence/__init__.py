"""What was heard."""

from quietrun.evidence.gather import BY_NAME, CATALOGUE, FAMILIES, gather
from quietrun.evidence.types import Evidence, Feature, Missing

__all__ = ["BY_NAME", "CATALOGUE", "FAMILIES", "Evidence", "Feature", "Missing", "gather"]
