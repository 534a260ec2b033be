"""Burr touch as text for a terminal, made from its JSON object."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from quietrun.report.compare_text import wrapped
from quietrun.report.terminal import printable


def burr_text(found: Mapping[str, Any], width: int = 80) -> str:
    """Set when the burrs touch, what it means, and the cautions."""
    wide = max(40, min(100, width))
    lines = [printable(str(found["clip"]))]
    for says in found["says"]:
        lines += wrapped(says, wide)
    for contact in found["contacts"]:
        share = contact["turn_share"]
        arc = "" if share is None else f", {100 * share:.0f} % of the turn"
        lines.append(f"  touch {contact['t']:.2f} to {contact['until']:.2f} s{arc}")
    lines += ["", "Caution"]
    for caution in found["cautions"]:
        lines += wrapped(caution, wide, "    ", "  - ")
    return "\n".join(lines)
