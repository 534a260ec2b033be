"""The sound machine: nothing here is a fault, and much of it resembles one."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from fifth_bench.basics import F32, TABLE, Rng, heard_db, ratio, waves, wavy
from fifth_bench.scene import Scene, lognormal, scaled


def excitement(scene: Scene, rng: Rng, decay_s: float) -> F32:
    """Strength of the magnetic field: power, inrush, start winding, decay after the cut."""
    slip = np.clip(scene.slip, 0.0, 1.0)
    strength = scene.power * (np.float32(1.0) + np.float32(rng.uniform(0.5, 2.0)) * slip)
    strength = strength + scene.power * scene.start_in * np.float32(rng.uniform(0.2, 1.2))
    reach = int(4 * decay_s * scene.rate_hz)
    tail = np.exp(-np.arange(reach) / (decay_s * scene.rate_hz)).astype(np.float32)
    edges = np.flatnonzero(np.diff(scene.power) < 0)
    for edge in edges:
        stop = min(edge + 1 + reach, scene.count)
        strength[edge + 1 : stop] += strength[edge] * tail[: stop - edge - 1]
    for rise in np.flatnonzero(np.diff(scene.power) > 0):
        stop = min(rise + 1 + int(0.12 * scene.rate_hz), scene.count)
        fade = np.exp(-np.arange(stop - rise - 1) / (0.03 * scene.rate_hz)).astype(np.float32)
        strength[rise + 1 : stop] *= 1 + np.float32(rng.uniform(0, 1.5)) * fade
    return strength


def hum(scene: Scene, rng: Rng) -> F32:
    """Twice mains with a falling comb, swelling with the slip beat."""
    count = int(rng.integers(4, 22))
    fall = rng.uniform(0.8, 2.6)
    orders = 2.0 * np.arange(1, count + 1)
    strength = np.arange(1, count + 1) ** -fall * lognormal(rng, count, 5)
    table = waves(orders, strength, rng.uniform(0, 1, count))
    force = scene.mains_table(table) * excitement(scene, rng, rng.uniform(0.008, 0.04))
    beat = rng.choice([0.0, 0.1, 0.35])
    force = force * scene.swing(rng, beat, 2.0 if scene.maker.poles == 4 else 1.0)
    force = force * scene.wander(rng, 0.7, rng.uniform(0.1, 0.8))
    return scene.through("stator", force)


def slots(scene: Scene, rng: Rng) -> F32:
    """Rotor-bar tones with lines at twice mains to both sides, and a swing by eccentricity."""
    side = waves([0.0, 2.0, 4.0], np.array([rng.uniform(0, 1), 1.0, 0.3]), rng.uniform(0, 1, 3))
    bars = scene.maker.bars
    force = scene.tone(bars) + np.float32(rng.uniform(0, 0.5)) * scene.tone(2 * bars)
    force = force * scene.mains_table(side) * scene.swing(rng, rng.choice([0.0, 0.1, 0.4]))
    field = excitement(scene, rng, rng.uniform(0.02, 0.09))
    return scene.through("stator", force * field * scene.law(0.5))


def air(scene: Scene, rng: Rng) -> F32:
    """Turbulence of the impeller: its spectrum moves down as it slows."""
    peak = rng.uniform(250, 1500)
    base = [(40, -18), (peak, 0), (3 * peak, -4), (9 * peak, -rng.uniform(12, 26))]
    fast = wavy(rng, base, 2.5)
    slow_one = [(hz * 0.4, level_db) for hz, level_db in fast]
    quick, lazy = scene.noise(rng, fast, slow_one)
    share = np.clip(scene.u * 1.5 - 0.5, 0, 1)
    mixed = quick * np.sqrt(share) + lazy * np.sqrt(1 - share)
    mixed = mixed * scene.law(rng.uniform(2.3, 3.1))
    return mixed * scene.swing(rng, scene.maker.swing) * scene.wander(rng, 3.0, 0.7)


def fan_tones(scene: Scene, rng: Rng) -> F32:
    """Blade pass of uneven blades; some wander in strength as inflow does."""
    turn = np.arange(TABLE) / TABLE
    table = np.zeros(TABLE)
    for place in scene.maker.blade_places:
        away = (turn - place + 0.5) % 1.0 - 0.5
        width = rng.uniform(0.15, 0.35) / scene.maker.blades
        table += (1 + rng.normal(0, 0.04)) * np.exp(-0.5 * (away / width) ** 2)
    table -= table.mean()
    force = scene.table(table.astype(np.float32)) * scene.law(2.8)
    force = force * scene.wander(rng, rng.choice([0.5, 8.0, 30.0]), rng.uniform(0.5, 4.0))
    return scene.through("air", force)


def rolling(scene: Scene, rng: Rng) -> F32:
    """Sound balls roll with a murmur, stirred a little by the cage and the turn."""
    force = scene.noise(rng, wavy(rng, [(60, -6), (500, 0), (2500, 0), (9000, -14)], 3.0))[0]
    force = force * scene.law(rng.uniform(0.8, 1.7))
    force = force * scene.swing(rng, rng.choice([0.0, 0.05, 0.25]), scene.maker.orders["cage"])
    force = force * scene.swing(rng, rng.choice([0.0, 0.1, 0.3]))
    return scene.through("front" if rng.random() < 0.6 else "rear", force)


def balls(scene: Scene, rng: Rng) -> F32:
    """A belt of small clicks: grease, dust, seats; many a turn, none alike."""
    per_turn = rng.uniform(2, 18)
    turns = scene.at_random(rng, per_turn)
    if rng.random() < 0.35:
        regular = scene.at_order(rng, scene.maker.orders["outer"], 0.01, rng.uniform(0.05, 0.25))
        turns = np.sort(np.concatenate([turns, regular]))
    force = scene.ticks(turns, lognormal(rng, turns.size, rng.uniform(3, 7)), 0.8)
    place = "rear" if rng.random() < 0.5 else "front"
    return scene.through(place, force, rng.uniform(0.0, 0.0003))


def shake(scene: Scene, rng: Rng) -> F32:
    """Out of balance: once and twice a turn, some knocking feet."""
    orders = np.array([1.0, 2.0, 3.0, 4.0])
    strength = np.array([1.0, 0.3, 0.1, 0.06]) * lognormal(rng, 4, 6)
    force = scene.table(waves(orders, strength, rng.uniform(0, 1, 4))) * scene.law(2.0)
    return scene.through("case", force) + np.float32(0.5) * scene.through("panel", force)


def chamber_air(scene: Scene, rng: Rng) -> F32:
    """The empty burrs pump air: a whoosh, a siren of the teeth, sometimes a pulse a turn."""
    whoosh = scene.noise(rng, wavy(rng, [(80, -10), (600, 0), (3000, -3), (8000, -14)], 3.0))[0]
    whoosh = whoosh * scene.law(2.2) * scene.swing(rng, rng.choice([0.0, 0.15, 0.5]))
    siren = scene.tone(scene.maker.teeth) * scene.law(2.6)
    siren = siren * scene.wander(rng, 6.0, 2.0) * scene.swing(rng, rng.uniform(0, 0.6))
    return whoosh + scene.through("air", siren) * np.float32(rng.uniform(0, 1.2))


def seal(scene: Scene, rng: Rng) -> F32:
    """The felt of the shaft: a hiss that may breathe with the turn, harmless."""
    hiss = scene.noise(rng, wavy(rng, [(300, -20), (2000, -4), (6000, 0), (12000, -6)], 2.0))[0]
    depth = rng.choice([0.0, 0.2, 0.5, 0.8], p=[0.4, 0.3, 0.2, 0.1])
    return hiss * scene.law(1.2) * scene.swing(rng, depth) * scene.wander(rng, 1.0, 1.5)


def buzz(scene: Scene, rng: Rng) -> F32:
    """A panel, a spout or a cord guard that buzzes along at twice mains."""
    at = scene.two_f(rng, rng.uniform(0.005, 0.05))
    threshold = scene.wander(rng, rng.choice([0.3, 2.0]), 4.0)[at.astype(np.int64)]
    strength = np.maximum(threshold - rng.uniform(0.0, 0.9), 0) * lognormal(rng, at.size, 2)
    return scene.through("panel", scene.knocks(at, strength), rng.uniform(0.0003, 0.002))


def weights(scene: Scene, rng: Rng) -> F32:
    """Start-switch weights that tick with the turn, mostly while they lie in."""
    order = float(rng.choice([1, 2]))
    turns = scene.at_angle(rng, order, 0.03)
    at = np.minimum(scene.when(turns), scene.count - 1).astype(np.int64)
    inside = scene.u[at] < scene.maker.open_share
    strength = np.where(inside, 1.0, rng.choice([0.0, 0.15, 0.6])) * lognormal(rng, turns.size, 5)
    force = scene.ticks(turns, strength, 0.3)
    return scene.through("case", force, rng.uniform(0.0, 0.0006))


def events(scene: Scene, rng: Rng) -> F32:
    """Small things that happen: chaff, a settling chute, a click of warming sheet."""
    seconds = scene.count / scene.rate_hz
    place = rng.choice(["panel", "chamber", "case", "cowl"])
    count = rng.poisson(seconds * rng.choice([0.1, 0.6, 2.5]))
    at = rng.uniform(0, scene.count, count)
    moving = scene.u[at.astype(np.int64)] > 0.1
    strength = lognormal(rng, count, 6) * moving
    return scene.through(str(place), scene.knocks(at, strength), rng.uniform(0.0001, 0.001))


PARTS: dict[str, Callable[[Scene, Rng], F32]] = {
    "hum": hum, "slots": slots, "air": air, "fan_tones": fan_tones, "rolling": rolling,
    "balls": balls, "shake": shake, "chamber_air": chamber_air, "seal": seal, "buzz": buzz,
    "weights": weights, "events": events,
}  # fmt: skip
CHAMBER_PARTS = ("chamber_air", "seal")
#: Parts made of single knocks: their level is that of one knock, over 25 ms.
SINGLE = ("weights", "events")
ELECTRIC = ("hum", "slots", "buzz")


def knock_db(rate_hz: float) -> float:
    """What ``heard_db`` gives for noise with the power of a unit knock spread over 25 ms."""
    return -10.0 * float(np.log10(0.025 * rate_hz)) - 7.3


def own_sound(scene: Scene, seed: int, stage: str) -> F32:
    """The machine without fault; levels hold over the steady run."""
    total = np.zeros(scene.count, np.float32)
    stopped = scene.motion.run_share <= 0.05
    window = scene.span("powered" if stopped else "steady")
    for number, (part, make) in enumerate(PARTS.items()):
        level_db = scene.maker.levels_db[part]
        if level_db < -60 or (part in CHAMBER_PARTS and stage == "motor_only"):
            continue
        if (scene.by_hand and part in (*ELECTRIC, "air", "fan_tones", "chamber_air", "shake")) or (
            stopped and part not in ELECTRIC
        ):
            continue
        rng = np.random.default_rng([seed, 7, number])
        sound = make(scene, rng)
        have_db = heard_db(sound[window], scene.rate_hz)
        if part in SINGLE:
            have_db = knock_db(scene.rate_hz)
        if have_db < -200:
            continue
        excess_db = 6.0 if stopped else 0.0
        total += scaled(sound, level_db + excess_db, have_db)
    return total


def clicks(scene: Scene, seed: int, own: F32) -> tuple[F32, dict[str, list[tuple[int, F32]]]]:
    """Start switch (up and down), mains switch, torque kick: a track and the switch's own."""
    rng = np.random.default_rng([seed, 8])
    out = np.zeros(scene.count, np.float32)
    made: dict[str, list[tuple[int, F32]]] = {"open": [], "close": []}
    level = ratio(heard_db(own[scene.span("powered")], scene.rate_hz))
    pairs = [("open", s) for s in scene.motion.open_s] + [
        ("close", s) for s in scene.motion.close_s
    ]
    for kind, at_s in pairs:
        if at_s is None:
            continue
        count = int(rng.integers(1, 6))
        gaps = np.cumsum(rng.exponential(0.006, count)) * scene.rate_hz
        strength = lognormal(rng, count, 6) * np.exp(-np.arange(count) * 0.3)
        piece = _piece(scene, gaps, strength, "case", rng.uniform(0.00005, 0.0008))
        loud = scene.maker.click_db + (rng.normal(2, 4) if kind == "open" else rng.normal(-3, 4))
        if kind == "close":  # the weights carry less energy when they are slow
            loud += 10.0 * np.log10(scene.maker.close_share)
        piece *= np.float32(level * ratio(loud + 8.0) / (np.abs(piece).max() + 1e-12))
        start = int(at_s * scene.rate_hz)
        stop = min(start + piece.size, scene.count)
        out[start:stop] += piece[: stop - start]
        made[kind].append((start, piece[: stop - start]))
    if not scene.by_hand:
        for on_s, off_s in scene.motion.timing.runs:
            for at_s, loud in ((on_s, rng.normal(2, 6)), (off_s, rng.normal(0, 6))):
                _switch(scene, rng, out, at_s, level * ratio(loud + 6))
    return out, made


def _switch(scene: Scene, rng: Rng, out: F32, at_s: float, peak: float) -> None:
    start = int(at_s * scene.rate_hz)
    if not 0 < start < scene.count - 10:
        return
    lead = int(rng.uniform(0.0, 0.012) * scene.rate_hz)
    gaps = np.array([0.0, lead, lead + rng.uniform(30, 400)])
    piece = _piece(scene, gaps, lognormal(rng, 3, 6), "panel", rng.uniform(0.0001, 0.0015))
    piece *= np.float32(peak / (np.abs(piece).max() + 1e-12))
    start = max(0, start - lead)
    stop = min(start + piece.size, scene.count)
    out[start:stop] += piece[: stop - start]


def _piece(scene: Scene, at: np.ndarray, strength: np.ndarray, place: str, pulse_s: float) -> F32:
    force = np.zeros(int(0.35 * scene.rate_hz), np.float32)
    for where, value in zip(at, strength, strict=True):
        if where < force.size:
            force[int(where)] += value
    return scene.through(place, force, pulse_s)
