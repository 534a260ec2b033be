"""From a machine's quiet runs and confirmed faults to its limits, with what they will cost."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from quietrun.dsp.stats import mad_scale, wilson_interval
from quietrun.errors import UsageError
from quietrun.evidence import BY_NAME
from quietrun.judge.limits import NAMELESS, ONE_OF_FOUR, FaultLimit, Limits
from quietrun.judge.model import Model
from quietrun.judge.population import Population
from quietrun.tuning.again import Again, card_of, judge_again, log_odds_of
from quietrun.tuning.centre import own_centre
from quietrun.tuning.factors import t_quantile
from quietrun.tuning.own import OwnLimit, own_limit
from quietrun.words import FAULTS, POSSIBLE

USUAL_SHARE = 0.95
DRAWS = 4000
STANDS_OUT = 3.5  # robust standard deviations; Iglewicz and Hoaglin 1993, from memory


@dataclass(frozen=True, slots=True)
class Logged:
    """A logged clip of the machine, phone and stage that are tuned.

    Attributes
    ----------
    name, day : how the user knows it
    scores : fault to log-odds of the general model
    evidence : feature to value
    report : its verdict object
    quiet : counts as a quiet run
    faults : confirmed faults
    """

    name: str
    day: str
    scores: Mapping[str, float | None]
    evidence: Mapping[str, float | None]
    report: Mapping[str, Any]
    quiet: bool
    faults: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Moved:
    """A past clip whose verdict the new limits change."""

    name: str
    day: str
    before: Again
    after: Again
    confirmed: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Tuned:
    """What tuning found.

    Attributes
    ----------
    limits : to be stored
    faults : how each limit was found
    per_100 : expected false alarms in 100 later quiet visits
    per_100_range : 90 % interval of it
    left_out : quiet runs that alarm when the limits are made without them, of how many
    left_out_range : 95 % Wilson interval of that share, per 100
    moved : past clips with another verdict
    warnings : whole sentences
    """

    limits: Limits
    faults: tuple[OwnLimit, ...]
    per_100: float
    per_100_range: tuple[float, float]
    left_out: tuple[int, int]
    left_out_range: tuple[float, float] | None
    moved: tuple[Moved, ...]
    warnings: tuple[str, ...]


def tune(
    clips: Sequence[Logged],
    *,
    machine: str,
    phone: str,
    stage: str,
    model: Model,
    population: Population | None,
    old: Limits | None,
    rng: np.random.Generator,
) -> Tuned:
    """Tune one machine for one phone and stage.

    Parameters
    ----------
    clips : of that machine, phone and stage since the last new parts
    model, population : that made the scores
    old : the machine's limits up to now
    rng : for the interval of the expected false alarms

    Raises
    ------
    UsageError
        No quiet run to tune from.
    """
    quiet = [clip for clip in clips if clip.quiet]
    _check_runs(quiet, machine, stage, population)
    rows = _rows(clips, stage, model, population, old)
    limits = Limits(
        machine=machine,
        phone=phone,
        stage=stage,
        model_sha256=model.sha256,
        faults={r.fault: FaultLimit(shift=r.shift, limit=r.limit - r.shift) for r in rows},
        usual=_usual(quiet, stage, population),
        runs=len(quiet),
    )
    rate, low, high = expected_alarms(rows, rng)
    hits = _left_out(clips, stage, model, population)
    return Tuned(
        limits=limits,
        faults=rows,
        per_100=100 * rate,
        per_100_range=(100 * low, 100 * high),
        left_out=(hits, len(quiet) if len(quiet) > 1 else 0),
        left_out_range=_share_range(hits, len(quiet)) if len(quiet) > 1 else None,
        moved=_moved(clips, old, limits, model),
        warnings=tuple(_warnings(quiet, rows, population)),
    )


def _check_runs(
    quiet: Sequence[Logged], machine: str, stage: str, population: Population | None
) -> None:
    if not quiet:
        raise UsageError(
            f"{machine} has no quiet run of stage {stage} to tune from.",
            "Its own limits come from its own quiet runs, with the same phone, since the last "
            "new parts.",
            "Add clips, or confirm them: quietrun logbook confirm CLIP quiet",
        )
    if population is None and len(quiet) < 2:
        raise UsageError(
            "One quiet run is too few to tune from with this model.",
            "How far the runs of a machine scatter is not known for it from other machines.",
            "Add another quiet run.",
        )


def _rows(
    clips: Sequence[Logged],
    stage: str,
    model: Model,
    population: Population | None,
    old: Limits | None,
) -> tuple[OwnLimit, ...]:
    rows = []
    for fault in (*FAULTS, *NAMELESS):
        scores, card = _scores(clips, fault), card_of(model, fault)
        if fault not in {*POSSIBLE[stage], *NAMELESS} or not scores or card is None:
            continue
        former = None if old is None else old.faults.get(fault)
        rows.append(
            own_limit(
                fault,
                scores,
                _faulty(clips, fault),
                spread=None if population is None else population.fault(stage, fault),
                general=log_odds_of(card.limit),
                old=None if former is None else former.general,
            )
        )
    return tuple(rows)


def _scores(clips: Sequence[Logged], fault: str) -> list[float]:
    return [s for c in clips if c.quiet and (s := c.scores.get(fault)) is not None]


def _faulty(clips: Sequence[Logged], fault: str) -> list[float]:
    """Scores of runs with this fault confirmed, or with any for what is one of the four.

    None for ``unknown``, which stands for no part.
    """
    return [
        s
        for c in clips
        if (fault in c.faults or (fault == ONE_OF_FOUR and c.faults))
        and (s := c.scores.get(fault)) is not None
    ]


def _usual(
    quiet: Sequence[Logged], stage: str, population: Population | None
) -> dict[str, tuple[float, float]]:
    """Give the range of each feature in which the next run lies 95 in 100 times."""
    found = {}
    for name in BY_NAME:
        values = [v for clip in quiet if (v := clip.evidence.get(name)) is not None]
        spread = None if population is None else population.feature(stage, name)
        if not values or (spread is None and len(values) < 2):
            continue
        centre = own_centre(values, spread)
        reach = t_quantile(0.5 + USUAL_SHARE / 2, centre.dof) * centre.next_sd
        found[name] = (centre.centre - reach, centre.centre + reach)
    return found


def expected_alarms(
    rows: Sequence[OwnLimit], rng: np.random.Generator, draws: int = DRAWS
) -> tuple[float, float, float]:
    """Share of later quiet runs with at least one false alarm: mean, 5 % and 95 % point.

    The doubt about each centre (normal) and scatter (scaled inverse chi-square) is drawn;
    faults are taken as independent, which overstates the sum where they go together.
    """
    quiet = np.ones(draws)
    for row in rows:
        centre = row.centre
        scatter = centre.run_sd * np.sqrt(centre.dof / rng.chisquare(centre.dof, draws))
        scale = centre.centre_sd / centre.run_sd if centre.run_sd > 0 else 0.0
        middle = centre.centre + scale * scatter * rng.standard_normal(draws)
        quiet *= 1.0 - _normal_tail((row.limit - middle) / np.maximum(scatter, 1e-12))
    alarm = 1.0 - quiet
    low, high = np.quantile(alarm, (0.05, 0.95))
    return float(alarm.mean()), float(low), float(high)


def _normal_tail(x: np.ndarray[Any, np.dtype[np.float64]]) -> Any:
    from scipy.special import ndtr

    return ndtr(-x)


def _left_out(
    clips: Sequence[Logged], stage: str, model: Model, population: Population | None
) -> int:
    """Count quiet runs that alarm under limits made without them."""
    hits = 0
    quiet = [clip for clip in clips if clip.quiet]
    if len(quiet) < 2 or (population is None and len(quiet) < 3):
        return 0
    for one in quiet:
        rest = [clip for clip in clips if clip is not one]
        rows = _rows(rest, stage, model, population, None)
        hits += any((s := one.scores.get(r.fault)) is not None and s >= r.limit for r in rows)
    return hits


def _share_range(hits: int, runs: int) -> tuple[float, float]:
    low, high = wilson_interval(hits, runs, confidence=0.95)
    return 100 * low, 100 * high


def _moved(
    clips: Sequence[Logged], old: Limits | None, new: Limits, model: Model
) -> tuple[Moved, ...]:
    moved = []
    for clip in clips:
        before = judge_again(clip.report, clip.scores, old, model)
        after = judge_again(clip.report, clip.scores, new, model)
        if before != after:
            confirmed = clip.faults or (("quiet",) if clip.quiet else ())
            moved.append(Moved(clip.name, clip.day, before, after, confirmed))
    return tuple(moved)


def _warnings(
    quiet: Sequence[Logged], rows: Sequence[OwnLimit], population: Population | None
) -> list[str]:
    lines = [line for row in rows for line in row.warnings]
    if population is None:
        lines.append(
            "Nothing is known of other machines for this model, so the limits rest on the own "
            "runs alone. Take them seriously from about ten runs on."
        )
    days = {clip.day for clip in quiet}
    if len(quiet) > 1 and len(days) == 1:
        lines.append(
            f"All quiet runs are of one day ({days.pop()}): how far days differ is taken from "
            "other machines. Add runs of other visits."
        )
    for fault in (row.fault for row in rows):
        lines += _standing_out(quiet, fault)
    return lines


def _standing_out(quiet: Sequence[Logged], fault: str) -> list[str]:
    """Name quiet runs far above the others: perhaps not quiet after all."""
    scored = [(s, c) for c in quiet if (s := c.scores.get(fault)) is not None]
    if len(scored) < 5:
        return []
    values = np.array([score for score, _ in scored])
    middle = float(np.median(values))
    scatter = mad_scale(values)
    return [
        f"{clip.name} ({clip.day}) stands out in {fault} among the quiet runs. Was it quiet? "
        "If not, confirm the fault and tune again."
        for score, clip in scored
        if score - middle > max(STANDS_OUT * scatter, 1.0)
    ]


def as_object(tuned: Tuned, *, dry_run: bool) -> dict[str, Any]:
    """Turn it into a JSON object (schema ``quietrun/tune-1``)."""
    limits = tuned.limits
    return {
        "schema": "quietrun/tune-1",
        "machine": limits.machine,
        "phone": limits.phone,
        "stage": limits.stage,
        "runs": limits.runs,
        "stored": not dry_run,
        "faults": [_row_object(row) for row in tuned.faults],
        "expected_false_alarms_per_100": round(tuned.per_100, 2),
        "expected_range_per_100": [round(x, 2) for x in tuned.per_100_range],
        "left_out_alarms": {"alarms": tuned.left_out[0], "of": tuned.left_out[1]},
        "left_out_range_per_100": None
        if tuned.left_out_range is None
        else [round(x, 1) for x in tuned.left_out_range],
        "changed_verdicts": [
            {
                "clip": one.name,
                "day": one.day,
                "before": one.before.verdict,
                "before_flagged": list(one.before.flagged),
                "after": one.after.verdict,
                "after_flagged": list(one.after.flagged),
                "confirmed": list(one.confirmed),
            }
            for one in tuned.moved
        ],
        "warnings": list(tuned.warnings),
    }


def _row_object(row: OwnLimit) -> dict[str, Any]:
    return {
        "fault": row.fault,
        "runs": row.centre.runs,
        "own_centre": round(row.centre.centre, 3),
        "own_scatter": round(row.centre.run_sd, 3),
        "own_weight": round(row.centre.weight, 3),
        "usual_centre": round(row.usual, 3),
        "general_limit": round(row.general, 3),
        "old_limit": round(row.old, 3),
        "limit": round(row.limit, 3),
        "old_probability": round(_as_probability(row.old), 4),
        "probability": round(_as_probability(row.limit), 4),
        "false_alarms_per_100": round(100 * row.false_alarm, 2),
        "method": row.method,
    }


def _as_probability(log_odds: float) -> float:
    return 1.0 / (1.0 + math.exp(-log_odds))
