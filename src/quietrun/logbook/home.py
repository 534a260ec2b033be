"""Where the book lives: ``--home``, else ``QUIETRUN_HOME``, else the user's data folder."""

from __future__ import annotations

import os
from pathlib import Path

FILE_NAME = "logbook.sqlite3"
VARIABLE = "QUIETRUN_HOME"


def home_folder(given: str | os.PathLike[str] | None = None) -> Path:
    """Folder of the logbook; it need not exist yet."""
    chosen = given or os.environ.get(VARIABLE)
    if chosen:
        return Path(chosen).expanduser()
    from platformdirs import user_data_path

    return user_data_path("quietrun", appauthor=False)
