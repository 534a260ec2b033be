"""Findings: things measured that a person should know, beside the four faults."""

from __future__ import annotations

from quietrun.evidence.types import Evidence
from quietrun.fitness.types import Fitness
from quietrun.judge.model import Model
from quietrun.judge.score import log_odds_of, probability_of
from quietrun.judge.types import Finding
from quietrun.machine.types import Machine
from quietrun.run.types import Run

SLOW_RUN_UP_S = 5.0  # capacitor makers: about 1 s usual, rarely over 3 s; ours errs by up to 2 s
SHORT_COAST_S = 1.0  # common practice, no source: a free rotor turns on for longer
SAG_PERCENT = 2.0
SQUEAL_DB = 14.0


#: Findings told by several features together: what is said, and what to look at.
SIGNS = {
    "start_switch_open_not_heard": (
        "The start switch was not heard opening, and the hum did not ease after the start.",
        "Switch off: a start winding that stays in overheats, and its capacitor with it. Look at "
        "the start switch (unplugged, capacitor discharged).",
    ),
    "speed_sags": (
        "The sound sank while the power was on, as if the speed sagged.",
        "A run winding, a run capacitor or a growing drag: let a motor shop measure it.",
    ),
    "mains_hum_strong": (
        "Much of the noise beats with the mains and is gone at once at switch-off.",
        "Loose feet, covers or packs of plates first; then the air gap: a worn bearing lets the "
        "rotor pull to one side.",
    ),
    "irregular_knocks": (
        "Knocks and rattles that keep no beat.",
        "Something loose or left inside: beans, packed grounds, a screw, the shear plate, the fan "
        "on its shaft. Turn the shaft by hand (unplugged) and listen.",
    ),
}
#: Told only where no fault is flagged or near its limit: they say that the cause has no name.
_NAMELESS = ("irregular_knocks",)


def signs(model: Model, evidence: Evidence, found: list[Finding], *, named: bool) -> list[Finding]:
    """Findings whose scorecard is over its limit.

    Parameters
    ----------
    model, evidence
    found : list of Finding
        What was found by plain measures; those are not told twice.
    named : bool
        A fault is flagged or near its limit.

    Returns
    -------
    list of Finding
        ``found`` with the new ones; a harmless one gives way to the same word in earnest.
    """
    told = list(found)
    for code, card in model.signs.items():
        if code not in SIGNS or (named and code in _NAMELESS):
            continue
        if any(f.code == code and not f.harmless for f in told):
            continue
        sure = probability_of(log_odds_of(card, evidence))
        if sure >= card.limit:
            says, look_at = SIGNS[code]
            told = [f for f in told if f.code != code]
            told.append(Finding(code, says, sure, "", (0.0, card.limit), look_at))
    return told


def find(run: Run, evidence: Evidence, fitness: Fitness, machine: Machine) -> tuple[Finding, ...]:
    """All findings that the run and the evidence give.

    Parameters
    ----------
    run, evidence, fitness, machine
    """
    if machine.stage == "hand_spin":
        return ()
    found: list[Finding] = []
    if run.started is False:
        found.append(
            Finding(
                "did_not_start",
                "The motor hums but no rising or turning sound was heard.",
                None,
                "",
                None,
                "Start circuit: start capacitor, start switch, or a blocked shaft. "
                "By ear the capacitor and the switch cannot be told apart: try the shaft by hand "
                "(unplugged), then measure the capacitor.",
            )
        )
        return tuple(found)
    found += _times(run)
    found += _switch(run, fitness)
    squeal = evidence.number("tone_near_rest")
    steady_tone = evidence.number("tone_best")
    if squeal is not None and squeal >= SQUEAL_DB and (steady_tone or 0.0) < 0.6 * squeal:
        found.append(
            Finding(
                "squeal_near_rest",
                "A squeal in the last turns only, silent at speed.",
                squeal,
                "dB",
                (0.0, SQUEAL_DB),
                "Usually the ring of the start switch: harmless. Nothing to do.",
                harmless=True,
            )
        )
    return tuple(found)


def _times(run: Run) -> list[Finding]:
    found = []
    if run.power_on_s is not None and run.at_speed_s is not None:
        run_up = run.at_speed_s - run.power_on_s
        if run_up > SLOW_RUN_UP_S:
            found.append(
                Finding(
                    "slow_run_up",
                    f"It took {run_up:.1f} s to reach full speed.",
                    run_up,
                    "s",
                    (0.2, SLOW_RUN_UP_S),
                    "Start capacitor first, then drag: spin the shaft by hand (unplugged).",
                )
            )
    if (
        run.coast is not None
        and run.coast.confidence > 0.5
        and run.coast.duration_s < SHORT_COAST_S
    ):
        found.append(
            Finding(
                "coast_down_short",
                f"It came to rest within {run.coast.duration_s:.1f} s.",
                run.coast.duration_s,
                "s",
                (SHORT_COAST_S, 30.0),
                "Something drags: clean the chamber, back the burrs off, spin by hand (unplugged).",
            )
        )
    if run.sag_percent is not None and run.sag_percent > SAG_PERCENT:
        found.append(
            Finding(
                "speed_sags",
                f"The speed fell by {run.sag_percent:.1f} % with the power on.",
                run.sag_percent,
                "%",
                (0.0, SAG_PERCENT),
                "A run winding, a run capacitor or a growing drag: let a motor shop measure it.",
            )
        )
    return found


def _switch(run: Run, fitness: Fitness) -> list[Finding]:
    """Start-switch clicks that should have been heard: said, never counted against the machine."""
    found = []
    clear = (fitness.room_snr_db or 0.0) >= 15.0
    if run.power_on_s is not None and run.switch_open is None and clear:
        found.append(
            Finding(
                "start_switch_open_not_heard",
                "The start switch was not heard opening in the run-up.",
                None,
                "",
                None,
                "A click can drown in the run-up. If the hum is louder than it used to be, look at "
                "the switch.",
                harmless=True,
            )
        )
    if run.power_off_s is not None and run.coast is not None and run.switch_close is None and clear:
        found.append(
            Finding(
                "start_switch_close_not_heard",
                "The start switch was not heard closing in the coast-down.",
                None,
                "",
                None,
                "If the next start fails, look at the start switch first.",
                harmless=True,
            )
        )
    return found
