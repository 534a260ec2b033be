"""``quietrun compare``: before and after, and stage against stage."""

from __future__ import annotations

import click

from quietrun.cli.home import home_option
from quietrun.cli.options import json_option
from quietrun.cli.output import page, say
from quietrun.words import STAGES


@click.command()
@click.argument("clips", nargs=-1, required=True, metavar="BEFORE AFTER [CLIP...]")
@click.option(
    "--stage",
    "stages",
    multiple=True,
    type=click.Choice(STAGES),
    help="What is assembled: once for all clips, or once for each in their order.",
)
@click.option(
    "--phone",
    "phones",
    multiple=True,
    help="Phone used: once for all clips, or once for each in their order.",
)
@home_option
@json_option
def compare(
    clips: tuple[str, ...],
    stages: tuple[str, ...],
    phones: tuple[str, ...],
    home: str | None,
    as_json: bool,
) -> None:
    """Say what changed from BEFORE to AFTER, or what a stage of assembly tells.

    Clips are files, or clips of the logbook by name or hash. Clips of the
    same stage are compared by feature and by third octave. Clips of two or
    more stages narrow a noise down: where it first appears, which parts
    joined there, which faults can be the cause.
    """
    from quietrun.compare.scatter import scatter_of
    from quietrun.compare.together import compare as compare_sides
    from quietrun.logbook.sides import sides_of
    from quietrun.logbook.store import open_if_there
    from quietrun.report.compare_text import compare_text
    from quietrun.report.contract import to_json

    with open_if_there(home) as book:
        sides = sides_of(book, clips, stages=stages, phones=phones)
    known = scatter_of(sides[0].stage)
    found = compare_sides(sides, known.features, known.band_db)
    say(to_json(found, indent=2) if as_json else compare_text(found, page().columns()))
