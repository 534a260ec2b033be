"""``quietrun explain``: the catalogue, row by row."""

import made_analyses as made
import pytest
from click.testing import CliRunner

from quietrun.cli import main
from quietrun.evidence import BY_NAME, CATALOGUE


@pytest.fixture(autouse=True)
def model(monkeypatch):
    monkeypatch.setattr("quietrun.judge.load_model", lambda path=None: made.SCORECARDS)


def run(*args):
    return CliRunner().invoke(main, ["explain", *args])


def test_without_a_name_every_feature_is_listed():
    result = run()
    assert result.exit_code == 0
    assert len(CATALOGUE) > 20
    for name in BY_NAME:
        assert f"  {name}: " in result.stdout


@pytest.mark.parametrize("name", list(BY_NAME))
def test_every_row_can_be_explained(name):
    shown = " ".join(run(name).stdout.split())
    feature = BY_NAME[name]
    assert " ".join(feature.says.split()) in shown
    assert " ".join(feature.source.split()) in shown


def test_a_wrong_name_gets_a_near_one():
    name = next(iter(BY_NAME))
    result = run(name + "x")
    assert result.exit_code == 2
    assert f"Did you mean {name}" in result.stderr
    assert "quietrun explain" in run("zzzzzz").stderr
