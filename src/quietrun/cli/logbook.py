"""``quietrun logbook``: what a machine sounded like, visit by visit."""

from __future__ import annotations

from typing import Any

import click

from quietrun.cli.home import home_option
from quietrun.cli.options import existing, json_option
from quietrun.cli.output import note, say
from quietrun.logbook.words import CONFIRMABLE, PARTS, TEMPERATURES
from quietrun.words import STAGES


class _Book(click.Group):
    """Commands of the logbook; any other word is the tag of a machine to show."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and not args[0].startswith("-") and args[0] not in self.commands:
            args = ["show", *args]
        return super().resolve_command(ctx, args)


@click.group(cls=_Book)
def logbook() -> None:
    """Read and keep the logbook: quietrun logbook MACHINE shows its history."""


@logbook.command()
@click.argument("machine")
@click.option("--picture", type=click.Path(dir_okay=False), help="Write charts to a PNG file.")
@click.option(
    "--page",
    type=click.Path(dir_okay=False),
    metavar="PAGE.html",
    help="Write the history as a page with charts.",
)
@home_option
@json_option
def show(
    machine: str, picture: str | None, page: str | None, home: str | None, as_json: bool
) -> None:
    """Show the history of a MACHINE, its trends and what is due."""
    from quietrun.logbook.describe import history_object
    from quietrun.logbook.store import open_logbook
    from quietrun.logbook.watching import trends_object
    from quietrun.report.contract import to_json
    from quietrun.report.logbook_text import history_text

    if page:
        from quietrun.report.files import check_page_place

        check_page_place(page)
    with open_logbook(home, create=False) as book:
        found = {**history_object(book, machine), "trends": trends_object(book, machine)}
    say(to_json(found, indent=2) if as_json else history_text(found))
    if picture:
        from quietrun.report.logbook_charts import write_charts

        write_charts(found, picture)
        note(f"Wrote {picture}")
    if page:
        from quietrun.report.files import write_page
        from quietrun.report.logbook_page import render_history

        write_page(page, render_history(found))
        note(f"Wrote {page}")


@logbook.command()
@click.argument("clips", nargs=-1, required=True, metavar="CLIP...", type=click.Path())
@click.option("--machine", "tag", required=True, help="Tag of the machine.")
@click.option(
    "--stage",
    type=click.Choice(STAGES),
    default="assembled",
    show_default=True,
    help="What is assembled.",
)
@click.option("--date", help="Day or time of the visit, year first.")
@click.option("--zone", help="Time zone, such as Europe/Athens or +02:00.")
@click.option("--phone", help="Phone it was recorded with, if not the usual one.")
@click.option("--temperature", type=click.Choice(TEMPERATURES), help="Motor cold or hot.")
@click.option("--burr-setting", default="", help="Where the burrs stood.")
@click.option("--opened/--not-opened", default=None, help="Opened since the visit before?")
@click.option(
    "--new-part",
    "parts_changed",
    multiple=True,
    type=click.Choice(PARTS),
    help="Part renewed before this clip. Once for each.",
)
@click.option("--note", "text", default="", help="Anything else.")
@home_option
@json_option
@click.pass_context
def add(ctx: click.Context, /, clips: tuple[str, ...], home: str | None, **given: Any) -> None:
    """Judge clips of one machine and enter them.

    The same file twice is one clip: only what was not known is added.
    Exits 0, or 3 when a clip carries no answer (it is entered all the same).
    """
    from quietrun.logbook.adding import add_all
    from quietrun.logbook.store import open_logbook
    from quietrun.report.contract import to_json

    as_json = given.pop("as_json")
    worst = 0
    with open_logbook(home, create=False) as book:
        for one in add_all(book, existing(clips), **given):
            say(to_json(one) if as_json else one["says"])
            worst = max(worst, 3 if one["verdict"] == "unusable" else 0)
    ctx.exit(worst)


@logbook.command()
@click.argument("clip_or_csv", metavar="CLIP|FILE.csv", type=click.Path())
@click.argument("finding", required=False, type=click.Choice(CONFIRMABLE))
@click.option("--note", "text", default="", help="What you saw.")
@click.option("--replace", is_flag=True, help="An earlier finding was wrong.")
@home_option
@json_option
def confirm(
    clip_or_csv: str,
    finding: str | None,
    text: str,
    replace: bool,
    home: str | None,
    as_json: bool,
) -> None:
    """Enter what you FOUND in the machine: a fault, or quiet.

    CLIP is the file, its name in the logbook, or the beginning of its hash.
    A CSV file with the columns clip and finding (and note) enters many at
    once: all of them or, when one line is wrong, none.
    """
    from pathlib import Path

    from quietrun.logbook.confirmations import confirm as confirm_one
    from quietrun.logbook.confirmations import confirm_all
    from quietrun.logbook.store import open_logbook
    from quietrun.report.contract import to_json

    with open_logbook(home, create=False) as book:
        if finding is None:
            if not clip_or_csv.lower().endswith(".csv"):
                raise click.UsageError(f"Say what was found: {', '.join(CONFIRMABLE)}.")
            count = confirm_all(book, Path(existing((clip_or_csv,))[0]), replace=replace)
            say(to_json({"entered": count}) if as_json else f"{count} findings entered.")
        else:
            clip = confirm_one(book, clip_or_csv, finding, note=text, replace=replace)
            words = [found.what for found in clip.confirmed]
            told = {"clip": clip.path, "sha256": clip.sha256, "day": clip.when.day}
            line = f"{clip.path} ({clip.when.day}): {', '.join(words)}."
            say(to_json({**told, "confirmed": words}) if as_json else line)


@logbook.command()
@click.argument("out", type=click.Path(dir_okay=False), required=False)
@home_option
def export(out: str | None, home: str | None) -> None:
    """Write the whole logbook as JSON to OUT, or to the terminal."""
    from quietrun.logbook.exchange import export_book, write_export
    from quietrun.logbook.store import open_logbook
    from quietrun.report.contract import to_json

    with open_logbook(home, create=False) as book:
        whole = export_book(book)
    if out is None:
        say(to_json(whole, indent=1))
    else:
        write_export(whole, out)
        note(f"Wrote {len(whole['machines'])} machines to {out}")


@logbook.command("import")
@click.argument("file", type=click.Path())
@home_option
@json_option
def import_(file: str, home: str | None, as_json: bool) -> None:
    """Add what an exported FILE holds; what is there already stays."""
    from dataclasses import asdict
    from pathlib import Path

    from quietrun.logbook.exchange import import_book, read_export
    from quietrun.logbook.store import open_logbook
    from quietrun.report.contract import to_json

    raw = read_export(Path(existing((file,))[0]))
    with open_logbook(home) as book:
        new = import_book(book, raw)
    line = (
        f"New: {new.machines} machines, {new.clips} clips, {new.analyses} judgements, "
        f"{new.confirmations} findings."
    )
    say(to_json(asdict(new)) if as_json else line)


@logbook.command()
@home_option
@json_option
@click.pass_context
def check(ctx: click.Context, home: str | None, as_json: bool) -> None:
    """Look through the logbook for damage and contradictions.

    Exits 0 when it is sound (there may be notes), 1 when something is wrong.
    """
    from quietrun.logbook.checking import check_object
    from quietrun.logbook.store import open_logbook
    from quietrun.report.contract import to_json
    from quietrun.report.logbook_text import check_text

    with open_logbook(home, create=False) as book:
        found = check_object(book)
    say(to_json(found, indent=2) if as_json else check_text(found))
    ctx.exit(1 if any(one["serious"] for one in found["remarks"]) else 0)
