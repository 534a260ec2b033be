"""``quietrun record``: a guided recording with the computer's microphone."""

from __future__ import annotations

import contextlib
import dataclasses
import signal
from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

from quietrun.cli.check import EXIT_CODES
from quietrun.cli.edge import INTERRUPTED
from quietrun.cli.options import json_option, machine_from, machine_options
from quietrun.cli.output import note, page, say

if TYPE_CHECKING:
    from pathlib import Path

    from quietrun.cli.record_screen import Screen
    from quietrun.clip.guide import Guide
    from quietrun.clip.microphone import Input, Microphone, Take
    from quietrun.judge import Limits
    from quietrun.machine import Machine
    from quietrun.pipeline import Analysis
    from quietrun.problems import Problem


@click.command()
@click.argument("out", required=False, metavar="OUT.flac|OUT.wav", type=click.Path())
@click.option("--devices", "list_devices", is_flag=True, help="List the inputs, record nothing.")
@click.option("--device", metavar="NUMBER|NAME", help="Input to record with; else the system's.")
@click.option(
    "--machine", "tag", metavar="TAG", help="Tag, put into the file; the logbook says more of it."
)
@machine_options
@click.option(
    "--seconds",
    type=click.FloatRange(1.0, 120.0),
    help="Record so long without guidance.",
)
@click.option("--no-check", is_flag=True, help="Do not judge the recording.")
@click.option("--force", is_flag=True, help="Write over a file that is there.")
@json_option
@click.pass_context
def record(
    ctx: click.Context,
    out: str | None,
    list_devices: bool,
    device: str | None,
    tag: str | None,
    machine_file: str | None,
    mains: str | None,
    poles: str | None,
    stage: str | None,
    seconds: float | None,
    no_check: bool,
    force: bool,
    as_json: bool,
) -> None:
    """Record an empty run with this computer's microphone, then judge it.

    Says what to do and when: quiet room, switch on, let it run, switch off,
    let it run down. The steps follow what is heard. Ctrl-C ends it early; what
    was recorded is kept.

    Exits as check does; with --no-check 0, or 3 when the recording is of no use.
    """
    from quietrun.clip import microphone

    if list_devices:
        say(_listed(microphone.inputs(microphone.load_backend()), as_json=as_json))
        return
    if out is None:
        raise click.UsageError("Name the file to write, such as visit.flac.")

    from quietrun.clip.take import check_place

    path = check_place(out, force=force)
    machine = machine_from(machine_file, mains, poles, stage)
    machine = dataclasses.replace(machine, id=tag or machine.id)
    backend = microphone.load_backend()
    source = microphone.Microphone(backend, microphone.choose(microphone.inputs(backend), device))
    take = _record(source, machine, seconds)
    found = _keep(take, path, machine)
    note(f"{path}: {len(take.samples) / take.rate_hz:.1f} s at {take.rate_hz:g} Hz.")
    analysis = None if take.ended == "stopped" else _judge(path, machine, found)
    shown = None if no_check else analysis
    say(_answer(path, take, found, analysis, shown, as_json=as_json))
    ctx.exit(_exit_code(analysis, judged=not no_check))


def _listed(devices: tuple[Input, ...], *, as_json: bool) -> str:
    if as_json:
        from quietrun.report.contract import to_json

        return to_json({"devices": [dataclasses.asdict(device) for device in devices]}, indent=2)
    if not devices:
        return "No inputs. Plug a microphone in, or switch it on in the system's settings."
    return "\n".join(
        f"{'*' if one.default else ' '} {one.index:3d}  {one.name} ({one.api}), "
        f"{one.channels} channel{'s' if one.channels > 1 else ''}, {one.rate_hz:g} Hz"
        for one in devices
    )


def _record(source: Microphone, machine: Machine, seconds: float | None) -> Take:
    """Guide through the steps while the sound comes in; an interrupt ends it with what there is."""
    from quietrun.cli.record_screen import screen, wait_for_person
    from quietrun.clip.guide import STEPS, Guide, fixed

    guide = Guide(STEPS[machine.stage] if seconds is None else fixed(seconds))
    try:
        _caution(machine.stage)
        wait_for_person()
        with screen() as shown:
            _follow(source, guide, shown)
        if guide.done:
            source.done()
    except KeyboardInterrupt:
        note("Stopped by hand; what was recorded is kept.")
    except BaseException:
        source.close()
        raise
    return source.take()


def _caution(stage: str) -> None:
    from quietrun.judge.texts import DUTY, EARS, FINGERS, HUMS
    from quietrun.report.terminal import wrap

    for text in (FINGERS,) if stage == "hand_spin" else (DUTY, HUMS, FINGERS, EARS):
        note("\n".join(wrap(text, page().columns(), "- ")))


def _follow(source: Microphone, guide: Guide, shown: Screen) -> None:
    from quietrun.clip.guide import FRAME_S, difference_db, peak_db

    count = len(guide.steps)
    for number, frame in enumerate(source.frames(), start=1):
        if number == 1:  # not before: a device may take its time to start
            shown.begin(1, count, guide.step)
        moved = guide.hear(difference_db(frame))
        shown.level(number * FRAME_S, guide.left_s, peak_db(frame))
        if guide.done:
            return
        if moved:
            shown.begin(guide.at + 1, count, guide.step)


@contextlib.contextmanager
def _uninterrupted() -> Iterator[None]:
    """Hold Ctrl-C off while a file is written: it is a moment only."""
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _keep(take: Take, path: Path, machine: Machine) -> tuple[Problem, ...]:
    """Write what was recorded, unless it is nothing; what is wrong with it."""
    from quietrun.clip.microphone import NoRecording
    from quietrun.clip.take import Label, problems, write_take

    found = tuple(problems(take))
    stopped = take.ended == "stopped"
    if stopped and not len(take.samples):
        raise click.Abort
    if not stopped and any(problem.code == "no_sound" for problem in found):
        raise NoRecording(found[0].what, f"{found[0].why} Nothing was written.", found[0].do)
    with _uninterrupted():
        write_take(take, path, Label(machine.id, machine.stage))
    return found


def _judge(path: Path, machine: Machine, found: tuple[Problem, ...]) -> Analysis:
    """Judge the file by what the logbook knows of the machine, and by what the device did wrong."""
    from quietrun.clip import read_clip
    from quietrun.pipeline import KEEP_S, analyse_clip, general_model

    clip = read_clip(path, keep_s=KEEP_S)
    clip = dataclasses.replace(clip, problems=(*clip.problems, *found))
    machine, limits = _known(path, machine)
    return analyse_clip(clip, machine=machine, model=general_model(), limits=limits)


def _known(path: Path, machine: Machine) -> tuple[Machine, Limits | None]:
    """Give the machine with the logbook's data, and its own limits, where it is in the book."""
    if machine.id is None:
        return machine, None
    from quietrun.errors import UsageError
    from quietrun.exhibits.known import known_of
    from quietrun.logbook.store import open_if_there

    try:
        with open_if_there(None) as book:
            known = known_of(book, str(path), machine, tag=None, stage=machine.stage)
    except UsageError as error:  # a recording must not be lost for a book that cannot be used
        note(f"The logbook was not used: {error.what}")
        return machine, None
    return known.machine, known.limits


def _exit_code(analysis: Analysis | None, *, judged: bool) -> int:
    """As ``check`` has it; of a recording that is not to be judged only whether it is of use."""
    if analysis is None:
        return INTERRUPTED
    code = EXIT_CODES[analysis.verdict.word]
    return code if judged or code == EXIT_CODES["unusable"] else 0


def _answer(
    path: Path,
    take: Take,
    found: tuple[Problem, ...],
    analysis: Analysis | None,
    shown: Analysis | None,
    *,
    as_json: bool,
) -> str:
    """Give the verdict if it is wanted, else what is wrong with the recording."""
    from quietrun.report.recording import recorded_object, render_problems

    judged = () if analysis is None else analysis.fitness.problems
    problems = (*found, *(one for one in judged if one.what not in {f.what for f in found}))
    if as_json:
        from quietrun.report.contract import to_json

        told = recorded_object(
            file=str(path),
            recorded_at=take.begun.isoformat(timespec="seconds"),
            device=take.device.name,
            rate_hz=take.rate_hz,
            duration_s=len(take.samples) / take.rate_hz,
            ended=take.ended,
            problems=problems,
            analysis=shown,
        )
        return to_json(told, indent=2)
    if shown is not None:
        from quietrun.report.text import render

        return render(shown, page())
    return render_problems(problems, page())
