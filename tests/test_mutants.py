"""The faults that ``scripts/mutants.py`` puts in, and how it tells what became of them."""

import dataclasses
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPTS = Path(__file__).parents[1] / "scripts"
sys.path.insert(0, str(SCRIPTS))

from mutants import cli, cover, tree  # noqa: E402
from mutants.equal import EQUAL, why_equal  # noqa: E402
from mutants.operators import mutants_of  # noqa: E402

SOURCE = '''"""Module: 1 + 2 < 3."""
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    Array = dict[int, str]
LIMIT = 0.5
CACHE_BLOCK = 64
TINY = 1e-12


@lru_cache(maxsize=4)
def f(xs: list[int] | None = 3) -> int | None:
    """Say -1."""
    if len(xs) < LIMIT and not xs:
        raise ValueError(f"{1 + 2} is not {3}")
    xs[0] = -xs[1] * 2
    total = {}
    total += xs
    print(total)
    return np.max(xs) if xs else sum(xs)
'''


def changes(source):
    return {(m.line, m.kind, m.before, m.after) for m in mutants_of("dsp/x.py", source)}


def test_every_kind_of_fault_is_offered():
    assert changes(SOURCE) == {
        (6, "constant", "0.5", "1.0"),
        (12, "constant", "3", "4"),
        (14, "condition", "len(xs) < LIMIT and not xs", "(not (len(xs) < LIMIT and (not xs)))"),
        (14, "and-or", "len(xs) < LIMIT and not xs", "(len(xs) < LIMIT or not xs)"),
        (14, "compare", "len(xs) < LIMIT", "(len(xs) >= LIMIT)"),
        (14, "boundary", "len(xs) < LIMIT", "(len(xs) <= LIMIT)"),
        (14, "sign", "not xs", "(xs)"),
        (16, "removed", "xs[0] = -xs[1] * 2", "pass"),
        (16, "arithmetic", "-xs[1] * 2", "(-xs[1] / 2)"),
        (16, "sign", "-xs[1]", "(xs[1])"),
        (16, "constant", "1", "2"),
        (16, "constant", "2", "3"),
        (18, "removed", "total += xs", "pass"),
        (19, "removed", "print(total)", "pass"),
        (20, "return", "return np.max(xs) if xs else sum(xs)", "return None"),
        (20, "choice", "np.max(xs) if xs else sum(xs)", "(sum(xs) if xs else np.max(xs))"),
        (20, "function", "np.max", "np.min"),
        (20, "function", "sum", "mean"),
    }


def test_one_change_is_made_and_nothing_else():
    source = "x = 'é'; y = a + 1\nz = 3\n"
    (plus,) = [m for m in mutants_of("dsp/x.py", source) if m.kind == "arithmetic"]
    assert plus.applied(source) == "x = 'é'; y = (a - 1)\nz = 3\n"
    assert plus.name == "dsp/x.py:1:arithmetic:14"


def test_every_change_to_the_real_modules_compiles_and_is_one():
    found = 0
    for module in cli.modules_of(tree.ROOT, cli.PARTS)[::6]:
        source = (tree.ROOT / tree.SRC / module).read_text(encoding="utf-8")
        for mutant in mutants_of(module, source)[::10]:
            changed = mutant.applied(source)
            assert changed != source
            compile(changed, module, "exec")
            found += 1
    assert found > 100


def test_the_draw_is_even_seeded_and_one_a_line():
    drawn = cli.draw(tree.ROOT, ["dsp", "judge"], 21, seed=3)
    assert drawn == cli.draw(tree.ROOT, ["dsp", "judge"], 21, seed=3)
    assert drawn != cli.draw(tree.ROOT, ["dsp", "judge"], 21, seed=4)
    assert [m.module[:3] for m in drawn] == ["dsp"] * 11 + ["jud"] * 10
    assert len({(m.module, m.line) for m in drawn}) == 21


def test_an_edit_elsewhere_leaves_the_draw(tmp_path):
    source = "".join(f"def f{i}(x):\n    return x + {i}\n\n\n" for i in range(40))
    folder = tmp_path / tree.SRC / "dsp"
    folder.mkdir(parents=True)

    def drawn(text):
        (folder / "many.py").write_text(text)
        return {(m.kind, m.before, m.after) for m in cli.draw(tmp_path, ["dsp"], 10, seed=0)}

    before = drawn(source)
    assert len(before & drawn("def new(y):\n    return y * 7\n\n\n" + source)) >= 9


def test_the_likeliest_tests_come_first_and_lines_of_import_concern_all():
    seconds = {"t.py::far": 0.1, "tests/test_dsp_x.py::own": 5.0, "tests/test_dsp_y.py::part": 1.0}
    known = cover.Map(seconds, {"dsp/x.py": {7: list(seconds), 9: ["t.py::far"]}})
    own_first = ["tests/test_dsp_x.py::own", "tests/test_dsp_y.py::part", "t.py::far"]
    assert known.tests_for("dsp/x.py", 6, 7, 60.0) == own_first
    assert known.tests_for("dsp/x.py", 9, 9, 60.0) == ["t.py::far"]
    assert known.tests_for("dsp/x.py", 1, 1, 6.0) == own_first[:2]
    assert known.tests_for("dsp/x.py", 7, 7, 0.0) == own_first[:1], "one at least"
    assert known.tests_for("dsp/z.py", 1, 1, 60.0) == []


@pytest.fixture
def small(tmp_path):
    """A tree of one module and its test."""
    made = tmp_path / "main"
    (made / tree.SRC / "dsp").mkdir(parents=True)
    (made / "tests").mkdir()
    (made / tree.SRC / "dsp" / "half.py").write_text(
        "def half(x):\n    return x / 2\n\n\ndef spare(x):\n    while x > 0:\n        x -= 1\n"
        "    return 3\n"
    )
    (made / "src/quietrun/__init__.py").write_text("")
    (made / "src/quietrun/dsp/__init__.py").write_text("")
    (made / "tests/test_dsp_half.py").write_text(
        "from quietrun.dsp.half import half, spare\n\n\n"
        "def test_half():\n    assert half(8.0) == 4.0\n    assert spare(2) > 0\n"
    )
    (made / "pyproject.toml").write_text("[tool.pytest.ini_options]\nmarkers = ['slow: x']\n")
    return made


def test_what_the_tests_see_is_caught_and_the_rest_survives(small, monkeypatch):
    pytest.importorskip("pytest_cov", reason="the map of tests is made by pytest-cov")
    known = cover.measure(small, ["dsp/half.py"], None)
    assert known.lines["dsp/half.py"][2] == ["tests/test_dsp_half.py::test_half"]
    source = (small / tree.SRC / "dsp/half.py").read_text()
    monkeypatch.setattr(cli, "LEAST_S", 5.0)
    outcome = {
        (m.line, m.after): cli.tried(small, m, known, 60.0)
        for m in mutants_of("dsp/half.py", source)
        if m.kind in ("arithmetic", "removed") or m.before == "3"
    }
    assert {key: (told["caught"], told["by"]) for key, told in outcome.items()} == {
        (2, "(x * 2)"): (True, "tests/test_dsp_half.py::test_half"),
        (7, "pass"): (True, "time"),
        (8, "4"): (False, ""),
    }
    (first, *_) = mutants_of("dsp/half.py", source)
    unborn = dataclasses.replace(first, start=0, end=0, after="raise ValueError\n")
    told = cli.tried(small, unborn, known, 60.0)
    assert (told["caught"], told["by"]) == (True, "import")
    renamed = {line: ["tests/test_dsp_half.py::test_gone"] for line in (1, 2)}
    lost = cover.Map({"tests/test_dsp_half.py::test_gone": 1.0}, {"dsp/half.py": renamed})
    with pytest.raises(SystemExit, match="could not be run"):
        cli.tried(small, first, lost, 60.0)
    assert (small / tree.SRC / "dsp/half.py").read_text() == source, "the right one is back"


def test_a_test_that_fails_anyway_catches_nothing(small, capsys):
    pytest.importorskip("pytest_cov", reason="the map of tests is made by pytest-cov")
    path = small / "tests/test_dsp_half.py"
    path.write_text(path.read_text() + "\n\ndef test_wrong():\n    assert half(8.0) == 5.0\n")
    known = cover.measure(small, ["dsp/half.py"], None)
    assert known.lines["dsp/half.py"][2] == ["tests/test_dsp_half.py::test_half"]
    assert "tests/test_dsp_half.py::test_wrong" in capsys.readouterr().err


def test_the_report_counts_and_names_survivors(capsys):
    caught = {"before": "a", "after": "b", "tests": 2, "by": "t", "caught": True}
    told = [{**caught, "name": f"dsp/x.py:{i}:constant:9"} for i in range(17)]
    told += [
        {**caught, "name": f"run/y.py:{i}:sign:9", "caught": False, "by": ""} for i in range(3)
    ]
    assert cli.conclude(told) == 0
    said = capsys.readouterr().out
    assert (
        "dsp: 17 of 17 caught (100%)\nrun: 0 of 3 caught (0%)\nAll: 17 of 20 caught (85%)" in said
    )
    assert said.count("SURVIVED run/y.py") == 3
    assert cli.conclude(told[1:]) == 1, "16 of 19 are too few"
    equal = {**told[-1], "equal": True, "by": "a reason"}
    capsys.readouterr()
    assert cli.conclude([*told[1:-1], equal]) == 0, "16 of 18 are enough"
    said = capsys.readouterr().out
    assert "All: 16 of 18 caught (89%), 1 change nothing" in said
    assert "a reason" not in said


def test_a_change_that_is_known_to_change_nothing_is_not_tried(tmp_path):
    found = (entry for entry in EQUAL.items() if "left=0.0" in entry[0][1])
    (module, text, _, after), why = next(found)
    path = tmp_path / tree.SRC / module
    path.parent.mkdir(parents=True)
    path.write_text(f"if t:\n    {text}\n")
    offered = [m for m in mutants_of(module, path.read_text()) if m.after == after]
    assert len(offered) == 2, "of the same words on one line only the one that is meant"
    (same,) = [told for m in offered if (told := cli._equal(tmp_path, m))]
    assert same["by"] == why
    assert (same["caught"], same["equal"]) == (False, True)
    path.write_text(f"if t:\n    {text}  # edited\n")
    assert not any(cli._equal(tmp_path, m) for m in mutants_of(module, path.read_text()))


def test_every_change_that_changes_nothing_is_one_of_those_offered():
    """Where a line was edited its entry is stale, and goes."""
    for key in EQUAL:
        source = (tree.ROOT / tree.SRC / key[0]).read_text(encoding="utf-8")
        found = [m for m in mutants_of(key[0], source) if why_equal(source, m) == EQUAL[key]]
        assert found, key


def test_a_result_is_kept_for_the_module_it_was_got_with(tmp_path, capsys, monkeypatch):
    kept = tmp_path / "results.jsonl"
    tries = []

    def tried(tree, mutant, known, budget_s):
        tries.append(mutant.name)
        told = {"name": mutant.name, "of": cli._mark(tree, mutant), "before": "a", "after": "b"}
        return told | {"tests": 1, "by": "", "caught": len(tries) > 1}

    monkeypatch.setattr(cli, "tried", tried)
    monkeypatch.setattr(cli, "measure", lambda *_: None)
    call = ["--part", "judge", "--count", "3", "--results", str(kept)]
    assert cli.run(call) == 1, "2 of 3 are too few"
    assert cli.run(call) == 1
    assert len(tries) == 3, "all were known"
    assert cli.run([*call, "--again"]) == 0
    assert tries == [*tries[:3], tries[0]], "only the survivor was tried again"
    kept.write_text(kept.read_text().replace('"of": "', '"of": "x'))
    cli.run(call)
    assert len(tries) == 7, "of another state of the module nothing is known"


def test_the_list_is_what_the_command_would_try():
    done = subprocess.run(
        [sys.executable, SCRIPTS / "mutants.py", "--list", "--count", "5", "--part", "judge"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert len(done.stdout.splitlines()) == 5
    assert all(line.startswith("judge/") for line in done.stdout.splitlines())
