"""Modulation: what repeats with the turn, what repeats beside it, and how impulsive the sound is.

All of it on squared envelopes of bands, over the steady run and, with the
speed track, over turns in the coast-down. Depths are relative to the band's
own mean, so gain and the phone's response cancel.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.blocks import along_blocks, block_means
from quietrun.dsp.order import median, quantile
from quietrun.dsp.running import running_max, running_median
from quietrun.dsp.stats import noise_rise_db
from quietrun.dsp.windows import hann
from quietrun.evidence.rows import Value, missing, row
from quietrun.evidence.scene import BANDS, GROUPS, Envelope, Scene

Floats = NDArray[np.float64]

_COMB = 16  # harmonics of the turn that are summed
_TOP_ORDER = 26.0
_RANDALL = (
    "Randall and Antoni, Rolling element bearing diagnostics, MSSP 25 (2011): "
    "squared-envelope spectrum"
)
_SYNC = "Time-synchronous averaging over the turn (McFadden 1987, from memory)"


_NOISE = "Chi-square law of band-limited Gaussian noise"
_PLAY = "Play in driven parts rattles while torque reverses. Common practice, no source"

#: stem, family, phase, plain sentence, source of each quantity that is measured band by band
_STEMS = (
    (
        "turn_comb",
        "synchronous",
        "steady",
        "How far lines at whole multiples of the turn stand out of the envelope",
        _SYNC,
    ),
    (
        "turn_depth",
        "synchronous",
        "steady",
        "How deep the loudness swings once a turn and its multiples",
        _SYNC,
    ),
    (
        "turn_once",
        "synchronous",
        "steady",
        "How far the once-a-turn line alone stands out of the envelope",
        _SYNC,
    ),
    (
        "off_turn",
        "orders",
        "steady",
        "Best series of lines that repeats, but not with the turn",
        _RANDALL,
    ),
    (
        "off_depth",
        "orders",
        "steady",
        "How deep the loudness swings in the clearest pattern that is not the turn's",
        _RANDALL,
    ),
    (
        "mains_beat",
        "orders",
        "steady",
        "How far twice the mains frequency stands out of the envelope",
        "Force between stator and rotor pulls at twice the mains",
    ),
    (
        "rough",
        "impacts",
        "steady",
        "How much more the envelope fluctuates than steady noise would",
        _NOISE,
    ),
    (
        "spiky",
        "impacts",
        "steady",
        "How far the highest spikes stand over the median, beyond those of steady noise",
        _NOISE,
    ),
    (
        "flutter",
        "impacts",
        "steady",
        "How far the louder tenth of the time (16 ms at a time) stands over the middle level",
        _NOISE,
    ),
    (
        "growl",
        "impacts",
        "steady",
        "Slow irregular swelling (3 to 18 Hz) beyond that of steady noise",
        _NOISE,
    ),
    (
        "coast_rough",
        "impacts",
        "coast_down",
        "Fluctuation in the coast-down, the falling level taken out",
        _NOISE,
    ),
    (
        "coast_spiky",
        "impacts",
        "coast_down",
        "Highest spikes of the coast-down, beyond those of steady noise",
        _NOISE,
    ),
    (
        "coast_flutter",
        "impacts",
        "coast_down",
        "Louder moments (8 ms at a time) of the coast-down over the level around them",
        _NOISE,
    ),
    (
        "coast_turn",
        "synchronous",
        "coast_down",
        "How far whole multiples of the turn stand out while the machine slows down",
        _SYNC,
    ),
    (
        "coast_off",
        "orders",
        "coast_down",
        "Best series of lines beside the turn while the machine slows down",
        _RANDALL,
    ),
    (
        "start_rough",
        "impacts",
        "run_up",
        "Fluctuation in the run-up, the rising level taken out",
        _PLAY,
    ),
    (
        "start_spiky",
        "impacts",
        "run_up",
        "Highest spikes of the run-up, beyond those of steady noise",
        _PLAY,
    ),
    (
        "cut_knock",
        "impacts",
        "coast_down",
        "Loudest knock just after switch-off, over the level around it",
        "Play closes the other way when the torque goes. Common practice, no source",
    ),
)
_WHERE = {
    "low": "low bands",
    "mid": "middle bands",
    "high": "high bands",
    "best": "clearest band",
    "top3": "three clearest bands",
}


def _span(group: str) -> tuple[float, float]:
    index = GROUPS.get(group, (0, 10))
    return BANDS[index[0]][0], BANDS[index[-1]][1]


ROWS = (
    *(
        row(f"{stem}_{group}", family, "dB", phase, _span(group), 1, f"{says} ({where}).", source)
        for stem, family, phase, says, source in _STEMS
        for group, where in _WHERE.items()
    ),
    row(
        "off_turn_together",
        "orders",
        "dB",
        "steady",
        (360.0, 14500.0),
        1,
        "Repeating pattern that is not the turn's, at one order in all bands together.",
        _RANDALL,
    ),
    row(
        "turn_together",
        "synchronous",
        "dB",
        "steady",
        (360.0, 14500.0),
        1,
        "Pattern of the turn, in all bands together.",
        _SYNC,
    ),
    row(
        "off_over_turn",
        "orders",
        "dB",
        "steady",
        (360.0, 14500.0),
        0,
        "Pattern beside the turn against the pattern of the turn.",
        _RANDALL,
    ),
    row(
        "start_over_steady",
        "impacts",
        "dB",
        "run_up",
        (360.0, 14500.0),
        1,
        "Roughness of the run-up over that of the steady run.",
        _PLAY,
    ),
    row(
        "coast_over_steady",
        "impacts",
        "dB",
        "coast_down",
        (360.0, 14500.0),
        0,
        "Roughness of the coast-down over that of the steady run.",
        "Ours",
    ),
    row(
        "turn_slope",
        "synchronous",
        "dB",
        "steady",
        (360.0, 14500.0),
        0,
        "Low multiples of the turn against high ones: a wide arc or a short tick.",
        _SYNC,
    ),
    row(
        "turn_high_low",
        "synchronous",
        "dB",
        "steady",
        (360.0, 14500.0),
        0,
        "Pattern of the turn in the high bands against that in the low ones.",
        "Ours",
    ),
    row(
        "rough_high_low",
        "impacts",
        "dB",
        "steady",
        (360.0, 14500.0),
        0,
        "Roughness of the high bands against that of the low ones.",
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
    _wide: dict[int, Floats] = field(default_factory=dict)

    def series(self, mains: Floats) -> Floats:
        """Score of the series beside the turn at each order, computed once; see ``_off_turn``."""
        if -1 not in self._wide:
            self._wide[-1] = _off_turn(self, mains)
        return self._wide[-1]

    @property
    def top(self) -> float:
        """Highest order it holds."""
        return (self.rise_db.size - 1) * self.step

    def at(self, orders: Floats, reach: float) -> Floats:
        """Highest rise within ``reach`` of each order, dB (0 beyond the end)."""
        wide = max(0, round(reach / self.step))
        if wide not in self._wide:
            padded = np.concatenate([np.zeros(wide), self.rise_db, np.zeros(wide + 1)])
            highest = running_max(padded, 2 * wide + 1).copy()
            highest[self.rise_db.size :] = 0.0
            self._wide[wide] = highest
        highest = self._wide[wide]
        index = np.minimum((orders / self.step + 0.5).astype(np.int32), highest.size - 1)
        return highest[index]


def _normal(energy: Floats, room: float) -> Floats:
    """Envelope over its own clean mean (1 on average without a room)."""
    mean = float(energy.mean())
    clean = max(mean - room, 0.1 * mean)
    return np.asarray((energy - mean) / clean)


def _spectrum(energy: Floats, rate_hz: float, shaft_hz: float, room: float) -> OrderSpectrum:
    """Order spectrum of a stretch at constant speed."""
    held = np.minimum(energy, 12 * median(energy))
    x = _normal(held, room)
    window = hann(x.size)
    padded = 1 << int(np.ceil(np.log2(x.size * 1.6)))
    step = rate_hz / padded / shaft_hz
    spectrum = np.fft.rfft(x * window, padded)[: int(_TOP_ORDER * 1.6 / step)]
    power = (spectrum.real**2 + spectrum.imag**2) * (2.0 / np.sum(window**2))
    top = power.size
    block = max(8, round(1.0 / step))
    count = max(1, top // block)
    floor_blocks = median(power[: count * block].reshape(count, -1), axis=1) / np.log(2)
    floor = along_blocks(floor_blocks, block, top) + 1e-12
    rise = np.clip(10 * np.log10(power / floor + 1e-9), 0.0, 35.0)
    return OrderSpectrum(rise, power, floor, step)


def _mains_orders(scene: Scene) -> Floats:
    if scene.mains_hz is None or scene.shaft_hz is None:
        return np.zeros(0)
    return np.asarray(np.arange(1, 9) * 2 * scene.mains_hz / scene.shaft_hz, dtype=np.float64)


def _apart(orders: Floats, from_: Floats, width: float) -> NDArray[np.bool_]:
    """True where an order is further than ``width`` from all of ``from_``."""
    if from_.size == 0:
        return np.ones(orders.shape, dtype=bool)
    return np.asarray(np.min(np.abs(orders[:, None] - from_[None, :]), axis=1) > width)


def _gauss_rough(cells: float) -> float:
    """Expected squared coefficient of variation of a band's averaged noise energy."""
    return 1.0 / max(cells, 1.0)


def _rough(x: Floats, cells: float) -> float:
    """Fluctuation of a level-free envelope (mean 1) over that of steady noise, dB."""
    cv2 = float(np.mean((np.minimum(x, 30.0) - 1) ** 2))
    return float(np.clip(10 * np.log10((cv2 + 1e-4) / _gauss_rough(cells)), -6.0, 30.0))


def _spiky(x: Floats, cells: float) -> float | None:
    """Highest spikes (99.5 %) over the median, beyond those of steady noise, dB.

    None where there are too few samples for a tail.
    """
    if x.size < 100:
        return None
    top, middle = quantile(x, 0.995), median(x)
    steady = float(noise_rise_db(2.576, 2.0 * cells))
    return float(np.clip(10 * np.log10(top / max(middle, 1e-15)) - steady, -5.0, 30.0))


def _flutter(
    energy: Floats, envelope: Envelope, *, block_s: float, share: float, around: int = 0
) -> float | None:
    """Louder blocks of a stretch over the middle one, beyond those of steady noise, dB.

    ``around`` blocks give the middle level that each is held against; 0: all of them.
    """
    size = max(1, round(block_s * envelope.rate_hz))
    blocks = block_means(energy, size)
    if blocks.size < max(25, 2 * around):
        return None
    if around:
        middle = running_median(blocks, around)
        over = np.maximum(blocks, 1.2 * envelope.room) / np.maximum(middle, 1.2 * envelope.room)
    else:
        over = blocks / max(median(blocks), 1.2 * envelope.room)
    z = {0.90: 1.2816, 0.95: 1.6449}[share]
    steady = float(noise_rise_db(z, 2.0 * max(1.0, envelope.cells * size)))
    return float(np.clip(10 * np.log10(quantile(over, share)) - steady, -5.0, 30.0))


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
    return np.asarray(energy / np.maximum(mean[: energy.size], 1e-16))


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
    return np.asarray(np.interp(grid, angle[: last + 1], energy[: last + 1]))


_Bands = dict[str, list[float | None]]


def measure(scene: Scene) -> dict[str, Value]:
    """All rows of this family; see ``ROWS`` for the meaning of each."""
    steady_span = scene.spans.get("steady")
    if steady_span is None or steady_span[1] - steady_span[0] < 0.5:
        return {r.name: missing("no steady run long enough") for r in ROWS}
    steady_span = (max(steady_span[0] + 0.05, steady_span[1] - 5.0), steady_span[1] - 0.05)
    bands: _Bands = {stem: [None] * len(BANDS) for stem, *_ in _STEMS}
    spectra: list[OrderSpectrum | None] = []
    for i, envelope in enumerate(scene.envelopes):
        if envelope is None:
            spectra.append(None)
            continue
        spectra.append(_steady_band(scene, envelope, i, steady_span, bands))
        _coast_band(scene, envelope, i, bands)
        _start_band(scene, envelope, i, bands)
    _off_depths(spectra, _mains_orders(scene), bands)
    values: dict[str, Value] = {r.name: missing(_why(scene, r.phase)) for r in ROWS}
    for stem, found in bands.items():
        _gather_bands(stem, found, values)
    _over_bands(scene, spectra, bands, values)
    return values


def _why(scene: Scene, phase: str) -> str:
    if phase not in scene.spans:
        return f"no {phase.replace('_', '-')} was heard"
    if scene.shaft_hz is None:
        return "the shaft speed was not found"
    return "the recording does not reach these bands, or they fell into the room"


def _gather_bands(stem: str, found: list[float | None], values: dict[str, Value]) -> None:
    """Clearest of each group of bands, clearest of all, mean of the three clearest."""
    known = sorted((v for v in found if v is not None), reverse=True)
    if not known:
        return
    values[f"{stem}_best"] = known[0]
    values[f"{stem}_top3"] = float(np.mean(known[:3]))
    for group, index in GROUPS.items():
        part = [v for i in index if (v := found[i]) is not None]
        if part:
            values[f"{stem}_{group}"] = max(part)


def _steady_band(
    scene: Scene, envelope: Envelope, i: int, span: tuple[float, float], bands: _Bands
) -> OrderSpectrum | None:
    energy = envelope.part(span)
    level_free = _detrend(energy, envelope.rate_hz, 0.25)
    bands["rough"][i] = _rough(level_free, envelope.cells)
    bands["spiky"][i] = _spiky(level_free, envelope.cells)
    bands["flutter"][i] = _flutter(energy, envelope, block_s=0.016, share=0.90)
    bands["growl"][i] = _growl(energy, envelope)
    if scene.shaft_hz is None:
        return None
    spectrum = _spectrum(energy, envelope.rate_hz, scene.shaft_hz, envelope.room)
    mains = _mains_orders(scene)
    reach = max(0.012, 0.5 * spectrum.step)
    order = np.arange(1.0, min(_COMB, spectrum.top * 0.95) + 0.5)
    order = order[_apart(order, mains, 0.05) & (order < spectrum.top)]
    if order.size >= 3:
        rises = spectrum.at(order, reach)
        bands["turn_comb"][i] = float(np.mean(np.clip(rises, 0, 15)))
        index = np.rint(order / spectrum.step).astype(int)
        extra = np.sum(np.maximum(spectrum.power[index] - spectrum.floor[index], 0.0))
        bands["turn_depth"][i] = float(np.clip(10 * np.log10(extra + 1e-4), -40, 30))
    bands["turn_once"][i] = float(spectrum.at(np.array([1.0]), reach)[0])
    score = spectrum.series(mains)
    bands["off_turn"][i] = float(score.max()) if score.size else 0.0
    known = mains[:2][mains[:2] < spectrum.top]
    if known.size:
        bands["mains_beat"][i] = float(spectrum.at(known, reach).max())
    return spectrum


def _growl(energy: Floats, envelope: Envelope) -> float | None:
    """Swelling at 3 to 18 Hz over that of steady noise of the band's width, dB."""
    size = max(1, int(envelope.rate_hz / 100.0))
    blocks = block_means(energy, size)
    if blocks.size < 100:
        return None
    window = hann(blocks.size)
    power = np.abs(np.fft.rfft((blocks / blocks.mean() - 1) * window)) ** 2
    freq = np.fft.rfftfreq(blocks.size, size / envelope.rate_hz)
    part = power[(freq > 3) & (freq < 18)]
    expected = _gauss_rough(envelope.cells * size) * float(np.sum(window**2))
    level = 10 * np.log10(float(median(part)) / np.log(2) / max(expected, 1e-12) + 1e-9)
    return float(np.clip(level, -10, 30))


_SEARCH = np.arange(1.6, 12.5, 0.01)


@lru_cache(maxsize=4)
def _searched(mains: tuple[float, ...]) -> tuple[Floats, tuple[tuple[int, Floats, Floats], ...]]:
    """Orders at which a series beside the turn is looked for, kept: all bands ask the same.

    Returns
    -------
    orders : shape (n,)
    harmonics : (times, orders, weights) each, weight 0 where another line lies
    """
    known = np.array(mains)
    whole = np.abs(_SEARCH - np.rint(_SEARCH)) > 0.045
    orders = _SEARCH[whole & _apart(_SEARCH, known, 0.05)]
    harmonics = []
    for times, weight in ((2, 0.7), (3, 0.5)):
        harmonic = times * orders
        fair = (np.abs(harmonic - np.rint(harmonic)) > 0.03) & _apart(harmonic, known, 0.04)
        harmonics.append((times, harmonic, weight * fair))
    return orders, tuple(harmonics)


def _off_turn(spectrum: OrderSpectrum, mains: Floats) -> Floats:
    """Series score at each non-integer order: the line, its double and its triple."""
    orders, harmonics = _searched(tuple(mains.tolist()))
    reach = 0.012
    total = np.clip(spectrum.at(orders, reach), 0, 14)
    for times, harmonic, weight in harmonics:
        total += weight * np.clip(spectrum.at(harmonic, reach * times), 0, 14)
    return total


def _off_depths(spectra: list[OrderSpectrum | None], mains: Floats, bands: _Bands) -> None:
    """Depth of the series beside the turn that is clearest over all bands, in each band.

    The score of a series says how sure it is; its depth, how much of the sound
    it makes.
    """
    known = [(i, s) for i, s in enumerate(spectra) if s is not None and s.top > 13.0]
    if not known:
        return
    series = np.array([s.series(mains) for _, s in known])
    orders, _ = _searched(tuple(mains.tolist()))
    if orders.size == 0:
        return
    order = float(orders[int(np.argmax(series.mean(axis=0)))])
    for i, spectrum in known:
        extra = 0.0
        for times in (1, 2, 3, 4):
            if times * order > 0.95 * spectrum.top:
                break
            reach = max(1, round(0.012 * times / spectrum.step))
            middle = round(times * order / spectrum.step)
            part = slice(max(0, middle - reach), middle + reach + 1)
            extra += float(np.max(spectrum.power[part] - 3.0 * spectrum.floor[part]).clip(0.0))
        bands["off_depth"][i] = float(np.clip(10 * np.log10(extra + 1e-4), -40, 30))


def _coast_band(scene: Scene, envelope: Envelope, i: int, bands: _Bands) -> None:
    if "coast_down" not in scene.spans:
        return
    a, b = scene.spans["coast_down"]
    energy = envelope.part((a + 0.02, b))
    if energy.size < 0.25 * envelope.rate_hz:
        return
    window = max(8, int(0.06 * envelope.rate_hz))
    blocks = block_means(energy, window)
    loud = blocks > 1.6 * envelope.room if envelope.room > 0 else blocks > 0
    fade = int(np.argmin(loud)) if not loud.all() else loud.size
    bands["coast_flutter"][i] = _flutter(energy, envelope, block_s=0.008, share=0.95, around=25)
    free = _detrend(energy, envelope.rate_hz, 0.15)
    start = free[: int(0.6 * envelope.rate_hz)]
    knock = 10 * np.log10(float(np.sort(start)[-3:].mean()) + 1e-9)
    bands["cut_knock"][i] = float(np.clip(knock, 0.0, 25.0))
    heard = energy[: fade * window]
    if heard.size < 0.25 * envelope.rate_hz:
        return
    level_free = free[: heard.size]
    bands["coast_rough"][i] = _rough(level_free, envelope.cells)
    bands["coast_spiky"][i] = _spiky(level_free, envelope.cells)
    turns = _turns(scene, level_free, envelope.rate_hz, a + 0.02)
    if turns is None:
        return
    spectrum = _spectrum(turns, 64.0, 1.0, 0.0)
    order = np.arange(1.0, 13.0)
    bands["coast_turn"][i] = float(np.mean(np.clip(spectrum.at(order, 0.06), 0, 15)))
    bands["coast_off"][i] = float(spectrum.series(np.zeros(0)).max())


def _start_band(scene: Scene, envelope: Envelope, i: int, bands: _Bands) -> None:
    span = scene.spans.get("run_up")
    if span is None or span[1] - span[0] < 0.15:
        return
    energy = envelope.part((span[0] + 0.05, span[1] + 0.05))
    if energy.size < 20:
        return
    free = _detrend(energy, envelope.rate_hz, 0.15)
    bands["start_rough"][i] = _rough(free, envelope.cells)
    bands["start_spiky"][i] = _spiky(free, envelope.cells)


def _over_bands(
    scene: Scene, spectra: list[OrderSpectrum | None], bands: _Bands, values: dict[str, Value]
) -> None:
    def difference(name: str, one: str, two: str) -> None:
        first, second = values[one], values[two]
        if isinstance(first, float) and isinstance(second, float):
            values[name] = first - second

    difference("start_over_steady", "start_rough_top3", "rough_top3")
    difference("coast_over_steady", "coast_rough_top3", "rough_top3")
    difference("turn_high_low", "turn_comb_high", "turn_comb_low")
    difference("rough_high_low", "rough_high", "rough_low")
    known = [s for s in spectra if s is not None and s.top > 13.0]
    if not known:
        return
    mains = _mains_orders(scene)
    series = np.array([s.series(mains) for s in known])
    values["off_turn_together"] = float(series.mean(axis=0).max())
    order = np.arange(1.0, 13.0)
    order = order[_apart(order, mains, 0.05)]
    comb = np.array([s.at(order, 0.012) for s in known]).mean(axis=0)
    values["turn_together"] = float(np.sort(comb)[-5:].mean())
    difference("off_over_turn", "off_turn_together", "turn_together")
    low = np.mean([s.at(np.arange(1.0, 4.0), 0.012).mean() for s in known])
    high = np.mean([s.at(np.arange(6.0, 13.0), 0.012).mean() for s in known])
    values["turn_slope"] = float(low - high)
