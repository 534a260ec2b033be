"""What the contacts of a burr-setting clip say about how the burrs stand.

The chirp point is a trade custom, not a standard: run the machine, bring the burrs together
until they just sing, back off. Words on parallelism and on fine and coarse use: common practice,
no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from quietrun.errors import UsageError

SCHEMA = "quietrun/burr-touch-1"
ALL_ROUND = 0.75  # of the turn: a touch over more is told as all round
ALMOST_HALF = 0.4
LASTING_S = 1.0

CAUTIONS = (
    "Never reach into the chamber or the spout while the shaft turns; covers on.",
    "Back off as soon as you hear the touch: burrs that run on each other dull within seconds.",
    "Empty machine, ears protected. Unplug before you open it; capacitors hold a charge.",
)


def burr_touch(report: Mapping[str, Any]) -> dict[str, Any]:
    """Say when the burrs touch, over which arc of the turn, and what that means.

    Parameters
    ----------
    report : object of the output contract for a ``burr_setting`` clip

    Raises
    ------
    UsageError
        The clip is of another stage.
    """
    contacts = report["contacts"]
    if contacts is None and report["verdict"] != "unusable":
        raise UsageError(
            f"This clip was judged as {report['machine']['stage']}.",
            "Burr touch is looked for in clips recorded while the burrs are brought together.",
            "Record one, and judge it with --stage burr_setting.",
        )
    found = contacts or []
    lasting = next((c for c in found if c["until"] - c["t"] >= LASTING_S), None)
    first = found[0] if found else None
    return {
        "schema": SCHEMA,
        "clip": report["clip"]["path"],
        "verdict": report["verdict"],
        "contacts": found,
        "first_s": None if first is None else first["t"],
        "lasting_s": None if lasting is None else lasting["t"],
        "turn_share": None if first is None else (lasting or first)["turn_share"],
        "parallel": _parallel((lasting or first or {}).get("turn_share")),
        "says": _says(report, first, lasting),
        "cautions": list(CAUTIONS),
    }


def _parallel(share: float | None) -> bool | None:
    return None if share is None else share >= ALL_ROUND


def _says(
    report: Mapping[str, Any], first: Mapping[str, Any] | None, lasting: Mapping[str, Any] | None
) -> list[str]:
    if report["verdict"] == "unusable":
        return [*report["because"], *report["look_first"]]
    if first is None:
        return [
            "No touch is heard. They did not meet, or a light touch is hidden by the machine's own "
            "noise.",
        ]
    lines = [f"First touch at {first['t']:.2f} s."]
    if lasting is None:
        lines.append("No lasting touch: they met and came free again.")
    elif lasting is not first:
        lines.append(
            f"Lasting touch from {lasting['t']:.2f} s, {lasting['t'] - first['t']:.2f} s after the "
            "first. The further you turned in between, the less parallel the faces are."
        )
    else:
        lines.append("It lasts from the first touch on.")
    return lines + _arc_lines((lasting or first)["turn_share"])


def _arc_lines(share: float | None) -> list[str]:
    if share is None:
        return ["Over which part of the turn they touch could not be told: the touch is too short."]
    if share >= ALL_ROUND:
        return [
            "They touch all round the turn: as parallel as can be heard.",
            "Fine use: set a little open of the first touch. Coarse use: nothing to do.",
        ]
    part = f"They touch over about {100 * share:.0f} % of the turn, at the same angle each turn"
    lines = [f"{part}: the faces are not parallel, or one seat is dirty."]
    if share < ALMOST_HALF:
        lines.append(
            "Fine use: clean the seats and shim until they touch all round; one side grinds "
            "coarser than the other. Coarse use: bearable if they are backed off clear of it."
        )
    else:
        lines.append(
            "Fine use: worth another try at cleaning and seating. Coarse use: good enough."
        )
    return lines
