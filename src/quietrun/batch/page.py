"""The one-page summary: one HTML file that travels alone and can be printed.

No script, nothing fetched: the page's own policy allows its style sheet (by hash) and nothing
else. Every verdict has a word and a shape beside its colour.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import os
from functools import lru_cache
from pathlib import Path
from typing import Any

from quietrun.batch.lock import cannot_write
from quietrun.batch.summary import ORDER, Summary
from quietrun.errors import UsageError

_MARK = b'<meta name="generator" content="quietrun batch">'
_FOLDER = Path(__file__).parent / "templates"
#: Lines beyond this are counted, not shown: the CSV has them all.
MOST_MACHINES, MOST_CLIPS = 400, 1000


@lru_cache(maxsize=1)
def _environment() -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(_FOLDER),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def render(summary: Summary) -> str:
    """Set the page."""
    style = (_FOLDER / "summary.css").read_text(encoding="utf-8").replace("\r\n", "\n")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode("ascii")
    shown = summary.machines[:MOST_MACHINES]
    lines = [(machine, clip) for machine in shown for clip in machine.clips][:MOST_CLIPS]
    page: str = (
        _environment()
        .get_template("summary.html")
        .render(
            summary=summary,
            words=ORDER,
            machines=shown,
            lines=lines,
            hidden_machines=len(summary.machines) - len(shown),
            hidden_clips=summary.clips - len(lines),
            style=style,
            style_sha256=digest,
        )
    )
    return page


def check_ours(path: Path) -> None:
    """Refuse to write over a file that no batch has made.

    Raises
    ------
    UsageError
    """
    try:
        with open(path, "rb") as file:
            start = file.read(2000)
    except FileNotFoundError:
        return
    except OSError as error:
        raise cannot_write(path, error) from None
    if start and _MARK not in start:
        raise UsageError(
            f"{path} is there already, and no batch made it.",
            "It would be written over.",
            "Choose another name, or move the file away.",
        )


def write_page(path: Path, summary: Summary) -> None:
    """Write the page whole, or not at all.

    Raises
    ------
    UsageError
        It cannot be written, or something else has that name.
    """
    check_ours(path)
    new = path.with_name(path.name + ".new")
    try:
        with open(new, "w", encoding="utf-8", newline="\n", errors="backslashreplace") as file:
            file.write(render(summary))
        os.replace(new, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            new.unlink()
        raise cannot_write(path, error) from None
