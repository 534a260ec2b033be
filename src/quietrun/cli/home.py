"""The option that says where the logbook lives."""

from __future__ import annotations

import click

home_option = click.option(
    "--home",
    type=click.Path(file_okay=False),
    metavar="FOLDER",
    help="Folder of the logbook (else QUIETRUN_HOME, else your data folder).",
)
