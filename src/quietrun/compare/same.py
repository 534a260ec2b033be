"""Before and after at one stage: what changed, by feature and by band.

By feature: a change is called clear when two quiet runs of one machine differ by that much
once in twenty (1.96 sqrt(2) times the scatter of runs). By band: the change of the machine's
own air noise is taken off first, so that distance and gain cancel:

    change(b) = [A(b) - B(b)] - median over air bands of [A - B]

Air bands are those whose level falls with at least the 4th power of speed in both coast-downs
(fan noise: 5th to 6th; rolling 2nd to 3rd; handbook values, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from statistics import median

from quietrun.compare.bands import CENTRES_HZ, room_bands, steady_bands
from quietrun.compare.types import Change, NotCompared, Numbers, Side
from quietrun.evidence import BY_NAME, Feature
from quietrun.words import FAULT_TITLES, FAULTS

AIR_EXPONENT = 4.0
LEAST_AIR_BANDS = 3
#: Moving the phone by a hand's breadth changes single bands by so much. Ours, a guess until
#: scripts/make_population.py has measured it; the population file then says it better.
BAND_CLEAR_DB = 4.0
SPEED_TOLERANCE = 0.01
ROOM_SHAPE_DB = 8.0
_TWICE = 1.96 * math.sqrt(2.0)
_MIDDLE_HZ = (355.0, 2800.0)


def _exponent_of(centre_hz: float) -> str | None:
    """Name the speed exponent of the narrowest band that holds a third octave."""
    held = [
        (feature.band_hz[1] / feature.band_hz[0], name)
        for name, feature in BY_NAME.items()
        if name.startswith("exponent_")
        and feature.band_hz is not None
        and feature.band_hz[0] <= centre_hz < feature.band_hz[1]
    ]
    return min(held)[1] if held else None


_EXPONENT_AT = {hz: name for hz in CENTRES_HZ if (name := _exponent_of(hz)) is not None}


def not_comparable(before: Side, after: Side) -> tuple[NotCompared, ...]:
    """Say what the two recordings do not allow to compare."""
    found = [*_phones(before, after), *_widths(before, after), *_machines(before, after)]
    for side in (before, after):
        found += [
            NotCompared(
                f"{', '.join(problem['disables'])} ({side.name})",
                problem["what"],
                problem["do"],
            )
            for problem in side.problems
            if problem["disables"]
        ]
    found += _facts(before, after)
    found += _rooms(before, after)
    return tuple(found)


def _phones(before: Side, after: Side) -> list[NotCompared]:
    if before.phone and after.phone and before.phone != after.phone:
        return [
            NotCompared(
                "bands and the shape of the spectrum",
                f"Two phones: {before.phone} and {after.phone}. Each colours the sound its own "
                "way, by 10 dB and more.",
                "Record both with the same phone.",
            )
        ]
    if not (before.phone and after.phone):
        return [
            NotCompared(
                "nothing, if it was the same phone",
                "Which phone was used is not known for both clips.",
                "Say it with --phone, once for each clip.",
            )
        ]
    return []


def _widths(before: Side, after: Side) -> list[NotCompared]:
    edges = [side.report["recording"]["bandwidth_hz"] for side in (before, after)]
    if None in edges or max(edges) <= 1.15 * min(edges):
        return []
    narrow = before if edges[0] < edges[1] else after
    return [
        NotCompared(
            f"everything above {min(edges) / 1000:.1f} kHz",
            f"{narrow.name} ends there, the other reaches {max(edges) / 1000:.1f} kHz.",
            "Record both with the same app and setting.",
        )
    ]


def _machines(before: Side, after: Side) -> list[NotCompared]:
    speeds = [side.report["run"]["running_rpm"] for side in (before, after)]
    mains = [side.report["run"]["mains_hz"] for side in (before, after)]
    if None not in mains and abs(mains[0] - mains[1]) > 2.0:
        why = f"The mains are {mains[0]:.0f} and {mains[1]:.0f} Hz."
    elif None not in speeds and abs(speeds[0] / speeds[1] - 1.0) > SPEED_TOLERANCE:
        why = f"The shafts turn at {speeds[0]:.0f} and {speeds[1]:.0f} rpm."
    else:
        return []
    return [
        NotCompared(
            "levels and times", why, "Check that both clips are of one machine on one supply."
        )
    ]


def _facts(before: Side, after: Side) -> list[NotCompared]:
    found = []
    for what, one, other in (
        ("warm or cold", before.temperature, after.temperature),
        ("burr setting", before.burr_setting, after.burr_setting),
    ):
        if one and other and one != other:
            found.append(
                NotCompared(
                    f"changes that the {what} alone can make",
                    f"{before.name} was {one}, {after.name} {other}.",
                    "Record both in the same state.",
                )
            )
    return found


def _rooms(before: Side, after: Side) -> list[NotCompared]:
    """Another room, told by the shape of what is heard in it while the machine stands."""
    one, other = room_bands(dict(before.bands)), room_bands(dict(after.bands))
    both = sorted(one.keys() & other.keys())
    if len(both) < 8:
        return []
    change = [other[hz] - one[hz] for hz in both]
    middle = median(change)
    if median(abs(x - middle) for x in change) <= ROOM_SHAPE_DB:
        return []
    return [
        NotCompared(
            "the shape of the spectrum to a few dB",
            "The room sounds different while the machine stands: another room, or other things "
            "running in it.",
            "Record both in the same place, with the same things switched off.",
        )
    ]


def disabled(before: Side, after: Side) -> frozenset[str]:
    """Families, phases and ``bands`` that are not compared."""
    names = {name for side in (before, after) for p in side.problems for name in p["disables"]}
    if before.phone and after.phone and before.phone != after.phone:
        names |= {"shape", "bands"}
    if {"gain_riding", "noise_gate"} & {
        p["code"] for side in (before, after) for p in side.problems
    }:
        names.add("bands")
    return frozenset(names)


def feature_changes(before: Side, after: Side, scatter: Mapping[str, float]) -> tuple[Change, ...]:
    """Compare all features measured in both; clear and large ones first.

    Parameters
    ----------
    scatter : feature to the standard deviation of one machine's quiet runs
    """
    off = disabled(before, after)
    top = min(side.report["recording"]["bandwidth_hz"] or math.inf for side in (before, after))
    found = []
    for name, feature in BY_NAME.items():
        one, other = before.evidence.get(name), after.evidence.get(name)
        if one is None or other is None or {feature.family, feature.phase} & off:
            continue
        if feature.needs_hz <= 1.05 * top:
            found.append(_change(feature, one, other, scatter.get(name)))
    return tuple(sorted(found, key=_size, reverse=True))


def _change(feature: Feature, one: float, other: float, scatter: float | None) -> Change:
    usual = None if scatter is None else _TWICE * scatter
    change = other - one
    worse = None if feature.worse == 0 or change == 0 else (change > 0) == (feature.worse > 0)
    return Change(
        name=feature.name,
        unit=feature.unit,
        before=one,
        after=other,
        change=change,
        usual_change=usual,
        clear=usual is not None and abs(change) > usual,
        worse=worse,
        says=feature.says,
    )


def _size(change: Change) -> tuple[bool, float]:
    return change.clear, abs(change.change) / change.usual_change if change.usual_change else 0.0


def air_bands(before: Numbers, after: Numbers) -> tuple[float, ...]:
    """Third-octave centres in which both clips hear air noise, by how it falls with speed."""
    found = []
    for centre, name in _EXPONENT_AT.items():
        values = (before.get(name), after.get(name))
        if all(value is not None and value >= AIR_EXPONENT for value in values):
            found.append(centre)
    return tuple(found)


def band_changes(
    before: Side, after: Side, clear_db: float = BAND_CLEAR_DB
) -> tuple[tuple[Change, ...], str]:
    """Compare third octaves, each against the machine's own air noise.

    Returns
    -------
    changes : in order of frequency; empty where bands cannot be compared
    says : what they are measured against, or why there are none
    """
    if "bands" in disabled(before, after):
        return (), "Bands are not compared: see what cannot be compared."
    one, other = steady_bands(dict(before.bands)), steady_bands(dict(after.bands))
    both = sorted(one.keys() & other.keys())
    air = [hz for hz in air_bands(before.evidence, after.evidence) if hz in both]
    says = "Levels are against the machine's own air noise, so that distance and gain cancel."
    if len(air) < LEAST_AIR_BANDS:
        air = [hz for hz in both if _MIDDLE_HZ[0] <= hz <= _MIDDLE_HZ[1]]
        says = (
            "The machine's air noise could not be told by its fall with speed; levels are against "
            "the middle of the spectrum, so a change of the whole middle would not show."
        )
    if len(air) < LEAST_AIR_BANDS:
        return (), "Too few bands stand clear of the room in both clips."
    gain = median(other[hz] - one[hz] for hz in air)
    changes = []
    for hz in both:
        change = other[hz] - one[hz] - gain
        changes.append(
            Change(
                name=f"{hz:g} Hz",
                unit="dB",
                before=one[hz],
                after=other[hz] - gain,
                change=change,
                usual_change=clear_db,
                clear=abs(change) > clear_db,
                worse=None if change == 0 else change > 0,
                says="Third octave of the steady run.",
            )
        )
    return tuple(changes), says


def fault_lines(before: Side, after: Side) -> tuple[str, ...]:
    """Say in whole sentences how each fault's score moved."""
    lines = []
    for name in FAULTS:
        one, other = (side.report["faults"][name] for side in (before, after))
        title = FAULT_TITLES[name]
        if one["probability"] is None or other["probability"] is None:
            continue
        moved = f"(probability {one['probability']:.2f} before, {other['probability']:.2f} after)"
        if one["flagged"] and not other["flagged"]:
            lines.append(f"{title.capitalize()} is no longer over its limit {moved}.")
        elif other["flagged"] and not one["flagged"]:
            lines.append(f"{title.capitalize()} is new {moved}.")
        elif other["flagged"]:
            lines.append(f"{title.capitalize()} is still over its limit {moved}.")
    return tuple(lines) or ("No fault is over its limit, before or after.",)
