"""Sources of a healthy machine: hum, slots, fan, bearings rolling, unbalance, clicks."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from quietrun.synth.kit import (
    CONTROL_HZ,
    FS,
    Floats,
    Rng,
    Signal,
    amplitude,
    band_shape,
    chance,
    flowing_noise,
    harmonics,
    hump,
    look_up,
    place,
    ramp,
    rings,
    wandering,
    white,
)
from quietrun.synth.scene import Scene


@dataclass(slots=True, eq=False)
class Stems:
    """Forces on the housing's two ends and sound made in the air, each shape (n,)."""

    front: Signal
    rear: Signal
    air: Signal

    @classmethod
    def silent(cls, n: int) -> Stems:
        """Nothing yet."""
        return cls(*(np.zeros(n, dtype=np.float32) for _ in range(3)))


def unit(table: Signal) -> Signal:
    """Scale to rms 1."""
    return np.asarray(table / np.sqrt(np.mean(np.square(table)) + 1e-20), dtype=np.float32)


def decaying_gate(scene: Scene, seconds: float) -> Floats:
    """Power gate that dies away with a time constant after switch-off."""
    gate = scene.powered.copy()
    off = scene.motion.off_s
    if off is not None:
        t = np.arange(scene.points) / CONTROL_HZ - off
        gate = np.where(t >= 0, np.exp(-np.maximum(t, 0) / seconds), gate)
    return gate


def add_hum(scene: Scene, stems: Stems) -> None:
    """Magnetic pull at twice the mains and its harmonics; a slow swell with the slip."""
    m, rng = scene.machine, scene.rng("hum")
    level = amplitude(m.hum_db + rng.normal(0, 1.5))
    count = 24
    numbers = np.arange(1, count + 1)
    slope = m.hum_slope * np.log2(numbers)
    shape = 10 ** (-slope / 20.0) * np.exp(rng.normal(0, 0.5, count))
    table = unit(harmonics(shape, rng))
    slip_hz = np.maximum(scene.mains_hz * 2 - scene.recipe.poles * scene.speed_hz, 0.0)
    beat = np.cumsum(slip_hz) / CONTROL_HZ
    swell = 1.0 + rng.uniform(0, 0.35) * np.cos(2 * np.pi * (beat + rng.random()))
    gate = decaying_gate(scene, rng.uniform(0.003, 0.03)) * scene.current * swell
    sound = look_up(table, 2.0 * scene.mains) * ramp(gate * level)
    odd = unit(harmonics([1.0, 0.0, 0.4, 0.0, 0.2], rng))
    inrush = np.zeros(scene.points)
    if scene.motion.on_s is not None:
        t = np.arange(scene.points) / CONTROL_HZ - scene.motion.on_s
        inrush = np.where(t >= 0, np.exp(-np.maximum(t, 0) / rng.uniform(0.02, 0.08)), 0.0)
    sound += look_up(odd, scene.mains) * ramp(inrush * level * rng.uniform(0.2, 2.5))
    stems.rear += (1 - m.hum_body) * sound
    stems.air += m.hum_body * sound


def add_slots(scene: Scene, stems: Stems) -> None:
    """Slot force: R fr with lines 2f to each side, only while there is flux."""
    m, rng = scene.machine, scene.rng("slots")
    level = amplitude(m.slot_db + rng.normal(0, 2))
    angle = m.bars * scene.turns + rng.random()
    gate = decaying_gate(scene, rng.uniform(0.003, 0.04)) * np.sqrt(scene.current)
    gate = gate * np.clip(scene.v * 4, 0, 1)
    sides = rng.uniform(0.05, 1.2, 3)
    mains2 = 2 * np.pi * np.mod(2.0 * scene.mains + rng.random(), 1.0).astype(np.float32)
    carrier = sides[0] + sides[1] * np.cos(mains2) + sides[2] * np.sin(mains2)
    tone = unit(harmonics([1.0, rng.uniform(0, 0.5), rng.uniform(0, 0.3)], rng))
    stems.rear += look_up(tone, angle) * carrier.astype(np.float32) * ramp(gate * level)


def _blade_table(scene: Scene, rng: Rng) -> Signal:
    """One turn of the pressure of uneven blades: a short pulse at each blade."""
    m = scene.machine
    orders = np.arange(1, 10 * m.blades)
    angles = (np.arange(m.blades) + m.blade_offsets * m.blades) / m.blades
    width = rng.uniform(0.08, 0.25) / m.blades
    pulses = np.exp(-2j * np.pi * np.outer(orders, angles)) @ m.blade_gains
    size = np.abs(pulses) * np.exp(-0.5 * np.square(2 * np.pi * orders * width))
    return unit(harmonics(size, rng))


def add_fan(scene: Scene, stems: Stems) -> None:
    """Air noise, spectrum moving with the speed, and the blade pass of uneven blades."""
    m, rng = scene.machine, scene.rng("fan")
    level = amplitude(m.fan_db + rng.normal(0, 1))
    v = np.maximum(scene.v, 1e-4)
    half = 0.5 * m.fan_exponent  # amplitude exponent; high bands fall faster
    centre = m.fan_centre
    gust = 1.0 + wandering(rng, scene.points, 0.15, 0.06)
    low = lambda f: hump(f, 0.6 * centre, *m.fan_slopes)  # noqa: E731
    high = lambda f: hump(f, 2.2 * centre, 5.0, m.fan_slopes[1])  # noqa: E731
    shapes = [
        (level * gust * v ** (half - 0.25), low),
        (level * gust * 0.6 * v ** (half + 0.45), high),
    ]
    if scene.recipe.stage != "motor_only" and scene.recipe.stage != "hand_spin":
        chamber = amplitude(m.chamber_db)
        shapes.append((chamber * v**2.5, lambda f: hump(f, m.chamber_centre, 6.0, 7.0)))
    noise = flowing_noise(rng, scene.n, shapes)
    table = _blade_table(scene, scene.rng("blades"))
    depth = np.float32(rng.uniform(0, 0.25))
    blades = look_up(table, scene.turns)
    stems.air += noise * (1 + depth * blades)
    stems.air += blades * ramp(level * amplitude(m.blade_db) * v ** (0.5 * m.blade_exponent))


def add_roll(scene: Scene, stems: Stems) -> None:
    """Balls rolling: broadband, as force on both ends."""
    m, rng = scene.machine, scene.rng("roll")
    v = np.maximum(scene.v, 1e-4)
    half = 0.5 * m.roll_exponent
    for bus, name in ((stems.front, "front"), (stems.rear, "rear")):
        own = scene.rng("roll", name)
        level = amplitude(m.roll_db + own.normal(0, 2.5))
        sway = 1.0 + wandering(own, scene.points, 0.08, 0.12)
        lo, hi = m.roll_band
        noise = flowing_noise(
            own,
            scene.n,
            [(level * sway * v**half, partial(band_shape, lo_hz=lo, hi_hz=hi, order=1.0))],
        )
        depth = rng.uniform(0, 0.2)
        once = 1 + depth * np.cos(2 * np.pi * (scene.turns + rng.random())).astype(np.float32)
        bus += noise * once


def add_unbalance(scene: Scene, stems: Stems) -> None:
    """Once and twice a turn and a few more, force growing with the square of the speed."""
    m, rng = scene.machine, scene.rng("unbalance")
    level = amplitude(m.unbalance_db + rng.normal(0, 2))
    table = unit(harmonics([1, rng.uniform(0.1, 0.8), *rng.uniform(0, 0.2, 6)], rng))
    stems.front += look_up(table, scene.turns) * ramp(level * scene.v**2)


def add_buzz(scene: Scene, stems: Stems) -> None:
    """Sheet metal or a lid that buzzes with the magnetic pull, under power only."""
    m, rng = scene.machine, scene.rng("buzz")
    if m.buzz_db < -100:
        return
    lo, hi = m.buzz_band
    table = np.zeros(65_536, dtype=np.float32)
    burst = rng.uniform(0.02, 0.2)
    span = int(65_536 * burst)
    table[:span] = np.hanning(span)
    gate = (
        scene.powered * np.clip(scene.current, 0, 3) * (1 + wandering(rng, scene.points, 0.3, 0.25))
    )
    noise = flowing_noise(rng, scene.n, [(np.maximum(gate, 0), lambda f: band_shape(f, lo, hi))])
    stems.air += noise * unit(look_up(table, 2.0 * scene.mains)) * np.float32(amplitude(m.buzz_db))


def knock(rng: Rng, band: tuple[float, float], *, quality: float = 14.0) -> Signal:
    """Impulse response of a small part that is struck, energy 1."""
    freqs = np.exp(rng.uniform(np.log(band[0]), np.log(band[1]), 5))
    ir = rings(freqs, np.full(5, quality), rng.normal(0, 1, 5), length_s=0.06)
    return np.asarray(ir / np.sqrt(np.sum(np.square(ir)) + 1e-12), dtype=np.float32)


def strike(bus: Signal, at_s: float, ir: Signal, size: float) -> None:
    """Add an impulse response at a time."""
    i = int(at_s * FS)
    if i < 0 or i >= bus.size:
        return
    part = ir[: bus.size - i]
    bus[i : i + part.size] += np.float32(size) * part


def _click(scene: Scene, bus: Signal, at_s: float, size: float, rng: Rng) -> None:
    """Several parts landing within a few milliseconds."""
    m = scene.machine
    for _ in range(m.click_parts):
        late = abs(rng.normal(0, 0.004))
        strike(bus, at_s + late, knock(rng, m.click_band), size * np.exp(rng.normal(0, 0.4)))


def add_clicks(scene: Scene, stems: Stems) -> None:
    """Start switch, rocker and the jolt of the motor on its feet."""
    m, motion, rng = scene.machine, scene.motion, scene.rng("clicks")
    size = 14.0 * amplitude(m.click_db + rng.normal(0, 2)) / 4
    for at in (motion.opens_s, motion.closes_s):
        if at is not None:
            _click(scene, stems.rear, at, size * np.exp(rng.normal(0, 0.3)), rng)
    rocker = 3.0 * amplitude(m.rocker_db + rng.normal(0, 3)) / 4
    for at in (motion.on_s, motion.off_s):
        if at is not None and chance(rng, 0.85):
            for _ in range(int(rng.integers(1, 4))):
                late = -abs(rng.normal(0, 0.012))
                strike(stems.air, at + late, knock(rng, (700, 7000)), rocker * rng.uniform(0.3, 1))
    if motion.on_s is not None:
        jolt = 8.0 * amplitude(m.jolt_db) / 4
        strike(stems.front, motion.on_s + 0.004, knock(rng, (60, 400)), jolt)


def add_switch_rattle(scene: Scene, stems: Stems) -> None:
    """The switch ring rattling a little below its release speed: normal on some machines."""
    m, rng = scene.machine, scene.rng("rattle")
    if m.rattle_db < -100 or scene.recipe.stage == "hand_spin":
        return
    gate = (scene.v > 0.12 * scene.v.max()) * (scene.speed_hz < m.closes * scene.motor.sync_hz)
    count = int(scene.duration_s * 60)
    times = np.sort(rng.uniform(0, scene.duration_s, count))
    on = np.interp(times * CONTROL_HZ, np.arange(scene.points), gate.astype(float)) > 0.5
    sizes = 3 * amplitude(m.rattle_db) * np.exp(rng.normal(0, 0.6, count)) * on
    train = place(times, sizes, scene.n)
    ir = knock(rng, m.click_band)
    stems.rear += (
        np.convolve(train, ir[:600]).astype(np.float32)[: scene.n] if False else _fast(train, ir)
    )


def _fast(train: Signal, ir: Signal) -> Signal:
    """Convolve a sparse train with a short response."""
    out = np.zeros(train.size + ir.size, dtype=np.float32)
    for i in np.flatnonzero(train):
        out[i : i + ir.size] += train[i] * ir
    return out[: train.size]


def add_hand(scene: Scene, stems: Stems) -> None:
    """Hand on the shaft: rustle before each spin."""
    rng = scene.rng("hand")
    rising = np.diff(scene.v, append=scene.v[-1]) > 1e-5
    level = np.convolve(rising.astype(float), np.ones(60) / 60, mode="same")
    sound = flowing_noise(rng, scene.n, [(level, lambda f: hump(f, rng.uniform(400, 900), 4, 7))])
    stems.air += sound * np.float32(amplitude(rng.uniform(-8, 10)))


def healthy(scene: Scene) -> Stems:
    """Render all sources of the healthy machine."""
    stems = Stems.silent(scene.n)
    if scene.recipe.stage == "hand_spin":
        add_hand(scene, stems)
    else:
        add_hum(scene, stems)
        add_slots(scene, stems)
        add_buzz(scene, stems)
        add_clicks(scene, stems)
    add_fan(scene, stems)
    add_roll(scene, stems)
    add_unbalance(scene, stems)
    add_switch_rattle(scene, stems)
    return stems


__all__ = ["Stems", "healthy", "knock", "strike", "unit", "white"]
