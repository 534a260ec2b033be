"""The words of the trade, restated here so that nothing is shared with the product."""

from __future__ import annotations

STAGES = ("hand_spin", "motor_only", "assembled", "burr_setting")
FAULTS = ("bearing_noise", "impeller_rub", "pre_breaker_wobble", "burr_contact")
POSSIBLE: dict[str, tuple[str, ...]] = {
    "hand_spin": ("bearing_noise", "impeller_rub", "burr_contact"),
    "motor_only": ("bearing_noise", "impeller_rub"),
    "assembled": FAULTS,
    "burr_setting": FAULTS,
}
PROBLEMS = (
    "no_sound",
    "cut_file",
    "too_short",
    "no_machine",
    "already_running",
    "no_switch_off",
    "several_runs",
    "clipped",
    "band_limited",
    "gain_riding",
    "noise_gate",
    "buried_in_room_noise",
    "talked_over",
    "handled",
    "loaded_run",
    "other_machine",
)
#: Problems that leave nothing to judge; the others take away a part. ``cut_file``
#: is fatal only where nothing can be read any more (decided when the file is cut).
FATAL = frozenset(
    {
        "no_sound",
        "too_short",
        "no_machine",
        "buried_in_room_noise",
        "loaded_run",
        "other_machine",
    }
)
#: Other faults; True where a tool may still say quiet (common practice, no source:
#: the ring of the start switch sings near rest and does no harm).
OTHERS: dict[str, bool] = {
    "start_switch_stuck_closed": False,
    "start_switch_stuck_open": False,
    "did_not_start": False,
    "drag": False,
    "face_rub": False,
    "loose_part": False,
    "fan_in_switch": False,
    "beans_in_it": False,
    "magnetic_growl": False,
    "speed_sags": False,
    "switch_ring_squeal": True,
}
AUDIBLE_FROM = 0.2
