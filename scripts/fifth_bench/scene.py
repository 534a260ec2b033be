"""One clip while it is made: speed, angle and mains on its samples, and ways to excite."""

from __future__ import annotations

import numpy as np

from fifth_bench.basics import F32, F64, SINE, Rng, lookup, ratio, shaped_noise, slow
from fifth_bench.body import Body
from fifth_bench.makers import Maker
from fifth_bench.motion import Motion


class Scene:
    """What every source reads."""

    def __init__(
        self, maker: Maker, motion: Motion, body: Body, rate_hz: float, mains_hz: float
    ) -> None:
        self.maker, self.motion, self.body = maker, motion, body
        self.rate_hz = rate_hz
        #: Tones of faults stay below this, where the scale of severity still hears them.
        self.top_hz = min(6800.0, 0.4 * rate_hz)
        self.count = int(motion.timing.length_s * rate_hz)
        self.by_hand = motion.timing.spin_hz > 0
        self.sync_hz = motion.timing.spin_hz or 2.0 * mains_hz / maker.poles
        self.mains_hz = mains_hz
        speed, self.start_in = motion.sampled(rate_hz, self.count)
        self.turn: F64 = np.cumsum(speed, dtype=np.float64) * (self.sync_hz / rate_hz)
        #: Speed as a share of the running speed (by hand: of the first speed).
        self.u: F32 = speed / np.float32(max(motion.run_share, 0.2))
        self.slip: F32 = np.float32(1.0) - speed
        self.cycle: F64 = np.arange(self.count) * (mains_hz / rate_hz) + 3.0
        self.power = self._power()
        self._laws: dict[float, F32] = {}

    def _power(self) -> F32:
        power = np.zeros(self.count, np.float32)
        if self.by_hand:
            return power
        for on_s, off_s in self.motion.timing.runs:
            power[max(0, int(on_s * self.rate_hz)) : max(0, int(off_s * self.rate_hz))] = 1.0
        return power

    def law(self, exponent: float) -> F32:
        """Speed share to a power."""
        if exponent not in self._laws:
            self._laws[exponent] = np.power(self.u, np.float32(exponent))
        return self._laws[exponent]

    def span(self, phase: str) -> slice:
        """Samples of a phase of the first run."""
        motion, (on_s, off_s) = self.motion, self.motion.timing.runs[0]
        at_s = motion.at_speed_s if motion.at_speed_s is not None else max(on_s, 0.0)
        rest_s = motion.rest_s if motion.rest_s is not None else off_s
        if self.by_hand:
            off_s = at_s  # the hand lets go
        edges = {
            "run_up": (on_s + 0.02, at_s),
            "steady": (at_s + 0.1, off_s - 0.02),
            "coast_down": (off_s + 0.03, rest_s),
            "turning": (max(on_s, 0.0), rest_s),
            "powered": (on_s + 0.05, off_s - 0.02),
            "near_rest": (off_s + 0.65 * (rest_s - off_s), rest_s),
        }
        first, last = edges[phase]
        if self.by_hand and phase in ("run_up", "steady", "powered"):
            first, last = edges["turning"]
        first, last = max(0.0, first), min(last, self.count / self.rate_hz)
        if last - first < 0.15:
            last = first + 0.15
        return slice(int(first * self.rate_hz), int(last * self.rate_hz))

    def through(self, place: str, force: F32, pulse_s: float = 0.0) -> F32:
        """Sound of a force at a place."""
        return self.body.through(place, force, pulse_s=pulse_s)

    def noise(self, rng: Rng, *curves: list[tuple[float, float]]) -> F32:
        """Shaped noises on the clip's samples."""
        return shaped_noise(rng, self.count, self.rate_hz, *curves)

    def wander(self, rng: Rng, hz: float, spread_db: float) -> F32:
        """A gain that wanders."""
        knots = slow(rng, max(int(self.count / 64) + 2, 8), self.rate_hz / 64, hz)
        gain = (10 ** (np.clip(knots, -2.5, 2.5) * spread_db / 20)).astype(np.float32)
        return np.repeat(gain, 64)[: self.count]

    def table(self, table: F32, order: float = 1.0) -> F32:
        """A periodic table read along the angle."""
        return lookup(table, self.turn if order == 1.0 else self.turn * order)

    def mains_table(self, table: F32, order: float = 1.0) -> F32:
        """A periodic table read along the mains."""
        return lookup(table, self.cycle * order)

    def tone(self, order: float) -> F32:
        """A sine at an order of the shaft."""
        return lookup(SINE, self.turn * order)

    def swing(self, rng: Rng, depth: float, order: float = 1.0) -> F32:
        """Gain 1 with a once-per-turn swing."""
        shift = rng.uniform(0, 1)
        return np.float32(1.0) + np.float32(depth) * lookup(SINE, self.turn * order + shift)

    def knocks(self, at: F64, amplitudes: F64) -> F32:
        """Impulses at sample positions (fractions kept)."""
        out = np.zeros(self.count, np.float32)
        keep = (at >= 0) & (at < self.count - 2)
        at, amplitudes = at[keep], amplitudes[keep]
        first = at.astype(np.int64)
        part = at - first
        np.add.at(out, first, (amplitudes * (1 - part)).astype(np.float32))
        np.add.at(out, first + 1, (amplitudes * part).astype(np.float32))
        return out

    def when(self, turns: F64) -> F64:
        """Sample positions at which the shaft has made ``turns``."""
        return np.searchsorted(self.turn, turns).astype(np.float64)

    def ticks(self, turns: F64, amplitudes: F64, exponent: float = 1.0, jitter: float = 0.4) -> F32:
        """Impulses at angles; strength follows the speed there."""
        at = self.when(turns)
        keep = (at < self.count - 2) & (at > 0)
        at, amplitudes = at[keep], amplitudes[keep]
        speed = np.maximum(self.u[at.astype(np.int64)], 0.02)
        part = (np.arange(at.size) * 0.618) % 1.0 * jitter
        return self.knocks(at + part, amplitudes * speed**exponent)

    def at_order(self, rng: Rng, order: float, slip: float, jitter: float) -> F64:
        """Angles (turns) of events at ``order`` a turn, with slip and jitter."""
        count = int(self.turn[-1] * order) + 1
        steps = (1.0 + rng.normal(0, jitter, count)) / (order * (1.0 - slip))
        return np.cumsum(steps) + rng.uniform(0, 1)

    def at_angle(self, rng: Rng, order: float, jitter: float) -> F64:
        """Angles (turns) of events locked to the shaft, ``order`` a turn, each with jitter."""
        count = int(self.turn[-1] * order) + 1
        steps = np.arange(count) + rng.normal(0, jitter, count) + rng.uniform(0, 1)
        return np.asarray(steps / order)

    def at_random(self, rng: Rng, per_turn: float) -> F64:
        """Angles of events without rule, ``per_turn`` on the mean."""
        count = rng.poisson(max(self.turn[-1] * per_turn, 0.0))
        return np.sort(rng.uniform(0, self.turn[-1], count))

    def two_f(self, rng: Rng, jitter: float = 0.02) -> F64:
        """Sample positions of the torque peaks, twice a mains period, while powered."""
        step = self.rate_hz / (2.0 * self.mains_hz)
        at = (np.arange(int(self.count / step)) + rng.uniform(0, 1)) * step
        at = at + rng.normal(0, jitter, at.size) * step
        at = at[(at > 0) & (at < self.count - 2)]
        return np.asarray(at[self.power[at.astype(np.int64)] > 0.5])


def lognormal(rng: Rng, count: int, spread_db: float) -> F64:
    """Strengths with a spread in dB and a random sign of neither importance nor weight."""
    return np.asarray(10 ** (rng.normal(0, spread_db, count) / 20))


def scaled(x: F32, level_db: float, have_db: float) -> F32:
    """The sound brought from one level to another."""
    return np.asarray(x * np.float32(ratio(level_db - have_db)))
