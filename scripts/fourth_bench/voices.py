"""Machines as characters: what a healthy one of them sounds like."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from fourth_bench.motion import CTRL_HZ, Motion
from fourth_bench.tools import (
    F32,
    F64,
    Paint,
    arc_table,
    band,
    bank,
    convolve,
    db,
    formants,
    harmonic_table,
    hump,
    log_uniform,
    lookup,
    ring,
    rms,
    scatter,
    tilt,
    wander,
)

#: Level of each layer of the steady sound, dB, before a machine's own scatter.
ARCHETYPES: dict[str, dict[str, float]] = {
    "hummer": {"hum": 0, "slot": -22, "air": -14, "roll": -18, "turn": -20, "rattle": -45},
    "blower": {"hum": -14, "slot": -24, "air": 0, "roll": -16, "turn": -22, "rattle": -50},
    "whiner": {"hum": -8, "slot": -4, "air": -8, "roll": -14, "turn": -20, "rattle": -45},
    "rumbler": {"hum": -8, "slot": -24, "air": -8, "roll": 0, "turn": -14, "rattle": -45},
    "rattler": {"hum": -4, "slot": -22, "air": -8, "roll": -12, "turn": -14, "rattle": -14},
    "thumper": {"hum": -6, "slot": -22, "air": -6, "roll": -10, "turn": -2, "rattle": -40},
    "buzzer": {"hum": 0, "slot": -14, "air": -12, "roll": -16, "turn": -20, "rattle": -26},
    "even": {"hum": -3, "slot": -16, "air": -3, "roll": -6, "turn": -12, "rattle": -45},
}


@dataclass(frozen=True, slots=True)
class Maker:
    """What is fixed about one machine; ``voice`` seeds everything else about its sound."""

    name: str
    voice: int
    mains_hz: int
    poles: int
    blades: int
    bars: int
    balls: int
    ratio: float
    slip: float
    run_up_s: float
    coast_s: float
    open_share: float
    close_share: float
    archetype: str

    @property
    def orders(self) -> dict[str, float]:
        """Repetition of bearing faults per turn (standing outer ring, no contact angle)."""
        r, n = self.ratio, self.balls
        return {
            "outer": n * (1 - r) / 2,
            "inner": n * (1 + r) / 2,
            "cage": (1 - r) / 2,
            "ball": (1 - r * r) / r,
        }

    @property
    def bearing(self) -> dict[str, float]:
        """The orders, rounded for the truth."""
        return {name: round(value, 4) for name, value in self.orders.items()}


def draw_maker(rng: Generator, number: int) -> Maker:
    """One machine."""
    open_share = float(np.clip(rng.normal(0.75, 0.055), 0.52, 0.85))
    return Maker(
        name=f"d{number:03d}",
        voice=int(rng.integers(2**31)),
        mains_hz=int(rng.choice((50, 60))),
        poles=int(rng.choice((2, 4), p=(0.3, 0.7))),
        blades=int(rng.integers(4, 15)),
        bars=int(rng.integers(18, 46)),
        balls=int(rng.integers(6, 12)),
        ratio=float(rng.uniform(0.19, 0.32)),
        slip=float(log_uniform(rng, 0.002, 0.03)),
        run_up_s=float(log_uniform(rng, 0.22, 2.2)),
        coast_s=float(log_uniform(rng, 0.8, 7.5)),
        open_share=open_share,
        close_share=float(np.clip(open_share * rng.uniform(0.4, 0.88), 0.22, 0.72)),
        archetype=str(rng.choice(list(ARCHETYPES))),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """Everything a layer needs: who sounds, how it moves, what the mains does."""

    maker: Maker
    motion: Motion
    mains_hz: float
    stage: str
    rng: Generator

    @property
    def n(self) -> int:
        """Samples."""
        return self.motion.n

    @property
    def rate_hz(self) -> int:
        """Sample rate, Hz."""
        return self.motion.rate_hz

    @property
    def paint(self) -> Paint:
        """Noise grid of the clip."""
        return Paint(self.n, self.rate_hz)

    def line(self) -> F64:
        """Mains cycles, shape (n,)."""
        return np.asarray(np.arange(self.n) * (self.mains_hz / self.rate_hz))

    def share_frames(self, power: float = 1.0) -> F32:
        """Speed share to a power at frame times, shape (frames, 1)."""
        return self.motion.frames(self.motion.share**power, self.paint.times)

    def level(self, power: float) -> F32:
        """Speed share to a power at the sample rate."""
        return self.motion.up(self.motion.share**power)

    def gate(self) -> F32:
        """Power on or off at the sample rate."""
        return self.motion.up(self.motion.power)

    def unit(self, x: F32, phase: str) -> F32:
        """Scaled to unit level in a phase; left alone where silent."""
        have = rms(x[self.motion.span(phase)])
        return x if have < 1e-9 else np.asarray(x / np.float32(have))


# layers: each is at unit level in the steady run -----------------------------


def hum(s: Scene, own: Generator, buzz: float) -> F32:
    """Twice the mains and its harmonics, swelling with slip, strong while starting."""
    top = min(60, int(0.45 * s.rate_hz / s.mains_hz))
    k = np.arange(1, top + 1)
    amps = own.lognormal(0.0, 0.8, top) * (k / 2.0) ** -own.uniform(1.3, 3.0)
    amps[::2] *= db(own.uniform(-40, -14))
    amps[0] *= 0.5
    table = harmonic_table(amps, own)
    table = np.asarray(table / np.float32(rms(table)))
    if buzz > 0:
        # a lamination that slaps: the hum through a hard corner
        table = np.tanh(buzz * (table + own.normal(0.0, 0.4))).astype(np.float32)
        table -= table.mean()
    m = s.motion
    slip_hz = np.maximum(m.sync_hz - m.speed_hz, 0) * s.maker.poles / 2
    beat = np.cumsum(np.where(slip_hz < 12, 2 * slip_hz, 0)) / CTRL_HZ
    depth = own.uniform(0.0, 0.35)
    swell = 1 + depth * np.sin(2 * np.pi * beat)
    start = own.uniform(1.2, 4.0)
    lag = np.clip(1 - m.share, 0, 1)
    pull = 1 + (start - 1) * lag ** own.uniform(0.4, 1.5) * m.power
    if m.open_s is not None:
        pull *= np.where(m.seconds < m.open_s, own.uniform(1.0, 1.6), 1.0)
    return lookup(table, s.line()) * m.up(m.power * pull * swell)


def slot(s: Scene, own: Generator) -> F32:
    """Whine of the bars past the slots: glides with the shaft, side lines at twice the mains."""
    turn, line = s.motion.turn, s.line()
    out = np.zeros(s.n, dtype=np.float32)
    for step in range(int(own.integers(1, 4))):
        order = s.maker.bars * (1 + step // 2)
        side = (0, -2, 2)[step % 3]
        if order * s.motion.ref_hz + 2 * s.mains_hz > 0.45 * s.rate_hz:
            continue
        cycles = order * turn + side * line
        cycles -= np.floor(cycles)
        out += own.uniform(0.3, 1) * np.sin(np.float32(2 * np.pi) * cycles.astype(np.float32))
    left = own.uniform(0.0, 0.25)
    return out * s.motion.up(s.motion.share * (left + (1 - left) * s.motion.power))


def air(s: Scene, own: Generator) -> F32:
    """Fan and windage: rushing noise that brightens with speed, blades as an uneven tone."""
    p = s.paint
    f = p.freqs
    v = s.share_frames()
    centre = log_uniform(own, 350, 2500) * np.maximum(v, 0.03) ** own.uniform(0.5, 1.1)
    shape = hump(f, centre, own.uniform(0.9, 1.8)) + 0.1 * tilt(f, own.uniform(-5, -1))
    gain = shape * formants(own, f, 6, 4.0) * v ** own.uniform(2.3, 3.0)
    noise = s.unit(p.noise(s.rng, gain), "steady")
    blades = s.maker.blades
    flutter = harmonic_table(own.lognormal(0, 0.8, 3 * blades) * 0.15, own)
    flutter = np.clip(1 + own.uniform(0, 0.8) * flutter / (3 * rms(flutter)), 0.05, 3)
    noise *= lookup(flutter.astype(np.float32), s.motion.turn)
    top = min(4 * blades + 2, 500)
    k = np.arange(1, top + 1)
    uneven = db(own.uniform(-36, -12))
    amps = np.where(k % blades == 0, (k / blades) ** -own.uniform(0.5, 2.0), 0.0)
    amps = amps + uneven * own.lognormal(0, 0.6, top) * hump(k.astype(np.float32), blades, 0.7)
    tone = s.unit(lookup(harmonic_table(amps, own), s.motion.turn) * s.level(2.5), "steady")
    return np.asarray(noise + np.float32(db(own.uniform(-22, 0))) * tone)


def roll(s: Scene, own: Generator) -> F32:
    """Healthy ball bearings: an even rustle or soft rumble, barely modulated."""
    p = s.paint
    f = p.freqs
    v = s.share_frames()
    low = log_uniform(own, 90, 700)
    shape = band(f, low, low * log_uniform(own, 3, 30), own.uniform(2, 5))
    shape = shape * formants(own, f, 7, 5.0)
    noise = p.noise(s.rng, shape * np.maximum(v, 0) ** own.uniform(0.9, 1.7))
    depth = own.uniform(0.0, 0.25)
    slow = s.motion.up(1 + depth * wander(s.rng, s.motion.speed_hz.size, CTRL_HZ, 8.0))
    pattern = 1 + own.uniform(0.0, 0.2) * lookup(
        harmonic_table([1.0, 0.4], own), s.motion.turn * own.choice([1.0, s.maker.orders["cage"]])
    )
    return noise * np.maximum(slow, 0.05) * pattern


def per_turn(s: Scene, own: Generator) -> F32:
    """Unbalance and bent air: low orders that shudder where the housing answers."""
    k = np.arange(1, int(own.integers(3, 24)) + 1)
    table = harmonic_table(own.lognormal(0, 0.7, k.size) * k ** -own.uniform(0.3, 1.6), own)
    at = own.uniform(0.25, 1.3) * s.motion.ref_hz
    bump = 1 + own.uniform(0, 5) / (1 + np.square((s.motion.speed_hz - at) / (0.12 * at)))
    return lookup(table, s.motion.turn) * s.motion.up(s.motion.share**1.5 * bump)


def rattle(s: Scene, own: Generator) -> F32:
    """A cover or a hopper lid that buzzes lightly, most at the speeds it likes."""
    m = s.motion
    hits = bank(own, s.rate_hz, 6, log_uniform(own, 700, 4500), decay_s=own.uniform(0.002, 0.01))
    if own.random() < 0.5:
        where = np.arange(0, s.n, s.rate_hz / (2 * s.mains_hz)).astype(np.int64)
        strength = m.at(m.power * (1 + 3 * np.clip(1 - m.share, 0, 1)), where)
    else:
        per = int(own.integers(1, 4))
        where = m.when(np.arange(0, m.turns, 1 / per) + s.rng.normal(0, 0.02))
        strength = m.at(m.share**1.5, where)
    at = own.uniform(0.3, 1.1)
    strength *= 1 + 3 * np.exp(-np.square((m.at(m.share, where) - at) / 0.08))
    awake = np.clip(m.at(wander(s.rng, m.speed_hz.size, CTRL_HZ, 1.5), where) + 0.6, 0, 2)
    where = where + s.rng.integers(0, int(0.002 * s.rate_hz), where.size)
    amps = strength * awake * s.rng.lognormal(0, 0.5, where.size)
    return scatter(s.n, where, amps, hits, s.rng)


def swish(s: Scene, own: Generator) -> F32:
    """The empty chamber: the pre-breaker fans air past the throat, shhk once or twice a turn."""
    p = s.paint
    centre = log_uniform(own, 500, 3500)
    noise = p.noise(s.rng, hump(p.freqs, centre, own.uniform(0.4, 1.0)) * s.share_frames(2.4))
    arc = arc_table(own.random(), own.uniform(0.15, 0.7), own.uniform(0.3, 0.9))
    floor = own.uniform(0.55, 0.95)
    return noise * (floor + (1 - floor) * lookup(arc, s.motion.turn * own.integers(1, 4)))


def ring_clatter(s: Scene, own: Generator) -> F32:
    """Weights of the start switch: they tinkle below their release speed, softly."""
    m = s.motion
    hits = bank(own, s.rate_hz, 5, log_uniform(own, 1200, 5000), decay_s=own.uniform(0.002, 0.008))
    where = m.when(np.arange(0, m.turns, 0.5) + s.rng.normal(0, 0.03))
    share = m.at(m.share, where)
    below = (share < 0.9 * s.maker.close_share) & (share > 0.04)
    amps = below * s.rng.lognormal(0, 0.6, where.size) * share**0.5
    return scatter(s.n, where, amps, hits, s.rng)


def switch_thumps(s: Scene, own: Generator) -> F32:
    """The mains switch: a snap and a jolt of the housing, on and off."""
    m = s.motion
    snap = bank(own, s.rate_hz, 2, log_uniform(own, 900, 4000), decay_s=own.uniform(0.001, 0.006))
    jolt = bank(own, s.rate_hz, 2, log_uniform(own, 70, 300), decay_s=own.uniform(0.01, 0.05))
    out = np.zeros(s.n, dtype=np.float32)
    times = [t for t in (m.on_s, m.off_s) if t is not None]
    for index, t in enumerate(times):
        at = np.array([int((t + s.rng.uniform(-0.006, 0.002)) * s.rate_hz)])
        out += scatter(s.n, at, np.array([1.0]), snap, s.rng)
        if index == 0:
            out += scatter(s.n, at, np.array([own.uniform(0.3, 3.0)]), jolt, s.rng)
    return out


def healthy(s: Scene) -> F32:
    """The machine with nothing wrong, unit level while it runs (or turns by hand)."""
    own = np.random.default_rng(s.maker.voice)
    base = ARCHETYPES[s.maker.archetype]
    levels = {name: value + own.normal(0.0, 4.0) for name, value in base.items()}
    buzz = own.uniform(0.8, 4.0) if s.maker.archetype == "buzzer" or own.random() < 0.15 else 0.0
    tones = np.exp(own.uniform(np.log(110), np.log(4500), int(own.integers(4, 14))))
    body = ring(own, s.rate_hz, tones, log_uniform(own, 0.004, 0.03), own.uniform(0.5, 3))
    spin = s.stage == "hand_spin"
    phase = "turning" if spin else "steady"
    parts = {"roll": roll, "turn": per_turn, "air": air, "rattle": rattle}
    if not spin:
        parts |= {"slot": slot}
    near = np.zeros(s.n, dtype=np.float32)
    open_air = np.zeros(s.n, dtype=np.float32)
    for index, (name, layer) in enumerate(parts.items()):
        voice = np.random.default_rng([s.maker.voice, index])
        sound = s.unit(layer(s, voice), phase) * np.float32(db(levels[name]))
        if name == "air":
            open_air += sound
        else:
            near += sound
    voice = np.random.default_rng([s.maker.voice, 20])
    if not spin:
        near += s.unit(hum(s, voice, buzz), phase) * np.float32(db(levels["hum"]))
    if s.stage != "motor_only":
        open_air += s.unit(swish(s, voice), phase) * np.float32(db(own.normal(-14, 5)))
    total = s.unit(convolve(near, body) + np.float32(0.7) * open_air, phase)
    jolts = db(own.normal(2, 6)) * switch_thumps(s, voice)
    ticks = db(own.normal(-14, 7)) * ring_clatter(s, voice)
    weight = np.float32(np.sqrt(0.01 * s.rate_hz))
    return np.asarray(total + weight * (jolts + 0.3 * ticks), dtype=np.float32)
