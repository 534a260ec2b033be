"""Words of the logbook beside those of ``quietrun.words``."""

from __future__ import annotations

from quietrun.words import FAULTS

#: Where the date of a visit comes from, best first.
DATE_SOURCES = ("given", "file_name", "container", "file_time")

TEMPERATURES = ("cold", "hot")

#: Parts whose renewal is worth a line in the book.
PARTS = (
    "burrs",
    "bearings",
    "impeller",
    "pre_breaker",
    "shear_plate",
    "start_switch",
    "start_capacitor",
    "run_capacitor",
    "rotor",
    "other",
)

#: After one of these the machine sounds different by right: a new baseline begins.
BASELINE_PARTS = frozenset({"burrs", "bearings", "impeller", "pre_breaker", "rotor"})

#: What a technician can confirm about a clip.
CONFIRMABLE = ("quiet", *FAULTS)

#: Names of ``logbook`` sub-commands: a machine tag of the same name could not be typed.
RESERVED_TAGS = frozenset({"show", "add", "confirm", "export", "import", "check"})

#: Kept beside the features, for the trends: share of the steady power that dies at switch-off.
HUM_SHARE = "hum_share"
