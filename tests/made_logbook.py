"""Entries for logbook tests, made by hand. No number here is a measurement."""

import hashlib

from quietrun.logbook.clips import Entry
from quietrun.logbook.types import AnalysisRecord, MachineRecord, When
from quietrun.machine import Bearing
from quietrun.words import FAULTS, POSSIBLE

MODEL_SHA = "ab" * 32
FULL_MACHINE = MachineRecord(
    tag="B-014",
    place="Café Löwenzahn, Hof",
    mains_hz=50.0,
    poles=4,
    bearings=(Bearing(8, 6.747, 28.5, name="6203"), Bearing(9, 7.94, 39.04, 0.0, "6205")),
    fan_blades=9,
    burr_mm=98.0,
    burr_life_kg=(5000.0, 6000.0),
    phone="old phone",
    notes="Knocks on the counter.\nFan guard bent.",
)


def sha_of(number):
    return hashlib.sha256(str(number).encode()).hexdigest()


def made_report(number=0, *, verdict="quiet", stage="assembled", flagged=(), run=None, path=None):
    return {
        "schema": "quietrun/verdict-1",
        "tool": {"version": "0.1.0", "model": "general", "model_sha256": MODEL_SHA},
        "clip": {"path": path or f"clip-{number}.m4a", "sha256": sha_of(number)},
        "machine": {"id": "B-014", "mains_hz": 50.0, "poles": 4, "stage": stage},
        "recording": {"usable": True, "bandwidth_hz": 16000, "room_snr_db": 25.1, "problems": []},
        "run": {
            "mains_hz": 50.0,
            "switched_on_s": 1.0,
            "switched_off_s": 6.0,
            "running_rpm": 1480.0,
            "run_up_s": 0.8,
            "coast_down_s": 4.2,
            **(run or {}),
        },
        "faults": {
            name: {
                "probability": 0.9 if name in flagged else 0.05,
                "limit": 0.5,
                "flagged": name in flagged,
                "possible": name in POSSIBLE[stage],
                "reasons": [],
            }
            for name in FAULTS
        },
        "findings": [],
        "contacts": None,
        "verdict": verdict,
        "because": ["Nothing over its limit."],
        "look_first": [],
        "not_heard": [],
        "cautions": ["Unplug the machine before you open it."],
    }


def made_entry(number=0, *, machine="B-014", day="2026-03-05", **changes):
    stage = changes.get("stage", "assembled")
    report = changes.pop("report", None) or made_report(number, stage=stage)
    fields = {
        "machine": machine,
        "sha256": sha_of(number),
        "path": f"/clips/clip-{number}.m4a",
        "when": When(f"{day}T10:{number % 60:02d}:00+01:00", "given", "+01:00", True),
        "phone": "old phone",
        "added_at": "2026-03-06T08:00:00+00:00",
        "analysis": AnalysisRecord(
            made_at="2026-03-06T08:00:00+00:00",
            report=report,
            evidence={"knock_rate": 1.25, "hiss_slope": None},
            scores={name: -3.0 for name in FAULTS},
            bands={"1000.0": -3.5, "12589.3": None},
        ),
        **changes,
    }
    return Entry(**fields)
