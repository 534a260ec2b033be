"""The bearing-record script on real damage, blind, and on noise."""

import importlib.util
import json
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.io import savemat

ROOT = Path(__file__).parents[1]
RECORDS = ROOT.parent / "shared" / "data" / "cwru"
needs_records = pytest.mark.skipif(
    not RECORDS.is_dir(), reason=f"real records are not there: {RECORDS}"
)


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location(
        "check_bearing_records", ROOT / "scripts" / "check_bearing_records.py"
    )
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


# What the data centre's own pages say of each record (number: damage, expected rate in Hz).
TRUTH = {
    "97": (None, None),
    "105": ("drive end inner", 162.19),
    "118": (None, None),  # a ball: known to show no clear lines, so nothing may be claimed
    "130": ("drive end outer", 107.31),
    "169": ("drive end inner", 162.09),
    "294": ("fan end outer", 91.44),
}


def record_of(number):
    return next(path for path in RECORDS.glob("*.mat") if path.name.startswith(f"{number}_"))


@needs_records
@pytest.mark.parametrize("number", TRUTH)
def test_real_damage_is_named_and_health_left_alone(script, number):
    damage, expected_hz = TRUTH[number]
    found = script.judge_record(record_of(number))
    assert list(found.claims) == ([] if damage is None else [damage])
    if damage:
        line = found.claims[damage]
        assert abs(line.off_percent) < 1.2
        assert line.found * found.rpm / 60 == pytest.approx(expected_hz, rel=0.012)
        assert line.certain >= 2


@needs_records
@pytest.mark.parametrize("number", ["97", "118"])
def test_health_is_left_alone_at_either_rate(script, number):
    """The healthy record is taken at 48 kHz by its shaft lines; at 12 kHz it is as silent."""
    for rate in script.RATES_HZ:
        assert script.judge_record(record_of(number), rate_hz=rate).claims == {}


@needs_records
def test_the_rate_is_measured(script):
    rates = {n: script.judge_record(record_of(n)).rate_hz for n in TRUTH}
    assert rates.pop("97") == 48_000
    assert set(rates.values()) == {12_000}


@needs_records
@pytest.mark.parametrize("settings", [(200.0, 500.0), (800.0, 1000.0)])
def test_the_choices_of_band_do_not_decide(script, monkeypatch, settings):
    """Other lowest and narrowest bands than the script's, same answers."""
    monkeypatch.setattr(script, "LOWEST_HZ", settings[0])
    monkeypatch.setattr(script, "NARROWEST_HZ", settings[1])
    found = {n: list(script.judge_record(record_of(n)).claims) for n in TRUTH}
    assert found == {n: [] if damage is None else [damage] for n, (damage, _) in TRUTH.items()}


@needs_records
def test_json_of_a_folder(script, capsys):
    assert script.main([str(RECORDS), "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert len(rows) == len(TRUTH)
    assert {row["schema"] for row in rows} == {"quietrun/bearing-record-1"}
    claims = {row["file"].split("_")[0]: [c["defect"] for c in row["claims"]] for row in rows}
    assert claims == {n: [] if d is None else [d] for n, (d, _) in TRUTH.items()}


@needs_records
def test_text_of_a_folder(script, capsys):
    assert script.main([str(RECORDS)]) == 0
    said = capsys.readouterr().out
    assert said.count("nothing claimed") == 2
    assert "fan end outer race damage: line at 91.8" in said


def test_coloured_noise_claims_nothing(script):
    draws = list(script.draw(40, seed=2, seconds=4.0))
    assert len(draws) == 40
    assert not any(line.claimed for lines in draws for line in lines)
    assert script.rate_of(draws, -1.0) <= 0.1 + 4 * (0.09 / 40) ** 0.5


def test_draws_are_reported(script, capsys):
    assert script.main(["--draws", "3"]) == 0
    said = capsys.readouterr().out
    assert "claims: 0 of 3" in said
    assert "any harmonic certain (asked for: 0.001): 0 of 3" in said


def test_what_is_no_record(script, tmp_path, capsys):
    assert script.main([str(tmp_path)]) == 2
    assert "holds no .mat files" in capsys.readouterr().err
    assert script.main([str(tmp_path / "none")]) == 2
    assert "is no folder" in capsys.readouterr().err
    (tmp_path / "a.mat").write_bytes(b"not a record")
    savemat(tmp_path / "b.mat", {"X001_DE_time": np.zeros(20_000)})
    savemat(tmp_path / "c.mat", {"X001RPM": 1797})
    assert script.main([str(tmp_path)]) == 3
    said = capsys.readouterr().err
    assert "a.mat is no .mat record" in said
    assert said.count("holds no speed or no accelerations") == 2


def test_silence_is_no_record_of_health(script, tmp_path, capsys):
    savemat(tmp_path / "a.mat", {"X001_DE_time": np.zeros(20_000), "X001RPM": 1797})
    assert script.main([str(tmp_path)]) == 3
    assert "silence is not health" in capsys.readouterr().err
