"""Traits of a machine, and the sound it makes when nothing is wrong.

Hum is a waveshaped flux (not a sum of partials), slot noise a comb over the
turn multiplied with that force, air a pair of measured-looking noises with
their own amplitude laws in speed, blades an uneven pattern of the turn. Bodies
are waveguides. Magnitudes are common practice, no source, unless a line says more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from second_bench.grains import (
    F32,
    Curve,
    a_level_db,
    by_angle,
    convolve,
    measured_curve,
    pattern,
    rms,
    shaped_noise,
    share_at,
    sine,
    slow_noise,
    strikes,
    struck_body,
    wander,
    waveguide,
)
from second_bench.shaft import Course, Timing


@dataclass(frozen=True, slots=True, eq=False)
class Machine:
    """One machine; levels in dB over its own air noise at speed.

    A-weighted but for the unbalance (plain rms, since its tone lies at 25-60 Hz).
    """

    name: str
    mains_hz: int
    poles: int
    slip: float
    run_up_s: float
    coast_s: float
    bend: float
    middle: float
    kink: float
    coast_knots: tuple[float, ...]
    open_share: float
    close_share: float
    unrest: float
    blades: F32
    blade_count: int
    air_curves: tuple[Curve, Curve]
    air_laws: tuple[float, float]
    air_split_db: float
    air_depth: float
    hum_force: F32
    hum_body: tuple[tuple[float, ...], tuple[float, ...]]
    hum_start: float
    slip_beat: float
    bars: F32
    teeth: int
    roll_curve: Curve
    roll_law: float
    balls: int
    ball_share: float
    levels_db: dict[str, float]
    click_db: tuple[float, float]
    shell_delays_s: tuple[float, ...]
    shell_back: tuple[float, ...]
    shell_db: float

    @property
    def sync_hz(self) -> float:
        """Synchronous turns per second, 2 f / p."""
        return 2.0 * self.mains_hz / self.poles

    @property
    def orders(self) -> dict[str, float]:
        """Bearing orders for a fixed outer ring (Harris, from memory; CHECKS B1-B14 agree)."""
        less, more = 1.0 - self.ball_share, 1.0 + self.ball_share
        return {
            "outer": 0.5 * self.balls * less,
            "inner": 0.5 * self.balls * more,
            "cage": 0.5 * less,
            "ball": (1.0 - self.ball_share**2) / self.ball_share,
        }


def _coast_knots(rng: np.random.Generator) -> tuple[float, ...]:
    """Linear, square and cubic falls mixed, as if read off a chart."""
    u = np.linspace(0.0, 1.0, 7)
    mix = rng.dirichlet((3.0, 1.5, 1.0))
    mix = mix / (mix.sum())
    dry = max(mix[0], 0.3)
    fall = dry * (1 - u) + (1 - dry) * (mix[1] * (1 - u) ** 2 + mix[2] * (1 - u) ** 3) / (
        mix[1] + mix[2]
    )
    fall[1:-1] *= 1.0 + rng.normal(0.0, 0.012, 5)
    return tuple(float(v) for v in np.minimum.accumulate(fall.clip(0.0, 1.0)))


def _force(rng: np.random.Generator) -> F32:
    """Magnetic force over one mains cycle: flux squared, hysteresis, lamination buzz."""
    angle = 2.0 * np.pi * np.arange(4096) / 4096.0
    drive = rng.uniform(0.4, 2.8)
    flux = np.tanh(drive * np.sin(angle)) / np.tanh(drive)
    lagged = np.roll(flux, int(rng.integers(0, 300)))
    force = flux**2 + rng.uniform(0.0, 0.5) * lagged * np.abs(flux) * flux
    buzz = np.maximum(0.0, flux**2 - rng.uniform(0.5, 0.9))
    force += rng.uniform(0.0, 1.5) * buzz**2 + rng.uniform(0.0, 0.08) * flux
    spectrum = np.fft.rfft(force - force.mean())
    spectrum[int(rng.integers(12, 40)) :] = 0.0
    force = np.fft.irfft(spectrum, 4096)
    return np.asarray(force / np.std(force), dtype=np.float32)


def _uneven(rng: np.random.Generator, count: int, spread: float, width: float) -> F32:
    centres = (np.arange(count) + rng.normal(0.0, spread, count)) / count
    heights = 1.0 + rng.normal(0.0, 2.0 * spread, count)
    return pattern(rng, centres, np.full(count, width / count), heights)


def draw_machine(rng: np.random.Generator, name: str) -> Machine:
    """Draw a machine."""
    poles = int(rng.choice([2, 4], p=[0.3, 0.7]))
    blades = int(rng.integers(5, 14))
    hump_hz = float(np.exp(rng.uniform(np.log(250.0), np.log(1400.0))))
    low = measured_curve(rng, hump_hz, rng.uniform(3, 9), rng.uniform(3.5, 7.5))
    high = measured_curve(rng, hump_hz * rng.uniform(3, 7), rng.uniform(3, 6), rng.uniform(3.5, 8))
    law = float(rng.uniform(4.6, 6.0))
    guides = int(rng.integers(2, 5))
    return Machine(
        name=name,
        mains_hz=int(rng.choice([50, 60])),
        poles=poles,
        slip=float(np.exp(rng.uniform(np.log(0.002), np.log(0.04)))),
        run_up_s=float(np.exp(rng.uniform(np.log(0.3), np.log(3.0)))),
        coast_s=float(np.exp(rng.uniform(np.log(1.5), np.log(25.0)))),
        bend=float(rng.uniform(4.5, 9.0)),
        middle=float(rng.uniform(0.1, 0.45)),
        kink=float(rng.uniform(1.0, 1.5)),
        coast_knots=_coast_knots(rng),
        open_share=float(np.clip(rng.normal(0.75, 0.045), 0.52, 0.85)),
        close_share=float(rng.uniform(0.28, 0.64)),
        unrest=float(np.exp(rng.uniform(np.log(5e-5), np.log(6e-4)))),
        blades=_uneven(rng, blades, rng.uniform(0.005, 0.09), rng.uniform(0.08, 0.28)),
        blade_count=blades,
        air_curves=(low, high),
        air_laws=(law, law + rng.uniform(0.0, 1.5)),
        air_split_db=float(rng.uniform(-16.0, 0.0)),
        air_depth=float(rng.uniform(0.03, 0.45)),
        hum_force=_force(rng),
        hum_body=(
            tuple(float(v) for v in rng.uniform(0.5e-3, 5e-3, guides)),
            tuple(float(v) for v in rng.uniform(0.3, 0.85, guides)),
        ),
        hum_start=float(rng.uniform(1.4, 6.0)),
        slip_beat=float(rng.uniform(0.0, 0.5)),
        bars=_uneven(rng, int(rng.integers(17, 45)), rng.uniform(0.0, 0.04), 0.25),
        teeth=int(rng.integers(16, 49)),
        roll_curve=measured_curve(
            rng, float(np.exp(rng.uniform(np.log(900), np.log(4500)))), 5.0, rng.uniform(4, 10)
        ),
        roll_law=float(rng.uniform(1.8, 3.0)),
        balls=int(rng.integers(7, 10)),
        ball_share=float(rng.uniform(0.19, 0.28)),
        levels_db={
            "hum": float(rng.uniform(-24.0, 4.0)),
            "slots": float(rng.uniform(-36.0, -7.0)),
            "blades": float(rng.uniform(-26.0, 0.0)),
            "roll": float(rng.uniform(-22.0, -4.0)),
            "siren": float(rng.uniform(-34.0, -11.0)),
            "unbalance": float(rng.uniform(-25.0, 3.0)),
        },
        click_db=(float(rng.uniform(1.0, 22.0)), float(rng.uniform(3.0, 28.0))),
        shell_delays_s=tuple(float(v) for v in rng.uniform(0.2e-3, 2.5e-3, guides)),
        shell_back=tuple(float(v) for v in rng.uniform(0.2, 0.75, guides)),
        shell_db=float(rng.uniform(-8.0, 3.0)),
    )


def timing_of(rng: np.random.Generator, machine: Machine, stage: str) -> Timing:
    """One run of this machine as somebody with a phone would record it."""
    lead_s, tail_s = float(rng.uniform(0.7, 3.0)), float(rng.uniform(0.6, 2.2))
    if stage == "hand_spin":
        return Timing(
            mains_hz=machine.mains_hz,
            poles=machine.poles,
            slip=machine.slip,
            lead_s=lead_s,
            run_up_s=float(rng.uniform(0.2, 0.5)),
            steady_s=0.0,
            coast_s=float(rng.uniform(1.5, 9.0)),
            tail_s=tail_s,
            coast_knots=machine.coast_knots,
            open_share=None,
            close_share=None,
            by_hand_hz=float(rng.uniform(1.2, 4.5)),
        )
    bare = rng.uniform(0.75, 1.0) if stage == "motor_only" else 1.0
    coast_s = machine.coast_s * float(rng.uniform(0.93, 1.07)) * bare
    steady_s = float(rng.uniform(6.0, 12.0) if stage == "burr_setting" else rng.uniform(2.6, 7.5))
    run_up_s = machine.run_up_s * float(rng.uniform(0.92, 1.1)) * bare
    ends_early = coast_s > 8.0 and rng.uniform() < 0.15
    mains_hz = machine.mains_hz * (1.0 + float(rng.normal(0.0, 2.5e-4)))
    return Timing(
        mains_hz=mains_hz,
        poles=machine.poles,
        slip=float(np.clip(machine.slip * rng.uniform(0.85, 1.15), 0.0015, 0.045)),
        lead_s=lead_s,
        run_up_s=run_up_s,
        steady_s=steady_s,
        coast_s=coast_s,
        tail_s=tail_s,
        bend=machine.bend,
        middle=machine.middle,
        kink=machine.kink,
        coast_knots=machine.coast_knots,
        open_share=machine.open_share + float(rng.normal(0.0, 0.006)),
        close_share=machine.close_share + float(rng.normal(0.0, 0.006)),
        unrest=machine.unrest,
        recorded_s=lead_s + run_up_s + steady_s + coast_s * rng.uniform(0.5, 0.9)
        if ends_early
        else None,
    )


def _to_level(x: F32, level_db: float, part: slice, rate_hz: float) -> F32:
    """Scale so that the A-weighted level over ``part`` is ``level_db``."""
    have_db = a_level_db(x[part], rate_hz)
    if have_db < -200.0:
        return x
    return x * np.float32(10.0 ** ((level_db - have_db) / 20.0))


def air(rng: np.random.Generator, machine: Machine, run: Course) -> F32:
    """Noise of the impeller: two bands, two laws in speed, chopped by uneven blades."""
    n, rate_hz = run.size, run.rate_hz
    low_law, high_law = machine.air_laws
    bite = by_angle(machine.blades, run.turns)
    bite -= np.float32(machine.blades.mean())
    flutter = 1.0 + 0.06 * slow_noise(rng, n, rate_hz, 12.0)
    low = shaped_noise(rng, n, rate_hz, machine.air_curves[0])
    high = shaped_noise(rng, n, rate_hz, machine.air_curves[1])
    high *= np.float32(10.0 ** (machine.air_split_db / 20.0))
    speed = np.maximum(run.share, np.float32(1e-6))
    total = low * speed ** np.float32(low_law / 2) + high * speed ** np.float32(high_law / 2)
    return np.asarray(total * (1.0 + machine.air_depth * bite) * flutter, dtype=np.float32)


def hum(machine: Machine, run: Course, stuck_db: float | None = None) -> F32:
    """Line-locked hum, strong while the start winding is on, swelling with the slip."""
    force = by_angle(machine.hum_force, run.line)
    swell = sine(2 * run.line - machine.poles * run.turns)
    rush = 1.0 + (machine.hum_start - 1.0) * run.starting * (1.1 - 0.5 * run.share)
    gain = run.power * rush * (1.0 + machine.slip_beat * run.share * swell)
    if stuck_db is not None:
        gain = gain * 10.0 ** (stuck_db / 20.0)
    return np.asarray(force * gain, dtype=np.float32)


def shell(rng: np.random.Generator, machine: Machine, rate_hz: float) -> F32:
    """Housing as a set of waveguides beside the direct sound."""
    body = waveguide(
        rng, rate_hz, machine.shell_delays_s, machine.shell_back, (90.0, 12000.0), 9000.0, 2048
    )
    body *= np.float32(10.0 ** (machine.shell_db / 20.0))
    body[0] += 1.0
    return body


def clicks(
    rng: np.random.Generator, machine: Machine, run: Course, sound: F32
) -> tuple[F32, dict[str, float | None]]:
    """Clicks of the start switch, set over the level around them.

    Levels are those of the first difference (a click is heard by its treble),
    5 ms of click against 0.2 s around it.

    Returns
    -------
    signal, and the peak over the surroundings in dB for ``open`` and ``close``
    """
    out = np.zeros(run.size, dtype=np.float32)
    heard: dict[str, float | None] = {"open": None, "close": None}
    rate_hz = run.rate_hz
    for name, when, over_db in (
        ("open", run.marks.open_s, machine.click_db[0]),
        ("close", run.marks.close_s, machine.click_db[1]),
    ):
        if when is None:
            continue
        bounces = 1 + int(rng.integers(0, 4))
        gaps = np.concatenate([[0.0], np.cumsum(rng.gamma(2.0, 0.004, bounces - 1))])
        train = strikes(run.size, rate_hz, when + gaps, rng.uniform(0.3, 1.0, bounces))
        body = struck_body(rng, rate_hz, (rng.uniform(900, 2500), rng.uniform(4e3, 9e3)), 0.012)
        click = convolve(train, body)
        lo, hi = int(max(0.0, when - 0.1) * rate_hz), int((when + 0.1) * rate_hz)
        around = rms(np.diff(sound[lo:hi])) + 1e-9
        span = click[int(when * rate_hz) : int((when + 0.005) * rate_hz)]
        own = rms(np.diff(span)) + 1e-12
        out += click * np.float32(around * 10.0 ** (over_db / 20.0) / own)
        heard[name] = over_db
    return out, heard


def _by_hand(rng: np.random.Generator, machine: Machine, run: Course) -> F32:
    """Faint rolling, a hand at the start, some swish."""
    roll = shaped_noise(rng, run.size, run.rate_hz, machine.roll_curve)
    speed = np.maximum(run.share, np.float32(1e-6))
    slow = 1.0 + 0.25 * slow_noise(rng, run.size, run.rate_hz, 6.0)
    once = 1.0 + 0.15 * sine(run.turns)
    sound = roll * speed**0.9 * slow * once
    swish = shaped_noise(rng, run.size, run.rate_hz, machine.air_curves[0]) * speed**2
    sound += np.float32(10.0 ** (rng.uniform(-14, -2) / 20.0)) * swish
    return np.asarray(sound, dtype=np.float32)


def hand_noise(rng: np.random.Generator, run: Course, lead_s: float, push_s: float) -> F32:
    """The hand that pushes: a few soft knocks and a rustle."""
    count = int(rng.integers(1, 4))
    times = lead_s + np.sort(rng.uniform(0.0, push_s, count))
    train = strikes(run.size, run.rate_hz, times, rng.uniform(0.2, 1.0, count))
    knock = convolve(train, struck_body(rng, run.rate_hz, (150.0, 1200.0), 0.03))
    return knock * np.float32(rng.uniform(2.0, 12.0))


def healthy(
    rng: np.random.Generator, machine: Machine, run: Course, stage: str, stuck_db: float = 0.0
) -> F32:
    """All that a sound machine makes in this run, dry; air noise at 0 dB A-weighted at speed.

    ``stuck_db`` lifts the hum (a start winding that stays in).
    """
    rate_hz = run.rate_hz
    if run.by_hand:
        return _by_hand(rng, machine, run)
    part = run.window("steady")
    levels = machine.levels_db
    hum_part = _to_level(hum(machine, run, stuck_db), levels["hum"] + stuck_db, part, rate_hz)
    hum_body = waveguide(rng, rate_hz, *machine.hum_body, (70.0, 5000.0), 2500.0, 4096)
    hum_part = _to_level(convolve(hum_part, hum_body), levels["hum"] + stuck_db, part, rate_hz)
    if run.marks.at_speed_s is None and run.marks.rest_s is None:
        return hum_part
    speed = np.maximum(run.share, np.float32(1e-6))
    total = _to_level(air(rng, machine, run), 0.0, part, rate_hz)
    tone = by_angle(np.gradient(machine.blades).astype(np.float32), run.turns) * speed**3
    total += _to_level(tone, levels["blades"], part, rate_hz)
    roll = shaped_noise(rng, run.size, rate_hz, machine.roll_curve)
    roll *= speed ** np.float32(machine.roll_law / 2)
    roll *= 1.0 + 0.08 * wander(rng, run.size, rate_hz, 1.0, 0.4)
    total += _to_level(roll, levels["roll"], part, rate_hz)
    force = by_angle(machine.hum_force, run.line)
    slots = by_angle(machine.bars - machine.bars.mean(), run.turns) * speed
    slots *= run.power * (1.0 + 0.5 * force) + 0.04
    total += _to_level(slots, levels["slots"], part, rate_hz)
    shake = sine(run.turns) * speed**2
    shake *= np.float32(10.0 ** (levels["unbalance"] / 20.0) * rms(total[part]) / rms(shake[part]))
    total += shake
    if stage != "motor_only":
        siren = sine(machine.teeth * run.turns)
        siren *= speed**3 * (1.0 + 0.4 * slow_noise(rng, run.size, rate_hz, 25.0))
        total += _to_level(siren, levels["siren"], part, rate_hz)
    return convolve(total, shell(rng, machine, rate_hz)) + hum_part


__all__ = [
    "Machine",
    "clicks",
    "draw_machine",
    "hand_noise",
    "healthy",
    "shell",
    "timing_of",
]


def click_speed_shares(machine: Machine, run: Course) -> tuple[float | None, float | None]:
    """Shares of synchronous speed at the two clicks."""
    shares: list[float | None] = []
    for when in (run.marks.open_s, run.marks.close_s):
        if when is None or run.marks.running_hz is None:
            shares.append(None)
            continue
        at = float(share_at(run.share, run.rate_hz, np.array([when]))[0])
        shares.append(round(at * run.marks.running_hz / machine.sync_hz, 3))
    return shares[0], shares[1]
