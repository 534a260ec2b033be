"""Pairs: one measure against another, where the two together say more than each alone.

A rattle that is no louder for once a turn is not a rub; knocks after switch-off that were not
there before it are play. Each pair is a difference of two rows in dB (or of two rates).
"""

from __future__ import annotations

from quietrun.evidence.rows import Value, row
from quietrun.evidence.types import Feature

#: name, one, the other, what the difference says
PAIRS = (
    ("flutter_bright", "flutter_high", "flutter_low", "Flutter of the high bands against the low"),
    ("flutter_edge", "flutter_high", "flutter_mid", "Flutter of the high bands against the middle"),
    ("spiky_bright", "spiky_high", "spiky_low", "Spikes of the high bands against the low"),
    ("swing_bright", "swing_high", "swing_low", "Swings of high pitch against those of low"),
    ("swing_edge", "swing_high", "swing_mid", "Swings of high pitch against those of the middle"),
    (
        "flutter_over_turn",
        "flutter_top3",
        "turn_depth_top3",
        "Flutter against what swings once a turn and its multiples",
    ),
    (
        "flutter_over_lines",
        "flutter_top3",
        "turn_together",
        "Flutter against the lines of the turn in all bands",
    ),
    ("spiky_over_turn", "spiky_top3", "turn_comb_top3", "Spikes against the lines of the turn"),
    (
        "coast_flutter_over",
        "coast_flutter_top3",
        "flutter_top3",
        "Flutter of the coast-down against that of the steady run",
    ),
    (
        "knock_cut_over",
        "knock_cut_rate",
        "knock_rate",
        "Knocks a second after switch-off against those before it",
    ),
    (
        "coast_spiky_over",
        "coast_spiky_low",
        "spiky_low",
        "Low spikes of the coast-down against those of the steady run",
    ),
    (
        "coast_flutter_dull",
        "coast_flutter_low",
        "coast_flutter_high",
        "Flutter of the coast-down in the low bands against the high",
    ),
    ("flutter_over_spiky", "flutter_top3", "spiky_top3", "Flutter against single spikes"),
    ("swing_over_flutter", "swing_top3", "flutter_top3", "Narrow swings against wide flutter"),
    ("swing_share", "swing_alone_top3", "swing_top3", "How far swings keep to single bands"),
    ("turn_slope_over", "turn_slope", "flutter_top3", "Wide arc of the turn against flutter"),
    (
        "start_spiky_over",
        "start_spiky_top3",
        "flutter_top3",
        "Spikes of the run-up against flutter of the steady run",
    ),
)


def rows(known: dict[str, Feature]) -> tuple[Feature, ...]:
    """Catalogue rows of the pairs; phase, band and family are those of the first of each.

    Parameters
    ----------
    known : name to Feature of the rows they are made of
    """
    made = []
    for name, one, other, says in PAIRS:
        first, second = known[one], known[other]
        bands = [b for b in (first.band_hz, second.band_hz) if b is not None]
        band = (min(b[0] for b in bands), max(b[1] for b in bands)) if bands else None
        made.append(
            row(name, first.family, first.unit, first.phase, band, 0, f"{says}.", first.source)
        )
    return tuple(made)


def measure(values: dict[str, Value]) -> dict[str, Value]:
    """Differences of what the other families measured.

    Parameters
    ----------
    values : name to number or reason of every other row
    """
    found: dict[str, Value] = {}
    for name, one, other, _ in PAIRS:
        first, second = values[one], values[other]
        if isinstance(first, float) and isinstance(second, float):
            found[name] = first - second
        else:
            found[name] = first if not isinstance(first, float) else second
    return found
