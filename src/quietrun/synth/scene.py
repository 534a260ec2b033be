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
    Rng,
    chance,
    log_uniform,
    ramp,
    smooth_gate,
    stream,
)
from quietrun.synth.motion import (
    Course,
    Motion,
    Motor,
    coast_s,
    hand_spun,
    powered_run,
    run_up_s,
    scaled_drag,
    solve_start,
)
from quietrun.synth.recipe import Recipe, draw_lengths

LONGEST_S = 30.0


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """All that sources need.

    Attributes
    ----------
    n : samples at ``FS``; ``points`` control values
    turns : shape (n,), shaft angle, turns
    v : shape (points,), speed over the reference speed (running, or the fastest by hand)
    speed_hz : shape (points,), turns/s
    powered : shape (points,), 0..1
    current : shape (points,), factor on the hum (start current above 1)
    mains : shape (n,), phase of the mains, turns
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
    v: Floats
    speed_hz: Floats
    powered: Floats
    current: Floats
    mains: Floats
    contacts: tuple[tuple[float, float], ...] | None

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

    def time_at(self, turn: Floats) -> Floats:
        """Time at which the shaft passes an angle (turns), s."""
        grid = np.arange(self.points) / CONTROL_HZ
        rising = self.motion.turns + 1e-9 * grid
        return np.interp(turn, rising, grid, left=-1.0, right=-1.0)

    def speed_at(self, t: Floats) -> Floats:
        """Speed over the reference speed at times (s)."""
        return np.interp(np.asarray(t) * CONTROL_HZ, np.arange(self.points), self.v)

    def phase(self, name: str) -> tuple[float, float] | None:
        """Begin and end of a phase, s; None where the clip has none."""
        m = self.motion
        if self.recipe.stage == "hand_spin":
            first = np.flatnonzero(self.v > 0.5)
            start = float(first[0]) / CONTROL_HZ if first.size else 0.0
            return (start, m.rest_s or self.duration_s) if name == "coast_down" else None
        end = self.duration_s if m.off_s is None else m.off_s
        on = m.on_s or 0.0
        at_speed = m.at_speed_s if m.at_speed_s is not None else (on if m.on_s is None else end)
        spans = {
            "room": (0.0, on),
            "run_up": (on, min(at_speed, end)),
            "steady": (min(at_speed, end), end),
            "coast_down": (end, m.rest_s or self.duration_s),
            "rest": (m.rest_s or self.duration_s, self.duration_s),
        }
        start, stop = spans[name]
        return (start, stop) if stop - start > 0.04 else None


def _motor(recipe: Recipe, family: MachineFamily, mains_hz: float) -> Motor:
    """Draw today's motor of a machine: its own values, a little moved."""
    rng = stream(recipe.seed, "motor")
    sync = 2.0 * mains_hz / recipe.poles
    slip = float(np.clip(family.slip * math.exp(rng.normal(0, 0.08)), 0.002, 0.04))
    coast = float(np.clip(family.coast_s * math.exp(rng.normal(0, 0.08)), 1.5, 25.0))
    if recipe.stage == "motor_only":
        coast *= float(rng.uniform(0.55, 1.1))
    total = sum(family.drag)
    a, b, c = scaled_drag(coast, tuple(x / total for x in family.drag), 1.0 - slip)  # type: ignore[arg-type]
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


def _contacts(recipe: Recipe, on: float, off: float) -> tuple[tuple[float, float], ...] | None:
    """When the burrs are brought together in a ``burr_setting`` clip."""
    if recipe.stage != "burr_setting":
        return None
    rng = stream(recipe.seed, "contacts")
    start = on + float(rng.uniform(0.25, 0.75)) * (off - on)
    spans = []
    if chance(rng, 0.35):
        first = start
        length = float(rng.uniform(0.15, 0.6))
        spans.append((first, first + length))
        start = first + length + float(rng.uniform(0.3, 1.0))
    if start < off - 0.3:
        stop = off + 60.0 if chance(rng, 0.5) else min(off, start + log_uniform(rng, 0.3, 2.5))
        spans.append((start, stop))
    return tuple(spans)


#: Drag a fault of severity 1 adds, as a share of the drag at speed (lo, hi).
_ADDED_DRAG = {
    "bearing_noise": (0.0, 0.25),
    "impeller_rub": (0.0, 0.5),
    "pre_breaker_wobble": (0.0, 0.03),
    "burr_contact": (0.05, 0.9),
}


def _added_drag(recipe: Recipe, motor: Motor) -> dict[str, float]:
    rng = stream(recipe.seed, "added drag")
    at_speed = float(motor.drag(0.98))
    drawn = {fault: float(rng.uniform(*span)) for fault, span in _ADDED_DRAG.items()}
    return {f: drawn[f] * s * at_speed for f, s in recipe.faults.items()}


def _with_drag(motor: Motor, extra: float) -> Motor:
    """Add drag, but no more than the motor can start against in reasonable time."""
    usual = run_up_s(motor)
    for _ in range(8):
        slowed = replace(motor, coulomb=motor.coulomb + extra)
        if run_up_s(slowed) < 1.6 * usual:
            return slowed
        extra *= 0.6
    return motor


def _powered_scene(
    recipe: Recipe, motor: Motor
) -> tuple[Motor, Motion, float, tuple[tuple[float, float], ...] | None]:
    """Plan the clip and move the rotor: (motor, motion, duration, contacts)."""
    rng = stream(recipe.seed, "timing")
    room, steady, rest = draw_lengths(rng)
    keep = rng.random()
    cut_share = float(rng.uniform(0.35, 0.9))
    added = _added_drag(recipe, motor)
    setting = recipe.stage == "burr_setting"
    always = sum(x for f, x in added.items() if not (setting and f == "burr_contact"))
    motor = _with_drag(motor, always)
    if setting:
        steady = max(steady, 3.5)
    on = room
    off = on + min(run_up_s(motor), 4.0) + steady
    contacts = _contacts(recipe, on + min(run_up_s(motor), 4.0), off)
    touching = added.get("burr_contact", 0.0) if setting else 0.0
    still = bool(contacts) and contacts is not None and contacts[-1][1] > off
    coasting = replace(motor, coulomb=motor.coulomb + (touching if still else 0.0))
    coast = coast_s(coasting, motor.running_share())
    whole = off + coast + rest
    if whole > LONGEST_S or keep < 0.12:
        whole = min(LONGEST_S, off + max(1.0, cut_share * coast))
    duration = _round_up(max(6.0, whole))
    points = round(duration * CONTROL_HZ) + 1
    load = None
    if touching and contacts:
        load = touching * smooth_gate(points, contacts, 0.15)
    course = Course(duration, on, off, load=load)
    return motor, powered_run(motor, course, coasting), duration, contacts


def _round_up(seconds: float) -> float:
    """Whole hundredths: every phone rate then has a whole number of samples."""
    return math.ceil(seconds * 100.0) / 100.0


def _hand_scene(recipe: Recipe, motor: Motor) -> tuple[Motor, Motion, float, None]:
    rng = stream(recipe.seed, "timing")
    room, _, rest = draw_lengths(rng)
    motor = replace(motor, coulomb=motor.coulomb + sum(_added_drag(recipe, motor).values()) * 0.3)
    at, spins = room + 0.4, []
    for _ in range(int(rng.integers(1, 4))):
        hz = float(rng.uniform(1.5, 6.0))
        spins.append((at, hz))
        at += min(coast_s(motor, hz / motor.sync_hz), 9.0) + float(rng.uniform(0.3, 1.2))
        if at > 18.0:
            break
    duration = _round_up(min(LONGEST_S, max(6.0, at + rest)))
    return motor, hand_spun(motor, Course(duration, None, None, tuple(spins))), duration, None


def _current(motion: Motion, motor: Motor, family: MachineFamily, points: int) -> Floats:
    """Factor on the hum: start current above 1, falling as the speed is reached."""
    out = np.ones(points)
    if motion.on_s is None:
        return out
    start = 10 ** (family.hum_start_db / 20.0)
    share = motion.speed_hz / motor.sync_hz
    slip = np.clip(1.0 - share, 0.0, 1.0)
    run_part = np.sqrt((slip**2 + 0.02**2) / (slip**2 + motor.kink**2 + 0.02**2))
    base = float(np.sqrt(0.02**2 / (motor.kink**2 + 0.02**2)))
    out = 1.0 + (0.5 * start - 1.0) * np.clip((run_part - base) / (1 - base), 0, 1)
    first = int(motion.on_s * CONTROL_HZ)
    last = points if motion.opens_s is None else int(motion.opens_s * CONTROL_HZ)
    closed = np.zeros(points)
    if motion.opens_s is not None:
        closed[first:last] = 1.0
    return np.asarray(out + closed * (start - 1.0) * 0.5)


def make_scene(recipe: Recipe) -> Scene:
    """Draw the run of a recipe and move its rotor."""
    family = machine_family(recipe.machine)
    rng = stream(recipe.seed, "clocks")
    mains_hz = recipe.mains_hz * (1 + rng.uniform(-1e-3, 1e-3)) * (1 + rng.uniform(-5e-5, 5e-5))
    mains_phase = float(rng.random())
    motor = _motor(recipe, family, mains_hz)
    plan = _hand_scene if recipe.stage == "hand_spin" else _powered_scene
    motor, motion, duration, contacts = plan(recipe, motor)
    n = round(duration * FS)
    points = n // BLOCK + 1
    speed = motion.speed_hz
    powered = np.zeros(points)
    if recipe.stage != "hand_spin":
        first = int((motion.on_s or 0.0) * CONTROL_HZ)
        last = points if motion.off_s is None else int(motion.off_s * CONTROL_HZ)
        powered[first:last] = 1.0
    t = np.arange(n) / FS
    mains = mains_hz * t + mains_phase
    return Scene(
        recipe=recipe,
        machine=family,
        motor=motor,
        motion=motion,
        mains_hz=float(mains_hz),
        n=n,
        points=points,
        turns=_audio_turns(motion),
        v=speed / max(motion.running_hz, 1e-6),
        speed_hz=speed,
        powered=powered,
        current=_current(motion, motor, family, points),
        mains=mains,
        contacts=contacts,
    )


def _audio_turns(motion: Motion) -> Floats:
    """Angle at the audio rate: speed straight within each block, so the angle is a parabola."""
    tau = np.arange(BLOCK) / FS
    w = motion.speed_hz
    slope = (w[1:] - w[:-1]) * CONTROL_HZ
    return np.asarray(
        (
            motion.turns[:-1, None] + w[:-1, None] * tau + 0.5 * slope[:, None] * np.square(tau)
        ).reshape(-1)
    )


def audio(scene: Scene, control: Floats) -> np.ndarray:
    """Bring a control curve to the audio rate."""
    return ramp(control[: scene.points])
