"""Recordings that go wrong: before the microphone, in the phone, in the file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from third_bench.base import (
    F32,
    convolve,
    events,
    heard_level,
    modal_path,
    slow,
    spread,
    uniform,
    white,
)
from third_bench.machine import Machine
from third_bench.phones import Phone, gate, readable_s, ride
from third_bench.plan import Plan
from third_bench.rooms import Room
from third_bench.voices import music, speech, universal_motor

Truth = dict[str, Any]
TIMES = (
    "switched_on_s",
    "at_speed_s",
    "switched_off_s",
    "at_rest_s",
    "start_switch_open_s",
    "start_switch_close_s",
)


def shift_times(truth: Truth, by_s: float) -> Truth:
    """Move all events; those before the start are lost."""
    for key in TIMES:
        if truth[key] is not None:
            moved = truth[key] + by_s
            truth[key] = moved if moved >= 0.0 else None
    if truth["contacts"]:
        truth["contacts"] = [[a + by_s, b + by_s] for a, b in truth["contacts"] if a + by_s >= 0]
    return truth


def forget(truth: Truth, *keys: str) -> Truth:
    """Set truths to None."""
    for key in keys:
        truth[key] = None
    return truth


def silent_machine(truth: Truth) -> Truth:
    """No machine in the clip: no times, no speed."""
    forget(truth, *TIMES, "running_rpm", "mains_exact_hz", "snr_db")
    truth["click_over_db"] = {"open": None, "close": None}
    truth["click_speed_share"] = {"open": None, "close": None}
    truth["faults"] = dict.fromkeys(truth["faults"], 0.0)
    truth["sources"] = {}
    return truth


@dataclass(frozen=True, slots=True)
class Scene:
    """What goes wrong in front of the microphone."""

    plan: Plan
    machine: Machine
    room: Room
    phone: Phone

    @classmethod
    def of(cls, plan: Plan, machine: Machine, room: Room, phone: Phone) -> Scene:
        """Build."""
        return cls(plan, machine, room, phone)

    def happen(
        self, mix: F32, wet: F32, around: F32, level: float, dry: Any, truth: Truth
    ) -> tuple[F32, Truth]:
        """Apply the problem, if it is one of the scene's."""
        act = getattr(self, f"_{self.plan.problem}", None) if self.plan.problem else None
        if act is None:
            return mix, truth
        return act(mix, wet, around, level, dry, truth)  # type: ignore[no-any-return]

    @property
    def _rate(self) -> float:
        return float(self.phone.inner_rate_hz)

    def _no_machine(
        self, mix: F32, wet: F32, around: F32, level: float, dry: Any, truth: Truth
    ) -> tuple[F32, Truth]:
        return around, silent_machine(truth)

    def _no_sound(
        self, mix: F32, wet: F32, around: F32, level: float, dry: Any, truth: Truth
    ) -> tuple[F32, Truth]:
        truth["ambience"] = None
        return np.zeros_like(mix), silent_machine(truth)

    def _too_short(
        self, mix: F32, wet: F32, around: F32, level: float, dry: Any, truth: Truth
    ) -> tuple[F32, Truth]:
        rng = self.plan.rng(30)
        n = int(spread(rng, 0.1, 0.9) * self._rate)
        first = int(rng.integers(0, max(1, mix.size - n)))
        truth = shift_times(truth, -first / self._rate)
        return mix[first : first + n], truth

    def _already_running(
        self, mix: F32, wet: F32, around: F32, level: float, dry: Any, truth: Truth
    ) -> tuple[F32, Truth]:
        m = dry.motion
        begin = (m.at_speed_s or m.on_s) + 0.05
        end = max(begin + 0.1, m.off_s - 1.2)
        first_s = uniform(self.plan.rng(31), begin, end)
        first = int(first_s * self._rate)
        return mix[first:], shift_times(truth, -first / self._rate)

    def _no_switch_off(
        self, mix: F32, wet: F32, around: F32, level: float, dry: Any, truth: Truth
    ) -> tuple[F32, Truth]:
        m = dry.motion
        begin = (m.at_speed_s or m.on_s) + 1.0
        last_s = uniform(self.plan.rng(32), min(begin, m.off_s - 0.1), m.off_s - 0.05)
        return mix[: int(last_s * self._rate)], truth

    def _several_runs(
        self, mix: F32, wet: F32, around: F32, level: float, dry: Any, truth: Truth
    ) -> tuple[F32, Truth]:
        m, rate = dry.motion, self._rate
        rng = self.plan.rng(33)
        pause = around[: int(uniform(rng, 0.1, 2.0) * rate)]
        again = mix[: int(uniform(rng, 0.85, 1.0) * mix.size)] if rng.random() < 0.3 else mix
        again = again * np.float32(uniform(rng, 0.85, 1.15))
        second = (mix.size + pause.size) / rate
        truth["runs"] = [
            [round(m.on_s, 4), round(m.off_s, 4)],
            [round(m.on_s + second, 4), round(m.off_s + second, 4)],
        ]
        return np.concatenate([mix, pause, again]), truth

    def _talked_over(
        self, mix: F32, wet: F32, around: F32, level: float, dry: Any, truth: Truth
    ) -> tuple[F32, Truth]:
        rng = self.plan.rng(34)
        talk = np.zeros(mix.size, dtype=np.float32)
        kind = rng.random()
        if kind < 0.65:
            talk = speech(rng, mix.size, self._rate, uniform(rng, 0.7, 0.95))
            if rng.random() < 0.3:
                talk += 0.8 * speech(rng, mix.size, self._rate)
        else:
            talk = music(rng, mix.size, self._rate)
        over_db = uniform(rng, -3.0, 12.0)
        gain = level * 10 ** (over_db / 20.0) / (heard_level(talk, self._rate) + 1e-12)
        return mix + np.float32(gain) * talk, truth

    def _handled(
        self, mix: F32, wet: F32, around: F32, level: float, dry: Any, truth: Truth
    ) -> tuple[F32, Truth]:
        rng, rate = self.plan.rng(35), self._rate
        n = mix.size
        bumps = rng.poisson(n / rate * spread(rng, 0.6, 2.5)) + 3
        body = modal_path(
            rng,
            rate,
            modes=10,
            low_hz=40.0,
            high_hz=900.0,
            loss=(0.1, 0.6),
            tilt_db=-3.0,
            length_s=0.15,
        )
        hits = convolve(events(n, rng.random(bumps) * n, rng.lognormal(0, 0.6, bumps)), body)
        rustle = white(rng, n) * np.clip(slow(rng, n, rate, 0.06), 0, 3) ** 2
        rustle *= np.clip(slow(rng, n, rate, 1.0), 0.0, 2.0)
        peak = float(np.abs(hits).max()) + 1e-9
        top = level * 10 ** (uniform(rng, 14.0, 30.0) / 20.0)
        both = hits / peak * top + rustle * level * spread(rng, 0.3, 3.0)
        return (mix + both).astype(np.float32), truth

    def _loaded_run(
        self, mix: F32, wet: F32, around: F32, level: float, dry: Any, truth: Truth
    ) -> tuple[F32, Truth]:
        from third_bench.healthy import path

        m, rate = dry.motion, self._rate
        rng = self.plan.rng(36)
        n = m.n
        start = (m.at_speed_s or m.on_s) - 0.2 + rng.exponential(0.4)
        stop = (
            m.off_s if rng.random() < 0.5 else uniform(rng, start + 1.0, max(start + 1.1, m.off_s))
        )
        t = np.arange(n) / rate
        fill = np.clip((t - start) * 4.0, 0.0, 1.0) * np.clip((stop + 0.4 - t) * 2.5, 0.0, 1.0)
        dense = rng.random(n, dtype=np.float32) < fill * spread(rng, 200.0, 3000.0) / rate
        cracks = dense * rng.lognormal(0.0, 0.9, n) * white(rng, n)
        rush = 0.05 * white(rng, n) * fill * (1.0 + 0.4 * slow(rng, n, rate, 0.05))
        force = ((cracks + rush) * np.maximum(m.speed, 0.0)).astype(np.float32)
        sound = convolve(force, path(self.machine, "chamber", rate))
        over = level * 10 ** (uniform(rng, 8.0, 22.0) / 20.0)
        sound *= np.float32(over / (heard_level(sound[m.span("steady")], rate) + 1e-12))
        return mix + sound[: mix.size], truth

    def _other_machine(
        self, mix: F32, wet: F32, around: F32, level: float, dry: Any, truth: Truth
    ) -> tuple[F32, Truth]:
        rng, rate = self.plan.rng(37), self._rate
        start_s = uniform(rng, 0.4, 2.0)
        stop_s = start_s + uniform(rng, 2.0, 8.0)
        n = min(mix.size, int((stop_s + 3.0) * rate))
        stop_s = min(stop_s, n / rate - 0.5)
        sound = universal_motor(rng, n, rate, int(start_s * rate), int(stop_s * rate))
        shell = modal_path(
            rng,
            rate,
            modes=24,
            low_hz=200.0,
            high_hz=9000.0,
            loss=(0.02, 0.2),
            tilt_db=0.0,
            direct=1.5,
            length_s=0.08,
        )
        sound = convolve(sound, shell)
        snr_db = uniform(rng, 10.0, 38.0)
        near = sound[int((start_s + 0.8) * rate) : int(stop_s * rate)]
        gain = (
            heard_level(around[:n], rate)
            * 10 ** (snr_db / 20.0)
            / (heard_level(near, rate) + 1e-12)
        )
        truth = silent_machine(truth)
        truth["snr_db"] = round(snr_db, 2)
        truth["switched_on_s"], truth["switched_off_s"] = start_s, stop_s
        return around[:n] + np.float32(gain) * sound, truth


def after_capture(
    plan: Plan, phone: Phone, samples: NDArray, truth: Truth
) -> tuple[NDArray, Truth]:
    """Problems that the phone makes itself."""
    rng = plan.rng(40)
    rate = float(phone.rate_hz)
    if plan.problem == "no_sound":
        quiet = 0.0 if rng.random() < 0.6 else 10 ** (-uniform(rng, 78.0, 90.0) / 20.0)
        samples = (quiet * rng.standard_normal(samples.shape)).astype(np.float32)
    if plan.problem == "clipped":
        mono = samples if samples.ndim == 1 else samples[:, 0]
        level = float(np.quantile(np.abs(mono), uniform(rng, 0.80, 0.985))) + 1e-9
        rail = uniform(rng, 0.9, 1.0) if rng.random() < 0.8 else uniform(rng, 0.4, 0.9)
        samples = np.clip(samples / level * rail, -rail, rail).astype(np.float32)
    if plan.problem in ("gain_riding", "noise_gate"):
        columns = samples[:, None] if samples.ndim == 1 else samples
        done = []
        riding = uniform(rng, 16.0, 34.0), spread(rng, 0.15, 1.0)
        for k in range(columns.shape[1]):
            x = np.ascontiguousarray(columns[:, k])
            state = np.random.default_rng([plan.seed, 3, plan.index, 41])
            if plan.problem == "gain_riding":
                done.append(ride(x, rate, *riding))
            else:
                done.append(gate(state, x, rate, uniform(state, 4.0, 12.0)))
        samples = np.stack(done, axis=1) if samples.ndim == 2 else done[0]
        samples = np.clip(samples, -1.0, 1.0)
    return samples, truth


def cut_file(plan: Plan, path: Path, truth: Truth) -> Truth:
    """Lose the end of the file; the truth says what can still be read."""
    rng = plan.rng(42)
    raw = path.read_bytes()
    keep = uniform(rng, 0.15, 0.85)
    path.write_bytes(raw[: max(64, int(keep * len(raw)))])
    left_s = readable_s(path)
    truth["duration_s"] = round(min(left_s, truth["duration_s"]), 4)
    truth["usable"] = left_s >= 1.0
    return truth
