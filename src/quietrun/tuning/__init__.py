"""A machine's own limits from its own runs, and its trends."""
