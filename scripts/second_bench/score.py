"""Truth and verdict lines -> figures.

What counts (stated in the output too):

- Faults are judged on *usable clips without a recording problem* whose stage
  allows the fault. Positive: severity >= 0.2. A missing result, or a verdict
  without a probability, ranks below every positive and above every negative:
  a failure either way. ECE and Brier are over judged clips only, with their number.
- Quiet is asked of clips with all severities below 0.2 and no other fault (the
  harmless squeal is allowed).
- Times, speed and clicks are asked where the truth has them. A click of the start
  switch is asked for where it stands at least 6 dB (first difference, 5 ms) over
  its surroundings.
- Intervals: 95 % percentile bootstrap over machines, not clips, since clips of one
  machine are alike.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.metrics import average_precision_score, roc_auc_score

from second_bench.names import AUDIBLE_FROM, FAULTS, OTHERS, POSSIBLE

F64 = NDArray[np.float64]
Row = dict[str, Any]

BANDS = ((0.2, 0.4), (0.4, 0.7), (0.7, 1.0001))
SNR_BANDS = ((-99.0, 15.0), (15.0, 25.0), (25.0, 99.0))
HEARD_BANDS = ((-99.0, 0.0), (0.0, 6.0), (6.0, 12.0), (12.0, 99.0))
EVENT_S = 0.1
CLICK_AUDIBLE_DB = 6.0


def read_truths(path: Path) -> list[Row]:
    """Lines of ``truth.jsonl``."""
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines() if line]


def read_results(path: Path) -> dict[str, Row]:
    """Verdict lines by file name of the clip; the last line of a name counts."""
    out: dict[str, Row] = {}
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
        if not line.strip():
            continue
        row = json.loads(line)
        try:
            name = Path(str(row["clip"]["path"]).replace("\\", "/")).name
        except (KeyError, TypeError) as error:
            raise SystemExit(f"{path}, line {number}: no clip.path ({error})") from error
        out[name] = row
    return out


def _get(row: Row | None, *keys: str) -> Any:
    """Walk into nested objects; None where a step is missing."""
    here: Any = row
    for key in keys:
        if not isinstance(here, dict):
            return None
        here = here.get(key)
    return here


class Case:
    """One clip: truth beside result (None when missing)."""

    def __init__(self, truth: Row, result: Row | None) -> None:
        self.truth, self.result = truth, result
        self.machine = str(truth["family"]["machine"])
        self.clean = bool(truth["usable"]) and truth["problem"] is None
        self.verdict = _get(result, "verdict")

    def severity(self, fault: str) -> float:
        """True severity."""
        return float(self.truth["faults"][fault])

    def probability(self, fault: str) -> float | None:
        """What the tool gave, None where it gave nothing."""
        value = _get(self.result, "faults", fault, "probability")
        return None if value is None or self.verdict == "unusable" else float(value)

    def flagged(self, fault: str) -> bool:
        """Whether the tool flagged the fault."""
        return bool(_get(self.result, "faults", fault, "flagged"))

    def ranked(self, fault: str) -> float:
        """Probability for ranking; the worst place for a missing one."""
        value = self.probability(fault)
        if value is None:
            return -1.0 if self.severity(fault) >= AUDIBLE_FROM else 2.0
        return value

    @property
    def sound_machine(self) -> bool:
        """No audible fault of any kind."""
        bad = any(not OTHERS[name] for name in self.truth["other"])
        return not bad and all(self.severity(f) < AUDIBLE_FROM for f in FAULTS)


# statistics ------------------------------------------------------------------


def auc(positive: NDArray[np.bool_], value: F64) -> float | None:
    """ROC-AUC, None without both kinds."""
    if positive.all() or not positive.any():
        return None
    return float(roc_auc_score(positive, value))


def expected_calibration_error(
    positive: NDArray[np.bool_], probability: F64, bins: int = 10
) -> float:
    """Sum over equal bins of n_b / n |share of positives - mean probability| (Naeini 2015)."""
    index = np.minimum((probability * bins).astype(int), bins - 1)
    total = 0.0
    for number in range(bins):
        inside = index == number
        if inside.any():
            gap = abs(float(positive[inside].mean()) - float(probability[inside].mean()))
            total += inside.mean() * gap
    return float(total)


def bootstrap(
    cases: Sequence[Case], measure: Callable[[Sequence[Case]], float | None], draws: int
) -> list[float] | None:
    """95 % percentile interval over machines drawn with replacement."""
    groups: dict[str, list[Case]] = {}
    for case in cases:
        groups.setdefault(case.machine, []).append(case)
    names = sorted(groups)
    if len(names) < 5 or draws < 1:
        return None
    rng = np.random.default_rng(12345)
    got = []
    for _ in range(draws):
        chosen = rng.integers(0, len(names), len(names))
        value = measure([case for index in chosen for case in groups[names[index]]])
        if value is not None:
            got.append(value)
    if len(got) < draws // 2:
        return None
    return [round(float(q), 4) for q in np.quantile(got, (0.025, 0.975))]


def _share(flags: Iterable[bool]) -> Row:
    values = list(flags)
    return {
        "n": len(values),
        "share": round(sum(values) / len(values), 4) if values else None,
    }


def _fault_arrays(cases: Sequence[Case], fault: str) -> tuple[F64, F64]:
    severity = np.array([c.severity(fault) for c in cases])
    ranked = np.array([c.ranked(fault) for c in cases])
    return severity, ranked


def _fault_auc(
    cases: Sequence[Case], fault: str, positive_from: float = AUDIBLE_FROM
) -> float | None:
    if not cases:
        return None
    severity, ranked = _fault_arrays(cases, fault)
    keep = (severity >= positive_from) | (severity < AUDIBLE_FROM)
    return auc(severity[keep] >= positive_from, ranked[keep])


def _where_possible(cases: Sequence[Case], fault: str) -> list[Case]:
    return [c for c in cases if fault in POSSIBLE[c.truth["stage"]]]


def _round(value: float | None) -> float | None:
    return None if value is None else round(value, 4)


# parts of the score ----------------------------------------------------------


def fault_figures(clean: Sequence[Case], fault: str, draws: int) -> Row:
    """All figures of one fault over usable clips without a recording problem."""
    cases = _where_possible(clean, fault)
    severity, ranked = _fault_arrays(cases, fault)
    positive = severity >= AUDIBLE_FROM
    judged = [c for c in cases if c.probability(fault) is not None]
    judged_p = np.array([c.probability(fault) or 0.0 for c in judged])
    judged_y = np.array([c.severity(fault) >= AUDIBLE_FROM for c in judged], dtype=bool)
    both = bool(positive.any() and not positive.all())
    return {
        "n": len(cases),
        "positives": int(positive.sum()),
        "judged": len(judged),
        "auc": _round(_fault_auc(cases, fault)),
        "auc_95": bootstrap(cases, lambda some: _fault_auc(some, fault), draws),
        "auc_from_0.7": _round(_fault_auc(cases, fault, 0.7)),
        "auc_from_0.7_95": bootstrap(cases, lambda some: _fault_auc(some, fault, 0.7), draws),
        "auc_judged_only": _round(_fault_auc(judged, fault)),
        "average_precision": round(float(average_precision_score(positive, ranked)), 4)
        if both
        else None,
        "flagged_by_severity": {
            f"{lo:g}-{min(hi, 1.0):g}": _share(
                c.flagged(fault) for c in cases if lo <= c.severity(fault) < hi
            )
            for lo, hi in BANDS
        },
        "false_flags": _share(c.flagged(fault) for c in cases if not c.severity(fault) >= 0.2),
        "false_flags_sound_machines": _share(c.flagged(fault) for c in cases if c.sound_machine),
        "ece": _round(expected_calibration_error(judged_y, judged_p)) if judged else None,
        "brier": _round(float(np.mean((judged_p - judged_y) ** 2))) if judged else None,
    }


def _band_name(lo: float, hi: float) -> str:
    if lo <= -99.0:
        return f"below {hi:g} dB"
    return f"over {lo:g} dB" if hi >= 99.0 else f"{lo:g}-{hi:g} dB"


def breakdown(clean: Sequence[Case]) -> Row:
    """AUC by SNR band, audibility in the room, codec, stage and mechanism, one row a fault.

    ``heard`` and ``mechanism`` split the positives and keep all negatives; positives whose
    truth says nothing of the room (sets made before it did) are not in ``heard``.
    """
    out: Row = {"snr": {}, "heard": {}, "codec": {}, "stage": {}, "mechanism": {}}
    for fault in FAULTS:
        cases = _where_possible(clean, fault)
        negatives = [c for c in cases if c.severity(fault) < AUDIBLE_FROM]
        for lo, hi in SNR_BANDS:
            some = [c for c in cases if lo <= (c.truth["snr_db"] or 0.0) < hi]
            out["snr"].setdefault(_band_name(lo, hi), {})[fault] = _auc_row(some, fault)
        for lo, hi in HEARD_BANDS:
            some = [
                c
                for c in cases
                if c.severity(fault) >= AUDIBLE_FROM
                and lo <= c.truth.get("heard_over_db", {}).get(fault, float("nan")) < hi
            ]
            row = _auc_row(some + negatives, fault)
            row["flagged"] = _share(c.flagged(fault) for c in some)["share"]
            out["heard"].setdefault(_band_name(lo, hi), {})[fault] = row
        for codec in sorted({c.truth["codec"].split("-")[0] for c in cases}):
            some = [c for c in cases if c.truth["codec"].split("-")[0] == codec]
            out["codec"].setdefault(codec, {})[fault] = _auc_row(some, fault)
        for stage in sorted({c.truth["stage"] for c in cases}):
            some = [c for c in cases if c.truth["stage"] == stage]
            out["stage"].setdefault(stage, {})[fault] = _auc_row(some, fault)
        sources = {c.truth["sources"].get(fault) for c in cases} - {None}
        for source in sorted(sources):
            positives = [
                c
                for c in cases
                if c.truth["sources"].get(fault) == source and c.severity(fault) >= AUDIBLE_FROM
            ]
            row = _auc_row(positives + negatives, fault)
            row["flagged"] = _share(c.flagged(fault) for c in positives)["share"]
            out["mechanism"][f"{fault}: {source}"] = row
    return out


def _auc_row(cases: Sequence[Case], fault: str) -> Row:
    return {
        "auc": _round(_fault_auc(cases, fault)),
        "n": len(cases),
        "positives": sum(c.severity(fault) >= AUDIBLE_FROM for c in cases),
    }


def verdict_figures(cases: Sequence[Case], draws: int) -> Row:
    """Verdict words against what the clips are."""
    clean = [c for c in cases if c.clean]
    sound = [c for c in clean if c.sound_machine]
    spotless = [c for c in sound if not any(c.severity(f) > 0 for f in FAULTS)]

    def quiet(some: Sequence[Case]) -> float | None:
        return float(np.mean([c.verdict == "quiet" for c in some])) if some else None

    return {
        "missing": sum(c.result is None for c in cases),
        "sound_called_quiet": _share(c.verdict == "quiet" for c in sound)
        | {"95": bootstrap(sound, quiet, draws)},
        "spotless_called_quiet": _share(c.verdict == "quiet" for c in spotless),
        "sound_called_noisy": _share(c.verdict == "noisy" for c in sound),
        "faulty_called_quiet": {
            f"{lo:g}-{min(hi, 1.0):g}": _share(
                c.verdict == "quiet" for c in clean if lo <= max(c.severity(f) for f in FAULTS) < hi
            )
            for lo, hi in BANDS
        },
        "unusable_refused": _share(c.verdict == "unusable" for c in cases if not c.truth["usable"]),
        "unusable_called_quiet": _share(
            c.verdict == "quiet" for c in cases if not c.truth["usable"]
        ),
        "usable_refused": _share(c.verdict in (None, "unusable") for c in clean),
        "other_called_quiet": {
            name: _share(c.verdict == "quiet" for c in clean if name in c.truth["other"])
            for name in OTHERS
        },
        "other_called_quiet_all": _share(
            c.verdict == "quiet"
            for c in clean
            if any(not OTHERS[name] for name in c.truth["other"])
        ),
    }


def problem_figures(cases: Sequence[Case]) -> Row:
    """Per recording problem: refused, called quiet, named with its code."""
    out: Row = {}
    for problem in sorted({c.truth["problem"] for c in cases} - {None}):
        some = [c for c in cases if c.truth["problem"] == problem]
        named = [
            problem in [_get(p, "code") for p in _get(c.result, "recording", "problems") or []]
            for c in some
        ]
        out[problem] = {
            "n": len(some),
            "fatal": sum(not c.truth["usable"] for c in some),
            "refused": _share(c.verdict == "unusable" for c in some)["share"],
            "called_quiet": _share(c.verdict == "quiet" for c in some)["share"],
            "named": _share(named)["share"],
        }
    named_anywhere = [
        bool([p for p in _get(c.result, "recording", "problems") or []]) for c in cases if c.clean
    ]
    out["(problem named in a clean clip)"] = _share(named_anywhere)
    return out


def _near(case: Case, name: str, within_s: float) -> bool:
    said = _get(case.result, "run", name)
    return said is not None and abs(float(said) - float(case.truth[name])) <= within_s


def run_figures(clean: Sequence[Case]) -> Row:
    """Events, times and speed; a missing answer is a miss."""
    out: Row = {}
    for name in ("switched_on_s", "switched_off_s", "at_speed_s"):
        out[name] = _share(_near(c, name, EVENT_S) for c in clean if c.truth[name] is not None)
    resting = [c for c in clean if c.truth["at_rest_s"] is not None]
    errors = [
        abs(float(_get(c.result, "run", "at_rest_s")) - c.truth["at_rest_s"])
        for c in resting
        if _get(c.result, "run", "at_rest_s") is not None
    ]
    out["at_rest"] = {
        "n": len(resting),
        "answered": len(errors),
        "median_error_s": _round(float(np.median(errors))) if errors else None,
        "within_0.5_s": _share(_near(c, "at_rest_s", 0.5) for c in resting)["share"],
    }
    out["coast_down_within_10_percent"] = _share(
        _coast_close(c) for c in resting if c.truth["switched_off_s"] is not None
    )
    turning = [c for c in clean if c.truth["running_rpm"] is not None]
    claimed = [c for c in turning if _get(c.result, "run", "running_rpm") is not None]
    out["speed"] = {
        "n": len(turning),
        "claimed": len(claimed),
        "claimed_share": _round(len(claimed) / len(turning)) if turning else None,
        "within_0.5_percent_where_claimed": _share(_speed_close(c) for c in claimed)["share"],
    }
    for name in ("open", "close"):
        out[f"start_switch_{name}"] = _click_figures(clean, name)
    return out


def _coast_close(case: Case) -> bool:
    said = _get(case.result, "run", "coast_down_s")
    true_s = case.truth["at_rest_s"] - case.truth["switched_off_s"]
    return said is not None and bool(abs(float(said) / true_s - 1.0) <= 0.10)


def _speed_close(case: Case) -> bool:
    said = float(_get(case.result, "run", "running_rpm"))
    return bool(abs(said / case.truth["running_rpm"] - 1.0) <= 0.005)


def _click_figures(clean: Sequence[Case], name: str) -> Row:
    key = f"start_switch_{name}_s"
    there = [c for c in clean if c.truth[key] is not None]
    heard = [c for c in there if (c.truth["click_over_db"][name] or -99.0) >= CLICK_AUDIBLE_DB]
    claims = [c for c in clean if _get(c.result, "run", key) is not None]
    false = [c for c in claims if c.truth[key] is None or not _near(c, key, EVENT_S)]
    return {
        "audible": len(heard),
        "found": _share(_near(c, key, EVENT_S) for c in heard)["share"],
        "faint": len(there) - len(heard),
        "found_among_faint": _share(_near(c, key, EVENT_S) for c in there if c not in heard)[
            "share"
        ],
        "claims": len(claims),
        "false_claims": len(false),
    }


def contact_figures(clean: Sequence[Case]) -> Row:
    """Burr contacts: overlap of said and true time (intersection over union), F-like."""
    overlaps = []
    silent = []
    for case in clean:
        true = case.truth["contacts"]
        if true is None:
            continue
        said = [
            (c["t"], c["until"])
            for c in _get(case.result, "contacts") or []
            if isinstance(c, dict) and c.get("until") is not None
        ]
        if not true:
            silent.append(bool(said))
            continue
        grid = np.arange(0.0, case.truth["duration_s"], 0.01)
        real = _covered(grid, true)
        told = _covered(grid, said)
        overlaps.append(float((real & told).sum() / max(1, (real | told).sum())))
    return {
        "n": len(overlaps),
        "mean_overlap": _round(float(np.mean(overlaps))) if overlaps else None,
        "claimed_where_none": _share(silent),
    }


def _covered(grid: F64, spans: Iterable[Sequence[float]]) -> NDArray[np.bool_]:
    out = np.zeros(grid.size, dtype=bool)
    for start, until in spans:
        out |= (grid >= start) & (grid < until)
    return out


def score(truths: Sequence[Row], results: dict[str, Row], draws: int = 300) -> Row:
    """All figures of a set."""
    cases = [Case(truth, results.get(truth["file"])) for truth in truths]
    clean = [c for c in cases if c.clean]
    aucs = {fault: fault_figures(clean, fault, draws) for fault in FAULTS}

    def mean_auc(some: Sequence[Case]) -> float | None:
        values = [_fault_auc(_where_possible(some, f), f) for f in FAULTS]
        got = [v for v in values if v is not None]
        return float(np.mean(got)) if got else None

    return {
        "clips": len(cases),
        "usable_without_problem": len(clean),
        "extra_results": len(set(results) - {t["file"] for t in truths}),
        "mean_auc": _round(mean_auc(clean)),
        "mean_auc_95": bootstrap(clean, mean_auc, draws),
        "faults": aucs,
        "verdicts": verdict_figures(cases, draws),
        "problems": problem_figures(cases),
        "run": run_figures(clean),
        "contacts": contact_figures(clean),
        "by": breakdown(clean),
    }


# text ------------------------------------------------------------------------


def _show(value: Any) -> str:
    if value is None:
        return "-"
    if isinstance(value, float):
        return f"{value:.3f}"
    if isinstance(value, dict) and set(value) >= {"n", "share"}:
        return f"{_show(value['share'])} (n {value['n']})"
    if isinstance(value, list):
        return "[" + ", ".join(_show(v) for v in value) + "]"
    return str(value)


def _walk(value: Any, indent: int, lines: list[str]) -> None:
    for key, item in value.items():
        if isinstance(item, dict) and not set(item) >= {"n", "share"}:
            flat = all(not isinstance(v, dict) for v in item.values())
            if flat:
                cells = "  ".join(f"{k} {_show(v)}" for k, v in item.items())
                lines.append(f"{' ' * indent}{key}: {cells}")
            else:
                lines.append(f"{' ' * indent}{key}")
                _walk(item, indent + 2, lines)
        else:
            extra = f" {_show(item['95'])}" if isinstance(item, dict) and "95" in item else ""
            lines.append(f"{' ' * indent}{key}: {_show(item)}{extra}")


def as_text(figures: Row) -> str:
    """Figures as indented lines, with the rules of counting in front."""
    lines = [(__doc__ or "").split("\n\n", 1)[1].strip(), ""]
    _walk(figures, 0, lines)
    return "\n".join(lines)
