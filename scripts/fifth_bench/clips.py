"""From a plan to a file and its truth."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy import fft
from second_bench import audibility, names

from fifth_bench import healthy, mishaps, others, phones, rooms
from fifth_bench.basics import F32, heard_db, ratio, rms
from fifth_bench.body import Body
from fifth_bench.motion import integrate
from fifth_bench.plan import MECHANISMS, Plan
from fifth_bench.scene import Scene

EVENTS = (
    "switched_on_s", "at_speed_s", "switched_off_s", "at_rest_s", "start_switch_open_s",
    "start_switch_close_s",
)  # fmt: skip
STANDING = ("did_not_start", "start_switch_stuck_open")


@dataclass(slots=True)
class Take:
    """The machine without room and phone, and what it consists of."""

    scene: Scene
    own: F32
    dry: F32
    parts: dict[str, tuple[F32, F32]]
    clicks: dict[str, list[tuple[int, F32]]]


def working_rate(file_rate_hz: int) -> int:
    """The rate a clip is made at: never under 32 kHz."""
    return file_rate_hz * max(1, -(-32000 // file_rate_hz))


def play(plan: Plan, rate_hz: int) -> Take:
    """Sound of the machine."""
    motion = integrate(plan.timing)
    machine_rng = np.random.default_rng(plan.maker.seed)
    body = Body(machine_rng, plan.rng(1), rate_hz, light=plan.maker.light)
    scene = Scene(plan.maker, motion, body, rate_hz, plan.mains_hz)
    scene.top_hz = min(scene.top_hz, 0.85 * plan.phone.top_hz)
    own = healthy.own_sound(scene, plan.maker.seed + plan.index, plan.stage)
    clicks, switch = healthy.clicks(scene, plan.index, own)
    dry = own + clicks
    if plan.stage == "hand_spin":
        dry += _push(plan, scene, own)
    top_hz = min(plan.phone.top_hz, 0.46 * rate_hz)
    parts: dict[str, tuple[F32, F32]] = {}
    for number, (fault, (mechanism, severity)) in enumerate(plan.faults.items()):
        make, phase = MECHANISMS[fault][mechanism]
        mask = None
        if fault == "burr_contact" and plan.touches is not None:
            mask = _touching(plan, scene)
        for again in range(4):  # rare events may not come up at all in a short clip
            sound = make(scene, plan.rng(20 + number + 100 * again))
            sound = sound if mask is None else sound * mask
            if np.abs(sound).max() > 1e-9:
                parts[fault] = _set(scene, sound, own, phase, severity, top_hz, mask)
                dry += parts[fault][0]
                break
    if plan.other is not None:
        name, severity = plan.other
        source, phase = others.SOURCES[name]
        if source is not None:
            made = source(scene, plan.rng(40))
            quiet = 0.3 if name == "drag" else 1.0
            parts[name] = _set(scene, made, own, phase, severity * quiet, top_hz, None)
            dry += parts[name][0]
    if plan.problem == "loaded_run":
        made = others.load(scene, plan.rng(41))
        steady = scene.span("steady")
        over_db = plan.rng(42).uniform(2, 16)
        have_db = heard_db(made[steady], rate_hz) - heard_db(own[steady], rate_hz)
        dry += made * np.float32(ratio(over_db - have_db))
    return Take(scene, own, dry, parts, switch)


def _set(
    scene: Scene, sound: F32, own: F32, phase: str, severity: float, top_hz: float,
    mask: F32 | None,
) -> tuple[F32, F32]:  # fmt: skip
    """The fault at its severity, and the machine in the phase it is judged in."""
    span = scene.span(phase)
    if mask is not None:
        inside = mask > 0.5
        gain = audibility.gain_for(sound[inside], own[inside], severity, scene.rate_hz, top_hz)
        return sound * np.float32(gain), own[inside]
    heard, machine = sound[span], own[span]
    if not np.any(np.abs(heard) > 1e-9 * (np.abs(sound).max() + 1e-12)):
        span = scene.span("turning")  # it did not happen in its phase: judge it where it did
        heard, machine = sound[span], own[span]
    gain = audibility.gain_for(heard, machine, severity, scene.rate_hz, top_hz)
    return sound * np.float32(gain), machine


def _touching(plan: Plan, scene: Scene) -> F32:
    mask = np.zeros(scene.count, np.float32)
    edge = int(0.03 * scene.rate_hz)
    for begin_s, end_s in plan.touches or ():
        begin, end = int(begin_s * scene.rate_hz), int(end_s * scene.rate_hz)
        piece = np.ones(max(end - begin, 2 * edge), np.float32)
        piece[:edge] = np.linspace(0, 1, edge)
        piece[-edge:] = np.linspace(1, 0, edge)
        stop = min(begin + piece.size, scene.count)
        mask[begin:stop] = np.maximum(mask[begin:stop], piece[: stop - begin])
    return mask


def _push(plan: Plan, scene: Scene, own: F32) -> F32:
    """The hand that spins the shaft."""
    rng = plan.rng(2)
    out = np.zeros(scene.count, np.float32)
    begin = int(scene.motion.timing.runs[0][0] * scene.rate_hz)
    n = min(int(scene.motion.timing.run_up_s * rng.uniform(0.8, 1.4) * scene.rate_hz),
            scene.count - begin)  # fmt: skip
    rub = np.convolve(rng.standard_normal(n), np.hanning(21), mode="same")
    rub *= np.sin(np.pi * np.arange(n) / n)
    level = rms(own[scene.span("turning")]) * ratio(rng.uniform(-8, 12))
    out[begin : begin + n] = (rub / (np.std(rub) + 1e-9) * level).astype(np.float32)
    return out


def build(plan: Plan) -> tuple[F32, dict[str, Any]]:
    """Samples at the rate of the file, and the truth about them."""
    rate_hz = working_rate(plan.phone.rate_hz)
    if plan.problem in ("no_sound", "no_machine", "other_machine"):
        return _without(plan, rate_hz)
    take = play(plan, rate_hz)
    count, scene = take.scene.count, take.scene
    machine = _at_phone(plan, take.dry, rate_hz)
    around = _around(plan, count, rate_hz)
    window = scene.span("coast_down" if scene.by_hand else "powered" if _stands(plan) else "steady")
    level_db = heard_db(machine[window], rate_hz)
    snr_db = plan.snr_db
    around *= np.float32(ratio(level_db - snr_db - heard_db(around, rate_hz)))
    x = machine + around
    if plan.problem == "talked_over":
        x += _talker(plan, scene, rate_hz, level_db)
    x = phones.processed(plan.phone, x, rate_hz, plan.rng(6), plan.peak)
    if plan.problem == "handled":
        x = x + mishaps.handling(plan.rng(9), count, rate_hz) * np.float32(min(plan.peak, 0.6))
    truth = tell(plan, take, snr_db)
    if plan.problem == "too_short":
        x = _short(plan, scene, x, rate_hz)
        truth |= dict.fromkeys(EVENTS)
    return _finished(plan, x, rate_hz, truth)


def _finished(
    plan: Plan, x: F32, rate_hz: int, truth: dict[str, Any]
) -> tuple[F32, dict[str, Any]]:
    out = phones.at_rate(x, rate_hz, plan.phone.rate_hz)
    truth["duration_s"] = round(out.size / plan.phone.rate_hz, 4)
    return np.clip(out, -1.0, 1.0), truth


def _stands(plan: Plan) -> bool:
    return plan.other is not None and plan.other[0] in STANDING


def _at_phone(plan: Plan, dry: F32, rate_hz: int) -> F32:
    """Room and microphone."""
    path = rooms.response(plan.room, plan.rng(3), rate_hz, plan.distance_m)
    size = fft.next_fast_len(dry.size + path.size, real=True)
    hz = fft.rfftfreq(size, 1 / rate_hz)
    spectrum = fft.rfft(dry, size) * fft.rfft(path, size)
    spectrum *= phones.microphone_gain(plan.phone, hz)
    return np.asarray(fft.irfft(spectrum, size)[: dry.size], np.float32)


def _around(plan: Plan, count: int, rate_hz: int) -> F32:
    """The room's own sounds at the microphone."""
    sound = rooms.background(plan.room, plan.rng(4), count, rate_hz, plan.mains_hz)
    size = fft.next_fast_len(count + 2048, real=True)
    gain = phones.microphone_gain(plan.phone, fft.rfftfreq(size, 1 / rate_hz))
    return np.asarray(fft.irfft(fft.rfft(sound, size) * gain, size)[:count], np.float32)


def _talker(plan: Plan, scene: Scene, rate_hz: int, level_db: float) -> F32:
    rng = plan.rng(5)
    voice = rooms.talk(rng, scene.count, rate_hz)
    return voice * np.float32(ratio(level_db + rng.uniform(0, 12) - heard_db(voice, rate_hz)))


def _short(plan: Plan, scene: Scene, x: F32, rate_hz: int) -> F32:
    rng = plan.rng(7)
    size = int(rng.uniform(0.2, 0.9) * rate_hz)
    start = scene.span("steady").start + int(rng.uniform(0, 0.5) * rate_hz)
    return x[start : start + size]


def _without(plan: Plan, rate_hz: int) -> tuple[F32, dict[str, Any]]:
    """Clips in which no grinder runs."""
    count = int(plan.timing.length_s * rate_hz)
    rng = plan.rng(8)
    truth = _base(plan)
    if plan.problem == "no_sound":
        x = np.zeros(count, np.float32)
        if rng.random() < 0.5:
            x += np.float32(rng.choice([0.0, 0.01])) + rng.standard_normal(count, np.float32) * 2e-5
        return _finished(plan, x, rate_hz, truth)
    around = _around(plan, count, rate_hz)
    if plan.problem == "other_machine":
        sound, on_s, off_s = mishaps.other_machine(rng, count, rate_hz)
        sound = _at_phone(plan, sound.astype(np.float32), rate_hz)
        snr_db = max(plan.snr_db, 12.0)
        have_db = heard_db(sound[int((on_s + 1) * rate_hz) : int(off_s * rate_hz)], rate_hz)
        around = sound + around * np.float32(ratio(have_db - snr_db - heard_db(around, rate_hz)))
        truth |= {"switched_on_s": round(on_s, 4), "switched_off_s": round(off_s, 4)}
        truth["snr_db"] = round(snr_db, 2)
    x = phones.processed(plan.phone, around, rate_hz, plan.rng(6), plan.peak)
    return _finished(plan, x, rate_hz, truth)


def _base(plan: Plan) -> dict[str, Any]:
    """Truth of a clip in which nothing happened."""
    codec = plan.phone.codec + (f"-{plan.phone.kbps:g}k" if plan.phone.kbps else "")
    truth: dict[str, Any] = {
        "file": "", "duration_s": 0.0, "mains_hz": plan.maker.mains_hz,
        "poles": plan.maker.poles, "stage": plan.stage, "running_rpm": None,
    }  # fmt: skip
    truth |= dict.fromkeys(EVENTS)
    truth |= {
        "faults": dict.fromkeys(names.FAULTS, 0.0), "sources": {}, "other": {},
        "problem": plan.problem, "usable": plan.problem not in names.FATAL, "snr_db": None,
        "family": {
            "machine": plan.maker.name, "room": plan.room.name, "phone": plan.phone.name,
        },
        "codec": codec, "rate_hz": plan.phone.rate_hz, "mains_exact_hz": round(plan.mains_hz, 4),
        "click_over_db": {"open": None, "close": None},
        "click_speed_share": {"open": None, "close": None}, "heard_over_db": {},
        "contacts": None, "runs": None, "ambience": "synthetic", "blades": plan.maker.blades,
        "orders": plan.maker.orders,
    }  # fmt: skip
    return truth


def tell(plan: Plan, take: Take, snr_db: float) -> dict[str, Any]:
    """The truth of a clip in which the machine was there."""
    truth, scene, motion = _base(plan), take.scene, take.scene.motion
    on_s, off_s = motion.timing.runs[0]
    length_s = scene.count / scene.rate_hz
    if not scene.by_hand:
        truth["switched_on_s"] = on_s if on_s > 0 else None
        truth["switched_off_s"] = off_s if off_s < length_s else None
        truth["at_speed_s"] = motion.at_speed_s
        truth["start_switch_open_s"] = motion.open_s[0]
        truth["start_switch_close_s"] = motion.close_s[0]
        if motion.run_share > 0.05:
            truth["running_rpm"] = round(60 * motion.run_share * scene.sync_hz, 2)
    else:
        truth["spin_turns_per_s"] = round(scene.sync_hz, 3)
    truth["at_rest_s"] = motion.rest_s
    for name in EVENTS:
        truth[name] = None if truth[name] is None else round(truth[name], 4)
    sounded = {fault: how for fault, how in plan.faults.items() if fault in take.parts}
    truth["faults"] |= {fault: severity for fault, (_, severity) in sounded.items()}
    truth["sources"] = {fault: mechanism for fault, (mechanism, _) in sounded.items()}
    truth["other"] = dict([plan.other]) if plan.other else {}
    truth["snr_db"] = round(snr_db, 2)
    truth["contacts"] = None if plan.touches is None else [list(t) for t in _rounded(plan.touches)]
    if len(motion.timing.runs) > 1:
        truth["runs"] = [list(t) for t in _rounded(motion.timing.runs)]
    truth["heard_over_db"] = {
        fault: round(audibility.wanted_db(severity), 2) for fault, (_, severity) in sounded.items()
    }
    top_hz = min(plan.phone.top_hz, 0.46 * scene.rate_hz)
    for kind, made in take.clicks.items():
        if not made:
            continue
        start, piece = made[0]
        near = take.own[start : start + piece.size]
        over = audibility.excess_db(piece, near, scene.rate_hz, top_hz)
        truth["click_over_db"][kind] = round(over, 1)
        speed = scene.u[start] * max(motion.run_share, 0.2)
        truth["click_speed_share"][kind] = round(float(speed), 3)
    return truth


def _rounded(pairs: tuple[tuple[float, float], ...]) -> list[tuple[float, float]]:
    return [(round(a, 4), round(b, 4)) for a, b in pairs]


def make(plan: Plan, folder: Path) -> dict[str, Any]:
    """Write the clip; give its truth."""
    x, truth = build(plan)
    codec = plan.phone.codec
    if plan.problem == "no_sound" and codec in ("mp3", "opus", "webm", "vorbis"):
        codec = "wav"
        truth["codec"] = "wav"
    path = folder / f"clip_{plan.index:04d}{phones.CODECS[codec][2]}"
    phones.write(path, x, plan.phone.rate_hz, codec, plan.phone.kbps)
    truth["file"] = path.name
    if plan.problem == "cut_file":
        _cut(plan, path, truth)
    return truth


def _cut(plan: Plan, path: Path, truth: dict[str, Any]) -> None:
    """Keep the first part of the file's bytes; the truth is of what can still be read."""
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * plan.rng(10).uniform(0.3, 0.9))])
    left_s = phones.decoded_s(path)
    truth["usable"] = left_s > 0.0
    truth["duration_s"] = round(left_s, 4)
    for name in EVENTS:
        if truth[name] is not None and truth[name] > left_s:
            truth[name] = None
