"""``python -m quietrun``."""

from quietrun.cli import main

if __name__ == "__main__":
    main()
