"""A machine described in a small file, TOML or JSON.

Conventions
-----------
Every key is optional; what is not known is left out. Unknown keys are refused with a guess at
what was meant, because a misspelt ``poles`` that is silently passed over would cost a verdict.
``EXAMPLE`` is such a file, ``SCHEMA`` says the same for programs (JSON Schema 2020-12).
"""

from __future__ import annotations

import difflib
import json
import math
import re
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from quietrun.errors import UsageError
from quietrun.machine.bearings import LIMITS, SIZES, own_geometry, parse
from quietrun.machine.types import Bearing, Machine
from quietrun.words import STAGES

FORMAT = "quietrun/machine-1"
MOST_BYTES = 64 * 1024
MOST_BEARINGS = 8

EXAMPLE = """\
# A machine as its technician knows it. Leave out what you do not know.
schema = "quietrun/machine-1"
id = "B-014"                 # your own tag
mains_hz = 50                # 50 or 60; measured if left out
poles = 4                    # 2: about 3000 rpm on 50 Hz, 4: about 1500
stage = "assembled"          # hand_spin, motor_only, assembled or burr_setting
fan_blades = 11              # blades of the cooling impeller
phone = "shop phone"         # recordings of one phone are compared with each other

# Bearings: the number printed on them, or their own geometry in mm.
bearings = [
    "6203-2RS",
    { balls = 8, ball_mm = 6.75, pitch_mm = 28.5, contact_deg = 0, name = "rear" },
]
"""

_TEXT = {"type": "string", "minLength": 1, "maxLength": 64}
SCHEMA: Mapping[str, Any] = MappingProxyType(
    {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "machine",
        "type": "object",
        "additionalProperties": False,
        "properties": {
            "schema": {"const": FORMAT},
            "id": _TEXT,
            "mains_hz": {"type": "number", "minimum": 45, "maximum": 65},
            "poles": {"enum": [2, 4]},
            "stage": {"enum": list(STAGES)},
            "fan_blades": {"type": "integer", "minimum": 2, "maximum": 99},
            "phone": _TEXT,
            "bearings": {
                "type": "array",
                "maxItems": MOST_BEARINGS,
                "items": {
                    "anyOf": [
                        _TEXT,
                        {
                            "type": "object",
                            "additionalProperties": False,
                            "required": ["balls", "ball_mm", "pitch_mm"],
                            "properties": {
                                "name": {"type": "string", "maxLength": 64},
                                **{
                                    key: {"type": "number", "minimum": low, "maximum": high}
                                    for key, (low, high) in LIMITS.items()
                                },
                            },
                        },
                    ]
                },
            },
        },
    }
)
KEYS = tuple(SCHEMA["properties"])
_BEARING_KEYS = (*LIMITS, "name")

#: What people write instead.
_MEANT = {
    "tag": "id",
    "machine": "id",
    "name": "id",
    "frequency": "mains_hz",
    "hz": "mains_hz",
    "blades": "fan_blades",
    "bearing": "bearings",
    "pole_pairs": "poles",
    "pitch_diameter": "pitch_mm",
    "ball_diameter": "ball_mm",
    "contact_angle": "contact_deg",
}


def load(path: str | Path) -> Machine:
    """Read a machine file.

    Parameters
    ----------
    path : str or Path
        ``.json`` is read as JSON, anything else as TOML.

    Raises
    ------
    UsageError
        The file is not there, too large, not readable as text, or says something wrong.
    """
    path = Path(path)
    text = _text_of(path)
    kind = _from_json if path.suffix.lower() == ".json" else _from_toml
    return machine_from(kind(text, str(path)), where=str(path))


def machine_from(table: Mapping[str, Any], *, where: str) -> Machine:
    """Make a machine of keys and values as ``SCHEMA`` allows them.

    Parameters
    ----------
    table : mapping
    where : str
        What to call the source in messages.

    Raises
    ------
    UsageError
        An unknown key, or a value that cannot be right.
    """
    for key in table:
        if key not in KEYS:
            raise _unknown(where, key, KEYS)
    gates: dict[str, Callable[[Any, str], Any]] = {
        "schema": _format,
        "id": _word,
        "mains_hz": _mains,
        "poles": _poles,
        "stage": _stage,
        "fan_blades": _blades,
        "phone": _word,
        "bearings": _bearings,
    }
    values = {key: gates[key](value, f"{where}, {key}") for key, value in table.items()}
    values.pop("schema", None)
    return Machine(**values)


def _text_of(path: Path) -> str:
    try:
        with path.open("rb") as file:
            raw = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise UsageError(
            f"There is no machine file {path}.", "Nothing was judged.", _nearest(path)
        ) from None
    except IsADirectoryError:
        raise UsageError(
            f"{path} is a folder.", "A machine file is one text file.", "Name the file itself."
        ) from None
    except OSError as error:
        raise UsageError(
            f"The machine file {path} cannot be opened: {error.strerror}.",
            "Nothing was judged.",
            "Check the name and whether you may read it.",
        ) from None
    if len(raw) > MOST_BYTES:
        raise UsageError(
            f"The machine file {path} is larger than {MOST_BYTES // 1024} kB.",
            "A machine file holds a few lines; this is something else.",
            "Name the file that describes the machine.",
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UsageError(
            f"The machine file {path} is not UTF-8 text (byte {error.start}).",
            "It may be a sound file, or a text in an old encoding.",
            "Save it as UTF-8 text.",
        ) from None


def _nearest(path: Path) -> str:
    try:
        names = [entry.name for entry in path.parent.iterdir()]
    except OSError:
        return f"Check the folder: {path.parent} cannot be listed."
    near = difflib.get_close_matches(path.name, names, n=1)
    return f"Did you mean {path.parent / near[0]}?" if near else "Check the name."


def _from_toml(text: str, where: str) -> Mapping[str, Any]:
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        hint = 'Write one `key = value` a line, words in quotes: stage = "assembled".'
        if text.lstrip().startswith("{"):
            hint = "This looks like JSON: give the file a name that ends in .json."
        raise UsageError(
            f"The machine file {where} is not valid TOML: {_one_line(error)}.",
            "Nothing of it was used.",
            hint,
        ) from None


def _from_json(text: str, where: str) -> Mapping[str, Any]:
    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        keys = [key for key, _ in pairs]
        twice = next((key for key in keys if keys.count(key) > 1), None)
        if twice is not None:
            raise ValueError(f"the key {_shown(twice)} comes twice")
        return dict(pairs)

    def no_constant(word: str) -> Any:
        raise ValueError(f"{word} is not a number")

    try:
        table = json.loads(text, object_pairs_hook=once, parse_constant=no_constant)
    except (ValueError, RecursionError) as error:
        raise UsageError(
            f"The machine file {where} is not valid JSON: {_one_line(error)}.",
            "Nothing of it was used.",
            'Write it like {"mains_hz": 50, "poles": 4, "bearings": ["6203"]}.',
        ) from None
    if not isinstance(table, dict):
        raise UsageError(
            f"The machine file {where} does not hold an object.",
            "A machine is a set of names and values.",
            'Write it like {"mains_hz": 50, "poles": 4, "bearings": ["6203"]}.',
        )
    return table


def _format(value: Any, where: str) -> str:
    if value == FORMAT:
        return FORMAT
    raise _bad(where, value, f'Only "{FORMAT}" is known; leave the line out or use a newer tool.')


def _word(value: Any, where: str) -> str:
    if not isinstance(value, str):
        raise _bad(where, value, "Write it as text, in quotes.")
    clean = value.strip()
    if not clean or len(clean) > 64 or not clean.isprintable():
        raise _bad(where, value, "Use 1 to 64 letters, digits and signs on one line.")
    return clean


def _number(value: Any, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        unit = isinstance(value, str) and re.fullmatch(r"\s*[\d.]+\s*\w*\s*", value)
        raise _bad(
            where,
            value,
            "Write the bare number, without quotes or unit." if unit else "Use a number.",
        )
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise _bad(where, value, "Use a plain number.")
    return number


def _mains(value: Any, where: str) -> float:
    number = _number(value, where)
    if not 45.0 <= number <= 65.0:
        do = "Mains is 50 or 60 Hz."
        if number in (100.0, 110.0, 115.0, 120.0, 127.0, 220.0, 230.0, 240.0):
            do = f"Is {number:g} the voltage, or the hum? Mains frequency is 50 or 60 Hz."
        raise _bad(where, value, do)
    return number


def _poles(value: Any, where: str) -> int:
    number = _number(value, where)
    if number not in (2.0, 4.0):
        do = "Use 2 (about 3000 rpm on 50 Hz) or 4 (about 1500)."
        if number == 1.0:
            do = "Poles, not pairs: one pair is 2 poles, two pairs are 4."
        raise _bad(where, value, do)
    return int(number)


def _stage(value: Any, where: str) -> str:
    if isinstance(value, str) and value in STAGES:
        return value
    near = difflib.get_close_matches(str(value).strip().lower().replace(" ", "_"), STAGES, n=1)
    hint = f"Did you mean {near[0]}? " if near else ""
    raise _bad(where, value, f"{hint}Use one of {', '.join(STAGES)}.")


def _blades(value: Any, where: str) -> int:
    number = _number(value, where)
    if number != int(number) or not 2 <= number <= 99:
        raise _bad(where, value, "Use the whole number of blades, 2 to 99.")
    return int(number)


def _bearings(value: Any, where: str) -> tuple[Bearing, ...]:
    if not isinstance(value, list):
        raise _bad(where, value, 'Write a list, such as bearings = ["6203", "6202"].')
    if len(value) > MOST_BEARINGS:
        raise _bad(where, len(value), f"Name at most {MOST_BEARINGS}.")
    return tuple(_bearing(item, f"{where}, no. {i}") for i, item in enumerate(value, 1))


def _bearing(value: Any, where: str) -> Bearing:
    if isinstance(value, int) and not isinstance(value, bool) and str(value) in SIZES:
        value = str(value)  # 6203 without quotes
    if isinstance(value, str):
        return _located(where, parse, value)
    if not isinstance(value, dict):
        raise _bad(where, value, 'Use a size such as "6203", or a table of its geometry.')
    for key in value:
        if key not in _BEARING_KEYS:
            raise _unknown(where, key, _BEARING_KEYS)
    missing = [key for key in ("balls", "ball_mm", "pitch_mm") if key not in value]
    if missing:
        raise UsageError(
            f"{where}: {' and '.join(missing)} missing.",
            "Without balls, ball and pitch diameter the defect lines are not known.",
            'Give all three, or a size such as "6203".',
        )
    numbers = [_number(value[key], f"{where}, {key}") for key in LIMITS if key in value]
    name = _word(value["name"], f"{where}, name") if value.get("name") else ""
    bearing: Bearing = _located(where, own_geometry, *numbers)
    return Bearing(bearing.balls, bearing.ball_mm, bearing.pitch_mm, bearing.contact_deg, name)


def _located(where: str, make: Callable[..., Bearing], *args: Any) -> Bearing:
    try:
        return make(*args)
    except UsageError as error:
        raise UsageError(f"{where}: {error.what}", error.why, error.do) from None


def _unknown(where: str, key: str, known: tuple[str, ...]) -> UsageError:
    guess = _MEANT.get(key.lower().replace("-", "_"))
    near = [guess] if guess in known else difflib.get_close_matches(key, known, n=1, cutoff=0.5)
    do = f"Did you mean {near[0]}?" if near else "Leave it out."
    return UsageError(
        f"{where}: unknown key {_shown(key)}.", f"Known keys: {', '.join(known)}.", do
    )


def _bad(where: str, value: Any, do: str) -> UsageError:
    return UsageError(f"{where}: {_shown(value)} cannot be right.", "Nothing was judged.", do)


def _shown(value: object) -> str:
    try:
        shown = ascii(value)
    except ValueError:  # an integer of thousands of digits
        shown = "a very long number"
    return shown if len(shown) <= 40 else shown[:37] + "..."


def _one_line(error: Exception) -> str:
    if isinstance(error, RecursionError):
        return "nested too deep"
    return " ".join(str(error).split())[:120] or type(error).__name__
