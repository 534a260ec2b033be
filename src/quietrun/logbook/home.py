"""Where the book lives: ``--home``, else ``QUIETRUN_HOME``, else the user's data folder."""

from __future__ import annotations

import os
from pathlib import Path

from quietrun.errors import UsageError

FILE_NAME = "logbook.sqlite3"
VARIABLE = "QUIETRUN_HOME"


def home_folder(given: str | os.PathLike[str] | None = None) -> Path:
    """Folder of the logbook; it need not exist yet.

    Raises
    ------
    UsageError
        Nothing was given, and this user has no folder of its own.
    """
    chosen = given or os.environ.get(VARIABLE)
    try:
        if chosen:
            return Path(chosen).expanduser()
        from platformdirs import user_data_path

        return user_data_path("quietrun", appauthor=False)
    except RuntimeError as error:  # no HOME, and no such user
        raise UsageError(
            f"There is no folder for the logbook: {error}.",
            "Nothing says where this user keeps data.",
            f"Name a folder with --home or {VARIABLE}.",
        ) from None


def book_path(given: str | os.PathLike[str] | None = None) -> Path | None:
    """Path of the book where there is one, else None; also where there can be none."""
    try:
        path = home_folder(given) / FILE_NAME
    except UsageError:
        if given:
            raise
        return None
    return path if os.path.exists(path) else None
