"""What a loose pre-breaker sounds like, six descriptions.

A driver with play speaks when the torque changes: at the start, where the speed
changes, at switch-off; and as a lazy irregular knock when it runs empty.
"""

from __future__ import annotations

import numpy as np
from numpy.random import Generator

from fourth_bench.motion import CTRL_HZ
from fourth_bench.tools import (
    F32,
    I64,
    arc_table,
    band,
    bank,
    harmonic_table,
    hump,
    log_uniform,
    lookup,
    scatter,
    wander,
)
from fourth_bench.voices import Scene


def _clacks(own: Generator, s: Scene, low: float = 250, high: float = 2200) -> list[F32]:
    """Hits of one loose iron part: dull body, some metal."""
    return bank(
        own, s.rate_hz, 10, log_uniform(own, low, high), octaves=own.uniform(0.4, 1.0),
        partials=int(own.integers(4, 9)), decay_s=log_uniform(own, 0.003, 0.025),
        noise=own.uniform(0.1, 0.6),
    )  # fmt: skip


def _unrest(s: Scene, keep: float) -> F32:
    """1 where the speed changes under torque, falling to ``keep`` in the steady run."""
    m = s.motion
    change = np.abs(np.gradient(m.speed_hz)) * CTRL_HZ
    peak = np.quantile(change[change > 0], 0.9) if (change > 0).any() else 1.0
    raw = np.clip(change / (peak + 1e-9), 0, 1)
    lag = np.exp(-np.arange(0, 0.6, 1 / CTRL_HZ) / 0.12)
    smooth = np.convolve(raw, lag / lag.sum())[: raw.size]
    return np.asarray((keep + (1 - keep) * np.clip(smooth, 0, 1)) * (m.share > 0.02))


def _moments(s: Scene, own: Generator) -> tuple[I64, np.ndarray]:
    """Samples and strengths of the jolts at power on and power off."""
    m = s.motion
    where, amps = [], []
    for t, much in ((m.on_s, 1.0), (m.off_s, own.uniform(0.3, 1.2))):
        if t is None:
            continue
        count = int(own.integers(1, 5))
        gaps = np.cumsum(own.exponential(own.uniform(0.02, 0.09), count))
        where += [int((t + 0.01 + g) * s.rate_hz) for g in gaps]
        amps += [much * 0.7**k for k in range(count)]
    return np.array(where, dtype=np.int64), np.array(amps)


def start_clatter(s: Scene, own: Generator) -> F32:
    """Bolts in a box at switch-on, settling at speed, once more on the way down."""
    m = s.motion
    per_turn = own.uniform(1.5, 8)
    at = np.cumsum(s.rng.exponential(1 / per_turn, int(m.turns * per_turn) + 10))
    where = m.when(at)
    unrest = _unrest(s, own.uniform(0.0, 0.06))
    down = np.where((m.power < 0.5) & (m.share < 0.97), own.uniform(0.1, 0.7), 1.0)
    amps = m.at(unrest * down, where) * s.rng.lognormal(0, 0.6, where.size)
    # few knocks at speed rather than many faint ones
    amps *= s.rng.random(where.size) < np.maximum(0.05, m.at(unrest, where)) ** 0.5
    return scatter(s.n, where, amps, _clacks(own, s), s.rng)


def knock_knock(s: Scene, own: Generator) -> F32:
    """Knock ... knock-knock: one heavy part falls over its play, some turns yes, some no."""
    m = s.motion
    turns = np.arange(1, int(m.turns))
    regular = own.random() < 0.4
    chance = own.uniform(0.75, 1.0) if regular else own.uniform(0.15, 0.5)
    at = turns[s.rng.random(turns.size) < chance] + own.random()
    at = at + s.rng.normal(0, own.uniform(0.01, 0.05 if regular else 0.2), at.size)
    twice = at[s.rng.random(at.size) < own.uniform(0, 0.5)] + own.uniform(0.08, 0.3)
    where = m.when(np.sort(np.concatenate([at, twice])))
    calm = own.uniform(0.3, 0.9)
    amps = m.at(_unrest(s, calm) * np.minimum(1, m.share * 2), where)
    amps *= s.rng.lognormal(0, own.uniform(0.3, 0.7), where.size)
    jolt_at, jolt = _moments(s, own)
    where, amps = np.concatenate([where, jolt_at]), np.concatenate([amps, 1.5 * jolt])
    return scatter(s.n, where, amps, _clacks(own, s, 160, 1300), s.rng)


def lame_thump(s: Scene, own: Generator) -> F32:
    """A lame wheel: a soft thump every turn, its strength drifting, worst below speed."""
    m = s.motion
    where = m.when(np.arange(1, m.turns) + s.rng.normal(0, 0.02))
    drift = np.clip(1 + 0.6 * wander(s.rng, m.speed_hz.size, CTRL_HZ, own.uniform(0.5, 3)), 0.1, 3)
    at = own.uniform(0.3, 0.8)
    shake = 1 + own.uniform(1, 5) * np.exp(-np.square((m.share - at) / 0.15))
    level = drift * shake * _unrest(s, own.uniform(0.4, 0.9)) * np.minimum(1, 1.5 * m.share)
    thumps = _clacks(own, s, 90, 500)
    out = scatter(s.n, where, m.at(level, where), thumps, s.rng)
    rest = m.when(np.arange(1, m.turns) + own.uniform(0.3, 0.6) + s.rng.normal(0, 0.05))
    maybe = (s.rng.random(rest.size) < 0.4) * own.uniform(0.2, 0.7)
    return out + scatter(s.n, rest, maybe * m.at(level, rest), _clacks(own, s, 600, 2500), s.rng)


def plate_chatter(s: Scene, own: Generator) -> F32:
    """Chatter at the beat of the motor torque: a buzz of clacks, loud while pulling up."""
    m = s.motion
    step = s.rate_hz / (2 * s.mains_hz)
    where = np.arange(0, s.n - 1, step) + s.rng.normal(
        0, 0.06 * step, int(np.ceil((s.n - 1) / step))
    )
    where = np.clip(where, 0, s.n - 1).astype(np.int64)
    pulling = m.power * np.clip(1.15 - m.share, 0.0, 1) ** own.uniform(0.6, 1.6)
    loose = np.clip(wander(s.rng, m.speed_hz.size, CTRL_HZ, 2.0) - own.uniform(0.3, 1.2), 0, 1)
    level = pulling * (m.share > 0.01) + 0.5 * m.power * loose * own.uniform(0.2, 1)
    amps = m.at(level, where) * s.rng.lognormal(0, 0.5, where.size)
    jolt_at, jolt = _moments(s, own)
    where, amps = np.concatenate([where, jolt_at]), np.concatenate([amps, 1.2 * jolt])
    return scatter(s.n, where, amps, _clacks(own, s, 500, 3000), s.rng)


def backlash(s: Scene, own: Generator) -> F32:
    """Clack-clack at on and off, a shiver at one or two speeds on the way, loose knocks between."""
    m = s.motion
    where, amps = _moments(s, own)
    per_turn = own.uniform(1, 3)
    likes = own.uniform(0.15, 0.95, int(own.integers(1, 4)))
    shiver = np.zeros_like(m.share)
    for v in likes:
        shiver += np.exp(-np.square((m.share - v) / 0.05)) * own.uniform(0.3, 1)
    more = m.when(np.cumsum(s.rng.exponential(1 / per_turn, int(m.turns * per_turn) + 5)))
    moving = m.at(shiver * (np.abs(np.gradient(m.speed_hz)) > 0.002), more)
    odd = (s.rng.random(more.size) < own.uniform(0.01, 0.08)) * own.uniform(0.4, 1.0)
    strength = (moving + odd) * s.rng.lognormal(0, 0.5, more.size) * m.at(m.share > 0.02, more)
    where, amps = np.concatenate([where, more]), np.concatenate([2.0 * amps, strength])
    return scatter(s.n, where, amps, _clacks(own, s), s.rng)


def swaying_swish(s: Scene, own: Generator) -> F32:
    """The skewed pre-breaker sways: a rough swish each turn that walks round, and knocks."""
    p, m = s.paint, s.motion
    noise = p.noise(s.rng, band(p.freqs, log_uniform(own, 200, 600), log_uniform(own, 1200, 4000)))
    walk = own.uniform(0.85, 0.985)
    arc = arc_table(0.5, own.uniform(0.2, 0.5), 0.7)
    table = harmonic_table([1.0], own)
    sway = lookup(arc, m.turn * walk) * (1 + 0.7 * lookup(table, m.turn * (1 - walk)))
    out = noise * sway * m.up(_unrest(s, own.uniform(0.2, 0.7)) * np.minimum(1, 2 * m.share))
    ring_low = p.noise(s.rng, hump(p.freqs, log_uniform(own, 150, 400), 0.5))
    out += own.uniform(0, 1) * ring_low * sway * m.up(_unrest(s, 0.3) * m.share)
    knocks = knock_knock(s, own)
    loud = np.abs(out).max() + 1e-9
    return out + knocks * np.float32(own.uniform(0.3, 1.5) * loud / (np.abs(knocks).max() + 1e-9))


WOBBLE = {
    "start_clatter": (start_clatter, "run_up"),
    "knock_knock": (knock_knock, "steady"),
    "lame_thump": (lame_thump, "steady"),
    "plate_chatter": (plate_chatter, "run_up"),
    "backlash_clacks": (backlash, "turning"),
    "swaying_swish": (swaying_swish, "steady"),
}
