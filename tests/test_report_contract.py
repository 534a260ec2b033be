"""The JSON contract of the README, against a schema that is written out here in full."""

import json
import math
from dataclasses import replace

import jsonschema
import made_analyses as made
import pytest

from quietrun import words
from quietrun.evidence import Evidence
from quietrun.fitness import Fitness
from quietrun.report.contract import features_object, to_json, to_object
from quietrun.run import CoastDown, Run


def fields(**properties):
    """An object with exactly these fields, all of them required."""
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


def listed(items):
    return {"type": "array", "items": items}


def enum(values):
    return {"enum": list(values)}


STRING = {"type": "string"}
BOOL = {"type": "boolean"}
NUMBER = {"type": ["number", "null"]}
SECONDS = {"type": ["number", "null"], "minimum": 0}
SHARE = {"type": ["number", "null"], "minimum": 0, "maximum": 1}
TEXT_OR_NULL = {"type": ["string", "null"]}
HASH = {"type": ["string", "null"], "pattern": "^[0-9a-f]{64}$"}
RANGE = {"type": ["array", "null"], "items": NUMBER, "minItems": 2, "maxItems": 2}
SENTENCES = listed({"type": "string", "minLength": 1})

REASON = fields(
    feature=STRING, value=NUMBER, unit=STRING, usual=RANGE, points={"type": "number"}, says=STRING
)
FAULT = fields(probability=SHARE, limit=SHARE, flagged=BOOL, possible=BOOL, reasons=listed(REASON))
SCHEMA = fields(
    schema={"const": "quietrun/verdict-1"},
    tool=fields(version=STRING, model=STRING, model_sha256=HASH),
    clip=fields(
        path=STRING,
        sha256=HASH,
        container=TEXT_OR_NULL,
        codec=TEXT_OR_NULL,
        sample_rate_hz=NUMBER,
        channels={"type": ["integer", "null"], "minimum": 1},
        duration_s=SECONDS,
        recorded_at=TEXT_OR_NULL,
    ),
    machine=fields(
        id=TEXT_OR_NULL, mains_hz=NUMBER, poles=enum([2, 4, None]), stage=enum(words.STAGES)
    ),
    recording=fields(
        usable=BOOL,
        bandwidth_hz=NUMBER,
        room_snr_db=NUMBER,
        problems=listed(
            fields(
                code=enum((*words.PROBLEMS, *words.UNREADABLE)),
                what=STRING,
                why=STRING,
                do=STRING,
                disables=listed(STRING),
            )
        ),
    ),
    run=fields(
        mains_hz=NUMBER,
        switched_on_s=SECONDS,
        at_speed_s=SECONDS,
        switched_off_s=SECONDS,
        at_rest_s=SECONDS,
        start_switch_open_s=SECONDS,
        start_switch_close_s=SECONDS,
        start_switch_open_share_of_speed=SHARE,
        start_switch_close_share_of_speed=SHARE,
        running_rpm=NUMBER,
        slip_percent=NUMBER,
        run_up_s=SECONDS,
        coast_down_s=SECONDS,
        drag=fields(coulomb=SHARE, viscous=SHARE, windage=SHARE),
    ),
    faults=fields(**dict.fromkeys(words.FAULTS, FAULT)),
    findings=listed(
        fields(
            code=enum(words.FINDINGS),
            says=STRING,
            value=NUMBER,
            unit=STRING,
            usual=RANGE,
            look_at=STRING,
        )
    ),
    contacts={
        "anyOf": [
            {"type": "null"},
            listed(fields(t=SECONDS, until=SECONDS, turn_share=SHARE)),
        ]
    },
    verdict=enum(words.VERDICTS),
    because=SENTENCES,
    look_first=SENTENCES,
    not_heard=SENTENCES,
    cautions=SENTENCES,
)


def strict(text):
    """Read JSON as strict readers do: no NaN, no Infinity."""

    def refuse(constant):
        raise AssertionError(f"{constant} is not JSON")

    return json.loads(text, parse_constant=refuse)


@pytest.mark.parametrize("name", made.ALL)
def test_every_field_is_there_always(name):
    obj = strict(to_json(to_object(made.ALL[name]())))
    jsonschema.Draft202012Validator(SCHEMA).validate(obj)


def test_the_schema_refuses_a_missing_and_a_new_field():
    obj = to_object(made.quiet())
    validator = jsonschema.Draft202012Validator(SCHEMA)
    missing = {key: value for key, value in obj.items() if key != "contacts"}
    assert not validator.is_valid(missing)
    assert not validator.is_valid(obj | {"extra": 1})
    obj["run"].pop("slip_percent")
    assert not validator.is_valid(obj)


def test_values_of_a_whole_run_arrive_in_their_places():
    obj = to_object(made.noisy())
    run = obj["run"]
    assert (run["switched_on_s"], run["switched_off_s"], run["at_rest_s"]) == (1.2, 6.4, 9.8)
    assert run["run_up_s"] == pytest.approx(0.9)
    assert run["coast_down_s"] == 3.4
    assert run["start_switch_open_share_of_speed"] == 0.74
    assert run["start_switch_close_s"] is None
    # 4 poles on 50.014 Hz: 1500.42 rpm synchronous; 24.87 turns a second are 1492.2 rpm.
    assert run["running_rpm"] == 1492.2
    assert run["slip_percent"] == pytest.approx(100 * (1 - 1492.2 / 1500.42), abs=0.01)
    assert run["drag"] == {"coulomb": 0.5, "viscous": 0.2, "windage": 0.3}
    bearing = obj["faults"]["bearing_noise"]
    assert bearing["flagged"]
    assert bearing["probability"] == 0.979
    assert [reason["points"] for reason in bearing["reasons"]] == [-0.4, 0.3, 2.1]
    assert bearing["reasons"][2]["value"] == 12.44
    assert obj["findings"][0]["usual"] == [5.0, 9.0]
    assert obj["machine"] == {"id": "M17", "mains_hz": 50.0, "poles": 4, "stage": "assembled"}


def test_coast_down_without_a_fit_runs_from_switch_off_to_rest():
    run = replace(made.full_run(), coast=None)
    obj = to_object(replace(made.quiet(), run=run))
    assert obj["run"]["coast_down_s"] == pytest.approx(3.4)
    assert set(obj["run"]["drag"].values()) == {None}
    nothing = to_object(replace(made.quiet(), run=replace(run, rest_s=None)))
    assert nothing["run"]["coast_down_s"] is None


def test_the_stage_says_which_faults_are_possible_without_scores():
    faults = to_object(made.unreadable())["faults"]  # stage motor_only
    assert {fault: row["possible"] for fault, row in faults.items()} == {
        "bearing_noise": True,
        "impeller_rub": True,
        "pre_breaker_wobble": False,
        "burr_contact": False,
    }
    assert not any(row["flagged"] for row in faults.values())


def test_contacts_are_null_unless_burrs_are_set():
    assert to_object(made.quiet())["contacts"] is None
    assert to_object(made.burr_setting())["contacts"] == [
        {"t": 4.123, "until": 5.5, "turn_share": 0.3}
    ]


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_not_finite_becomes_null(value):
    run = Run(shaft_hz=value, mains_hz=value, coast=CoastDown(value, value, 0.5, 0.5, None, 1.0))
    made_so = replace(
        made.quiet(),
        run=run,
        fitness=Fitness(value, value, ()),
        evidence=Evidence({"knock_rate": value, "hiss_slope": value}),
    )
    obj = strict(to_json(to_object(made_so)))
    assert obj["run"]["running_rpm"] is None
    assert obj["run"]["coast_down_s"] is None
    assert obj["run"]["drag"]["coulomb"] is None
    assert obj["recording"]["bandwidth_hz"] is None
    features = strict(to_json(features_object(made_so, made.CATALOGUE)))["features"]
    assert features["knock_rate"]["value"] is None


def test_json_refuses_a_number_that_is_not_one():
    with pytest.raises(ValueError, match="Out of range float"):
        to_json({"value": math.nan})


@pytest.mark.parametrize(
    ("path", "shown"),
    [
        ("caf\u00e9/\u2603.wav", "caf\u00e9/\u2603.wav"),
        ("bad\udce9.wav", "bad\\xe9.wav"),  # a byte that is no UTF-8, as Linux hands it over
        ("line\nbreak.wav", "line\nbreak.wav"),
    ],
)
def test_any_file_name_survives_in_plain_ascii(path, shown):
    analysis = made.quiet()
    text = to_json(to_object(replace(analysis, source=replace(analysis.source, path=path))))
    assert text.isascii()
    assert "\n" not in text
    assert strict(text)["clip"]["path"] == shown


def test_features_list_the_whole_catalogue_with_reasons_for_gaps():
    obj = features_object(made.quiet(), made.CATALOGUE)
    assert obj["features"]["knock_rate"] == {
        "value": 12.44,
        "unit": "per turn",
        "phase": "steady",
        "because": None,
    }
    assert obj["features"]["hiss_slope"]["because"] == "no coast-down"
    empty = features_object(made.unreadable(), made.CATALOGUE)["features"]
    assert all(row["value"] is None and row["because"] for row in empty.values())
