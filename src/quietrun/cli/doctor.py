"""``quietrun doctor``: say whether the installation is sound."""

from __future__ import annotations

import click

from quietrun.cli.home import home_option
from quietrun.cli.options import json_option
from quietrun.cli.output import page, say


@click.command()
@home_option
@json_option
@click.pass_context
def doctor(ctx: click.Context, home: str | None, as_json: bool) -> None:
    """Look at this installation and say what is wrong with it.

    Versions, kinds of sound files that can be read, inputs, folders, model, and
    a made-up run judged from sound to verdict. For a report of a bug: names of
    your folders are left out. Exits 0 when nothing is wrong, else 1.
    """
    from quietrun.doctor import look
    from quietrun.doctor.text import render, to_object

    found = look(home)
    if as_json:
        from quietrun.report.contract import to_json

        say(to_json(to_object(found), indent=2))
    else:
        say(render(found, page()))
    ctx.exit(1 if found.troubles else 0)
