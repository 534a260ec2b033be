"""``quietrun check``: judge clips."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from quietrun.cli.options import existing, json_option, machine_from, machine_options
from quietrun.cli.output import page, say

if TYPE_CHECKING:
    from quietrun.pipeline import Analysis

EXIT_CODES = {"quiet": 0, "inspect": 1, "noisy": 1, "unusable": 3}


@click.command()
@click.argument("clips", nargs=-1, required=True, metavar="CLIP...", type=click.Path())
@machine_options
@json_option
@click.option("--features", is_flag=True, help="List every value that was measured.")
@click.pass_context
def check(
    ctx: click.Context,
    clips: tuple[str, ...],
    machine_file: str | None,
    mains: str | None,
    poles: str | None,
    stage: str | None,
    as_json: bool,
    features: bool,
) -> None:
    """Judge one or more clips of an empty run.

    Says whether the run is quiet, which fault the sound points to and why,
    what to look at first, and what could not be heard.

    Exits 0 when every clip is quiet, 1 when one is to be inspected or is
    noisy, 2 on a mistake in the call, 3 when one carries no answer.
    """
    clips = existing(clips)
    machine = machine_from(machine_file, mains, poles, stage)

    from quietrun.pipeline import analyse

    worst = 0
    for i, clip in enumerate(clips):
        analysis = analyse(clip, machine=machine)
        if i and not as_json:
            say("\n" + "=" * 72 + "\n")
        say(_shown(analysis, as_json=as_json, features=features, single=len(clips) == 1))
        worst = max(worst, EXIT_CODES[analysis.verdict.word])
    ctx.exit(worst)


def _shown(analysis: Analysis, *, as_json: bool, features: bool, single: bool) -> str:
    """One clip: an indented object when it is alone, else one object a line."""
    if as_json:
        from quietrun.report.contract import features_object, to_json, to_object

        if features:
            from quietrun.evidence import BY_NAME

            return to_json(features_object(analysis, BY_NAME), indent=2 if single else None)
        return to_json(to_object(analysis), indent=2 if single else None)
    from quietrun.report.text import render, render_features

    if features:
        from quietrun.evidence import BY_NAME

        return render(analysis, page()) + "\n\n" + render_features(analysis, BY_NAME, page())
    return render(analysis, page())
