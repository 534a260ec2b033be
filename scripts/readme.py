"""Fill the generated parts of README.md, or check that they are as the program has them.

    python scripts/readme.py [--check]

A generated part stands between two comments, ``<!-- made: NAME -->`` and
``<!-- end -->``. NAME is ``help COMMAND``, or ``evaluation`` (numbers from
models/general/evaluation.json) or ``benchmark`` (numbers from
scripts/benchmark.json, written by ``scripts/benchmark.py --save``). A file
that is not there leaves a visible gap.
"""

from __future__ import annotations

import argparse
import difflib
import json
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from quietrun.cli import COMMANDS, main

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
EVALUATION = ROOT / "models" / "general" / "evaluation.json"
BENCHMARK = ROOT / "scripts" / "benchmark.json"
PART = re.compile(r"(<!-- made: (?P<name>[^>]+?) -->\n)(?P<body>.*?)(<!-- end -->)", re.DOTALL)
GAP = "*(Not measured yet.)*"


def help_text(path: str) -> str:
    """Give what ``quietrun PATH --help`` prints at 80 columns."""
    command: click.Command = main
    context = click.Context(main, info_name="quietrun", terminal_width=80)
    for name in path.split():
        assert isinstance(command, click.Group)
        found = command.get_command(context, name)
        if found is None:
            raise SystemExit(f"README.md asks for the help of {path!r}: no such command.")
        command = found
        context = click.Context(command, info_name=name, parent=context, terminal_width=80)
    return f"```text\n{command.get_help(context)}\n```"


def evaluation() -> str:
    """Model numbers, as scripts/evaluate_model.py wrote them."""
    if not EVALUATION.exists():
        return GAP
    told = json.loads(EVALUATION.read_text(encoding="utf-8"))
    return str(told["readme"])


def _row(row: dict[str, Any]) -> str:
    return f"| {row['what']} | {row['result']} | {row['goal']} |"


def benchmark() -> str:
    """Speed and memory, as scripts/benchmark.py saved them."""
    if not BENCHMARK.exists():
        return GAP
    told = json.loads(BENCHMARK.read_text(encoding="utf-8"))
    rows = "\n".join(_row(row) for row in told["summary"])
    return f"{told['where']}\n\n| what | measured | goal |\n|---|---|---|\n{rows}"


MAKERS: dict[str, Callable[[], str]] = {"evaluation": evaluation, "benchmark": benchmark}


def made(name: str) -> str:
    """Make the body of one generated part."""
    if name.startswith("help"):
        return help_text(name.removeprefix("help").strip())
    if name not in MAKERS:
        raise SystemExit(f"README.md has a part {name!r} that nothing here makes.")
    return MAKERS[name]()


def filled(text: str) -> str:
    """Make every generated part of the README anew."""
    return PART.sub(lambda part: f"{part[1]}{made(part['name'])}\n{part[4]}", text)


def without_help(text: str) -> list[str]:
    """Commands whose help the README does not show."""
    shown = {part["name"].removeprefix("help").strip() for part in PART.finditer(text)}
    return [name for name in COMMANDS if name not in shown]


def run(arguments: list[str]) -> int:
    """Fill or check; 0 when README.md is (now) as it should be."""
    parser = argparse.ArgumentParser(description="Fill the generated parts of README.md.")
    parser.add_argument("--check", action="store_true", help="change nothing, exit 1 on a drift")
    check = parser.parse_args(arguments).check
    old = README.read_text(encoding="utf-8")
    missing = without_help(old)
    if missing:
        print(f"README.md does not show the help of: {', '.join(missing)}", file=sys.stderr)
    new = filled(old)
    if check and new != old:
        lines = difflib.unified_diff(
            old.splitlines(), new.splitlines(), "README.md", "as the program has it", lineterm=""
        )
        print("\n".join(lines), file=sys.stderr)
        print("Run: python scripts/readme.py", file=sys.stderr)
        return 1
    if not check:
        README.write_text(new, encoding="utf-8")
    return 1 if missing else 0


if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))
