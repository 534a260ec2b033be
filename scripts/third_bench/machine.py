"""One grinder: what is fixed when it leaves the works, and how its rotor turns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from third_bench.base import F32, F64, Rng, slow, spread, uniform
from third_bench.kernels import TURN, spin

STEP_S = 0.001
SOURCES = ("hum", "slots", "air", "blades", "bearing", "shell", "seal", "siren", "whistle")


@dataclass(frozen=True, slots=True)
class Bearing:
    """A ball bearing by its ratios."""

    balls: int
    ratio: float  # ball diameter x cos(contact angle) / pitch diameter

    @property
    def cage(self) -> float:
        """Turns of the cage a turn of the shaft, outer ring still."""
        return 0.5 * (1.0 - self.ratio)

    def orders(self) -> dict[str, float]:
        """Defect orders, inner ring turning (textbook kinematics)."""
        return {
            "outer": round(self.balls * 0.5 * (1.0 - self.ratio), 4),
            "inner": round(self.balls * 0.5 * (1.0 + self.ratio), 4),
            "cage": round(self.cage, 4),
            "ball": round((1.0 / self.ratio - self.ratio), 4),
        }


@dataclass(frozen=True, slots=True)
class Machine:
    """A grinder. Levels in dB against each other, speeds as shares of synchronous."""

    name: str
    seed: tuple[int, ...]
    mains_hz: int
    poles: int
    peak_slip: float
    slip: float
    backward: float
    start_share: float
    run_up_s: float
    coast_s: float
    drag_split: tuple[float, float, float]
    opens: float
    closes: float
    click_db: tuple[float, float]
    rotor_bars: int
    blades: int
    blade_angle: tuple[float, ...]
    front: Bearing
    rear: Bearing
    teeth: int
    level_db: dict[str, float]
    air_power: float
    hum_slope: float
    growl: float

    def rng(self, *key: int) -> Rng:
        """Random numbers that belong to this machine, the same in each of its clips."""
        return np.random.default_rng([*self.seed, *key])

    @property
    def sync_rad_s(self) -> float:
        """Synchronous speed."""
        return TURN * 2.0 * self.mains_hz / self.poles


def draw_bearing(rng: Rng) -> Bearing:
    """A deep-groove ball bearing of the sizes such motors carry."""
    return Bearing(int(rng.integers(7, 11)), uniform(rng, 0.19, 0.29))


def draw_machine(seed: tuple[int, ...], name: str) -> Machine:
    """A machine from its seed alone."""
    rng = np.random.default_rng([*seed, 0])
    blades = int(rng.integers(5, 14))
    uneven = 0.0 if rng.random() < 0.5 else uniform(rng, 0.02, 0.3) * TURN / blades
    angle = np.arange(blades) * TURN / blades + rng.uniform(-1, 1, blades) * uneven
    split = rng.dirichlet((1.0, 0.9, 1.6)) * 0.94 + 0.02
    character = rng.integers(0, 5)
    level = {name: float(np.clip(rng.normal(0.0, 5.5), -11.0, 10.0)) for name in SOURCES}
    level["whistle"] = uniform(rng, -14, 0) if rng.random() < 0.3 else -60.0
    level["siren"] -= 9.0
    level["seal"] -= 5.0
    level["slots"] -= 4.0
    level["blades"] -= 6.0
    level["bearing"] -= 5.0
    if character == 0:
        level["hum"] += 6.0
        level["shell"] += 6.0
    elif character == 1:
        level["air"] += 8.0
    elif character == 2:
        level["bearing"] += 6.0
        level["slots"] += 4.0
    opens = uniform(rng, 0.60, 0.84)
    peak_slip = uniform(rng, 0.06, 0.19)
    return Machine(
        name=name,
        seed=seed,
        mains_hz=int(rng.choice((50, 60))),
        poles=int(rng.choice((2, 4), p=(0.4, 0.6))),
        peak_slip=peak_slip,
        slip=0.5 * peak_slip**2 + spread(rng, 0.003, 0.03),
        backward=uniform(rng, 0.85, 1.0),
        start_share=uniform(rng, 0.35, 1.2),
        run_up_s=spread(rng, 0.22, 1.9),
        coast_s=spread(rng, 0.8, 8.0),
        drag_split=(float(split[0]), float(split[1]), float(split[2])),
        opens=opens,
        closes=opens * uniform(rng, 0.42, 0.86),
        click_db=(uniform(rng, -14.0, 22.0), uniform(rng, -14.0, 24.0)),
        rotor_bars=int(rng.choice((17, 18, 22, 26, 28, 30, 34, 38, 44))),
        blades=blades,
        blade_angle=tuple(float(a) for a in angle),
        front=draw_bearing(rng),
        rear=draw_bearing(rng),
        teeth=int(rng.integers(18, 64)),
        level_db=level,
        air_power=uniform(rng, 2.2, 3.1),
        hum_slope=uniform(rng, 2.5, 10.0),
        growl=float(rng.random() ** 2),
    )


@dataclass(frozen=True, slots=True)
class Wishes:
    """What a clip asks of the motion."""

    lead_s: float
    steady_s: float
    tail_s: float
    coast_factor: float = 1.0
    stuck: float = 0.0  # 1 switch never opens, -1 never closes (start winding dead)
    no_start: bool = False
    sag: float = 0.0
    load: float = 0.0
    hand_turns_s: float | None = None
    least_s: float = 0.0  # the recorder runs on until the clip is this long


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """The movement of the rotor, at the sample rate, and its events in seconds."""

    rate_hz: float
    theta: F64
    speed: F32  # share of running speed
    current: F32  # 1 in the steady run, more while starting, 0 without power
    powered: F32
    full_rad_s: float
    mains_exact_hz: float
    on_s: float | None
    at_speed_s: float | None
    off_s: float | None
    rest_s: float | None
    open_s: float | None
    close_s: float | None
    open_share: float | None
    close_share: float | None
    start_closed: F32
    acceleration: F32

    @property
    def n(self) -> int:
        """Samples."""
        return int(self.theta.size)

    def span(self, phase: str) -> slice:
        """Samples of a phase: run_up, steady, coast, run (steady and coast), all."""
        on = self.on_s or 0.0
        off = self.off_s if self.off_s is not None else on
        rest = self.rest_s if self.rest_s is not None else off + 0.3
        up = self.at_speed_s if self.at_speed_s is not None else off
        ends = {
            "run_up": (on, up),
            "steady": (up, off),
            "coast": (off, rest),
            "run": (up, rest),
            "low": (off + 0.75 * (rest - off), rest),
            "cut": (off - 0.3, min(rest, off + 0.8)),
            "all": (on, rest),
        }
        start, end = ends[phase]
        if end - start < 0.05:
            start, end = on, rest
        first = max(0, int(start * self.rate_hz))
        last = min(self.n, max(int(end * self.rate_hz), first + int(0.1 * self.rate_hz)))
        return slice(first, last)


def _drag(machine: Machine, coast_s: float, run_rad_s: float) -> tuple[float, float, float]:
    """Drag so that the coast-down from running speed takes ``coast_s``."""
    a, b, c = machine.drag_split
    x = np.linspace(0.0, 1.0, 400)
    area = float(np.mean(1.0 / (a + b * x + c * x * x)))
    scale = run_rad_s * area / coast_s
    return (scale * a, scale * b / run_rad_s, scale * c / run_rad_s**2)


def _torque(machine: Machine, wish: Wishes, drag: tuple[float, ...], run_up_s: float) -> F64:
    """Torque row: peak from the wanted slip, weakness of the supply from the run-up time."""
    sync, sb, slip = machine.sync_rad_s, machine.peak_slip, machine.slip
    w = sync * (1.0 - slip)
    pull = drag[0] + drag[1] * w + drag[2] * w * w
    forward = 2.0 / (slip / sb + sb / slip)
    back = 2.0 / ((2.0 - slip) / sb + sb / (2.0 - slip))
    row = np.array(
        [
            pull / (forward - machine.backward * back),
            sb,
            machine.backward,
            machine.start_share,
            sync,
            machine.opens,
            machine.closes,
            0.0,
            0.0,
        ]
    )
    # the start winding is whole while the torque is found: faults act afterwards
    while _reach_s(row, drag) > max(1.15 * run_up_s, 0.25):
        row[0] *= 1.25
    low, high = 0.0, 30.0
    for _ in range(18):
        row[8] = 0.5 * (low + high)
        low, high = (row[8], high) if _reach_s(row, drag) < run_up_s else (low, row[8])
    row[7], row[8] = wish.stuck, 0.93 * low
    return row


def _bearable(
    row: F64, whole: tuple[float, ...], drag: tuple[float, ...], run_up_s: float
) -> tuple[tuple[float, ...], float]:
    """The heavier drag, eased until the motor still comes to speed; with its run-up time."""
    sound = np.r_[row[:7], 0.0, row[8]]
    for ease in np.linspace(1.0, 0.0, 12):
        tried = tuple(ease * d + (1.0 - ease) * w for d, w in zip(drag, whole, strict=True))
        reach_s = _reach_s(sound, tried)
        if reach_s < min(3.4, 2.5 * run_up_s + 0.5):
            return tried, reach_s
    return whole, run_up_s


def _reach_s(row: F64, drag: tuple[float, ...]) -> float:
    """Seconds to the end of the run-up of a whole motor."""
    steps = 3600
    flat = np.ones(steps)
    omega, _, _ = spin(steps, STEP_S, 0, steps, row, np.array(drag), flat, flat, 0.0)
    reached = np.flatnonzero(omega > 0.92 * row[4])
    return float(reached[0] * STEP_S) if reached.size else 99.0


def move(rng: Rng, machine: Machine, wish: Wishes, rate_hz: float) -> Motion:
    """Integrate one run."""
    coast_s = float(np.clip(machine.coast_s * wish.coast_factor, 0.45, 9.5))
    if wish.hand_turns_s is not None:
        return _hand_spin(rng, machine, wish, rate_hz, coast_s)
    run_up_s = float(np.clip(machine.run_up_s * uniform(rng, 0.93, 1.07), 0.2, 2.5))
    whole = _drag(machine, float(np.clip(machine.coast_s, 0.6, 8.0)), 0.975 * machine.sync_rad_s)
    drag = _drag(machine, coast_s, 0.975 * machine.sync_rad_s)
    row = _torque(machine, wish, whole, run_up_s)
    if coast_s < 0.9 * machine.coast_s:
        drag, run_up_s = _bearable(row, whole, drag, run_up_s)
    on = int(wish.lead_s / STEP_S)
    up_s = run_up_s
    if wish.no_start:
        row[3], row[7], row[2] = 0.0, -1.0, 1.0
        up_s = 0.0
    elif wish.stuck < 0:
        # dead start winding: it hums, or creeps up where the field is a little lopsided
        row[2] = 0.98
        if rng.random() < 0.5:
            start = row[0] * 2.0 / (1.0 / row[1] + row[1]) / (1.0 + row[8]) ** 2
            row[2] = float(np.clip(1.0 - uniform(rng, 1.3, 3.0) * drag[0] / start, 0.1, 0.97))
        up_s = min(_reach_s(row, drag), 3.0)
    off = on + int((up_s + wish.steady_s) / STEP_S)
    steps = off + int((coast_s * 1.25 + 1.2 + wish.tail_s + wish.least_s) / STEP_S)
    load = 1.0 + 0.04 * slow(rng, steps, 1 / STEP_S, 0.7)
    sag = np.ones(steps)
    if wish.sag > 0.0:
        begin = on + int((up_s + 0.15 * wish.steady_s) / STEP_S)
        fall = np.clip((np.arange(steps) - begin) / (0.6 * wish.steady_s / STEP_S), 0.0, 1.0)
        weakest = (drag[0] + drag[1] * row[4] + drag[2] * row[4] ** 2) / row[0]
        sag = 1.0 - fall * (1.0 - min(0.9, weakest * (1.5 - 0.9 * wish.sag)))
    if wish.load > 0.0:
        grind = np.zeros(steps)
        grind[on + int(up_s / STEP_S) : off] = 1.0
        room = 0.6 * row[0] / (drag[0] + drag[1] * row[4] + drag[2] * row[4] ** 2)
        rough = np.clip(1.0 + 0.35 * slow(rng, steps, 1 / STEP_S, 0.05), 0.1, 2.0)
        load = load + grind * rough * wish.load * room
    drift = rng.normal(0.0, 0.0003)
    mains = machine.mains_hz * (1.0 + drift)
    row[4] *= 1.0 + drift
    extra = load - 1.0
    first = on + int(up_s / STEP_S) + 400
    must_start = not wish.no_start and wish.stuck >= 0.0
    for _ in range(40):
        omega, current, closed = spin(
            steps, STEP_S, on, off, row, np.array(drag), 1.0 + extra, sag, 0.0
        )
        if must_start and omega[min(first, off - 400)] < 0.9 * row[4] * (1.0 - row[1]):
            # no motor is sold that stalls on its own bearings: a stiffer supply
            row[8] *= 0.8
            row[0] *= 1.03
        elif wish.load > 0.0 and omega[first:off].min() < 0.82 * row[4]:
            extra = 0.7 * extra
        else:
            break
    late = np.flatnonzero((omega <= 1e-9) & (np.arange(steps) > off))
    rest = int(late[0]) if late.size else steps - 1
    end = max(rest, off) + int(wish.tail_s / STEP_S)
    steps = min(steps, max(end, int(wish.least_s / STEP_S)))
    return _motion(
        rng, machine, wish, rate_hz, omega[:steps], current[:steps], closed[:steps], on, off, mains
    )


def _hand_spin(rng: Rng, machine: Machine, wish: Wishes, rate_hz: float, coast_s: float) -> Motion:
    turns = float(wish.hand_turns_s or 3.0)
    begin = int(wish.lead_s / STEP_S)
    push = int(uniform(rng, 0.15, 0.5) / STEP_S)
    drag = _drag(machine, coast_s, turns * TURN)
    steps = begin + push + int((coast_s * 1.3 + wish.tail_s + wish.least_s + 0.5) / STEP_S)
    ones = np.ones(steps)
    row = np.array([1.0, 0.2, 1.0, 0.5, machine.sync_rad_s, 0.7, 0.5, 0.0, 0.0])
    run, _, _ = spin(steps, STEP_S, 0, 0, row, np.array(drag), ones, ones, turns)
    omega = np.zeros(steps)
    omega[begin : begin + push] = run[0] * 0.5 * (1.0 - np.cos(np.pi * np.arange(push) / push))
    omega[begin + push :] = run[: steps - begin - push]
    rest = int(np.flatnonzero(omega[begin + push :] <= 1e-9)[0]) + begin + push
    end = rest + int(wish.tail_s / STEP_S)
    steps = min(steps, max(end, int(wish.least_s / STEP_S)))
    still = np.zeros(steps)
    return _motion(
        rng, machine, wish, rate_hz, omega[:steps], still, still, begin, begin + push, 0.0
    )


def _motion(
    rng: Rng,
    machine: Machine,
    wish: Wishes,
    rate_hz: float,
    omega: F64,
    current: F64,
    closed: F64,
    on: int,
    off: int,
    mains: float,
) -> Motion:
    hand = wish.hand_turns_s is not None
    n = int(omega.size * STEP_S * rate_hz)
    t = np.arange(n) / rate_hz
    grid = np.arange(omega.size) * STEP_S
    fine = np.interp(t, grid, omega)
    theta = np.cumsum(fine) / rate_hz + rng.uniform(0, TURN)
    steady = omega[max(on, off - 1200) : off]
    full = float(np.median(steady)) if steady.size else 0.0
    if hand:
        full = float(omega.max())
    started = full > 0.3 * machine.sync_rad_s or hand
    top = full if started else machine.sync_rad_s * 0.98
    unit = float(np.median(current[off - 300 : off])) if off > 300 else 1.0
    if not started or wish.stuck == 1.0 or unit <= 0.0 or wish.sag > 0 or wish.load > 0:
        # idle current of a healthy run at 2.5 % slip
        unit = float(np.sqrt(0.025**2 / (0.025**2 + 2.0 * machine.peak_slip**2)))
    magnetising = 0.75
    load_part = np.interp(t, grid, current) / unit
    powered = ((t >= on * STEP_S) & (t < off * STEP_S)).astype(np.float32)
    if hand:
        powered[:] = 0.0
    amps = powered * (magnetising + 0.25 * np.minimum(load_part, 14.0))
    rest_at = np.flatnonzero(omega[off:] <= 1e-9)
    rest_s = (off + rest_at[0]) * STEP_S if rest_at.size and started else None
    change = np.diff(closed)
    opened = np.flatnonzero(change < -0.5)
    shut = np.flatnonzero(change > 0.5)
    open_i = int(opened[0]) if opened.size and not hand else None
    close_i = int(shut[0]) if shut.size and not hand else None
    final = 0.97 * full
    reached = np.flatnonzero(omega[on:off] >= final)
    rate_change = np.gradient(omega, STEP_S) if omega.size > 2 else omega
    return Motion(
        rate_hz=rate_hz,
        theta=theta,
        speed=(fine / top).astype(np.float32),
        current=amps.astype(np.float32),
        powered=powered,
        full_rad_s=top,
        mains_exact_hz=mains,
        on_s=on * STEP_S,
        at_speed_s=(on + int(reached[0])) * STEP_S if reached.size and started else None,
        off_s=off * STEP_S,
        rest_s=rest_s,
        open_s=None if open_i is None else open_i * STEP_S,
        close_s=None if close_i is None else close_i * STEP_S,
        open_share=None if open_i is None else float(omega[open_i] / machine.sync_rad_s),
        close_share=None if close_i is None else float(omega[close_i] / machine.sync_rad_s),
        start_closed=(np.interp(t, grid, closed)).astype(np.float32),
        acceleration=np.interp(t, grid, rate_change).astype(np.float32),
    )
