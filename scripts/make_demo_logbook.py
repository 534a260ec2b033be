"""A logbook to look at: an invented service round of eight machines over six months.

    python scripts/make_demo_logbook.py DEMO [--seed 1] [--clips]

Fills the folder DEMO with a logbook; then for example

    quietrun logbook KILN-2 --home DEMO --picture kiln-2.png
    quietrun tune ATTIC-1 --home DEMO --dry-run

Places and tags are invented; every clip is synthesised (the recipe stands in its note) and
judged by the shipped model, so the book shows what the tool says and not what it should say.
``--clips`` also writes the sound files (about 80 MB).
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import click
import numpy as np

from quietrun.clip import Clip, Source
from quietrun.compare.bands import measure_bands
from quietrun.dsp.frames import frames_of
from quietrun.logbook.baseline import own_limits
from quietrun.logbook.confirmations import confirm
from quietrun.logbook.entries import log_analysis
from quietrun.logbook.machines import Throughput, add_machine, add_throughput
from quietrun.logbook.machines import machine as machine_of
from quietrun.logbook.store import Logbook, open_logbook
from quietrun.logbook.tuning import tune_machine
from quietrun.logbook.types import MachineRecord
from quietrun.machine.bearings import look_up
from quietrun.pipeline import analyse_clip, general_model
from quietrun.report.contract import to_object
from quietrun.synth import draw_recipe, render

FIRST_DAY = date(2026, 1, 12)
ZONE = "Europe/Athens"
FAMILIES = 500_000  # machines, rooms and phones no other script uses


@dataclass(frozen=True)
class Stop:
    """One clip on the round.

    Attributes
    ----------
    week : after the first day
    faults : fault to severity
    other : other fault to strength
    found : what the technician confirmed; empty: nothing was opened
    parts : renewed before this clip
    """

    week: int
    faults: dict[str, float] = field(default_factory=dict)
    other: dict[str, float] = field(default_factory=dict)
    stage: str = "assembled"
    found: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()
    phone: int = 0
    note: str = ""


@dataclass(frozen=True)
class Plan:
    """One machine and its half year."""

    record: MachineRecord
    family: int
    stops: tuple[Stop, ...]
    kg_a_week: float = 0.0
    kg_before: float = 0.0
    tune_after_week: int | None = None


def _every(weeks: Iterable[int], **facts: object) -> tuple[Stop, ...]:
    return tuple(Stop(week, **facts) for week in weeks)  # type: ignore[arg-type]


def _growing(fault: str, weeks: Iterable[int], severities: Iterable[float]) -> tuple[Stop, ...]:
    return tuple(Stop(w, {fault: s}) for w, s in zip(weeks, severities, strict=True))


def _record(tag: str, place: str, **facts: object) -> MachineRecord:
    both = (look_up("6203"), look_up("6203"))
    known = MachineRecord(tag, place, mains_hz=50.0, poles=4, bearings=both, burr_mm=98.0)
    return replace(known, phone="shop phone", **facts)  # type: ignore[arg-type]


def plans() -> tuple[Plan, ...]:
    """Invent the round."""
    quiet = ("quiet",)
    return (
        Plan(
            _record("ATTIC-1", "Attic roastery"),
            1,
            _every(range(0, 26, 3), found=quiet),
            kg_a_week=60,
            kg_before=1200,
            tune_after_week=15,
        ),
        Plan(
            _record("KILN-2", "Kiln street bakery", notes="Bearing watched since spring."),
            2,
            (
                *_every((0, 3, 6, 8), found=quiet),
                *_growing(
                    "bearing_noise", (10, 12, 14, 16, 18, 20), (0.15, 0.3, 0.4, 0.5, 0.65, 0.8)
                ),
                Stop(21, {"bearing_noise": 0.85}, found=("bearing_noise",), note="Front one rough"),
                Stop(21, stage="motor_only", parts=("bearings",), found=quiet),
                *_every((21, 23, 25), found=quiet),
            ),
            kg_a_week=85,
            kg_before=2100,
            tune_after_week=8,
        ),
        Plan(
            _record("HARBOUR-3", "Harbour canteen", notes="Rebuilt twice."),
            3,
            (
                *_every((1, 4), found=quiet),
                Stop(6, {"burr_contact": 0.7}, found=("burr_contact",)),
                Stop(7, parts=("burrs",), found=quiet, note="First rebuild"),
                *_every((9, 11, 13), found=quiet),
                Stop(
                    16, {"impeller_rub": 0.75}, found=("impeller_rub",), note="Crept on the shaft"
                ),
                Stop(17, stage="motor_only", parts=("impeller", "bearings"), found=quiet),
                Stop(17, found=quiet, note="Second rebuild"),
                *_every((19, 21, 24), found=quiet),
            ),
            kg_a_week=110,
            kg_before=5600,
        ),
        Plan(
            _record("MILL-4", "Old mill museum café", notes="Loud by nature."),
            4,
            _every(range(2, 26, 4), faults={"impeller_rub": 0.17}, found=quiet),
            kg_a_week=25,
            kg_before=400,
        ),
        Plan(
            _record("STATION-5", "Station kiosk", notes="Burr set nearly through."),
            5,
            _every((0, 6, 12, 18, 24), found=quiet),
            kg_a_week=140,
            kg_before=2600,
        ),
        Plan(
            _record("GARDEN-6", "Garden centre", notes="Packs up with grounds."),
            6,
            (
                *_every((1, 5, 9), found=quiet),
                Stop(13, other={"drag": 0.7}, note="Chamber full of grounds, cleaned after"),
                *_every((13, 17, 21), found=quiet),
            ),
            kg_a_week=40,
            kg_before=900,
        ),
        Plan(
            _record("LIBRARY-7", "Library bar", notes="New phone in April."),
            7,
            (*_every((0, 4, 8, 12), found=quiet), *_every((13, 17, 21, 25), phone=1, found=quiet)),
            kg_a_week=30,
            kg_before=700,
        ),
        Plan(
            _record("QUARRY-8", "Quarry guest house", notes="Rattle at start, found by stages."),
            8,
            (
                *_every((2, 7), found=quiet),
                Stop(12, {"pre_breaker_wobble": 0.7}),
                Stop(12, stage="motor_only"),
                Stop(
                    12,
                    {"pre_breaker_wobble": 0.7},
                    found=("pre_breaker_wobble",),
                    note="Slot worn, shear plate bent",
                ),
                Stop(13, parts=("pre_breaker", "shear_plate"), found=quiet),
                *_every((16, 20, 24), found=quiet),
            ),
            kg_a_week=55,
            kg_before=1500,
        ),
    )


def _sound(plan: Plan, stop: Stop, rng: np.random.Generator) -> tuple[Clip, str]:
    """Render a stop and give it a hash and a file name."""
    recipe = draw_recipe(
        rng,
        stage=stop.stage,
        mains_hz=plan.record.mains_hz,
        poles=plan.record.poles,
        machine=FAMILIES + plan.family,
        room=FAMILIES + plan.family,
        phone=FAMILIES + stop.phone,
        snr_db=float(rng.uniform(18, 30)),
        faults=stop.faults,
        other=stop.other,
    )
    sound = render(recipe)
    samples = np.asarray(sound.samples, dtype=np.float32)
    mono = np.ascontiguousarray(samples if samples.ndim == 1 else samples[:, 0])
    source = Source(
        path="",
        sha256=hashlib.sha256(mono.tobytes()).hexdigest(),
        container="wav",
        codec="pcm",
        decoder="soundfile",
        channels=1,
        channel_used=0,
        duration_s=mono.size / sound.rate_hz,
    )
    note = f"seed {recipe.seed}, {dict(recipe.faults) or 'healthy'}, {dict(recipe.sources)}"
    return Clip(mono.copy(), float(sound.rate_hz), source), note


def _visit(
    book: Logbook, plan: Plan, stop: Stop, number: int, rng: np.random.Generator, out: Path | None
) -> str:
    """Render, judge and enter one stop; returns the word."""
    record = machine_of(book, plan.record.tag)
    phone = ("shop phone", "new phone")[stop.phone]
    clip, recipe = _sound(plan, stop, rng)
    at = datetime.combine(
        FIRST_DAY + timedelta(weeks=stop.week, days=plan.family % 5), _time(number)
    )
    path = f"clips/{at:%Y-%m-%d %H.%M.%S} {record.tag}.wav"
    clip = replace(clip, source=replace(clip.source, path=path))
    if out is not None:
        import soundfile

        (out / "clips").mkdir(exist_ok=True)
        soundfile.write(out / path, clip.samples, int(clip.rate_hz))
    analysis = analyse_clip(
        clip,
        machine=record.machine(stop.stage, phone),
        model=general_model(),
        limits=own_limits(book, record.tag, phone=phone, stage=stop.stage),
    )
    frames = frames_of(clip.samples, clip.rate_hz)
    bands = {}
    if analysis.run is not None:
        bands = measure_bands(clip, analysis.run, frames, analysis.fitness.bandwidth_hz)
    added = log_analysis(
        book,
        analysis,
        to_object(analysis),
        tag=record.tag,
        zone=ZONE,
        phone=phone,
        bands=bands,
        parts_changed=stop.parts,
        opened=bool(stop.parts) or None,
        note="; ".join(part for part in (stop.note, f"Synthesised: {recipe}") if part),
    )
    for what in stop.found:
        confirm(book, added.sha256, what)
    return analysis.verdict.word


def _time(number: int) -> time:
    return (datetime(2026, 1, 1, 9, 5, tzinfo=UTC) + timedelta(minutes=7 * number)).time()


def fill(book: Logbook, seed: int, out: Path | None = None) -> dict[str, list[str]]:
    """Fill a book with the whole round; returns the words said, by machine."""
    words: dict[str, list[str]] = {}
    for plan in plans():
        add_machine(book, plan.record)
        tag = plan.record.tag
        rng = np.random.default_rng([seed, plan.family])
        start = datetime.combine(FIRST_DAY, datetime.min.time(), UTC).isoformat()
        if plan.kg_before:
            add_throughput(book, tag, Throughput(start, plan.kg_before, False))
            add_throughput(book, tag, Throughput(start, plan.kg_a_week, True))
        tuned = False
        for number, stop in enumerate(plan.stops):
            if plan.tune_after_week is not None and stop.week > plan.tune_after_week and not tuned:
                tune_machine(book, tag, confirmed_only=True)
                tuned = True
            words.setdefault(tag, []).append(_visit(book, plan, stop, number, rng, out))
    return words


@click.command()
@click.argument("out", type=click.Path(file_okay=False, path_type=Path))
@click.option("--seed", default=1, show_default=True)
@click.option("--clips", is_flag=True, help="Write the sound files as well.")
def main(out: Path, seed: int, clips: bool) -> None:
    """Fill the folder OUT with the demo logbook."""
    with open_logbook(out) as book:
        for tag, words in fill(book, seed, out if clips else None).items():
            click.echo(f"{tag:10} {' '.join(words)}")
    click.echo(f"Look at it: quietrun machine list --home {out}")


if __name__ == "__main__":
    main()
