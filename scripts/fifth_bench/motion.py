"""The rotor: an equation of motion in shares of the synchronous speed.

Powered: torque of the run winding (a breakdown curve, none at standstill) and of the
start winding until the switch opens, against drag ``a + b u + c u^2``. Unpowered: the
drag alone. All accelerations are per second of synchronous speed.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from fifth_bench.basics import F32, F64

STEP_S = 0.004
#: No winding of such a machine speeds it up faster (synchronous speeds a second).
STRONGEST = 5.0


@dataclass(frozen=True, slots=True)
class Timing:
    """What is wanted of a run."""

    runs: tuple[tuple[float, float], ...]
    length_s: float
    run_up_s: float
    coast_s: float
    drag_split: tuple[float, float, float]
    slip: float
    breakdown_slip: float
    open_share: float
    close_share: float
    mode: str = "normal"
    sag: float = 0.0
    spin_hz: float = 0.0


@dataclass(slots=True)
class Motion:
    """Speed and events of a clip; times in seconds, None where they did not happen."""

    timing: Timing
    u: F64
    start_in: F64
    open_s: list[float | None] = field(default_factory=list)
    close_s: list[float | None] = field(default_factory=list)
    at_speed_s: float | None = None
    rest_s: float | None = None
    run_share: float = 0.0

    def sampled(self, rate_hz: float, count: int) -> tuple[F32, F32]:
        """Speed share and start winding on the clip's own samples."""
        where = np.arange(count) / (rate_hz * STEP_S)
        grid = np.arange(self.u.size)
        speed = np.interp(where, grid, self.u).astype(np.float32)
        return speed, np.interp(where, grid, self.start_in).astype(np.float32)


def drag_of(timing: Timing, from_share: float) -> tuple[float, float, float]:
    """Drag that brings the rotor from ``from_share`` to rest in the wanted time."""
    a, b, c = timing.drag_split
    u = np.linspace(0, from_share, 400)
    total_s = float(np.trapezoid(1.0 / (a + b * u + c * u * u), u))
    k = total_s / timing.coast_s
    return a * k, b * k, c * k


def _run_torque(slip: F64 | float, breakdown: float) -> F64 | float:
    """Breakdown curve that begins at nothing: a single phase has no pull on a still rotor."""
    forward = 2.0 / (slip / breakdown + breakdown / np.maximum(slip, 1e-6))
    return forward * np.sqrt(np.maximum(1.0 - slip, 0.0))


def _strength(timing: Timing, drag: tuple[float, float, float]) -> float:
    """Strength of the run winding: for the slip wanted, but enough to pull up by itself."""

    def pull(u: float) -> float:
        return drag[0] + drag[1] * u + drag[2] * u * u

    run = 1.0 - timing.slip
    wanted = pull(run) / float(_run_torque(timing.slip, timing.breakdown_slip))
    u = timing.open_share
    enough = (1.2 * pull(u) + 0.15) / float(_run_torque(1.0 - u, timing.breakdown_slip))
    return max(min(wanted, STRONGEST), enough)


def _settled(timing: Timing, drag: tuple[float, float, float], strength: float) -> float:
    """Speed share at which the run winding and the drag balance."""
    u = np.linspace(0.5, 0.99999, 20001)
    over = strength * _run_torque(1.0 - u, timing.breakdown_slip)
    over = over - (drag[0] + drag[1] * u + drag[2] * u * u)
    return float(u[np.flatnonzero(over > 0)[-1]])


def _start_strength(
    timing: Timing, drag: tuple[float, float, float], strength: float, run: float
) -> float:
    """Start torque with which the wanted run-up comes closest, of 30 tried side by side."""
    tried = np.geomspace(0.15, 7.0, 30)
    u = np.zeros(30)
    inside = np.ones(30)
    done = np.full(30, 99.0)
    goal = 0.98 * run
    steps = int(5.0 / STEP_S / 2)
    for k in range(steps):
        torque = strength * _run_torque(1 - u, timing.breakdown_slip)
        torque = torque + tried * inside - (drag[0] + drag[1] * u + drag[2] * u * u)
        u = np.clip(u + torque * 2 * STEP_S, 0.0, 0.99999)
        inside = inside * (u < timing.open_share)
        done = np.where((u >= goal) & (done > 90), k * 2 * STEP_S, done)
    return float(tried[int(np.argmin(np.abs(done - timing.run_up_s)))])


def integrate(timing: Timing) -> Motion:
    """Follow the rotor through the clip."""
    count = int(timing.length_s / STEP_S) + 2
    if timing.spin_hz:
        return _by_hand(timing, count)
    drag = drag_of(timing, 1.0 - timing.slip)
    strength = _strength(timing, drag)
    run = _settled(timing, drag, strength)
    start = _start_strength(timing, drag, strength, run)
    speeds, windings = np.zeros(count), np.zeros(count)
    motion = Motion(timing, speeds, windings)
    stopped = timing.mode in ("no_start", "stuck_open")
    for number, (on_s, off_s) in enumerate(timing.runs):
        begin, end = int(on_s / STEP_S), min(int(off_s / STEP_S), count)
        u = float(speeds[begin - 1]) if begin else 0.0
        if on_s <= 0.0:
            u = run
        inside = u < timing.open_share
        opened = closed = None
        for k in range(begin, end):
            if stopped:
                windings[k] = float(timing.mode == "no_start")
                continue
            slip = 1.0 - u
            torque = strength * float(_run_torque(slip, timing.breakdown_slip))
            pull = drag[0] + drag[1] * u + drag[2] * u * u
            if timing.sag:
                pull *= 1.0 + timing.sag * max(0.0, (k - begin) / (end - begin) - 0.25)
            u += (torque + start * inside - pull) * STEP_S
            u = min(max(u, 0.0), 0.99999)
            speeds[k] = u
            windings[k] = inside
            if timing.mode == "stuck_closed":
                u = min(u, run)
                inside = u < timing.open_share
                windings[k] = 1.0
            elif inside and u >= timing.open_share:
                inside, opened = False, k * STEP_S
            if number == 0 and motion.at_speed_s is None and u >= 0.98 * run and on_s > 0:
                motion.at_speed_s = k * STEP_S
        last = count if number + 1 == len(timing.runs) else int(timing.runs[number + 1][0] / STEP_S)
        for k in range(end, last):
            was = u
            u = max(0.0, u - (drag[0] + drag[1] * u + drag[2] * u * u) * STEP_S)
            speeds[k] = u
            if timing.mode == "normal" and was > timing.close_share >= u:
                closed = k * STEP_S
            if number == 0 and was > 0.0 and u == 0.0:
                motion.rest_s = k * STEP_S
                break
        motion.open_s.append(opened)
        motion.close_s.append(closed)
    first = slice(
        int(((motion.at_speed_s or timing.runs[0][0]) + 0.2) / STEP_S),
        max(int(timing.runs[0][1] / STEP_S), 2),
    )
    motion.run_share = float(np.median(speeds[first])) if speeds[first].size else 0.0
    return motion


def _by_hand(timing: Timing, count: int) -> Motion:
    speeds = np.zeros(count)
    motion = Motion(timing, speeds, np.zeros(count))
    drag = drag_of(timing, 1.0)
    begin = int(timing.runs[0][0] / STEP_S)
    push = max(int(timing.run_up_s / STEP_S), 3)
    ramp = np.sin(np.linspace(0, np.pi / 2, push)) ** 2
    speeds[begin : begin + push] = ramp[: count - begin]
    u = 1.0
    for k in range(begin + push, count):
        u = max(0.0, u - (drag[0] + drag[1] * u + drag[2] * u * u) * STEP_S)
        speeds[k] = u
        if u == 0.0:
            motion.rest_s = k * STEP_S
            break
    motion.at_speed_s = (begin + push) * STEP_S
    motion.run_share = 1.0
    return motion
