"""The four faults, three mechanisms each; every one an event or friction model of its own.

A mechanism takes the run and gives a signal of arbitrary gain; `audibility`
sets it. ``heard_in`` names the phase in which its severity is judged.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from second_bench.grains import (
    F32,
    F64,
    band_curve,
    by_angle,
    convolve,
    measured_curve,
    pattern,
    shaped_noise,
    share_at,
    sine,
    slow_noise,
    strikes,
    struck_body,
    times_at,
    wander,
)
from second_bench.machines import Machine
from second_bench.shaft import Course

Maker = Callable[[np.random.Generator, Machine, Course], F32]


@dataclass(frozen=True, slots=True)
class Mechanism:
    """One way a fault comes about."""

    name: str
    fault: str
    heard_in: str
    make: Maker


def _law(run: Course, times_s: F64, law: float, floor: float = 0.0) -> F64:
    """Amplitude in speed: share^(law / 2), nothing below ``floor``."""
    share = share_at(run.share, run.rate_hz, times_s)
    return np.where(share > floor, share ** (law / 2.0), 0.0)


def _speed(run: Course, law: float) -> F32:
    return np.asarray(np.maximum(run.share, 1e-6) ** np.float32(law / 2.0), dtype=np.float32)


def _event_times(
    run: Course, phase: F64, offsets: F64 | None = None, jitter: F64 | None = None
) -> F64:
    """Times of the whole numbers of a phase, moved by ``jitter`` (in that phase's turns)."""
    marks = np.arange(np.ceil(phase[0]), np.floor(phase[-1]) + 1.0)
    if offsets is not None:
        marks = np.sort((marks[:, None] + offsets[None, :]).ravel())
    if jitter is not None:
        marks = np.sort(marks + np.resize(jitter, marks.size))
    return times_at(phase, run.rate_hz, marks)


# bearing_noise ---------------------------------------------------------------


def raceway_pit(rng: np.random.Generator, machine: Machine, run: Course) -> F32:
    """Balls over a pit: gamma-sized blows about 1 % off a defect order, sliding a little."""
    kind = str(rng.choice(["outer", "inner", "ball"], p=[0.5, 0.35, 0.15]))
    order = machine.orders[kind] * (1.0 + rng.normal(0.0, 0.008))
    slide = 1.0 + rng.uniform(0.0005, 0.005) * wander(rng, run.size, run.rate_hz, 1.0, 0.3)
    phase = run.turns[0] + np.cumsum(np.diff(run.turns, prepend=run.turns[0]) * slide) * order
    count = int(phase[-1] - phase[0]) + 2
    times = _event_times(run, phase, jitter=rng.normal(0.0, rng.uniform(0.01, 0.05), count))
    size = rng.gamma(rng.uniform(2.0, 9.0), 1.0, times.size)
    turns_then = np.interp(
        np.nan_to_num(times), np.arange(0, run.size, 64) / run.rate_hz, run.turns[::64]
    )
    depth = {"outer": 0.12, "inner": 0.75, "ball": 0.5}[kind] * rng.uniform(0.7, 1.2)
    carrier = turns_then * (machine.orders["cage"] if kind == "ball" else 1.0)
    load = 1.0 + depth * np.cos(2 * np.pi * carrier)
    strength = size * np.maximum(load, 0.0) * _law(run, times, rng.uniform(2.0, 3.5))
    train = strikes(run.size, run.rate_hz, times, strength)
    centre = float(np.exp(rng.uniform(np.log(900), np.log(5500))))
    seat = struck_body(rng, run.rate_hz, (0.7 * centre, 1.6 * centre), rng.uniform(0.002, 0.012))
    rush = shaped_noise(rng, run.size, run.rate_hz, band_curve(0.8 * centre, 2.2 * centre))
    out = convolve(train, seat)
    level = float(np.sqrt(np.mean(out**2)) + 1e-12)
    return out + np.float32(level * rng.uniform(0.05, 0.35)) * rush * _speed(run, 2.5)


def dry_cage(rng: np.random.Generator, machine: Machine, run: Course) -> F32:
    """A dry cage chatters and hoots in spells that come and go, at about 0.4 of the turn."""
    phase = run.turns * machine.orders["cage"]
    width = rng.uniform(0.06, 0.2)
    pockets = pattern(
        rng, rng.uniform(size=3), np.full(3, width), np.array([1.0, *rng.uniform(0.2, 0.8, 2)])
    )
    spell = np.maximum(0.12, 0.45 + 0.8 * wander(rng, run.size, run.rate_hz, 2.0, 0.35))
    hash_hz = rng.uniform(1400, 2600)
    hash_ = shaped_noise(rng, run.size, run.rate_hz, band_curve(hash_hz, 2.4 * hash_hz, 12))
    hoot_hz = rng.uniform(700, 2600)
    bend = 1.0 + 0.02 * wander(rng, run.size, run.rate_hz, 2.0, 0.2)
    hoot_phase = np.cumsum(hoot_hz * bend * run.share.astype(np.float64) ** 0.25) / run.rate_hz
    hoot = sine(hoot_phase + 0.07 * hash_)
    chatter = by_angle(pockets, phase) + rng.uniform(0.05, 0.3)
    sound = chatter * (hash_ + rng.uniform(0.0, 0.9) * hoot)
    return np.asarray(sound * spell * _speed(run, rng.uniform(1.5, 2.8)), dtype=np.float32)


def worn_roughness(rng: np.random.Generator, machine: Machine, run: Course) -> F32:
    """Late wear: no line any more; a harsh rush, Poisson crackle and a heavy growl."""
    peak = float(np.exp(rng.uniform(np.log(1800), np.log(6500))))
    rush = shaped_noise(rng, run.size, run.rate_hz, measured_curve(rng, peak, 6.0, 5.0))
    duration_s = run.size / run.rate_hz
    rate = float(np.exp(rng.uniform(np.log(40.0), np.log(400.0))))
    times = np.sort(rng.uniform(0.0, duration_s, rng.poisson(rate * duration_s)))
    share = share_at(run.share, run.rate_hz, times)
    keep = rng.uniform(size=times.size) < share
    strength = rng.gamma(0.6, 1.0, times.size) * _law(run, times, 2.0) * keep
    crackle = convolve(
        strikes(run.size, run.rate_hz, times, strength),
        struck_body(rng, run.rate_hz, (0.5 * peak, 1.5 * peak), 0.006),
    )
    crackle *= np.float32(rng.uniform(0.3, 1.2) / (np.sqrt(np.mean(crackle**2)) + 1e-9))
    growl = shaped_noise(rng, run.size, run.rate_hz, band_curve(180, 600, 9))
    growl *= 1.0 + 0.5 * sine(machine.orders["inner"] * run.turns)
    sound = rush * (1.0 + 0.15 * slow_noise(rng, run.size, run.rate_hz, 15.0))
    sound = sound * _speed(run, rng.uniform(2.0, 3.2)) + crackle
    return np.asarray(sound + rng.uniform(0, 0.5) * growl * _speed(run, 2.5), dtype=np.float32)


# impeller_rub ----------------------------------------------------------------


def shroud_graze(rng: np.random.Generator, machine: Machine, run: Course) -> F32:
    """The wheel brushes its housing over one arc of every turn."""
    arc = rng.uniform(0.03, 0.16)
    touch = pattern(rng, np.array([0.0]), np.array([arc]), np.array([1.0]))
    drift = 0.04 * wander(rng, run.size, run.rate_hz, 1.0, 1.0)
    depth = np.maximum(0.0, by_angle(touch, run.turns + drift) - rng.uniform(0.0, 0.25))
    press = np.maximum(0.0, 1.0 + 0.35 * slow_noise(rng, run.size, run.rate_hz, 1.0 / 0.06))
    lo_hz = rng.uniform(1200, 3500)
    brush = shaped_noise(rng, run.size, run.rate_hz, band_curve(lo_hz, lo_hz * 2.6, 9))
    return np.asarray(brush * depth * press * _speed(run, rng.uniform(1.0, 2.2)), dtype=np.float32)


def blade_tick(rng: np.random.Generator, machine: Machine, run: Course) -> F32:
    """Some of the blades flick something that stands in their way."""
    touching = int(rng.integers(1, max(2, machine.blade_count // 2) + 1))
    which = rng.choice(machine.blade_count, touching, replace=False)
    offsets = which / machine.blade_count + rng.normal(0.0, 0.006, touching)
    count = int((run.turns[-1] - run.turns[0] + 2) * touching)
    times = _event_times(run, run.turns, offsets, rng.normal(0.0, 0.0025, count))
    weight = np.resize(rng.uniform(0.4, 1.0, touching), times.size)
    strength = weight * rng.gamma(6.0, 1 / 6.0, times.size) * _law(run, times, 2.0, 0.03)
    strength *= rng.uniform(size=times.size) > rng.uniform(0.0, 0.25)
    lo_hz = rng.uniform(700, 2800)
    flick = struck_body(rng, run.rate_hz, (lo_hz, 3.2 * lo_hz), rng.uniform(0.0015, 0.008))
    return convolve(strikes(run.size, run.rate_hz, times, strength), flick)


def hub_scrape(rng: np.random.Generator, machine: Machine, run: Course) -> F32:
    """The hub drags on a face: long contact, rough, many small slips a turn."""
    slips = float(rng.uniform(60, 220))
    phase = run.turns * slips
    count = int(phase[-1] - phase[0]) + 3
    times = _event_times(run, phase, jitter=rng.normal(0.0, 0.3, count))
    once = 1.0 + rng.uniform(0.35, 0.9) * np.cos(
        2
        * np.pi
        * np.interp(np.nan_to_num(times), np.arange(0, run.size, 64) / run.rate_hz, run.turns[::64])
    )
    strength = (
        rng.gamma(1.5, 1.0, times.size) * once * _law(run, times, rng.uniform(0.8, 1.8), 0.02)
    )
    peak = rng.uniform(450, 1500)
    body = struck_body(rng, run.rate_hz, (0.6 * peak, 3.0 * peak), rng.uniform(0.003, 0.01))
    out = convolve(strikes(run.size, run.rate_hz, times, strength), body)
    press = np.maximum(0.0, 1.0 + 0.3 * slow_noise(rng, run.size, run.rate_hz, 4.0))
    return np.asarray(out * press, dtype=np.float32)


# pre_breaker_wobble ----------------------------------------------------------


def _knock_body(
    rng: np.random.Generator, run: Course, lo_hz: float, hi_hz: float, ring_s: float
) -> F32:
    return struck_body(rng, run.rate_hz, (lo_hz, hi_hz), ring_s)


def loose_slot(rng: np.random.Generator, machine: Machine, run: Course) -> F32:
    """Play in the drive slot: the flanks slam while torque pulses at switch-on, then settle.

    Gamma-spaced blows, dense in the run-up (torque pulses at twice the mains),
    rare at speed, a few at switch-off when the torque turns round.
    """
    marks, end_s = run.marks, run.size / run.rate_hz
    on_s, off_s = marks.on_s or 0.0, marks.off_s if marks.off_s is not None else end_s
    up_s = marks.at_speed_s if marks.at_speed_s is not None else min(on_s + 1.0, off_s)
    rate = rng.uniform(25.0, 90.0)
    gaps = rng.gamma(1.6, 1.0 / (1.6 * rate), int(3 * rate * (up_s - on_s + 0.3)) + 8)
    start = on_s + np.cumsum(gaps)
    fade = np.exp(-np.maximum(0.0, start - up_s) / 0.15)
    start_size = rng.gamma(1.3, 1.0, start.size) * fade * (start < up_s + 0.6)
    steady_rate = rng.uniform(0.3, 5.0)
    late = rng.uniform(up_s, off_s, rng.poisson(steady_rate * max(0.0, off_s - up_s)))
    clunks = off_s + np.cumsum(rng.gamma(2.0, 0.02, int(rng.integers(1, 6))))
    times = np.concatenate([start, late, clunks])
    strength = np.concatenate(
        [start_size, rng.gamma(1.3, 0.45, late.size), rng.uniform(0.8, 2.2, clunks.size)]
    )
    low = _knock_body(rng, run, rng.uniform(250, 600), rng.uniform(1200, 2600), 0.025)
    bright = _knock_body(rng, run, rng.uniform(1500, 2500), rng.uniform(4000, 7000), 0.008)
    train = strikes(run.size, run.rate_hz, times, strength)
    return convolve(train, low + np.float32(rng.uniform(0.1, 0.8)) * bright)


def whirling_thump(rng: np.random.Generator, machine: Machine, run: Course) -> F32:
    """The breaker whirls in its seat: a soft blow a turn, every other one stronger."""
    count = int(run.turns[-1] - run.turns[0]) + 3
    wobble = 0.03 * wander(rng, run.size, run.rate_hz, 1.2, 0.5)
    times = _event_times(run, run.turns + wobble, jitter=rng.normal(0.0, 0.02, count))
    lame = 1.0 + rng.uniform(0.0, 0.6) * np.cos(np.pi * np.arange(times.size))
    strength = lame * rng.gamma(5.0, 0.2, times.size) * _law(run, times, rng.uniform(2.0, 4.0), 0.1)
    train = strikes(run.size, run.rate_hz, times, strength)
    thump = _knock_body(rng, run, rng.uniform(160, 300), rng.uniform(600, 1300), 0.03)
    tick = _knock_body(rng, run, rng.uniform(900, 1800), rng.uniform(2500, 4500), 0.01)
    return convolve(train, thump + np.float32(rng.uniform(0.05, 0.5)) * tick)


def shear_plate_rattle(rng: np.random.Generator, machine: Machine, run: Course) -> F32:
    """A loose shear plate hits both flanks of its slot, twice a turn, unevenly, with misses."""
    offsets = np.array([0.0, 0.5 + rng.normal(0.0, 0.06)])
    count = int(2 * (run.turns[-1] - run.turns[0])) + 4
    spread = rng.uniform(0.03, 0.09)
    times = _event_times(run, run.turns, offsets, rng.normal(0.0, spread, count))
    misses = rng.uniform(size=times.size) > rng.uniform(0.1, 0.4)
    share = share_at(run.share, run.rate_hz, times)
    eager = 0.35 + 0.9 * np.exp(-(((share - rng.uniform(0.35, 0.8)) / 0.25) ** 2))
    strength = eager * misses * rng.gamma(2.0, 0.5, times.size) * (share > 0.05)
    rattle = _knock_body(rng, run, rng.uniform(450, 900), rng.uniform(2200, 4200), 0.02)
    return convolve(strikes(run.size, run.rate_hz, times, strength), rattle)


# burr_contact ----------------------------------------------------------------


def high_spot_chirp(rng: np.random.Generator, machine: Machine, run: Course) -> F32:
    """One high spot chirps each turn: a squeal that glides while it lasts."""
    at = (run.turns + 0.02 * wander(rng, run.size, run.rate_hz, 1.0, 0.8)) % 1.0
    arc = rng.uniform(0.08, 0.3)
    inside = at < arc
    through = np.where(inside, at / arc, 0.0)
    swell = np.where(inside, np.sin(np.pi * through) ** 0.7, 0.0)
    base_hz = float(np.exp(rng.uniform(np.log(2200), np.log(6200))))
    glide = rng.uniform(-0.15, 0.15)
    rate = base_hz * (1.0 + glide * (through - 0.5)) * run.share.astype(np.float64) ** 0.1
    rough = 0.012 * wander(rng, run.size, run.rate_hz, 4.0, 0.05)
    phase = np.cumsum(rate * (1.0 + rough)) / run.rate_hz
    squeal = sine(phase) + 0.35 * sine(2 * phase + 0.16)
    hiss = shaped_noise(rng, run.size, run.rate_hz, band_curve(0.7 * base_hz, 1.9 * base_hz, 12))
    turn = np.floor(run.turns - run.turns[0]).astype(np.int64)
    luck = np.maximum(0.0, 1.0 + 0.4 * rng.standard_normal(int(turn[-1]) + 1))[turn]
    sound = (squeal + rng.uniform(0.2, 0.9) * hiss) * swell * luck * _speed(run, 1.5)
    return np.asarray(sound * (run.share > 0.04), dtype=np.float32)


def tooth_mesh(rng: np.random.Generator, machine: Machine, run: Course) -> F32:
    """Teeth shave teeth: noise chopped at tooth rate, deeper on one side of the turn."""
    teeth = machine.teeth * int(rng.choice([1, 2], p=[0.75, 0.25]))
    comb = pattern(
        rng,
        (np.arange(teeth) + rng.normal(0.0, 0.05, teeth)) / teeth,
        np.full(teeth, rng.uniform(0.12, 0.25) / teeth),
        1.0 + rng.normal(0.0, 0.2, teeth),
    )
    side = pattern(rng, np.array([rng.uniform()]), np.array([rng.uniform(0.12, 0.3)]), np.ones(1))
    depth = by_angle(comb, run.turns) * (by_angle(side, run.turns) + rng.uniform(0.0, 0.4))
    lo_hz = rng.uniform(1200, 2800)
    metal = shaped_noise(rng, run.size, run.rate_hz, measured_curve(rng, 1.6 * lo_hz, 7.0, 6.0))
    lift = float(comb.mean())
    tone = (by_angle(comb, run.turns) - lift) * by_angle(side, run.turns)
    ring = convolve(tone.astype(np.float32), struck_body(rng, run.rate_hz, (lo_hz, 7000), 0.004))
    ring *= np.float32(rng.uniform(0.1, 0.7) / (np.sqrt(np.mean(ring**2)) + 1e-9))
    press = np.maximum(0.0, 1.0 + 0.25 * slow_noise(rng, run.size, run.rate_hz, 5.0))
    out = (metal * depth / (np.sqrt(np.mean(depth**2)) + 1e-9) + ring) * press
    return np.asarray(out * _speed(run, rng.uniform(1.2, 2.4)), dtype=np.float32)


def skewed_sing(rng: np.random.Generator, machine: Machine, run: Course) -> F32:
    """Skewed burrs ring like plates: fixed tones that jump in and out, with hash beneath."""
    rate_hz = run.rate_hz
    once = 0.55 + 0.45 * sine(run.turns)
    tones = np.zeros(run.size, dtype=np.float32)
    for _ in range(int(rng.integers(2, 5))):
        hz = float(np.exp(rng.uniform(np.log(1800), np.log(7500))))
        knots = int(run.size / rate_hz * 30) + 3
        on = signal_telegraph(rng, knots, rng.uniform(0.04, 0.2), rng.uniform(0.03, 0.2))
        gate = np.interp(np.arange(run.size) * (30.0 / rate_hz), np.arange(knots), on)
        phase = hz * np.arange(run.size) / rate_hz + 0.4 * wander(rng, run.size, rate_hz, 3.0, 0.2)
        tones += (rng.uniform(0.3, 1.0) * sine(phase) * gate).astype(np.float32)
    hash_ = shaped_noise(rng, run.size, rate_hz, band_curve(2000, 8000, 9))
    sound = (tones + rng.uniform(0.15, 0.6) * hash_) * once
    return np.asarray(sound * _speed(run, rng.uniform(0.8, 1.6)) * (run.share > 0.06), np.float32)


def signal_telegraph(rng: np.random.Generator, n: int, to_on: float, to_off: float) -> F64:
    """Random on and off, chance per step ``to_on`` and ``to_off``."""
    draws = rng.uniform(size=n)
    out = np.empty(n)
    state = 1.0 if draws[0] < to_on / (to_on + to_off) else 0.0
    for index, draw in enumerate(draws):
        if draw < (to_off if state else to_on):
            state = 1.0 - state
        out[index] = state
    if not out.any():
        out[n // 3 : 2 * n // 3] = 1.0
    return out


MECHANISMS: tuple[Mechanism, ...] = (
    Mechanism("raceway_pit", "bearing_noise", "steady", raceway_pit),
    Mechanism("dry_cage", "bearing_noise", "steady", dry_cage),
    Mechanism("worn_roughness", "bearing_noise", "steady", worn_roughness),
    Mechanism("shroud_graze", "impeller_rub", "steady", shroud_graze),
    Mechanism("blade_tick", "impeller_rub", "steady", blade_tick),
    Mechanism("hub_scrape", "impeller_rub", "steady", hub_scrape),
    Mechanism("loose_slot", "pre_breaker_wobble", "run_up", loose_slot),
    Mechanism("whirling_thump", "pre_breaker_wobble", "steady", whirling_thump),
    Mechanism("shear_plate_rattle", "pre_breaker_wobble", "steady", shear_plate_rattle),
    Mechanism("high_spot_chirp", "burr_contact", "steady", high_spot_chirp),
    Mechanism("tooth_mesh", "burr_contact", "steady", tooth_mesh),
    Mechanism("skewed_sing", "burr_contact", "steady", skewed_sing),
)


def mechanisms_of(fault: str) -> tuple[Mechanism, ...]:
    """All mechanisms of a fault."""
    return tuple(m for m in MECHANISMS if m.fault == fault)


def by_name(name: str) -> Mechanism:
    """One mechanism."""
    return next(m for m in MECHANISMS if m.name == name)
