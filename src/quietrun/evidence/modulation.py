"""Modulation: what repeats with the turn, what repeats beside it, and how impulsive the sound is.

All of it on squared envelopes of bands, over the steady run and, with the
speed track, over turns in the coast-down. Depths are relative to the band's
own mean, so gain and the phone's response cancel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from quietrun.evidence.rows import Value, missing, row
from quietrun.evidence.scene import BAND_TAGS, BANDS, Envelope, Scene

Floats = NDArray[np.float64]

_COMB = 16  # harmonics of the turn that are summed
_TOP_ORDER = 26.0
_RANDALL = "Randall and Antoni, Rolling element bearing diagnostics, MSSP 25 (2011): squared-envelope spectrum"
_SYNC = "Time-synchronous averaging over the turn (McFadden 1987, from memory)"


def _band_rows(tag: str, band: tuple[float, float]) -> tuple[object, ...]:
    return (
        row(
            f"turn_comb_{tag}",
            "synchronous",
            "dB",
            "steady",
            band,
            1,
            "How far lines at whole multiples of the turn stand out of this band's envelope.",
            _SYNC,
        ),
        row(
            f"turn_depth_{tag}",
            "synchronous",
            "dB",
            "steady",
            band,
            1,
            "How deep this band's loudness swings once a turn and its multiples.",
            _SYNC,
        ),
        row(
            f"turn_once_{tag}",
            "synchronous",
            "dB",
            "steady",
            band,
            1,
            "How far the once-a-turn line alone stands out of this band's envelope.",
            _SYNC,
        ),
        row(
            f"off_turn_{tag}",
            "orders",
            "dB",
            "steady",
            band,
            1,
            "Best series of lines that repeats, but not with the turn, in this band's envelope.",
            _RANDALL,
        ),
        row(
            f"mains_beat_{tag}",
            "orders",
            "dB",
            "steady",
            band,
            1,
            "How far twice the mains frequency stands out of this band's envelope.",
            "Force between stator and rotor pulls at twice the mains",
        ),
        row(
            f"rough_{tag}",
            "impacts",
            "dB",
            "steady",
            band,
            1,
            "How much more this band's envelope fluctuates than steady noise would.",
            "Chi-square law of band-limited Gaussian noise",
        ),
        row(
            f"spiky_{tag}",
            "impacts",
            "dB",
            "steady",
            band,
            1,
            "How far the highest spikes of this band stand over its median, beyond those of steady noise.",
            "Chi-square law of band-limited Gaussian noise",
        ),
        row(
            f"coast_rough_{tag}",
            "impacts",
            "dB",
            "coast_down",
            band,
            1,
            "The same fluctuation in the coast-down, with the falling level taken out.",
            "Chi-square law of band-limited Gaussian noise",
        ),
        row(
            f"coast_spiky_{tag}",
            "impacts",
            "dB",
            "coast_down",
            band,
            1,
            "Highest spikes of this band in the coast-down, beyond those of steady noise.",
            "Chi-square law of band-limited Gaussian noise",
        ),
        row(
            f"coast_turn_{tag}",
            "synchronous",
            "dB",
            "coast_down",
            band,
            1,
            "How far whole multiples of the turn stand out of the envelope while the machine slows down.",
            _SYNC,
        ),
        row(
            f"start_rough_{tag}",
            "impacts",
            "dB",
            "run_up",
            band,
            1,
            "Fluctuation of this band in the run-up, with the rising level taken out.",
            "Chi-square law of band-limited Gaussian noise",
        ),
        row(
            f"start_spiky_{tag}",
            "impacts",
            "dB",
            "run_up",
            band,
            1,
            "Highest spikes of this band in the run-up, beyond those of steady noise.",
            "Chi-square law of band-limited Gaussian noise",
        ),
        row(
            f"cut_knock_{tag}",
            "impacts",
            "dB",
            "coast_down",
            band,
            1,
            "Loudest knock just after switch-off, over the level around it.",
            "Play closes the other way when the torque goes. Common practice, no source",
        ),
    )


ROWS = tuple(
    feature for tag, band in zip(BAND_TAGS, BANDS, strict=True) for feature in _band_rows(tag, band)
) + (
    row(
        "turn_comb_best",
        "synchronous",
        "dB",
        "steady",
        (600.0, 9000.0),
        1,
        "Clearest once-a-turn pattern of all bands.",
        _SYNC,
    ),
    row(
        "turn_comb_mean",
        "synchronous",
        "dB",
        "steady",
        (600.0, 9000.0),
        1,
        "Mean clarity of the once-a-turn pattern over the bands.",
        _SYNC,
    ),
    row(
        "off_turn_best",
        "orders",
        "dB",
        "steady",
        (600.0, 9000.0),
        1,
        "Clearest repeating pattern of all bands that is not the turn's.",
        _RANDALL,
    ),
    row(
        "off_turn_mean",
        "orders",
        "dB",
        "steady",
        (600.0, 9000.0),
        1,
        "Repeating pattern that is not the turn's, summed over the bands at one order.",
        _RANDALL,
    ),
    row(
        "off_over_turn",
        "orders",
        "dB",
        "steady",
        (600.0, 9000.0),
        0,
        "Pattern beside the turn against pattern of the turn.",
        _RANDALL,
    ),
    row(
        "rough_best",
        "impacts",
        "dB",
        "steady",
        (600.0, 9000.0),
        1,
        "Roughest band of the steady run.",
        "Ours",
    ),
    row(
        "rough_mean",
        "impacts",
        "dB",
        "steady",
        (600.0, 9000.0),
        1,
        "Mean roughness of the bands in the steady run.",
        "Ours",
    ),
    row(
        "spiky_best",
        "impacts",
        "dB",
        "steady",
        (600.0, 9000.0),
        1,
        "Spikiest band of the steady run.",
        "Ours",
    ),
    row(
        "coast_rough_best",
        "impacts",
        "dB",
        "coast_down",
        (600.0, 9000.0),
        1,
        "Roughest band of the coast-down.",
        "Ours",
    ),
    row(
        "coast_rough_mean",
        "impacts",
        "dB",
        "coast_down",
        (600.0, 9000.0),
        1,
        "Mean roughness of the bands in the coast-down.",
        "Ours",
    ),
    row(
        "coast_turn_best",
        "synchronous",
        "dB",
        "coast_down",
        (600.0, 9000.0),
        1,
        "Clearest once-a-turn pattern of the coast-down.",
        "Ours",
    ),
    row(
        "start_rough_mean",
        "impacts",
        "dB",
        "run_up",
        (600.0, 9000.0),
        1,
        "Mean roughness of the bands in the run-up.",
        "Ours",
    ),
    row(
        "start_over_steady",
        "impacts",
        "dB",
        "run_up",
        (600.0, 9000.0),
        1,
        "Roughness of the run-up over that of the steady run.",
        "Play in driven parts rattles while torque reverses. Common practice, no source",
    ),
    row(
        "coast_over_steady",
        "impacts",
        "dB",
        "coast_down",
        (600.0, 9000.0),
        0,
        "Roughness of the coast-down over that of the steady run.",
        "Ours",
    ),
    row(
        "turn_slope",
        "synchronous",
        "dB",
        "steady",
        (600.0, 9000.0),
        0,
        "Low multiples of the turn against high ones: a wide arc or a short tick.",
        _SYNC,
    ),
    row(
        "turn_high_low",
        "synchronous",
        "dB",
        "steady",
        (600.0, 9000.0),
        0,
        "Once-a-turn pattern of the high bands against that of the low ones.",
        "Ours",
    ),
    row(
        "cut_knock_best",
        "impacts",
        "dB",
        "coast_down",
        (600.0, 9000.0),
        1,
        "Clearest knock just after switch-off.",
        "Common practice, no source",
    ),
    row(
        "start_spiky_best",
        "impacts",
        "dB",
        "run_up",
        (600.0, 9000.0),
        1,
        "Spikiest band of the run-up.",
        "Ours",
    ),
    row(
        "growl",
        "orders",
        "dB",
        "steady",
        (600.0, 5000.0),
        1,
        "Slow irregular swelling (3 to 18 Hz) beyond that of steady noise.",
        "Ours",
    ),
)


@dataclass(frozen=True, slots=True, eq=False)
class OrderSpectrum:
    """Envelope spectrum over shaft orders: rise over the floor, and depth."""

    rise_db: Floats
    power: Floats
    floor: Floats
    step: float

    def at(self, orders: Floats, reach: float) -> Floats:
        """Highest rise within ``reach`` of each order, dB (0 beyond the end)."""
        wide = max(0, round(reach / self.step))
        index = np.rint(orders / self.step).astype(int)
        best = np.zeros(index.shape)
        for shift in range(-wide, wide + 1):
            at = index + shift
            inside = (at > 0) & (at < self.rise_db.size)
            best = np.maximum(
                best, np.where(inside, self.rise_db[np.clip(at, 0, self.rise_db.size - 1)], 0)
            )
        return best


def _normal(energy: Floats, room: float) -> Floats:
    """Envelope over its own clean mean (1 on average without a room)."""
    mean = float(energy.mean())
    clean = max(mean - room, 0.1 * mean)
    return (energy - mean) / clean


def _spectrum(energy: Floats, rate_hz: float, shaft_hz: float, room: float) -> OrderSpectrum:
    """Order spectrum of a stretch at constant speed."""
    held = np.minimum(energy, 12 * np.median(energy))
    x = _normal(held, room)
    window = np.hanning(x.size)
    padded = 1 << int(np.ceil(np.log2(x.size * 1.6)))
    power = np.abs(np.fft.rfft(x * window, padded)) ** 2 * (2.0 / np.sum(window**2))
    step = rate_hz / padded / shaft_hz
    top = min(power.size, int(_TOP_ORDER * 1.6 / step))
    power = power[:top]
    block = max(8, round(1.0 / step))
    count = max(1, top // block)
    floor_blocks = np.median(power[: count * block].reshape(count, -1), axis=1) / np.log(2)
    centres = (np.arange(count) + 0.5) * block
    floor = np.interp(np.arange(top), centres, floor_blocks) + 1e-12
    rise = np.clip(10 * np.log10(power / floor + 1e-9), 0.0, 25.0)
    return OrderSpectrum(rise, power, floor, step)


def _mains_orders(scene: Scene) -> Floats:
    if scene.mains_hz is None or scene.shaft_hz is None:
        return np.zeros(0)
    return np.arange(1, 9) * 2 * scene.mains_hz / scene.shaft_hz


def _apart(orders: Floats, from_: Floats, width: float) -> NDArray[np.bool_]:
    """True where an order is further than ``width`` from all of ``from_``."""
    if from_.size == 0:
        return np.ones(orders.shape, dtype=bool)
    return np.min(np.abs(orders[:, None] - from_[None, :]), axis=1) > width


def _gauss_rough(cells: float) -> float:
    """Expected squared coefficient of variation of a band's averaged noise energy."""
    return 1.0 / max(cells, 1.0)


def _rough(x: Floats, cells: float) -> float:
    """Fluctuation of a level-free envelope (mean 1) over that of steady noise, dB."""
    cv2 = float(np.mean((np.minimum(x, 30.0) - 1) ** 2))
    return float(np.clip(10 * np.log10((cv2 + 1e-4) / _gauss_rough(cells)), -6.0, 30.0))


def _spiky(x: Floats, cells: float) -> float:
    """Highest spikes (99.5 %) over the median, beyond those of steady noise, dB."""
    if x.size < 100:
        return 0.0
    top, middle = np.quantile(x, 0.995), np.median(x)
    z = 2.576 / np.sqrt(9 * cells) + 1 - 1 / (9 * cells)  # Wilson-Hilferty for chi-square / mean
    expected = 10 * np.log10(z**3 / (1 - 1 / (9 * cells)) ** 3)
    return float(np.clip(10 * np.log10(top / max(middle, 1e-15)) - expected, -5.0, 30.0))


def _detrend(energy: Floats, rate_hz: float, span_s: float) -> Floats:
    """Energy over its running mean: level changes slower than ``span_s`` taken out."""
    width = max(3, int(span_s * rate_hz)) | 1
    if energy.size < width + 4:
        return energy / max(float(energy.mean()), 1e-16)
    half = width // 2
    padded = np.concatenate(
        [np.full(half + 1, energy[:half].mean()), energy, np.full(half, energy[-half:].mean())]
    )
    total = np.cumsum(padded)
    mean = (total[width:] - total[:-width]) / width
    return energy / np.maximum(mean[: energy.size], 1e-16)


def _turns(scene: Scene, energy: Floats, rate_hz: float, begin_s: float) -> Floats | None:
    """Level-free envelope of the coast-down, resampled to 64 points a turn, or None."""
    if scene.shaft_hz is None or scene.coast_time is None or scene.coast_share is None:
        return None
    t = begin_s + (np.arange(energy.size) + 0.5) / rate_hz
    share = np.interp(t, scene.coast_time, scene.coast_share, left=1.0, right=0.0)
    angle = np.cumsum(share) * scene.shaft_hz / rate_hz
    use = share > 0.18
    if use.sum() < 100 or angle[use][-1] < 8:
        return None
    last = int(np.flatnonzero(use)[-1])
    grid = np.arange(0.0, angle[last], 1.0 / 64.0)
    return np.interp(grid, angle[: last + 1], energy[: last + 1])


def measure(scene: Scene) -> dict[str, Value]:
    """All rows of this family; see ``ROWS`` for the meaning of each."""
    values: dict[str, Value] = {r.name: missing("not heard") for r in ROWS}
    steady_span = scene.spans.get("steady")
    if steady_span is None or steady_span[1] - steady_span[0] < 0.5:
        return {r.name: missing("no steady run long enough") for r in ROWS}
    steady_span = (max(steady_span[0] + 0.05, steady_span[1] - 5.0), steady_span[1] - 0.05)
    spectra: list[OrderSpectrum | None] = []
    for tag, envelope in zip(BAND_TAGS, scene.envelopes, strict=True):
        if envelope is None:
            for name in [r.name for r in ROWS if r.name.endswith("_" + tag)]:
                values[name] = missing("the recording does not reach this band")
            spectra.append(None)
            continue
        spectra.append(_steady_band(scene, envelope, tag, steady_span, values))
        _coast_band(scene, envelope, tag, values)
        _start_band(scene, envelope, tag, values)
    _over_bands(scene, spectra, values)
    return values


def _steady_band(
    scene: Scene, envelope: Envelope, tag: str, span: tuple[float, float], values: dict[str, Value]
) -> OrderSpectrum | None:
    energy = envelope.part(span)
    level_free = _detrend(energy, envelope.rate_hz, 0.25)
    values[f"rough_{tag}"] = _rough(level_free, envelope.cells)
    values[f"spiky_{tag}"] = _spiky(level_free, envelope.cells)
    if scene.shaft_hz is None:
        for name in ("turn_comb", "turn_depth", "turn_once", "off_turn", "mains_beat"):
            values[f"{name}_{tag}"] = missing("the shaft speed was not found")
        return None
    spectrum = _spectrum(energy, envelope.rate_hz, scene.shaft_hz, envelope.room)
    mains = _mains_orders(scene)
    order = np.arange(1.0, _COMB + 1)
    order = order[_apart(order, mains, 0.05)]
    reach = max(0.012, 0.5 * spectrum.step)
    rises = spectrum.at(order, reach)
    values[f"turn_comb_{tag}"] = float(np.mean(np.clip(rises, 0, 15)))
    index = np.clip(np.rint(order / spectrum.step).astype(int), 0, spectrum.power.size - 1)
    extra = np.sum(np.maximum(spectrum.power[index] - spectrum.floor[index], 0.0))
    values[f"turn_depth_{tag}"] = float(np.clip(10 * np.log10(extra + 1e-4), -40, 30))
    values[f"turn_once_{tag}"] = float(spectrum.at(np.array([1.0]), reach)[0])
    score, _ = _off_turn(spectrum, mains)
    values[f"off_turn_{tag}"] = float(score.max()) if score.size else 0.0
    if mains.size:
        values[f"mains_beat_{tag}"] = float(spectrum.at(mains[:2], reach).max())
    return spectrum


_SEARCH = np.arange(1.6, 12.5, 0.01)


def _off_turn(spectrum: OrderSpectrum, mains: Floats) -> tuple[Floats, Floats]:
    """Series score at each non-integer order: the line, its double and its triple."""
    whole = np.abs(_SEARCH - np.rint(_SEARCH)) > 0.045
    use = whole & _apart(_SEARCH, mains, 0.05)
    orders = _SEARCH[use]
    reach = 0.012
    total = np.clip(spectrum.at(orders, reach), 0, 14)
    for times, weight in ((2, 0.7), (3, 0.5)):
        harmonic = times * orders
        fair = (np.abs(harmonic - np.rint(harmonic)) > 0.03) & _apart(harmonic, mains, 0.04)
        total = total + weight * np.where(
            fair, np.clip(spectrum.at(harmonic, reach * times), 0, 14), 0.0
        )
    return total, orders


def _coast_band(scene: Scene, envelope: Envelope, tag: str, values: dict[str, Value]) -> None:
    names = ("coast_rough", "coast_spiky", "coast_turn", "cut_knock")
    if "coast_down" not in scene.spans:
        for name in names:
            values[f"{name}_{tag}"] = missing("no coast-down was heard")
        return
    a, b = scene.spans["coast_down"]
    energy = envelope.part((a + 0.02, b))
    if energy.size < 0.25 * envelope.rate_hz:
        for name in names:
            values[f"{name}_{tag}"] = missing("the coast-down is too short")
        return
    window = max(20, int(0.06 * envelope.rate_hz))
    blocks = energy[: energy.size // window * window].reshape(-1, window).mean(axis=1)
    loud = blocks > 1.6 * envelope.room if envelope.room > 0 else blocks > 0
    fade = int(np.argmin(loud)) if not loud.all() else loud.size
    heard = energy[: max(fade * window, 0)]
    free = _detrend(energy, envelope.rate_hz, 0.15)
    start = free[: int(0.6 * envelope.rate_hz)]
    knock = 10 * np.log10(float(np.sort(start)[-3:].mean()) + 1e-9)
    values[f"cut_knock_{tag}"] = float(np.clip(knock, 0.0, 25.0))
    if heard.size < 0.25 * envelope.rate_hz:
        for name in names[:3]:
            values[f"{name}_{tag}"] = missing("this band fell into the room at once")
        return
    level_free = free[: heard.size]
    values[f"coast_rough_{tag}"] = _rough(level_free, envelope.cells)
    values[f"coast_spiky_{tag}"] = _spiky(level_free, envelope.cells)
    turns = _turns(scene, level_free, envelope.rate_hz, a + 0.02)
    if turns is None:
        values[f"coast_turn_{tag}"] = missing("the turns of the coast-down could not be followed")
        return
    spectrum = _spectrum(turns, 64.0, 1.0, 0.0)
    order = np.arange(1.0, 13.0)
    values[f"coast_turn_{tag}"] = float(np.mean(np.clip(spectrum.at(order, 0.06), 0, 15)))


def _start_band(scene: Scene, envelope: Envelope, tag: str, values: dict[str, Value]) -> None:
    span = scene.spans.get("run_up")
    if span is None or span[1] - span[0] < 0.15:
        for name in ("start_rough", "start_spiky"):
            values[f"{name}_{tag}"] = missing("no run-up was heard")
        return
    energy = envelope.part((span[0] + 0.05, span[1] + 0.05))
    free = _detrend(energy, envelope.rate_hz, 0.15)
    values[f"start_rough_{tag}"] = _rough(free, envelope.cells)
    values[f"start_spiky_{tag}"] = _spiky(free, envelope.cells)


def _numbers(values: dict[str, Value], name: str, tags: tuple[str, ...]) -> Floats:
    found = [values[f"{name}_{tag}"] for tag in tags]
    return np.array([v for v in found if isinstance(v, float)])


def _over_bands(
    scene: Scene, spectra: list[OrderSpectrum | None], values: dict[str, Value]
) -> None:
    tags = BAND_TAGS[1:5]

    def put(name: str, source: str, how: str) -> None:
        numbers = _numbers(values, source, tags)
        if numbers.size:
            values[name] = float(numbers.max() if how == "max" else numbers.mean())

    for name, source, how in (
        ("turn_comb_best", "turn_comb", "max"),
        ("turn_comb_mean", "turn_comb", "mean"),
        ("off_turn_best", "off_turn", "max"),
        ("rough_best", "rough", "max"),
        ("rough_mean", "rough", "mean"),
        ("spiky_best", "spiky", "max"),
        ("coast_rough_best", "coast_rough", "max"),
        ("coast_rough_mean", "coast_rough", "mean"),
        ("coast_turn_best", "coast_turn", "max"),
        ("start_rough_mean", "start_rough", "mean"),
        ("cut_knock_best", "cut_knock", "max"),
        ("start_spiky_best", "start_spiky", "max"),
    ):
        put(name, source, how)

    def difference(name: str, one: str, two: str) -> None:
        first, second = values[one], values[two]
        if isinstance(first, float) and isinstance(second, float):
            values[name] = first - second

    difference("start_over_steady", "start_rough_mean", "rough_mean")
    difference("coast_over_steady", "coast_rough_mean", "rough_mean")
    known = [s for s in spectra[1:5] if s is not None]
    if known:
        mains = _mains_orders(scene)
        series = [_off_turn(s, mains)[0] for s in known]
        size = min(s.size for s in series)
        values["off_turn_mean"] = float(np.mean([s[:size] for s in series], axis=0).max())
        difference("off_over_turn", "off_turn_mean", "turn_comb_best")
        low = np.mean([s.at(np.arange(1.0, 4.0), 0.012).mean() for s in known])
        high = np.mean([s.at(np.arange(6.0, 16.0), 0.012).mean() for s in known])
        values["turn_slope"] = float(low - high)
    lows = _numbers(values, "turn_comb", BAND_TAGS[:3])
    highs = _numbers(values, "turn_comb", BAND_TAGS[3:])
    if lows.size and highs.size:
        values["turn_high_low"] = float(highs.max() - lows.max())
    swell = []
    for envelope in scene.envelopes[1:4]:
        if envelope is None:
            continue
        a, b = scene.spans["steady"]
        energy = envelope.part((max(a + 0.05, b - 5.0), b - 0.05))
        size = max(1, int(envelope.rate_hz / 100.0))
        blocks = energy[: energy.size // size * size].reshape(-1, size).mean(axis=1)
        if blocks.size < 100:
            continue
        x = blocks / blocks.mean() - 1
        power = np.abs(np.fft.rfft(x * np.hanning(x.size))) ** 2
        freq = np.fft.rfftfreq(x.size, 0.01)
        part = power[(freq > 3) & (freq < 18)]
        expected = _gauss_rough(envelope.cells * size) * np.sum(np.hanning(x.size) ** 2)
        swell.append(
            10 * np.log10(float(np.median(part)) / np.log(2) / max(expected, 1e-12) + 1e-9)
        )
    if swell:
        values["growl"] = float(np.clip(np.mean(swell), -10, 30))
