r"""Clips with one of a few recording problems, of one sound model.

    python scripts/spoilt_bench.py OUTDIR --name fourth --n 60 --seed 9 \
        --problem loaded_run --problem other_machine

The sound models' own ``--kind problems`` go through all problems in turn; this draws the same
plans and makes only those with the problems asked for, until there are N of each. Each clip
depends on (name, seed, index) alone; a stopped run goes on where it was.
"""

from __future__ import annotations

import json
import os
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import click
from joblib import Parallel, delayed

sys.path.insert(0, str(Path(__file__).resolve().parent))

BENCHES = ("own", "second", "third", "fourth", "fifth")
_MANY = 4000  # plans that are drawn at most


def plans(name: str, seed: int) -> Iterator[tuple[int, str | None, Any]]:
    """Index, problem and plan of clips with problems."""
    if name == "own":
        from quietrun.words import PROBLEMS

        yield from ((i, PROBLEMS[i % len(PROBLEMS)], None) for i in range(_MANY))
        return
    if name == "second":
        from second_bench.plan import draw_plans

        yield from ((i, p.problem, p) for i, p in enumerate(draw_plans(_MANY, seed, "problems")))
        return
    for index in range(_MANY):
        if name == "third":
            from third_bench.plan import draw_plan as draw_third

            plan: Any = draw_third(index, seed, _MANY, "problems")
        elif name == "fourth":
            from fourth_bench.plan import draw as draw_fourth

            plan = draw_fourth(seed, index, _MANY, "problems")
        else:
            from fifth_bench.plan import draw as draw_fifth

            plan = draw_fifth(seed, index, "problems")
        yield index, plan.problem, plan


def one(name: str, seed: int, index: int, plan: Any, folder: Path) -> dict[str, Any]:
    """Make one clip, or read its truth where it is there."""
    note = folder / "notes" / f"{index:05d}.json"
    if note.exists():
        return json.loads(note.read_text())
    if name == "own":
        from own_bench import one as make_own

        truth = make_own(folder, seed, index, True, None)
    elif name == "second":
        from second_bench.clips import make_clip as make_second

        truth = make_second(plan, folder, ())
    elif name == "third":
        from third_bench.clips import make_clip as make_third

        truth = make_third(plan, folder)
    elif name == "fourth":
        from fourth_bench.clips import make as make_fourth

        truth = make_fourth(plan, folder)
    else:
        from fifth_bench.clips import make as make_fifth

        truth = make_fifth(plan, folder)
    note.write_text(json.dumps(truth))
    return truth


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option("--name", required=True, type=click.Choice(BENCHES), help="Sound model.")
@click.option("--n", "count", default=60, show_default=True, help="Clips of each problem.")
@click.option("--seed", default=9, show_default=True)
@click.option("--problem", "wanted", multiple=True, required=True)
@click.option("--jobs", default=2, show_default=True)
def main(
    folder: Path, name: str, count: int, seed: int, wanted: tuple[str, ...], jobs: int
) -> None:
    """Make the clips and truth.jsonl."""
    (folder / "notes").mkdir(parents=True, exist_ok=True)
    had: Counter[str] = Counter()
    work = []
    for index, problem, plan in plans(name, seed):
        if problem in wanted and had[problem] < count:
            had[problem] += 1
            work.append(delayed(one)(name, seed, index, plan, folder))
        if all(had[problem] >= count for problem in wanted):
            break
    truths = Parallel(n_jobs=jobs, batch_size=5)(work)
    (folder / "truth.jsonl").write_text("".join(json.dumps(t) + "\n" for t in truths))
    click.echo(f"{len(truths)} clips in {folder}: {dict(had)}")


if __name__ == "__main__":
    main()
