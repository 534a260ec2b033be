"""The rotor's motion: one equation of motion, powered and coasting.

Conventions
-----------
Speed is in turns per second (Hz), acceleration in Hz/s, angle in turns. With
u = speed / synchronous speed the drag is a + b u + c u^2 (Coulomb, viscous,
windage), as rates of change of u in 1/s.

Run torque is that of a single-phase machine as two opposing revolving fields,
K [k(s) - beta k(2 - s)] with k the Kloss curve 2 / (s/sk + sk/s); the start
winding adds a torque while its switch is closed. [Textbook, from memory.]
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from quietrun.synth.kit import CONTROL_HZ, Floats

AT_SPEED_SHARE = 0.97  # "at speed" is when this share of the running speed is reached
AT_REST_HZ = 0.0


@dataclass(frozen=True, slots=True)
class Motor:
    """What moves and what brakes.

    Attributes
    ----------
    sync_hz : synchronous speed, turns/s
    pull : K, Hz/s over sync_hz: strength of the run torque, 1/s
    kink : slip sk of the largest torque
    backward : beta, share of the backward field (a run capacitor lowers it)
    start : torque of the start winding, 1/s
    opens, closes : start switch, share of synchronous speed
    coulomb, viscous, windage : a, b, c in 1/s
    """

    sync_hz: float
    pull: float
    kink: float
    backward: float
    start: float
    opens: float
    closes: float
    coulomb: float
    viscous: float
    windage: float

    def drag(self, u: Floats | float) -> Floats:
        """Deceleration du/dt by drag, 1/s."""
        return np.asarray(self.coulomb + self.viscous * u + self.windage * np.square(u))

    def run_torque(self, u: Floats | float) -> Floats:
        """Acceleration by the run winding, 1/s."""
        s = np.maximum(1.0 - np.asarray(u, dtype=np.float64), 1e-9)
        forward = 2.0 / (s / self.kink + self.kink / s)
        back = 2.0 / ((2.0 - s) / self.kink + self.kink / (2.0 - s))
        return np.asarray(self.pull * (forward - self.backward * back))

    def running_share(self) -> float:
        """Speed share at which run torque and drag are equal; 0 if it cannot run."""
        u = 1.0 - np.geomspace(0.5, 1e-5, 1200)
        net = self.run_torque(u) - self.drag(u)
        good = np.flatnonzero((net[:-1] > 0) & (net[1:] <= 0))
        if good.size == 0:
            return 0.0
        i = int(good[-1])
        part = net[i] / (net[i] - net[i + 1])
        return float(u[i] + part * (u[i + 1] - u[i]))


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """Speed and angle on the control grid, and what happened when (s; None: did not happen)."""

    speed_hz: Floats
    turns: Floats
    running_hz: float
    on_s: float | None
    at_speed_s: float | None
    off_s: float | None
    rest_s: float | None
    opens_s: float | None
    closes_s: float | None
    opens_share: float | None
    closes_share: float | None


def time_to_fall(motor: Motor, shares: Floats) -> Floats:
    """Time of the coast-down from ``shares[0]`` to each share (falling), s.

    t(u) = integral from u to u0 of du / (a + b u + c u^2), by Gauss-Legendre
    on each step.
    """
    nodes, weights = np.polynomial.legendre.leggauss(4)
    high, low = shares[:-1, None], shares[1:, None]
    half = 0.5 * (high - low)
    points = 0.5 * (high + low) + half * nodes
    steps = (half * weights / motor.drag(points)).sum(axis=1)
    return np.concatenate([[0.0], np.cumsum(steps)])


def coast_s(motor: Motor, from_share: float) -> float:
    """Time from a speed share to rest, s."""
    return float(time_to_fall(motor, np.linspace(from_share, 0.0, 200))[-1])


def run_up_s(motor: Motor, top: float | None = None, from_share: float = 0.0) -> float:
    """Time from a speed share to ``AT_SPEED_SHARE`` of the running speed, s; inf if it hangs."""
    top = motor.running_share() if top is None else top
    if top == 0.0:
        return float("inf")
    u = np.linspace(from_share, max(AT_SPEED_SHARE * top, from_share), 400)
    middle = 0.5 * (u[1:] + u[:-1])
    push = motor.run_torque(middle) - motor.drag(middle)
    push = push + np.where(middle < motor.opens, motor.start, 0.0)
    if np.any(push <= 0):
        return float("inf")
    return float(np.sum(np.diff(u) / push))


def scaled_drag(
    seconds: float, shares: tuple[float, float, float], from_share: float
) -> tuple[float, float, float]:
    """Coulomb, viscous and windage rates that give a coast-down of ``seconds``.

    Parameters
    ----------
    shares : of the drag at the speed it falls from; they add up to 1.
    """
    u0 = from_share
    unit = (shares[0], shares[1] / u0, shares[2] / u0**2)
    motor = Motor(1.0, 0.0, 0.1, 0.0, 0.0, 0.7, 0.5, *unit)
    scale = coast_s(motor, u0) / seconds
    return unit[0] * scale, unit[1] * scale, unit[2] * scale


def solve_start(motor: Motor, seconds: float) -> Motor:
    """Find the start torque that gives a run-up of ``seconds`` (or the nearest possible)."""
    lo, hi = 0.0, 60.0
    top = motor.running_share()
    for _ in range(36):
        mid = 0.5 * (lo + hi)
        if run_up_s(replace(motor, start=mid), top) > seconds:
            lo = mid
        else:
            hi = mid
    return replace(motor, start=hi)


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """What is done to the machine.

    Attributes
    ----------
    duration_s : of the whole clip
    on_s, off_s : power; None for a clip without
    spins : (time, turns/s) of pushes by hand
    load : extra drag on the control grid, 1/s, or None
    weak : factor on the run torque on the control grid, or None
    start_winding : "works", "stuck_closed" or "stuck_open"
    before_on : already running when the clip begins
    """

    duration_s: float
    on_s: float | None
    off_s: float | None
    spins: tuple[tuple[float, float], ...] = ()
    load: Floats | None = None
    weak: Floats | None = None
    start_winding: str = "works"
    already_running: bool = False


def _powered(motor: Motor, course: Course, points: int) -> tuple[Floats, int | None, bool]:
    """Integrate the powered part by Heun's rule; speeds (share), opening index, switch open."""
    dt = 1.0 / CONTROL_HZ
    load = np.zeros(points) if course.load is None else course.load
    weak = np.ones(points) if course.weak is None else course.weak
    grid = np.linspace(0.0, 1.0, 4001)
    net = (motor.run_torque(grid)).tolist()
    drag = motor.drag(grid).tolist()
    start = 0.0 if course.start_winding == "stuck_open" else motor.start

    def push(u: float, extra: float, factor: float, closed: bool) -> float:
        x = min(max(u, 0.0), 1.0) * 4000.0
        i = min(int(x), 3999)
        f = x - i
        torque = (net[i] + f * (net[i + 1] - net[i])) * factor + (start if closed else 0.0)
        braking = drag[i] + f * (drag[i + 1] - drag[i]) + extra
        return torque - braking if (u > 0.0 or torque > braking) else 0.0

    u = motor.running_share() if course.already_running else 0.0
    closed, opened = not course.already_running, None
    speeds = [u]
    extra_list, weak_list = load.tolist(), weak.tolist()
    can_open = course.start_winding != "stuck_closed"
    for i in range(points - 1):
        k1 = push(u, extra_list[i], weak_list[i], closed)
        k2 = push(u + dt * k1, extra_list[i + 1], weak_list[i + 1], closed)
        u = max(0.0, u + 0.5 * dt * (k1 + k2))
        speeds.append(u)
        if closed and can_open and u >= motor.opens:
            closed, opened = False, i + 1
        elif not closed and u <= motor.closes:
            closed = True
    return np.asarray(speeds), opened, not closed


def _falling(motor: Motor, from_share: float, points: int) -> tuple[Floats, float]:
    """Coast-down on the control grid and the time to rest, s."""
    shares = from_share * (1.0 - np.linspace(0.0, 1.0, 1500))
    times = time_to_fall(motor, shares)
    t = np.arange(points) / CONTROL_HZ
    return np.interp(t, times, shares), float(times[-1])


def hand_spun(motor: Motor, course: Course) -> Motion:
    """Spin by hand: pushed to a speed over a short time, then running free."""
    points = round(course.duration_s * CONTROL_HZ) + 1
    share = np.zeros(points)
    rest_s = None
    for at, hz in course.spins:
        i = int(at * CONTROL_HZ)
        length = int(0.25 * CONTROL_HZ)
        first = max(0, i - length)
        rise = 0.5 - 0.5 * np.cos(np.pi * np.arange(i - first) / max(1, i - first))
        share[first:i] = np.maximum(share[first:i], rise * hz / motor.sync_hz)
        fall, took = _falling(motor, hz / motor.sync_hz, points - i)
        share[i:] = fall
        rest_s = at + took
    speed = share * motor.sync_hz
    if rest_s is not None and rest_s > course.duration_s:
        rest_s = None
    return Motion(
        speed_hz=speed,
        turns=angle(speed),
        running_hz=max(hz for _, hz in course.spins),
        on_s=None,
        at_speed_s=None,
        off_s=None,
        rest_s=rest_s,
        opens_s=None,
        closes_s=None,
        opens_share=None,
        closes_share=None,
    )


def angle(speed_hz: Floats) -> Floats:
    """Turns: the integral of a speed that is straight between control points."""
    steps = 0.5 * (speed_hz[1:] + speed_hz[:-1]) / CONTROL_HZ
    return np.concatenate([[0.0], np.cumsum(steps)])


def powered_run(motor: Motor, course: Course, coasting: Motor | None = None) -> Motion:
    """Room, run-up, steady run, coast-down and rest on the control grid.

    ``coasting`` is the motor after switch-off, where its drag differs.
    """
    coasting = motor if coasting is None else coasting
    points = round(course.duration_s * CONTROL_HZ) + 1
    share = np.zeros(points)
    on = round((course.on_s or 0.0) * CONTROL_HZ)
    off = points - 1 if course.off_s is None else round(course.off_s * CONTROL_HZ)
    cut = Course(
        course.duration_s,
        course.on_s,
        course.off_s,
        load=None if course.load is None else course.load[on:],
        weak=None if course.weak is None else course.weak[on:],
        start_winding=course.start_winding,
        already_running=course.already_running,
    )
    speeds, opened, is_open = _powered(motor, cut, off - on + 1)
    share[on : off + 1] = speeds
    top = motor.running_share()
    fast = np.flatnonzero(speeds >= AT_SPEED_SHARE * top) if top > 0 else np.zeros(0, dtype=int)
    rest_s = closes_s = None
    if course.off_s is not None:
        fall, took = _falling(coasting, float(speeds[-1]), points - off)
        share[off:] = fall
        if off / CONTROL_HZ + took <= course.duration_s:
            rest_s = off / CONTROL_HZ + took
        if is_open:
            under = np.flatnonzero(share[off:] <= motor.closes)
            closes_s = (off + int(under[0])) / CONTROL_HZ if under.size else None
    opens_s = None if opened is None else (on + opened) / CONTROL_HZ
    started = not course.already_running
    steady = speeds[int(fast[0]) :] if fast.size else speeds[-1:]
    return Motion(
        speed_hz=share * motor.sync_hz,
        turns=angle(share * motor.sync_hz),
        running_hz=motor.sync_hz * (top if course.load is None else float(np.median(steady))),
        on_s=on / CONTROL_HZ if started else None,
        at_speed_s=(on + int(fast[0])) / CONTROL_HZ if fast.size and started else None,
        off_s=None if course.off_s is None else off / CONTROL_HZ,
        rest_s=rest_s,
        opens_s=opens_s,
        closes_s=closes_s,
        opens_share=None if opened is None else float(speeds[opened]),
        closes_share=None if closes_s is None else motor.closes,
    )
