"""The import rules of DEVELOPERS.md, executable."""

import ast
from pathlib import Path

import pytest

SRC = Path(__file__).parents[1] / "src" / "quietrun"

# A part may import the parts listed for it, and itself. Nothing else.
BASE = {"__init__", "errors", "words", "problems"}
FLOW = {"clip", "machine", "run", "fitness", "evidence", "judge", "pipeline"}
MANY = {"batch", "logbook", "tuning", "compare", "exhibits"}
MAY_IMPORT = {
    "__init__": set(),
    "errors": {"__init__"},
    "words": {"__init__"},
    "problems": {"__init__"},
    "dsp": BASE,
    "machine": BASE | {"dsp"},
    "clip": BASE | {"dsp"},
    "run": BASE | {"clip", "dsp", "machine"},
    "fitness": BASE | {"clip", "dsp", "run"},
    "evidence": BASE | {"clip", "dsp", "machine", "run"},
    "judge": BASE | {"evidence", "fitness", "machine", "run"},
    "pipeline": BASE | FLOW | {"dsp"},
    "compare": BASE | FLOW | {"dsp", "report"},
    "tuning": BASE | FLOW | {"dsp", "report"},
    "logbook": BASE | FLOW | {"compare", "report", "tuning"},
    "batch": BASE | FLOW | {"report", "logbook", "tuning"},
    "report": BASE | FLOW,
    "exhibits": BASE | FLOW | {"dsp", "compare", "logbook", "report"},
    "synth": BASE | {"dsp", "machine"},
    "doctor": BASE | FLOW | {"logbook", "report", "synth"},
    "cli": BASE | FLOW | MANY | {"doctor", "report", "synth"},
    "__main__": {"cli"},
}

#: Where a part may know only the value types (``types.py``) of another, not what measures:
#: "judge sees numbers, never samples", "report never computes".
VALUES_ONLY = {
    *(("judge", other) for other in ("run", "fitness", "evidence", "machine")),
    *(("report", other) for other in ("clip", "run", "fitness", "evidence", "machine")),
}
#: What writes rows needs the contract of the report, not its text, page or pictures; what is
#: drawn and played is told to the report in values of its own.
CONTRACT_ONLY = {part: ("quietrun.report.contract",) for part in MANY} | {
    "exhibits": ("quietrun.report.contract", "quietrun.report.exhibit")
}

#: Third-party libraries stay in their own part: heavy, terminal-bound, or for training only.
THIRD_PARTY = {
    "av": {"clip", "synth"},
    "soundfile": {"clip", "synth", "report"},
    "click": {"cli"},
    "rich": {"cli"},
    "joblib": {"batch"},
    "dask": {"batch"},
    "distributed": {"batch"},
    "platformdirs": {"logbook"},
    "matplotlib": {"report"},
    "jinja2": {"report", "batch"},
    "librosa": {"report"},
    "sounddevice": {"clip"},
    "sklearn": set(),
    "numba": set(),
    "pickle": set(),
}
#: scipy costs 0.3 to 0.8 s to import: only in these parts, and only inside functions.
SCIPY = {"machine", "dsp", "synth", "tuning"}


def part_of(dotted):
    pieces = dotted.split(".")
    return pieces[1] if len(pieces) > 1 else "__init__"


def is_module(dotted):
    path = SRC.parent.joinpath(*dotted.split("."))
    return path.is_dir() or path.with_suffix(".py").exists()


def value_types(part):
    """Names of the classes that a part's ``types.py`` defines."""
    tree = ast.parse((SRC / part / "types.py").read_text(encoding="utf-8"))
    return {node.name for node in tree.body if isinstance(node, ast.ClassDef)}


def imports(tree):
    """Every imported name, in full, and whether it stands at the top of the file."""
    inside = {
        child
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        for child in ast.walk(node)
    }
    for node in ast.walk(tree):
        top = node not in inside
        if isinstance(node, ast.Import):
            yield from ((alias.name, top) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "write imports in full"
            if node.module == "quietrun":
                # A part, or a name of the package itself such as __version__.
                for alias in node.names:
                    longer = f"quietrun.{alias.name}"
                    yield (longer if is_module(longer) else "quietrun"), top
            else:
                yield from ((f"{node.module}.{alias.name}", top) for alias in node.names)


def own_rule(part, name):
    other = part_of(name)
    if other == part:
        return None
    if other not in MAY_IMPORT[part]:
        return f"{part} may not import {name}"
    if (part, other) in VALUES_ONLY:
        inside = name.removeprefix(f"quietrun.{other}.")
        if not (inside.startswith("types.") or inside in value_types(other)):
            return f"{part} may import only the value types of {other}, not {name}"
    if other == "report" and not name.startswith(CONTRACT_ONLY.get(part, "")):
        return f"{part} may import only the contract of report, not {name}"
    return None


def third_party_rule(part, name, top):
    library = name.split(".")[0]
    if library == "scipy" and (part not in SCIPY or top):
        return f"{part} may not import {name} here"
    if part not in THIRD_PARTY.get(library, {part}):
        return f"{part} may not import {library}"
    return None


def broken_rules(source, part):
    for name, top in imports(ast.parse(source)):
        if name.split(".")[0] == "quietrun":
            broken = own_rule(part, name)
        else:
            broken = third_party_rule(part, name, top)
        if broken:
            yield broken


FILES = sorted(SRC.rglob("*.py"))


def test_there_are_files_to_check():
    assert len(FILES) > 20


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(SRC)))
def test_imports_follow_the_flow(path):
    part = path.relative_to(SRC).parts[0].removesuffix(".py")
    assert list(broken_rules(path.read_text(encoding="utf-8"), part)) == []


def test_the_rules_have_no_cycle():
    left = {part: set(deps) for part, deps in MAY_IMPORT.items()}
    while left:
        free = {part for part, deps in left.items() if not deps & left.keys() - {part}}
        assert free, f"cycle among {sorted(left)}"
        left = {part: deps for part, deps in left.items() if part not in free}


@pytest.mark.parametrize(
    ("part", "source"),
    [
        ("dsp", "import click"),
        ("dsp", "from quietrun import report"),
        ("dsp", "from quietrun.clip import Clip"),
        ("synth", "from quietrun.evidence import Evidence"),
        ("judge", "from quietrun.dsp.frames import frames_of"),
        ("judge", "from quietrun.run import follow"),
        ("judge", "from quietrun.run.power import Lines"),
        ("report", "from quietrun.evidence import gather"),
        ("report", "import quietrun.clip"),
        ("evidence", "from quietrun.judge import Verdict"),
        ("batch", "from quietrun.report import text"),
        ("report", "import quietrun.dsp.frames"),
        ("report", "from quietrun.exhibits.gather import exhibit_of"),
        ("exhibits", "from quietrun.report.page import render"),
        ("exhibits", "import matplotlib"),
        ("run", "def f():\n    from scipy import signal"),
        ("dsp", "import scipy.fft"),
        ("clip", "def f():\n    import librosa"),
        ("cli", "def f():\n    import sounddevice"),
        ("judge", "import pickle"),
        ("tuning", "from sklearn.linear_model import LogisticRegression"),
    ],
)
def test_a_forbidden_import_is_caught(part, source):
    assert len(list(broken_rules(source, part))) == 1


@pytest.mark.parametrize(
    ("part", "source"),
    [
        ("dsp", "def f():\n    from scipy import signal"),
        ("judge", "from quietrun.run import Run"),
        ("judge", "from quietrun.run.types import Run"),
        ("dsp", "from quietrun import __version__"),
        ("batch", "from quietrun.report.contract import to_object"),
        ("cli", "import rich.table"),
        ("exhibits", "from quietrun.report.exhibit import Wave"),
    ],
)
def test_an_allowed_import_passes(part, source):
    assert list(broken_rules(source, part)) == []
