"""Recording problems, put into a clip on purpose.

Each entry of ``words.PROBLEMS`` has a share of hard cases that nobody could
judge and of mild ones that can still be judged in part; ``usable`` in the
truth says which it was.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from quietrun.synth.families import PhoneFamily
from quietrun.synth.healthy import Stems, knock, strike, unit
from quietrun.synth.kit import (
    CONTROL_HZ,
    COSINE,
    FS,
    Rng,
    Signal,
    chance,
    flowing_noise,
    harmonics,
    hump,
    log_uniform,
    look_up,
    pick,
    ramp,
    wandering,
    white,
)
from quietrun.synth.scene import Scene


@dataclass(frozen=True, slots=True)
class Trouble:
    """What a recording problem does to the making of a clip.

    Attributes
    ----------
    usable : could an honest listener judge the machine by this clip?
    window : (start, stop) of what is kept, s, before the phone
    cut_s : the file ends here, after the phone, or None
    snr_db : overrides the recipe, or None
    loud : (event, dB over the machine) or None
    machine : False when there is none to hear, or another one
    phone : the phone chain to use
    level_dbfs : where the loudest thousandth of the samples would lie, or None
    gate_db : gate threshold relative to the machine's level, or None
    fade_db_per_s : steady sound fades by this, 0 for none
    final_rate_hz : rate of the file when it differs from the phone's own
    """

    usable: bool
    window: tuple[float, float]
    phone: PhoneFamily
    cut_s: float | None = None
    snr_db: float | None = None
    loud: tuple[str, float] | None = None
    machine: bool = True
    level_dbfs: float | None = None
    gate_db: float | None = None
    fade_db_per_s: float = 0.0
    final_rate_hz: int | None = None


def _spans(scene: Scene) -> tuple[float, float, float]:
    """Switch-on, at speed and switch-off, or their likes in a clip by hand, s."""
    m = scene.motion
    if m.on_s is None or m.off_s is None:
        first = np.flatnonzero(scene.v > 0.5)
        start = float(first[0]) / CONTROL_HZ if first.size else 0.5
        return start, start + 0.1, min(m.rest_s or scene.duration_s, start + 2.0)
    return m.on_s, min(m.at_speed_s or m.on_s + 0.5, m.off_s), m.off_s


def _windows(problem: str, scene: Scene, rng: Rng, base: Trouble) -> Trouble:
    """Clips from which a piece is missing."""
    on, at_speed, off = _spans(scene)
    end = scene.duration_s
    if problem == "cut_file":
        cut = float(rng.uniform(max(0.3, on - 0.5), min(end - 0.2, off + 1.5)))
        return replace(base, cut_s=cut, usable=cut > at_speed + 1.5)
    if problem == "too_short":
        length = log_uniform(rng, 0.25, 1.8)
        start = float(rng.uniform(max(0.0, on - 0.5), max(on, off - length)))
        return replace(base, window=(start, min(end, start + length)), usable=False)
    if problem == "already_running":
        start = float(rng.uniform(at_speed + 0.1, max(at_speed + 0.2, off - 1.2)))
        return replace(base, window=(start, end), usable=off - start > 1.0)
    stop = float(rng.uniform(min(at_speed + 1.0, off - 0.1), off - 0.05))  # no_switch_off
    return replace(base, window=(0.0, stop), usable=stop - at_speed > 1.2)


def _phones(problem: str, rng: Rng, base: Trouble) -> Trouble:
    """Clips that the recorder spoils."""
    phone = base.phone
    if problem == "clipped":
        level = float(rng.uniform(1.5, 22))
        spoilt = replace(phone, limiter=False, gain_mode="fixed", suppress_db=0.0)
        return replace(base, level_dbfs=level, phone=spoilt, usable=level < 4)
    if problem == "band_limited":
        if chance(rng, 0.4):
            narrow = replace(phone, rate_hz=8000, top_hz=3500.0, codec="amr", bit_rate=0)
            narrow = replace(narrow, bit_rate=int(rng.choice([4750, 7400, 12200])))
        elif chance(rng, 0.5):
            narrow = replace(phone, rate_hz=8000, top_hz=3700.0, codec="pcm", bit_rate=0)
        else:
            narrow = replace(phone, rate_hz=16000, top_hz=7200.0, codec="opus", bit_rate=16000)
        final = None if chance(rng, 0.25) else int(rng.choice([44100, 48000]))
        return replace(base, phone=replace(narrow, stereo="mono"), final_rate_hz=final)
    if problem == "gain_riding":
        if chance(rng, 0.4):
            return replace(base, fade_db_per_s=float(rng.uniform(3, 12)))
        riding = replace(
            phone,
            gain_mode="fast",
            gain_range_db=float(rng.uniform(14, 30)),
            gain_attack_s=log_uniform(rng, 0.05, 0.6),
            gain_release_s=log_uniform(rng, 0.2, 2.0),
        )
        return replace(base, phone=riding)
    gate = float(rng.uniform(-14, 3))  # noise_gate
    return replace(base, gate_db=gate, usable=gate < -4)


def _scenes(problem: str, rng: Rng, base: Trouble) -> Trouble:
    """Clips in which something else is heard."""
    if problem == "buried_in_room_noise":
        return replace(base, snr_db=float(rng.uniform(-15, -2)), usable=False)
    if problem == "talked_over":
        over = float(rng.uniform(-3, 14))
        return replace(base, loud=(pick(rng, ("talk", "talk", "music")), over), usable=over < 1)
    if problem == "handled":
        over = float(rng.uniform(-2, 16))
        return replace(base, loud=("handling", over), usable=over < 1)
    if problem in ("no_machine", "other_machine"):
        return replace(base, machine=False, usable=False)
    return replace(base, usable=problem == "several_runs")


def make_trouble(scene: Scene, phone: PhoneFamily) -> Trouble:
    """Draw how the recipe's problem shows itself; a plain clip where it has none."""
    problem = scene.recipe.problem
    base = Trouble(usable=True, window=(0.0, scene.duration_s), phone=phone)
    if problem is None:
        return base
    rng = scene.rng("trouble", problem)
    if problem in ("cut_file", "too_short", "already_running", "no_switch_off"):
        return _windows(problem, scene, rng, base)
    if problem in ("clipped", "band_limited", "gain_riding", "noise_gate"):
        return _phones(problem, rng, base)
    return _scenes(problem, rng, base)


def silence(scene: Scene, rate_hz: int) -> Signal:
    """Nothing was recorded: zeros, a click in zeros, or noise far below hearing."""
    rng = scene.rng("silence")
    n = round(scene.duration_s * rate_hz)
    kind = pick(rng, ("zeros", "click", "hiss"))
    out = np.zeros(n, dtype=np.float32)
    if kind == "click":
        out[int(rng.integers(n))] = np.float32(rng.uniform(-0.5, 0.5))
    if kind == "hiss":
        out = white(rng, n) * np.float32(10 ** (rng.uniform(-96, -82) / 20))
    return out


def other_machine(scene: Scene) -> Stems:
    """A machine whose speed the mains does not hold: brushes, electronics, or no mains at all."""
    rng = scene.rng("other machine")
    stems = Stems.silent(scene.n)
    on = scene.motion.on_s if scene.motion.on_s is not None else 0.5
    off = scene.motion.off_s if scene.motion.off_s is not None else 0.6 * scene.duration_s
    t = np.arange(scene.points) / CONTROL_HZ
    kind = pick(rng, ("brushes", "brushes", "electronic", "fan"))
    top = {"brushes": (120, 420), "electronic": (40, 200), "fan": (15, 60)}[kind]
    up, down = log_uniform(rng, 0.08, 1.0), log_uniform(rng, 0.15, 2.0)
    running = np.where(t < on, 0.0, 1 - np.exp(-np.maximum(t - on, 0) / up))
    at_off = 1 - np.exp(-(off - on) / up)
    running = np.where(
        t >= off, at_off * np.clip(1 - (t - off) / (2.5 * down), 0, 1) ** 1.5, running
    )
    sway = 1 + wandering(rng, scene.points, 0.8, 0.02 if kind == "brushes" else 0.003)
    speed = rng.uniform(*top) * running * np.maximum(sway, 0.2)
    turns = np.concatenate([[0.0], np.cumsum(ramp(speed).astype(np.float64) / FS)])[: scene.n]
    v = np.maximum(speed / max(float(speed.max()), 1.0), 1e-4)
    parts = int(rng.integers(3, 24))
    lines = np.zeros(3 * parts + 6)
    lines[:6] = 0.7 ** np.arange(6)
    lines[parts - 1 :: parts] += rng.uniform(0.3, 2.0)
    tone = look_up(unit(harmonics(lines * np.exp(rng.normal(0, 0.4, lines.size)), rng)), turns)
    stems.front += tone * ramp(v ** rng.uniform(1, 2))
    centre = log_uniform(rng, 500, 3500)
    stems.air += flowing_noise(
        rng, scene.n, [(v**2.5, lambda f: hump(f, centre, 4, 5))]
    ) * np.float32(rng.uniform(0.3, 2))
    if kind == "brushes":  # commutation noise swells at twice the mains
        sparks = flowing_noise(rng, scene.n, [(v, lambda f: hump(f, 4000, 4, 4))])
        swell = np.abs(look_up(COSINE, scene.line))
        stems.air += sparks * swell * np.float32(rng.uniform(0.1, 1.0))
    for at in (on, off):
        strike(stems.air, at, knock(rng, (800, 6000)), 3.0)
    return stems
