"""What all pages share: templates that escape, one style sheet, and its hash for the policy."""

from __future__ import annotations

import base64
import hashlib
from functools import lru_cache
from pathlib import Path
from typing import Any

from quietrun import __version__

_FOLDER = Path(__file__).parent / "templates"


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


def set_page(template: str, **values: Any) -> str:
    """Set a template with the common style sheet, the only one that its policy lets in."""
    style = (_FOLDER / "page.css").read_text(encoding="utf-8").replace("\r\n", "\n")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode("ascii")
    page: str = (
        _environment()
        .get_template(template)
        .render(style=style, style_sha256=digest, version=__version__, **values)
    )
    return page
