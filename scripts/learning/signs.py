"""Cards of findings: noises and courses that are none of the four faults, each by its physics.

A sign reads only the features that its physics touches. Such a small card carries over from one
sound model to another far better than one that may read everything.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Sign:
    """What teaches a finding, and what it may read.

    ``kinds`` are names in a truth's ``other``; ``alone`` signs learn against healthy machines
    only, because they are told only where no fault is flagged.
    """

    kinds: tuple[str, ...]
    features: tuple[str, ...]
    alone: bool = False


SIGNS = {
    # the start winding stays in: no click, the hum does not ease, and no click on the way down
    "start_switch_open_not_heard": Sign(
        ("start_switch_stuck_closed",),
        (
            "hum_eases",
            "open_click",
            "close_click",
            "cut_drop_three",
            "mains_beat_low",
            "hum_rise",
            "start_excess_low",
            "start_early_low",
            "hum_swell",
        ),
    ),
    # air noise and what turns fall together while the power is on; patterns of the turn smear
    "speed_sags": Sign(
        ("speed_sags", "sag"),
        (
            "steady_fall",
            "sag_percent",
            "turn_depth_top3",
            "turn_depth_best",
            "turn_depth_high",
            "slip_percent",
            "turn_once_best",
            "turn_together",
            "steady_wander",
        ),
    ),
    # much that is gone at once with the power, beating at twice the mains
    "mains_hum_strong": Sign(
        ("magnetic_growl",),
        (
            "cut_drop_low",
            "cut_drop_mid",
            "cut_drop_three",
            "cut_drop_most",
            "mains_beat_low",
            "mains_beat_mid",
            "mains_beat_top3",
            "start_excess_mid",
            "tone_low",
            "hum_swell",
            "flutter_low",
            "swing_low",
        ),
    ),
    # blows without a beat: something loose, or still in the chamber
    "irregular_knocks": Sign(
        ("loose_part", "sheared_drive", "beans_in_it", "fan_in_switch", "fan_on_switch"),
        (
            "growl_top3",
            "growl_high",
            "rough_top3",
            "spiky_top3",
            "flutter_top3",
            "swing_top3",
            "swing_alone_top3",
            "burst_steady_top3",
            "knock_uneven",
            "knock_in_turn",
            "knock_rate",
            "knock_coast",
            "knock_coast_over",
            "start_over_steady",
            "start_spiky_top3",
            "turn_together",
            "off_turn_together",
        ),
        alone=True,
    ),
}
