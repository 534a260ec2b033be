"""recipe -> sound and truth."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from quietrun.synth import bearing, burrs, rub, wobble
from quietrun.synth.ambience import EVENTS, Voiced, event, floor_layers
from quietrun.synth.codecs import can_encode, round_trip
from quietrun.synth.families import PhoneFamily, phone_family, room_family
from quietrun.synth.healthy import Stems, healthy, knock, strike
from quietrun.synth.kit import (
    CONTROL_HZ,
    FS,
    Floats,
    Rng,
    Signal,
    Spectrum,
    a_weight,
    chance,
    irfft,
    rfft,
)
from quietrun.synth.loudness import audibility_db, band_frames, measured_db
from quietrun.synth.others import SOUNDS
from quietrun.synth.parts import Part, Spans, turning
from quietrun.synth.phone import (
    fade,
    gate,
    resample,
    response_bins,
    ride,
    second_channel,
    self_noise,
    soft_limit,
    suppress,
)
from quietrun.synth.recipe import SOURCE_MODELS, Recipe, draw_snr_db
from quietrun.synth.room import room_response
from quietrun.synth.scene import Scene, make_scene
from quietrun.synth.troubles import Trouble, make_trouble, other_machine, silence

Model = Callable[[Scene, Rng], Part]
MODELS: Mapping[str, Mapping[str, Model]] = {
    "bearing_noise": bearing.MODELS,
    "impeller_rub": rub.MODELS,
    "pre_breaker_wobble": wobble.MODELS,
    "burr_contact": burrs.MODELS,
}


@dataclass(frozen=True, slots=True, eq=False)
class Sound:
    """A synthetic clip.

    Attributes
    ----------
    samples : shape (n,) or (n, 2), float32, FS
    rate_hz : int
    truth : dict
        What is in it, JSON-able; times in s of this clip.
    codec : str or None
        Codec and bit rate it went through, e.g. ``"aac 96k"``; None: none.
    """

    samples: Signal
    rate_hz: int
    truth: dict[str, Any]
    codec: str | None


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """The linear way from the machine into the file, as spectra of length ``padded``.

    ``front`` and ``rear`` hold body, room and phone; ``air`` room and phone;
    ``far`` a distant source in the room, and the phone.
    """

    padded: int
    rate_hz: int
    n: int
    front: Spectrum
    rear: Spectrum
    air: Spectrum
    far: Spectrum
    phone: Spectrum

    def spectrum(self, x: Signal, rate_hz: int = FS) -> Spectrum:
        """Transform, cut or filled to the bins the phone's rate can carry."""
        z = rfft(x, self.padded * rate_hz // FS)
        if rate_hz != FS:
            z *= np.float32(FS / rate_hz)
        if z.size >= self.phone.size:
            return np.asarray(z[: self.phone.size])
        out = np.zeros(self.phone.size, dtype=np.complex64)
        out[: z.size] = z
        return out

    def signal(self, z: Spectrum) -> Signal:
        """Back to samples at the phone's rate."""
        size = self.padded * self.rate_hz // FS
        out = irfft(z, size)[: self.n * self.rate_hz // FS]
        return out * np.float32(size / self.padded)


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
    room = room_family(scene.recipe.room)
    near = room_response(room, scene.rng("room response"))
    far = room_response(room, scene.rng("far response"), distance=(1.5, 8.0))
    body = scene.machine.body
    padded = _padded(scene.n + near.size + body.front.size)
    bins = padded * phone.rate_hz // FS // 2 + 1
    linear = response_bins(phone, bins, FS / padded)
    way = rfft(near, padded)[:bins] * linear
    return Path(
        padded=padded,
        rate_hz=phone.rate_hz,
        n=scene.n,
        front=rfft(body.front, padded)[:bins] * way,
        rear=rfft(body.rear, padded)[:bins] * way,
        air=way,
        far=rfft(far, padded)[:bins] * linear,
        phone=linear,
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


def _a_frames(x: Signal, rate_hz: int) -> Floats:
    """A-weighted mean square in frames of 40 ms."""
    size = rate_hz // 25
    count = x.size // size
    frames = x[: count * size].reshape(count, size) * np.hanning(size).astype(np.float32)
    z = rfft(frames)
    weight = a_weight(np.fft.rfftfreq(size, 1 / rate_hz)) * (16.0 / (3 * size**2))
    return np.asarray((np.square(z.real) + np.square(z.imag)) @ weight.astype(np.float32))


def _in_spans(count: int, spans: Spans) -> Floats:
    middle = (np.arange(count) + 0.5) / 25
    inside = np.zeros(count, dtype=bool)
    for start, stop in spans:
        inside |= (middle >= start) & (middle <= stop)
    return inside if inside.any() else np.ones(count, dtype=bool)


def loud_spans(scene: Scene) -> Spans:
    """Where the machine's level is taken: steady run, else turning, else under power."""
    spans = turning(scene)
    if spans:
        return spans
    on = np.flatnonzero(scene.powered > 0.5)
    return ((on[0] / CONTROL_HZ, on[-1] / CONTROL_HZ),) if on.size else ((0.0, scene.duration_s),)


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """One fault at the phone, scaled: its name, source, audibility and band frames."""

    word: str
    source: str
    audibility_db: float
    frames: Floats
    part: Part


@dataclass(frozen=True, slots=True, eq=False)
class Mixed:
    """The machine with its faults at the phone, and what was measured on the way.

    Attributes
    ----------
    own : shape (frames, bands), the healthy machine alone
    faults, other : what could be heard of each
    """

    sound: Signal
    own: Floats
    faults: tuple[Heard, ...]
    other: tuple[Heard, ...]


def _candidates(recipe: Recipe, fault: str, rng: Rng) -> list[str]:
    """Source models to try: the one given or drawn, then the others.

    A model may have nothing to sound in a course (no run-up, hardly a turn).
    """
    models = list(SOURCE_MODELS[fault])
    drawn = models[int(rng.integers(len(models)))]
    first = recipe.sources.get(fault, drawn)
    return [first, *(m for m in models if m != first)]


class _Mixer:
    """Adds faults to a healthy machine at the phone."""

    def __init__(self, scene: Scene, path: Path) -> None:
        self.path = path
        self.sound = hear_stems(path, healthy(scene))
        self.top_hz = 0.45 * path.rate_hz
        self.own = band_frames(self.sound, path.rate_hz, self.top_hz)
        self.running = turning(scene)

    def add(self, word: str, source: str, part: Part, wanted_db: float) -> Heard | None:
        """Scale a fault to an audibility and add it; None where it makes no sound."""
        if not part.present:
            return None
        sound = hear_part(self.path, part)
        frames = band_frames(sound, self.path.rate_hz, self.top_hz)
        raw = measured_db(frames, self.own, part.present, self.running)
        if raw is None:
            return None
        gain = 10 ** ((wanted_db - raw) / 20.0)
        self.sound = self.sound + sound * np.float32(gain)
        frames = frames * gain**2
        now = measured_db(frames, self.own, part.present, self.running)
        return None if now is None else Heard(word, source, now, frames, part)


def mix_machine(scene: Scene, path: Path) -> Mixed:
    """Add the faults to the healthy machine, each as loud as its severity says."""
    mixer = _Mixer(scene, path)
    drawn = scene.rng("sources")
    faults, other = [], []
    for fault, severity in scene.recipe.faults.items():
        for source in _candidates(scene.recipe, fault, drawn):
            if severity <= 0:
                break
            part = MODELS[fault][source](scene, scene.rng("fault", fault, source))
            heard = mixer.add(fault, source, part, audibility_db(severity))
            if heard is not None:
                faults.append(heard)
                break
    for word, size in scene.recipe.other.items():
        if word in SOUNDS and size > 0:
            model, (lo, hi) = SOUNDS[word]
            part = model(scene, scene.rng("other", word))
            heard = mixer.add(word, word, part, lo + (hi - lo) * size)
            if heard is not None:
                other.append(heard)
    return Mixed(mixer.sound, mixer.own, tuple(faults), tuple(other))


@dataclass(frozen=True, slots=True, eq=False)
class Surroundings:
    """Room noise at the phone, scaled, and what was put in."""

    sound: Signal
    snr_db: float
    events: dict[str, float]


def _layer(path: Path, voiced: Voiced, way: Spectrum) -> Signal:
    return path.signal(path.spectrum(voiced.samples, voiced.rate_hz) * way)


def _events(scene: Scene, path: Path, trouble: Trouble) -> list[tuple[str, float]]:
    """Draw events and their levels against the machine, dB."""
    family, rng = room_family(scene.recipe.room), scene.rng("events")
    chosen = []
    for name in EVENTS:
        share = float(getattr(family, name))
        heard, level = chance(rng, 0.65), float(rng.uniform(0, 1))
        short = name in ("clatter", "slam", "beeps")
        low, high = (-32.0, -3.0) if short else (-38.0, -11.0)
        if share and heard:
            chosen.append((name, low + (high - low) * level * (0.5 + 0.5 * share)))
    if trouble.loud is not None:
        chosen = [pair for pair in chosen if pair[0] != trouble.loud[0]] + [trouble.loud]
    return chosen


def _taps(scene: Scene, path: Path) -> Signal:
    """Fingers that start and stop the recording."""
    rng = scene.rng("taps")
    out = np.zeros(scene.n, dtype=np.float32)
    for near in (0.0, scene.duration_s - 0.25):
        if chance(rng, 0.3):
            at, size = near + float(rng.uniform(0, 0.2)), float(np.exp(rng.normal(0.5, 1.0)))
            strike(out, at, knock(rng, (40, 1500), quality=3.0), 10 * size)
    return path.signal(path.spectrum(out) * path.phone)


def surround(scene: Scene, path: Path, trouble: Trouble, machine_power: float) -> Surroundings:
    """Render the room: its steady floor at the wanted ratio, and its events."""
    family, rng = room_family(scene.recipe.room), scene.rng("floor")
    snr_db = scene.recipe.snr_db
    if trouble.snr_db is not None:
        snr_db = trouble.snr_db
    if snr_db is None:
        snr_db = draw_snr_db(scene.rng("snr"))
    z = np.zeros(path.phone.size, dtype=np.complex64)
    for voiced, size in floor_layers(family, rng, scene.n, scene.points, scene.mains_hz):
        z += path.spectrum(voiced.samples, voiced.rate_hz) * np.float32(size)
    floor = path.signal(z * path.far)
    power = float(_a_frames(floor, path.rate_hz).mean()) + 1e-30
    out = floor * np.float32(np.sqrt(machine_power / power) * 10 ** (-snr_db / 20))
    events = _events(scene, path, trouble)
    for name, level_db in events:
        over = trouble.loud is not None and trouble.loud[0] == name
        own = scene.rng("event", name)
        voiced = event(name, own, scene.duration_s, scene.mains_hz, whole=over)
        heard = _layer(path, voiced, path.phone if name == "handling" else path.far)
        frames = _a_frames(heard, path.rate_hz)
        loud = max(float(np.percentile(frames, 90)), 0.1 * float(frames.max())) + 1e-30
        out += heard * np.float32(np.sqrt(machine_power / loud) * 10 ** (level_db / 20))
    out += _taps(scene, path) * np.float32(np.sqrt(machine_power))
    return Surroundings(out, snr_db, {name: round(db, 1) for name, db in events})


def _phone_chain(scene: Scene, trouble: Trouble, x: Signal, level: float) -> Signal:
    """Gain control, gate, noise, limits: what the recorder does before it writes."""
    phone, rng = trouble.phone, scene.rng("phone")
    x = ride(x, phone)
    if phone.suppress_db:
        x = suppress(x, phone.rate_hz, phone.suppress_db)
    if trouble.fade_db_per_s:
        x = fade(x, phone.rate_hz, trouble.fade_db_per_s, rng)
    if trouble.gate_db is not None:
        x = gate(x, phone.rate_hz, level * 10 ** (trouble.gate_db / 20), rng)
    x = x + self_noise(phone, rng, x.size)
    return soft_limit(x) if phone.limiter else np.clip(x, -1.0, 1.0)


def _written(scene: Scene, trouble: Trouble, x: Signal) -> tuple[Signal, int, str]:
    """Through the codec, and to the file's rate: samples, rate, codec."""
    phone = trouble.phone
    x = second_channel(x, phone, scene.rng("stereo"))
    codec, bits = phone.codec, phone.bit_rate
    if not can_encode(codec, phone.rate_hz):
        codec, bits = "pcm", 0
    x = round_trip(x, phone.rate_hz, codec, bits)
    rate = phone.rate_hz
    if trouble.final_rate_hz is not None:
        x, rate = resample(x, rate, trouble.final_rate_hz), trouble.final_rate_hz
    if trouble.cut_s is not None:
        x = x[: round(trouble.cut_s * rate)]
    return np.ascontiguousarray(x), rate, f"{codec} {bits // 1000}k" if bits else codec


def _silent(recipe: Recipe, scene: Scene, phone: PhoneFamily) -> Sound:
    trouble = replace(make_trouble(scene, phone), usable=False, machine=False)
    samples = silence(scene, phone.rate_hz)
    truth = _truth(scene, None, trouble, phone.rate_hz, "pcm", None)
    return Sound(samples, phone.rate_hz, truth, None)


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
    if recipe.problem == "loaded_run" and recipe.stage != "hand_spin":
        recipe = replace(recipe, other={"beans": 0.8, **recipe.other})
    scene = make_scene(recipe)
    phone = phone_family(recipe.phone)
    if recipe.problem == "no_sound":
        return _silent(recipe, scene, phone)
    trouble = make_trouble(scene, phone)
    path = make_path(scene, trouble.phone)
    machine = mix_machine(scene, path) if trouble.machine else None
    sound = hear_stems(path, other_machine(scene)) if machine is None else machine.sound
    frames = _a_frames(sound, path.rate_hz)
    power = float(frames[_in_spans(frames.size, loud_spans(scene))].mean()) + 1e-30
    room = surround(scene, path, trouble, power)
    if recipe.problem == "no_machine":
        sound = np.zeros_like(sound)
    mixed = sound + room.sound
    first, last = (round(t * path.rate_hz) for t in trouble.window)
    mixed = mixed[first:last]
    level = float(np.percentile(np.abs(mixed[::3]), 99.9)) + 1e-12
    drawn_dbfs = float(scene.rng("level").uniform(-28, -4))
    target = 10 ** ((drawn_dbfs if trouble.level_dbfs is None else trouble.level_dbfs) / 20)
    machine_rms = float(np.sqrt(power)) * target / level
    kept = _phone_chain(scene, trouble, mixed * np.float32(target / level), machine_rms)
    samples, rate, codec = _written(scene, trouble, kept)
    truth = _truth(scene, machine, trouble, rate, codec, room)
    return Sound(samples, rate, truth, None if codec == "pcm" else codec)


def _round(value: float | None, digits: int = 4) -> float | None:
    return None if value is None else round(float(value), digits)


def _drag_shares(scene: Scene) -> dict[str, float]:
    u = scene.motion.running_hz / scene.motor.sync_hz
    motor, total = scene.motor, float(scene.motor.drag(u))
    return {
        "coulomb": motor.coulomb / total,
        "viscous": motor.viscous * u / total,
        "windage": motor.windage * u**2 / total,
    }


def _times(scene: Scene, start: float, stop: float) -> dict[str, Any]:
    """Events in the clip's own time; None where they lie outside of it."""
    m = scene.motion

    def inside(t: float | None) -> float | None:
        return None if t is None or not start <= t <= stop else round(t - start, 4)

    opens, closes = inside(m.opens_s), inside(m.closes_s)
    return {
        "switched_on_s": inside(m.on_s),
        "at_speed_s": inside(m.at_speed_s),
        "switched_off_s": inside(m.off_s),
        "at_rest_s": inside(m.rest_s),
        "start_switch_open_s": opens,
        "start_switch_close_s": closes,
        "start_switch_open_share_of_speed": None if opens is None else _round(m.opens_share),
        "start_switch_close_share_of_speed": None if closes is None else _round(m.closes_share),
        "other_runs": [
            [round(a - start, 4), round(b - start, 4)] for a, b in m.others if start <= a <= stop
        ],
    }


def _contacts(scene: Scene, start: float, stop: float) -> list[list[float]] | None:
    if scene.contacts is None or "burr_contact" not in scene.recipe.faults:
        return None if scene.contacts is None else []
    rest = scene.motion.rest_s
    end = stop if rest is None else min(stop, rest)
    spans = [(max(a, start), min(b, end)) for a, b in scene.contacts]
    return [[round(a - start, 4), round(b - start, 4)] for a, b in spans if b > a]


def _in_room(
    scene: Scene, machine: Mixed | None, room: Surroundings | None, rate_hz: int
) -> dict[str, float]:
    """Audibility against healthy machine and room together, dB: what can be heard at all."""
    if machine is None or room is None or not machine.faults:
        return {}
    around = band_frames(room.sound, rate_hz, 0.45 * rate_hz) + machine.own
    out = {}
    for heard in machine.faults:
        db = measured_db(heard.frames, around, heard.part.present, turning(scene))
        if db is not None:
            out[heard.word] = round(db, 2)
    return out


def _truth(
    scene: Scene,
    machine: Mixed | None,
    trouble: Trouble,
    rate_hz: int,
    codec: str,
    room: Surroundings | None,
) -> dict[str, Any]:
    """All that is known about the clip, as plain values."""
    m, recipe = scene.motion, scene.recipe
    heard = machine is not None
    start, stop = trouble.window
    if trouble.cut_s is not None:
        stop = min(stop, start + trouble.cut_s)
    powered = recipe.stage != "hand_spin"
    turns = heard and powered and m.at_speed_s is not None
    step = CONTROL_HZ // 50
    first, last = round(start * CONTROL_HZ), round(stop * CONTROL_HZ)
    index = range(first, min(last + 1, scene.points), step)
    times = _times(scene, start, stop)
    faults, other = (machine.faults, machine.other) if machine else ((), ())
    return {
        "duration_s": round(stop - start, 6),
        "rate_hz": rate_hz,
        "mains_hz": scene.mains_hz if powered else None,
        "poles": recipe.poles,
        "stage": recipe.stage,
        "running_rpm": 60.0 * m.running_hz if turns else None,
        "slip_percent": 100.0 * (1.0 - m.running_hz / scene.motor.sync_hz) if turns else None,
        **(times if heard else dict.fromkeys(times, None)),
        "drag": _drag_shares(scene) if heard else None,
        "faults": {k: float(v) for k, v in recipe.faults.items()} if heard else {},
        "audibility_db": {h.word: round(h.audibility_db, 2) for h in faults},
        "audibility_in_room_db": _in_room(scene, machine, room, trouble.phone.rate_hz),
        "sources": {h.word: h.source for h in faults},
        "source_notes": {h.word: h.part.notes for h in faults},
        "other": {k: float(v) for k, v in recipe.other.items()} if heard else {},
        "other_audibility_db": {h.word: round(h.audibility_db, 2) for h in other},
        "problem": recipe.problem,
        "events_db": room.events if room else {},
        "snr_db": room.snr_db if room else None,
        "family": {"machine": recipe.machine, "room": recipe.room, "phone": recipe.phone},
        "codec": codec,
        "contacts": _contacts(scene, start, stop) if heard else None,
        "usable": trouble.usable,
        "speed_track": [
            [round(i / CONTROL_HZ - start, 3) for i in index],
            [round(float(scene.speed_hz[i]), 4) if heard else 0.0 for i in index],
        ],
    }
