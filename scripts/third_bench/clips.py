"""A plan -> scene -> file and its line of truth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from second_bench.audibility import excess_db, gain_for
from second_bench.names import FATAL, FAULTS

from third_bench import mishaps, others
from third_bench.base import F32, Rng, convolve, heard_level, spread, uniform
from third_bench.healthy import click_over_db, machine_sound, switch_clicks
from third_bench.machine import Machine, Motion, Wishes, draw_machine, move
from third_bench.phones import Phone, capture, draw_phone, write
from third_bench.plan import MECHANISMS, Plan
from third_bench.rooms import Room, ambience, draw_room, room_response

Truth = dict[str, Any]


@dataclass(frozen=True, slots=True, eq=False)
class Dry:
    """The machine alone, dry, by parts."""

    motion: Motion
    own: F32
    parts: dict[str, F32]
    windows: dict[str, Any]
    clicks: F32
    contacts: list[list[float]] | None

    @property
    def sound(self) -> F32:
        """All of it."""
        out = self.own + self.clicks
        for part in self.parts.values():
            out = out + part
        return out


def draw_wishes(rng: Rng, plan: Plan) -> Wishes:
    """Timing of the clip."""
    if plan.stage == "hand_spin":
        return Wishes(
            uniform(rng, 0.4, 2.0),
            0.0,
            uniform(rng, 0.5, 2.0),
            uniform(rng, 0.5, 1.3),
            hand_turns_s=spread(rng, 1.5, 7.0),
            least_s=uniform(rng, 5.5, 8.0),
        )
    factor = uniform(rng, 0.75, 1.3) if plan.stage == "motor_only" else uniform(rng, 0.92, 1.08)
    steady = uniform(rng, 5.0, 11.0) if plan.stage == "burr_setting" else spread(rng, 2.2, 9.0)
    lead_s, tail_s = uniform(rng, 0.4, 3.0), uniform(rng, 0.5, 2.2)
    return Wishes(lead_s, steady, tail_s, factor, least_s=uniform(rng, 5.5, 7.0))


def burr_gate(rng: Rng, motion: Motion) -> tuple[F32, list[list[float]]]:
    """Where the burrs meet while somebody turns the setting: one to five touches."""
    n, rate = motion.n, motion.rate_hz
    start = (motion.at_speed_s or motion.on_s or 0.0) + 0.2
    end = (motion.off_s or n / rate) - 0.15
    gate = np.zeros(n, dtype=np.float32)
    spans: list[list[float]] = []
    at = start + uniform(rng, 0.1, 0.3 * (end - start))
    for _ in range(int(rng.integers(1, 6))):
        until = at + spread(rng, 0.15, 1.6)
        if until > end:
            break
        first, last = int(at * rate), int(until * rate)
        rise = max(4, int(0.03 * rate))
        gate[first:last] = 1.0
        ramp = np.linspace(0.0, 1.0, min(rise, (last - first) // 2))
        gate[first : first + ramp.size] = ramp
        gate[last - ramp.size : last] = ramp[::-1]
        spans.append([round(at, 3), round(until, 3)])
        at = until + uniform(rng, 0.3, 2.0)
    if not spans:
        first, last = int(start * rate), int(min(end, start + 0.8) * rate)
        gate[first:last] = 1.0
        spans.append([round(start, 3), round(last / rate, 3)])
    return gate, spans


def dry_clip(plan: Plan, machine: Machine, phone: Phone, wish: Wishes) -> Dry:
    """Integrate, sound, and set every fault to its severity."""
    rate = float(phone.inner_rate_hz)
    top = min(phone.edge_hz, 0.45 * rate)
    rng = plan.rng(5)
    motion = move(rng, machine, wish, rate)
    own = machine_sound(plan.rng(6), machine, motion, plan.stage)
    contacts: list[list[float]] | None = [] if plan.stage == "burr_setting" else None
    parts: dict[str, F32] = {}
    windows: dict[str, Any] = {}
    for number, (name, severity) in enumerate(plan.faults.items()):
        make, phase = MECHANISMS[name][plan.sources[name]]
        rng = plan.rng(7, number)
        extra: tuple[Any, ...] = ()
        window: Any = motion.span("all" if plan.stage == "hand_spin" else phase)
        if name == "burr_contact":
            gate = np.ones(motion.n, dtype=np.float32)
            if plan.stage == "burr_setting":
                gate, contacts = burr_gate(rng, motion)
                window = np.flatnonzero(gate > 0.5)
            extra = (gate,)
        part = make(rng, machine, motion, *extra).astype(np.float32)
        for other in sorted(MECHANISMS[name]):
            if float(np.abs(part[window]).max()) >= 1e-9:
                break
            # silent in this run (too slow, too short): another mechanism of the same fault
            make, phase = MECHANISMS[name][other]
            plan.sources[name] = other
            if name != "burr_contact" or plan.stage != "burr_setting":
                window = motion.span("all" if plan.stage == "hand_spin" else phase)
            part = make(plan.rng(7, number), machine, motion, *extra).astype(np.float32)
        if float(np.abs(part[window]).max()) < 1e-9:
            raise RuntimeError(f"no {name} can be heard in clip {plan.index}")
        parts[name] = part * np.float32(gain_for(part[window], own[window], severity, rate, top))
        windows[name] = window
    for name, severity in plan.other.items():
        if name in others.SOUNDS:
            make, phase = others.SOUNDS[name]
            part = make(plan.rng(8), machine, motion)
            window = motion.span(phase)
            if float(np.abs(part[window]).max()) > 1e-9:
                gain = gain_for(part[window], own[window], severity, rate, top)
                parts[name] = part * np.float32(min(gain, 1e6))
                windows[name] = window
    clicks, _ = switch_clicks(plan.rng(9), machine, motion, own)
    return Dry(motion, own, parts, windows, clicks, contacts)


def _orders(machine: Machine) -> dict[str, float]:
    return machine.front.orders()


def make_clip(plan: Plan, folder: Path) -> Truth:
    """Make one clip, write its file, return its truth."""
    machine = draw_machine((plan.seed, 10, plan.machine), f"t{plan.machine:03d}")
    room = draw_room((plan.seed, 11, plan.room), plan.room)
    narrow = plan.problem == "band_limited"
    phone = draw_phone((plan.seed, 13 if narrow else 12, plan.phone), plan.phone, narrow)
    rng = plan.rng(0)
    wish = draw_wishes(rng, plan)
    for name, severity in plan.other.items():
        wish = others.changed_motion(rng, name, severity, wish)
    for name in ("impeller_rub", "burr_contact", "bearing_noise"):
        # what rubs also brakes: a little, and not always
        braking = plan.faults.get(name, 0.0) * uniform(rng, -0.05, 0.3)
        wish = replace(wish, coast_factor=wish.coast_factor * (1.0 - braking))
    if plan.problem == "loaded_run":
        wish = replace(wish, load=uniform(rng, 0.3, 0.8))
    scene = mishaps.Scene.of(plan, machine, room, phone)
    dry = dry_clip(plan, machine, phone, wish)
    truth = _base_truth(plan, machine, room, phone, dry)
    mixed, truth = _mix(plan, room, phone, dry, truth, scene)
    peak_db = uniform(plan.rng(20), -22.0, -2.0)
    samples = capture(plan.rng(21), phone, mixed, float(phone.inner_rate_hz), peak_db)
    samples, truth = mishaps.after_capture(plan, phone, samples, truth)
    path, codec = write(phone, samples, folder / f"clip_{plan.index:04d}")
    truth["file"], truth["codec"] = path.name, codec
    truth["duration_s"] = round(len(samples) / phone.rate_hz, 4)
    if plan.problem == "cut_file":
        truth = mishaps.cut_file(plan, path, truth)
    return _tidy(truth)


def _base_truth(plan: Plan, machine: Machine, room: Room, phone: Phone, dry: Dry) -> Truth:
    m = dry.motion
    hand = plan.stage == "hand_spin"
    turning = m.at_speed_s is not None and not hand
    truth: Truth = {
        "file": "",
        "duration_s": 0.0,
        "mains_hz": machine.mains_hz,
        "poles": machine.poles,
        "stage": plan.stage,
        "running_rpm": round(m.full_rad_s * 60.0 / (2.0 * np.pi), 2) if turning else None,
        "switched_on_s": None if hand else m.on_s,
        "at_speed_s": m.at_speed_s if turning else None,
        "switched_off_s": None if hand else m.off_s,
        "at_rest_s": m.rest_s,
        "start_switch_open_s": m.open_s,
        "start_switch_close_s": m.close_s,
        "faults": {name: round(plan.faults.get(name, 0.0), 4) for name in FAULTS},
        "sources": plan.sources,
        "other": {name: round(value, 4) for name, value in plan.other.items()},
        "problem": plan.problem,
        "usable": plan.problem not in FATAL,
        "snr_db": None,
        "family": {"machine": machine.name, "room": room.name, "phone": phone.name},
        "codec": "",
        "rate_hz": phone.rate_hz,
        "mains_exact_hz": machine.mains_hz if hand else round(m.mains_exact_hz, 4),
        "click_over_db": {"open": None, "close": None},
        "click_speed_share": {
            "open": None if m.open_share is None else round(m.open_share, 3),
            "close": None if m.close_share is None else round(m.close_share, 3),
        },
        "heard_over_db": {},
        "contacts": dry.contacts,
        "runs": None,
        "ambience": "synthetic",
        "blades": machine.blades,
        "orders": _orders(machine),
    }
    if hand:
        truth["spin_turns_per_s"] = round(m.full_rad_s / (2.0 * np.pi), 3)
    return truth


def _mix(
    plan: Plan, room: Room, phone: Phone, dry: Dry, truth: Truth, scene: mishaps.Scene
) -> tuple[F32, Truth]:
    """Room, ambience and mishaps at the inner rate."""
    rate = float(phone.inner_rate_hz)
    m = dry.motion
    response = room_response(plan.rng(10), room, rate)
    wet = convolve(dry.sound, response)
    active = m.span("all" if plan.stage == "hand_spin" else "steady")
    level = heard_level(wet[active], rate)
    around = ambience(plan.rng(11), room, m.n, rate, truth["mains_hz"])
    rng = plan.rng(12)
    snr_db = uniform(rng, 8.0, 40.0)
    if plan.stage == "hand_spin":
        snr_db = uniform(rng, 8.0, 30.0)
    if plan.problem == "buried_in_room_noise":
        snr_db = uniform(rng, -18.0, -5.0)
    if plan.problem == "gain_riding":
        snr_db = max(snr_db, 15.0)
    quiet = level / (heard_level(around, rate) + 1e-12) * 10 ** (-snr_db / 20.0)
    around = around * np.float32(quiet)
    truth["snr_db"] = round(snr_db, 2)
    everything = wet - 0.0 + around
    top = min(phone.edge_hz, 0.45 * rate)
    wet_own = convolve(dry.own, response) if plan.faults else wet
    for name in plan.faults:
        part = convolve(dry.parts[name], response)
        w = dry.windows[name]
        over = excess_db(part[w], (wet_own + around)[w], rate, top)
        truth["heard_over_db"][name] = round(over, 2)
    click = convolve(dry.clicks, response)
    rest = everything - click
    for key, at_s in (("open", m.open_s), ("close", m.close_s)):
        if at_s is not None:
            first = int(at_s * rate)
            truth["click_over_db"][key] = round(click_over_db(click[first:], rest, first, rate), 1)
    return scene.happen(everything, wet, around, level, dry, truth)


def _tidy(truth: Truth) -> Truth:
    """Plain numbers, events outside the file removed."""
    end = truth["duration_s"]
    for key in (
        "switched_on_s",
        "at_speed_s",
        "switched_off_s",
        "at_rest_s",
        "start_switch_open_s",
        "start_switch_close_s",
    ):
        value = truth[key]
        if value is not None:
            value = round(float(value), 4)
            truth[key] = value if 0.0 <= value < end else None
    truth["duration_s"] = round(float(end), 4)
    return truth
