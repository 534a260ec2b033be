"""Tune a machine of the book, and store the result."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

import numpy as np

from quietrun.errors import ModelError, UsageError
from quietrun.evidence import Evidence, Missing
from quietrun.judge import Model
from quietrun.judge.limits import NAMELESS
from quietrun.judge.population import Population, load_population
from quietrun.judge.score import log_odds_of
from quietrun.logbook.baseline import baseline_clips, baseline_of, own_limits
from quietrun.logbook.clips import clips
from quietrun.logbook.limits import as_object as limits_object
from quietrun.logbook.limits import drop_limits, put_limits
from quietrun.logbook.machines import machine
from quietrun.logbook.store import Logbook
from quietrun.logbook.types import ClipRecord
from quietrun.pipeline import general_model
from quietrun.tuning.again import card_of
from quietrun.tuning.tune import Logged, Tuned, as_object, tune

SEED = 20_261_124  # of the interval of the expected false alarms: same clips, same text


def tune_machine(
    book: Logbook,
    tag: str,
    *,
    stage: str = "assembled",
    phone: str | None = None,
    confirmed_only: bool = False,
    dry_run: bool = False,
) -> dict[str, Any]:
    """Tune a machine for one stage and phone.

    Parameters
    ----------
    phone : None: the one with most clips
    confirmed_only : leave out runs that only the tool called quiet
    dry_run : store nothing

    Returns
    -------
    dict
        ``tuning.tune.as_object``, with ``left_out_clips`` (why a clip was not used).

    Raises
    ------
    UsageError
        No such machine, or no quiet run to tune from.
    """
    record = machine(book, tag)
    held = phone if phone is not None else _usual_phone(book, record.tag, stage)
    model = general_model()
    used, unused = [], []
    for clip in baseline_clips(book, record.tag, stage=stage, phone=held):
        why = _unfit(clip, model.sha256)
        if why:
            unused.append({"clip": clip.path, "day": clip.when.day, "why": why})
        else:
            used.append(_logged(clip, confirmed_only, model))
    tuned = tune(
        used,
        machine=record.tag,
        phone=held or "",
        stage=stage,
        model=model,
        population=_population(model.sha256),
        old=own_limits(book, record.tag, phone=held, stage=stage),
        rng=np.random.default_rng(SEED),
    )
    if not dry_run:
        _store(book, tuned)
    found = as_object(tuned, dry_run=dry_run)
    found["not_used"] = unused
    return found


def reset(book: Logbook, tag: str, *, stage: str | None, phone: str | None) -> int:
    """Go back to the general limits; returns how many own sets were dropped."""
    return drop_limits(book, machine(book, tag).tag, phone=phone, stage=stage)


def _store(book: Logbook, tuned: Tuned) -> None:
    tag = tuned.limits.machine
    since = baseline_of(book, tag).since
    put_limits(book, tag, limits_object(tuned.limits, baseline=since))


def _usual_phone(book: Logbook, tag: str, stage: str) -> str | None:
    """Pick the phone with most clips of that stage; the machine's own one without any."""
    count = Counter(clip.phone for clip in clips(book, tag, stage=stage))
    return count.most_common(1)[0][0] if count else machine(book, tag).phone


def _population(model_sha256: str) -> Population | None:
    """What is known of other machines; None where it speaks about another model's scores."""
    try:
        known = load_population()
    except ModelError:
        return None
    return known if known.model_sha256 == model_sha256 else None


def _unfit(clip: ClipRecord, model_sha256: str) -> str | None:
    record = clip.latest
    if record is None:
        return "never judged"
    if record.verdict == "unusable":
        return "carries no verdict"
    if record.model_sha256 != model_sha256:
        return "judged by another model; add it again"
    return None


def _nameless(evidence: Mapping[str, float | None], model: Model) -> dict[str, float]:
    """Log-odds of what no part is named for, from logged evidence."""
    values = {n: Missing("not measured") if v is None else v for n, v in evidence.items()}
    lacking = dict.fromkeys(model.features, Missing("not measured"))
    known = Evidence({**lacking, **values})
    cards = {name: card_of(model, name) for name in NAMELESS}
    return {name: log_odds_of(card, known) for name, card in cards.items() if card is not None}


def _logged(clip: ClipRecord, confirmed_only: bool, model: Model) -> Logged:
    record = clip.latest
    if record is None:
        raise ValueError(f"clip {clip.sha256} was never judged")
    quiet = clip.confirmed_quiet or (
        not confirmed_only and not clip.confirmed_faults and record.verdict == "quiet"
    )
    powered = record.report["machine"]["stage"] != "hand_spin"  # by hand these two are not asked
    nameless = _nameless(record.evidence, model) if powered else {}
    return Logged(
        name=clip.path,
        day=clip.when.day,
        scores={**record.scores, **nameless},
        evidence=record.evidence,
        report=record.report,
        quiet=quiet,
        faults=clip.confirmed_faults,
    )


def check_choice(dry_run: bool, to_reset: bool) -> None:
    """Refuse two wishes at once."""
    if dry_run and to_reset:
        raise UsageError(
            "--dry-run and --reset exclude each other.",
            "One stores nothing, the other deletes.",
            "Give one of them.",
        )
