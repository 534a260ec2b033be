"""What a source model returns, and tools shared by the source models of faults."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from quietrun.synth.kit import (
    CONTROL_HZ,
    COSINE,
    TABLE,
    Floats,
    Phase,
    Rng,
    Signal,
    log_uniform,
    look_up,
    place,
    ramp,
    rings,
    smooth_gate,
)
from quietrun.synth.scene import Scene

Spans = tuple[tuple[float, float], ...]


@dataclass(slots=True, eq=False)
class Part:
    """One fault's sound before the body and the room, at an arbitrary level.

    Attributes
    ----------
    force : shape (n,) or None
        Force on the housing.
    air : shape (n,) or None
        Sound made in the air.
    end : "front" or "rear"
        Where the force acts.
    ring : shape (k,) or None
        Impulse response of the part itself, before the housing.
    present : spans (s) in which its louder moments are measured
    notes : numbers for the truth
    """

    force: Signal | None
    air: Signal | None
    end: str
    ring: Signal | None
    present: Spans
    notes: dict[str, float] = field(default_factory=dict)


def spans_of(mask: NDArray[np.bool_]) -> Spans:
    """Spans (s) in which a condition on the control grid holds, 30 ms or longer."""
    edges = np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8))
    starts, stops = np.flatnonzero(edges > 0), np.flatnonzero(edges < 0)
    return tuple(
        (int(a) / CONTROL_HZ, int(b) / CONTROL_HZ)
        for a, b in zip(starts, stops, strict=True)
        if b - a >= 30
    )


def turning(scene: Scene) -> Spans:
    """Spans in which a fault of turning parts is at its loudest: the steady run, or the spin."""
    steady = scene.phase("steady")
    if steady is not None:
        return (steady,)
    return spans_of((scene.v > 0.5 * float(scene.v.max())) & (scene.speed_hz > 0.2))


def part_ring(
    rng: Rng, lo_hz: float, hi_hz: float, *, count: int = 4, quality: float = 12.0
) -> Signal:
    """Ring of the struck part: a few resonances drawn between lo and hi, energy 1."""
    freqs = np.exp(rng.uniform(np.log(lo_hz), np.log(hi_hz), count))
    q = np.clip(quality * np.exp(rng.normal(0, 0.4, count)), 2.5, 500)
    length = float(np.clip(np.max(q / freqs) * 2.2, 0.01, 0.25))
    ir = rings(freqs, q, rng.normal(0, 1, count) + 0.2, length_s=length)
    return np.asarray(ir / np.sqrt(np.sum(np.square(ir)) + 1e-12), dtype=np.float32)


def arc_table(centre: float, share: float, power: float = 1.0) -> Signal:
    """One turn: a raised cosine over ``share`` of the turn about ``centre`` (turns), else 0."""
    turn = np.arange(TABLE) / TABLE
    away = np.abs(np.mod(turn - centre + 0.5, 1.0) - 0.5)
    window = np.sin(np.pi / 2 * np.clip(1.0 - away / (0.5 * share), 0, 1)) ** (2 * power)
    return np.asarray(window, dtype=np.float32)


def arc_window(angle: Floats | Phase, centre: float, share: float, power: float = 1.0) -> Signal:
    """Read ``arc_table`` along an angle."""
    return look_up(arc_table(centre, share, power), angle)


def waved(scene: Scene, order: float, rng: Rng, depth: float) -> Signal:
    """1 + depth cos(order x angle), at a random phase; any order."""
    angle = scene.shaft if float(order).is_integer() else order * scene.turns
    times = int(order) if float(order).is_integer() else 1
    return 1 + np.float32(depth) * look_up(COSINE, angle, times, float(rng.random()))


def per_turn(scene: Scene, rng: Rng, spread: float) -> Signal:
    """Random gain of each turn, held over the turn, at the audio rate."""
    start = int(np.floor(scene.turns[0]))
    count = int(np.floor(scene.turns[-1])) - start + 2
    gains = np.exp(rng.normal(0, spread, count)).astype(np.float32)
    return gains[np.floor(scene.turns).astype(np.int32) - start]


def event_train(scene: Scene, at_turns: Floats, strengths: Floats, speed_power: float) -> Signal:
    """Impulses at shaft angles, their strength growing with a power of the speed."""
    times = scene.time_at(at_turns)
    speed = scene.speed_at(times)
    alive = (speed > 0.004) & (times > 0)
    return place(times[alive], (strengths * speed**speed_power)[alive], scene.n)


def speed_gain(scene: Scene, power: float) -> Floats:
    """v^power on the control grid, 0 at rest."""
    return np.asarray(np.where(scene.v > 1e-4, np.maximum(scene.v, 1e-4) ** power, 0.0))


def touching(scene: Scene) -> Signal | None:
    """Gate of burr contact at the audio rate; None: always touching."""
    if scene.contacts is None:
        return None
    return ramp(smooth_gate(scene.points, scene.contacts, 0.12))


def contact_spans(scene: Scene) -> Spans:
    """Spans of ``turning`` in which the burrs touch."""
    spans = turning(scene)
    if scene.contacts is None:
        return spans
    found = []
    for a, b in spans:
        for c, d in scene.contacts:
            lo, hi = max(a, c + 0.06), min(b, d - 0.06)
            if hi - lo > 0.05:
                found.append((lo, hi))
    return tuple(found)


def random_band(rng: Rng, lo: tuple[float, float], hi: tuple[float, float]) -> tuple[float, float]:
    """Draw a band: lower edge and upper edge from their own ranges, at least 1.6 apart."""
    low = log_uniform(rng, *lo)
    return low, max(log_uniform(rng, *hi), 1.6 * low)
