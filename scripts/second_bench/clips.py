"""Plan -> file and truth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from second_bench import mishaps, others
from second_bench.audibility import excess_db, gain_for
from second_bench.faults import Mechanism, by_name
from second_bench.grains import F32, a_level_db, convolve, rms
from second_bench.machines import (
    Machine,
    click_speed_shares,
    clicks,
    draw_machine,
    hand_noise,
    healthy,
    shell,
    timing_of,
)
from second_bench.names import FATAL, FAULTS
from second_bench.phones import Phone, draw_phone, encode, recorded
from second_bench.plan import ClipPlan
from second_bench.rooms import Room, ambience, draw_room, real_ambience, room_response
from second_bench.shaft import Course, Marks, Timing, course


@lru_cache(maxsize=4096)
def machine_of(seed: int, index: int) -> Machine:
    """Machine ``index`` of the set with this seed."""
    return draw_machine(np.random.default_rng([seed, 10, index]), f"m{index:03d}")


@lru_cache(maxsize=256)
def room_of(seed: int, index: int) -> Room:
    """Room ``index`` of the set with this seed."""
    return draw_room(np.random.default_rng([seed, 11, index]), index)


@lru_cache(maxsize=256)
def phone_of(seed: int, index: int) -> Phone:
    """Phone ``index`` of the set with this seed."""
    return draw_phone(np.random.default_rng([seed, 12, index]), index)


@dataclass(frozen=True, slots=True, eq=False)
class Dry:
    """The machine alone, before room and phone.

    ``own`` is the healthy machine, ``parts`` every fault as it was added,
    ``sound`` all together; ``click`` the switch clicks alone.
    """

    run: Course
    own: F32
    parts: dict[str, F32]
    sound: F32
    click: F32
    click_db: dict[str, float | None]
    contacts: list[tuple[float, float]]


def _contact_spells(rng: np.random.Generator, run: Course) -> list[tuple[float, float]]:
    """When the burrs touch while they are set: a few spells within the powered run."""
    part = run.window("steady")
    lo_s, hi_s = part.start / run.rate_hz + 0.5, part.stop / run.rate_hz - 0.3
    count = int(rng.integers(1, 4))
    edges = np.sort(rng.uniform(lo_s, hi_s, 2 * count))
    pairs = [(float(a), float(b)) for a, b in edges.reshape(-1, 2)]
    return [(a, max(b, a + 0.35)) for a, b in pairs]


def _gate(run: Course, spells: list[tuple[float, float]]) -> F32:
    at = np.arange(run.size, dtype=np.float32) / np.float32(run.rate_hz)
    gate = np.zeros(run.size, dtype=np.float32)
    for start, until in spells:
        gate = np.maximum(gate, np.clip(np.minimum((at - start) / 0.06, (until - at) / 0.04), 0, 1))
    return gate


def _audible(
    rng: np.random.Generator,
    mechanism: Mechanism,
    machine: Machine,
    run: Course,
    own: F32,
    severity: float,
    edge_hz: float,
    spells: list[tuple[float, float]] | None,
) -> F32:
    """One mechanism at its severity, heard through the housing."""
    raw = convolve(mechanism.make(rng, machine, run), shell(rng, machine, run.rate_hz))
    part = run.window(mechanism.heard_in)
    if mechanism.name == "switch_ring_squeal" and run.marks.off_s is not None:
        late = raw[int(run.marks.off_s * run.rate_hz) :]
        sounding = np.nonzero(np.abs(late) > 0.05 * (np.max(np.abs(late)) + 1e-12))[0]
        if sounding.size:
            start = int(run.marks.off_s * run.rate_hz) + int(sounding[0])
            part = slice(start, int(run.marks.off_s * run.rate_hz) + int(sounding[-1]) + 1)
        own = own + np.float32(0.01 * rms(own[run.window("steady")]))
    if spells is not None:
        gate = _gate(run, spells)
        raw = raw * gate
        inside = gate[part] > 0.5
        judged, beside = raw[part][inside], own[part][inside]
    else:
        judged, beside = raw[part], own[part]
    if rms(judged) < 1e-12:
        return np.zeros_like(raw)
    return raw * np.float32(gain_for(judged, beside, severity, run.rate_hz, edge_hz))


def dry_clip(
    rng: np.random.Generator,
    plan: ClipPlan,
    machine: Machine,
    timing: Timing,
    edge_hz: float,
    rate_hz: float,
) -> Dry:
    """Machine, faults and switch clicks of one run."""
    for name, severity in plan.other.items():
        timing = others.retimed(rng, name, severity, timing)
    run = course(rng, timing, rate_hz)
    lift_db = sum(
        others.hum_lift_db(name, s, machine.levels_db["hum"]) for name, s in plan.other.items()
    )
    own = healthy(rng, machine, run, plan.stage, 0.0)
    heard = healthy(rng, machine, run, plan.stage, lift_db) if lift_db else own
    spells: list[tuple[float, float]] = []
    parts: dict[str, F32] = {}
    todo = [(f, by_name(plan.sources[f]), s) for f, s in plan.faults.items()]
    todo += [(o, others.SOUNDS[o], s) for o, s in plan.other.items() if o in others.SOUNDS]
    for name, mechanism, severity in todo:
        windows = None
        if plan.stage == "burr_setting" and name == "burr_contact":
            spells = _contact_spells(rng, run)
            windows = spells
        parts[name] = _audible(rng, mechanism, machine, run, own, severity, edge_hz, windows)
    sound = heard.copy()
    for part in parts.values():
        sound += part
    click, click_db = clicks(rng, machine, run, heard)
    sound += click
    if run.by_hand:
        sound += hand_noise(rng, run, timing.lead_s, timing.run_up_s) * np.float32(
            rms(own[run.window("turning")])
        )
    return Dry(run, own, parts, sound, click, click_db, spells)


def _over_surroundings(click: F32, rest: F32, when: float | None, rate_hz: float) -> float | None:
    """Level of a click over what else is heard there, first difference, dB."""
    if when is None:
        return None
    span = np.diff(click[int(when * rate_hz) : int((when + 0.005) * rate_hz)])
    around = np.diff(rest[int(max(0, when - 0.1) * rate_hz) : int((when + 0.1) * rate_hz)])
    return round(20.0 * float(np.log10(rms(span) / (rms(around) + 1e-12) + 1e-9)), 1)


def _heard_over_db(
    plan: ClipPlan, dry: Dry, response: F32, noise: F32, rate_hz: float, edge_hz: float
) -> dict[str, float]:
    """Audibility of each fault over machine *and* room, as for severity, in the room."""
    own = convolve(dry.own, response)
    beside = own + noise[: own.size]
    out = {}
    for fault, source in plan.sources.items():
        part = dry.run.window(by_name(source).heard_in)
        wet = convolve(dry.parts[fault], response)
        out[fault] = round(excess_db(wet[part], beside[part], rate_hz, edge_hz), 2)
    return out


def _two_runs(first: Dry, second: Dry) -> tuple[F32, F32]:
    return np.concatenate([first.sound, second.sound]), np.concatenate([first.click, second.click])


def _shifted(marks: Marks, start_s: float, end_s: float) -> Marks:
    """Marks of a stretch of the clip; what lies outside is None."""

    def moved(when: float | None) -> float | None:
        return None if when is None or not start_s < when < end_s else when - start_s

    return Marks(
        moved(marks.on_s),
        moved(marks.at_speed_s),
        moved(marks.off_s),
        moved(marks.rest_s),
        moved(marks.open_s),
        moved(marks.close_s),
        marks.running_hz,
        end_s - start_s,
    )


def _stretch(rng: np.random.Generator, problem: str | None, marks: Marks) -> tuple[float, float]:
    """Which stretch of the recording is kept, s."""
    end_s = marks.duration_s
    up_s = marks.at_speed_s if marks.at_speed_s is not None else 0.0
    off_s = marks.off_s if marks.off_s is not None else end_s
    if problem == "already_running":
        return up_s + float(rng.uniform(0.1, 0.3)) * (off_s - up_s), end_s
    if problem == "no_switch_off":
        return 0.0, off_s - float(rng.uniform(0.05, 0.3)) * (off_s - up_s)
    if problem == "too_short":
        length = float(rng.uniform(0.2, 1.3))
        start = float(rng.uniform(0.0, max(0.01, off_s - length)))
        return start, start + length
    return 0.0, end_s


def _ambience(
    rng: np.random.Generator,
    room: Room,
    n: int,
    rate_hz: float,
    mains_hz: float,
    files: tuple[Path, ...],
) -> tuple[F32, str]:
    if files and rng.uniform() < 0.6:
        return real_ambience(rng, files, n, rate_hz), "recorded"
    return ambience(rng, room, n, rate_hz, mains_hz), "synthetic"


def _base_truth(plan: ClipPlan, machine: Machine, room: Room, phone: Phone) -> dict[str, Any]:
    return {
        "file": "",
        "duration_s": 0.0,
        "mains_hz": machine.mains_hz,
        "poles": machine.poles,
        "stage": plan.stage,
        "running_rpm": None,
        "switched_on_s": None,
        "at_speed_s": None,
        "switched_off_s": None,
        "at_rest_s": None,
        "start_switch_open_s": None,
        "start_switch_close_s": None,
        "faults": {fault: round(plan.faults.get(fault, 0.0), 4) for fault in FAULTS},
        "sources": dict(plan.sources),
        "other": {name: round(value, 4) for name, value in plan.other.items()},
        "problem": plan.problem,
        "usable": plan.problem not in FATAL,
        "snr_db": None,
        "family": {"machine": machine.name, "room": room.name, "phone": phone.name},
        "codec": phone.label,
        "rate_hz": phone.rate_hz,
        "mains_exact_hz": None,
        "click_over_db": {"open": None, "close": None},
        "click_speed_share": {"open": None, "close": None},
        "heard_over_db": {},
        "contacts": None,
        "runs": None,
        "ambience": None,
        "blades": machine.blade_count,
        "orders": {name: round(value, 4) for name, value in machine.orders.items()},
    }


def _no_machine_facts(truth: dict[str, Any]) -> None:
    truth["faults"] = dict.fromkeys(FAULTS, 0.0)
    truth["sources"] = {}
    truth["heard_over_db"] = {}


def _rounded(when: float | None) -> float | None:
    return None if when is None else round(when, 4)


def _fill_marks(truth: dict[str, Any], marks: Marks, by_hand: bool) -> None:
    truth["duration_s"] = round(marks.duration_s, 4)
    truth["switched_on_s"] = _rounded(marks.on_s)
    truth["at_speed_s"] = _rounded(marks.at_speed_s)
    truth["switched_off_s"] = _rounded(marks.off_s)
    truth["at_rest_s"] = _rounded(marks.rest_s)
    truth["start_switch_open_s"] = _rounded(marks.open_s)
    truth["start_switch_close_s"] = _rounded(marks.close_s)
    if marks.running_hz is not None:
        if by_hand:
            truth["spin_turns_per_s"] = round(marks.running_hz, 3)
        else:
            truth["running_rpm"] = round(60.0 * marks.running_hz, 2)


def _without_machine(
    rng: np.random.Generator,
    plan: ClipPlan,
    room: Room,
    phone: Phone,
    machine: Machine,
    files: tuple[Path, ...],
    truth: dict[str, Any],
) -> F32:
    """Clips in which our machine does not sound."""
    _no_machine_facts(truth)
    rate_hz = phone.rate_hz
    if plan.problem == "no_sound":
        return mishaps.nothing(rng, phone)
    if plan.problem == "no_machine":
        n = int(rng.uniform(5, 15) * rate_hz)
        sound, truth["ambience"] = _ambience(rng, room, n, rate_hz, machine.mains_hz, files)
        if rng.uniform() < 0.4:
            sound = sound + mishaps.near_talk(rng, n, rate_hz, rng.uniform(0, 10))
        return recorded(rng, sound, phone, float(rng.uniform(-20, -3)))
    dry, events = mishaps.commutator_machine(rng, rate_hz)
    wet = convolve(dry, room_response(rng, room, rate_hz))
    truth["switched_on_s"], truth["switched_off_s"] = (
        round(events["on"], 3),
        round(events["off"], 3),
    )
    part = slice(int((events["on"] + 0.5) * rate_hz), int(events["off"] * rate_hz))
    noise, truth["ambience"] = _ambience(rng, room, wet.size, rate_hz, machine.mains_hz, files)
    level_db = a_level_db(wet[part], rate_hz) - plan.snr_db
    truth["snr_db"] = round(plan.snr_db, 2)
    return recorded(
        rng, wet + noise * np.float32(10 ** (level_db / 20)), phone, float(rng.uniform(-12, -2))
    )


def _snr_for(rng: np.random.Generator, plan: ClipPlan) -> float:
    if plan.problem == "buried_in_room_noise":
        return float(rng.uniform(-16.0, -5.0))
    if plan.problem in ("noise_gate", "gain_riding", "clipped"):
        return max(plan.snr_db, 18.0)
    return plan.snr_db


def _machine_mix(
    rng: np.random.Generator,
    plan: ClipPlan,
    machine: Machine,
    room: Room,
    phone: Phone,
    files: tuple[Path, ...],
    truth: dict[str, Any],
) -> F32:
    """Clips with our machine: all that the microphone hears, and what the phone makes of it."""
    rate_hz = float(phone.rate_hz)
    timing = timing_of(rng, machine, plan.stage)
    if plan.problem is not None and plan.problem != "several_runs":
        timing = replace(timing, recorded_s=None)
    if plan.problem == "several_runs":
        timing = replace(timing, recorded_s=None, coast_s=min(timing.coast_s, 8.0), tail_s=0.3)
    if plan.problem == "loaded_run":
        timing = replace(timing, slip=min(0.08, timing.slip + 0.02), steady_s=timing.steady_s + 2)
    dry = dry_clip(rng, plan, machine, timing, phone.band_edge_hz, rate_hz)
    sound, click = dry.sound, dry.click
    run, marks = dry.run, dry.run.marks
    if plan.problem == "several_runs":
        again = replace(timing, lead_s=float(rng.uniform(0.3, 1.5)), tail_s=1.0)
        second = dry_clip(rng, plan, machine, again, phone.band_edge_hz, rate_hz)
        later = (second.run.marks.on_s, second.run.marks.off_s)
        truth["runs"] = [
            [_rounded(marks.on_s), _rounded(marks.off_s)],
            [_rounded(run.size / rate_hz + (when or 0.0)) for when in later],
        ]
        sound, click = _two_runs(dry, second)
        marks = replace(marks, duration_s=sound.size / rate_hz)
    part = run.window("turning" if run.by_hand else "steady")
    if plan.problem == "loaded_run":
        beans = mishaps.crunching(rng, sound.size, rate_hz, run.share)
        fed_s = (marks.at_speed_s or 0.0) + float(rng.uniform(-0.3, 0.6))
        at = np.arange(sound.size) / rate_hz
        beans *= np.clip((at - fed_s) / 0.4, 0.0, 1.0).astype(np.float32)
        loud_db = a_level_db(dry.own[part], rate_hz) + rng.uniform(10, 22)
        sound = sound + beans * np.float32(
            10 ** ((loud_db - a_level_db(beans[part], rate_hz)) / 20)
        )
    response = room_response(rng, room, rate_hz)
    wet = convolve(sound, response)
    snr_db = _snr_for(rng, plan)
    reference_db = a_level_db(convolve(dry.own, response)[part], rate_hz)
    noise, truth["ambience"] = _ambience(rng, room, wet.size, rate_hz, machine.mains_hz, files)
    noise = noise * np.float32(10 ** ((reference_db - snr_db) / 20))
    mix = wet + noise
    truth["heard_over_db"] = _heard_over_db(plan, dry, response, noise, rate_hz, phone.band_edge_hz)
    if plan.problem == "talked_over":
        mix = mix + mishaps.near_talk(rng, mix.size, rate_hz, reference_db + rng.uniform(3, 12))
    if plan.problem == "handled":
        loud = float(np.quantile(np.abs(wet), 0.99)) * 10 ** (rng.uniform(6, 20) / 20)
        mix = mix + mishaps.handling(rng, mix.size, rate_hz, loud)
    wet_click = convolve(click, response)
    rest = mix - wet_click
    truth["click_over_db"] = {
        name: _over_surroundings(wet_click, rest, when, rate_hz)
        for name, when in (("open", run.marks.open_s), ("close", run.marks.close_s))
    }
    start_s, end_s = _stretch(rng, plan.problem, marks)
    mix = mix[int(start_s * rate_hz) : int(end_s * rate_hz)]
    kept = _shifted(marks, start_s, end_s)
    truth["snr_db"] = round(snr_db, 2)
    truth["mains_exact_hz"] = round(timing.mains_hz, 4)
    _fill_marks(truth, kept, run.by_hand)
    shares = click_speed_shares(machine, run)
    truth["click_speed_share"] = {"open": shares[0], "close": shares[1]}
    if plan.stage == "burr_setting":
        audible = plan.faults.get("burr_contact", 0.0) >= 0.2
        truth["contacts"] = [[round(a, 3), round(b, 3)] for a, b in dry.contacts] if audible else []
    y = recorded(rng, mix, phone, float(rng.uniform(-14.0, -1.0)))
    return _after_phone(rng, plan, y, rate_hz, kept)


def _after_phone(
    rng: np.random.Generator, plan: ClipPlan, y: F32, rate_hz: float, marks: Marks
) -> F32:
    if plan.problem == "clipped":
        return mishaps.clipped(rng, y)
    if plan.problem == "band_limited":
        return mishaps.low_pass(y, rate_hz, float(rng.choice([3400.0, 3800.0, 7000.0])))
    if plan.problem == "gain_riding":
        return mishaps.riding(rng, y, rate_hz)
    if plan.problem == "noise_gate":
        end_s = y.size / rate_hz
        return mishaps.gated(
            rng, y, rate_hz, marks.on_s or 0.0, end_s if marks.off_s is None else marks.off_s
        )
    return y


def _fitting_phone(plan: ClipPlan, phone: Phone) -> Phone:
    """A band-limited clip needs a file that could carry more."""
    if plan.problem == "band_limited" and phone.rate_hz < 44100:
        return replace(phone, rate_hz=48000, kbps=64 if phone.kbps else 0)
    return phone


_EVENTS = (
    "switched_on_s",
    "at_speed_s",
    "switched_off_s",
    "at_rest_s",
    "start_switch_open_s",
    "start_switch_close_s",
)


def _forget_after(truth: dict[str, Any], end_s: float) -> None:
    """What lies after ``end_s`` is not in the clip (near enough for constant bit rates)."""
    truth["duration_s"] = round(end_s, 4)
    for name in _EVENTS:
        if truth[name] is not None and truth[name] > end_s:
            truth[name] = None


def make_clip(plan: ClipPlan, folder: Path, files: tuple[Path, ...] = ()) -> dict[str, Any]:
    """Write one clip and say what is in it.

    Parameters
    ----------
    plan : ClipPlan
    folder : Path
        The clip goes here as ``clip_0000.<suffix>``.
    files : tuple of Path
        Recorded ambience to use in part of the clips.

    Returns
    -------
    dict
        A line of ``truth.jsonl``.
    """
    machine = machine_of(plan.seed, plan.machine)
    room = room_of(plan.seed, plan.room)
    phone = _fitting_phone(plan, phone_of(plan.seed, plan.phone))
    rng = np.random.default_rng([plan.seed, 20, plan.index])
    truth = _base_truth(plan, machine, room, phone)
    path = folder / f"clip_{plan.index:04d}.{phone.suffix}"
    truth["file"] = path.name
    maker = (
        _without_machine if plan.problem in ("no_sound", "no_machine", "other_machine") else None
    )
    if maker is not None:
        y = maker(rng, plan, room, phone, machine, files, truth)
        truth["duration_s"] = round(y.size / phone.rate_hz, 4)
    else:
        y = _machine_mix(rng, plan, machine, room, phone, files, truth)
    encode(y, phone, path)
    if plan.problem == "cut_file":
        keep = float(rng.uniform(0.3, 0.65))
        mishaps.cut_bytes(path, keep)
        # without its index, at the end, an m4a cannot be read at all
        truth["usable"] = phone.suffix != "m4a"
        _forget_after(truth, keep * truth["duration_s"] if truth["usable"] else 0.0)
    return truth
