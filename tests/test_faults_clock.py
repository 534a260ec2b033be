"""The computer's clock jumps: to the year of a flat battery, far ahead, and back."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from quietrun.batch import manifest, names
from quietrun.cli import main
from quietrun.logbook import baseline, checking, dates, life

QUIET = Path(__file__).parents[1] / "synthetic_audio" / "quiet.opus"
READ_THE_CLOCK = (manifest, names, baseline, checking, dates, life)


@pytest.fixture
def clock(monkeypatch):
    """Set the clock, as far as the logbook and a batch read it."""

    def is_set(*moment):
        class Jumped(datetime):
            @classmethod
            def now(cls, tz=None):
                now = datetime(*moment, tzinfo=UTC)
                return now.astimezone(tz) if tz else now.astimezone().replace(tzinfo=None)

        for module in READ_THE_CLOCK:
            monkeypatch.setattr(module, "datetime", Jumped)

    return is_set


def test_no_other_module_reads_the_clock():
    """The recorder dates its file, which is not the logbook's; the rest is above."""
    src = Path(dates.__file__).parents[1]
    reads = {
        path.stem
        for path in src.rglob("*.py")
        if "datetime.now(" in path.read_text(encoding="utf-8")
    }
    assert reads == {m.__name__.rpartition(".")[2] for m in READ_THE_CLOCK} | {"microphone"}


@pytest.fixture
def run(tmp_path):
    def call(*args, code=(0,)):
        args = [*map(str, args), "--home", str(tmp_path / "book")]
        result = CliRunner().invoke(main, args)
        assert result.exit_code in code, result.output
        return result

    return call


def visits(tmp_path, days):
    paths = []
    for day in days:
        path = tmp_path / "B-014" / f"2026-03-{day:02d} 10.00.opus"
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(QUIET.read_bytes() + bytes(day))
        paths.append(path)
    return paths


def dated(run):
    lines = run("logbook", "show", "B-014").stdout.splitlines()
    return [line[:10] for line in lines if line.startswith("20")]


def test_a_clock_that_was_never_set_is_named_and_nothing_is_written(clock, run, tmp_path):
    first, second = visits(tmp_path, (1, 2))
    clock(2026, 3, 9)
    run("machine", "add", "B-014", "--burr-mm", "98")
    run("logbook", "add", first, "--machine", "B-014")
    before = run("logbook", "export").stdout
    clock(1970, 1, 1)
    for args in (
        ["logbook", "add", second, "--machine", "B-014"],
        ["logbook", "confirm", first, "quiet"],
        ["logbook", "export"],
        ["machine", "throughput", "B-014", "130"],
        ["machine", "new-parts", "B-014", "burrs"],
        ["tune", "B-014"],
        ["batch", tmp_path, "-o", tmp_path / "o.jsonl", "--log", "--jobs", "1"],
    ):
        said = run(*args, code=(2,)).stderr
        assert "This computer's clock cannot be right: it says 1970-01-01" in said, args
        assert "Set the clock" in said
    out = tmp_path / "o.jsonl"
    assert not out.exists() or out.read_bytes() == b"", "told before anything is judged"
    assert dated(run) == ["2026-03-01"], "what is there can be read all the same"
    run("machine", "show", "B-014")
    run("batch", tmp_path, "-o", tmp_path / "o.jsonl", "--jobs", "1")
    clock(2026, 3, 9)
    after = run("logbook", "export").stdout
    assert json.loads(after) | {"written_at": ""} == json.loads(before) | {"written_at": ""}


def test_a_clock_that_runs_ahead_and_is_set_back_loses_and_reorders_nothing(clock, run, tmp_path):
    paths = visits(tmp_path, (1, 2, 3))
    clock(2026, 3, 9)
    run("machine", "add", "B-014")
    moments = [(2026, 3, 9), (2099, 1, 1), (2026, 3, 4)]
    for path, moment in zip(paths, moments, strict=True):
        clock(*moment)
        run("logbook", "add", path, "--machine", "B-014", "--date", path.name[:10])
        run("logbook", "check")
        clock(2026, 3, 9)
    assert dated(run) == ["2026-03-01", "2026-03-02", "2026-03-03"]
    assert "is sound" in run("logbook", "check").stdout
    run("tune", "B-014")
    run("logbook", "export", tmp_path / "book.json")
    other = CliRunner().invoke(
        main, ["logbook", "import", str(tmp_path / "book.json"), "--home", str(tmp_path / "two")]
    )
    assert other.exit_code == 0, other.output
