"""Texts without what is private: the user's folder, the working folder, the login name."""

from __future__ import annotations

import os
import re
import tempfile
from pathlib import Path


def _own_folder() -> str:
    try:
        return str(Path.home())
    except RuntimeError:  # no home at all
        return ""


def working_folder() -> str:
    """Full path of the working folder, empty where it is gone."""
    try:
        return os.getcwd()
    except OSError:
        return ""


def _login() -> str:
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""


def shown(path: str | os.PathLike[str]) -> str:
    """Show a folder without private parts; one outside the usual places is not shown at all."""
    full = os.path.join(working_folder(), os.fspath(path))
    for folder, sign in ((_own_folder(), "~"), (tempfile.gettempdir(), "(temporary folder)")):
        if folder not in ("", "/") and (full == folder or full.startswith(folder + os.sep)):
            return without_names(sign + full[len(folder) :])
    return "(a folder outside your own)"


def without_names(text: str) -> str:
    """Take folders and the login name out of a text, such as an error message."""
    places = (
        (_own_folder(), "~"),
        (working_folder(), "."),
        (tempfile.gettempdir(), "(temporary folder)"),
    )
    for folder, sign in sorted(places, key=lambda place: -len(place[0])):
        if folder not in ("", "/"):
            text = text.replace(folder, sign)
    login = _login()
    if len(login) > 2 and login not in ("root", "user", "admin"):
        text = re.sub(rf"(?<!\w){re.escape(login)}(?!\w)", "(user)", text, flags=re.IGNORECASE)
    # Any other absolute path: only its last part.
    return re.sub(
        r"(?<![\w.~)])(?:[A-Za-z]:)?(?:[/\\][^/\\\s'\":,;]+)+[/\\]([^/\\\s'\":,;]+)",
        r".../\1",
        text,
    )
