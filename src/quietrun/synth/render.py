"""recipe -> sound and truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from quietrun.synth import bearing, burrs, rub, wobble
from quietrun.synth.codecs import can_encode, round_trip
from quietrun.synth.families import PhoneFamily, phone_family, room_family
from quietrun.synth.healthy import Stems, healthy
from quietrun.synth.kit import CONTROL_HZ, FS, Floats, Rng, Signal, Spectrum, a_weight
from quietrun.synth.loudness import audibility_db, band_frames, frames_in, measured_db
from quietrun.synth.parts import Part, Spans, turning
from quietrun.synth.phone import linear_response, ride, self_noise, soft_limit
from quietrun.synth.recipe import SOURCE_MODELS, Recipe, draw_snr_db
from quietrun.synth.room import room_floor, room_response
from quietrun.synth.scene import Scene, make_scene

Model = Callable[[Scene, Rng], Part]
MODELS: dict[str, dict[str, Model]] = {
    "bearing_noise": dict(bearing.MODELS),
    "impeller_rub": dict(rub.MODELS),
    "pre_breaker_wobble": dict(wobble.MODELS),
    "burr_contact": dict(burrs.MODELS),
}


@dataclass(frozen=True, slots=True, eq=False)
class Sound:
    """A synthetic clip.

    Attributes
    ----------
    samples : shape (n,) or (n, 2), float32, FS
    rate_hz : int
    truth : dict
        What is in it, JSON-able; see DEVELOPERS.md.
    codec : str or None
        Codec and bit rate it went through, e.g. ``"aac 96k"``.
    """

    samples: Signal
    rate_hz: int
    truth: dict[str, Any]
    codec: str | None


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """The linear way from the machine into the file, as spectra of length ``padded``."""

    padded: int
    rate_hz: int
    n: int
    front: Spectrum
    rear: Spectrum
    air: Spectrum
    phone: Spectrum

    def spectrum(self, x: Signal) -> Spectrum:
        """Transform at ``FS``, cut to the bins the phone's rate can carry."""
        from scipy import fft

        return np.asarray(fft.rfft(x, self.padded)[: self.phone.size])

    def signal(self, z: Spectrum) -> Signal:
        """Back to samples at the phone's rate."""
        from scipy import fft

        size = self.padded * self.rate_hz // FS
        out = fft.irfft(z, size)[: self.n * self.rate_hz // FS]
        return np.asarray(out * np.float32(size / self.padded), dtype=np.float32)


def _padded(at_least: int) -> int:
    """Find a length with small factors at which every phone rate has whole samples."""
    m = -(-at_least // 640)
    while True:
        k = m
        for p in (2, 3, 5):
            while k % p == 0:
                k //= p
        if k == 1:
            return 640 * m
        m += 1


def make_path(scene: Scene, phone: PhoneFamily) -> Path:
    """Body, room and phone of a recipe."""
    from scipy import fft

    room = room_family(scene.recipe.room)
    response = room_response(room, scene.rng("room response"))
    padded = _padded(scene.n + response.size + scene.machine.body.front.size)
    bins = padded * phone.rate_hz // FS // 2 + 1
    freqs = np.arange(bins) * (FS / padded)
    linear = linear_response(phone, freqs).astype(np.complex64)
    way = fft.rfft(response, padded)[:bins] * linear
    body = scene.machine.body
    return Path(
        padded,
        phone.rate_hz,
        scene.n,
        fft.rfft(body.front, padded)[:bins] * way,
        fft.rfft(body.rear, padded)[:bins] * way,
        way,
        linear,
    )


def hear_stems(path: Path, stems: Stems) -> Signal:
    """Bring the healthy machine to the phone."""
    z = path.spectrum(stems.front) * path.front
    z += path.spectrum(stems.rear) * path.rear
    z += path.spectrum(stems.air) * path.air
    return path.signal(z)


def hear_part(path: Path, part: Part) -> Signal:
    """Bring one fault to the phone."""
    z = np.zeros(path.phone.size, dtype=np.complex64)
    if part.force is not None:
        force = path.spectrum(part.force) * (path.front if part.end == "front" else path.rear)
        z += force if part.ring is None else force * path.spectrum(part.ring)
    if part.air is not None:
        z += path.spectrum(part.air) * path.air
    return path.signal(z)


def source_of(recipe: Recipe, fault: str, rng: Rng) -> str:
    """Source model of a fault: as given, or drawn."""
    models = SOURCE_MODELS[fault]
    drawn = models[int(rng.integers(len(models)))]
    return recipe.sources.get(fault, drawn)


def _weighted_power(x: Signal, rate_hz: int, spans: Spans) -> float:
    """A-weighted mean square over spans."""
    size = rate_hz // 25
    count = x.size // size
    inside = frames_in(tuple((a, b) for a, b in spans), x.size // (size // 2))[::2][:count]
    if not np.any(inside):
        inside = np.ones(count, dtype=bool)
    frames = x[: count * size].reshape(count, size)[inside]
    frames = frames * np.hanning(size).astype(np.float32)
    z = np.fft.rfft(frames, axis=1)
    power = (np.square(z.real) + np.square(z.imag)).mean(axis=0)
    return (
        float((power * a_weight(np.fft.rfftfreq(size, 1 / rate_hz))).sum()) * 16.0 / (3 * size**2)
    )


def loud_spans(scene: Scene) -> Spans:
    """Where the machine is judged for level: steady run, else under power, else turning."""
    spans = turning(scene)
    if spans:
        return spans
    on = np.flatnonzero(scene.powered > 0.5)
    return ((on[0] / CONTROL_HZ, on[-1] / CONTROL_HZ),) if on.size else ((0.0, scene.duration_s),)


@dataclass(frozen=True, slots=True, eq=False)
class Mixed:
    """The machine with its faults at the phone, and what was measured on the way."""

    sound: Signal
    healthy_frames: Floats
    audibility: dict[str, float]
    notes: dict[str, dict[str, float]]


def mix_machine(scene: Scene, path: Path, sources: dict[str, str]) -> Mixed:
    """Add the faults to the healthy machine, each as loud as its severity says."""
    sound = hear_stems(path, healthy(scene))
    top = 0.45 * path.rate_hz
    own = band_frames(sound, path.rate_hz, top)
    out = sound.copy()
    audibility: dict[str, float] = {}
    notes: dict[str, dict[str, float]] = {}
    for fault, severity in scene.recipe.faults.items():
        if severity <= 0:
            continue
        part = MODELS[fault][sources[fault]](scene, scene.rng("fault", fault, sources[fault]))
        heard = hear_part(path, part)
        frames = band_frames(heard, path.rate_hz, top)
        raw = measured_db(frames, own, part.present)
        if raw is None:
            continue
        gain = 10 ** ((audibility_db(severity) - raw) / 20.0)
        out += heard * np.float32(gain)
        now = measured_db(frames * gain**2, own, part.present)
        audibility[fault] = round(float(now if now is not None else -200.0), 2)
        notes[fault] = part.notes
    return Mixed(out, own, audibility, notes)


def _background(scene: Scene, path: Path) -> Signal:
    room = room_family(scene.recipe.room)
    floor = room_floor(room, scene.rng("floor"), scene.n, scene.points)
    return path.signal(path.spectrum(floor) * path.phone)


def _phone_chain(scene: Scene, phone: PhoneFamily, x: Signal) -> tuple[Signal, str]:
    """Gain control, limiter, noise, codec."""
    rng = scene.rng("phone")
    if phone.gain_mode != "fixed":
        target = float(np.sqrt(np.mean(np.square(x)))) + 1e-9
        slow = 3.0 if phone.gain_mode == "slow" else 1.0
        x = ride(
            x,
            phone.rate_hz,
            attack_s=phone.gain_attack_s * slow,
            release_s=phone.gain_release_s * slow,
            range_db=phone.gain_range_db,
            target=target,
        )
    x = x + self_noise(phone, rng, x.size)
    x = soft_limit(x) if phone.limiter else np.clip(x, -1.0, 1.0)
    codec = phone.codec if can_encode(phone.codec, phone.rate_hz) else "pcm"
    rate = phone.bit_rate if codec == phone.codec else 0
    return round_trip(x, phone.rate_hz, codec, rate), f"{codec} {rate // 1000}k" if rate else codec


def render(recipe: Recipe) -> Sound:
    """Render a clip.

    Parameters
    ----------
    recipe : Recipe

    Returns
    -------
    Sound
        The same recipe gives the same sound (to the last digits of the processor).
    """
    scene = make_scene(recipe)
    phone = phone_family(recipe.phone)
    path = make_path(scene, phone)
    drawn = scene.rng("sources")
    sources = {fault: source_of(recipe, fault, drawn) for fault in recipe.faults}
    machine = mix_machine(scene, path, sources)
    background = _background(scene, path)
    snr_db = draw_snr_db(scene.rng("snr")) if recipe.snr_db is None else recipe.snr_db
    spans = loud_spans(scene)
    own = _weighted_power(machine.sound, path.rate_hz, spans)
    noise = _weighted_power(background, path.rate_hz, ((0.0, scene.duration_s),))
    mixed = machine.sound + background * np.float32(
        np.sqrt(own / (noise + 1e-30) * 10 ** (-snr_db / 10))
    )
    level = float(np.percentile(np.abs(mixed[::3]), 99.9)) + 1e-12
    mixed *= np.float32(10 ** (scene.rng("level").uniform(-28, -4) / 20) / level)
    samples, codec = _phone_chain(scene, phone, mixed)
    truth = _truth(scene, machine, sources, phone, codec, snr_db)
    return Sound(samples, phone.rate_hz, truth, None if codec == "pcm" else codec)


def _round(value: float | None, digits: int = 4) -> float | None:
    return None if value is None else round(float(value), digits)


def _truth(
    scene: Scene,
    machine: Mixed,
    sources: dict[str, str],
    phone: PhoneFamily,
    codec: str,
    snr_db: float,
) -> dict[str, Any]:
    """All that is known about the clip, as plain values."""
    m, recipe = scene.motion, scene.recipe
    u = m.running_hz / scene.motor.sync_hz
    drag = float(scene.motor.drag(u))
    step = CONTROL_HZ // 50
    powered = recipe.stage != "hand_spin"
    return {
        "duration_s": scene.duration_s,
        "rate_hz": phone.rate_hz,
        "mains_hz": scene.mains_hz if powered else None,
        "poles": recipe.poles,
        "stage": recipe.stage,
        "running_rpm": 60.0 * m.running_hz if powered and m.running_hz else None,
        "slip_percent": 100.0 * (1.0 - u) if powered and m.running_hz else None,
        "switched_on_s": _round(m.on_s),
        "at_speed_s": _round(m.at_speed_s),
        "switched_off_s": _round(m.off_s),
        "at_rest_s": _round(m.rest_s),
        "start_switch_open_s": _round(m.opens_s),
        "start_switch_close_s": _round(m.closes_s),
        "start_switch_open_share_of_speed": _round(m.opens_share),
        "start_switch_close_share_of_speed": _round(m.closes_share),
        "drag": {
            "coulomb": scene.motor.coulomb / drag,
            "viscous": scene.motor.viscous * u / drag,
            "windage": scene.motor.windage * u**2 / drag,
        },
        "faults": {k: float(v) for k, v in recipe.faults.items()},
        "audibility_db": machine.audibility,
        "sources": sources,
        "source_notes": machine.notes,
        "other": {k: float(v) for k, v in recipe.other.items()},
        "problem": recipe.problem,
        "snr_db": snr_db,
        "family": {"machine": recipe.machine, "room": recipe.room, "phone": recipe.phone},
        "codec": codec,
        "contacts": None
        if scene.contacts is None
        else [[max(0.0, a), min(b, m.rest_s or scene.duration_s)] for a, b in scene.contacts],
        "usable": True,
        "speed_track": [
            [round(i / CONTROL_HZ, 3) for i in range(0, scene.points, step)],
            [round(float(s), 4) for s in scene.speed_hz[::step]],
        ],
    }
