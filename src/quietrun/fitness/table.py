"""Every recording problem: what it means, what to do about it, what it spoils.

One row a word of ``words.PROBLEMS``. ``what`` is said by the measure, with its numbers; the row
holds the rest. ``spoils`` names feature families of ``evidence`` and phases of a run.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

from quietrun.problems import Problem


@dataclass(frozen=True, slots=True)
class Row:
    """What is always said about one problem.

    Attributes
    ----------
    why, do : str
        Why it matters, and the one thing a person in a shop can do.
    spoils : tuple of str
        Families and phases that are not judged.
    """

    why: str
    do: str
    spoils: tuple[str, ...] = ()


TABLE: MappingProxyType[str, Row] = MappingProxyType(
    {
        "no_sound": Row(
            "Silence is no proof of a quiet machine.",
            "Allow the recorder to use the microphone, check that it is not covered, record again.",
        ),
        "cut_file": Row(
            "The end of a run shows most: how it slows down and whether it scrapes.",
            "Copy the file from the phone again; if it is short there too, record again.",
            ("coast_down", "rest", "power_cut", "speed_exponent"),
        ),
        "too_short": Row(
            "Noise that comes once a turn, or now and then, needs seconds to show.",
            "Record ten seconds: quiet room, on, four seconds running, off, let it run down.",
            ("orders", "synchronous", "tones"),
        ),
        "no_machine": Row(
            "Without a machine in the clip there is nothing to judge.",
            "Hold the phone 30 to 50 cm from the machine and record a whole run.",
        ),
        "already_running": Row(
            "Start switch, run-up and rattle at the start cannot be judged.",
            "Start the recorder first, wait a second, then switch the machine on.",
            ("run_up", "room"),
        ),
        "no_switch_off": Row(
            "What dies with the power and what runs down cannot be told apart, nor the drag.",
            "Keep recording: switch off and let the machine run down to rest.",
            ("coast_down", "rest", "power_cut", "speed_exponent"),
        ),
        "several_runs": Row(
            "Each run is judged on its own, and only the clearest one counts here.",
            "Record one run a clip.",
        ),
        "clipped": Row(
            "Cut tops add crackle and tones that the machine does not make.",
            "Hold the phone further away, or turn the recording level down.",
            ("impacts", "tones", "shape"),
        ),
        "band_limited": Row(
            "What sounds above that is missing: many bearing and burr noises live there.",
            "Use the phone's own recorder at its best setting, without a headset or a messenger.",
            ("shape",),
        ),
        "gain_riding": Row(
            "The recorder changed the level by itself: levels at different times do not compare.",
            "Switch automatic gain and noise reduction off, or use a recorder that has neither.",
            ("power_cut", "speed_exponent"),
        ),
        "noise_gate": Row(
            "The recorder cut quiet sound away, and a faint scrape or the last turns with it.",
            "Switch noise reduction off, or use a recorder that has none.",
            ("rest", "room", "speed_exponent", "times"),
        ),
        "buried_in_room_noise": Row(
            "Below 6 dB over the room no honest correction is possible (ISO 3744).",
            "Hold the phone closer (30 cm), stop what else makes noise, and record again.",
            ("shape", "power_cut", "speed_exponent"),
        ),
        "talked_over": Row(
            "Talk and music cover the machine just where its faults sound.",
            "Record again without talk and music.",
            ("impacts", "tones", "shape"),
        ),
        "handled": Row(
            "Bumps and rubbing on the phone sound like knocks of the machine.",
            "Lay the phone on something soft or lean it on something; do not touch it.",
            ("impacts", "shape"),
        ),
        "loaded_run": Row(
            "Beans crackle over every other noise and load the motor; an empty run is needed.",
            "Empty the machine, let it run clear, and record the empty run.",
            ("impacts", "orders", "synchronous", "tones", "shape"),
        ),
        "other_machine": Row(
            "The rules here are for induction motors, whose speed follows the mains.",
            "Check that the machine in the clip is the grinder, and that no other one runs.",
        ),
    }
)


def problem(
    code: str, what: str, *, fatal: bool = False, also: tuple[str, ...] = (), spare: bool = False
) -> Problem:
    """Make the value for one problem.

    Parameters
    ----------
    code : str
        A word of ``words.PROBLEMS``.
    what : str
        What was heard, with numbers.
    fatal : bool
        Nothing is left to judge.
    also : tuple of str
        Families and phases spoilt beside the row's.
    spare : bool
        The row's families and phases are not spoilt this time.
    """
    row = TABLE[code]
    spoils = also if spare else row.spoils + also
    return Problem(code, what, row.why, row.do, tuple(dict.fromkeys(spoils)), fatal)
