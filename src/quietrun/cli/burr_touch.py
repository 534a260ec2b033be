"""``quietrun burr-touch``: when the burrs touch."""

from __future__ import annotations

import click

from quietrun.cli.options import existing, json_option, machine_from, machine_options
from quietrun.cli.output import page, say


@click.command("burr-touch")
@click.argument("clip", type=click.Path())
@machine_options
@json_option
@click.pass_context
def burr_touch(
    ctx: click.Context,
    clip: str,
    machine_file: str | None,
    mains: str | None,
    poles: str | None,
    stage: str | None,
    as_json: bool,
) -> None:
    """Say when the burrs touch in CLIP, and whether they are parallel.

    Record while you bring the burrs of the running machine together, from
    well open to the first singing, and back off. Exits 0 when the clip could
    be heard, 3 when it carries no answer.
    """
    from quietrun.compare.burrs import burr_touch as touch
    from quietrun.pipeline import analyse
    from quietrun.report.burr_text import burr_text
    from quietrun.report.contract import to_json, to_object

    machine = machine_from(machine_file, mains, poles, stage or "burr_setting")
    found = touch(to_object(analyse(existing((clip,))[0], machine=machine)))
    say(to_json(found, indent=2) if as_json else burr_text(found, page().columns()))
    ctx.exit(3 if found["verdict"] == "unusable" else 0)
