"""The commands around the logbook, end to end on closed-form runs and a made model."""

import json
import os
import shutil

import pytest
import soundfile
from click.testing import CliRunner
from made_logbook import MODEL_SHA
from plain_run import plain_run

import quietrun.logbook.tuning  # noqa: F401  # before a patch: else it would keep the made model
from quietrun.cli import main
from quietrun.judge.model import Model, Scorecard, Term
from quietrun.words import FAULTS

# Quiet unless the run-up is slow: enough to tell clips apart without a trained model.
SLOW = Term("run_up_s", (1.2,), (0.0, 9.0), 0.0, (0.3, 1.2))
MODEL = Model(
    name="made",
    sha256=MODEL_SHA,
    features=("run_up_s",),
    cards={
        name: Scorecard(name, -4.0, 0.5, 0.4, (SLOW,) if name == "bearing_noise" else ())
        for name in FAULTS
    },
    unknown=Scorecard("unknown", -4.0, 0.5, 0.4, ()),
)


@pytest.fixture(scope="module")
def sounds(tmp_path_factory):
    """Three closed-form clips as files: two alike, one that starts slowly."""
    folder = tmp_path_factory.mktemp("sounds")
    made = {
        "2026-03-05 10.00.wav": {"seed": 1},
        "2026-04-02 10.00.wav": {"seed": 2},
        "2026-05-07 10.00.wav": {"seed": 3, "run_up_s": 2.0, "off_s": 7.0, "length_s": 13.0},
    }
    for name, changes in made.items():
        clip = plain_run(**changes).clip
        soundfile.write(folder / name, clip.samples, int(clip.rate_hz), subtype="PCM_16")
    return sorted(str(folder / name) for name in made)


def program(home, patch):
    """A function that runs the program with a made model."""
    patch.setenv("QUIETRUN_HOME", str(home))
    for place in ("quietrun.pipeline", "quietrun.logbook.tuning"):
        patch.setattr(f"{place}.general_model", lambda: MODEL)

    def run(*args, code=0):
        result = CliRunner().invoke(main, [str(arg) for arg in args])
        assert result.exit_code == code, result.output + result.stderr
        return result

    return run


@pytest.fixture
def shop(tmp_path, monkeypatch):
    """A fresh home and a made model; gives a function that runs the program."""
    return program(tmp_path / "home", monkeypatch)


@pytest.fixture(scope="module")
def template(tmp_path_factory, sounds):
    """A book with one machine and the two ordinary clips."""
    home = tmp_path_factory.mktemp("template")
    with pytest.MonkeyPatch.context() as patch:
        run = program(home, patch)
        run("machine", "add", "B-014", "--place", "Café Löwenzahn", "--mains", 50)
        run("machine", "edit", "B-014", "--phone", "mine")
        run("logbook", "add", *sounds[:2], "--machine", "B-014")
    return home


@pytest.fixture
def filled(template, shop, tmp_path):
    """The program on a copy of the template."""
    shutil.copytree(template, tmp_path / "home")
    return shop


def as_json(result):
    return json.loads(result.stdout)


def test_a_machine_is_added_edited_listed_and_shown(shop):
    shop("machine", "add", "B-014", "--bearing", "6203-2RS", "--bearing", "8,6.75,28.5")
    shop("machine", "edit", "B-014", "--burr-mm", 98, "--burr-life", "5000-6000")
    shown = as_json(shop("machine", "show", "b-014", "--json"))
    assert [bearing["balls"] for bearing in shown["bearings"]] == [8, 8]
    assert (shown["burr_mm"], shown["burr_life_kg"]) == (98.0, [5000.0, 6000.0])
    assert "B-014" in shop("machine", "list").stdout
    assert as_json(shop("machine", "list", "--json"))["machines"][0]["tag"] == "B-014"
    shop("machine", "edit", "B-014", "--tag", "B-15")
    assert "There is no machine 'B-014'" in shop("machine", "show", "B-014", code=2).stderr


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("machine", "show", "X"), "no logbook at"),
        (("machine", "add", "X", "--bearing", "roller"), "not in the table"),
        (("machine", "add", "X", "--burr-life", "many"), "is no range"),
        (("machine", "add", "show"), "name of a command"),
        (("logbook", "X"), "no logbook at"),
        (("tune", "X"), "no logbook at"),
        (("tune", "X", "--dry-run", "--reset"), "exclude each other"),
        (("machine", "add", "X", "--poles", "3"), "pairs"),
        (("compare", "none.wav", "gone.wav"), "no file none.wav"),
    ],
)
def test_mistakes_are_answered_in_plain_words(shop, args, says):
    result = shop(*args, code=2)
    assert says in result.stderr
    assert "Do:" in result.stderr
    assert result.stdout == ""


def test_clips_are_dated_judged_and_entered_once(filled, sounds):
    again = filled("logbook", "add", sounds[0], "--machine", "B-014", "--temperature", "cold")
    assert "known already, one clip" in again.stdout
    found = as_json(filled("logbook", "B-014", "--json"))
    clips = [clip for visit in found["visits"] for clip in visit["clips"]]
    assert [visit["day"] for visit in found["visits"]] == ["2026-03-05", "2026-04-02"]
    assert [clip["date_source"] for clip in clips] == ["file_name"] * 2
    assert [clip["verdict"] for clip in clips] == ["quiet"] * 2
    assert clips[0]["temperature"] == "cold"
    assert clips[0]["run_up_s"] == pytest.approx(0.8, abs=0.2)
    assert clips[0]["phone"] == "mine"
    text = filled("logbook", "B-014").stdout
    assert "2026-03-05 n" in text
    assert "Trends need 4 visits" in text


def test_a_clip_without_an_answer_is_entered_and_gives_3(filled, tmp_path):
    soundfile.write(tmp_path / "still.wav", [0.0] * 48_000 * 5, 48_000)
    filled("logbook", "add", tmp_path / "still.wav", "--machine", "B-014", code=3)
    found = as_json(filled("logbook", "B-014", "--json"))
    verdicts = [clip["verdict"] for visit in found["visits"] for clip in visit["clips"]]
    assert verdicts.count("unusable") == 1


def test_findings_are_confirmed_one_and_many(filled, sounds, tmp_path):
    out = filled("logbook", "confirm", sounds[0], "quiet", "--note", "ran an hour").stdout
    assert "(2026-03-05): quiet." in out
    refused = filled("logbook", "confirm", sounds[0], "impeller_rub", code=2)
    assert "confirmed as quiet before" in refused.stderr
    (tmp_path / "found.csv").write_text(
        f"clip,finding\n{os.path.basename(sounds[1])},bearing_noise\n"
    )
    assert "1 findings entered" in filled("logbook", "confirm", tmp_path / "found.csv").stdout
    assert "Say what was found" in filled("logbook", "confirm", sounds[0], code=2).stderr


def test_export_import_and_check(filled, tmp_path, monkeypatch):
    filled("logbook", "export", tmp_path / "book.json")
    whole = json.loads((tmp_path / "book.json").read_text())
    assert json.loads(filled("logbook", "export").stdout)["machines"] == whole["machines"]
    out = filled("logbook", "import", tmp_path / "book.json", "--home", tmp_path / "other").stdout
    assert "New: 1 machines, 2 clips, 2 judgements, 0 findings." in out
    assert "is sound: 1 machines, 2 clips" in filled("logbook", "check").stdout
    (tmp_path / "bad.json").write_text('{"schema": NaN}')
    assert "is no number" in filled("logbook", "import", tmp_path / "bad.json", code=2).stderr


def test_tuning_shows_stores_and_resets(filled, sounds):
    before = as_json(filled("tune", "B-014", "--dry-run", "--json"))
    assert (before["stored"], before["runs"]) == (False, 2)
    assert as_json(filled("machine", "list", "--json"))["machines"][0]["tuned"] == []
    text = filled("tune", "B-014").stdout
    assert "B-014, assembled, phone mine: 2 quiet runs" in text
    assert "Stored." in text
    tuned = as_json(filled("machine", "list", "--json"))["machines"][0]["tuned"]
    assert [(one["stage"], one["phone"], one["runs"]) for one in tuned] == [
        ("assembled", "mine", 2)
    ]
    assert "Dropped 1 own limits" in filled("tune", "B-014", "--reset").stdout


def test_own_limits_are_applied_to_later_clips(filled, sounds):
    """A machine that always starts slowly: noisy by the general limit, quiet by its own."""
    filled("logbook", "add", sounds[2], "--machine", "B-014")
    filled("logbook", "confirm", sounds[2], "quiet")
    noisy = as_json(filled("logbook", "B-014", "--json"))["visits"][-1]["clips"][0]
    assert (noisy["verdict"], noisy["flagged"]) == ("noisy", ["bearing_noise"])
    moved = as_json(filled("tune", "B-014", "--json"))["changed_verdicts"]
    assert [(one["before"], one["after_flagged"]) for one in moved] == [("noisy", [])]
    filled("logbook", "add", sounds[2], "--machine", "B-014")
    after = as_json(filled("logbook", "B-014", "--json"))["visits"][-1]["clips"][0]
    assert after["flagged"] == []


def test_new_parts_rest_the_limits_and_remind(filled):
    filled("tune", "B-014")
    out = filled("machine", "new-parts", "B-014", "burrs", "--date", "2026-06-01").stdout
    assert "new burrs on 2026-06-01" in out
    assert "a new baseline begins" in out
    refused = filled("tune", "B-014", code=2)
    assert "no quiet run of stage assembled" in refused.stderr


def test_throughput_gives_a_due_range(filled):
    filled("machine", "edit", "B-014", "--burr-mm", 98)
    filled("machine", "throughput", "B-014", 1000, "--date", "2026-01-01")
    out = filled("machine", "throughput", "B-014", 70, "--per", "week", "--date", "2026-01-01")
    assert "It is due between 20" in out.stdout
    assert "Sound and taste decide" in " ".join(out.stdout.split())
    life = as_json(filled("machine", "throughput", "B-014", 70, "--per", "week", "--json"))
    assert life["due"][0] < life["due"][1]
    assert life["kg_so_far"] > 1000


def test_compare_files_and_clips_of_the_book(filled, sounds):
    text = filled("compare", sounds[0], sounds[1]).stdout
    assert "No fault is over its limit, before or after." in text
    assert "What cannot be compared" not in text
    found = as_json(filled("compare", sounds[0], sounds[2], "--phone", "mine", "--json"))
    (pair,) = found["pairs"]
    changed = {change["name"]: change for change in pair["features"]}
    assert changed["run_up_s"]["change"] == pytest.approx(1.2, abs=0.3)
    assert any("Bearing noise is new" in says for says in pair["says"])
    sha = as_json(filled("logbook", "B-014", "--json"))["visits"][0]["clips"][0]["sha256"]
    by_hash = as_json(filled("compare", sha[:12], sounds[1], "--json"))
    assert by_hash["clips"][0]["day"] == "2026-03-05"
    assert len(by_hash["pairs"][0]["bands"]) > 10


def test_compare_by_stage_narrows_down(shop, sounds):
    found = as_json(
        shop(
            "compare", sounds[0], sounds[2], "--stage", "motor_only", "--stage", "assembled",
            "--json",
        )
    )  # fmt: skip
    assert found["stages"]["first"] == "assembled"
    assert found["stages"]["quiet_before"] == "motor_only"
    wrong = shop("compare", *sounds, "--stage", "motor_only", "--stage", "assembled", code=2)
    assert "--stage is given 2 times for 3 clips" in wrong.stderr


def test_burr_touch_answers_and_keeps_to_its_stage(shop, sounds):
    out = shop("burr-touch", sounds[0])
    assert "No touch is heard" in out.stdout
    assert "Never reach into the chamber" in out.stdout
    refused = shop("burr-touch", sounds[0], "--stage", "assembled", code=2)
    assert "judged as assembled" in refused.stderr


def test_the_picture_is_written(filled, sounds, tmp_path):
    refused = filled("logbook", "B-014", "--picture", tmp_path / "a.png", code=2)
    assert "too few visits for a chart" in refused.stderr
