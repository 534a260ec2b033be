"""What the command line says in cases that are rare: more than fits, nothing alike, a terminal."""

import sys
from types import SimpleNamespace

import pytest

from quietrun.batch.types import Outputs
from quietrun.cli import batch as cli_batch
from quietrun.exhibits import known as known_clips
from quietrun.exhibits.known import Known, told_of
from quietrun.logbook import tuning
from quietrun.machine import Machine
from quietrun.report import compare_text


def change(name, *, clear=True, worse=True, usual=1.0, by=3.0):
    return {
        "name": name,
        "before": 1.0,
        "after": 1.0 + by,
        "change": by,
        "unit": "dB",
        "clear": clear,
        "worse": worse,
        "usual_change": usual,
    }


def pair(features=(), bands=()):
    return {
        "before": "a.wav",
        "after": "b.wav",
        "stage": "assembled",
        "says": ["It says so."],
        "features": list(features),
        "bands": list(bands),
        "bands_against": "Against two quiet runs.",
        "not_compared": [],
    }


def lines(**more):
    found = {"stages": None, "clips": [], "pairs": [], **more}
    return list(compare_text._lines(found, 78))


def test_clips_of_no_stage_in_common():
    clip = {"name": "a.wav", "stage": "assembled", "verdict": "quiet", "flagged": []}
    said = lines(clips=[clip])
    assert said[-1] == "No two of these clips are of the same stage."
    assert "No two" not in "\n".join(lines(clips=[clip], stages={"says": ["By stage."]}))
    assert "No two" not in "\n".join(lines(clips=[clip], pairs=[pair()]))


def test_more_changes_than_are_shown():
    many = [change(f"f{i}") for i in range(compare_text.TOP + 3)]
    said = lines(pairs=[pair(many)])
    assert "  and 3 more (all with --json)" in said
    assert sum("worse" in line for line in said) == compare_text.TOP
    assert not any("more (all" in line for line in lines(pairs=[pair(many[: compare_text.TOP])]))


def test_no_clear_change_and_none_that_could_be():
    said = "\n".join(lines(pairs=[pair([change("f", clear=False)] * 3)]))
    assert "None of 3 measures changed by more than two quiet runs differ." in said
    unknown = "\n".join(lines(pairs=[pair([change("f", clear=False, usual=None)])]))
    assert "not known for this model" in unknown


@pytest.mark.parametrize(("worse", "word"), [(True, "worse"), (False, "better"), (None, "changed")])
def test_which_way_it_changed(worse, word):
    said = lines(pairs=[pair([change("knock_rate", worse=worse)])])
    (line,) = [one for one in said if "knock_rate" in one]
    assert line.split()[0] == word
    assert "1.00 -> 4.00 dB (usual +-1)" in line


def test_third_octaves_louder_and_quieter():
    both = [change("1 kHz", by=4.2), change("2 kHz", by=-5.0)]
    said = "\n".join(lines(pairs=[pair(bands=both)]))
    assert "1 kHz: 4.2 dB louder" in said
    assert "2 kHz: 5.0 dB quieter" in said
    none = "\n".join(lines(pairs=[pair(bands=[change("1 kHz", clear=False, usual=2.5)])]))
    assert "No third octave changed by more than 2.5 dB." in none


# --- a batch ---------------------------------------------------------------------------------


def plan(count, skipped, notes=()):
    return SimpleNamespace(
        items=[None] * count,
        skipped=[SimpleNamespace(path=f"{i}.txt", why="a text") for i in range(skipped)],
        notes=notes,
    )


@pytest.mark.parametrize(
    ("count", "skipped", "first"),
    [
        (1, 0, "1 clip found."),
        (2, 1, "2 clips found, 1 other file skipped."),
        (0, 2, "0 clips found, 2 other files skipped."),
    ],
)
def test_what_was_found(capsys, count, skipped, first):
    cli_batch._say_found(plan(count, skipped))
    assert capsys.readouterr().err.splitlines()[0] == first


def test_no_more_skipped_files_are_named_than_one_reads(capsys):
    most = cli_batch._MOST_SKIPPED
    cli_batch._say_found(plan(1, most + 4, notes=("A machine is new.",)))
    said = capsys.readouterr().err
    assert said.count("  skipped ") == most
    assert "  and 4 more\n" in said
    assert said.endswith("A machine is new.\n")


def test_no_more_failures_are_named_than_one_reads(capsys, tmp_path):
    rows = tmp_path / "o.jsonl"
    rows.write_text("")
    failed = tuple((f"{i}.wav", "no answer") for i in range(cli_batch._MOST_FAILED + 2))
    outcome = SimpleNamespace(failed=failed, kept=3, judged=5)
    cli_batch._sum_up(outcome, Outputs(rows=rows))
    said = capsys.readouterr().err
    assert said.count("No answer: ") == cli_batch._MOST_FAILED
    assert "and 2 more without an answer" in said
    assert "5 judged now, 3 kept from before." in said


def test_a_bar_is_shown_on_a_terminal_alone(monkeypatch):
    """Begun again (another batch of new clips) it starts from the new counts."""
    told = []

    class Bar:
        def __init__(self):
            self.console = SimpleNamespace(print=lambda text, **_: told.append(text))

        def start(self):
            told.append("start")

        def stop(self):
            told.append("stop")

        def add_task(self, name, total, completed):
            told.append((name, completed, total))
            return len(told)

        def remove_task(self, task):
            told.append("removed")

        def advance(self, task):
            told.append("on")

    monkeypatch.setattr(cli_batch, "_bar", Bar)
    monkeypatch.setattr(sys, "stderr", SimpleNamespace(isatty=lambda: True))
    with cli_batch._Shown() as shown:
        shown.begin(5, 1)
        shown.row({})
        shown.note("a sentence")
        shown.begin(7, 2)
    assert told == [
        "start",
        ("Judging", 1, 5),
        "on",
        "a sentence",
        "removed",
        ("Judging", 2, 7),
        "stop",
    ]
    told.clear()
    monkeypatch.setattr(sys, "stderr", None)
    with cli_batch._Shown() as shown:
        shown.begin(5, 1)
        shown.row({})
    assert told == []


def test_the_bar_itself():
    bar = cli_batch._bar()
    task = bar.add_task("Judging", total=3, completed=1)
    bar.advance(task)
    assert bar.tasks[0].completed == 2
    assert bar.live.transient


# --- the book --------------------------------------------------------------------------------


def clip(verdict="quiet", model="m", judged=True, **more):
    latest = SimpleNamespace(verdict=verdict, model_sha256=model, scores={}, evidence={})
    told = {"sha256": "x", "confirmed_faults": (), "confirmed_quiet": False, **more}
    return SimpleNamespace(latest=latest if judged else None, **told)


@pytest.mark.parametrize(
    ("one", "why"),
    [
        (clip(judged=False), "never judged"),
        (clip("unusable"), "carries no verdict"),
        (clip(model="another"), "judged by another model; add it again"),
        (clip(), None),
        (clip("noisy"), None),
    ],
)
def test_why_a_clip_is_not_used_for_tuning(one, why):
    assert tuning._unfit(one, "m") == why


def test_a_clip_that_was_never_judged_has_no_scores():
    with pytest.raises(ValueError, match="never judged"):
        tuning._logged(clip(judged=False), False, None)


@pytest.mark.parametrize(
    ("one", "quiet"),
    [
        (clip(), True),
        (clip("noisy"), False),
        (clip("noisy", confirmed_quiet=True), True),
        (clip(confirmed_faults=("bearing_noise",)), False),
        (clip(judged=False), False),
    ],
)
def test_which_clips_are_quiet_ones(one, quiet):
    assert known_clips._quiet(one) is quiet


def when(source, at, zone_known=True):
    return SimpleNamespace(source=source, at=at, day=at[:10], zone_known=zone_known)


@pytest.mark.parametrize(
    ("moment", "at", "zone"),
    [
        (when("container", "2026-03-02T09:15:00+01:00"), "2026-03-02T09:15:00+01:00", False),
        (when("container", "2026-03-02T09:15:00", False), "2026-03-02T09:15:00", True),
        (when("given", "2026-03-02T00:00:00"), "2026-03-02", False),
    ],
)
def test_when_a_clip_was_recorded(moment, at, zone):
    record = SimpleNamespace(when=moment, note="from the book")
    told = told_of(Known(Machine(), None, record), "x.wav", None)
    assert at in str(told)
    assert ("whose zone is not known" in str(told)) is zone
    assert "from the book" in str(told)
    own = told_of(Known(Machine(), SimpleNamespace(runs=6), record), "x.wav", None, "typed")
    assert "from 6 quiet runs" in str(own)
    assert "typed" in str(own)
