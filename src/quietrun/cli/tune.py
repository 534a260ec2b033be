"""``quietrun tune``: a machine's own limits from its own runs."""

from __future__ import annotations

import click

from quietrun.cli.home import home_option
from quietrun.cli.options import json_option
from quietrun.cli.output import page, say
from quietrun.words import STAGES


@click.command()
@click.argument("machine")
@click.option(
    "--stage",
    type=click.Choice(STAGES),
    default="assembled",
    show_default=True,
    help="What is assembled in the clips to tune from.",
)
@click.option("--phone", help="Phone of the clips; the one with most clips if you do not say.")
@click.option("--confirmed-only", is_flag=True, help="Use only runs that you confirmed quiet.")
@click.option("--dry-run", is_flag=True, help="Show what would change, store nothing.")
@click.option("--reset", "to_reset", is_flag=True, help="Go back to the general limits.")
@home_option
@json_option
def tune(
    machine: str,
    stage: str,
    phone: str | None,
    confirmed_only: bool,
    dry_run: bool,
    to_reset: bool,
    home: str | None,
    as_json: bool,
) -> None:
    """Set the limits of MACHINE from its own quiet runs and confirmed faults.

    Runs since the last new parts count, kept apart by phone and stage.
    Prints old and new limits, the false alarms to expect, and which past
    clips would be judged otherwise. A limit is never moved past a fault that
    you confirmed without saying so.
    """
    from quietrun.logbook.store import open_logbook
    from quietrun.logbook.tuning import check_choice, reset, tune_machine
    from quietrun.report.contract import to_json
    from quietrun.report.tune_text import tune_text

    check_choice(dry_run, to_reset)
    with open_logbook(home, create=False) as book:
        if to_reset:
            count = reset(book, machine, stage=stage, phone=phone)
            say(to_json({"dropped": count}) if as_json else f"Dropped {count} own limits.")
            return
        found = tune_machine(
            book,
            machine,
            stage=stage,
            phone=phone,
            confirmed_only=confirmed_only,
            dry_run=dry_run,
        )
    say(to_json(found, indent=2) if as_json else tune_text(found, page().columns()))
