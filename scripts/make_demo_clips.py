"""Build the labelled clips of ``synthetic_audio/``, or check that they can be built again.

    python scripts/make_demo_clips.py            # write clips, manifest.json and visits.csv
    python scripts/make_demo_clips.py --check    # compare with what is there

Cafés, tags and sounds are invented; nothing here was recorded.

The faulty clips are clear examples (severity 0.9) in which the shipped model
finds its fault: they were picked from several seeds for that, so they show
what an answer looks like and say nothing about how often it is right
(``models/general/CARD.md`` does). ``--check``
compares the hashes of the files and builds every clip again: its samples must
agree in shape and level (codecs and processors differ in the last digits), its
truth to the digits written.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import sys
import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import click
import numpy as np
from numpy.typing import NDArray

from quietrun.machine import Machine
from quietrun.pipeline import analyse
from quietrun.synth import Recipe, render

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / "synthetic_audio"
BIT_RATE = 64_000
#: Another processor may round differently: least correlation, most level difference.
LEAST_CORRELATION = 0.98
MOST_DB = 0.5
Samples = NDArray[np.float32]


@dataclass(frozen=True)
class Demo:
    """One clip of the set.

    Attributes
    ----------
    file : its name
    place, tag : invented café and machine
    says : what is to be heard, for a person
    recipe : how it is made
    """

    file: str
    place: str
    tag: str
    says: str
    recipe: Recipe


def _recipe(seed: int, machine: int, mains_hz: float, **more: Any) -> Recipe:
    poles = more.pop("poles", 4)
    return Recipe(
        seed=seed, machine=machine, mains_hz=mains_hz, poles=poles, room=more.pop("room", 8), **more
    )


DEMOS = (
    Demo(
        "quiet.opus",
        "Brindle & Oat",
        "KILN-2",
        "A healthy machine: click on the way up, even run, click and nothing else on the way down.",
        _recipe(101, 22, 50.0, phone=15, snr_db=27.0),
    ),
    Demo(
        "bearing.opus",
        "Brindle & Oat",
        "KILN-2",
        "The same machine with a damaged spot in a bearing.",
        _recipe(
            200,
            22,
            50.0,
            phone=15,
            snr_db=27.0,
            faults={"bearing_noise": 0.9},
            sources={"bearing_noise": "spots"},
        ),
    ),
    Demo(
        "impeller.opus",
        "Nine Lanterns",
        "ATTIC-1",
        "The blades of the cooling impeller scrape its cover.",
        _recipe(
            207,
            18,
            60.0,
            room=11,
            phone=39,
            snr_db=26.0,
            faults={"impeller_rub": 0.9},
            sources={"impeller_rub": "blades"},
        ),
    ),
    Demo(
        "pre_breaker.opus",
        "Quillwick Coffee",
        "DOCK-5",
        "Worn drive: the pre-breaker knocks at the start and once more when the power goes.",
        _recipe(
            207,
            61,
            50.0,
            room=16,
            phone=44,
            snr_db=28.0,
            faults={"pre_breaker_wobble": 0.9},
            sources={"pre_breaker_wobble": "reknock"},
        ),
    ),
    Demo(
        "burrs.opus",
        "Tallow Street Roasters",
        "BAY-3",
        "The burrs touch over part of each turn.",
        _recipe(
            201,
            31,
            60.0,
            room=17,
            phone=57,
            snr_db=27.0,
            faults={"burr_contact": 0.9},
            sources={"burr_contact": "ringing_tangs"},
        ),
    ),
    Demo(
        "beans.opus",
        "Nine Lanterns",
        "ATTIC-1",
        "Beans are in it: nothing can be said about the machine.",
        _recipe(114, 11, 60.0, room=11, phone=39, problem="loaded_run"),
    ),
)


def encoded(samples: Samples, rate_hz: int) -> bytes:
    """Opus in an Ogg file."""
    import av

    pcm = np.round(np.clip(samples, -1, 1) * 32767).astype(np.int16)[None, :]
    buffer = io.BytesIO()
    with av.open(buffer, "w", format="ogg") as out:
        stream: Any = out.add_stream("libopus", rate=rate_hz)
        stream.layout, stream.bit_rate = "mono", BIT_RATE
        frame = av.AudioFrame.from_ndarray(pcm, format="s16", layout="mono")
        frame.sample_rate = rate_hz
        for packet in [*stream.encode(frame), *stream.encode(None)]:
            out.mux(packet)
    return buffer.getvalue()


def decoded(data: bytes) -> tuple[Samples, int]:
    """Samples and rate of an encoded clip."""
    import av

    with av.open(io.BytesIO(data), "r") as source:
        frames = [(f.to_ndarray().reshape(-1), f.sample_rate) for f in source.decode(audio=0)]
    return np.concatenate([x for x, _ in frames]), frames[0][1]


def verdict_of(data: bytes, stage: str) -> str:
    """What the shipped model says of an encoded clip."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip.opus"
        path.write_bytes(data)
        return analyse(path, machine=Machine(stage=stage)).verdict.word


def build(demo: Demo) -> tuple[bytes, dict[str, Any]]:
    """Make a clip: bytes of its file, and its row of the manifest."""
    sound = render(demo.recipe)
    samples = sound.samples if sound.samples.ndim == 1 else sound.samples[:, 0]
    data = encoded(samples, sound.rate_hz)
    truth = {k: v for k, v in sound.truth.items() if k != "speed_track"}
    row = {
        "file": demo.file,
        "place": demo.place,
        "machine": demo.tag,
        "says": demo.says,
        "seed": demo.recipe.seed,
        "verdict": verdict_of(data, demo.recipe.stage),
        "sha256": hashlib.sha256(data).hexdigest(),
        "recipe": asdict(demo.recipe),
        "truth": truth,
    }
    return data, row


def write_all(folder: Path) -> None:
    """Write the clips, their manifest and a table for ``quietrun batch``."""
    folder.mkdir(parents=True, exist_ok=True)
    rows = []
    for demo in DEMOS:
        data, row = build(demo)
        (folder / demo.file).write_bytes(data)
        rows.append(row)
    text = json.dumps({"made_by": "scripts/make_demo_clips.py", "clips": rows}, indent=1)
    (folder / "manifest.json").write_text(text + "\n", encoding="utf-8")
    with (folder / "visits.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(["clip", "machine", "stage", "mains_hz", "poles", "note"])
        for demo in DEMOS:
            r = demo.recipe
            table.writerow(
                [demo.file, demo.tag, r.stage, f"{r.mains_hz:g}", r.poles, f"{demo.place}: made up"]
            )


def _differences(path: str, was: Any, now: Any) -> list[str]:
    """Leaves of two nested values that differ by more than a rounding."""
    if isinstance(was, dict) and isinstance(now, dict) and was.keys() == now.keys():
        return [d for key in was for d in _differences(f"{path}.{key}", was[key], now[key])]
    if isinstance(was, list) and isinstance(now, list) and len(was) == len(now):
        pairs = enumerate(zip(was, now, strict=True))
        return [d for i, (a, b) in pairs for d in _differences(f"{path}[{i}]", a, b)]
    if isinstance(was, float) and isinstance(now, float | int):
        near = abs(was - now) <= 0.02 + 1e-3 * abs(was)
        return [] if near else [f"{path}: {was} is now {now}"]
    return [] if was == now else [f"{path}: {was!r} is now {now!r}"]


def compare_samples(was: Samples, now: Samples) -> tuple[float, float]:
    """Correlation and level difference (dB) of two clips of about the same length."""
    n = min(was.size, now.size)
    a, b = was[:n].astype(np.float64), now[:n].astype(np.float64)
    power_a, power_b = float(a @ a) + 1e-20, float(b @ b) + 1e-20
    correlation = float(a @ b) / np.sqrt(power_a * power_b)
    return correlation, 10.0 * float(np.log10(power_b / power_a))


def check_clip(folder: Path, demo: Demo, row: dict[str, Any]) -> list[str]:
    """What is wrong with one shipped clip; empty when all is well."""
    path = folder / demo.file
    if not path.exists():
        return [f"{demo.file} is missing"]
    data = path.read_bytes()
    wrong = []
    if hashlib.sha256(data).hexdigest() != row["sha256"]:
        wrong.append(f"{demo.file} is not the file of the manifest (hash)")
    built, fresh = build(demo)
    was, rate = decoded(data)
    now, new_rate = decoded(built)
    if rate != new_rate or abs(was.size - now.size) > rate // 50:
        return [*wrong, f"{demo.file}: {was.size} samples at {rate}, now {now.size} at {new_rate}"]
    correlation, level_db = compare_samples(was, now)
    if correlation < LEAST_CORRELATION or abs(level_db) > MOST_DB:
        wrong.append(f"{demo.file}: correlation {correlation:.4f}, level {level_db:+.2f} dB")
    for part in ("recipe", "truth"):
        wrong += _differences(f"{demo.file} {part}", row[part], json.loads(json.dumps(fresh[part])))
    return wrong


def check_all(folder: Path) -> list[str]:
    """What is wrong with the shipped set; empty when all is well."""
    manifest = folder / "manifest.json"
    if not manifest.exists():
        return [f"{manifest} is missing: run scripts/make_demo_clips.py"]
    rows = {r["file"]: r for r in json.loads(manifest.read_text(encoding="utf-8"))["clips"]}
    wrong = [f"{name} is in the manifest only" for name in rows.keys() - {d.file for d in DEMOS}]
    for demo in DEMOS:
        if demo.file not in rows:
            wrong.append(f"{demo.file} is not in the manifest")
        else:
            wrong += check_clip(folder, demo, rows[demo.file])
    return wrong


@click.command()
@click.option("--check", is_flag=True, help="Compare with what is there; write nothing.")
@click.option("--folder", type=click.Path(path_type=Path), default=FOLDER, show_default=True)
def main(check: bool, folder: Path) -> None:
    """Build the demonstration clips, or check them."""
    if not check:
        write_all(folder)
        size = sum(p.stat().st_size for p in folder.iterdir())
        click.echo(f"{len(DEMOS)} clips in {folder}, {size / 1e6:.2f} MB")
        return
    wrong = check_all(folder)
    for line in wrong:
        click.echo(line, err=True)
    click.echo(f"{len(DEMOS)} clips checked, {len(wrong)} differences", err=bool(wrong))
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
