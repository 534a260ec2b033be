"""Commands: parse, call the library, print, exit. No signal code here.

Each command lives in ``cli/<name>.py``. Such a module imports click and this
package on top, and the library inside the command function, so that
``quietrun --help`` stays quick (held by ``tests/test_cli_start.py``).
"""

from __future__ import annotations

from types import MappingProxyType

import click

from quietrun import __version__
from quietrun.cli.edge import Group

#: Command name to where it is, in the order in which ``--help`` lists them.
COMMANDS = MappingProxyType(
    {
        "check": "quietrun.cli.check:check",
        "record": "quietrun.cli.record:record",
        "report": "quietrun.cli.report:report",
        "compare": "quietrun.cli.compare:compare",
        "burr-touch": "quietrun.cli.burr_touch:burr_touch",
        "explain": "quietrun.cli.explain:explain",
        "example": "quietrun.cli.example:example",
        "batch": "quietrun.cli.batch:batch",
        "machine": "quietrun.cli.machine:machine",
        "logbook": "quietrun.cli.logbook:logbook",
        "tune": "quietrun.cli.tune:tune",
        "doctor": "quietrun.cli.doctor:doctor",
    }
)


@click.group(cls=Group, commands_at=COMMANDS, context_settings={"max_content_width": 80})
@click.version_option(__version__, prog_name="quietrun")
def main() -> None:
    """Judge the sound of an empty grinder run from a phone clip.

    Record about ten seconds: quiet room, switch on, steady run, switch off,
    let it run down. Then: quietrun check CLIP

    A sound is evidence, not proof. Unplug before you open a machine.
    """
