"""Look at the installation. Nothing is changed; what is written for a try is removed again."""

from __future__ import annotations

import locale
import os
import platform
import re
import shutil
import sqlite3
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np

from quietrun import __version__
from quietrun.doctor.private import shown, without_names, working_folder
from quietrun.doctor.types import Checkup, Codec, Place, Trouble
from quietrun.errors import QuietrunError

#: Libraries of the extras, by the extra that brings them.
EXTRAS = {"sounddevice": "record", "scikit-learn": "train", "dask": "cluster"}
#: Formats of the README: name, codec as ``synth.codecs`` or libsndfile has it, FFmpeg's decoder.
CODED = (
    ("m4a (AAC)", "aac", "aac"),
    ("m4a (ALAC)", "alac", "alac"),
    ("opus", "opus", "opus"),
    ("mp3", "mp3", "mp3"),
    ("amr", "amr", "amrnb"),
)
PLAIN = (("wav", "WAV"), ("flac", "FLAC"), ("ogg (Vorbis)", "OGG"), ("aiff", "AIFF"))
TONE_HZ, RATE_HZ = 997.0, 48_000
LEAST_FREE_MB = 50


def look(home: str | os.PathLike[str] | None = None) -> Checkup:
    """Look at everything; what fails is a trouble, never an exception.

    Parameters
    ----------
    home : folder of the logbook; None: ``QUIETRUN_HOME`` or the user's data folder
    """
    troubles: list[Trouble] = []
    codecs = _careful(_codecs, "Sound files cannot be tried", troubles, ())
    troubles.extend(_not_decoded(codecs))
    return Checkup(
        versions=tuple(_versions(troubles)),
        codecs=codecs,
        inputs=_careful(lambda: _inputs(troubles), "Inputs cannot be listed", troubles, None),
        places=tuple(_places(home, troubles)),
        logbook=_logbook(home, troubles),
        model=_careful(_model, "The model does not load", troubles, None),
        terminal=tuple(_terminal()),
        self_test=_careful(_self_test, "A made-up clip cannot be judged", troubles, "failed"),
        troubles=tuple(troubles),
    )


def _careful(did: Callable[[], Any], what: str, troubles: list[Trouble], instead: Any) -> Any:
    """Do it; an exception of any kind becomes a trouble, for finding those is the job."""
    try:
        return did()
    except Exception as error:
        told = (
            error.what if isinstance(error, QuietrunError) else f"{type(error).__name__}: {error}"
        )
        troubles.append(
            Trouble(
                f"{what}: {without_names(told)}",
                "Part of quietrun cannot do its work.",
                "Install quietrun again: pip install --force-reinstall quietrun",
            )
        )
        return instead


def _numbers(version: str) -> tuple[int, ...]:
    return tuple(int(one) for one in re.findall(r"\d+", version.split("+")[0])[:3])


def _versions(troubles: list[Trouble]) -> Iterator[tuple[str, str | None]]:
    yield "quietrun", __version__
    yield "python", f"{platform.python_version()} ({platform.python_implementation()})"
    yield "system", f"{platform.system()} {platform.release()} ({platform.machine()})"
    for name, least in _needed():
        have = _installed(name)
        yield name, have
        if have is not None and _numbers(have) >= _numbers(least):
            continue
        if have is None and name in EXTRAS:
            continue
        troubles.append(
            Trouble(
                f"{name} is {'not installed' if have is None else have}; {least} is needed.",
                "Results with other versions are not known.",
                f"pip install --upgrade '{name}>={least}'",
            )
        )
    yield from _inner_versions()


def _needed() -> list[tuple[str, str]]:
    """Read which libraries quietrun asks for, with the least version of each."""
    try:
        asked = metadata.requires("quietrun") or []
    except metadata.PackageNotFoundError:
        return []
    found: dict[str, str] = {}
    for line in asked:
        fits = re.match(r"([A-Za-z0-9_.-]+)(?:\[[^\]]*\])?>=([0-9.]+)(.*)", line)
        if fits and ("extra" not in fits[3] or fits[1] in EXTRAS):
            found.setdefault(fits[1], fits[2])
    return sorted(found.items())


def _installed(name: str) -> str | None:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return None


def _inner_versions() -> Iterator[tuple[str, str | None]]:
    from quietrun.clip.decoders import library_versions

    yield "sqlite", sqlite3.sqlite_version
    try:
        yield from library_versions()
    except (ImportError, OSError, AttributeError):
        return  # the codecs say what is wrong


def _codecs() -> tuple[Codec, ...]:
    """Write a second of a tone in every format that can be written here, and read it back."""
    from quietrun.clip.decoders import can_decode
    from quietrun.synth.codecs import can_encode, encode

    found = []
    with tempfile.TemporaryDirectory(prefix="quietrun-") as folder:
        for name, kind in PLAIN:
            path = Path(folder) / "plain"
            _write_plain(path, kind)
            found.append(Codec(name, _hears_tone(path), "tried"))
        for name, codec, decoder in CODED:
            rate_hz = 8000 if codec == "amr" else RATE_HZ
            if not can_encode(codec, rate_hz):
                found.append(Codec(name, can_decode(decoder), "listed"))
                continue
            path = Path(folder) / "coded"
            path.write_bytes(encode(_tone(rate_hz), rate_hz, codec, 0))
            found.append(Codec(name, _hears_tone(path), "tried"))
    return tuple(found)


def _tone(rate_hz: int) -> Any:
    t = np.arange(rate_hz) / rate_hz
    return (0.3 * np.sin(2 * np.pi * TONE_HZ * t)).astype(np.float32)


def _write_plain(path: Path, kind: str) -> None:
    from quietrun.synth.write import write_plain

    write_plain(_tone(RATE_HZ), RATE_HZ, path, kind)


def _hears_tone(path: Path) -> bool:
    from quietrun.clip import read_clip

    try:
        clip = read_clip(path)
    except QuietrunError:
        return False
    if clip.duration_s < 0.9:
        return False
    power = np.abs(np.fft.rfft(clip.samples.astype(np.float64) * np.hanning(clip.samples.size)))
    return abs(float(np.argmax(power)) / clip.duration_s - TONE_HZ) < 10.0


def _not_decoded(codecs: tuple[Codec, ...]) -> Iterator[Trouble]:
    bad = [codec.name for codec in codecs if not codec.decodes]
    if bad:
        yield Trouble(
            f"Sound files of these kinds cannot be read: {', '.join(bad)}.",
            "Clips of this kind will be refused.",
            "Install the decoders again: pip install --force-reinstall av soundfile",
        )


def _inputs(troubles: list[Trouble]) -> tuple[str, ...] | None:
    """Name the inputs where recording is installed; a missing PortAudio is a trouble only then."""
    from quietrun.clip import microphone

    if _installed("sounddevice") is None:
        return None
    try:
        found = microphone.inputs(microphone.load_backend())
    except QuietrunError as error:
        troubles.append(Trouble(without_names(error.what), error.why, error.do))
        return ()
    return tuple(
        without_names(
            f"{'*' if one.default else ' '} {one.index} {one.name} ({one.api}), "
            f"{one.channels} ch, {one.rate_hz:g} Hz"
        )
        for one in found
    )


def _places(home: str | os.PathLike[str] | None, troubles: list[Trouble]) -> Iterator[Place]:
    from quietrun.logbook.home import VARIABLE, home_folder

    uses = [("temporary files", Path(tempfile.gettempdir())), ("working folder", Path(os.curdir))]
    told = "--home" if home else VARIABLE if os.environ.get(VARIABLE) else "your data folder"
    try:
        uses.insert(0, (f"logbook ({told})", home_folder(home)))
    except QuietrunError as error:
        troubles.append(Trouble(without_names(error.what), error.why, error.do))
    for use, folder in uses:
        place = _place(use, folder)
        yield place
        if not place.writable and use != "working folder":
            troubles.append(
                Trouble(
                    f"The folder for the {use} cannot be written to: {place.shown}",
                    "Nothing can be kept there.",
                    "Give yourself the right to write there, or choose another folder with "
                    "--home or QUIETRUN_HOME (TMPDIR for temporary files).",
                )
            )
        elif place.free_mb is not None and place.free_mb < LEAST_FREE_MB:
            troubles.append(
                Trouble(
                    f"The disk of the {use} is nearly full: {place.free_mb} MB are free.",
                    "Answers and the logbook may not find room.",
                    "Free some space.",
                )
            )


def _place(use: str, folder: Path) -> Place:
    """Try to write into a folder, or into the nearest one above it that is there."""
    there = Path(working_folder(), folder)
    while not os.path.isdir(there) and there != there.parent:
        there = there.parent
    try:
        with tempfile.TemporaryFile(dir=there) as file:
            file.write(b"quietrun")
            file.flush()
        writable = True
    except OSError:
        writable = False
    try:
        free_mb: int | None = shutil.disk_usage(there).free // 1_000_000
    except OSError:
        free_mb = None
    where = "(where you are)" if use == "working folder" else shown(folder)
    return Place(use, where, writable, free_mb)


def _logbook(home: str | os.PathLike[str] | None, troubles: list[Trouble]) -> str:
    """Say whether there is a book and whether it opens; one that is not there is not made."""
    from quietrun.logbook.home import book_path

    try:
        path = book_path(home)
        if path is None:
            return "none yet"
        size = path.stat().st_size
        address = f"{path.absolute().as_uri()}?mode=ro{_still(path)}"
        with closing(sqlite3.connect(address, uri=True, timeout=2.0)) as db:
            version = db.execute("PRAGMA user_version").fetchone()[0]
            said = db.execute("PRAGMA quick_check(1)").fetchone()[0]
    except QuietrunError:  # told with the places
        return "nowhere"
    except (OSError, sqlite3.Error) as error:
        said, version, size = str(error), "?", 0
    if said != "ok":
        troubles.append(
            Trouble(
                f"The logbook cannot be read: {without_names(str(said))}.",
                "History and limits of machines are not at hand.",
                "quietrun logbook check, and put back a copy of the file if it is damaged.",
            )
        )
        return "there, but cannot be read"
    return f"there, {size / 1e6:.1f} MB, version {version}"


def _still(path: Path) -> str:
    """Tell SQLite that nobody writes where nobody can; without it such a book does not open."""
    writing = os.path.exists(f"{path}-wal") or os.access(path.parent, os.W_OK)
    return "" if writing else "&immutable=1"


def _model() -> tuple[str, str]:
    from quietrun.pipeline import general_model

    model = general_model()
    return model.name, model.sha256


def _self_test() -> str:
    """Judge a made-up run from sound to verdict."""
    import time

    from quietrun.clip import Clip, Source
    from quietrun.machine import Machine
    from quietrun.pipeline import analyse_clip, general_model
    from quietrun.synth import draw_recipe, render

    fixed: dict[str, Any] = {"faults": {}, "snr_db": 35.0, "mains_hz": 50.0, "phone": 0}
    made = render(draw_recipe(np.random.default_rng(1), **fixed))
    source = Source("made", None, None, None, "", 1, 0, len(made.samples) / made.rate_hz)
    samples = np.array(made.samples, dtype=np.float32)
    start = time.perf_counter()
    analysis = analyse_clip(
        Clip(samples, float(made.rate_hz), source), machine=Machine(), model=general_model()
    )
    took_s = time.perf_counter() - start
    if analysis.run is None or analysis.run.power_off_s is None:
        raise QuietrunError("the run in it was not found", "", "")
    return f"a made-up run of {source.duration_s:.0f} s was judged in {took_s:.2f} s"


def _terminal() -> Iterator[tuple[str, str]]:
    out = sys.stdout
    yield "encoding", str(getattr(out, "encoding", None))
    yield "terminal", "yes" if out is not None and out.isatty() else "no (a pipe or file)"
    yield "file names", sys.getfilesystemencoding()
    yield "locale", ".".join(str(one) for one in locale.getlocale())
    yield "processors", str(os.cpu_count())
    for name in ("QUIETRUN_HOME", "QUIETRUN_DEBUG", "NO_COLOR", "TERM"):
        value = os.environ.get(name)
        said = "not set" if value is None else "set"
        yield name, value if value is not None and name in ("TERM", "NO_COLOR") else said
