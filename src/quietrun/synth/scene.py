"""The scene of one clip: recipe, machine, motion, clocks; what every source reads."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from quietrun.synth.families import MachineFamily, machine_family
from quietrun.synth.kit import (
    BLOCK,
    CONTROL_HZ,
    FS,
    Floats,
    Phase,
    Rng,
    chance,
    log_uniform,
    phase_of,
    smooth_gate,
    stream,
    wandering,
)
from quietrun.synth.motion import (
    Course,
    Motion,
    Motor,
    coast_s,
    hand_spun,
    joined,
    powered_run,
    run_up_s,
    scaled_drag,
    solve_start,
)
from quietrun.synth.recipe import Recipe, draw_lengths

LONGEST_S = 30.0
Contacts = tuple[tuple[float, float], ...] | None


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """All that sources need.

    Attributes
    ----------
    n : samples at ``FS``; ``points`` control values
    turns : shape (n,), shaft angle, turns
    shaft, line : shape (n,), shaft angle and mains phase as 32-bit counts
    v : shape (points,), speed over the reference speed (running, or the fastest by hand)
    speed_hz : shape (points,), turns/s
    powered : shape (points,), 0..1
    current : shape (points,), factor on the hum (start current above 1)
    contacts : intervals (s) in which burrs can touch; None: whenever it turns
    """

    recipe: Recipe
    machine: MachineFamily
    motor: Motor
    motion: Motion
    mains_hz: float
    n: int
    points: int
    turns: Floats
    shaft: Phase
    line: Phase
    v: Floats
    speed_hz: Floats
    powered: Floats
    current: Floats
    contacts: Contacts

    def rng(self, *names: str) -> Rng:
        """Stream of chance for a named part."""
        return stream(self.recipe.seed, *names)

    @property
    def duration_s(self) -> float:
        """Length, s."""
        return self.n / FS

    @property
    def top_hz(self) -> float:
        """Reference speed, turns/s."""
        return self.motion.running_hz

    @property
    def share(self) -> Floats:
        """Speed over synchronous speed, shape (points,)."""
        return self.speed_hz / self.motor.sync_hz

    def time_at(self, turn: Floats) -> Floats:
        """Time at which the shaft passes an angle (turns), s; -1 where it does not."""
        grid = np.arange(self.points) / CONTROL_HZ
        rising = self.motion.turns + 1e-9 * grid
        return np.interp(turn, rising, grid, left=-1.0, right=-1.0)

    def speed_at(self, t: Floats) -> Floats:
        """Speed over the reference speed at times (s)."""
        return self.at(t, self.v)

    def at(self, t: Floats, control: Floats) -> Floats:
        """Value of a control curve at times (s)."""
        return np.interp(np.asarray(t) * CONTROL_HZ, np.arange(self.points), control)

    def phase(self, name: str) -> tuple[float, float] | None:
        """Begin and end of a phase, s; None where the clip has none."""
        m = self.motion
        end = m.off_s
        if end is None or m.on_s is None:
            return None
        later = [on for on, _ in m.others]
        last = min([self.duration_s, *later])
        rest = min(m.rest_s if m.rest_s is not None else last, last)
        at_speed = end if m.at_speed_s is None else m.at_speed_s
        spans = {
            "room": (0.0, m.on_s),
            "run_up": (m.on_s, at_speed),
            "steady": (at_speed, end),
            "coast_down": (end, rest),
            "rest": (rest, last),
        }
        start, stop = spans[name]
        return (start, stop) if stop - start > 0.04 else None


def _kink(pull: float, backward: float, slip: float, drag: float) -> float:
    """Slip of the largest torque for which the no-load slip is ``slip``."""

    def net(sk: float) -> float:
        forward = 2.0 / (slip / sk + sk / slip)
        back = 2.0 / ((2.0 - slip) / sk + sk / (2.0 - slip))
        return pull * (forward - backward * back) - drag * (1.0 - slip)

    lo, hi = slip, 0.8
    for _ in range(40):
        mid = math.sqrt(lo * hi)
        lo, hi = (mid, hi) if net(mid) > 0 else (lo, mid)
    return hi


def todays_motor(recipe: Recipe, family: MachineFamily, mains_hz: float) -> Motor:
    """Draw today's motor of a machine: its own values, a little moved."""
    rng = stream(recipe.seed, "motor")
    sync = 2.0 * mains_hz / recipe.poles
    slip = float(np.clip(family.slip * math.exp(rng.normal(0, 0.08)), 0.002, 0.04))
    coast = family.coast_s * math.exp(rng.normal(0, 0.08))
    if recipe.stage == "motor_only":
        coast *= float(rng.uniform(0.55, 1.1))
    coast = float(np.clip(coast, 1.5, 25.0))
    total = sum(family.drag)
    shares = (family.drag[0] / total, family.drag[1] / total, family.drag[2] / total)
    a, b, c = scaled_drag(coast, shares, 1.0 - slip)
    run_up = float(np.clip(family.run_up_s * math.exp(rng.normal(0, 0.06)), 0.25, 3.0))
    drag = a + b + c
    pull = max(rng.uniform(0.7, 1.6) / run_up, 3.0 * drag)
    tail = rng.uniform(0.2, 0.6) * run_up  # time left for the run winding alone
    for _ in range(24):
        motor = Motor(
            sync_hz=sync,
            pull=pull,
            kink=_kink(pull, family.backward, slip, drag),
            backward=family.backward,
            start=0.0,
            opens=family.opens,
            closes=family.closes,
            coulomb=a,
            viscous=b,
            windage=c,
        )
        if run_up_s(motor, from_share=family.opens) <= tail:
            break
        pull *= 1.25
    return solve_start(motor, run_up)


def _contacts(recipe: Recipe, at_speed: float, off: float) -> Contacts:
    """When the burrs are brought together in a ``burr_setting`` clip."""
    if recipe.stage != "burr_setting":
        return None
    rng = stream(recipe.seed, "contacts")
    start = at_speed + float(rng.uniform(0.15, 0.7)) * (off - at_speed)
    spans = []
    if chance(rng, 0.4):
        stop = start + float(rng.uniform(0.15, 0.6))
        spans.append((start, stop))
        start = stop + float(rng.uniform(0.3, 1.0))
    if start < off - 0.3 or not spans:
        stays = chance(rng, 0.5)
        spans.append((start, off + 60.0 if stays else start + log_uniform(rng, 0.25, 2.5)))
    if spans[-1][1] > off and spans[-1][1] < off + 1.0:
        spans[-1] = (spans[-1][0], off - 0.05)
    return tuple(spans)


#: Drag a fault of severity 1 adds, as a share of the drag at speed (lo, hi).
_ADDED_DRAG = {
    "bearing_noise": (0.0, 0.25),
    "impeller_rub": (0.0, 0.5),
    "pre_breaker_wobble": (0.0, 0.03),
    "burr_contact": (0.05, 0.9),
    "face_rub": (0.05, 0.8),
}


def _added_drag(recipe: Recipe, motor: Motor) -> dict[str, float]:
    rng = stream(recipe.seed, "added drag")
    at_speed = float(motor.drag(0.98))
    drawn = {fault: float(rng.uniform(*span)) for fault, span in _ADDED_DRAG.items()}
    wrong = {**recipe.faults, **recipe.other}
    added = {f: drawn[f] * s * at_speed for f, s in wrong.items() if f in drawn}
    if "drag" in recipe.other:  # coast-down falls to 0.8 .. 0.2 of the machine's own
        share = 0.8 - 0.6 * recipe.other["drag"]
        whole = coast_s(motor, 0.98)
        lo, hi = 0.0, 40.0 * at_speed
        for _ in range(40):
            mid = 0.5 * (lo + hi)
            slowed = replace(motor, coulomb=motor.coulomb + mid)
            lo, hi = (mid, hi) if coast_s(slowed, 0.98) > share * whole else (lo, mid)
        added["drag"] = hi
    return added


def _spare(motor: Motor) -> float:
    """Largest torque above the drag that the run winding has near its speed, 1/s."""
    grid = np.linspace(0.5, 0.99, 100)
    return max(0.0, float(np.max(motor.run_torque(grid) - motor.drag(grid))))


def _with_drag(motor: Motor, extra: float) -> Motor:
    """Add drag, but no more than the motor can start against in reasonable time."""
    usual = run_up_s(motor)
    for _ in range(12):
        slowed = replace(motor, coulomb=motor.coulomb + extra)
        if run_up_s(slowed) < 1.7 * usual:
            return slowed
        extra *= 0.7
    return motor


@dataclass(frozen=True, slots=True, eq=False)
class _Wrong:
    """How other faults change the motor and the course."""

    motor: Motor
    start_winding: str
    load: Floats | None
    weak: Floats | None
    quick_off_s: float | None


def _other_motion(recipe: Recipe, motor: Motor, on: float, up: float, points: int) -> _Wrong:
    rng = stream(recipe.seed, "other motion")
    other = recipe.other
    t = np.arange(points) / CONTROL_HZ - on
    load = weak = None
    winding, quick = "works", None
    if "start_switch_stuck_closed" in other:
        winding = "stuck_closed"
    if "start_switch_stuck_open" in other:
        winding, quick = "stuck_open", float(rng.uniform(1.2, 5.0))
        if chance(rng, 0.75) or recipe.problem is not None:  # no run capacitor: does not budge
            weak = np.zeros(points)
    if "did_not_start" in other:
        quick = float(rng.uniform(1.2, 5.0))
        if chance(rng, 0.6):
            motor, weak = replace(motor, start=0.0), np.zeros(points)
        else:  # hangs at a low speed
            hang = float(rng.uniform(0.05, 0.4))
            torque = float(motor.run_torque(hang) + motor.start_torque(hang) - motor.drag(hang))
            motor = replace(motor, viscous=motor.viscous + torque / hang)
    if "sag" in other:
        begin, took = up + float(rng.uniform(0.1, 1.2)), log_uniform(rng, 0.2, 1.5)
        low = 1.0 - (0.6 + 0.4 * other["sag"])
        weak = np.interp(t, [begin, begin + took], [1.0, low])
    if "sheared_drive" in other:
        lighter = float(rng.uniform(0.35, 0.7))
        motor = replace(
            motor,
            start=motor.start / lighter,
            pull=motor.pull / lighter,
            coulomb=motor.coulomb * lighter,
            viscous=motor.viscous * lighter,
            windage=motor.windage * lighter,
        )
    if "beans" in other:
        heavy = other["beans"] * float(rng.uniform(0.2, 0.7)) * _spare(motor)
        jerks = np.clip(1.0 + wandering(rng, points, 0.06, 0.3), 0, 2)
        load = heavy * jerks * np.clip((t - 0.5 * up) / (0.3 + up), 0, 1)
    return _Wrong(motor, winding, load, weak, quick)


def _powered_scene(recipe: Recipe, motor: Motor) -> tuple[Motor, Motion, float, Contacts]:
    """Plan the clip and move the rotor: (motor, motion, duration, contacts).

    The length is planned from the machine as it would be without a fault, so
    that it tells nothing about one.
    """
    rng = stream(recipe.seed, "timing")
    room, steady, rest = draw_lengths(rng)
    cut_off, cut_share = chance(rng, 0.12), float(rng.uniform(0.35, 0.9))
    up = run_up_s(motor)
    steady = max(steady, 3.5) if recipe.stage == "burr_setting" else steady
    on, off = room, room + up + steady
    coast = coast_s(motor, motor.running_share())
    whole = off + coast + rest
    if whole > LONGEST_S or cut_off:
        whole = min(LONGEST_S, off + max(1.0, cut_share * coast))
    duration = _round_up(max(6.0, whole))
    points = round(duration * CONTROL_HZ) + 1
    added = _added_drag(recipe, motor)
    setting = recipe.stage == "burr_setting"
    always = sum(x for f, x in added.items() if not (setting and f == "burr_contact"))
    wrong = _other_motion(recipe, _with_drag(motor, always), on, up, points)
    if wrong.quick_off_s is not None:
        off = min(off, on + wrong.quick_off_s)
    contacts = _contacts(recipe, on + up, off)
    touch = min(added.get("burr_contact", 0.0), 0.25 * _spare(motor)) if setting else 0.0
    load = wrong.load
    if touch and contacts:
        load = touch * smooth_gate(points, contacts, 0.15)
    stays = bool(contacts) and contacts is not None and contacts[-1][1] > off
    after = wrong.motor
    if "did_not_start" in recipe.other:
        after = motor
    coasting = replace(after, coulomb=after.coulomb + (touch if stays else 0.0))
    course = Course(duration, on, off, load, wrong.weak, wrong.start_winding)
    motion = powered_run(wrong.motor, course, coasting)
    if recipe.problem == "several_runs":
        motion = _again(recipe, wrong.motor, course, motion, coasting)
        duration = (motion.speed_hz.size - 1) / CONTROL_HZ
    return coasting, motion, duration, contacts


def _again(recipe: Recipe, motor: Motor, course: Course, first: Motion, coasting: Motor) -> Motion:
    """Switch on once or twice more."""
    rng = stream(recipe.seed, "again")
    motion = first
    for _ in range(1 if chance(rng, 0.7) else 2):
        share = float(motion.speed_hz[-1]) / motor.sync_hz
        on = float(rng.uniform(0.3, 1.5))
        off = on + min(run_up_s(motor), 4.0) + float(rng.uniform(0.5, 4.0))
        length = _round_up(off + min(coast_s(coasting, motor.running_share()) + 0.5, 6.0))
        again = replace(
            course, duration_s=length, on_s=on, off_s=off, load=None, weak=None, initial_share=share
        )
        motion = joined(motion, powered_run(motor, again, coasting))
    return motion


def _round_up(seconds: float) -> float:
    """Whole hundredths: every phone rate then has a whole number of samples."""
    return math.ceil(seconds * 100.0) / 100.0


def _hand_scene(recipe: Recipe, motor: Motor) -> tuple[Motor, Motion, float, Contacts]:
    rng = stream(recipe.seed, "timing")
    room, _, rest = draw_lengths(rng)
    slowed = replace(motor, coulomb=motor.coulomb + sum(_added_drag(recipe, motor).values()))
    at, spins = room + 0.4, []
    for _ in range(int(rng.integers(1, 4))):
        hz = float(rng.uniform(1.5, 6.0))
        spins.append((at, hz))
        at += min(coast_s(motor, hz / motor.sync_hz), 9.0) + float(rng.uniform(0.3, 1.2))
        if at > 18.0:
            break
    duration = _round_up(min(LONGEST_S, max(6.0, at + rest)))
    return slowed, hand_spun(slowed, duration, tuple(spins)), duration, None


def _current(motion: Motion, motor: Motor, family: MachineFamily) -> Floats:
    """Factor on the hum: start current above 1, falling as the speed is reached."""
    start = 10 ** (family.hum_start_db / 20.0)
    slip = np.clip(1.0 - motion.speed_hz / motor.sync_hz, 0.0, 1.0)
    run_part = np.sqrt((slip**2 + 0.02**2) / (slip**2 + motor.kink**2 + 0.02**2))
    base = float(np.sqrt(0.02**2 / (motor.kink**2 + 0.02**2)))
    rise = 0.5 * np.clip((run_part - base) / (1.0 - base), 0, 1) + 0.5 * motion.winding
    return np.asarray(1.0 + (start - 1.0) * rise * (motion.powered > 0))


def make_scene(recipe: Recipe) -> Scene:
    """Draw the run of a recipe and move its rotor."""
    family = machine_family(recipe.machine)
    rng = stream(recipe.seed, "clocks")
    mains_hz = recipe.mains_hz * (1 + rng.uniform(-1e-3, 1e-3)) * (1 + rng.uniform(-5e-5, 5e-5))
    mains_phase = float(rng.random())
    motor = todays_motor(recipe, family, mains_hz)
    plan = _hand_scene if recipe.stage == "hand_spin" else _powered_scene
    motor, motion, duration, contacts = plan(recipe, motor)
    n = round(duration * FS)
    t = np.arange(n) / FS
    turns = audio_turns(motion)
    return Scene(
        recipe=recipe,
        machine=family,
        motor=motor,
        motion=motion,
        mains_hz=float(mains_hz),
        n=n,
        points=n // BLOCK + 1,
        turns=turns,
        shaft=phase_of(turns),
        line=phase_of(mains_hz * t + mains_phase),
        v=motion.speed_hz / max(motion.running_hz, 0.3),
        speed_hz=motion.speed_hz,
        powered=motion.powered,
        current=_current(motion, motor, family),
        contacts=contacts,
    )


def audio_turns(motion: Motion) -> Floats:
    """Angle at the audio rate: speed straight within each block, so the angle is a parabola."""
    tau = np.arange(BLOCK) / FS
    w = motion.speed_hz
    slope = (w[1:] - w[:-1]) * CONTROL_HZ
    inside = motion.turns[:-1, None] + w[:-1, None] * tau + 0.5 * slope[:, None] * np.square(tau)
    return np.asarray(inside.reshape(-1))
