"""The words of the trade, used alike in code, JSON and text."""

from __future__ import annotations

from types import MappingProxyType

STAGES = ("hand_spin", "motor_only", "assembled", "burr_setting")
PHASES = ("room", "run_up", "steady", "coast_down", "rest")
FAULTS = ("bearing_noise", "impeller_rub", "pre_breaker_wobble", "burr_contact")
VERDICTS = ("quiet", "inspect", "noisy", "unusable")

#: Faults that the parts present at a stage can produce.
POSSIBLE = MappingProxyType(
    {
        "hand_spin": frozenset({"bearing_noise", "impeller_rub", "burr_contact"}),
        "motor_only": frozenset({"bearing_noise", "impeller_rub"}),
        "assembled": frozenset(FAULTS),
        "burr_setting": frozenset(FAULTS),
    }
)

FINDINGS = (
    "did_not_start",
    "slow_run_up",
    "start_switch_open_not_heard",
    "start_switch_close_not_heard",
    "coast_down_short",
    "coast_down_long",
    "mains_hum_strong",
    "speed_sags",
    "squeal_near_rest",
    "face_rub",
    "irregular_knocks",
    "unknown_noise",
)

#: Recording problems: the clip can be read, but part of the job cannot be judged.
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

#: Reading problems: beside ``no_sound`` and ``cut_file``, why a file gives no clip at all.
UNREADABLE = (
    "empty_file",
    "not_a_recording",
    "no_sound_track",
    "unknown_codec",
    "in_the_cloud",
    "not_a_file",
    "no_access",
    "gave_up",
)

FAULT_TITLES = MappingProxyType(
    {
        "bearing_noise": "bearing noise",
        "impeller_rub": "impeller rub",
        "pre_breaker_wobble": "pre-breaker wobble",
        "burr_contact": "burr contact",
    }
)
