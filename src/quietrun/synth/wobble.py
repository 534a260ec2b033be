"""Pre-breaker wobble: knocks in a worn drive.

``backlash`` integrates two bodies with play; ``chatter`` and ``reknock`` are
independent of it and of each other.
"""

from __future__ import annotations

import numpy as np

from quietrun.synth.kit import CONTROL_HZ, Floats, Rng, chance, log_uniform, place
from quietrun.synth.parts import Part, Spans, event_train, part_ring
from quietrun.synth.scene import Scene

_STEP_HZ = 4 * CONTROL_HZ


def play_impacts(
    push: Floats, brake: Floats, play: float, bounce: float, rate_hz: float
) -> tuple[Floats, Floats]:
    """Impacts of a driven body that has play in its driver.

    The gap x in [0, play] between driver and driven body follows
    x'' = brake - push, where ``push`` is the driver's acceleration and
    ``brake`` the driven body's own (both in turns/s^2, driven slowing is
    negative). At the ends the bodies meet and part with ``bounce`` times the
    closing speed.

    Returns
    -------
    times_s, closing speeds (turns/s)
    """
    dt = 1.0 / rate_hz
    x, v = 0.0, 0.0
    times: list[float] = []
    hits: list[float] = []
    for i, a in enumerate((brake - push).tolist()):
        v += a * dt
        x += v * dt
        if x < 0.0 or x > play:
            x = 0.0 if x < 0.0 else play
            if abs(v) > 6.0 * abs(a) * dt:
                times.append(i * dt)
                hits.append(abs(v))
            v = -bounce * v
            if abs(v) < 1.5 * abs(a) * dt:
                v = 0.0
    return np.asarray(times), np.asarray(hits)


def _strong_part(scene: Scene, times: Floats, sizes: Floats) -> Spans:
    """Give the phase in which the knocks are strongest, its first 1.5 s."""
    best: Spans = ()
    most = 0.0
    for name in ("run_up", "coast_down", "steady"):
        span = scene.phase(name)
        if span is None:
            continue
        stop = min(span[1], span[0] + 1.5)
        inside = (times >= span[0]) & (times <= stop)
        power = float(np.sum(np.square(sizes[inside]))) / max(stop - span[0], 0.2)
        if power > most:
            most, best = power, ((span[0], stop),)
    return best


def _ring(rng: Rng) -> np.ndarray:
    low, high = log_uniform(rng, 120, 700), log_uniform(rng, 1500, 7000)
    return part_ring(rng, low, high, count=int(rng.integers(2, 8)), quality=log_uniform(rng, 4, 35))


def _driven(scene: Scene, rng: Rng) -> tuple[Floats, Floats, Floats]:
    """Accelerations of driver and driven body: (times, push, brake), turns/s^2.

    Single-phase torque swings at twice the mains, beyond its mean while the
    rotor is picking up speed (so that it turns round), little at speed, where
    the drag on the pre-breaker mostly holds it against its driver.
    """
    grid = np.arange(scene.points) / CONTROL_HZ
    t = np.arange(scene.points * 4) / _STEP_HZ
    speed = np.interp(t, grid, scene.speed_hz)
    mean = np.gradient(speed, 1.0 / _STEP_HZ)
    powered = np.interp(t, grid, scene.powered)
    m = scene.motor
    share = speed / m.sync_hz
    held = log_uniform(rng, 0.004, 0.08) * m.pull * m.sync_hz
    swing = (0.7 + scene.machine.pulsation) * np.maximum(mean, 0) * rng.uniform(1.0, 1.8)
    swing = (swing + held) * powered
    brake = held * log_uniform(rng, 0.6, 6.0) * (0.25 + 0.75 * np.square(share))
    angle = np.interp(t, grid, scene.motion.turns)
    once = rng.uniform(0, 1.2) * held * np.square(share) * np.cos(2 * np.pi * angle)
    torque = swing * np.cos(2 * np.pi * (2.0 * scene.mains_hz * t + rng.random()))
    return t, mean + torque + once, -brake * (share > 0.002)


def backlash(scene: Scene, rng: Rng) -> Part:
    """Pre-breaker with play on its slot, shaken by the motor's pulsating torque."""
    _t, push, brake = _driven(scene, rng)
    play = log_uniform(rng, 0.001, 0.012)
    times, hits = play_impacts(push, brake, play, rng.uniform(0.15, 0.6), _STEP_HZ)
    moving = np.interp(times, np.arange(scene.points) / CONTROL_HZ, scene.speed_hz) > 0.1
    times, hits = times[moving], hits[moving]
    if times.size:
        hits = hits / max(float(np.percentile(hits, 90)), 1e-9)
        hits = hits * np.exp(rng.normal(0, 0.25, hits.size))
        times = times + rng.uniform(0, 1.0 / _STEP_HZ, times.size)
    present = _strong_part(scene, times, hits)
    return Part(place(times, hits, scene.n), None, "front", _ring(rng), present)


def chatter(scene: Scene, rng: Rng) -> Part:
    """Random chatter while the rotor picks up speed, dying as the speed is reached."""
    span = scene.phase("run_up") or (scene.motion.on_s or 0.0, (scene.motion.on_s or 0.0) + 0.5)
    tail = rng.uniform(0.05, 0.5) * (span[1] - span[0])
    rate = log_uniform(rng, 25, 160)
    count = max(6, int(rate * (span[1] - span[0] + 3 * tail)))
    times = np.sort(rng.uniform(span[0] + 0.01, span[1] + 3 * tail, count))
    size = np.exp(rng.normal(0, 0.7, count)) * np.exp(-np.maximum(times - span[1], 0) / tail)
    size *= 0.4 + 0.6 * np.interp(times, [span[0], span[1]], [1.0, rng.uniform(0.2, 1.0)])
    if scene.motion.off_s is not None and chance(rng, 0.5):
        more = scene.motion.off_s + np.sort(rng.exponential(0.15, int(rng.integers(2, 9))))
        times = np.concatenate([times, more])
        size = np.concatenate([size, rng.uniform(0.2, 0.9, more.size)])
    return Part(place(times, size, scene.n), None, "front", _ring(rng), (span,))


def reknock(scene: Scene, rng: Rng) -> Part:
    """Knocks as the torque turns round at switch-on and switch-off, then in the coast-down."""
    motion = scene.motion
    times, sizes = [], []
    for at in (motion.on_s, motion.off_s):
        if at is None:
            continue
        hits = int(rng.integers(2, 7))
        gaps = np.cumsum(rng.uniform(0.012, 0.05, hits) * rng.uniform(0.8, 1.5) ** np.arange(hits))
        times += list(at + gaps)
        sizes += list(rng.uniform(0.6, 1.2) * rng.uniform(0.55, 0.9) ** np.arange(hits))
    first, last = float(scene.turns[0]), float(scene.turns[-1])
    marks = np.arange(first, last, 1.0 / float(rng.choice([1.0, 1.0, 2.0, 0.5])))
    marks = np.sort(marks + rng.normal(0, 0.06, marks.size))
    when = scene.time_at(marks)
    coasting = np.interp(when, np.arange(scene.points) / CONTROL_HZ, 1 - scene.powered) > 0.5
    near = np.exp(-2 * np.abs(scene.speed_at(when) - rng.uniform(0.3, 1)))
    size = np.where(coasting, rng.uniform(0.3, 0.9) * near, rng.uniform(0.02, 0.2))
    size = size * np.exp(rng.normal(0, 0.4, size.size))
    train = event_train(scene, marks, size, 0.5)
    train += place(np.asarray(times), np.asarray(sizes), scene.n)
    if motion.off_s is not None:
        present: Spans = ((motion.off_s, min(motion.off_s + 1.2, scene.duration_s)),)
    else:
        present = ((motion.on_s or 0.0, (motion.on_s or 0.0) + 0.8),)
    return Part(train, None, "front", _ring(rng), present)


def rocking(scene: Scene, rng: Rng) -> Part:
    """The pre-breaker sits askew: a knock or two a turn, strong until the speed holds it."""
    first, last = float(scene.turns[0]), float(scene.turns[-1])
    each = float(rng.choice([1.0, 1.0, 2.0]))
    marks = np.arange(first, last, 1.0 / each)
    marks = marks + rng.normal(0, rng.uniform(0.01, 0.08), marks.size)
    times = scene.time_at(marks)
    held = np.exp(-np.square(scene.at(times, scene.share) / rng.uniform(0.45, 0.95)) * 1.5)
    size = (rng.uniform(0.05, 0.35) + held) * np.exp(rng.normal(0, 0.45, marks.size))
    pushed = scene.at(times, scene.powered)
    size = size * np.where(pushed > 0.5, 1.0, rng.uniform(0.2, 0.9))
    train = event_train(scene, marks, size, rng.uniform(0.1, 0.5))
    return Part(train, None, "front", _ring(rng), _strong_part(scene, times, size))


def plate_buzz(scene: Scene, rng: Rng) -> Part:
    """A loose shear plate buzzes with the pulsating torque while the machine picks up speed."""
    t = np.arange(scene.points) / CONTROL_HZ
    pull = np.abs(np.gradient(scene.speed_hz)) * CONTROL_HZ * scene.powered
    pull = pull / max(float(np.percentile(pull[pull > 0], 80)) if np.any(pull > 0) else 1.0, 1e-9)
    strength = np.clip(pull, 0, 1.5) + rng.uniform(0.0, 0.12) * scene.powered
    rate = scene.mains_hz * float(rng.choice([1.0, 2.0, 2.0]))
    beats = np.arange(scene.duration_s * rate) / rate + rng.random() / rate
    late = rng.normal(0, rng.uniform(0.03, 0.25) / rate, beats.size)
    sizes = np.interp(beats, t, strength) * np.exp(rng.normal(0, rng.uniform(0.2, 0.8), beats.size))
    sizes = sizes * (rng.random(beats.size) > rng.uniform(0, 0.5))
    if scene.motion.off_s is not None:
        after = np.abs(beats - scene.motion.off_s - 0.03) < 0.05
        sizes = sizes + after * rng.uniform(0, 0.8)
    span = scene.phase("run_up")
    present = (span,) if span else _strong_part(scene, beats, sizes)
    return Part(place(beats + late, sizes, scene.n), None, "front", _ring(rng), present)


MODELS = {
    "backlash": backlash,
    "chatter": chatter,
    "reknock": reknock,
    "rocking": rocking,
    "plate_buzz": plate_buzz,
}
