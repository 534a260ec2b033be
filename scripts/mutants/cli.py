"""The command: choose changes, run the tests against each, tell which survive."""

from __future__ import annotations

import argparse
import hashlib
import json
import re
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from mutants.cover import Map, measure
from mutants.equal import why_equal
from mutants.operators import Mutant, mutants_of
from mutants.tree import SRC, broken, can_import, copy, hang_ends, head, run_pytest

PARTS = ("dsp", "run", "evidence", "judge")
GOAL = 0.85
LEAST_S = 60.0  # a change is given so long beyond four times what its tests take


def modules_of(tree: Path, parts: Iterable[str]) -> list[str]:
    """Paths below src/quietrun of the modules of these parts."""
    return [
        f"{part}/{path.name}"
        for part in parts
        for path in sorted((tree / SRC / part).glob("*.py"))
        if path.name not in ("__init__.py", "types.py")
    ]


def draw(tree: Path, parts: list[str], count: int, seed: int) -> list[Mutant]:
    """Draw as many changes from each part, at most one a line.

    The order comes from what each change is, not from where it stands: an edit elsewhere leaves
    the others in their place.
    """
    chosen = []
    for i, part in enumerate(parts):
        offered = []
        for module in modules_of(tree, [part]):
            source = (tree / SRC / module).read_text(encoding="utf-8")
            offered += _in_order_of_chance(mutants_of(module, source), source, seed)
        wanted = (count + len(parts) - 1 - i) // len(parts)
        lines: set[tuple[str, int]] = set()
        for _, mutant in sorted(offered, key=lambda pair: pair[0]):
            if len(lines) == wanted:
                break
            if (mutant.module, mutant.line) not in lines:
                lines.add((mutant.module, mutant.line))
                chosen.append(mutant)
    return chosen


def _in_order_of_chance(mutants: list[Mutant], source: str, seed: int) -> list[tuple[str, Mutant]]:
    lines = source.split("\n")
    seen: Counter[str] = Counter()
    drawn = []
    for mutant in mutants:
        text = lines[mutant.line - 1].strip()
        what = f"{mutant.module} {text} {mutant.kind} {mutant.before} {mutant.after}"
        seen[what] += 1
        chance = hashlib.sha256(f"{seed} {what} {seen[what]}".encode()).hexdigest()
        drawn.append((chance, mutant))
    return drawn


def tried(tree: Path, mutant: Mutant, known: Map, budget_s: float) -> dict[str, Any]:
    """Run the tests against one change."""
    source = (tree / SRC / mutant.module).read_text(encoding="utf-8")
    tests = known.tests_for(mutant.module, mutant.line, mutant.last, budget_s)
    told = {
        "name": mutant.name,
        "of": _mark(tree, mutant),
        "before": mutant.before,
        "after": mutant.after,
        "tests": len(tests),
        "by": "",
        "caught": False,
    }
    if not tests:
        return told | {"by": "no test runs this"}
    limit_s = LEAST_S + 4.0 * sum(known.seconds[test] for test in tests)
    one_s = 0.3 * LEAST_S + 6.0 * max(known.seconds[test] for test in tests)
    start = time.monotonic()
    with broken(tree, mutant.module, mutant.applied(source)):
        code, said = run_pytest(tree, ["-x", "--tb=no", *hang_ends(one_s), *tests], limit_s)
        if code == 4:  # pytest found a test no more: where the module cannot be imported
            name = f"quietrun.{mutant.module.removesuffix('.py').replace('/', '.')}"
            if can_import(tree, name):
                raise SystemExit(f"The tests could not be run:\n{said[-2000:]}")
            return told | {"caught": True, "by": "import"}
    told["seconds"] = round(time.monotonic() - start, 1)
    if code == 0:
        return told
    first = re.search(r"^(?:FAILED|ERROR) (\S+)", said, re.MULTILINE)
    hung = code is None or "Timeout (" in said
    by = "time" if hung else first[1] if first else said.strip().splitlines()[-1]
    return told | {"caught": True, "by": by}


def show(told: dict[str, Any]) -> str:
    """One line of the report."""
    word = "caught  " if told["caught"] else "equal   " if told.get("equal") else "SURVIVED"
    change = " ".join(f"{told['before']}  ->  {told['after']}".split())
    change = change if len(change) < 130 else change[:127] + "..."
    by = f"  [{told['by']}]" if told["by"] else f"  [{told['tests']} tests passed]"
    return f"{word} {told['name']}  {change}{by}"


def run(arguments: list[str]) -> int:
    """Make mutants and try them; 0 when enough were caught."""
    parser = argparse.ArgumentParser(description="Put faults in, and see whether tests find them.")
    parser.add_argument("--count", type=int, default=100, help="changes in all")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--part", choices=PARTS, action="append", help="only these")
    parser.add_argument("--budget", type=float, default=60.0, help="seconds of tests for a change")
    parser.add_argument("--map", type=Path, help="keep the map of tests here, or take it from here")
    parser.add_argument(
        "--results", type=Path, help="keep results here; what is there is not redone"
    )
    parser.add_argument("--again", action="store_true", help="try the survivors in --results again")
    parser.add_argument("--list", action="store_true", help="only list the changes")
    given = parser.parse_args(arguments)
    parts = given.part or list(PARTS)
    with tempfile.TemporaryDirectory(prefix="quietrun-mutants-") as folder:
        tree = copy(Path(folder))
        chosen = draw(tree, parts, given.count, given.seed)
        if given.list:
            for mutant in chosen:
                print(f"{mutant.name}  {' '.join(mutant.before.split())}  ->  {mutant.after}")
            return 0
        results = _results(given.results, given.again)
        print(f"{len(chosen)} changes to {head()[:12]}, {len(results)} known", file=sys.stderr)
        known = measure(tree, modules_of(tree, PARTS), given.map)
        told = []
        for mutant in chosen:
            one = _equal(tree, mutant) or results.get((mutant.name, _mark(tree, mutant)))
            fresh = one is None
            one = one or tried(tree, mutant, known, given.budget)
            told.append(one)
            print(show(one), flush=True)
            if fresh and given.results:
                with given.results.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(one) + "\n")
    return conclude(told)


def _equal(tree: Path, mutant: Mutant) -> dict[str, Any] | None:
    """Tell of a change that is known to change nothing."""
    why = why_equal((tree / SRC / mutant.module).read_text(encoding="utf-8"), mutant)
    if why is None:
        return None
    told = {"name": mutant.name, "before": mutant.before, "after": mutant.after}
    return told | {"caught": False, "equal": True, "by": why, "tests": 0}


def _mark(tree: Path, mutant: Mutant) -> str:
    """Tell one state of a module from another: a result holds for the one it was got with."""
    return hashlib.sha256((tree / SRC / mutant.module).read_bytes()).hexdigest()[:12]


def _results(path: Path | None, again: bool) -> dict[tuple[str, str], dict[str, Any]]:
    """Results of before, the last one of each change."""
    if path is None or not path.exists():
        return {}
    lines = path.read_text(encoding="utf-8").splitlines()
    found = {(one["name"], one["of"]): one for one in map(json.loads, lines)}
    return {key: one for key, one in found.items() if one["caught"] or not again}


def conclude(told: list[dict[str, Any]]) -> int:
    """Print the counts and the survivors; 0 when enough were caught."""
    print()
    for part in sorted({one["name"].split("/")[0] for one in told}):
        print(f"{part}: {_counts([one for one in told if one['name'].startswith(f'{part}/')])}")
    print(f"All: {_counts(told)}; survivors:")
    for one in told:
        if not one["caught"] and not one.get("equal"):
            print(f"  {show(one)}")
    real = [one for one in told if not one.get("equal")]
    return 0 if sum(one["caught"] for one in real) >= GOAL * len(real) else 1


def _counts(told: list[dict[str, Any]]) -> str:
    real = [one for one in told if not one.get("equal")]
    caught = sum(one["caught"] for one in real)
    share = f" ({caught / len(real):.0%})" if real else ""
    equal = len(told) - len(real)
    return f"{caught} of {len(real)} caught{share}" + (f", {equal} change nothing" * bool(equal))
