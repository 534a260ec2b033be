"""Fill the generated parts of README.md, or check that they are as the program has them.

    python scripts/readme.py [--check]

A generated part stands between two comments, ``<!-- made: NAME -->`` and
``<!-- end -->``. NAME is ``commands`` (every command's ``--help``), ``machine file``,
``evaluation`` (numbers from models/general/evaluation.json), ``benchmark`` (numbers from
scripts/benchmark.json, written by ``scripts/benchmark.py --save``) or ``paper``
(what many clips would take, reckoned from the same). What is not there leaves a
visible gap.
"""

from __future__ import annotations

import argparse
import difflib
import json
import re
import statistics
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from quietrun.cli import main
from quietrun.machine.file import EXAMPLE

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
EVALUATION = ROOT / "models" / "general" / "evaluation.json"
BENCHMARK = ROOT / "scripts" / "benchmark.json"
PART = re.compile(r"(<!-- made: (?P<name>[^>]+?) -->\n)(?P<body>.*?)(<!-- end -->)", re.DOTALL)
COLUMNS = 80
GAP = "*(Not measured yet.)*"
PAPER = (
    (1_000, "a laptop"),
    (100_000, "a work station over lunch, or a cluster"),
    (
        10_000_000,
        "a cluster, a shared disk, and 100 manifests of 100 000 clips, each with its own output",
    ),
)
PAPER_CORES = (2, 16, 256)
FEW_A_CORE = 10  # with fewer clips a core, starting takes longer than judging


def _help_block(command: click.Command, context: click.Context) -> str:
    return f"```text\n{command.get_help(context)}\n```"


def _folded(group: click.Group, context: click.Context) -> list[str]:
    """Help of the commands below a command, folded away."""
    parts = []
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        below = click.Context(command, info_name=name, parent=context, terminal_width=COLUMNS)
        title = f"<summary><code>{below.command_path}</code></summary>"
        parts.append(f"<details>{title}\n\n{_help_block(command, below)}\n\n</details>")
        if isinstance(command, click.Group):
            parts.extend(_folded(command, below))
    return parts


def commands() -> str:
    """Help of every registered command, as ``--help`` prints it at 80 columns."""
    top = click.Context(main, info_name="quietrun", terminal_width=COLUMNS)
    return "\n\n".join([_help_block(main, top), *_folded(main, top)])


def machine_file() -> str:
    """Give the example that the reader of machine files is tested with."""
    return f"```toml\n{EXAMPLE.rstrip()}\n```"


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


def _time(seconds: float) -> str:
    """Two digits of the largest unit that suits."""
    for unit, length in (("days", 86400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= 1.5 * length:
            return f"{float(f'{seconds / length:.2g}'):g} {unit}"
    return f"{seconds:.0f} s"


def _size(count: float) -> str:
    """Two digits of bytes."""
    for unit, length in (("TB", 1e12), ("GB", 1e9), ("MB", 1e6)):
        if count >= length:
            return f"{float(f'{count / length:.2g}'):g} {unit}"
    return f"{float(f'{count / 1e3:.2g}'):g} kB"


def paper() -> str:
    """Reckon what many clips take, from what 200 clips took with one worker and with two."""
    told = json.loads(BENCHMARK.read_text(encoding="utf-8")) if BENCHMARK.exists() else {}
    numbers = next((row["numbers"] for row in told.get("summary", ()) if row["part"] == "d"), {})
    if "bytes" not in numbers:
        return GAP
    ones = [one for _, one in numbers["costs"]]
    cpu_s = statistics.median(one["cpu_s"] for one in ones) / numbers["clips"]
    peak = max(cost["peak_mib"] for pair in numbers["costs"] for cost in pair)
    share = statistics.median(numbers["ratio"]) / 2
    clip, row = numbers["bytes"]["clip"], numbers["bytes"]["row"]
    lines = []
    for count, how in PAPER:
        times = [
            _time(count * cpu_s / (cores * share)) if count >= FEW_A_CORE * cores else "-"
            for cores in PAPER_CORES
        ]
        cells = [f"{count:,}".replace(",", " "), f"{count * cpu_s / 3600:.2g}", *times]
        lines.append(f"| {' | '.join([*cells, _size(count * clip), _size(count * row), how])} |")
    cores = " | ".join(f"{cores} cores" for cores in PAPER_CORES)
    return (
        f"On paper, from measured {1000 * cpu_s:.0f} ms of CPU and {peak:.0f} MiB a worker for a "
        f"10 s clip of {_size(clip)}, rows of {_size(row)}, and two workers that do "
        f"{2 * share:.2f} times the work of one; more cores are taken to lose no more than that "
        "(not measured), and disk and network to keep up:\n\n"
        f"| clips | CPU hours | {cores} | bytes read | rows | how |\n"
        f"|{'---|' * (5 + len(PAPER_CORES))}\n" + "\n".join(lines)
    )


MAKERS: dict[str, Callable[[], str]] = {
    "commands": commands,
    "machine file": machine_file,
    "evaluation": evaluation,
    "benchmark": benchmark,
    "paper": paper,
}


def made(name: str) -> str:
    """Make the body of one generated part."""
    if name not in MAKERS:
        raise SystemExit(f"README.md has a part {name!r} that nothing here makes.")
    return MAKERS[name]()


def filled(text: str) -> str:
    """Make every generated part of the README anew."""
    return PART.sub(lambda part: f"{part[1]}{made(part['name'])}\n{part[4]}", text)


def run(arguments: list[str]) -> int:
    """Fill or check; 0 when README.md is (now) as it should be."""
    parser = argparse.ArgumentParser(description="Fill the generated parts of README.md.")
    parser.add_argument("--check", action="store_true", help="change nothing, exit 1 on a drift")
    check = parser.parse_args(arguments).check
    old = README.read_text(encoding="utf-8")
    absent = MAKERS.keys() - {part["name"] for part in PART.finditer(old)}
    if absent:
        raise SystemExit(f"README.md has no place for: {', '.join(sorted(absent))}")
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
    return 0


if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))
