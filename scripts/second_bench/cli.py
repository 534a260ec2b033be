"""Command line: ``make`` a set, ``score`` a tool on it."""

from __future__ import annotations

import argparse
import csv
import json
import sys
import time
from pathlib import Path

from second_bench.plan import KINDS, draw_plans

SOUND_SUFFIXES = frozenset({".wav", ".flac", ".ogg", ".mp3", ".m4a", ".opus"})


def _make(args: argparse.Namespace) -> int:
    from second_bench.clips import make_clip

    files: tuple[Path, ...] = ()
    if args.ambience is not None:
        files = tuple(
            sorted(p for p in args.ambience.iterdir() if p.suffix.lower() in SOUND_SUFFIXES)
        )
        if not files:
            print(f"No sound files in {args.ambience}.", file=sys.stderr)
            return 2
    args.folder.mkdir(parents=True, exist_ok=True)
    plans = draw_plans(args.n, args.seed, args.kind)
    began, used = time.monotonic(), time.process_time()
    with (
        (args.folder / "truth.jsonl").open("w", encoding="utf-8") as truths,
        (args.folder / "manifest.csv").open("w", encoding="utf-8", newline="") as table,
    ):
        rows = csv.writer(table)
        rows.writerow(["clip", "machine", "stage", "mains_hz", "poles"])
        for done, plan in enumerate(plans, 1):
            truth = make_clip(plan, args.folder, files)
            truths.write(json.dumps(truth, allow_nan=False) + "\n")
            rows.writerow(
                [
                    truth["file"],
                    truth["family"]["machine"],
                    truth["stage"],
                    truth["mains_hz"],
                    truth["poles"],
                ]
            )
            if done % 50 == 0:
                print(f"{done} of {len(plans)}", file=sys.stderr)
    cpu_s = (time.process_time() - used) / max(1, len(plans))
    print(
        f"{len(plans)} clips in {args.folder}: {cpu_s:.2f} s CPU a clip, "
        f"{time.monotonic() - began:.0f} s in all.",
        file=sys.stderr,
    )
    return 0


def _score(args: argparse.Namespace) -> int:
    from second_bench.score import as_text, read_results, read_truths, score

    truths = read_truths(args.folder / "truth.jsonl")
    results = read_results(args.results)
    figures = score(truths, results, draws=args.draws)
    print(json.dumps(figures, indent=1, allow_nan=False) if args.json else as_text(figures))
    return 0


def parser() -> argparse.ArgumentParser:
    """Build the argument parser."""
    top = argparse.ArgumentParser(prog="second_bench", description=__doc__)
    sub = top.add_subparsers(dest="command", required=True)
    make = sub.add_parser("make", help="write clips, truth.jsonl and manifest.csv")
    make.add_argument("folder", type=Path)
    make.add_argument("--n", type=int, default=600)
    make.add_argument("--seed", type=int, default=7)
    make.add_argument("--kind", choices=KINDS, default="usable")
    make.add_argument("--ambience", type=Path, help="folder of recorded room sound to mix in")
    make.set_defaults(run=_make)
    scores = sub.add_parser("score", help="score verdict lines against the truth")
    scores.add_argument("folder", type=Path)
    scores.add_argument("results", type=Path)
    scores.add_argument("--json", action="store_true")
    scores.add_argument("--draws", type=int, default=300, help="bootstrap draws")
    scores.set_defaults(run=_score)
    return top


def main(argv: list[str] | None = None) -> int:
    """Run the command line."""
    args = parser().parse_args(argv)
    return int(args.run(args))
