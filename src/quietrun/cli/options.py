"""Options that several commands share."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from quietrun.errors import UsageError
from quietrun.words import STAGES

if TYPE_CHECKING:
    from quietrun.machine import Machine

Command = TypeVar("Command", bound=Callable[..., Any])

json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")


def machine_options(command: Command) -> Command:
    """Add ``--machine-file``, ``--mains``, ``--poles`` and ``--stage`` to a command."""
    for option in (
        click.option(
            "--stage",
            type=click.Choice(STAGES),
            help="What is assembled: hand_spin (no power), motor_only (nothing in the grind "
            "chamber), assembled (burrs backed off; taken if you say nothing) or "
            "burr_setting (burrs brought together).",
        ),
        click.option(
            "--poles",
            type=click.Choice(["2", "4"]),
            help="Poles of the motor: 2 (about 3000 rpm on 50 Hz) or 4 (about 1500).",
        ),
        click.option(
            "--mains",
            type=click.Choice(["50", "60"]),
            help="Mains frequency, Hz. Measured if you do not say.",
        ),
        click.option(
            "--machine-file",
            type=click.Path(),
            metavar="FILE",
            help="File that describes the machine. The other options overrule it.",
        ),
    ):
        command = option(command)
    return command


def machine_from(
    machine_file: str | None, mains: str | None, poles: str | None, stage: str | None
) -> Machine:
    """Put together what the options say about the machine.

    Raises
    ------
    UsageError
        The machine file is wrong.
    """
    from quietrun.machine import Machine

    machine = Machine()
    if machine_file is not None:
        from quietrun.machine.file import load

        machine = load(machine_file)
    told: dict[str, Any] = {}
    if mains is not None:
        told["mains_hz"] = float(mains)
    if poles is not None:
        told["poles"] = int(poles)
    if stage is not None:
        told["stage"] = stage
    return dataclasses.replace(machine, **told)


def existing(paths: tuple[str, ...]) -> tuple[str, ...]:
    """Give back the paths when each is there and none is a folder.

    Raises
    ------
    UsageError
        With a near name from the same folder where there is one.
    """
    for path in paths:
        if os.path.isdir(path):
            raise UsageError(
                f"{path} is a folder.",
                "This command takes sound files.",
                f"Name the clips in it: {os.path.join(path, '*')}",
            )
        if not os.path.lexists(path):
            raise UsageError(f"There is no file {path}.", "Nothing was judged.", _nearest(path))
    return paths


def _nearest(path: str) -> str:
    import difflib

    folder, name = os.path.split(path)
    try:
        names = os.listdir(folder or ".")
    except OSError:
        return f"Check the folder: {folder} cannot be listed."
    near = difflib.get_close_matches(name, names, n=1)
    return f"Did you mean {os.path.join(folder, near[0])}?" if near else "Check the name."
