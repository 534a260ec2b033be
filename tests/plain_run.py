"""A run built from closed forms alone, for tests: hum, tones at whole orders, noise.

It shares nothing with ``quietrun.synth``: the speed is a straight line up, a
plateau and the closed form of Coulomb drag plus windage down.
"""

from dataclasses import dataclass

import numpy as np

from quietrun.clip.types import Clip, Source


@dataclass(frozen=True)
class Plain:
    clip: Clip
    on_s: float
    at_speed_s: float
    off_s: float
    rest_s: float
    shaft_hz: float


def plain_run(
    *,
    rate_hz=48000.0,
    mains_hz=50.0,
    shaft_hz=24.8,
    on_s=1.0,
    run_up_s=0.8,
    off_s=6.0,
    coast_s=4.0,
    length_s=12.0,
    hum=0.02,
    tone=0.03,
    noise=0.001,
    seed=3,
    orders=(1, 2, 7, 14, 21, 37, 64),
):
    """One run; ``coast_s`` is the time from switch-off to rest."""
    rng = np.random.default_rng(seed)
    n = int(length_s * rate_hz)
    t = np.arange(n) / rate_hz
    up = np.clip((t - on_s) / run_up_s, 0, 1)
    # w = sqrt(a/c) tan(...) for dw/dt = -(a + c w^2) with c = a at w = 1
    angle = np.arctan(1.0)
    falling = np.tan(np.clip(angle * (1 - (t - off_s) / coast_s), 0, None))
    share = np.where(t < off_s, up, falling)
    phase = 2 * np.pi * np.cumsum(share) * shaft_hz / rate_hz
    x = np.zeros(n)
    for i, order in enumerate(orders):
        x += tone / (1 + 0.3 * i) * share**2 * np.sin(order * phase + i)
    powered = (t >= on_s) & (t < off_s)
    for k in range(1, 7):
        x += hum / k * powered * np.sin(2 * np.pi * 2 * mains_hz * k * t + k)
    x += 0.02 * share**2.5 * rng.normal(size=n)
    x += noise * rng.normal(size=n)
    samples = (0.5 * x).astype(np.float32)
    source = Source("plain", None, None, None, "", 1, 0, length_s)
    clip = Clip(samples, rate_hz, source)
    return Plain(clip, on_s, on_s + run_up_s, off_s, off_s + coast_s, shaft_hz)
