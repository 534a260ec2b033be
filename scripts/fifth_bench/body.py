"""Transfer paths: one dense set of modes a machine, seen from each place where forces act.

Structure-borne: a few hundred modes between 80 Hz and the top of the band, spaced as
in coupled structures (repelling, not clustered), damping falling with frequency and
scattered, every place with its own participation. Air-borne: direct sound, the bounce
off the bench, the resonances of cavities. A path is an impulse response of unit energy.
"""

from __future__ import annotations

import numpy as np
from scipy.signal import oaconvolve

from fifth_bench.basics import F32, F64, Rng, gain_at

PLACES: dict[str, list[tuple[float, float]]] = {
    "stator": [(80, 4), (300, 3), (900, 0), (3000, -6), (9000, -22)],
    "front": [(80, -8), (400, -2), (1500, 2), (4000, 2), (9000, -8)],
    "rear": [(80, -10), (500, -3), (1500, 0), (5000, 3), (9000, -6)],
    "cowl": [(80, -6), (250, 0), (900, 3), (2500, 0), (8000, -14)],
    "chamber": [(80, -4), (300, 2), (1200, 3), (3500, 0), (9000, -10)],
    "plate": [(80, -20), (800, -8), (2500, 2), (6000, 4), (10000, 0)],
    "panel": [(80, 0), (200, 4), (800, 3), (2500, 0), (8000, -12)],
    "case": [(80, -6), (400, 0), (1500, 2), (4000, 2), (9000, -6)],
}
LENGTH_S = 0.22


def mode_frequencies(rng: Rng, top_hz: float) -> F64:
    """Mode frequencies with level repulsion: spacings of the Wigner kind."""
    space = rng.uniform(28, 75)
    spacing = space * np.sqrt(-np.log(rng.uniform(0.001, 1, 700)) * 4 / np.pi)
    hz = rng.uniform(70, 160) + np.cumsum(spacing * rng.uniform(0.9, 1.1))
    return np.asarray(hz[hz < top_hz])


class Body:
    """Paths of one machine, heard from one side."""

    def __init__(self, machine_rng: Rng, clip_rng: Rng, rate_hz: float, *, light: float) -> None:
        rng = machine_rng
        self.rate_hz = rate_hz
        self._size = int(LENGTH_S * rate_hz)
        hz = mode_frequencies(rng, min(11000.0, 0.46 * rate_hz))
        loss = 10 ** rng.normal(-1.75 + 0.25 * light, 0.22, hz.size) * (hz / 1000) ** -0.35
        radiate = hz / np.sqrt(hz**2 + rng.uniform(350, 1800) ** 2)
        here = 0.8 * rng.standard_normal(hz.size) + 0.6 * clip_rng.standard_normal(hz.size)
        rows = []
        for curve in PLACES.values():
            shape = rng.standard_normal(hz.size) * here * radiate * gain_at(hz, curve)
            rows.append(shape * np.sqrt(np.pi * hz * loss))
        ring = self._ring(rng)
        responses = self._decays(hz, loss, np.asarray(rows))
        self._paths = dict(zip(PLACES, responses, strict=True))
        self._paths["plate"] = _unit(self._paths["plate"] + ring)
        self._paths["cowl"] = _unit(self._paths["cowl"] + 0.8 * self._plastic(rng))
        self._paths["air"] = self._air(rng, clip_rng)
        self.rings_hz = self._rings_hz

    def _decays(self, hz: F64, loss: F64, rows: F64) -> F32:
        step = (-np.pi * hz * loss + 2j * np.pi * hz) / self.rate_hz
        fine = np.exp(np.outer(step, np.arange(128))).astype(np.complex64)
        coarse = np.exp(np.outer(step, 128 * np.arange(self._size // 128 + 1)))
        coarse[np.abs(coarse) < 1e-9] = 0.0  # denormal numbers are slow
        out = np.empty((rows.shape[0], coarse.shape[1], 128), np.float32)
        for k in range(coarse.shape[1]):
            out[:, k] = ((rows * coarse[:, k]).astype(np.complex64) @ fine).imag
        flat = out.reshape(rows.shape[0], -1)[:, : self._size]
        return np.asarray([_unit(row) for row in flat], dtype=np.float32)

    def _ring(self, rng: Rng) -> F32:
        """Bell-like modes of the burr plates."""
        top = 0.42 * self.rate_hz
        first = rng.uniform(1300, 3200)
        hz = first * np.cumprod(np.append(1.0, rng.uniform(1.25, 1.75, 5)))
        hz = np.minimum(hz * rng.uniform(0.985, 1.015, 6), top * rng.uniform(0.8, 1, 6))
        self._rings_hz = hz
        loss = 1 / rng.uniform(90, 600, 6)
        rows = (rng.uniform(0.2, 1.0, 6) * np.sqrt(np.pi * hz * loss))[None]
        return np.asarray(self._decays(hz, loss, rows)[0] * rng.uniform(0.5, 2.0))

    def _plastic(self, rng: Rng) -> F32:
        hz = rng.uniform(180, 2600, 14)
        rows = (rng.standard_normal(14) * np.sqrt(np.pi * hz * 0.08))[None]
        return np.asarray(self._decays(hz, rng.uniform(0.04, 0.12, 14), rows)[0])

    def _air(self, rng: Rng, clip_rng: Rng) -> F32:
        hz = np.sort(rng.uniform(140, 2200, 5))
        loss = rng.uniform(0.06, 0.25, 5)
        rows = (rng.standard_normal(5) * np.sqrt(np.pi * hz * loss))[None]
        out = rng.uniform(0.2, 0.9) * self._decays(hz, loss, rows)[0]
        out[0] += 1.0
        out[int(clip_rng.uniform(0.0003, 0.0035) * self.rate_hz)] += clip_rng.uniform(-0.2, 0.7)
        return _unit(out)

    def through(self, place: str, force: F32, *, pulse_s: float = 0.0) -> F32:
        """What reaches the ear of a force at ``place``; ``pulse_s`` is the time of contact."""
        path = self._paths[place]
        count = int(pulse_s * self.rate_hz)
        if count > 1:
            path = np.convolve(path, np.hanning(count + 2)[1:-1].astype(np.float32))
            path = _unit(path.astype(np.float32))
        return np.asarray(oaconvolve(force, path)[: force.size], dtype=np.float32)


def _unit(x: F32) -> F32:
    return np.asarray(x / np.sqrt(np.sum(np.square(x), dtype=np.float64) + 1e-20), np.float32)
