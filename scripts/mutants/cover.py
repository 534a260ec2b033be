"""Which tests run which lines, and how long they take: measured once for a commit."""

from __future__ import annotations

import json
import re
import sys
import xml.etree.ElementTree as Tree
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

from mutants.tree import SRC, run_pytest

#: Files whose tests reach the mutated modules in other processes, if at all, or run for long.
LEFT_OUT = (
    "test_batch_[cfklmprtw]*.py",
    "test_benches*.py",
    "test_cli_example.py",
    "test_cli_start.py",
    "test_clip_*.py",
    "test_doctor*.py",
    "test_f[aou]*.py",
    "test_hostile*.py",
    "test_kill.py",
    "test_logbook_[defls]*.py",
    "test_packaging.py",
    "test_page_chromium.py",
    "test_record_*.py",
    "test_scripts.py",
    "test_second_bench.py",
    "test_third_bench.py",
    "test_training*.py",
    "test_mutants.py",
)
LONGEST_S = 3600.0


@dataclass(frozen=True)
class Map:
    """What is known of the tests.

    Attributes
    ----------
    seconds : by test
    lines : module -> line -> tests that run it
    """

    seconds: dict[str, float]
    lines: dict[str, dict[int, list[str]]]

    def tests_for(self, module: str, first: int, last: int, budget_s: float) -> list[str]:
        """Tests to run for a change in these lines, the likeliest to see it first.

        Lines that run at import (constants) are taken to concern every test of the module.
        """
        lines = self.lines.get(module, {})
        hit = {test for n in range(first, last + 1) for test in lines.get(n, ())}
        if not hit:
            hit = {test for tests in lines.values() for test in tests}
        part, name = module.removesuffix(".py").split("/", 1)
        ranked = sorted(hit, key=lambda test: (_distance(test, part, name), self.seconds[test]))
        chosen, spent = [], 0.0
        for test in ranked:
            spent += self.seconds[test]
            if chosen and spent > budget_s:
                break
            chosen.append(test)
        return chosen


def _distance(test: str, part: str, name: str) -> int:
    file = test.split("::")[0]
    if f"test_{part}_{name}" in file:
        return 0
    return 1 if f"test_{part}_" in file else 2


def measure(tree: Path, modules: list[str], cache: Path | None) -> Map:
    """Run the tests once with coverage by test; those that fail are left out."""
    if cache is not None and cache.exists():
        told = json.loads(cache.read_text(encoding="utf-8"))
    else:
        told = _measured(tree, modules)
        if cache is not None:
            cache.write_text(json.dumps(told), encoding="utf-8")
    lines = {
        module: {int(line): tests for line, tests in by_line.items()}
        for module, by_line in told["lines"].items()
    }
    return Map(told["seconds"], lines)


def _measured(tree: Path, modules: list[str]) -> dict[str, dict]:
    from coverage import CoverageData

    junit = tree.parent / "tests.xml"
    parts = sorted({module.split("/")[0] for module in modules})
    arguments = ["-m", "not slow", "--cov-context=test", "--cov-report=", f"--junitxml={junit}"]
    arguments += [f"--cov={tree / SRC / part}" for part in parts]
    arguments += [f"--ignore-glob=*/{pattern}" for pattern in LEFT_OUT]
    arguments += ["-o", "junit_family=xunit1", "tests"]
    code, said = run_pytest(tree, arguments, LONGEST_S)
    if code not in (0, 1) or not junit.exists():
        raise SystemExit(f"The tests cannot be run:\n{said[-3000:]}")
    failing = _failing(junit)
    if failing:
        print(f"Left out, since they fail already: {', '.join(sorted(failing))}", file=sys.stderr)
    data = CoverageData(str(tree / ".coverage"))
    data.read()
    lines: dict[str, dict[int, list[str]]] = {}
    files: dict[str, set[str]] = defaultdict(set)
    for module in modules:
        found = data.contexts_by_lineno(str((tree / SRC / module).resolve()))
        lines[module] = {
            line: [test for test in _tests(contexts, tree) if test not in failing]
            for line, contexts in found.items()
        }
        for tests in lines[module].values():
            for test in tests:
                files[test.split("::")[0]].add(test)
    return {
        "seconds": _seconds(junit, {t for tests in files.values() for t in tests}),
        "lines": lines,
    }


def _tests(contexts: list[str], tree: Path) -> list[str]:
    """Test names of pytest-cov's contexts, ``file::test|phase``.

    Those that are called by a path of this copy have another name in the next one.
    """
    names = {re.sub(r"\|(setup|run|teardown)$", "", one) for one in contexts}
    return sorted(name for name in names if name and str(tree) not in name)


def _failing(junit: Path) -> set[str]:
    """Names of the tests that fail without any change: they would catch everything."""
    return {
        f"{case.get('file')}::{case.get('name')}"
        for case in Tree.parse(junit).getroot().iter("testcase")  # noqa: S314 - made by ourselves
        if case.find("failure") is not None or case.find("error") is not None
    }


def _seconds(junit: Path, tests: set[str]) -> dict[str, float]:
    taken: dict[tuple[str, str], float] = {}
    for case in Tree.parse(junit).getroot().iter("testcase"):  # noqa: S314 - made by ourselves
        taken[(case.get("file") or "", case.get("name") or "")] = float(case.get("time") or 0.0)
    return {test: taken.get(tuple(test.split("::", 1)), 1.0) for test in sorted(tests)}
