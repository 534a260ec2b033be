"""Name bearing damage in records of a test rig whose answer the script is not told.

    python scripts/check_bearing_records.py DIR [--json] [--rate 12000] [--mains 60]
    python scripts/check_bearing_records.py --draws 1000

DIR holds .mat records of the public bearing data centre rig: accelerations at the drive end
(6205-2RS), fan end (6203-2RS) and base, and the speed in rpm. Each record is judged by what
its own noise would do by chance, nothing else:

1. The sample rate (12 or 48 kHz, the files do not say) is the one at which lines stand at
   whole multiples of the shaft rate.
2. The long transform is whitened: local noise to 1, steady tones held down to it.
3. The band is the one whose spectral kurtosis lies farthest above Gaussian noise, in the known
   spread of that noise; none, if all look like noise.
4. In its squared-envelope spectrum, harmonics of each defect rate are counted whose
   probability of chance, over all lines, rates, defects and channels tried, is below
   FALSE_ALARM. Two of them, the first among them, are a claim.

--draws judges coloured Gaussian noise instead and prints how often anything was said.
Exit: 0 done, 1 a draw was claimed, 2 usage, 3 no record could be read.
"""

from __future__ import annotations

import argparse
import json
import math
import re
import sys
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from quietrun.dsp.defects import FALSE_ALARM, DefectLine, find_defect_lines, mains_orders
from quietrun.dsp.spectra import (
    Kurtosis,
    band_signal,
    chance_log10,
    floor_worth,
    kurtosis_bands,
    liveliest_band,
    local_floor,
    squared_envelope_spectrum,
    whiten,
)
from quietrun.dsp.stats import clopper_pearson_interval
from quietrun.errors import QuietrunError, UnreadableClip, UsageError
from quietrun.machine.bearings import look_up
from quietrun.machine.kinematics import bearing_orders

Floats = NDArray[np.float64]

RATES_HZ = (12_000.0, 48_000.0)
BEARINGS = {"drive end": "6205-2RS", "fan end": "6203-2RS"}
CHANNELS = {"DE": "drive end", "FE": "fan end", "BA": "base"}
LOWEST_HZ = 400.0
TOP_SHARE = 0.46  # of the rate: below the fall of the recorder's filter
NARROWEST_HZ = 700.0  # passes four harmonics of the fastest defect rate, 5.4 x 30 Hz
TOP_ORDER = 32.0


@dataclass(frozen=True, slots=True)
class Finding:
    """What one channel says."""

    channel: str
    band: Kurtosis | None
    lines: tuple[DefectLine, ...]


@dataclass(frozen=True, slots=True)
class Record:
    """One file judged."""

    name: str
    rpm: float
    rate_hz: float
    findings: tuple[Finding, ...]

    @property
    def claims(self) -> dict[str, DefectLine]:
        """Claimed defects, each with its likeliest line over the channels."""
        best: dict[str, DefectLine] = {}
        for finding in self.findings:
            for line in finding.lines:
                kept = best.get(line.name)
                if line.claimed and (kept is None or line.chance_log10 < kept.chance_log10):
                    best[line.name] = line
        return best


def defect_orders() -> tuple[dict[str, float], dict[str, float]]:
    """Orders of all defects of the rig, and the spacing of their side lines."""
    orders, spacing = {}, {}
    for end, size in BEARINGS.items():
        found = bearing_orders(look_up(size))
        orders |= {
            f"{end} outer": found.outer,
            f"{end} inner": found.inner,
            f"{end} ball": found.ball_twice,
        }
        # a damaged ball is loaded once a turn of the cage, an inner ring once a turn of the shaft
        spacing[f"{end} ball"] = found.cage
    return orders, spacing


def judge_channel(
    x: Floats, rate_hz: float, shaft_hz: float, *, mains_hz: float, channels: int
) -> tuple[Kurtosis | None, tuple[DefectLine, ...]]:
    """Steps 2 to 4 of the module on one channel."""
    even = x.size // 2 * 2
    step = rate_hz / even
    white = whiten(np.fft.rfft(x[:even] - x[:even].mean()), step)
    bands = kurtosis_bands(white, step, LOWEST_HZ, TOP_SHARE * rate_hz, least_hz=NARROWEST_HZ)
    band = liveliest_band(bands, false_alarm=FALSE_ALARM)
    if band is None:
        return None, ()
    part = band_signal(white, step, band.lo_hz, band.hi_hz)
    envelope = squared_envelope_spectrum(part.z, part.rate_hz)
    order = np.arange(envelope.power.size) * (envelope.step_hz / shaft_hz)
    near = order < TOP_ORDER
    orders, spacing = defect_orders()
    lines = find_defect_lines(
        order[near],
        envelope.power[near],
        orders,
        avoid=mains_orders(mains_hz, shaft_hz, top=TOP_ORDER),
        side=spacing,
        false_alarm=FALSE_ALARM,
        tried=channels,
    )
    return band, lines


def shaft_comb(x: Floats, rate_hz: float, shaft_hz: float) -> float:
    """Mean of -log10 of chance over the first 30 whole orders, were the rate ``rate_hz``."""
    power = np.abs(np.fft.rfft((x - x.mean()) * np.hanning(x.size))) ** 2
    step = rate_hz / x.size
    width = 120
    chance = chance_log10(
        power / np.maximum(local_floor(power, width), 1e-300), lines=floor_worth(width)
    )
    said = []
    for order in range(1, 31):
        # the speed is given in whole rpm: half of one may be missing
        reach = 2 + math.ceil(order * 0.5 / 60.0 / step)
        at = round(order * shaft_hz / step)
        if at + reach >= power.size:
            break
        said.append(-float(chance[at - reach : at + reach + 1].min()) - math.log10(2 * reach + 1))
    return float(np.mean(np.maximum(said, 0.0))) if said else 0.0


def judge_record(path: Path, *, rate_hz: float | None = None, mains_hz: float = 60.0) -> Record:
    """Judge one file.

    Raises
    ------
    UnreadableClip
        No .mat file, or one without speed or accelerations.
    """
    rpm, channels = read_record(path)
    shaft_hz = rpm / 60.0
    if rate_hz is None:
        x = next(iter(channels.values()))
        rate_hz = max(RATES_HZ, key=lambda rate: shaft_comb(x, rate, shaft_hz))
    findings = []
    for name, x in channels.items():
        band, lines = judge_channel(x, rate_hz, shaft_hz, mains_hz=mains_hz, channels=len(channels))
        findings.append(Finding(name, band, lines))
    return Record(path.name, rpm, rate_hz, tuple(findings))


def read_record(path: Path) -> tuple[float, dict[str, Floats]]:
    """Speed in rpm and accelerations by channel."""
    from scipy.io import loadmat
    from scipy.io.matlab import MatReadError

    try:
        table = loadmat(path)
    except (OSError, ValueError, TypeError, NotImplementedError, MatReadError) as error:
        raise UnreadableClip(
            f"{path.name} is no .mat record: {' '.join(str(error).split())[:100]}.",
            "Only records of the bearing rig can be judged here.",
            "Name a folder that holds them.",
        ) from None
    rpm = next((float(np.ravel(v)[0]) for k, v in table.items() if k.endswith("RPM")), 0.0)
    channels = {
        CHANNELS[found.group(1)]: np.ravel(value).astype(np.float64)
        for key, value in table.items()
        if (found := re.search(r"_(DE|FE|BA)_time$", key)) and np.size(value) >= 12_000
    }
    channels = {name: x for name, x in channels.items() if float(np.ptp(x)) > 0.0}
    if not 60.0 <= rpm <= 60_000.0 or not channels:
        raise UnreadableClip(
            f"{path.name} holds no speed or no accelerations (or they are silent).",
            "Without the shaft speed no defect line can be placed, and silence is not health.",
            "Use a record with RPM and DE_time, FE_time or BA_time in it.",
        )
    return rpm, channels


def as_object(record: Record) -> dict[str, object]:
    """One record as plain JSON."""
    return {
        "schema": "quietrun/bearing-record-1",
        "file": record.name,
        "rpm": record.rpm,
        "sample_rate_hz": record.rate_hz,
        "claims": [
            {
                "defect": name,
                "line_hz": line.found * record.rpm / 60.0,
                "expected_hz": line.expected * record.rpm / 60.0,
                "off_percent": line.off_percent,
                "chance_log10": line.chance_log10,
                "harmonics": line.certain,
                "side_lines": line.side_lines,
                "depth": line.depth,
            }
            for name, line in record.claims.items()
        ],
        "channels": [
            {
                "channel": f.channel,
                "band": None if f.band is None else asdict(f.band),
                "lines": [asdict(line) for line in f.lines],
            }
            for f in record.findings
        ],
    }


def as_text(record: Record) -> str:
    """One record as a few lines."""
    out = [f"{record.name}: {record.rpm:.0f} rpm, {record.rate_hz / 1000:.0f} kHz"]
    out += [f"  {finding.channel:10} {_said(finding)}" for finding in record.findings]
    for name, line in record.claims.items():
        what = name if name.endswith("ball") else f"{name} race"
        out.append(
            f"  -> {what} damage: line at {line.found * record.rpm / 60:.2f} Hz "
            f"({line.off_percent:+.2f} % of the kinematic one)"
        )
    if not record.claims:
        out.append("  -> nothing claimed")
    return "\n".join(out)


def _said(finding: Finding) -> str:
    if finding.band is None:
        return "no band differs from Gaussian noise"
    band, best = finding.band, finding.lines[0]
    return (
        f"{band.lo_hz:5.0f}-{band.hi_hz:5.0f} Hz, kurtosis {band.value:5.2f} "
        f"({band.sigmas:3.0f} sigma); likeliest: {best.name:15} {best.certain} harmonics, "
        f"{best.side_lines} side lines, chance 1e{best.chance_log10:.0f}"
        f"{'  CLAIMED' if best.claimed else ''}"
    )


def coloured_noise(rng: np.random.Generator, size: int) -> Floats:
    """Gaussian noise with a random tilt and three random resonances."""
    f = np.fft.rfftfreq(size)
    shape = (f + 1e-3) ** rng.uniform(-1.0, 0.3)
    for _ in range(3):
        centre, width = rng.uniform(0.03, 0.45), rng.uniform(0.003, 0.05)
        shape += 10.0 ** rng.uniform(0.0, 1.0) / (1.0 + ((f - centre) / width) ** 2)
    z = rng.standard_normal(f.size) + 1j * rng.standard_normal(f.size)
    return np.asarray(np.fft.irfft(z * shape, size))


def draw(count: int, seed: int, *, seconds: float = 10.0) -> Iterator[tuple[DefectLine, ...]]:
    """Judge ``count`` records of coloured noise, one channel each.

    The band is always searched, also where its kurtosis would have ended the matter: the
    stated probability has to hold for the lines alone.
    """
    rng = np.random.default_rng(seed)
    orders, spacing = defect_orders()
    for _ in range(count):
        rate, size = RATES_HZ[0], int(seconds * RATES_HZ[0]) // 2 * 2
        shaft = float(rng.uniform(22.0, 30.0))
        step = rate / size
        white = whiten(np.fft.rfft(coloured_noise(rng, size)), step)
        bands = kurtosis_bands(white, step, LOWEST_HZ, TOP_SHARE * rate, least_hz=NARROWEST_HZ)
        band = max(bands, key=lambda b: b.sigmas)
        part = band_signal(white, step, band.lo_hz, band.hi_hz)
        envelope = squared_envelope_spectrum(part.z, part.rate_hz)
        order = np.arange(envelope.power.size) * (envelope.step_hz / shaft)
        near = order < TOP_ORDER
        yield find_defect_lines(
            order[near],
            envelope.power[near],
            orders,
            avoid=mains_orders(60.0, shaft, top=TOP_ORDER),
            side=spacing,
            false_alarm=FALSE_ALARM,
        )


def rate_of(draws: list[tuple[DefectLine, ...]], below_log10: float) -> float:
    """Share of draws in which any defect is said to have a chance below a level."""
    hits = sum(min(line.chance_log10 for line in lines) < below_log10 for lines in draws)
    return hits / len(draws)


def report_draws(count: int, seed: int) -> int:
    """Judge noise and print how often anything was said."""
    draws = list(draw(count, seed))
    for level in (-0.5, -1.0, -2.0, -3.0):
        hits = round(rate_of(draws, level) * count)
        span = clopper_pearson_interval(hits, count)
        print(
            f"chance stated below {10.0**level:.3f}: {hits} of {count} draws "
            f"(95 %: {span.lo:.4f} .. {span.hi:.4f})"
        )
    certain = sum(any(line.certain for line in lines) for lines in draws)
    span = clopper_pearson_interval(certain, count)
    print(
        f"any harmonic certain (asked for: {FALSE_ALARM:g}): {certain} of {count} "
        f"(95 %: {span.lo:.4f} .. {span.hi:.4f})"
    )
    claimed = sum(any(line.claimed for line in lines) for lines in draws)
    print(f"claims: {claimed} of {count}")
    return 1 if claimed else 0


def records_in(folder: Path) -> list[Path]:
    """All .mat files of a folder.

    Raises
    ------
    UsageError
        No folder, or none in it.
    """
    if not folder.is_dir():
        raise UsageError(
            f"{folder} is no folder.", "Nothing was judged.", "Name the folder of the records."
        )
    found = sorted(folder.glob("*.mat"))
    if not found:
        raise UsageError(
            f"{folder} holds no .mat files.", "Nothing was judged.", "Name another folder."
        )
    return found


def main(arguments: list[str] | None = None) -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("folder", nargs="?", type=Path, help="folder of .mat records")
    parser.add_argument("--json", action="store_true", help="print one JSON list")
    parser.add_argument("--rate", type=float, help="sample rate, Hz (measured if not given)")
    parser.add_argument("--mains", type=float, default=60.0, help="mains frequency, Hz")
    parser.add_argument("--draws", type=int, help="judge so many draws of coloured noise instead")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(arguments)
    if given.draws:
        return report_draws(given.draws, given.seed)
    if given.folder is None:
        parser.error("name a folder, or --draws")
    judged, unread = [], []
    try:
        for path in records_in(given.folder):
            try:
                judged.append(judge_record(path, rate_hz=given.rate, mains_hz=given.mains))
            except UnreadableClip as error:
                unread.append(error)
    except QuietrunError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    if given.json:
        print(json.dumps([as_object(record) for record in judged], indent=1))
    else:
        print("\n".join(as_text(record) for record in judged))
    for error in unread:
        print(error, file=sys.stderr)
    return 0 if judged else 3


if __name__ == "__main__":
    sys.exit(main())
