"""Sources of a healthy machine: hum, slots, fan, bearings rolling, unbalance, clicks."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from quietrun.synth.kit import (
    CONTROL_HZ,
    COSINE,
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
    ramp,
    rings,
    wandering,
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
    """Power gate that dies away with a time constant after each switch-off."""
    gate = scene.powered.copy()
    for off in np.flatnonzero(np.diff(scene.powered) < 0):
        tail = np.exp(-np.arange(scene.points - off - 1) / (CONTROL_HZ * seconds))
        gate[off + 1 :] = np.maximum(gate[off + 1 :], tail)
    return np.asarray(gate)


def switched_on(scene: Scene) -> list[float]:
    """Times at which the mains comes on, s."""
    return [float(i) / CONTROL_HZ for i in np.flatnonzero(np.diff(scene.powered) > 0) + 1]


def add_hum(scene: Scene, stems: Stems) -> None:
    """Magnetic pull at twice the mains and its harmonics; a slow swell with the slip."""
    m, rng = scene.machine, scene.rng("hum")
    level = amplitude(m.hum_db + rng.normal(0, 1.5))
    count = 60
    numbers = np.arange(1, count + 1)
    slope = m.hum_slope * np.log2(numbers)
    shape = 10 ** (-slope / 20.0) * np.exp(rng.normal(0, 0.5, count))
    table = unit(harmonics(shape, rng))
    slip_hz = np.maximum(scene.mains_hz * 2 - scene.recipe.poles * scene.speed_hz, 0.0)
    beat = np.cumsum(slip_hz) / CONTROL_HZ
    swell = 1.0 + rng.uniform(0, 0.35) * np.cos(2 * np.pi * (beat + rng.random()))
    gate = decaying_gate(scene, rng.uniform(0.003, 0.03)) * scene.current * swell
    sound = look_up(table, scene.line, 2) * ramp(gate * level)
    odd = unit(harmonics([1.0, 0.0, 0.4, 0.0, 0.2], rng))
    inrush, dies = np.zeros(scene.points), rng.uniform(0.02, 0.08)
    for at in switched_on(scene):
        t = np.arange(scene.points) / CONTROL_HZ - at
        inrush += np.where(t >= 0, np.exp(-np.maximum(t, 0) / dies), 0.0)
    sound += look_up(odd, scene.line) * ramp(inrush * level * rng.uniform(0.2, 2.5))
    if chance(rng, 0.4):  # a little of the mains itself, and its odd harmonics
        sound += look_up(odd, scene.line) * ramp(gate * level * rng.uniform(0.01, 0.25))
    stems.rear += (1 - m.hum_body) * sound
    stems.air += m.hum_body * sound


def add_slots(scene: Scene, stems: Stems) -> None:
    """Slot force: R fr with lines 2f to each side, only while there is flux."""
    m, rng = scene.machine, scene.rng("slots")
    level = amplitude(m.slot_db + rng.normal(0, 2))
    gate = decaying_gate(scene, rng.uniform(0.003, 0.04)) * np.sqrt(scene.current)
    gate = gate * np.clip(scene.v * 4, 0, 1)
    sides = rng.uniform(0.05, 1.2, 2)
    carrier = sides[0] + np.float32(sides[1]) * look_up(COSINE, scene.line, 2, float(rng.random()))
    tone = unit(harmonics([1.0, rng.uniform(0, 0.5), rng.uniform(0, 0.3)], rng))
    stems.rear += look_up(tone, scene.shaft, m.bars) * carrier * ramp(gate * level)


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
    if (
        scene.recipe.stage in ("assembled", "burr_setting")
        and "sheared_drive" not in scene.recipe.other
    ):
        chamber = amplitude(m.chamber_db)
        shapes.append((chamber * v**2.5, lambda f: hump(f, m.chamber_centre, 6.0, 7.0)))
    noise = flowing_noise(rng, scene.n, shapes)
    table = _blade_table(scene, scene.rng("blades"))
    depth = np.float32(rng.uniform(0, 0.25))
    blades = look_up(table, scene.shaft)
    stems.air += (
        noise * (1 + depth * blades) * _breathing(scene, scene.rng("breath"), 0.6 * m.breath)
    )
    stems.air += blades * ramp(level * amplitude(m.blade_db) * v ** (0.5 * m.blade_exponent))


def _breathing(scene: Scene, rng: Rng, share: float) -> Signal:
    """Modulation that healthy machines have: with the turn and with the torque."""
    once, twice = rng.uniform(0, share, 2) * np.array([1.0, 0.4])
    table = 1 + look_up(harmonics([once, rng.uniform(0, 0.5) * once], rng), scene.shaft)
    if scene.powered.any() and chance(rng, 0.6):
        depth = rng.uniform(0, share) * scene.powered
        table += ramp(depth) * look_up(COSINE, scene.line, 2, float(rng.random()))
    if chance(rng, 0.4):
        table += np.float32(twice) * look_up(COSINE, scene.shaft, scene.machine.blades)
    return np.maximum(table, 0.05)


def add_roll(scene: Scene, stems: Stems) -> None:
    """Balls rolling: broadband, as force on both ends, with the ticks any machine has."""
    m = scene.machine
    v = np.maximum(scene.v, 1e-4)
    half = 0.5 * m.roll_exponent
    for bus, name in ((stems.front, "front"), (stems.rear, "rear")):
        own = scene.rng("roll", name)
        level = amplitude(m.roll_db + own.normal(0, 2.5))
        sway = 1.0 + wandering(own, scene.points, 0.08, 0.12)
        lo, hi = m.roll_band
        shape = partial(band_shape, lo_hz=lo, hi_hz=hi, order=1.0)
        noise = flowing_noise(own, scene.n, [(level * sway * v**half, shape)])
        bus += noise * _breathing(scene, own, m.breath)
        ticks = int(own.poisson(m.ticks_per_s * scene.duration_s))
        times = own.uniform(0, scene.duration_s, ticks)
        sizes = 6 * level * np.exp(own.normal(0, 0.5, ticks)) * scene.speed_at(times) ** half
        bus += scattered(own, times, sizes, scene.n, (1000, 8000))


def add_shake(scene: Scene, stems: Stems) -> None:
    """The machine on its feet: it shakes, and something rattles, as it runs through a resonance."""
    m, rng = scene.machine, scene.rng("shake")
    if m.shake_db < -100:
        return
    near = m.resonance_hz / np.maximum(scene.speed_hz, 0.1)
    gain = 1.0 / np.sqrt(np.square(near**2 - 1.0) + np.square(0.15 * near))
    gain = np.where(scene.speed_hz > 0.5, np.minimum(gain, 7.0) / 7.0, 0.0) ** 2
    count = int(scene.duration_s * 40)
    times = np.sort(rng.uniform(0, scene.duration_s, count))
    sizes = 5 * amplitude(m.shake_db) * np.exp(rng.normal(0, 0.6, count)) * scene.at(times, gain)
    stems.front += scattered(rng, times, sizes, scene.n, (400, 6000))


def add_unbalance(scene: Scene, stems: Stems) -> None:
    """Once and twice a turn and a few more, force growing with the square of the speed."""
    m, rng = scene.machine, scene.rng("unbalance")
    level = amplitude(m.unbalance_db + rng.normal(0, 2))
    table = unit(harmonics([1, rng.uniform(0.1, 0.8), *rng.uniform(0, 0.2, 6)], rng))
    stems.front += look_up(table, scene.shaft) * ramp(level * scene.v**2)


def add_tones(scene: Scene, stems: Stems) -> None:
    """Whole orders of the shaft that sing in any machine: slots, blades, teeth in the air."""
    m, rng = scene.machine, scene.rng("tones")
    v = np.maximum(scene.v, 1e-4) ** (0.5 * m.tone_exponent)
    for order, level in zip(m.tone_orders, m.tone_db, strict=True):
        size = amplitude(level + rng.normal(0, 2)) * (1 + wandering(rng, scene.points, 0.2, 0.15))
        tone = look_up(COSINE, scene.shaft, order, float(rng.random())) * ramp(size * v)
        stems.air += np.float32(0.5) * tone
        stems.front += tone


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
    stems.air += noise * unit(look_up(table, scene.line, 2)) * np.float32(amplitude(m.buzz_db))


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
    for at in motion.clicks:
        _click(scene, stems.rear, at, size * np.exp(rng.normal(0, 0.3)), rng)
    rocker = 3.0 * amplitude(m.rocker_db + rng.normal(0, 3)) / 4
    for at in motion.hands:
        if chance(rng, 0.85):
            for _ in range(int(rng.integers(1, 4))):
                late = -abs(rng.normal(0, 0.012))
                strike(stems.air, at + late, knock(rng, (700, 7000)), rocker * rng.uniform(0.3, 1))
    jolt = 8.0 * amplitude(m.jolt_db) / 4
    for at in switched_on(scene):
        strike(stems.front, at + 0.004, knock(rng, (60, 400)), jolt)


def add_switch_rattle(scene: Scene, stems: Stems) -> None:
    """The switch ring rattling a little below its release speed: normal on some machines."""
    m, rng = scene.machine, scene.rng("rattle")
    if m.rattle_db < -100 or scene.recipe.stage == "hand_spin":
        return
    gate = (scene.share > 0.1) & (scene.share < m.closes)
    count = int(scene.duration_s * 60)
    times = np.sort(rng.uniform(0, scene.duration_s, count))
    sizes = 3 * amplitude(m.rattle_db) * np.exp(rng.normal(0, 0.6, count))
    sizes = sizes * (scene.at(times, gate.astype(float)) > 0.5)
    stems.rear += scattered(rng, times, sizes, scene.n, m.click_band)


def scattered(rng: Rng, times: Floats, sizes: Floats, n: int, band: tuple[float, float]) -> Signal:
    """Knocks of a few like parts at given times."""
    out = np.zeros(n, dtype=np.float32)
    parts = [knock(rng, band, quality=float(rng.uniform(6, 25))) for _ in range(4)]
    which = rng.integers(0, 4, times.size)
    for at, size, i in zip(times.tolist(), sizes.tolist(), which.tolist(), strict=True):
        if size > 1e-5:
            strike(out, at, parts[i], size)
    return out


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
    add_shake(scene, stems)
    add_tones(scene, stems)
    return stems


__all__ = ["Stems", "healthy", "knock", "strike", "unit"]
