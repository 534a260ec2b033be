"""A plan becomes a file and a line of truth."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.random import Generator
from second_bench.audibility import excess_db, gain_for
from second_bench.names import FAULTS

from fourth_bench import mishaps, phones
from fourth_bench.habits import habits, operator
from fourth_bench.motion import CTRL_HZ, Motion, Times, hand_spin, powered
from fourth_bench.oddities import SOUNDS, loaded
from fourth_bench.plan import MECHANISMS, Plan
from fourth_bench.rooms import ambience, echo
from fourth_bench.tools import F32, bank, convolve, db, high_pass, log_uniform, ring, rms
from fourth_bench.voices import Scene, healthy

#: A sound may stand 15 dB higher elsewhere than in the phase it is judged in.
SPARE = 0.6
SILENT_STARTS = ("start_switch_stuck_closed", "start_switch_stuck_open", "did_not_start")


@dataclass(eq=False)
class Take:
    """One run of a machine before room and phone."""

    scene: Scene
    own: F32
    dry: F32
    parts: dict[str, tuple[F32, F32]] = field(default_factory=dict)
    clicks: dict[str, tuple[int, F32]] = field(default_factory=dict)
    sources: dict[str, str] = field(default_factory=dict)


def work_rate(phone_hz: int) -> int:
    """Rate at which a clip is built."""
    return phone_hz if phone_hz in (32000, 44100, 48000) else 32000


def _motion(plan: Plan, rng: Generator, rate_hz: int) -> Motion:
    if plan.stage == "hand_spin":
        return hand_spin(rng, rate_hz, plan.sync_hz)
    shares: tuple[float | None, float | None] = (
        float(np.clip(plan.maker.open_share + rng.normal(0, 0.01), 0.5, 0.85)),
        float(plan.maker.close_share + rng.normal(0, 0.01)),
    )
    other = plan.other[0] if plan.other else None
    if other in SILENT_STARTS:
        shares = (None, None)
    # the curve of a machine is its own; a clip only stretches it
    shape = np.random.default_rng(plan.maker.voice + 1)
    return powered(shape, rate_hz, plan.sync_hz, plan.run_hz, plan.times, shares)


def _phase(scene: Scene, name: str, windows: F32 | None) -> np.ndarray | slice:
    """Where a mechanism is judged: its phase, or the moments of contact."""
    if windows is not None and windows.any():
        return np.flatnonzero(windows > 0.5)
    return scene.motion.span(name)


def _windows(plan: Plan, scene: Scene) -> F32 | None:
    """Contact windows at the sample rate for a run in which the burrs are set."""
    if plan.touches is None:
        return None
    seconds = scene.motion.seconds
    level = np.zeros(seconds.size)
    for start, end in plan.touches:
        level = np.maximum(level, ((seconds >= start) & (seconds < end)).astype(float))
    smooth = np.convolve(level, np.ones(12) / 12, mode="same")
    return scene.motion.up(smooth)


def _top_hz(plan: Plan) -> float:
    return min(0.48 * plan.phone.rate_hz, plan.phone.top_hz)


def _closing(plan: Plan, scene: Scene, rng: Generator) -> F32:
    """Within a contact the burrs come nearer: the sound grows, evenly or late."""
    seconds = scene.motion.seconds
    level = np.ones(seconds.size)
    for start, end in plan.touches or ():
        inside = (seconds >= start) & (seconds < end)
        x = (seconds[inside] - start) / (end - start)
        first = rng.uniform(0.2, 1.0)
        level[inside] = first + (1 - first) * x ** rng.uniform(0.5, 2.0)
    return scene.motion.up(level)


def gain_of(plan: Plan, take: Take, made: F32, where: np.ndarray | slice, severity: float) -> float:
    """Gain for a severity in its phase, held back where the phase hardly holds the sound."""
    rate, top = take.scene.rate_hz, _top_hz(plan)
    gain = gain_for(made[where], take.own[where], severity, rate, top)
    whole = take.scene.motion.span("turning")
    return min(gain, gain_for(made[whole], take.own[whole], severity + SPARE, rate, top))


def add_faults(plan: Plan, take: Take, rng: Generator) -> None:
    """Lay the faults over the healthy sound at their audibility."""
    s, rate = take.scene, take.scene.rate_hz
    voice = np.random.default_rng([plan.maker.voice, 30])
    tones = np.exp(voice.uniform(np.log(200), np.log(6000), 8))
    path = ring(voice, rate, tones, log_uniform(voice, 0.002, 0.008), voice.uniform(1, 4))
    for fault, (mechanism, severity) in plan.faults.items():
        windows = _windows(plan, s) if fault == "burr_contact" else None
        others = [name for name in MECHANISMS[fault] if name != mechanism]
        for name in (mechanism, *others):
            sound, phase = MECHANISMS[fault][name]
            made = convolve(np.asarray(sound(s, rng), dtype=np.float32), path)
            if windows is not None:
                made = made * windows * _closing(plan, s, rng)
            where = _phase(s, phase, windows)
            # a hand spin of a few turns may end before a rare sound comes once
            if rms(made[where]) > 1e-6:
                break
        take.sources[fault] = name
        gain = gain_of(plan, take, made, where, severity)
        made = np.asarray(made * np.float32(gain))
        take.parts[fault] = (made[where], take.own[where])
        take.dry += made
    if plan.other is not None:
        name, severity = plan.other
        sound, phase = SOUNDS[name]
        made = np.asarray(sound(s, rng), dtype=np.float32)
        where = s.motion.span(phase)
        audible = severity if name != "drag" else severity * rng.uniform(0.1, 0.4)
        gain = gain_of(plan, take, made, where, audible)
        take.dry += made * np.float32(gain)
    if plan.problem == "loaded_run":
        made = loaded(s, rng)
        where = s.motion.span("steady")
        take.dry += made * np.float32(
            gain_for(made[where], take.own[where], rng.uniform(0.5, 1.1), rate, _top_hz(plan))
        )


def _edges(x: F32, rate_hz: int) -> F32:
    """Level of the first difference in 5 ms, dB, shape (pieces,)."""
    step = max(8, int(0.005 * rate_hz))
    pieces = np.diff(x)[: (x.size - 1) // step * step].reshape(-1, step)
    return np.asarray(10 * np.log10(np.mean(np.square(pieces), axis=1) + 1e-20), dtype=np.float32)


def _around(x: F32, at: int, rate_hz: int) -> float:
    """Usual edge level about a moment, dB."""
    wide = int(0.15 * rate_hz)
    some = x[max(0, at - wide) : at + wide]
    return float(np.median(_edges(some, rate_hz))) if some.size > 0.03 * rate_hz else -200.0


def add_clicks(plan: Plan, take: Take, rng: Generator) -> None:
    """The start switch at its two speeds, from inaudible to loud."""
    rate, m = take.scene.rate_hz, take.scene.motion
    own = np.random.default_rng([plan.maker.voice, 31])
    centre, decay = log_uniform(own, 1000, 6000), log_uniform(own, 0.0008, 0.008)
    made = bank(own, rate, 4, centre, decay_s=decay, noise=own.uniform(0.05, 0.5), octaves=0.6)
    usual, gap = own.uniform(-4, 28), own.uniform(-6, 10)
    bounces = int(own.integers(0, 3))
    for name, t in (("open", m.open_s), ("close", m.close_s)):
        wanted = usual + (gap if name == "close" else 0) + rng.normal(0, 3)
        if t is None:
            continue
        at = int(t * rate)
        size = int(0.06 * rate) + max(g.size for g in made)
        grain = np.zeros(size, dtype=np.float32)
        lag = 0.0
        for strike in range(bounces + 1):
            piece = made[int(rng.integers(len(made)))]
            start = int(lag * rate)
            grain[start : start + piece.size] += 0.6**strike * piece[: size - start]
            lag += rng.uniform(0.004, 0.018)
        have = float(_edges(grain, rate).max())
        grain *= np.float32(db(wanted + _around(take.dry, at, rate) - have))
        end = min(take.dry.size, at + size)
        take.dry[at:end] += grain[: end - at]
        take.clicks[name] = (at, grain)


def play(plan: Plan, rng: Generator, rate_hz: int) -> Take:
    """A run of the machine, close up."""
    motion = _motion(plan, rng, rate_hz)
    scene = Scene(plan.maker, motion, plan.mains_hz, plan.stage, rng)
    own = healthy(scene) + habits(scene)
    take = Take(scene, own, own.copy())
    add_faults(plan, take, rng)
    add_clicks(plan, take, rng)
    return take


def _steady_level(take: Take, wet: F32) -> float:
    name = "turning" if take.scene.stage == "hand_spin" else "steady"
    return rms(high_pass(wet, take.scene.rate_hz, 100.0)[take.scene.motion.span(name)])


def spoil(plan: Plan, wet: F32, level: float, rng: Generator, rate_hz: int) -> F32:
    """Problems that lie in the air before the microphone."""
    if plan.problem == "talked_over":
        return mishaps.talk_over(rng, wet, rate_hz, level)
    if plan.problem == "handled":
        return mishaps.handle(rng, wet, rate_hz, level)
    return wet


def through_phone(plan: Plan, x: F32, quiet: slice, loud: float, rng: Generator, rate: int) -> F32:
    """Microphone, automatics, level; at the phone's own rate."""
    phone = plan.phone
    y = phones.microphone(x, phone, rate)
    if plan.problem == "band_limited" and phone.top_hz < 10000:
        y = phones.low_pass(y, rate, phone.top_hz, 8)
    peak = float(np.quantile(np.abs(y[:: max(1, y.size // 200000)]), 0.9998)) + 1e-12
    y = y * np.float32(db(phone.peak_db) / peak)
    gained = db(phone.peak_db) / peak
    hiss = min(db(phone.hiss_db), loud * gained * db(-max(plan.snr_db, 0) - 4))
    y = y + np.float32(hiss) * rng.standard_normal(y.size, dtype=np.float32)
    if plan.problem == "gain_riding":
        y = phones.ride(y, rate, rng.uniform(0.6, 0.95), rng.uniform(0.02, 0.2),
                        log_uniform(rng, 0.2, 1.5))  # fmt: skip
    elif phone.agc > 0:
        y = phones.ride(y, rate, phone.agc, 0.1, 1.0)
    if plan.problem == "noise_gate":
        floor = rms(y[quiet]) if quiet.stop > quiet.start else 1e-4
        y = mishaps.gated(y, rate, floor, max(loud * gained, 1.1 * floor), rng)
    elif phone.gate_db > 0 and quiet.stop - quiet.start > 2048:
        y = phones.suppress(y, rate, quiet, phone.gate_db)
    if plan.problem == "clipped":
        y = y * np.float32(db(rng.uniform(9, 28) - phone.peak_db))
        y = np.clip(y, -1, 1) * np.float32(rng.choice((1.0, 1.0, 0.8)))
    else:
        y = phones.limited(y)
    return phones.to_rate(np.asarray(y, dtype=np.float32), rate, phone.rate_hz)


# truth -----------------------------------------------------------------------


def blank(plan: Plan) -> dict[str, Any]:
    """Truth of a clip of which nothing is known yet; every field is there."""
    none = {"open": None, "close": None}
    return {
        "file": f"clip_{plan.index:04d}.{_suffix(plan)}",
        "duration_s": 0.0,
        "mains_hz": plan.maker.mains_hz,
        "poles": plan.maker.poles,
        "stage": plan.stage,
        "running_rpm": None,
        "switched_on_s": None,
        "at_speed_s": None,
        "switched_off_s": None,
        "at_rest_s": None,
        "start_switch_open_s": None,
        "start_switch_close_s": None,
        "faults": {f: plan.faults[f][1] if f in plan.faults else 0.0 for f in FAULTS},
        "sources": {f: plan.faults[f][0] for f in plan.faults},
        "other": {plan.other[0]: plan.other[1]} if plan.other else {},
        "problem": plan.problem,
        "usable": plan.usable,
        "snr_db": None,
        "family": {"machine": plan.maker.name, "room": plan.room.name, "phone": plan.phone.name},
        "codec": plan.phone.label,
        "rate_hz": plan.phone.rate_hz,
        "mains_exact_hz": round(plan.mains_hz, 4),
        "click_over_db": dict(none),
        "click_speed_share": dict(none),
        "heard_over_db": {},
        "contacts": [list(t) for t in plan.touches] if plan.touches is not None else None,
        "runs": None,
        "ambience": "synthetic",
        "blades": plan.maker.blades,
        "orders": plan.maker.bearing,
    }


def _suffix(plan: Plan) -> str:
    codec = plan.phone.codec
    return phones.CODECS[codec][0] if codec in phones.CODECS else codec


def _at(t: float | None) -> float | None:
    return None if t is None else round(float(t), 4)


def tell(plan: Plan, take: Take, surroundings: F32, noise: F32) -> dict[str, Any]:
    """Truth of a run as it was played, times from its first sample."""
    m, rate = take.scene.motion, take.scene.rate_hz
    out = blank(plan)
    out |= {
        "switched_on_s": _at(m.on_s),
        "at_speed_s": _at(m.at_speed_s),
        "switched_off_s": _at(m.off_s),
        "at_rest_s": _at(m.rest_s),
        "start_switch_open_s": _at(m.open_s),
        "start_switch_close_s": _at(m.close_s),
        "snr_db": round(plan.snr_db, 2),
        "sources": dict(take.sources),
    }
    if m.at_speed_s is not None:
        out["running_rpm"] = round(60 * m.ref_hz, 2)
    if plan.stage == "hand_spin":
        out["spin_turns_per_s"] = round(float(m.ref_hz), 3)
    for name, (at, grain) in take.clicks.items():
        over = float(_edges(grain, rate).max()) - _around(surroundings, at, rate)
        out["click_over_db"][name] = round(over, 1)
        share = float(m.speed_hz[min(m.speed_hz.size - 1, int(at / rate * CTRL_HZ))]) / m.sync_hz
        out["click_speed_share"][name] = round(share, 3)
    for fault, (made, own) in take.parts.items():
        piece = noise[: own.size] if noise.size >= own.size else np.resize(noise, own.size)
        over = excess_db(made, own + piece, rate, _top_hz(plan))
        out["heard_over_db"][fault] = round(over, 2)
    return out


TIMES = (
    "switched_on_s", "at_speed_s", "switched_off_s", "at_rest_s",
    "start_switch_open_s", "start_switch_close_s",
)  # fmt: skip


def windowed(truth: dict[str, Any], start_s: float, end_s: float) -> None:
    """Truth of a piece of the clip: what lies outside was not recorded."""
    for name in TIMES:
        t = truth[name]
        inside = t is not None and start_s <= t < end_s
        truth[name] = round(t - start_s, 4) if inside else None
    if truth["contacts"]:
        truth["contacts"] = [
            [round(max(a, start_s) - start_s, 3), round(min(b, end_s) - start_s, 3)]
            for a, b in truth["contacts"] if b > start_s and a < end_s
        ]  # fmt: skip


def _piece(plan: Plan, take: Take, rng: Generator) -> tuple[float, float]:
    """Which part of the run the file holds, s."""
    m, whole = take.scene.motion, take.scene.n / take.scene.rate_hz
    full, off = m.at_speed_s or 0.0, m.off_s or whole
    if plan.problem == "already_running":
        return float(rng.uniform(full + 0.3, max(full + 0.4, off - 1.5))), whole
    if plan.problem == "no_switch_off":
        return 0.0, float(rng.uniform(max(full + 1.0, off - 2.0), off - 0.1))
    if plan.problem == "too_short":
        length = float(rng.uniform(0.12, 0.9))
        start = float(rng.uniform(0, whole - length))
        return start, start + length
    return 0.0, whole


# whole clips -----------------------------------------------------------------


def _joined(plan: Plan, take: Take, rng: Generator, rate: int) -> tuple[F32, list[list[float]]]:
    """The run and, where the plan wants it, more of them after it."""
    m = take.scene.motion
    runs = [[round(float(m.on_s or 0), 4), round(float(m.off_s or 0), 4)]]
    dry = take.dry
    again = int(rng.integers(1, 3)) if plan.times.length_s < 12 else 1
    for _ in range(again):
        more = play(plan, rng, rate)
        offset = dry.size / rate
        on, off = more.scene.motion.on_s or 0.0, more.scene.motion.off_s or 0.0
        runs.append([round(offset + on, 4), round(offset + off, 4)])
        dry = np.concatenate([dry, more.dry])
    return dry, runs


def build(plan: Plan) -> tuple[F32, dict[str, Any]]:
    """Channels (channels, n) at the phone's rate and the truth."""
    rng = np.random.default_rng([plan.seed, plan.index, 7])
    rate = work_rate(plan.phone.rate_hz)
    if plan.problem in ("no_sound", "no_machine", "other_machine"):
        x, truth = _without(plan, rng, rate)
        return phones.tracks(x, plan.phone, rng) if truth["problem"] != "no_sound" else x[
            None, :
        ], truth
    take = play(plan, rng, rate)
    dry, runs = take.dry, None
    if plan.problem == "several_runs":
        dry, runs = _joined(plan, take, rng, rate)
    wet = convolve(dry, echo(plan.room, rng, rate))
    level = _steady_level(take, wet)
    noise = ambience(plan.room, rng, wet.size, rate, plan.mains_hz)
    noise = noise * np.float32(level * db(-plan.snr_db))
    truth = tell(plan, take, wet + noise, noise)
    truth["runs"] = runs
    person = np.float32(level) * operator(rng, wet.size, rate)
    mix = spoil(plan, wet + noise + person, level, rng, rate)
    start, end = _piece(plan, take, rng)
    if plan.problem in ("already_running", "no_switch_off", "too_short"):
        windowed(truth, start, end)
        mix = mix[int(start * rate) : int(end * rate)]
    first = take.scene.motion.on_s or 0.4
    quiet = slice(0, int(max(0.0, first - start - 0.05) * rate))
    y = through_phone(plan, mix, quiet, level, rng, rate)
    if plan.problem == "too_short":
        for name in TIMES:
            truth[name] = None
    truth["duration_s"] = round(y.size / plan.phone.rate_hz, 4)
    return phones.tracks(y, plan.phone, rng), truth


def _without(plan: Plan, rng: Generator, rate: int) -> tuple[F32, dict[str, Any]]:
    """Clips without a grinder."""
    truth = blank(plan)
    seconds = float(rng.uniform(4, 15))
    n = int(seconds * rate)
    if plan.problem == "no_sound":
        x = mishaps.silence(rng, int(seconds * plan.phone.rate_hz))
        truth |= {"duration_s": round(x.size / plan.phone.rate_hz, 4), "ambience": None}
        return x, truth
    noise = ambience(plan.room, rng, n, rate, plan.mains_hz)
    if plan.problem == "no_machine":
        noise = mishaps.busy(rng, noise, rate) + 2 * operator(rng, n, rate)
    if plan.problem == "other_machine":
        made, on, off = mishaps.other_machine(rng, n, rate)
        wet = convolve(made, echo(plan.room, rng, rate))
        noise = wet + noise * np.float32(rms(wet) * db(-plan.snr_db))
        truth |= {"switched_on_s": _at(on), "switched_off_s": _at(off),
                  "snr_db": round(plan.snr_db, 2), "mains_exact_hz": None}  # fmt: skip
    y = through_phone(plan, np.asarray(noise, np.float32), slice(0, 0), 1.0, rng, rate)
    truth["duration_s"] = round(y.size / plan.phone.rate_hz, 4)
    return y, truth


def make(plan: Plan, folder: Path) -> dict[str, Any]:
    """Write the file of a plan and return its truth."""
    data, truth = build(plan)
    path = folder / truth["file"]
    phones.write(path, data, plan.phone)
    if plan.problem == "cut_file":
        rng = np.random.default_rng([plan.seed, plan.index, 8])
        left = round(mishaps.cut_bytes(path, rng), 4)
        windowed(truth, 0.0, left)
        truth |= {"duration_s": left, "usable": left > 1.0}
    return truth


__all__ = ["Take", "Times", "build", "make", "play"]
