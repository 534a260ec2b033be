"""Before and after, and stage against stage: what changed and what that narrows down."""
