"""Machine files: what a person may write, and what a mistake is told."""

import json

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietrun.errors import UsageError
from quietrun.machine import Bearing, Machine
from quietrun.machine.file import EXAMPLE, MOST_BYTES, SCHEMA, load, machine_from


def write(folder, text, name="machine.toml"):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_the_example_reads_as_it_says(tmp_path):
    assert load(write(tmp_path, EXAMPLE)) == Machine(
        id="B-014",
        mains_hz=50.0,
        poles=4,
        stage="assembled",
        bearings=(Bearing(8, 6.746, 28.5, 0.0, "6203"), Bearing(8, 6.75, 28.5, 0.0, "rear")),
        fan_blades=11,
        phone="shop phone",
    )


def test_the_example_obeys_the_schema():
    import tomllib

    jsonschema.Draft202012Validator.check_schema(dict(SCHEMA))
    jsonschema.validate(tomllib.loads(EXAMPLE), dict(SCHEMA))


def test_json_says_the_same_as_toml(tmp_path):
    toml = write(tmp_path, 'mains_hz = 60\npoles = 2\nbearings = ["6202", 6203]\n')
    same = {"mains_hz": 60, "poles": 2, "bearings": ["6202", 6203]}
    assert load(write(tmp_path, json.dumps(same), "m.json")) == load(toml)


def test_an_empty_file_is_a_machine_of_which_nothing_is_known(tmp_path):
    assert load(write(tmp_path, "")) == Machine()


def test_a_byte_order_mark_does_no_harm(tmp_path):
    assert load(write(tmp_path, "\ufeffpoles = 4\n")).poles == 4


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("pols = 4", "Did you mean poles"),
        ('tag = "B"', "Did you mean id"),
        ("mains = 50", "Did you mean mains_hz"),
        ("blades = 7", "Did you mean fan_blades"),
        ("colour = 3", "Leave it out"),
        ("poles = 3", "Use 2"),
        ("poles = 1", "pairs"),
        ("poles = true", "Use a number"),
        ('poles = "4"', "without quotes"),
        ('mains_hz = "50 Hz"', "without quotes or unit"),
        ("mains_hz = 230", "voltage"),
        ("mains_hz = 100", "hum"),
        ("mains_hz = nan", "plain number"),
        ('stage = "asembled"', "Did you mean assembled"),
        ('stage = "motor only"', "Did you mean motor_only"),
        ("stage = 4", "Use one of"),
        ("fan_blades = 7.5", "whole number"),
        ("fan_blades = 1", "2 to 99"),
        ('id = ""', "1 to 64"),
        ('id = "a\\nb"', "one line"),
        ("id = 14", "in quotes"),
        ('bearings = "6203"', "Write a list"),
        ('bearings = ["6203", "6999"]', "no. 2"),
        ("bearings = [1.5]", "Use a size"),
        ("bearings = [{ balls = 8 }]", "ball_mm and pitch_mm missing"),
        ("bearings = [{ balls = 8, ball_mm = 7, pich_mm = 28 }]", "Did you mean pitch_mm"),
        ("bearings = [{ balls = 8, ball_mm = 30, pitch_mm = 28 }]", "do not fit"),
        ('bearings = [{ balls = "8", ball_mm = 7, pitch_mm = 28 }]', "without quotes"),
        ('bearings = ["6203","6203","6203","6203","6203","6203","6203","6203","6203"]', "at most"),
        ('schema = "quietrun/machine-2"', "newer tool"),
        ("poles 4", "not valid TOML"),
        ("poles = 4\npoles = 2", "not valid TOML"),
        ('{"poles": 4}', "ends in .json"),
        ("x = " + "[" * 5000, "not valid TOML"),
        ("poles = " + "9" * 5000, "poles|not valid TOML"),
    ],
)
def test_a_mistake_is_told_with_what_was_meant(tmp_path, text, says):
    path = write(tmp_path, text)
    with pytest.raises(UsageError, match=says) as caught:
        load(path)
    assert str(path) in caught.value.what
    assert caught.value.do


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[]", "does not hold an object"),
        ("{", "not valid JSON"),
        ('{"poles": 4, "poles": 2}', "comes twice"),
        ('{"mains_hz": NaN}', "not a number"),
        ("[" * 100_000, "nested too deep|not valid JSON|larger"),
        ('{"mains_hz": 1e999}', "plain number"),
        ('{"mains_hz": ' + "1" * 400 + "}", "plain number"),
    ],
)
def test_hostile_json_is_refused(tmp_path, text, says):
    with pytest.raises(UsageError, match=says):
        load(write(tmp_path, text, "m.json"))


def test_a_large_file_is_not_read(tmp_path):
    path = tmp_path / "big.toml"
    path.write_bytes(b"#" * (MOST_BYTES + 1))
    with pytest.raises(UsageError, match="larger than 64 kB"):
        load(path)


def test_a_sound_file_is_not_a_machine_file(tmp_path):
    path = tmp_path / "clip.wav"
    path.write_bytes(b"RIFF\xff\xfe\x00\x00WAVE")
    with pytest.raises(UsageError, match="not UTF-8"):
        load(path)


def test_a_missing_file_names_a_near_one(tmp_path):
    write(tmp_path, "poles = 4", "bench.toml")
    with pytest.raises(UsageError, match=r"Did you mean .*bench\.toml"):
        load(tmp_path / "bensh.toml")


def test_a_folder_is_not_a_file(tmp_path):
    with pytest.raises(UsageError, match="is a folder"):
        load(tmp_path)


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3)
    ),
    max_leaves=6,
)


def outcome(table):
    try:
        return machine_from(table, where="here")
    except UsageError as error:
        return error


@given(st.dictionaries(st.sampled_from(list(SCHEMA["properties"])), VALUES, max_size=4))
def test_any_values_give_a_machine_or_a_plain_error(table):
    found = outcome(table)
    if isinstance(found, UsageError):
        assert found.what.startswith("here")
    else:
        assert isinstance(found, Machine)


@given(
    st.fixed_dictionaries(
        {},
        optional={
            "mains_hz": st.floats(40, 70),
            "poles": st.integers(0, 9),
            "stage": st.sampled_from(["assembled", "hand_spin", "bench"]),
            "fan_blades": st.integers(0, 120),
            "id": st.text("ab ", max_size=4),
        },
    )
)
def test_what_is_read_obeys_the_schema(table):
    """Where the reader takes it, the schema does; blanks around a text are the one exception."""
    if isinstance(outcome(table), Machine):
        jsonschema.validate(table, dict(SCHEMA))
