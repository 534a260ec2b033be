"""``quietrun check``, with judgements made by hand in place of the pipeline."""

import json
import sys
from dataclasses import replace
from types import SimpleNamespace

import made_analyses as made
import pytest
from click.testing import CliRunner

from quietrun.cli import main
from quietrun.machine import Machine

CLIPS = {
    "quiet.wav": made.quiet,
    "inspect.wav": made.inspect,
    "noisy.wav": made.noisy,
    "empty.wav": made.unreadable,
}


@pytest.fixture
def shop(tmp_path, monkeypatch):
    """A folder of named clips, and a pipeline that judges them by their names."""
    asked = []

    def analyse(path, *, machine):
        asked.append((path, machine))
        return CLIPS[path]()

    for name in CLIPS:
        (tmp_path / name).touch()
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("quietrun.pipeline.analyse", analyse)
    return asked


def run(*args):
    return CliRunner().invoke(main, ["check", *args])


@pytest.mark.parametrize(
    ("clips", "code"),
    [
        (["quiet.wav"], 0),
        (["inspect.wav"], 1),
        (["noisy.wav"], 1),
        (["empty.wav"], 3),
        (["quiet.wav", "noisy.wav", "quiet.wav"], 1),
        (["noisy.wav", "empty.wav", "quiet.wav"], 3),
    ],
)
def test_exit_codes_and_the_worst_of_several(shop, clips, code):
    result = run(*clips)
    assert result.exit_code == code, result.output
    assert [path for path, _ in shop] == clips


def test_one_clip_is_one_json_object(shop):
    result = run("--json", "noisy.wav")
    assert result.exit_code == 1
    assert json.loads(result.stdout)["verdict"] == "noisy"
    assert result.stderr == ""


def test_several_clips_are_json_lines(shop):
    result = run("--json", "quiet.wav", "empty.wav", "noisy.wav")
    words = [json.loads(line)["verdict"] for line in result.stdout.splitlines()]
    assert words == ["quiet", "unusable", "noisy"]


def test_text_separates_clips_and_has_no_colour_when_piped(shop):
    result = run("quiet.wav", "noisy.wav")
    assert result.stdout.count("\n" + "=" * 72 + "\n") == 1
    assert "\x1b" not in result.stdout


def test_features_are_listed_after_the_verdict_or_as_json(shop, monkeypatch):
    monkeypatch.setattr("quietrun.evidence.BY_NAME", made.CATALOGUE)
    shown = run("--features", "quiet.wav").stdout
    assert shown.index("QUIET") < shown.index("knock_rate  12.4 per turn")
    obj = json.loads(run("--features", "--json", "quiet.wav").stdout)
    assert obj["schema"] == "quietrun/features-1"
    assert obj["features"]["hiss_slope"]["because"] == "no coast-down"


def test_options_tell_the_machine(shop):
    run("--mains", "60", "--poles", "2", "--stage", "motor_only", "quiet.wav")
    assert shop[0][1] == Machine(mains_hz=60.0, poles=2, stage="motor_only")


def test_options_overrule_the_machine_file(shop, monkeypatch):
    told = Machine(id="M4", mains_hz=50.0, poles=4, fan_blades=9)
    monkeypatch.setitem(
        sys.modules, "quietrun.machine.file", SimpleNamespace(load=lambda path: told)
    )
    run("--machine-file", "m4.json", "--mains", "60", "quiet.wav")
    assert shop[0][1] == Machine(id="M4", mains_hz=60.0, poles=4, fan_blades=9)


def test_nothing_is_judged_when_one_name_is_wrong(shop):
    result = run("quiet.wav", "noissy.wav")
    assert result.exit_code == 2
    assert shop == []
    assert "There is no file noissy.wav." in result.stderr
    assert "Did you mean noisy.wav?" in result.stderr
    assert result.stdout == ""


def test_a_folder_is_a_usage_error_with_a_way_out(shop, tmp_path):
    (tmp_path / "week").mkdir()
    result = run("week")
    assert result.exit_code == 2
    assert "week is a folder." in result.stderr


@pytest.mark.parametrize(
    ("args", "message"),
    [
        ([], "Missing argument"),
        (["--mains", "55", "quiet.wav"], "'55' is not one of '50', '60'"),
        (["--stage", "half", "quiet.wav"], "is not one of 'hand_spin'"),
        (["--jsno", "quiet.wav"], "--json"),
    ],
)
def test_mistakes_in_the_call_exit_2(shop, args, message):
    result = run(*args)
    assert result.exit_code == 2
    assert message in result.stderr


def test_a_file_name_that_the_terminal_lacks_is_printed_all_the_same(shop, monkeypatch, tmp_path):
    analysis = made.quiet()
    snow = replace(analysis, source=replace(analysis.source, path="\u2603 caf\u00e9.wav"))
    monkeypatch.setitem(CLIPS, "quiet.wav", lambda: snow)
    result = CliRunner(charset="cp1252").invoke(main, ["check", "quiet.wav"])
    assert result.exit_code == 0
    assert "? caf\u00e9.wav" in result.stdout
