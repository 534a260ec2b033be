"""The rotor's motion: one equation of motion, powered and coasting.

Conventions
-----------
Speed is in turns per second (Hz), angle in turns. ``u`` is speed over
synchronous speed; its drag is a + b u + c u^2 (Coulomb, viscous, windage) and
all torques are given as the rate of change of u they cause, in 1/s.

Run torque is that of a single-phase machine as two opposing revolving fields,
K [k(s) - beta k(2 - s)] with k the Kloss curve 2 / (s/sk + sk/s) over the slip
s. The start winding adds a torque while its switch is closed, full up to three
quarters of synchronous speed and falling to nothing at it. [Textbook forms, from
memory; the fall of the start torque is our simplification.]
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from quietrun.synth.kit import CONTROL_HZ, Floats

AT_SPEED_SHARE = 0.97  # "at speed" is when this share of the running speed is reached
_SLOWEST = 1e-5


@dataclass(frozen=True, slots=True)
class Motor:
    """What moves and what brakes.

    Attributes
    ----------
    sync_hz : synchronous speed, turns/s
    pull : K, strength of the run torque, 1/s
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

    def start_torque(self, u: Floats | float) -> Floats:
        """Acceleration by the start winding while its switch is closed, 1/s."""
        return np.asarray(self.start * np.clip(4.0 * (1.0 - np.asarray(u)), 0.0, 1.0))

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
class Course:
    """What is done to the machine.

    Attributes
    ----------
    duration_s : length
    on_s, off_s : power
    load : extra drag, shape (points,), 1/s, or None
    weak : factor on the run torque, shape (points,), or None
    start_winding : "works", "stuck_closed" or "stuck_open"
    initial_share : speed share at the beginning
    """

    duration_s: float
    on_s: float
    off_s: float
    load: Floats | None = None
    weak: Floats | None = None
    start_winding: str = "works"
    initial_share: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """Speed and angle on the control grid, and what happened when (s; None: did not happen).

    Attributes
    ----------
    winding : shape (points,), 1 while current flows in the start winding
    powered : shape (points,), 1 while the mains is on
    clicks : times of the start switch, either way
    others : (on, off) of later runs
    """

    speed_hz: Floats
    turns: Floats
    winding: Floats
    powered: Floats
    running_hz: float
    on_s: float | None = None
    at_speed_s: float | None = None
    off_s: float | None = None
    rest_s: float | None = None
    opens_s: float | None = None
    closes_s: float | None = None
    opens_share: float | None = None
    closes_share: float | None = None
    clicks: tuple[float, ...] = ()
    others: tuple[tuple[float, float], ...] = field(default=())

    @property
    def hands(self) -> tuple[float, ...]:
        """Times at which someone presses the mains switch."""
        own = () if self.on_s is None or self.off_s is None else (self.on_s, self.off_s)
        return own + tuple(t for pair in self.others for t in pair)


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
    if from_share <= 0.0:
        return 0.0
    return float(time_to_fall(motor, np.linspace(from_share, 0.0, 200))[-1])


def run_up_s(motor: Motor, top: float | None = None, from_share: float = 0.0) -> float:
    """Time from a speed share to ``AT_SPEED_SHARE`` of the running speed, s; inf if it hangs."""
    top = motor.running_share() if top is None else top
    if top == 0.0:
        return float("inf")
    u = np.linspace(from_share, max(AT_SPEED_SHARE * top, from_share), 400)
    middle = 0.5 * (u[1:] + u[:-1])
    push = motor.run_torque(middle) - motor.drag(middle)
    push = push + np.where(middle < motor.opens, motor.start_torque(middle), 0.0)
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
    for _ in range(30):
        mid = 0.5 * (lo + hi)
        if run_up_s(replace(motor, start=mid), top) > seconds:
            lo = mid
        else:
            hi = mid
    return replace(motor, start=hi)


def angle(speed_hz: Floats) -> Floats:
    """Turns: the integral of a speed that is straight between control points."""
    steps = 0.5 * (speed_hz[1:] + speed_hz[:-1]) / CONTROL_HZ
    return np.concatenate([[0.0], np.cumsum(steps)])


def _curve(values: Floats | None, otherwise: float, points: int) -> list[float]:
    given = np.full(points, otherwise) if values is None else values
    return [float(x) for x in given]


def _powered(
    motor: Motor, course: Course, first: int, count: int
) -> tuple[Floats, Floats, list[int]]:
    """Integrate the powered part by Heun's rule: shares, winding, indices of switch events."""
    dt = 1.0 / CONTROL_HZ
    stop = first + count
    load = _curve(None if course.load is None else course.load[first:stop], 0.0, count)
    weak = _curve(None if course.weak is None else course.weak[first:stop], 1.0, count)
    grid = np.linspace(0.0, 1.0, 4001)
    run, help_, drag = (
        motor.run_torque(grid).tolist(),
        motor.start_torque(grid).tolist(),
        motor.drag(grid).tolist(),
    )

    def push(u: float, i: int, closed: bool) -> float:
        k = min(int(u * 4000.0), 4000)
        torque = run[k] * weak[i] + (help_[k] if closed else 0.0)
        braking = drag[k] + load[i]
        return torque - braking if u > 0.0 or torque > braking else 0.0

    u = course.initial_share
    works = course.start_winding == "works"
    settles = course.load is None and course.weak is None
    closed = course.start_winding == "stuck_closed" or (works and u < motor.closes)
    shares, winding, events = [u], [float(closed)], []
    for i in range(count - 1):
        k1 = push(u, i, closed)
        if settles and -1e-8 < k1 < 1e-8 and u > 0.0 and i > 100:
            shares += [u] * (count - 1 - i)
            winding += [float(closed)] * (count - 1 - i)
            break
        k2 = push(max(u + dt * k1, 0.0), i + 1, closed)
        u = max(0.0, u + 0.5 * dt * (k1 + k2))
        shares.append(u)
        if works and (u >= motor.opens if closed else u <= motor.closes):
            closed = not closed
            events.append(i + 1)
        winding.append(float(closed))
    return np.asarray(shares), np.asarray(winding), events


def _falling(motor: Motor, from_share: float, points: int) -> tuple[Floats, float]:
    """Coast-down on the control grid and the time to rest, s."""
    if from_share <= _SLOWEST:
        return np.zeros(points), 0.0
    shares = from_share * (1.0 - np.linspace(0.0, 1.0, 1500))
    times = time_to_fall(motor, shares)
    t = np.arange(points) / CONTROL_HZ
    return np.interp(t, times, shares), float(times[-1])


def powered_run(motor: Motor, course: Course, coasting: Motor | None = None) -> Motion:
    """Room, run-up, steady run, coast-down and rest on the control grid.

    ``coasting`` is the motor after switch-off, where its drag differs.
    """
    coasting = motor if coasting is None else coasting
    points = round(course.duration_s * CONTROL_HZ) + 1
    on, off = round(course.on_s * CONTROL_HZ), round(course.off_s * CONTROL_HZ)
    share, winding, powered = np.zeros(points), np.zeros(points), np.zeros(points)
    before, _ = _falling(coasting, course.initial_share, on + 1)
    share[: on + 1] = before
    start = replace(course, initial_share=float(before[-1]))
    speeds, closed, events = _powered(motor, start, on, off - on + 1)
    share[on : off + 1] = speeds
    winding[on:off] = closed[:-1]
    powered[on:off] = 1.0
    fall, took = _falling(coasting, float(speeds[-1]), points - off)
    share[off:] = fall
    top = motor.running_share()
    fast = np.flatnonzero(speeds >= AT_SPEED_SHARE * top) if top > 0 else np.zeros(0, dtype=int)
    steady = speeds[int(fast[0]) :] if fast.size else speeds[-1:]
    clicks = [(on + i) / CONTROL_HZ for i in events]
    open_at = int(events[0]) if events else None
    closes_s = None
    if course.start_winding == "works" and closed[-1] < 0.5:
        under = np.flatnonzero(fall <= motor.closes)
        if under.size and speeds[-1] > motor.closes:
            closes_s = (off + int(under[0])) / CONTROL_HZ
            clicks.append(closes_s)
    rest_s = off / CONTROL_HZ + took
    speed_hz = share * motor.sync_hz
    return Motion(
        speed_hz=speed_hz,
        turns=angle(speed_hz),
        winding=winding,
        powered=powered,
        running_hz=motor.sync_hz * float(np.median(steady)),
        on_s=on / CONTROL_HZ,
        at_speed_s=(on + int(fast[0])) / CONTROL_HZ if fast.size else None,
        off_s=off / CONTROL_HZ,
        rest_s=rest_s if rest_s <= course.duration_s else None,
        opens_s=None if open_at is None else (on + open_at) / CONTROL_HZ,
        closes_s=closes_s,
        opens_share=None if open_at is None else float(speeds[open_at]),
        closes_share=None if closes_s is None else motor.closes,
        clicks=tuple(clicks),
    )


def hand_spun(motor: Motor, duration_s: float, spins: tuple[tuple[float, float], ...]) -> Motion:
    """Spin by hand: (time, turns/s) of pushes, running free after each."""
    points = round(duration_s * CONTROL_HZ) + 1
    share = np.zeros(points)
    rest_s = 0.0
    for at, hz in spins:
        i = int(at * CONTROL_HZ)
        first = max(0, i - int(0.25 * CONTROL_HZ))
        rise = 0.5 - 0.5 * np.cos(np.pi * np.arange(i - first) / max(1, i - first))
        share[first:i] = np.maximum(share[first:i], rise * hz / motor.sync_hz)
        share[i:], took = _falling(motor, hz / motor.sync_hz, points - i)
        rest_s = at + took
    speed = share * motor.sync_hz
    return Motion(
        speed_hz=speed,
        turns=angle(speed),
        winding=np.zeros(points),
        powered=np.zeros(points),
        running_hz=max(hz for _, hz in spins),
        rest_s=rest_s if rest_s <= duration_s else None,
    )


def joined(first: Motion, second: Motion) -> Motion:
    """One clip with two runs; what the truth tells is of the first."""
    cut = (first.speed_hz.size - 1) / CONTROL_HZ
    speed = np.concatenate([first.speed_hz[:-1], second.speed_hz])
    on, off = second.on_s, second.off_s
    later = () if on is None or off is None else ((on + cut, off + cut),)
    return replace(
        first,
        speed_hz=speed,
        turns=angle(speed),
        winding=np.concatenate([first.winding[:-1], second.winding]),
        powered=np.concatenate([first.powered[:-1], second.powered]),
        clicks=first.clicks + tuple(t + cut for t in second.clicks),
        others=first.others + later,
    )
