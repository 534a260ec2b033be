"""One machine, one room, one phone: drawn once from a family number, then fixed.

Every range is wide on purpose: what is learnt on some families has to hold on
others. Numbers without a source are common practice or our own guess of what
a workshop may meet.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from quietrun.synth.kit import (
    FS,
    Floats,
    Rng,
    Signal,
    band_shape,
    chance,
    log_uniform,
    pick,
    rings,
    stream,
)


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """Resonances of the housing, heard from its two ends.

    Attributes
    ----------
    front, rear : shape (k,), impulse responses at ``FS``
        From a force at the grind chamber's end, or the fan's end, to the air.
    """

    front: Signal
    rear: Signal


@dataclass(frozen=True, slots=True, eq=False)
class MachineFamily:
    """What one machine keeps from run to run. Levels in dB relative to each other."""

    bars: int
    skew: float
    blades: int
    blade_offsets: Floats
    blade_gains: Floats
    kink: float
    backward: float
    opens: float
    closes: float
    run_up_s: float
    coast_s: float
    drag: tuple[float, float, float]
    slip: float
    pulsation: float
    hum_db: float
    hum_slope: float
    hum_start_db: float
    hum_body: float
    slot_db: float
    fan_db: float
    fan_centre: float
    fan_slopes: tuple[float, float]
    fan_exponent: float
    blade_db: float
    blade_exponent: float
    roll_db: float
    roll_band: tuple[float, float]
    roll_exponent: float
    chamber_db: float
    chamber_centre: float
    unbalance_db: float
    buzz_db: float
    buzz_band: tuple[float, float]
    click_db: float
    click_band: tuple[float, float]
    click_parts: int
    rattle_db: float
    rocker_db: float
    jolt_db: float
    tone_orders: tuple[int, ...]
    tone_db: tuple[float, ...]
    tone_exponent: float
    resonance_hz: float
    breath: float
    ticks_per_s: float
    shake_db: float
    bearing_balls: tuple[int, int]
    bearing_ratio: tuple[float, float]
    bearing_contact: tuple[float, float]
    teeth: int
    burr_modes: Floats
    body: Body


@dataclass(frozen=True, slots=True)
class RoomFamily:
    """One room and where people put their phone in it."""

    reverb_s: float
    bright: float
    reflections: int
    table_delay_s: float
    table_gain: float
    floor_slope: float
    floor_hump_hz: float
    floor_hump_db: float
    fridge: float
    fridge_hz_share: float
    vent: float
    vent_tone_hz: float
    babble: float
    talk: float
    music: float
    clatter: float
    slam: float
    beeps: float
    passing: float
    machines: float


@dataclass(frozen=True, slots=True, eq=False)
class PhoneFamily:
    """One phone and its recording app."""

    rate_hz: int
    high_pass_hz: float
    high_pass_order: int
    eq_hz: Floats
    eq_db: Floats
    top_hz: float
    noise_dbfs: float
    gain_mode: str
    gain_range_db: float
    gain_attack_s: float
    gain_release_s: float
    limiter: bool
    suppress_db: float
    codec: str
    bit_rate: int
    stereo: str


def _diffuse(rng: Rng, length: int, quality: float) -> Signal:
    """Resonances too dense to tell apart: noise that decays faster the higher it is."""
    t = np.arange(length) / FS
    out = np.zeros(length)
    edges = (1200.0, 3000.0, 7000.0, 20000.0)
    z = np.fft.rfft(rng.standard_normal((3, length)), axis=1)
    freqs = np.fft.rfftfreq(length, 1.0 / FS)
    tilt = rng.uniform(-7.0, 0.5)  # dB an octave
    for row, lo, hi in zip(z, edges[:-1], edges[1:], strict=True):
        shape = band_shape(freqs, lo, hi, 2.0) * 10 ** (tilt * np.log2(lo / 1200.0) / 20.0)
        decay = np.pi * np.sqrt(lo * hi) / quality
        out += np.fft.irfft(row * shape, length) * np.exp(-decay * t)
    return np.asarray(out / np.sqrt(np.sum(np.square(out))), dtype=np.float32)


def _body(rng: Rng, stiff: float) -> Body:
    """Draw a housing: single resonances, a dense field above them, a stiff path beside."""
    count = int(rng.integers(10, 45))
    lowest, highest = log_uniform(rng, 110, 420), log_uniform(rng, 2000, 6000)
    freqs = np.sort(lowest * (highest / lowest) ** rng.random(count))
    typical = log_uniform(rng, 9, 40)
    quality = np.clip(np.exp(rng.normal(np.log(typical), 0.45, count)), 4, 120)
    tilt = rng.uniform(-5.0, 1.0)  # dB an octave of the modal gains
    weights = 10 ** (tilt * np.log2(freqs / 1000.0) / 20.0)
    dense = log_uniform(rng, 0.15, 1.5)
    responses = []
    for _ in range(2):
        gains = rng.normal(0, 1, count) * weights * freqs / 1000.0
        ir = rings(freqs, quality, gains, length_s=0.17)
        ir /= np.sqrt(np.sum(np.square(ir)))
        ir += np.float32(dense * rng.uniform(0.5, 1.5)) * _diffuse(rng, ir.size, typical)
        ir[0] += rng.uniform(0.02, 0.4) + stiff
        responses.append(ir / np.float32(np.sqrt(np.sum(np.square(ir)))))
    return Body(responses[0], responses[1])


@lru_cache(maxsize=64)
def machine_family(number: int) -> MachineFamily:
    """Machine ``number``: always the same one."""
    rng = stream(number, "machine")
    plain = stream(number, "plain machine")  # some housings hardly colour the sound
    stiff = float(plain.uniform(1.5, 8.0)) if chance(plain, 0.12) else 0.0
    blades = int(rng.integers(4, 14))
    uneven = log_uniform(rng, 0.003, 0.08)
    parts = rng.dirichlet([1.6, 1.0, 1.2])
    opens = float(rng.triangular(0.50, 0.75, 0.85))
    low_band = log_uniform(rng, 250, 1500)
    orders = rng.integers(3, 160, int(rng.integers(0, 7)))
    return MachineFamily(
        bars=int(rng.integers(16, 49)),
        skew=float(rng.uniform(0.1, 1.0)),
        blades=blades,
        blade_offsets=rng.normal(0, uneven, blades),
        blade_gains=1.0 + rng.normal(0, 2 * uneven, blades),
        kink=float(rng.uniform(0.06, 0.35)),
        backward=float(rng.uniform(0.05, 0.9)),
        opens=opens,
        closes=opens * float(rng.uniform(0.35, 0.88)),
        run_up_s=log_uniform(rng, 0.25, 2.2),
        coast_s=log_uniform(rng, 1.5, 18.0),
        drag=(float(max(parts[0], 0.03)), float(parts[1]), float(parts[2])),
        slip=log_uniform(rng, 0.002, 0.04),
        pulsation=float(rng.uniform(0.3, 1.6)),
        hum_db=float(rng.uniform(-26, 6)),
        hum_slope=float(rng.uniform(6, 18)),
        hum_start_db=float(rng.uniform(4, 16)),
        hum_body=float(rng.uniform(0, 1)),
        slot_db=float(rng.uniform(-34, -2)),
        fan_db=float(rng.uniform(-6, 6)),
        fan_centre=log_uniform(rng, 250, 2200),
        fan_slopes=(float(rng.uniform(0, 5)), float(rng.uniform(3, 11))),
        fan_exponent=float(rng.uniform(4.6, 6.3)),
        blade_db=float(rng.uniform(-30, -3)),
        blade_exponent=float(rng.uniform(4.0, 6.5)),
        roll_db=float(rng.uniform(-14, 6)),
        roll_band=(low_band, low_band * log_uniform(rng, 3, 16)),
        roll_exponent=float(rng.uniform(1.8, 3.2)),
        chamber_db=float(rng.uniform(-20, 2)),
        chamber_centre=log_uniform(rng, 180, 1400),
        unbalance_db=float(rng.uniform(-20, 6)),
        buzz_db=float(rng.uniform(-30, -8)) if chance(rng, 0.35) else -120.0,
        buzz_band=(log_uniform(rng, 700, 2500), log_uniform(rng, 3000, 9000)),
        click_db=float(rng.uniform(2, 28)),
        click_band=(log_uniform(rng, 900, 2500), log_uniform(rng, 2500, 8000)),
        click_parts=int(rng.integers(1, 5)),
        rattle_db=float(rng.uniform(-24, -4)) if chance(rng, 0.3) else -120.0,
        rocker_db=float(rng.uniform(4, 30)),
        jolt_db=float(rng.uniform(-4, 18)),
        tone_orders=tuple(int(x) for x in orders),
        tone_db=tuple(float(x) for x in rng.uniform(-34, -3, orders.size)),
        tone_exponent=float(rng.uniform(2.0, 5.0)),
        resonance_hz=log_uniform(rng, 5, 22),
        breath=log_uniform(rng, 0.02, 0.45),
        ticks_per_s=float(rng.choice([0.0, 0.5, 3.0])) * float(rng.uniform(0.3, 1.5)),
        shake_db=float(rng.uniform(-18, 0)) if chance(rng, 0.3) else -120.0,
        bearing_balls=(int(rng.integers(7, 12)), int(rng.integers(7, 12))),
        bearing_ratio=(float(rng.uniform(0.18, 0.3)), float(rng.uniform(0.18, 0.3))),
        bearing_contact=(float(rng.uniform(0, 15)), float(rng.uniform(0, 15))),
        teeth=int(rng.integers(18, 90)),
        burr_modes=np.sort(log_uniform(rng, 1500, 3200) * np.cumprod(rng.uniform(1.04, 1.5, 7))),
        body=_body(rng, stiff),
    )


@lru_cache(maxsize=64)
def room_family(number: int) -> RoomFamily:
    """Room ``number``: always the same one."""
    rng = stream(number, "room")

    def sometimes(probability: float) -> float:
        return float(rng.uniform(0.2, 1.0)) if chance(rng, probability) else 0.0

    family = RoomFamily(
        reverb_s=log_uniform(rng, 0.2, 1.2),
        bright=float(rng.uniform(0.25, 0.9)),
        reflections=int(rng.integers(4, 16)),
        table_delay_s=log_uniform(rng, 2e-4, 3e-3),
        table_gain=float(rng.uniform(0, 0.8)),
        floor_slope=float(rng.uniform(2, 9)),
        floor_hump_hz=log_uniform(rng, 80, 3000),
        floor_hump_db=float(rng.uniform(0, 10)),
        fridge=sometimes(0.4),
        fridge_hz_share=float(rng.uniform(0.94, 0.995)),
        vent=sometimes(0.5),
        vent_tone_hz=log_uniform(rng, 60, 600),
        babble=sometimes(0.45),
        talk=sometimes(0.25),
        music=sometimes(0.2),
        clatter=sometimes(0.3),
        slam=sometimes(0.1),
        beeps=sometimes(0.08),
        passing=sometimes(0.1),
        machines=sometimes(0.15),
    )
    dry = stream(number, "dry room")  # outdoors, or so near that the room is hardly heard
    if not chance(dry, 0.12):
        return family
    return replace(
        family,
        reverb_s=log_uniform(dry, 0.05, 0.2),
        reflections=int(dry.integers(0, 3)),
        table_gain=float(dry.uniform(0, 0.2)),
        floor_slope=float(dry.uniform(0, 5)),
    )


_RATES = (48000,) * 9 + (44100,) * 8 + (32000, 24000, 22050, 16000, 16000, 8000)
_CODECS = (
    ("pcm", 0, 0),
    ("alac", 0, 0),
    ("aac", 48, 256),
    ("aac", 48, 256),
    ("aac", 48, 256),
    ("aac", 48, 256),
    ("opus", 16, 128),
    ("opus", 16, 128),
    ("opus", 16, 128),
    ("mp3", 64, 192),
)


@lru_cache(maxsize=64)
def phone_family(number: int) -> PhoneFamily:
    """Phone ``number``: always the same one."""
    rng = stream(number, "phone")
    rate = int(_RATES[int(rng.integers(len(_RATES)))])
    name, lo, hi = _CODECS[int(rng.integers(len(_CODECS)))]
    knots = np.geomspace(40, 20000, int(rng.integers(7, 14)))
    spread = rng.uniform(1.5, 5.0)
    eq = np.clip(rng.normal(0, spread, knots.size), -10, 10)
    eq = np.where((knots < 100) | (knots > 7000), 1.8 * eq, eq)
    if name == "opus" and rate not in (8000, 16000, 24000):
        rate = 48000
    family = PhoneFamily(
        rate_hz=rate,
        high_pass_hz=log_uniform(rng, 50, 300),
        high_pass_order=int(rng.integers(1, 5)),
        eq_hz=knots,
        eq_db=eq,
        top_hz=float(rng.uniform(0.42, 0.495)) * rate,
        noise_dbfs=float(rng.uniform(-92, -66)),
        gain_mode=pick(rng, ("fixed", "fixed", "fixed", "slow", "fast")),
        gain_range_db=float(rng.uniform(1, 6)),
        gain_attack_s=log_uniform(rng, 0.02, 0.6),
        gain_release_s=log_uniform(rng, 0.3, 4.0),
        limiter=chance(rng, 0.5),
        suppress_db=float(rng.uniform(2, 7)) if chance(rng, 0.18) else 0.0,
        codec=name,
        bit_rate=0 if hi == 0 else round(log_uniform(rng, lo, hi)) * 1000,
        stereo=pick(rng, ("mono",) * 20 + ("near", "near", "one_dead", "turned")),
    )
    flat = stream(
        number, "flat phone"
    )  # a measuring microphone, or an app that takes the raw sound
    if not chance(flat, 0.12):
        return family
    return replace(
        family,
        high_pass_hz=log_uniform(flat, 15, 60),
        high_pass_order=1,
        eq_db=0.15 * eq,
        gain_mode="fixed",
        suppress_db=0.0,
    )
