"""``quietrun batch``: judge a week of visits."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from quietrun.cli.home import home_option
from quietrun.cli.output import note

if TYPE_CHECKING:
    from quietrun.batch.types import Listener, Outcome, Outputs, Plan, Row, Settings

_MOST_SKIPPED, _MOST_FAILED = 10, 100


@click.command()
@click.argument("source", metavar="FOLDER|MANIFEST|-")
@click.option(
    "-o",
    "--output",
    required=True,
    type=click.Path(path_type=Path),
    metavar="OUT.jsonl",
    help="File of rows: one JSON object a clip. What is in it already is not done again.",
)
@click.option(
    "--csv", "table", type=click.Path(path_type=Path), help="Also write a table for a spreadsheet."
)
@click.option(
    "--page", type=click.Path(path_type=Path), help="Also write a one-page summary (HTML)."
)
@click.option(
    "--decimal-comma", is_flag=True, help="In the table: 22,5 and semicolons between cells."
)
@click.option("--bom", is_flag=True, help="Begin the table with a mark that some programs need.")
@click.option("--log", is_flag=True, help="Enter the judgements into the logbook.")
@click.option("--follow", is_flag=True, help="Go on judging what comes into the folder.")
@click.option(
    "-j",
    "--jobs",
    type=click.IntRange(1, 256),
    help="Clips judged at the same time. By cores and number of clips if you do not say.",
)
@click.option(
    "--time-limit",
    type=click.FloatRange(1, 86400),
    default=60,
    show_default=True,
    metavar="SECONDS",
    help="A clip that takes longer is given up.",
)
@click.option(
    "--cluster", metavar="ADDRESS", help="Judge on a dask cluster, such as tcp://10.0.0.5:8786."
)
@click.option("--ship", is_flag=True, help="Send the clips to the cluster: no shared disk needed.")
@home_option
@click.pass_context
def batch(ctx: click.Context, /, source: str, follow: bool, **given: Any) -> None:
    """Judge all clips of a FOLDER, of a MANIFEST (CSV), or named on standard input (-).

    Clips are found by content. Each gets one row as soon as it is done; one
    that cannot be judged gets a row that says why. Stop it when you like: the
    same command does only what is missing.

    A manifest has a line of column names, in any order: clip, machine, stage,
    mains_hz, poles, date, phone, note. Only clip is required. Without one,
    names speak: FOLDER/MACHINE/2026-03-02/motor_only/clip.m4a, or
    MACHINE__motor_only__2026-03-02.m4a

    Exits 0 when every clip is quiet, 1 when one is to be inspected or is
    noisy, 2 on a mistake in the call, 3 when no clip carries an answer, 4 when
    some carry none and the others are quiet.
    """
    outputs, settings = _outputs(given), _settings(given)
    try:
        with _Shown() as shown:
            outcome = (_followed if follow else _judged)(source, outputs, settings, shown)
    except KeyboardInterrupt:
        note("\nThe same command goes on where this one stopped.")
        raise
    _sum_up(outcome, outputs)
    ctx.exit(outcome.exit_code)


def _outputs(given: dict[str, Any]) -> Outputs:
    from quietrun.batch.types import Outputs

    return Outputs(
        rows=given["output"],
        table=given["table"],
        page=given["page"],
        decimal_comma=given["decimal_comma"],
        bom=given["bom"],
    )


def _settings(given: dict[str, Any]) -> Settings:
    from quietrun.batch.types import Settings

    return Settings(
        jobs=given["jobs"],
        time_limit_s=given["time_limit"],
        cluster=given["cluster"],
        ship=given["ship"],
        log=given["log"],
        home=given["home"],
    )


def _judged(source: str, outputs: Outputs, settings: Settings, listener: Listener) -> Outcome:
    from quietrun.batch.plan import plan_for
    from quietrun.batch.run import run_batch

    plan = plan_for(source, outputs=outputs)
    _say_found(plan)
    return run_batch(plan, outputs, settings, listener)


def _followed(source: str, outputs: Outputs, settings: Settings, listener: Listener) -> Outcome:
    from quietrun.batch.follow import follow
    from quietrun.batch.plan import folder_to_follow

    folder = folder_to_follow(source)
    note(f"Watching {folder}. Stop with Ctrl-C.")
    return follow(folder, outputs, settings, listener)


def _say_found(plan: Plan) -> None:
    from quietrun.batch.summary import plain

    count = len(plan.items)
    others = len(plan.skipped)
    skipped = f", {others} other {'file' if others == 1 else 'files'} skipped" if others else ""
    note(f"{count} {'clip' if count == 1 else 'clips'} found{skipped}.")
    for one in plan.skipped[:_MOST_SKIPPED]:
        note(f"  skipped {plain(one.path)}: {one.why}")
    if len(plan.skipped) > _MOST_SKIPPED:
        note(f"  and {len(plan.skipped) - _MOST_SKIPPED} more")
    for sentence in plan.notes:
        note(plain(sentence))


def _sum_up(outcome: Outcome, outputs: Outputs) -> None:
    from quietrun.batch.rows import read_rows
    from quietrun.batch.summary import as_text, plain, summarise

    note(as_text(summarise(read_rows(outputs.rows))))
    for path, why in outcome.failed[:_MOST_FAILED]:
        note(f"No answer: {plain(path)}: {plain(why)}")
    if len(outcome.failed) > _MOST_FAILED:
        note(f"and {len(outcome.failed) - _MOST_FAILED} more without an answer")
    kept = f", {outcome.kept} kept from before" if outcome.kept else ""
    note(f"{outcome.judged} judged now{kept}. Rows: {outputs.rows}")


class _Shown:
    """A bar with the time left, on a terminal only; sentences always."""

    def __init__(self) -> None:
        self._bar: Any = None
        self._task: Any = None

    def __enter__(self) -> _Shown:
        return self

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.stop()

    def note(self, text: str) -> None:
        """Print a sentence above the bar."""
        from quietrun.batch.summary import plain

        text = plain(text)
        if self._bar is not None:
            self._bar.console.print(text, markup=False, highlight=False, soft_wrap=True)
        else:
            note(text)

    def begin(self, total: int, done: int) -> None:
        """Start the bar."""
        if sys.stderr is None or not sys.stderr.isatty():
            return
        if self._bar is None:
            self._bar = _bar()
            self._bar.start()
        else:
            self._bar.remove_task(self._task)
        self._task = self._bar.add_task("Judging", total=total, completed=done)

    def row(self, row: Row) -> None:
        """Move the bar on."""
        if self._bar is not None:
            self._bar.advance(self._task)


def _bar() -> Any:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
    from rich.progress import TimeRemainingColumn as TimeLeft

    return Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("left"),
        TimeLeft(compact=True),
        console=Console(stderr=True),
        transient=True,
    )
