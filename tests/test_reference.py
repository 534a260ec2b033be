"""What is measured is what the shipped model has learned from (scripts/reference_values.py)."""

import importlib.util
import json
import math
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[1] / "scripts" / "reference_values.py"


def _script():
    spec = importlib.util.spec_from_file_location("reference_values", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


reference = _script()
SAVED = json.loads(reference.SAVED.read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", reference.names())
def test_the_same_is_measured_as_when_the_values_were_written(name):
    told = reference.differences(SAVED.get(name, {}), reference.measured(name))
    assert not told, (
        f"{len(told)} values of {name!r} changed, such as:\n  "
        + "\n  ".join(told[:12])
        + "\nA model holds for what it has learned from. If the change is meant: retrain, or make "
        "sure that it is too small to matter; then run scripts/reference_values.py."
    )


def test_every_clip_has_its_values():
    assert list(SAVED) == reference.names()
    assert len(SAVED) > 10
    for values in SAVED.values():
        numbers = [v for v in values.values() if isinstance(v, float)]
        assert all(math.isfinite(v) for v in numbers)
    assert sum(isinstance(v, float) for v in SAVED["quiet.opus"].values()) > 200


def test_a_difference_is_seen_and_rounding_is_none():
    old = {"a": 1.0, "b": [1, {"c": None}], "d": "not measurable", "e": True, "f": 0.0}
    assert reference.differences(old, {**old, "a": 1.0005, "f": 5e-5}) == []
    assert reference.differences(old, {**old, "a": 1.002}) == ["a: 1.0 was measured, now 1.002"]
    assert reference.differences(old, {**old, "e": 1}) == ["e: True was measured, now 1"]
    assert reference.differences(old, {**old, "b": [1, {"c": 2.0}]}) == [
        "b[1] / c: None was measured, now 2.0"
    ]
    assert reference.differences(old, {**old, "b": [1]}) != []
    gone = {name: value for name, value in old.items() if name != "d"}
    assert reference.differences(old, gone) == [": d is no more"]
    assert reference.differences(gone, old) == [": d is new"]
