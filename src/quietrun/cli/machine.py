"""``quietrun machine``: the machines of the logbook."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from quietrun.cli.home import home_option
from quietrun.cli.options import json_option
from quietrun.cli.output import note, say
from quietrun.logbook.words import PARTS

if TYPE_CHECKING:
    from quietrun.logbook.types import MachineRecord

Command = TypeVar("Command", bound=Callable[..., Any])


def _fields(command: Command) -> Command:
    for option in reversed(
        (
            click.option("--place", help="Where it stands."),
            click.option("--mains", "mains_hz", type=float, help="Mains frequency, Hz."),
            click.option("--poles", type=int, help="Poles of the motor."),
            click.option(
                "--bearing",
                "bearings",
                multiple=True,
                metavar="SIZE|BALLS,BALL_MM,PITCH_MM",
                help="A ball bearing, such as 6203 or 8,6.75,28.5. Once for each.",
            ),
            click.option("--fan-blades", type=int, help="Blades of the cooling impeller."),
            click.option("--burr-mm", type=float, help="Diameter of the burrs, mm."),
            click.option(
                "--burr-life",
                "burr_life_kg",
                metavar="LOW-HIGH",
                help="Life of a burr set by your own experience, kg.",
            ),
            click.option("--phone", help="Phone you record it with."),
            click.option("--notes", help="Anything else."),
        )
    ):
        command = option(command)
    return command


@click.group()
def machine() -> None:
    """Keep the list of your machines."""


@machine.command()
@click.argument("tag")
@_fields
@home_option
@json_option
def add(tag: str, home: str | None, as_json: bool, **given: Any) -> None:
    """Enter a new machine under your own TAG."""
    from quietrun.logbook.machines import add_machine
    from quietrun.logbook.store import open_logbook
    from quietrun.logbook.typed import as_fields
    from quietrun.logbook.types import MachineRecord

    with open_logbook(home) as book:
        record = add_machine(book, MachineRecord(tag=tag, **as_fields(given)))
    _show(record, as_json)
    note(f"Next: quietrun logbook add CLIP --machine {record.tag}")


@machine.command()
@click.argument("tag")
@click.option("--tag", "new_tag", help="A new tag.")
@_fields
@home_option
@json_option
def edit(tag: str, new_tag: str | None, home: str | None, as_json: bool, **given: Any) -> None:
    """Change what is known about the machine TAG; the rest stays."""
    from quietrun.logbook.machines import edit_machine
    from quietrun.logbook.store import open_logbook
    from quietrun.logbook.typed import as_fields

    fields = as_fields(given)
    if new_tag is not None:
        fields["tag"] = new_tag
    with open_logbook(home, create=False) as book:
        record = edit_machine(book, tag, **fields)
    _show(record, as_json)


@machine.command("list")
@home_option
@json_option
def list_(home: str | None, as_json: bool) -> None:
    """List all machines with their last visit and verdict."""
    from quietrun.logbook.describe import list_object
    from quietrun.logbook.store import open_logbook
    from quietrun.report.contract import to_json
    from quietrun.report.logbook_text import list_text

    with open_logbook(home, create=False) as book:
        found = list_object(book)
    say(to_json(found, indent=2) if as_json else list_text(found))


@machine.command()
@click.argument("tag")
@home_option
@json_option
def show(tag: str, home: str | None, as_json: bool) -> None:
    """Show what is known about the machine TAG."""
    from quietrun.logbook.describe import machine_object
    from quietrun.logbook.store import open_logbook
    from quietrun.report.contract import to_json
    from quietrun.report.logbook_text import machine_text

    with open_logbook(home, create=False) as book:
        found = machine_object(book, tag)
    say(to_json(found, indent=2) if as_json else machine_text(found))


@machine.command("new-parts")
@click.argument("tag")
@click.argument("parts", nargs=-1, required=True, type=click.Choice(PARTS), metavar="PART...")
@click.option("--date", help="Day or time of the change, year first. Now if you do not say.")
@click.option("--zone", help="Time zone, such as Europe/Athens or +02:00.")
@click.option("--note", "text", default="", help="Anything else.")
@home_option
def new_parts(
    tag: str,
    parts: tuple[str, ...],
    date: str | None,
    zone: str | None,
    text: str,
    home: str | None,
) -> None:
    """Note parts renewed in the machine TAG.

    After new burrs, bearings, impeller, pre-breaker or rotor the machine
    sounds different by right: clips recorded from that moment on make a new
    baseline.
    """
    from quietrun.logbook.baseline import baseline_advice
    from quietrun.logbook.dates import typed_or_now
    from quietrun.logbook.machines import Change, add_change
    from quietrun.logbook.store import open_logbook

    at = typed_or_now(date, zone)
    with open_logbook(home, create=False) as book:
        for part in parts:
            add_change(book, tag, Change(at, part, text))
        advice = baseline_advice(book, tag)
    say(f"{tag}: new {', '.join(parts)} on {at[:10]}.")
    for line in advice:
        say(line)


@machine.command()
@click.argument("tag")
@click.argument("kg", type=float)
@click.option("--per", type=click.Choice(["week"]), help="KG is ground every week from now on.")
@click.option("--date", help="Day it holds from, year first. Today if you do not say.")
@click.option("--zone", help="Time zone, such as Europe/Athens or +02:00.")
@home_option
@json_option
def throughput(
    tag: str,
    kg: float,
    per: str | None,
    date: str | None,
    zone: str | None,
    home: str | None,
    as_json: bool,
) -> None:
    """Note the coffee ground by the machine TAG and say when burrs are due.

    KG is the total on this burr set so far, or with --per week what is
    ground each week.
    """
    from quietrun.logbook.dates import typed_or_now
    from quietrun.logbook.life import burr_life, life_object
    from quietrun.logbook.machines import Throughput, add_throughput
    from quietrun.logbook.store import open_logbook
    from quietrun.report.contract import to_json
    from quietrun.report.logbook_text import life_text

    at = typed_or_now(date, zone)
    with open_logbook(home, create=False) as book:
        add_throughput(book, tag, Throughput(at, kg, per == "week"))
        life = life_object(burr_life(book, tag))
    say(to_json(life, indent=2) if as_json else life_text(life))


def _show(record: MachineRecord, as_json: bool) -> None:
    from dataclasses import asdict

    from quietrun.report.contract import to_json
    from quietrun.report.logbook_text import machine_text

    say(to_json(asdict(record), indent=2) if as_json else machine_text(asdict(record)))
