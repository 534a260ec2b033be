"""Other faults: what they do to the motion, and the sound that comes with them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from third_bench.base import (
    COSINE,
    F32,
    Rng,
    convolve,
    events,
    profile,
    read,
    slow,
    spread,
    uniform,
    white,
)
from third_bench.healthy import moving, path
from third_bench.kernels import TURN, gap_contact, hopf
from third_bench.machine import Machine, Motion, Wishes


def changed_motion(rng: Rng, name: str, severity: float, wish: Wishes) -> Wishes:
    """How the fault changes the run."""
    if name == "start_switch_stuck_closed":
        return replace(wish, stuck=1.0)
    if name == "start_switch_stuck_open":
        return replace(wish, stuck=-1.0, steady_s=uniform(rng, 1.5, 4.5))
    if name == "did_not_start":
        return replace(wish, no_start=True, steady_s=uniform(rng, 1.2, 4.5))
    if name == "drag":
        low = 0.62 - 0.42 * severity
        return replace(wish, coast_factor=low)
    if name == "face_rub":
        return replace(wish, coast_factor=1.0 - 0.45 * severity * rng.random())
    if name == "speed_sags":
        return replace(wish, sag=severity, steady_s=max(wish.steady_s, 4.0))
    return wish


def stuck_closed(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """Both windings fight: a strong rough hum for as long as power is on."""
    t = np.arange(motion.n) / motion.rate_hz
    phase = TURN * 2.0 * motion.mains_exact_hz * t
    rough = profile(rng, uniform(rng, 0.4, 1.2), 1, 30)
    shake = 1.0 + uniform(rng, 0.1, 0.6) * np.cos(phase * uniform(rng, 0.05, 0.2))
    force = read(rough.astype(np.float32), phase) * shake * motion.powered
    return convolve(force.astype(np.float32), path(machine, "stator", motion.rate_hz))


def face_rub(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """The pre-breaker lies on the face plate: a broad scrape with little beat."""
    marks = profile(
        rng, uniform(rng, 0.2, 0.8), 10, int(0.3 * motion.rate_hz * TURN / motion.full_rad_s)
    )
    wave = 1.0 + uniform(rng, 0.02, 0.4) * read(COSINE, motion.theta)
    lively = np.clip(1.0 + 0.25 * slow(rng, motion.n, motion.rate_hz, 0.2), 0.2, 2.0)
    force = read(marks.astype(np.float32), motion.theta) + uniform(rng, 0.2, 2.0) * white(
        rng, motion.n
    )
    force = force * wave * lively * np.maximum(motion.speed, 0) ** uniform(rng, 0.4, 1.2)
    return convolve(force.astype(np.float32), path(machine, "chamber", motion.rate_hz))


def loose_part(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """A hopper, lid or panel that jumps with the vibration, or hits when it likes."""
    n, rate = motion.n, motion.rate_hz
    t = np.arange(n) / rate
    if rng.random() < 0.65:
        hum = motion.current * read(COSINE, TURN * 2.0 * motion.mains_exact_hz * t)
        shaft = motion.speed**2 * read(COSINE, motion.theta)
        mix = rng.random()
        live = np.maximum(moving(motion), motion.powered)
        shake = 900.0 * spread(rng, 0.8, 4.0) * (mix * hum + (1.0 - mix) * 2.0 * shaft)
        force = gap_contact(
            n,
            rate,
            shake.astype(np.float32),
            0.0,
            motion.theta,
            np.zeros(n, dtype=np.float32),
            np.full(n, 600.0, dtype=np.float32),
            spread(rng, 0.002, 0.05),
            (TURN * spread(rng, 200.0, 1500.0)) ** 2,
            spread(rng, 50.0, 900.0),
            (700.0 * rng.random() * slow(rng, n, rate, 0.01) * live).astype(np.float32),
        )
        drive = np.diff(force, prepend=force[:1])
    else:
        count = rng.poisson(n / rate * spread(rng, 2.0, 25.0)) + 3
        spot = rng.random(count) * n
        size = motion.speed[spot.astype(np.int64)] * rng.lognormal(0.0, 0.6, count)
        again = spot + rng.exponential(0.02, count) * rate
        drive = events(n, np.r_[spot, again], np.r_[size, 0.5 * size])
    way = "tin" if rng.random() < 0.6 else "shell"
    return convolve(drive, path(machine, way, rate))


def fan_in_switch(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """Fan crept into the switch: a box of bolts until the weights have swung out."""
    passes = np.flatnonzero(np.diff(np.floor(motion.theta * machine.blades / TURN)) > 0)
    passes = passes[rng.random(passes.size) < uniform(rng, 0.4, 1.0)].astype(np.float64)
    passes = np.clip(passes + rng.normal(0, 0.002 * motion.rate_hz, passes.size), 0, motion.n - 3)
    at = passes.astype(np.int64)
    shut = np.maximum(motion.start_closed[at], 0.04 * rng.random())
    size = shut * np.sqrt(motion.speed[at]) * rng.lognormal(0.0, 0.6, at.size)
    hits = events(motion.n, passes, size)
    return convolve(hits, path(machine, "switch", motion.rate_hz)) + convolve(
        hits, path(machine, "shroud", motion.rate_hz)
    )


def beans_in_it(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """A few left beans: thrown about, cracked now and then, fewer as time goes on."""
    n, rate = motion.n, motion.rate_hz
    on = motion.on_s or 0.0
    count = rng.poisson(spread(rng, 20.0, 250.0)) + 4
    life = spread(rng, 1.5, 12.0)
    spot = (on + rng.exponential(life, count)) * rate
    spot = np.clip(spot, 0, n - 3)
    at = spot.astype(np.int64)
    size = motion.speed[at] * rng.lognormal(0.0, 0.7, count)
    out = convolve(events(n, spot, size), path(machine, "chamber", rate))
    scale = float(np.abs(out).max()) + 1e-9
    for _ in range(int(rng.integers(1, 7))):
        start = int((on + rng.exponential(life * 0.7)) * rate)
        length = int(uniform(rng, 0.02, 0.15) * rate)
        if start + length >= n or motion.speed[start] < 0.05:
            continue
        crunch = white(rng, length) * np.hanning(length) * (rng.random(length) < 0.08)
        grown = np.zeros(length + int(0.1 * rate), dtype=np.float32)
        grown[:length] = crunch
        grown = convolve(grown, path(machine, "chamber", rate))
        grown *= scale * uniform(rng, 0.3, 1.2) / (float(np.abs(grown).max()) + 1e-9)
        end = min(n, start + grown.size)
        out[start:end] += grown[: end - start]
    return out


def magnetic_growl(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """Uneven air gap: twice the mains with side lines at shaft rate, dead without power."""
    t = np.arange(motion.n) / motion.rate_hz
    phase = TURN * 2.0 * motion.mains_exact_hz * t
    wave = profile(rng, uniform(rng, 0.3, 1.2), 1, int(rng.integers(8, 50)))
    depth = uniform(rng, 0.3, 0.95)
    swell = 1.0 + depth * np.cos(motion.theta + 0.5 * np.sin(2.0 * motion.theta))
    force = read(wave.astype(np.float32), phase) * swell * motion.current
    if rng.random() < 0.5:
        bars = np.cos(machine.rotor_bars * motion.theta - phase)
        force = force + uniform(rng, 0.2, 1.0) * bars * swell * motion.current
    return convolve(force.astype(np.float32), path(machine, "stator", motion.rate_hz))


def ring_squeal(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """The ring of the start switch sings in the last turns only."""
    n, rate = motion.n, motion.rate_hz
    below = uniform(rng, 0.12, 0.35)
    slowly = (motion.speed < below) & (motion.speed > 0.01)
    if motion.off_s is not None:
        slowly &= np.arange(n) > motion.off_s * rate
    slowly &= motion.powered < 0.5
    growth = np.where(slowly, 260.0 + 150.0 * read(COSINE, motion.theta), -120.0)
    f0 = spread(rng, 900.0, min(5000.0, 0.4 * rate))
    freq = f0 * (1.0 + uniform(rng, 0.0, 0.3) * motion.speed)
    return hopf(rate, freq.astype(np.float64), growth, 80.0 * moving(motion) * white(rng, n), 0.005)


Sound = Callable[[Rng, Machine, Motion], F32]
SOUNDS: dict[str, tuple[Sound, str]] = {
    "start_switch_stuck_closed": (stuck_closed, "steady"),
    "face_rub": (face_rub, "run"),
    "loose_part": (loose_part, "all"),
    "fan_in_switch": (fan_in_switch, "run_up"),
    "beans_in_it": (beans_in_it, "run"),
    "magnetic_growl": (magnetic_growl, "steady"),
    "switch_ring_squeal": (ring_squeal, "low"),
}
