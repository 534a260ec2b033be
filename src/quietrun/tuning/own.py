"""A machine's own limit for one fault, from its quiet runs and confirmed faults.

1. Centre and scatter of the log-odds (``centre``).
2. Limit from quiet runs: with fewer than five the one-sided prediction limit
   m + t(share; dof) sqrt(s^2 + v) of the next run, with more the one-sided tolerance limit
   mean + k s (ISO 16269-6, NIST handbook 7.2.6.3). Where it lies over the general limit it is
   taken. Where it lies under it, the general limit stays, unless the machine is so quiet that a
   lower one would hardly ever alarm: then the limit of a much rarer alarm is taken, and never
   one far under the general limit.
3. Confirmed faults move it to where a score is as likely from the faulty as from the quiet
   machine (both normal; scatter of the quiet runs for both, as faults are few).
4. It is never loosened past a confirmed fault: it is held under it, and said so.

The shares were chosen on the ``develop`` machines of ``scripts/evaluate_tuning.py``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from quietrun.judge.population import Spread
from quietrun.tuning.centre import FIRM_RUNS, Centre, own_centre
from quietrun.tuning.factors import pooled_tolerance_factor, t_quantile, t_tail

#: Share of the machine's quiet runs meant to stay under the limit, and with which confidence.
COVERAGE = 0.95
CONFIDENCE = 0.95
#: Share of next runs under the prediction limit of few runs.
PREDICTED = 0.99
#: A limit under the general one has to keep this share of next runs under it ...
SURE = 0.9995
#: ... and lie under it by no more than this (log-odds): a score that the general model calls
#: unlikely is not flagged for being unusual alone.
TIGHTEST = 1.0
#: Distance kept under a confirmed fault, log-odds.
MARGIN = 0.1
#: A limit held under a confirmed fault is refused if it would alarm more often than this.
MOST_ALARMS = 0.2


@dataclass(frozen=True, slots=True)
class OwnLimit:
    """One fault's own limit. All scores are log-odds of the general model.

    Attributes
    ----------
    fault : str
    centre : Centre
    old : limit before (the machine's former own one, else the general one)
    general : limit of the general model
    from_quiet : limit by the quiet runs alone
    limit : limit to use
    method : how ``from_quiet`` was found, in words
    usual : centre of quiet machines, which ``shift`` is measured from
    warnings : whole sentences
    """

    fault: str
    centre: Centre
    old: float
    general: float
    from_quiet: float
    limit: float
    method: str
    usual: float
    warnings: tuple[str, ...]

    @property
    def shift(self) -> float:
        """What this machine's sound adds to the score by nature."""
        return self.centre.centre - self.usual

    @property
    def false_alarm(self) -> float:
        """Expected share of later quiet runs over the limit."""
        return alarm_rate(self.centre, self.limit)


def alarm_rate(centre: Centre, limit: float) -> float:
    """Expected share of later quiet runs over a limit: P(t > (limit - m) / sqrt(s^2 + v))."""
    if centre.next_sd == 0:
        return 0.0 if centre.centre < limit else 1.0
    return t_tail((limit - centre.centre) / centre.next_sd, centre.dof)


def quiet_limit(centre: Centre) -> tuple[float, str]:
    """Limit by the quiet runs alone, and how it was found."""
    if centre.runs < FIRM_RUNS:
        reach = t_quantile(PREDICTED, centre.dof) * centre.next_sd
        return centre.centre + reach, f"one-sided {100 * PREDICTED:.0f} % prediction limit"
    k = pooled_tolerance_factor(centre.runs, centre.dof, COVERAGE, CONFIDENCE)
    how = (
        f"one-sided tolerance limit, {100 * COVERAGE:.0f} % of runs with "
        f"{100 * CONFIDENCE:.0f} % confidence, k = {k:.2f}"
    )
    return centre.centre + k * centre.run_sd, how


def against_general(centre: Centre, from_quiet: float, general: float) -> float:
    """Weigh the limit by the quiet runs against the general one (step 2 above)."""
    surely = centre.centre + t_quantile(SURE, centre.dof) * centre.next_sd
    return max(from_quiet, min(general, max(surely, general - TIGHTEST)))


def likely_limit(centre: Centre, faulty: Sequence[float]) -> float | None:
    """Score that is as likely from the faulty as from the quiet machine.

    None where the faulty runs do not lie above the quiet ones.
    """
    fault_centre = math.fsum(faulty) / len(faulty)
    fault_sd = centre.run_sd * math.sqrt(1.0 + 1.0 / len(faulty))
    if fault_centre <= centre.centre or centre.next_sd == 0:
        return None
    low, high = centre.centre, fault_centre
    for _ in range(60):
        middle = 0.5 * (low + high)
        quiet = _log_density(middle, centre.centre, centre.next_sd)
        if quiet > _log_density(middle, fault_centre, fault_sd):
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def _log_density(x: float, mean: float, sd: float) -> float:
    return -0.5 * ((x - mean) / sd) ** 2 - math.log(sd)


def own_limit(
    fault: str,
    quiet: Sequence[float],
    faulty: Sequence[float],
    *,
    spread: Spread | None,
    general: float,
    old: float | None = None,
) -> OwnLimit:
    """Find one fault's own limit.

    Parameters
    ----------
    fault : str
    quiet, faulty : log-odds of the own quiet runs, and of runs with this fault confirmed
    spread : of quiet machines; None: the own runs stand alone
    general : limit of the general model, log-odds
    old : the machine's limit up to now, log-odds; None: the general one

    Raises
    ------
    ValueError
        Too few quiet runs, see ``own_centre``.
    """
    before = general if old is None else old
    centre = own_centre(quiet, spread)
    from_quiet, method = quiet_limit(centre)
    wanted, warnings = against_general(centre, from_quiet, general), []
    if faulty:
        likely = likely_limit(centre, faulty)
        if likely is None:
            warnings.append(_no_telling(fault))
        else:
            wanted = max(likely, general - TIGHTEST)
        wanted, said = _held(fault, wanted, min(faulty), before, centre)
        warnings += said
    return OwnLimit(
        fault=fault,
        centre=centre,
        old=before,
        general=general,
        from_quiet=from_quiet,
        limit=wanted,
        method=method,
        usual=centre.centre if spread is None else spread.centre,
        warnings=tuple(warnings),
    )


def _no_telling(fault: str) -> str:
    return (
        f"The confirmed {fault} scored no higher than this machine's own quiet runs: by its score "
        "alone it cannot be told from them."
    )


def _held(
    fault: str, wanted: float, lowest: float, before: float, centre: Centre
) -> tuple[float, list[str]]:
    """Keep a limit under the lowest confirmed fault, or say why that cannot be."""
    under = lowest - MARGIN
    if wanted <= under:
        return wanted, []
    alarms = 100 * alarm_rate(centre, under)
    if before <= under or alarms <= 100 * MOST_ALARMS:
        text = (
            f"The quiet runs alone would put the limit for {fault} past a confirmed fault "
            f"(log-odds {lowest:.2f}). It is held under it, at the price of about {alarms:.0f} "
            "false alarms in 100 runs."
        )
        return under, [text]
    text = (
        f"A confirmed {fault} scored {lowest:.2f}, under the limit up to now ({before:.2f}). A "
        f"limit under it would alarm in about {alarms:.0f} of 100 quiet runs, so the limit is "
        "not moved up, and that fault stays under it."
    )
    return min(wanted, before), [text]
