"""What was heard."""

from quietrun.evidence.types import Evidence, Feature, Missing

__all__ = ["Evidence", "Feature", "Missing"]
