"""Faults outside the four, and one harmless sound. Names as in ``names.OTHERS``.

Some are sounds (set by audibility like the four), some change the run itself
(`retimed`): drag, a start that fails, a speed that sags.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from second_bench.faults import Mechanism
from second_bench.grains import (
    F32,
    band_curve,
    by_angle,
    convolve,
    shaped_noise,
    share_at,
    sine,
    slow_noise,
    strikes,
    struck_body,
    wander,
)
from second_bench.machines import Machine
from second_bench.shaft import Course, Timing


def retimed(rng: np.random.Generator, name: str, severity: float, timing: Timing) -> Timing:
    """Change the run as the fault would."""
    if name == "drag":
        return replace(
            timing,
            coast_s=max(0.5, timing.coast_s * (1.0 - 0.75 * severity)),
            run_up_s=timing.run_up_s * (1.0 + 0.8 * severity),
            slip=min(0.06, timing.slip * (1.0 + severity)),
            recorded_s=None,
        )
    if name in ("did_not_start", "start_switch_stuck_open"):
        return replace(
            timing,
            starts=False,
            open_share=None,
            close_share=None,
            steady_s=float(rng.uniform(0.8, 4.0)),
            recorded_s=None,
        )
    if name == "start_switch_stuck_closed":
        return replace(timing, open_share=None, close_share=None)
    if name == "speed_sags":
        return replace(timing, sag=0.04 + 0.3 * severity, steady_s=timing.steady_s + 2.0)
    return timing


def hum_lift_db(name: str, severity: float, hum_db: float) -> float:
    """Extra hum over the whole powered run, dB; ``hum_db`` is the machine's own over its air."""
    if name == "start_switch_stuck_closed":
        return max(5.0 + 12.0 * severity, -3.0 + 15.0 * severity - hum_db)
    if name in ("did_not_start", "start_switch_stuck_open"):
        return 6.0 + 8.0 * severity
    return 0.0


def face_rub(rng: np.random.Generator, machine: Machine, run: Course) -> F32:
    """The breaker drags on the face plate: steady scrape with a swell a turn."""
    scrape = shaped_noise(rng, run.size, run.rate_hz, band_curve(rng.uniform(300, 700), 2600, 6))
    grit = 1.0 + 0.5 * slow_noise(rng, run.size, run.rate_hz, 300.0)
    once = 1.0 + rng.uniform(0.2, 0.6) * sine(run.turns)
    sound = scrape * grit * once * np.maximum(run.share, 1e-6) ** 0.6
    return np.asarray(sound, dtype=np.float32)


def loose_part(rng: np.random.Generator, machine: Machine, run: Course) -> F32:
    """Something loose knocks irregularly, most where a resonance is passed."""
    end_s = run.size / run.rate_hz
    times = np.cumsum(rng.gamma(0.7, 1 / (0.7 * rng.uniform(6, 25)), int(60 * end_s)))
    times = times[times < end_s]
    share = share_at(run.share, run.rate_hz, times)
    eager = 0.5 + np.exp(-(((share - rng.uniform(0.3, 0.9)) / 0.15) ** 2))
    strength = rng.gamma(1.0, 1.0, times.size) * eager * (share > 0.1)
    ring = struck_body(rng, run.rate_hz, (rng.uniform(500, 1500), rng.uniform(3e3, 8e3)), 0.05)
    return convolve(strikes(run.size, run.rate_hz, times, strength), ring)


def fan_in_switch(rng: np.random.Generator, machine: Machine, run: Course) -> F32:
    """The fan has crept into the switch: clatter below release speed, gone above it."""
    release = machine.open_share / (1.0 - machine.slip)
    end_s = run.size / run.rate_hz
    times = np.cumsum(rng.gamma(1.2, 1 / (1.2 * rng.uniform(35, 90)), int(150 * end_s)))
    times = times[times < end_s]
    share = share_at(run.share, run.rate_hz, times)
    falling = times > (run.marks.off_s if run.marks.off_s is not None else end_s)
    limit = np.where(falling, machine.close_share / (1.0 - machine.slip), release)
    strength = rng.gamma(1.5, 1.0, times.size) * ((share > 0.02) & (share < limit))
    box = struck_body(rng, run.rate_hz, (rng.uniform(400, 900), rng.uniform(3e3, 5e3)), 0.02)
    return convolve(strikes(run.size, run.rate_hz, times, strength), box)


def beans_in_it(rng: np.random.Generator, machine: Machine, run: Course) -> F32:
    """A few beans left in the chamber: crunches early in the run, then seldom."""
    on_s = run.marks.on_s or 0.0
    times = on_s + 0.25 + np.sort(rng.exponential(rng.uniform(0.5, 2.0), int(rng.integers(8, 40))))
    out = np.zeros(run.size, dtype=np.float32)
    for at in times:
        bits = at + np.cumsum(rng.gamma(0.8, 0.0025, int(rng.integers(8, 40))))
        out += strikes(run.size, run.rate_hz, bits, rng.gamma(0.8, 1.0, bits.size))
    share = np.maximum(run.share, 0.0)
    return convolve(out * share, struck_body(rng, run.rate_hz, (600.0, 4500.0), 0.006))


def magnetic_growl(rng: np.random.Generator, machine: Machine, run: Course) -> F32:
    """Growl of the core: buzz and noise beating with the mains, gone with the power."""
    force = by_angle(machine.hum_force, run.line)
    buzz = np.sign(force) * np.abs(force) ** 1.7
    noise = shaped_noise(rng, run.size, run.rate_hz, band_curve(200, 1100, 9))
    shake = 1.0 + 0.5 * wander(rng, run.size, run.rate_hz, 3.0, 0.1)
    sound = (buzz + rng.uniform(0.3, 1.0) * noise * np.maximum(force, 0.0)) * run.power * shake
    body = struck_body(rng, run.rate_hz, (180.0, 1300.0), 0.02)
    return convolve(np.asarray(sound, dtype=np.float32), body)


def switch_ring_squeal(rng: np.random.Generator, machine: Machine, run: Course) -> F32:
    """The ring of the switch sings in the last turns only."""
    top = rng.uniform(0.08, 0.25)
    slow = (run.share > 0.003) & (run.share < top)
    if run.marks.off_s is not None:
        slow &= np.arange(run.size) > run.marks.off_s * run.rate_hz
    hz = rng.uniform(900, 3200) * (1.0 + 0.25 * (run.share / top))
    hz = hz * (1.0 + 0.02 * wander(rng, run.size, run.rate_hz, 3.0, 0.1))
    phase = np.cumsum(hz, dtype=np.float64) / run.rate_hz
    once = 0.5 + 0.5 * sine(run.turns)
    sound = (sine(phase) + 0.3 * sine(3 * phase)) * once
    return np.asarray(sound * slow, dtype=np.float32)


#: Those that are sounds, with the phase in which their level is set.
SOUNDS: dict[str, Mechanism] = {
    "face_rub": Mechanism("face_rub", "face_rub", "steady", face_rub),
    "loose_part": Mechanism("loose_part", "loose_part", "steady", loose_part),
    "fan_in_switch": Mechanism("fan_in_switch", "fan_in_switch", "run_up", fan_in_switch),
    "beans_in_it": Mechanism("beans_in_it", "beans_in_it", "turning", beans_in_it),
    "magnetic_growl": Mechanism("magnetic_growl", "magnetic_growl", "steady", magnetic_growl),
    "switch_ring_squeal": Mechanism(
        "switch_ring_squeal", "switch_ring_squeal", "turning", switch_ring_squeal
    ),
}
