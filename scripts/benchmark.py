"""Measure speed and memory, both sides of each ratio in turn in one run.

    python scripts/benchmark.py [--only a,b,c,d,e,f] [--rounds N] [--json] [--save]

(a) cold ``check`` of a 10 s m4a against ``python -c "import numpy, av"``
(b) CPU of one warm clip against decoding it and one float32 STFT
(c) CPU of ten clips against a plain librosa pipeline of comparable features
(d) ``batch`` with two workers against one
(e) peak memory of ``check`` against clip length
(f) rate and memory of ``batch`` against the number of clips

The clips are made here from a seed. Each row also tells how long the rest of
the machine was busy meanwhile (Linux): a busy neighbour stretches wall times.
This process stays small on purpose: a child's peak memory cannot read lower
than that of the process which started it.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import statistics
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does

ROOT = Path(__file__).resolve().parents[1]
SAVED = ROOT / "scripts" / "benchmark.json"
HERE = str(Path(__file__).resolve())
CLIPS = 10
LENGTHS_S = (10, 60, 1800)
CLIP_S = 10
PAIRED_CLIPS = 200
BUSY_CORES = 0.25  # other load above which wall times say little
COUNTS = (50, 500, 2000)


@dataclass(frozen=True)
class Cost:
    """What one process took."""

    wall_s: float
    cpu_s: float
    peak_mib: float


@dataclass(frozen=True)
class Row:
    """One line of the result."""

    part: str
    what: str
    result: str
    goal: str
    numbers: dict[str, Any]


def child(*command: str, codes: tuple[int, ...] = (0,)) -> Cost:
    """Run a process to its end and tell what it took."""
    with tempfile.TemporaryFile() as errors:
        start = time.perf_counter()
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=errors, cwd=ROOT)
        _, status, used = os.wait4(process.pid, 0)
        wall = time.perf_counter() - start
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode not in codes:
            errors.seek(0)
            told = errors.read().decode(errors="replace")
            raise SystemExit(f"{' '.join(command)} ended with {process.returncode}:\n{told}")
    scale = 2**20 if sys.platform == "darwin" else 2**10
    return Cost(wall, used.ru_utime + used.ru_stime, used.ru_maxrss / scale)


def machine_busy_s() -> float | None:
    """Seconds that all cores together have worked since the start, or None where not told."""
    try:
        fields = Path("/proc/stat").read_text(encoding="ascii").split("\n", 1)[0].split()[1:]
    except OSError:
        return None
    user, nice, system, _idle, _wait, irq, softirq = map(int, fields[:7])
    ticks: int = user + nice + system + irq + softirq
    return ticks / os.sysconf("SC_CLK_TCK")


def own_busy_s() -> float:
    """CPU seconds of this process and its ended children."""
    told = os.times()
    return told.user + told.system + told.children_user + told.children_system


def middle(values: list[float]) -> str:
    """Median with the least and the greatest."""
    return f"{statistics.median(values):.3g} ({min(values):.3g}-{max(values):.3g})"


def pairs(rounds: int, left: Callable[[], Cost], right: Callable[[], Cost]) -> list[list[Cost]]:
    """Both sides in turn, the order swapped each round, after one unmeasured round."""
    left()
    right()
    both: list[list[Cost]] = []
    for i in range(rounds):
        if i % 2:
            second = right()
            both.append([left(), second])
        else:
            both.append([left(), right()])
    return both


def _check(clip: str) -> Cost:
    return child(sys.executable, "-m", "quietrun", "check", clip, "--json", codes=(0, 1))


def part_a(folder: Path, rounds: int) -> list[Row]:
    """Cold start of ``check``."""
    clip = str(folder / "clip0.m4a")
    both = pairs(
        rounds,
        lambda: _check(clip),
        lambda: child(sys.executable, "-c", "import numpy, av"),
    )
    ratios = [ours.wall_s / bare.wall_s for ours, bare in both]
    wall = middle([ours.wall_s for ours, _ in both])
    peak = max(ours.peak_mib for ours, _ in both)
    told = {
        "ratio": ratios,
        "check": [asdict(x) for x, _ in both],
        "bare": [asdict(y) for _, y in both],
    }
    return [
        Row(
            "a",
            'cold `check` of a 10 s m4a, wall, against `python -c "import numpy, av"`',
            f"{middle(ratios)} x; {wall} s",
            "at most 4 x",
            told,
        ),
        Row("a", "peak memory of that `check`", f"{peak:.0f} MiB", "at most 150 MiB", told),
    ]


def part_b(folder: Path, rounds: int) -> list[Row]:
    """Work of one warm clip."""
    told = json.loads(_output("--child", "warm", str(folder), str(rounds)))
    ratios = [ours / bare for ours, bare in zip(told["analyse_s"], told["bare_s"], strict=True)]
    ms = middle([1000 * s for s in told["analyse_s"]])
    rate = told["clip_s"] / statistics.median(told["analyse_s"])
    return [
        Row(
            "b",
            "CPU of one warm 10 s m4a, against decoding it and one float32 STFT",
            f"{middle(ratios)} x; {ms} ms",
            "at most 8 x, 80 ms",
            told | {"ratio": ratios},
        ),
        Row("b", "that as a rate", f"{rate:.0f} x real time per core", "at least 120 x", {}),
    ]


def part_c(folder: Path, rounds: int) -> list[Row]:
    """Ten clips against a plain librosa pipeline."""
    both = pairs(
        max(2, rounds // 2),
        lambda: child(sys.executable, HERE, "--child", "ours", str(folder)),
        lambda: child(sys.executable, HERE, "--child", "librosa", str(folder)),
    )
    ratios = [ours.cpu_s / plain.cpu_s for ours, plain in both]
    return [
        Row(
            "c",
            f"CPU of {CLIPS} clips in one process, against a plain librosa pipeline",
            f"{middle(ratios)} x; peak {max(o.peak_mib for o, _ in both):.0f} MiB "
            f"against {max(p.peak_mib for _, p in both):.0f} MiB",
            "below 1 x",
            {"ratio": ratios, "costs": [[asdict(c) for c in pair] for pair in both]},
        )
    ]


def part_e(folder: Path, rounds: int) -> list[Row]:
    """Memory against clip length."""
    del rounds
    costs = {seconds: _check(str(folder / f"long{seconds}.m4a")) for seconds in LENGTHS_S}
    shown = ", ".join(f"{s} s: {cost.peak_mib:.0f}" for s, cost in costs.items())
    return [
        Row(
            "e",
            "peak memory of `check` by clip length",
            f"{shown} MiB",
            "at most 150 MiB at any length",
            {str(s): asdict(cost) for s, cost in costs.items()},
        )
    ]


def _visits(folder: Path, count: int) -> Path:
    """Folder of ``count`` clips whose bytes differ: the same sounds, each with its own free box."""
    out = folder / f"visits{count}"
    if not out.exists():
        out.mkdir()
        sounds = [(folder / f"clip{i}.m4a").read_bytes() for i in range(CLIPS)]
        for i in range(count):
            box = struct.pack(">I4sI", 12, b"free", i)
            (out / f"visit{i:05}.m4a").write_bytes(sounds[i % CLIPS] + box)
    return out


def _batch(folder: Path, count: int, jobs: int) -> Cost:
    source = _visits(folder, count)
    out = folder / "rows.jsonl"
    out.unlink(missing_ok=True)
    command = [sys.executable, "-m", "quietrun", "batch", str(source), "-o", str(out)]
    cost = child(*command, "--jobs", str(jobs), codes=(0, 1))
    with out.open("rb") as rows:  # line by line: this process must stay small
        done = sum(1 for _ in rows)
    if done != count:
        raise SystemExit(f"batch wrote {done} rows for {count} clips")
    return cost


def _sizes(folder: Path, count: int) -> dict[str, float]:
    """Bytes read and written for each clip of the batch that has just run."""
    clips = sum(path.stat().st_size for path in _visits(folder, count).iterdir())
    return {"clip": clips / count, "row": (folder / "rows.jsonl").stat().st_size / count}


def part_d(folder: Path, rounds: int) -> list[Row]:
    """Two workers against one."""
    both = pairs(
        max(2, rounds // 3),
        lambda: _batch(folder, PAIRED_CLIPS, 2),
        lambda: _batch(folder, PAIRED_CLIPS, 1),
    )
    ratios = [one.wall_s / two.wall_s for two, one in both]
    return [
        Row(
            "d",
            f"`batch` of {PAIRED_CLIPS} clips: how much faster with two workers than with one",
            f"{middle(ratios)} x",
            "at least 1.6 x",
            {
                "ratio": ratios,
                "costs": [[asdict(c) for c in pair] for pair in both],
                "clips": PAIRED_CLIPS,
                "bytes": _sizes(folder, PAIRED_CLIPS),
            },
        )
    ]


def part_f(folder: Path, rounds: int) -> list[Row]:
    """Rate and memory against the number of clips."""
    del rounds
    costs = {count: _batch(folder, count, 2) for count in COUNTS}
    rates = {n: n * CLIP_S / cost.cpu_s for n, cost in costs.items()}
    shown = ", ".join(
        f"{n}: {rates[n]:.0f} x, {cost.peak_mib:.0f} MiB" for n, cost in costs.items()
    )
    return [
        Row(
            "f",
            "`batch` by number of clips: times real time per core, peak memory of one process",
            shown,
            "at least 120 x, at most 150 MiB, flat",
            {str(n): asdict(cost) for n, cost in costs.items()},
        )
    ]


PARTS: dict[str, Callable[[Path, int], list[Row]]] = {
    "a": part_a,
    "b": part_b,
    "c": part_c,
    "d": part_d,
    "e": part_e,
    "f": part_f,
}


def _output(*arguments: str) -> str:
    done = subprocess.run(
        [sys.executable, HERE, *arguments], check=True, stdout=subprocess.PIPE, text=True, cwd=ROOT
    )
    return done.stdout


# What follows runs in child processes, which may import what they like.


def run_sound(rate_hz: int, seed: int) -> Any:
    """A made-up 10 s run: room, hum while powered, shaft-locked and broad noise with speed."""
    import numpy as np

    rng = np.random.default_rng(seed)
    t = np.arange(10 * rate_hz) / rate_hz
    on, up, off, down = 1.2, 0.8, 6.5, 2.6
    speed = np.clip((t - on) / up, 0, 1) * np.clip(1 - (t - off) / down, 0, 1)
    angle = 2 * np.pi * np.cumsum(speed * 24.6) / rate_hz
    powered = ((t > on) & (t < off)).astype(float)
    hum = sum(np.sin(2 * np.pi * 100 * k * t + k) / k for k in range(1, 7))
    shaft = sum(np.sin(k * angle + k) / k for k in (1, 2, 7, 14))
    air = rng.standard_normal(t.size) * speed**2.5 * (1 + 0.2 * np.sin(angle))
    room = 10 ** (-58 / 20) * rng.standard_normal(t.size)
    sound = 0.05 * powered * hum + 0.03 * speed**2 * shaft + 0.06 * air + room
    return (0.5 * sound / np.abs(sound).max()).astype(np.float32)


def write_m4a(path: Path, blocks: Any, rate_hz: int) -> None:
    """Encode blocks of mono samples as AAC."""
    import av
    import numpy as np

    with av.open(str(path), "w") as out:
        stream = out.add_stream("aac", rate=rate_hz, layout="mono", bit_rate=96000)
        for block in blocks:
            frame = av.AudioFrame.from_ndarray(
                np.ascontiguousarray(block)[None, :], format="fltp", layout="mono"
            )
            frame.rate = rate_hz
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))


def make_clips(folder: Path) -> None:
    """Write the clips of all parts."""
    import numpy as np

    rate = 48000
    for i in range(CLIPS):
        write_m4a(folder / f"clip{i}.m4a", [run_sound(rate, i)], rate)
    for seconds in LENGTHS_S:
        rng = np.random.default_rng(seconds)

        def blocks(seconds: int = seconds, rng: Any = rng) -> Any:
            yield run_sound(rate, 99)
            for _ in range(seconds // 10 - 1):
                yield (0.001 * rng.standard_normal(10 * rate)).astype(np.float32)

        write_m4a(folder / f"long{seconds}.m4a", blocks(), rate)


def decode_plain(path: str) -> tuple[Any, int]:
    """Decode as little as one can: PyAV, mono float32 at its own rate."""
    import av
    import numpy as np

    with av.open(path) as container:
        parts = [frame.to_ndarray()[0] for frame in container.decode(audio=0)]
        rate = container.streams.audio[0].rate
    return np.concatenate(parts), int(rate)


def power_stft(samples: Any) -> Any:
    """Compute power spectra of 2048-sample Hann frames every 512, float32, in blocks of 64."""
    import numpy as np

    window = np.hanning(2048).astype(np.float32)
    view = np.lib.stride_tricks.sliding_window_view(samples, 2048)[::512]
    out = np.empty((view.shape[0], 1025), np.float32)
    for start in range(0, view.shape[0], 64):
        part = np.fft.rfft(view[start : start + 64] * window, axis=1)
        out[start : start + 64] = part.real**2 + part.imag**2
    return out


def child_warm(folder: str, rounds: str) -> None:
    """Print CPU seconds a clip, both sides in turn, warm."""
    from quietrun.cli.edge import keep_freed_memory
    from quietrun.pipeline import analyse

    keep_freed_memory()  # as the command line does
    clips = sorted(str(path) for path in Path(folder).glob("clip*.m4a"))
    told: dict[str, Any] = {"analyse_s": [], "bare_s": [], "clip_s": CLIP_S}
    assert analyse(clips[0]).verdict.word != "unusable", "the benchmark's clip must be a run"
    power_stft(decode_plain(clips[0])[0])
    for clip in clips * max(1, int(rounds) // 3):
        start = time.process_time()
        analyse(clip)
        between = time.process_time()
        power_stft(decode_plain(clip)[0])
        told["analyse_s"].append(between - start)
        told["bare_s"].append(time.process_time() - between)
    print(json.dumps(told))


def child_ours(folder: str) -> None:
    """Judge the ten clips in one process."""
    from quietrun.pipeline import analyse

    for path in sorted(Path(folder).glob("clip*.m4a")):
        analyse(str(path))


def child_librosa(folder: str) -> None:
    """Take comparable features of the ten clips as one would by plain use of the libraries.

    Spectral features, cepstra and onsets by librosa at the clip's own rate,
    eight Hilbert band envelopes with their spectra, and the strongest ridge by
    librosa's Viterbi decoder. It finds no phases and judges nothing.
    """
    import librosa
    import numpy as np
    from scipy import signal

    for path in sorted(Path(folder).glob("clip*.m4a")):
        y, rate = decode_plain(str(path))
        librosa.feature.spectral_centroid(y=y, sr=rate)
        librosa.feature.spectral_bandwidth(y=y, sr=rate)
        librosa.feature.spectral_rolloff(y=y, sr=rate)
        librosa.feature.spectral_flatness(y=y)
        librosa.feature.spectral_contrast(y=y, sr=rate)
        librosa.feature.mfcc(y=y, sr=rate, n_mfcc=20)
        librosa.feature.rms(y=y)
        librosa.feature.zero_crossing_rate(y)
        librosa.onset.onset_strength(y=y, sr=rate)
        for low in 250 * 2 ** np.arange(0, 6, 0.75):
            band = signal.butter(4, (low, 1.68 * low), "bandpass", fs=rate, output="sos")
            envelope = np.abs(signal.hilbert(signal.sosfiltfilt(band, y)))
            np.abs(np.fft.rfft(envelope - envelope.mean()))
        power = np.abs(librosa.stft(y, n_fft=4096, hop_length=512)[:300]) ** 2
        steps = librosa.sequence.transition_local(300, 7, wrap=False)
        librosa.sequence.viterbi(power / power.sum(axis=0), steps)


CHILDREN: dict[str, Callable[..., None]] = {
    "make": lambda folder: make_clips(Path(folder)),
    "warm": child_warm,
    "ours": child_ours,
    "librosa": child_librosa,
}


def machine() -> str:
    """Say on what machine and with which versions this is measured."""
    from importlib.metadata import version

    libraries = ", ".join(f"{name} {version(name)}" for name in ("numpy", "av", "librosa"))
    return (
        f"Measured on {os.cpu_count()} cores ({platform.machine()}), {platform.system()}, "
        f"Python {platform.python_version()}, {libraries}."
    )


def where(machines: dict[str, str], others: dict[str, float]) -> str:
    """Say where the parts were measured, and beside which other load."""
    load = f"at most {max(others.values()):.2g} cores" if others else "not known"
    parts: dict[str, list[str]] = {}
    for part, text in sorted(machines.items()):
        parts.setdefault(text, []).append(part)
    texts = [
        text if len(parts) == 1 else f"({', '.join(names)}) {text}" for text, names in parts.items()
    ]
    return (
        f"{' '.join(texts)} Other load of the machine meanwhile: {load}. "
        "Cells: median (least-greatest) over paired rounds."
    )


def told_of(
    rows: list[dict[str, Any]], machines: dict[str, str], others: dict[str, float]
) -> dict[str, Any]:
    """Give what is saved."""
    return {
        "where": where(machines, others),
        "machine": machines,
        "other_load_cores": others,
        "not_measured": sorted(PARTS.keys() - machines.keys()),
        "summary": sorted(rows, key=lambda row: str(row["part"])),
    }


def merged(old: dict[str, Any], new: dict[str, Any]) -> dict[str, Any]:
    """Put newly measured parts in the place of theirs in ``old``; the others stay."""
    fresh = new["machine"]
    kept = [row for row in old["summary"] if row["part"] not in fresh]
    before = {row["part"]: old["machine"][row["part"]] for row in kept}
    load = {
        part: cores
        for part, cores in old["other_load_cores"].items()
        if part in before and part not in fresh
    }
    return told_of(
        [*kept, *new["summary"]], {**before, **fresh}, {**load, **new["other_load_cores"]}
    )


def save(told: dict[str, Any]) -> None:
    """Write the numbers for README beside those of the parts that were not measured now."""
    if SAVED.exists():
        told = merged(json.loads(SAVED.read_text(encoding="utf-8")), told)
    SAVED.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")


def measure(only: list[str], rounds: int) -> tuple[list[Row], dict[str, float]]:
    """Run the parts; rows, and the other load of the machine in each part as a share of a core."""
    rows: list[Row] = []
    others: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as folder:
        print("Making clips ...", file=sys.stderr)
        _output("--child", "make", folder)
        for part in only:
            busy, own, start = machine_busy_s(), own_busy_s(), time.perf_counter()
            rows.extend(PARTS[part](Path(folder), rounds))
            after, spent = machine_busy_s(), time.perf_counter() - start
            if busy is not None and after is not None:
                others[part] = round((after - busy - (own_busy_s() - own)) / spent, 2)
            print(f"({part}) done, other load {others.get(part, '?')} cores", file=sys.stderr)
    return rows, others


def main(arguments: list[str]) -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="Measure speed and memory.")
    parser.add_argument("--only", default=",".join(PARTS), help="parts, e.g. a,b")
    parser.add_argument("--rounds", type=int, default=9, help="measured rounds of each pair")
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.add_argument(
        "--save", action="store_true", help="put these parts into scripts/benchmark.json"
    )
    given = parser.parse_args(arguments)
    only = given.only.split(",")
    if set(only) - PARTS.keys():
        parser.error(f"--only takes {', '.join(PARTS)}")
    rows, others = measure(only, given.rounds)
    told = told_of([asdict(row) for row in rows], dict.fromkeys(only, machine()), others)
    if max(others.values(), default=0.0) > BUSY_CORES:
        print("The machine was busy: wall times and two-worker ratios say little.", file=sys.stderr)
    if given.save:
        save(told)
    if given.json:
        print(json.dumps(told, indent=1))
        return
    print(told["where"])
    for row in rows:
        print(f"({row.part}) {row.what}\n      {row.result}   [goal: {row.goal}]")
    print("Load of the rest of the machine, cores:", others or "not told here")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--child"]:
        CHILDREN[sys.argv[2]](*sys.argv[3:])
    else:
        main(sys.argv[1:])
