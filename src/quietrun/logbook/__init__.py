"""The memory of machines: visits, clips, judgements and what was found, in one SQLite file."""

from quietrun.logbook.clips import Entry, add_clip, clip_by_name, clips, machine_of, visits
from quietrun.logbook.confirmations import confirm, confirm_all
from quietrun.logbook.machines import (
    add_machine,
    changes,
    edit_machine,
    machine,
    machines,
)
from quietrun.logbook.store import Logbook, open_logbook
from quietrun.logbook.types import (
    Added,
    AnalysisRecord,
    ClipRecord,
    Confirmation,
    MachineRecord,
    Visit,
    When,
)

__all__ = [
    "Added",
    "AnalysisRecord",
    "ClipRecord",
    "Confirmation",
    "Entry",
    "Logbook",
    "MachineRecord",
    "Visit",
    "When",
    "add_clip",
    "add_machine",
    "changes",
    "clip_by_name",
    "clips",
    "confirm",
    "confirm_all",
    "edit_machine",
    "machine",
    "machine_of",
    "machines",
    "open_logbook",
    "visits",
]
