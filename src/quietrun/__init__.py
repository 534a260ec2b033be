"""quietrun: judge the quiet run of a rebuilt coffee grinder from a phone clip."""

__version__ = "0.1.0"
