"""``quietrun report``: the page for the customer."""

from __future__ import annotations

import click

from quietrun.cli.check import EXIT_CODES
from quietrun.cli.home import home_option
from quietrun.cli.options import existing, machine_from, machine_options
from quietrun.cli.output import note


@click.command()
@click.argument("clips", nargs=-1, required=True, metavar="CLIP...", type=click.Path())
@click.option(
    "-o",
    "--output",
    required=True,
    type=click.Path(dir_okay=False),
    metavar="PAGE.html",
    help="File to write: pictures and sounds are in it, nothing is fetched.",
)
@click.option("--machine", "tag", help="Tag of the machine. Two clips of one: before and after.")
@click.option("--note", "text", default="", help="Anything to say on the page.")
@click.option(
    "--no-sounds",
    is_flag=True,
    help="Leave the sounds out: a smaller page, and nobody's voice on it.",
)
@machine_options
@home_option
@click.pass_context
def report(
    ctx: click.Context,
    clips: tuple[str, ...],
    output: str,
    tag: str | None,
    text: str,
    no_sounds: bool,
    machine_file: str | None,
    mains: str | None,
    poles: str | None,
    stage: str | None,
    home: str | None,
) -> None:
    """Write a page about one or more clips: the answer, why, pictures and sounds.

    The page is one file. It opens in any browser without a network, reads on
    a phone, and prints on one or two sheets; two clips side by side. Clips
    that the logbook knows are judged by the machine's own limits, and set
    beside its own quiet run.

    Exits as check does: 0 when every clip is quiet, 1 when one is to be
    inspected or is noisy, 2 on a mistake in the call, 3 when one carries no
    answer.
    """
    from quietrun.report.files import check_page_place, write_page

    clips = existing(clips)
    machine = machine_from(machine_file, mains, poles, stage)
    check_page_place(output)

    from quietrun.exhibits.pages import Asked, exhibits_of
    from quietrun.logbook.store import open_if_there
    from quietrun.report.page import render

    with open_if_there(home) as book:
        made, bands = exhibits_of(book, clips, Asked(machine, tag, stage, text, not no_sounds))
    write_page(output, render(made, bands))
    words = [exhibit.analysis.verdict.word for exhibit in made]
    note(f"Wrote {output} ({', '.join(words)})")
    ctx.exit(max(EXIT_CODES[word] for word in words))
