"""The sound of a whole machine: forces of current, air and rolling through its own modes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from third_bench.base import (
    COSINE,
    F32,
    F64,
    Rng,
    amplitude,
    bump,
    convolve,
    events,
    heard_level,
    modal_path,
    profile,
    read,
    shaped_noise,
    slow,
    spread,
    uniform,
    white,
)
from third_bench.kernels import TABLE, TURN, ball_force
from third_bench.machine import Bearing, Machine, Motion

PATHS = {
    "stator": (8, 30, 90.0, 5000.0, (0.01, 0.06), -2.0),
    "bearing": (18, 50, 200.0, 14000.0, (0.006, 0.05), 0.5),
    "shroud": (15, 45, 250.0, 12000.0, (0.006, 0.05), 0.0),
    "chamber": (15, 50, 200.0, 14000.0, (0.003, 0.04), 0.5),
    "burr": (6, 18, 900.0, 14000.0, (0.0006, 0.008), 1.5),
    "shell": (20, 60, 80.0, 9000.0, (0.01, 0.06), -1.5),
    "tin": (12, 40, 900.0, 14000.0, (0.002, 0.02), 1.0),
    "switch": (8, 30, 700.0, 13000.0, (0.006, 0.05), 1.0),
}


def path(machine: Machine, name: str, rate_hz: float) -> F32:
    """Impulse response of one of the machine's paths; the same in each of its clips."""
    fewest, most, low, high, loss, tilt = PATHS[name]
    rng = machine.rng(2, sorted(PATHS).index(name), int(rate_hz))
    return modal_path(
        rng,
        rate_hz,
        modes=int(rng.integers(fewest, most)),
        low_hz=low * spread(rng, 0.8, 1.5),
        high_hz=high * uniform(rng, 0.7, 1.0),
        loss=loss,
        tilt_db=tilt + rng.normal(0.0, 1.5),
        direct=uniform(rng, 0.05, 0.8),
    )


def moving(motion: Motion) -> F32:
    """1 while the rotor turns, 0 at rest."""
    return np.minimum(motion.speed * 8.0, 1.0).astype(np.float32)


def cage_angle(rng: Rng, bearing: Bearing, motion: Motion) -> F64:
    """Angle of the cage: rolling with a little slip that wanders."""
    slip = uniform(rng, 0.0, 0.015)
    wander = 1.0 - slip + 0.004 * slow(rng, motion.n, motion.rate_hz, 0.4)
    turned = np.diff(motion.theta, prepend=motion.theta[0])
    return bearing.cage * np.cumsum(turned * wander) + rng.uniform(0, TURN)


def highest_order(bearing: Bearing, motion: Motion) -> int:
    """Orders of a surface that stay below half the sample rate."""
    return int(0.45 * motion.rate_hz * TURN / (motion.full_rad_s * max(bearing.cage, 0.3)) * 0.6)


@dataclass(frozen=True, slots=True, eq=False)
class Surfaces:
    """Profiles of a bearing, in units of its elastic approach."""

    outer: F64
    inner: F64
    rolling: F64
    preload: float = 1.0
    radial: float = 0.4
    unbalance: float = 0.05
    asperity: float = 0.3
    asperity_power: float = 1.2


def whole_surfaces(rng: Rng, bearing: Bearing, motion: Motion) -> Surfaces:
    """Sound rings and balls: long waves from turning, short ones from honing."""
    top = highest_order(bearing, motion)

    def ring_surface() -> F64:
        wave = profile(rng, uniform(rng, 1.0, 2.0), 2, 60)
        fine = profile(rng, uniform(rng, 0.05, 0.6), 20, top)
        return spread(rng, 0.002, 0.012) * wave + spread(rng, 0.0008, 0.003) * fine

    return Surfaces(
        ring_surface(),
        ring_surface(),
        spread(rng, 0.3, 1.0) * ring_surface(),
        1.0,
        uniform(rng, 0.0, 0.8),
        spread(rng, 0.01, 0.15),
        spread(rng, 0.1, 1.5),
        uniform(rng, 0.7, 1.6),
    )


def bearing_force(
    rng: Rng, bearing: Bearing, motion: Motion, skin: Surfaces, cage: F64 | None = None
) -> F32:
    """Contact force of a bearing, without its steady part."""
    force = ball_force(
        motion.theta,
        cage_angle(rng, bearing, motion) if cage is None else cage,
        bearing.balls,
        skin.preload,
        skin.radial,
        skin.unbalance,
        skin.outer.astype(np.float32),
        skin.inner.astype(np.float32),
        COSINE,
        skin.rolling.astype(np.float32),
    )
    rolled = np.diff(force, prepend=force[:1])
    level = float(rolled[motion.span("all")].std())
    # asperities meeting in the film: too fine for the profile, as short as a contact
    share = skin.asperity * level * np.maximum(motion.speed, 0.0) ** skin.asperity_power
    return rolled + share * white(rng, motion.n)


def magnetic(rng: Rng, machine: Machine, motion: Motion) -> tuple[F32, F32]:
    """Pull at twice the mains with its harmonics, and the squared wave that buzzes sheets."""
    own = machine.rng(3)
    t = np.arange(motion.n) / motion.rate_hz
    phase = (TURN * 2.0 * motion.mains_exact_hz) * t + rng.uniform(0, TURN)
    table = np.zeros(TABLE)
    angle = np.arange(TABLE) * (TURN / TABLE)
    for k in range(1, 24):
        size = k ** (-machine.hum_slope / 6.0) * own.rayleigh(1.0)
        table += size * np.cos(k * angle + own.uniform(0, TURN))
    # the pole-slip beat: rotor asymmetry against the field, slow and usual
    slip = max(motion.mains_exact_hz * TURN * 2.0 / machine.poles - motion.full_rad_s, 0.3)
    beat = 1.0 + 0.35 * machine.growl * read(COSINE, slip * machine.poles * t)
    wave = read(table.astype(np.float32), phase)
    once = 1.0 + 0.3 * machine.growl * read(COSINE, motion.theta)
    pull = (motion.current ** machine.rng(12).uniform(0.4, 1.0) * wave * beat * once).astype(
        np.float32
    )
    edge = np.maximum(read(COSINE, phase) - np.float32(own.uniform(0.2, 0.95)), 0.0)
    buzz = (motion.current * np.diff(edge, prepend=0.0) * motion.rate_hz * 0.01).astype(np.float32)
    return pull, buzz


def slots(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """Rotor bars passing the stator field: bars x speed, and twice the mains beside it."""
    t = np.arange(motion.n) / motion.rate_hz
    twice = TURN * 2.0 * motion.mains_exact_hz * t
    own = machine.rng(4)
    out = np.zeros(motion.n, dtype=np.float32)
    for k, shift in ((1, -1), (1, 0), (1, 1), (2, 0), (2, -1)):
        if k * machine.rotor_bars * motion.full_rad_s / TURN > 0.4 * motion.rate_hz:
            continue
        angle = k * machine.rotor_bars * motion.theta + shift * twice + own.uniform(0, TURN)
        out += np.float32(own.rayleigh(1.0) / k) * read(COSINE, angle)
    return out * motion.current * (1.0 + 0.3 * machine.growl * read(COSINE, motion.theta))


def air(rng: Rng, machine: Machine, motion: Motion) -> tuple[F32, F32, F32]:
    """Fan and cooling air: broadband, blade tones, a whistling edge."""
    own = machine.rng(5)
    n, rate = motion.n, motion.rate_hz
    hump = spread(own, 250.0, 2500.0)
    roll = uniform(own, -9.0, -3.0)
    points = [60.0, hump / 3, hump, hump * 4, hump * 12, 24000.0]
    steep = roll * 2.0
    level = [-14.0, -6.0, 0.0, steep, steep + roll * 1.6, steep + roll * 1.6 - 8.0]
    low = shaped_noise(rng, n, rate, points, [v + own.normal(0, 2.0) for v in level])
    high = shaped_noise(
        rng, n, rate, [100.0, 1500.0, 4000.0, 9000.0, 24000.0], [-40.0, -12.0, 0.0, -4.0, -14.0]
    )
    loading = np.zeros(TABLE)
    for a in machine.blade_angle:
        loading += bump(a, 0.9 * TURN / machine.blades) * own.uniform(0.6, 1.0)
    loading = loading / loading.std() if loading.std() > 1e-6 else loading
    depth = uniform(own, 0.03, 0.3)
    beat = 1.0 + depth * read((loading - loading.mean()).astype(np.float32), motion.theta)
    wobble = uniform(own, 0.0, 0.25) if own.random() < 0.5 else 0.0
    beat = beat * (1.0 + wobble * read(COSINE, motion.theta + own.uniform(0, TURN)))
    gust = 1.0 + 0.08 * slow(rng, n, rate, 0.25)
    speed = np.maximum(motion.speed, 0.0)
    broad = speed**machine.air_power * low * beat * gust
    broad += amplitude(uniform(own, -16, -2)) * speed ** (machine.air_power + 0.7) * high * beat
    # blade tones: the pressure of each blade past the tongue, uneven from blade to blade
    tongue = np.zeros(TABLE)
    for a in machine.blade_angle:
        tongue += bump(a, spread(own, 0.06, 0.35)) * own.uniform(0.8, 1.0)
    tones = speed**machine.air_power * read(np.diff(tongue, append=tongue[:1]), motion.theta)
    tones = tones * (1.0 + 0.25 * slow(rng, n, rate, 0.06))
    whistle = np.zeros(n, dtype=np.float32)
    if machine.level_db["whistle"] > -40.0:
        f0 = spread(own, 700.0, 4200.0)
        fits = np.exp(-(((speed - own.uniform(0.9, 1.05)) / own.uniform(0.04, 0.2)) ** 2))
        wander = 1.0 + 0.004 * slow(rng, n, rate, 0.02) + 0.1 * (speed - 1.0)
        whistle = fits * np.cos(np.cumsum(TURN * f0 / rate * wander.astype(np.float64)))
        whistle *= speed**2.0 * (0.7 + 0.3 * slow(rng, n, rate, 0.05))
    return broad.astype(np.float32), tones.astype(np.float32), whistle.astype(np.float32)


def seal_and_siren(rng: Rng, machine: Machine, motion: Motion) -> tuple[F32, F32]:
    """Rubbing seals (dull, a little uneven over the turn) and the holes of the burrs."""
    own = machine.rng(6)
    skin = profile(
        own, uniform(own, 0.1, 0.5), 40, int(0.2 * motion.rate_hz * TURN / motion.full_rad_s)
    )
    uneven = 1.0 + uniform(own, 0.0, 0.35) * profile(own, 1.0, 1, 4)
    speed = motion.speed
    rub = read((skin * uneven).astype(np.float32), motion.theta) * speed**0.5
    rub = rub + 0.7 * white(rng, motion.n) * read(uneven, motion.theta) * np.minimum(speed * 3, 1)
    teeth = profile(own, 0.8, machine.teeth, machine.teeth)
    teeth = teeth + 0.3 * profile(own, 0.5, 2 * machine.teeth, 2 * machine.teeth)
    siren = read(teeth.astype(np.float32), motion.theta) * speed**2.5
    return rub.astype(np.float32), siren.astype(np.float32)


def machine_sound(rng: Rng, machine: Machine, motion: Motion, stage: str) -> F32:
    """The whole healthy machine, dry, near 1 in A-weighted rms in the steady run."""
    rate = motion.rate_hz
    own = machine.rng(7)
    pull, buzz = magnetic(rng, machine, motion)
    broad, tones, whistle = air(rng, machine, motion)
    rub, siren = seal_and_siren(rng, machine, motion)
    hidden = [
        bearing_force(rng, b, motion, whole_surfaces(machine.rng(8, k), b, motion))
        for k, b in enumerate((machine.front, machine.rear))
    ]
    rolling = hidden[0] / (hidden[0].std() + 1e-20) + hidden[1] / (hidden[1].std() + 1e-20)
    parts = {
        "hum": convolve(pull, path(machine, "stator", rate)),
        "slots": convolve(slots(rng, machine, motion), path(machine, "stator", rate)),
        "air": broad,
        "blades": tones,
        "bearing": convolve(rolling.astype(np.float32), path(machine, "bearing", rate)),
        "shell": convolve(
            buzz + 0.02 * own.random() * motion.speed**2 * read(COSINE, motion.theta),
            path(machine, "shell", rate),
        ),
        "seal": convolve(rub, path(machine, "shroud", rate)),
        "siren": siren,
        "whistle": whistle,
    }
    if stage == "motor_only":
        parts.pop("siren")
    powered = bool(motion.powered.any())
    steady = motion.span("steady" if powered else "all")
    turns = float(motion.speed.max()) > 0.1
    level_db = dict(machine.level_db)
    if not powered:
        # at a few turns a second air is gone long before rolling is
        slower = 20.0 * np.log10(motion.full_rad_s / machine.sync_rad_s)
        for name in ("air", "blades", "siren", "whistle"):
            level_db[name] += 1.5 * slower
    out = np.zeros(motion.n, dtype=np.float32)
    total = 0.0
    for name, sound in parts.items():
        gain = amplitude(level_db[name])
        electric = name in ("hum", "shell", "slots")
        if electric and not powered:
            continue
        total += gain * gain
        # the ear hardly hears the bottom octave, but the cabinet limits it too
        # and a mode met in passing is not the whole machine
        level = max(
            heard_level(sound[steady], rate),
            0.2 * float(sound[steady].std()),
            0.06 * float(np.abs(sound).max()),
        )
        if level < 1e-12 or not (turns or electric):
            continue
        if not turns:
            # a locked rotor draws starting current: louder than its usual hum
            level /= float(motion.current.max()) ** 0.7
        out += np.float32(gain / level) * sound
    out /= np.float32(np.sqrt(total))
    # the shaft's own turning: felt more than heard, strong on a soft foot
    shake = read(COSINE, motion.theta) + own.uniform(0.0, 0.8) * read(COSINE, 2.0 * motion.theta)
    out += np.float32(spread(own, 0.01, 1.0)) * motion.speed**2 * shake
    return out + inrush(rng, machine, motion)


def inrush(rng: Rng, machine: Machine, motion: Motion) -> F32:
    """Thump of the field at switch-on, fall of the field and the hand's switch at both."""
    if not motion.powered.any() or motion.on_s is None or motion.off_s is None:
        return np.zeros(motion.n, dtype=np.float32)
    rate = motion.rate_hz
    own = machine.rng(9)
    at = np.array([motion.on_s, motion.off_s]) * rate
    jolt = events(motion.n, at, np.array([spread(own, 0.3, 6.0), spread(own, 0.05, 2.0)]))
    sound = 3.0 * convolve(jolt, path(machine, "shell", rate))
    bounce = np.sort(rng.exponential(0.002, 3)) * rate
    tick = events(
        motion.n, np.concatenate([at[0] + bounce, at[1] + bounce[::-1]]), rng.uniform(0.1, 1.0, 6)
    )
    return sound + np.float32(spread(own, 0.2, 8.0)) * convolve(tick, path(machine, "switch", rate))


def switch_clicks(rng: Rng, machine: Machine, motion: Motion, own: F32) -> tuple[F32, dict]:
    """Clicks of the start switch at their speeds, each at its level over the surroundings."""
    rate = motion.rate_hz
    out = np.zeros(motion.n, dtype=np.float32)
    sound = path(machine, "switch", rate)
    for k, at_s in enumerate((motion.open_s, motion.close_s)):
        if at_s is None:
            continue
        hits = int(rng.integers(1, 6))
        after = np.sort(rng.exponential(spread(rng, 0.0008, 0.006), hits))
        after[0] = 0.0
        first = int(at_s * rate)
        n = min(int(0.35 * rate), motion.n - first)
        if n < 64:
            continue
        size = rng.uniform(0.2, 1.0, hits) * np.sign(rng.standard_normal(hits))
        size[int(rng.integers(0, hits))] = 1.0
        click = convolve(events(n, after * rate, size), sound)
        wanted = machine.click_db[k] + rng.normal(0.0, 2.0)
        have = click_over_db(click, own, first, rate)
        out[first : first + n] += np.float32(amplitude(wanted - have)) * click
    # weights rattle softly below the release speed: normal
    rattle = machine.rng(10)
    if rattle.random() < 0.35:
        count = rng.poisson(60)
        spot = rng.random(count) * motion.n
        low = motion.start_closed[spot.astype(np.int64)] * motion.speed[spot.astype(np.int64)]
        level = amplitude(uniform(rattle, -24.0, -4.0)) * 3.0
        out += np.float32(level) * convolve(events(motion.n, spot, low * rng.random(count)), sound)
    return out, {}


def click_over_db(click: F32, around: F32, first: int, rate_hz: float) -> float:
    """First difference, 5 ms: loudest frame of the click over what surrounds it."""
    size = int(0.005 * rate_hz)
    d = np.square(np.diff(click[: 40 * size], prepend=click[:1]), dtype=np.float64)
    frames = d[: d.size // size * size].reshape(-1, size).mean(axis=1)
    near = around[max(0, first - 20 * size) : first + 20 * size]
    floor = np.square(np.diff(near), dtype=np.float64).mean() if near.size > 2 else 0.0
    return float(10 * np.log10((frames.max() + 1e-20) / (floor + 1e-14)))


__all__ = [
    "Surfaces",
    "bearing_force",
    "cage_angle",
    "click_over_db",
    "highest_order",
    "machine_sound",
    "moving",
    "path",
    "switch_clicks",
    "whole_surfaces",
]
