"""From rows to scorecards: labels, weights, cross-family calibration, limits, JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from sklearn.linear_model import LogisticRegression

from learning.additive import Additive, directions, fit_additive
from learning.dataset import NAMES, Row, hash_unit, matrix
from learning.signs import SIGNS
from quietrun.evidence import BY_NAME
from quietrun.judge.limits import NAMELESS, ONE_OF_FOUR
from quietrun.judge.model import SPOILT
from quietrun.judge.score import lowered_limit, probability_of
from quietrun.words import FAULTS, POSSIBLE

AUDIBLE = 0.2  # DESIGN section 4: below this a healthy machine carries a trace
HARMLESS = ("switch_ring_squeal",)


@dataclass
class Set:
    """Rows as arrays."""

    rows: Sequence[Row]
    x: np.ndarray
    severity: dict[str, np.ndarray]
    other: np.ndarray
    stage: np.ndarray
    group: np.ndarray
    healthy: np.ndarray = field(init=False)
    faulty: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        self.faulty = np.max([self.severity[f] for f in FAULTS], axis=0) >= AUDIBLE
        self.healthy = ~self.faulty & (self.other < AUDIBLE)

    def part(self, mask: np.ndarray) -> Set:
        """The rows where ``mask`` is True."""
        kept = [row for row, one in zip(self.rows, mask, strict=True) if one]
        severity = {fault: values[mask] for fault, values in self.severity.items()}
        return Set(
            kept, self.x[mask], severity, self.other[mask], self.stage[mask], self.group[mask]
        )

    def possible(self, fault: str) -> np.ndarray:
        """Rows whose stage can have the fault."""
        return np.array([fault in POSSIBLE[s] for s in self.stage])


def trained_on(rows: Sequence[Row]) -> list[Row]:
    """Rows that may teach: usable clips in which the run was not lost on the way."""
    return [row for row in rows if row.truth.get("usable", True) and row.fitness["usable"]]


def spoilt(row: Row) -> str | None:
    """Recording problem that leaves nothing to judge, where a clip has one with a card."""
    problem = row.truth.get("problem")
    return problem if problem in SPOILT and not row.truth.get("usable", True) else None


def trained_on_spoilt(rows: Sequence[Row]) -> list[Row]:
    """Rows that teach what is no empty grinder run: those, and the powered ones that are."""
    return [
        row
        for row in [*trained_on(rows), *(row for row in rows if spoilt(row))]
        if row.truth["stage"] != "hand_spin"
    ]


def benches(rows: Sequence[Row]) -> np.ndarray:
    """Name of the sound model of each row."""
    return np.array([str(row.truth.get("bench", "own")) for row in rows])


def even_weights(bench: np.ndarray) -> np.ndarray:
    """Weights that let each sound model count the same, on average 1."""
    names, which, counts = np.unique(bench, return_inverse=True, return_counts=True)
    return np.asarray(bench.size / names.size / counts[which])


def family_number(family: dict[str, Any]) -> int:
    """One number a machine: its own where it has one, else made from the family's names."""
    machine = family.get("machine")
    if isinstance(machine, int):
        return machine
    return int(1e6 * hash_unit(str(machine if machine else sorted(family.items()))))


def as_set(rows: Sequence[Row]) -> Set:
    """Arrays of the rows."""
    severity = {
        fault: np.array([float((row.truth["faults"] or {}).get(fault, 0.0)) for row in rows])
        for fault in FAULTS
    }
    other = np.array(
        [
            max(
                [float(v) for k, v in (row.truth["other"] or {}).items() if k not in HARMLESS]
                or [0.0]
            )
            for row in rows
        ]
    )
    group = np.array([family_number(row.truth.get("family") or {}) for row in rows])
    return Set(
        rows, matrix(rows), severity, other, np.array([r.truth["stage"] for r in rows]), group
    )


def label(data: Set, fault: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mask of usable rows, labels and weights for one fault.

    ``unknown``: anything not healthy; ``one_of_four``: any of the four against healthy machines.
    """
    if fault == ONE_OF_FOUR:
        return _label_one_of_four(data)
    if fault in SPOILT:
        found = np.array([spoilt(row) for row in data.rows], dtype=object)
        y = found == fault
        return y | (found == None), y.astype(int), np.ones(y.size)  # noqa: E711
    if fault == "unknown":
        y = ~data.healthy
        return np.ones(y.size, dtype=bool), y.astype(int), np.ones(y.size)
    if fault in SIGNS:
        strength = sign_strength(data, fault)
        use = (strength == 0) | (strength >= AUDIBLE)
        if SIGNS[fault].alone:
            use &= data.healthy | ((strength >= AUDIBLE) & ~data.faulty)
        return use, (strength >= AUDIBLE).astype(int), np.ones(use.size)
    severity = data.severity[fault]
    use = data.possible(fault)
    weight = np.ones(severity.size)
    weight[(severity > 0.12) & (severity < AUDIBLE)] = 0.3
    weight[(severity >= AUDIBLE) & (severity < 0.3)] = 0.6
    drowned = np.array([(heard_over(row, fault) or 0.0) < -2.0 for row in data.rows])
    weight[(severity >= AUDIBLE) & drowned] *= 0.2
    return use, (severity >= AUDIBLE).astype(int), weight


def _label_one_of_four(data: Set) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """As ``label``; a fault counts by its audibility, the loudest of several."""
    loudest = np.max([data.severity[f] for f in FAULTS], axis=0)
    weight = np.where((loudest >= AUDIBLE) & (loudest < 0.3), 0.6, 1.0)
    heard = [
        [heard_over(row, f) for f in FAULTS if (row.truth["faults"] or {}).get(f, 0.0) >= AUDIBLE]
        for row in data.rows
    ]
    drowned = np.array([max((h or 0.0 for h in part), default=0.0) < -2.0 for part in heard])
    weight[drowned] *= 0.2
    return data.healthy | data.faulty, data.faulty.astype(int), weight


def sign_strength(data: Set, sign: str) -> np.ndarray:
    """How strong what teaches a finding is in each clip, 0 where it is not there."""
    kinds = SIGNS[sign].kinds
    others = [row.truth["other"] or {} for row in data.rows]
    return np.array([max(float(other.get(kind, 0.0)) for kind in kinds) for other in others])


def heard_over(row: Row, fault: str) -> float | None:
    """How far a fault stands over machine and room together, dB, where the truth says so."""
    for key in ("audibility_in_room_db", "heard_over_db"):
        found = row.truth.get(key)
        if isinstance(found, dict) and found.get(fault) is not None:
            return float(found[fault])
    return None


#: Feature families a fault's card may use. The shape of the spectrum is the phone's as much as
#: the machine's, and times are reported as findings.
CARD_FAMILIES = ("power_cut", "speed_exponent", "synchronous", "orders", "impacts", "tones")
UNKNOWN_FAMILIES = (*CARD_FAMILIES, "times")


def columns(fault: str) -> np.ndarray:
    """Indices of the features that a card may use."""
    if fault in SIGNS:
        return np.array([NAMES.index(name) for name in SIGNS[fault].features])
    if fault in SPOILT:
        return np.arange(len(NAMES))
    families = UNKNOWN_FAMILIES if fault in NAMELESS else CARD_FAMILIES
    return np.array([j for j, name in enumerate(NAMES) if BY_NAME[name].family in families])


@dataclass
class Fitted:
    """A calibrated additive card and the scores of clips that its members did not hear."""

    model: Additive
    slope: float
    intercept: float
    cross: np.ndarray  # calibrated log-odds of every row, from a member without its sound model
    use: np.ndarray


def folds(group: np.ndarray, count: int = 4) -> np.ndarray:
    """Fold number of each row, whole families together."""
    return (group * 2654435761 % 2**32 * count // 2**32).astype(int)


#: What a clip with another fault counts against a healthy one when a fault's card learns what
#: the fault is not. A card must first tell a fault from a quiet machine; telling faults apart
#: carries over to other sound models far worse.
OTHER_FAULT = 0.5
_STAIRS = 40  # steps of a staircase at most


def fit_card(
    data: Set,
    fault: str,
    *,
    rounds: int = 500,
    seed: int = 0,
    extra: np.ndarray | None = None,
    bench: np.ndarray | None = None,
) -> Fitted:
    """Mean of members that each learn without one sound model, calibrated on that one.

    Parameters
    ----------
    data : Set
    fault : str
        Or ``unknown``, ``one_of_four``, or a finding.
    extra : shape (rows,)
        Weights on top of the fault's own.
    bench : shape (rows,)
        Sound model of each row. With one sound model, or none named, members leave out a
        quarter of the machines instead.
    """
    use, y, w = label(data, fault)
    if extra is not None:
        w = w * extra
    told = w.copy()
    if fault not in NAMELESS and fault not in SPOILT:
        told[(y == 0) & ~data.healthy] *= OTHER_FAULT
    free: dict[str, Any] = {}
    if fault in SIGNS or fault in SPOILT:  # few clips: small leaves, both sides of one weight
        told[y == 1] *= told[use & (y == 0)].sum() / max(told[use & (y == 1)].sum(), 1.0)
        rounds, free = min(rounds, 80), {"leaf": 12, "share": 0.4}
    index = columns(fault)
    edges = [_stairs(data.x[use, j]) for j in index]
    x = np.stack([_step(data.x[:, j], e) for j, e in zip(index, edges, strict=True)], axis=1)
    part = folds(data.group) if bench is None or len(set(bench)) < 2 else bench
    parts = sorted(set(part))
    heard = {one: use & (part != one) for one in parts}
    signs = {one: directions(x[m], y[m], told[m]) for one, m in heard.items()}
    # what points one way for one member and the other way for another is left out
    agreed = np.ptp(np.stack(list(signs.values())), axis=0) == 0
    x, index = x[:, agreed], index[agreed]
    edges = [e for e, kept in zip(edges, agreed, strict=True) if kept]
    cross = np.full(y.size, np.nan)
    members = []
    for one in parts:
        train = heard[one]
        member = fit_additive(
            x[train],
            y[train],
            told[train],
            signs=signs[one][agreed],
            rounds=rounds,
            seed=seed,
            **free,
        )
        cross[part == one] = member.log_odds(x[part == one])
        members.append(member)
    platt = LogisticRegression(C=1e6).fit(cross[use][:, None], y[use], sample_weight=w[use])
    slope, intercept = float(platt.coef_[0, 0]), float(platt.intercept_[0])
    return Fitted(_mean(members, index, edges), slope, intercept, cross * slope + intercept, use)


def _stairs(column: np.ndarray) -> np.ndarray:
    """Edges of the steps of a feature: quantiles of what was measured."""
    known = column[~np.isnan(column)]
    if known.size == 0:
        return np.zeros(0)
    return np.unique(np.quantile(known, np.linspace(0, 1, _STAIRS + 2)[1:-1]))


def _step(column: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """Number of the step on which each value stands, NaN where missing."""
    step = np.searchsorted(edges, column, side="right").astype(float)
    return np.where(np.isnan(column), np.nan, step)


def _mean(members: Sequence[Additive], index: np.ndarray, edges: Sequence[np.ndarray]) -> Additive:
    """One card over the whole catalogue's columns: the mean of additive cards is additive."""
    steps = {}
    for k, j in enumerate(index):
        points, missing = np.zeros(edges[k].size + 1), 0.0
        for member in members:
            if k in member.steps:
                cuts, values, absent = member.steps[k]
                points += values[np.searchsorted(cuts, np.arange(points.size), side="right")]
                missing += absent
        if np.any(points) or missing:
            steps[int(j)] = (edges[k], points / len(members), missing / len(members))
    return Additive(float(np.mean([member.base for member in members])), steps)


#: What a false alarm on a healthy machine costs, in shares of audible faults that are missed.
FALSE_ALARM_COST = 4.0
ONE_OF_FOUR_SHARE = 0.03  # the card that most flags come from
HIGHEST_SHARE = 0.004  # each fault's own limit: only what is plain from its card alone
SIGN_SHARE = 0.005  # each of the findings that has a card
SPOILT_SHARE = 0.006  # of usable clips: each is refused then, and none should be
UNKNOWN_SHARE = 0.003  # not like a quiet machine, and none of the four: names no cause
PLAIN = 0.4  # from this severity on a fault should be flagged


#: Of healthy machines at most this share may pass the limit of a card that names no part.
SHARES = {
    "unknown": UNKNOWN_SHARE,
    ONE_OF_FOUR: ONE_OF_FOUR_SHARE,
    **dict.fromkeys(SPOILT, SPOILT_SHARE),
}


def _plain(data: Set, fault: str) -> np.ndarray:
    """Clips in which a fault is plain enough that it should be flagged."""
    if fault == "unknown":
        return ~data.healthy
    if fault in SPOILT:
        return np.array([spoilt(row) == fault for row in data.rows])
    if fault == ONE_OF_FOUR:
        return np.asarray(np.max([data.severity[f] for f in FAULTS], axis=0) >= PLAIN)
    return data.severity[fault] >= PLAIN


def flagged(
    scores: np.ndarray, limits: np.ndarray, one_of_four: np.ndarray, its_limit: float
) -> np.ndarray:
    """Faults that are flagged, by the rule of ``quietrun.judge``.

    Parameters
    ----------
    scores : shape (clips, faults), log-odds, NaN where the stage rules the fault out
    limits : shape (faults,), log-odds
    one_of_four : shape (clips,), log-odds
    its_limit : log-odds

    Returns
    -------
    shape (clips, faults), bool
    """
    over = np.nan_to_num(scores, nan=-np.inf) >= limits
    for i in np.flatnonzero(one_of_four >= its_limit):
        likely = [probability_of(s) if np.isfinite(s) else 0.0 for s in scores[i]]
        over[i] |= np.array(likely) >= lowered_limit(max(likely))
    return np.asarray(over)


def limit_for(fitted: Fitted, data: Set, fault: str, bench: np.ndarray) -> tuple[float, float]:
    """Limit and near limit, as probabilities, from cross-family scores alone.

    The limit is where the share of plain faults found, less ``FALSE_ALARM_COST``
    times the share of healthy machines flagged, is highest; never more than
    ``HIGHEST_SHARE`` of them. The near limit lets through 0.2 % more. All
    sound models weigh the same.
    """
    healthy = fitted.use & (data.healthy if fault not in SPOILT else ~_plain(data, fault))
    if fault in SIGNS:
        plain = fitted.use & (sign_strength(data, fault) >= PLAIN)
    else:
        plain = fitted.use & _plain(data, fault)
    grid = np.linspace(-5.0, 5.0, 401)

    def share(mask: np.ndarray) -> np.ndarray:
        parts = [fitted.cross[mask & (bench == one)] for one in sorted(set(bench))]
        few = fault in SIGNS or fault in SPOILT
        known = [part for part in parts if part.size >= (5 if few else 20)]
        return np.mean([[(part >= at).mean() for at in grid] for part in known], axis=0)

    false, found = share(healthy), share(plain)
    highest = SIGN_SHARE if fault in SIGNS else SHARES.get(fault, HIGHEST_SHARE)
    worth = np.where(false <= highest, found - FALSE_ALARM_COST * false, -np.inf)
    best = int(np.argmax(worth))
    near = int(np.argmax(false <= false[best] + 0.002))
    as_probability = 1.0 / (1.0 + np.exp(-grid))
    return float(as_probability[best]), float(as_probability[min(near, best)])


def card_json(fitted: Fitted, data: Set, *, limit: float, near: float) -> dict[str, Any]:
    """The scorecard as the model file has it."""
    healthy = data.healthy
    terms = []
    for j, (edges, points, missing) in sorted(fitted.model.steps.items()):
        column = data.x[healthy, j]
        column = column[~np.isnan(column)]
        usual = np.quantile(column, [0.05, 0.95]) if column.size else np.zeros(2)
        edges, points = _merge(edges, points * fitted.slope)
        terms.append(
            {
                "feature": NAMES[j],
                "edges": [float(f"{e:.6g}") for e in edges],
                "points": [round(float(p), 5) for p in points],
                "missing": round(missing * fitted.slope, 5),
                "usual": [float(f"{u:.4g}") for u in usual],
            }
        )
    return {
        "base": round(fitted.model.base * fitted.slope + fitted.intercept, 5),
        "limit": round(limit, 5),
        "near": round(min(near, limit), 5),
        "terms": terms,
    }


def _merge(edges: np.ndarray, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Drop edges that print alike or change next to nothing."""
    keep_edges: list[float] = []
    keep_points = [float(points[0])]
    for edge, point in zip(edges, points[1:], strict=True):
        printed = float(f"{edge:.6g}")
        if keep_edges and printed <= keep_edges[-1]:
            keep_points[-1] = float(point)
        elif abs(point - keep_points[-1]) < 1e-4:
            continue
        else:
            keep_edges.append(printed)
            keep_points.append(float(point))
    return np.array(keep_edges), np.array(keep_points)


def feature_json() -> list[dict[str, str]]:
    """Names and units of all features of the catalogue."""
    return [{"name": name, "unit": BY_NAME[name].unit} for name in NAMES]
