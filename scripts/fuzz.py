"""Feed damaged input to every reader of files from outside, and keep what breaks one.

    python scripts/fuzz.py --minutes 3 [--target decode] [--engine coverage] [--save FOLDER]

Targets: ``decode`` (sound files), ``manifest``, ``machine`` (TOML and JSON), ``model`` and
``logbook`` (import of an export). A reader may answer, or refuse with a ``QuietrunError``;
anything else (another exception, a hang, too much memory, a crash of the process) is a finding:
the input is saved and the exit code is 1.

Engine ``coverage`` is atheris, guided by which lines an input reaches (taken where it is
installed: ``pip install atheris``; it is for Linux and some Python versions only). Engine
``edits`` is hypothesis: lists of edits to good files, made smaller until nothing can go.
"""

from __future__ import annotations

import argparse
import contextlib
import faulthandler
import hashlib
import importlib.util
import io
import json
import os
import resource
import signal
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
HANG_S = 20
MEMORY_BYTES = 3 << 30  # of address space beyond what is loaded
#: Pieces that readers trip over, put in anywhere.
TOKENS = (
    *(b"\x00", b"\xff", b"\xff\xff\xff\xff", b"\x80\0\0\0", b"\0\0\0\x80", b"\x7f\xff\xff\xff"),
    *(b"nan", b"NaN", b"Infinity", b"-1", b"0", b"1e999", b"1e-999", b"9" * 400, b"0x10"),
    *(b"null", b"true", b"[]", b"{}", b'""', b'"\\ud800"', b"[" * 3000, b'{"a":' * 500),
    *(b"\r", b"\n", b"\r\n", b"\t", b";", b",", b'"', b"'", b"\xef\xbb\xbf", b"\xed\xa0\x80"),
    *(b"../../etc/passwd", b"/dev/zero", b"=1+1", b"2026-02-30", b"9999-12-31T23:59:60+99:99"),
    *("é☃‮".encode(), "٣".encode(), b"A" * 70_000, b"fLaC", b"RIFF", b"OggS", b"moov", b"mdat"),
)

Target = Callable[[bytes], None]


# --- targets -----------------------------------------------------------------------------------


@contextlib.contextmanager
def _as_file(data: bytes, suffix: str = "") -> Iterator[Path]:
    """Give bytes as a file in memory where there is such a place."""
    shm = "/dev/shm"  # noqa: S108
    place = shm if os.access(shm, os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="quietrun-fuzz-", dir=place) as folder:
        path = Path(folder) / f"input{suffix}"
        path.write_bytes(data)
        yield path


def decode(data: bytes) -> None:
    """Read a sound file."""
    import numpy as np

    from quietrun.clip import read_clip

    with _as_file(data) as path:
        clip = read_clip(path, keep_s=5.0)
    if not np.isfinite(clip.samples).all():
        raise AssertionError("samples that are no numbers came through")


def manifest(data: bytes) -> None:
    """Read a manifest, and what its lines mean."""
    from quietrun.batch.manifest import item_of, read_manifest

    with _as_file(data, ".csv") as path:
        for entry in read_manifest(str(path)).entries:
            item_of(entry, str(path.parent))


def machine(data: bytes) -> None:
    """Read a machine file, as TOML and as JSON."""
    from quietrun.errors import QuietrunError
    from quietrun.machine.file import load

    for suffix in (".toml", ".json"):
        with contextlib.suppress(QuietrunError), _as_file(data, suffix) as path:
            load(path)


def model(data: bytes) -> None:
    """Read a model, and score a run with it."""
    from quietrun.judge import load_model

    with _as_file(data, ".json") as path:
        read = load_model(path)
    for card in (*read.cards.values(), read.unknown):
        for term in card.terms:
            for value in (None, 0.0, 1e300, -1e300):
                term.of(value)


def logbook(data: bytes) -> None:
    """Import an export into an empty book, which must stay sound."""
    from quietrun.errors import QuietrunError
    from quietrun.logbook.exchange import export_book, import_book, read_export
    from quietrun.logbook.store import open_logbook

    with _as_file(data, ".json") as path, open_logbook(path.parent / "home") as book:
        try:
            import_book(book, read_export(path))
        except QuietrunError:
            if book.rows("SELECT 1 FROM machines"):
                raise AssertionError("a refused import left something behind") from None
            raise
        if book.row("PRAGMA integrity_check")[0] != "ok":  # type: ignore[index]
            raise AssertionError("the book is damaged")
        json.dumps(export_book(book), allow_nan=False)


TARGETS: dict[str, Target] = {
    "decode": decode,
    "manifest": manifest,
    "machine": machine,
    "model": model,
    "logbook": logbook,
}


# --- good files to begin with ------------------------------------------------------------------


def _sounds() -> Iterator[bytes]:
    import numpy as np
    import soundfile

    from quietrun.synth.codecs import can_encode, encode

    tone = (0.3 * np.sin(np.arange(4800) * 0.3)).astype(np.float32)
    for kind, subtype in (
        *(("WAV", "PCM_16"), ("WAV", "FLOAT"), ("WAVEX", "PCM_24"), ("WAV", "MS_ADPCM")),
        *(("FLAC", "PCM_16"), ("OGG", "VORBIS"), ("AIFF", "PCM_16"), ("AU", "ULAW")),
        *(("CAF", "ALAC_16"), ("RF64", "PCM_16"), ("W64", "PCM_16")),
    ):
        out = io.BytesIO()
        soundfile.write(out, tone, 48_000, subtype, format=kind)
        yield out.getvalue()
    for codec in ("aac", "alac", "opus", "mp3", "amr"):
        rate_hz = 8_000 if codec == "amr" else 48_000
        if can_encode(codec, rate_hz):
            yield encode(tone, rate_hz, codec, 0)


def _manifests() -> Iterator[bytes]:
    yield (
        b"clip,machine,stage,mains_hz,poles,date,phone,note\n"
        b'mon/rec1.m4a,B-014,motor_only,50,4,2026-03-02,shop phone,"before, after"\n'
        b"rec2.m4a,B-014,assembled,,,,,\n"
    )
    yield "\ufeffclip;note\r\nä.wav;größer\r\n".encode()
    yield b"clip\tdate\na.wav\t2026-03-02T10:00+01:00\n"


def _machines() -> Iterator[bytes]:
    from quietrun.machine.file import EXAMPLE

    yield EXAMPLE.encode()
    yield (
        b'{"schema": "quietrun/machine-1", "id": "B", "mains_hz": 50, "poles": 4, "bearings": '
        b'["6203", {"balls": 8, "ball_mm": 6.75, "pitch_mm": 28.5, "contact_deg": 0}]}'
    )


def _models() -> Iterator[bytes]:
    from quietrun.judge.model import default_path

    yield default_path().read_bytes()


def _books() -> Iterator[bytes]:
    """A book with every table filled: the tests' own example where they are here."""
    sys.path.insert(0, str(ROOT / "tests"))
    import test_logbook_exchange as example

    from quietrun.logbook.exchange import export_book
    from quietrun.logbook.store import open_logbook

    with tempfile.TemporaryDirectory() as home, open_logbook(home) as book:
        example.fill(book)
        yield json.dumps(export_book(book)).encode()


SEEDS: dict[str, Callable[[], Iterator[bytes]]] = {
    "decode": _sounds,
    "manifest": _manifests,
    "machine": _machines,
    "model": _models,
    "logbook": _books,
}


# --- edits -------------------------------------------------------------------------------------

#: (what, where as a share of the file, length, value)
Edit = tuple[str, float, int, int]
KINDS = ("flip", "byte", "token", "number", "cut", "drop", "double", "zero")


def edited(data: bytes, edits: list[Edit]) -> bytes:
    """Apply edits, one after the other."""
    out = bytearray(data)
    for kind, share, length, value in edits:
        at = min(int(share * len(out)), max(0, len(out) - 1))
        end = min(len(out), at + length)
        if kind == "flip" and out:
            out[at] ^= 1 << value % 8
        elif kind == "byte" and out:
            out[at] = value % 256
        elif kind == "token":
            out[at:at] = TOKENS[value % len(TOKENS)]
        elif kind == "number":
            _put_number(out, at, TOKENS[value % len(TOKENS)])
        elif kind == "cut":
            del out[at:]
        elif kind == "drop":
            del out[at:end]
        elif kind == "double":
            out[at:at] = out[at:end] * (1 + value % 50)
        elif kind == "zero":
            out[at:end] = bytes(end - at)
    return bytes(out[: 1 << 20])


def _put_number(out: bytearray, at: int, token: bytes) -> None:
    """Replace the next run of digits by a token."""
    while at < len(out) and not chr(out[at]).isdigit():
        at += 1
    end = at
    while end < len(out) and chr(out[end]) in "0123456789.eE+-":
        end += 1
    out[at:end] = token


class Hangs(BaseException):
    """One input takes too long."""


def tried(target: str, data: bytes, save: Path) -> str | None:
    """Run one input; what went wrong, or None. It is saved first, in case the process dies."""
    from quietrun.errors import QuietrunError

    last = save / f"{target}-last"
    last.write_bytes(data)
    signal.alarm(HANG_S)
    try:
        TARGETS[target](data)
    except QuietrunError:
        return None
    except Hangs:
        return f"no answer within {HANG_S} s"
    except Exception as error:
        return f"{type(error).__name__}: {error}"
    finally:
        signal.alarm(0)
    return None


def _hangs(*_: object) -> None:
    raise Hangs


def keep(target: str, data: bytes, said: str, save: Path) -> Path:
    """Save an input that broke a reader."""
    path = save / f"{target}-{hashlib.sha256(data).hexdigest()[:12]}"
    path.write_bytes(data)
    print(f"FOUND {target}: {said}\n  input: {path}", flush=True)
    return path


def by_edits(target: str, seconds: float, save: Path, seed: int = 0) -> int:
    """Search with hypothesis; number of inputs that were tried, or -1 after a finding."""
    from hypothesis import HealthCheck, Phase, given, settings
    from hypothesis import seed as seeded
    from hypothesis import strategies as st

    goods = list(SEEDS[target]())
    edit = st.tuples(
        st.sampled_from(KINDS), st.floats(0, 1), st.integers(1, 2000), st.integers(0, 2**16)
    )
    end_s = time.monotonic() + seconds
    count, worst = 0, []

    def search(good: bytes, edits: list[Edit]) -> None:
        nonlocal count
        if time.monotonic() > end_s:
            return
        count += 1
        data = edited(good, edits)
        said = tried(target, data, save)
        if said is not None:
            worst.append((len(data), data, said))
            raise AssertionError(said)

    for number in range(10_000):
        if time.monotonic() > end_s:
            break
        run = settings(
            max_examples=300,
            deadline=None,
            database=None,
            phases=(Phase.generate, Phase.shrink),
            suppress_health_check=list(HealthCheck),
        )(given(st.sampled_from(goods), st.lists(edit, min_size=1, max_size=8))(search))
        try:
            seeded(1000 * seed + number)(run)()
        except BaseException as error:
            if not worst:
                raise
            if isinstance(error, KeyboardInterrupt):
                raise
            _, data, said = min(worst)
            keep(target, data, said, save)
            return -1
    return count


def by_coverage(target: str, seconds: float, save: Path) -> int:
    """Search with atheris in this process, which it ends."""
    import atheris

    with atheris.instrument_imports(include=["quietrun"]):
        import quietrun.batch.manifest
        import quietrun.clip.read
        import quietrun.judge
        import quietrun.logbook.exchange
        import quietrun.machine.file  # noqa: F401

    corpus = save / f"{target}-corpus"
    corpus.mkdir(exist_ok=True)
    for number, data in enumerate(SEEDS[target]()):
        (corpus / f"seed-{number}").write_bytes(data)

    def one(data: bytes) -> None:
        said = tried(target, data, save)
        if said is not None:
            keep(target, data, said, save)
            raise RuntimeError(said)

    atheris.Setup(
        [
            sys.argv[0],
            str(corpus),
            f"-max_total_time={max(1, int(seconds))}",
            "-max_len=100000",
            f"-artifact_prefix={save}/{target}-atheris-",
            "-verbosity=0",
            "-print_final_stats=1",
            "-rss_limit_mb=3000",
        ],
        one,
    )
    atheris.Fuzz()
    return 0


def _one_target(target: str, seconds: float, engine: str, save: Path, seed: int) -> int:
    """Work of a child process: one target for its time."""
    signal.signal(signal.SIGALRM, _hangs)
    faulthandler.enable()
    warnings.simplefilter("ignore")
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    if engine == "coverage":
        return by_coverage(target, seconds, save)
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, resource.RLIM_INFINITY))
    count = by_edits(target, seconds, save, seed)
    if count < 0:
        return 1
    print(f"{target}: {count} inputs, nothing found", flush=True)
    return 0 if count else 1


def run(arguments: list[str]) -> int:
    """Run each target in a process of its own; 0 when nothing was found."""
    parser = argparse.ArgumentParser(description="Look for input that breaks a reader.")
    parser.add_argument("--minutes", type=float, default=3.0, help="in all, for all targets")
    parser.add_argument("--target", choices=TARGETS, action="append", help="only these")
    parser.add_argument("--engine", choices=("auto", "coverage", "edits"), default="auto")
    parser.add_argument("--save", type=Path, help="folder for findings (else a temporary one)")
    parser.add_argument("--seed", type=int, default=0, help="another number: other edits")
    parser.add_argument("--child", action="store_true", help=argparse.SUPPRESS)
    told: Any = parser.parse_args(arguments)
    engine = told.engine
    if engine == "auto":
        engine = "coverage" if importlib.util.find_spec("atheris") else "edits"
    targets = told.target or list(TARGETS)
    save = told.save or Path(tempfile.mkdtemp(prefix="quietrun-fuzz-"))
    save.mkdir(parents=True, exist_ok=True)
    seconds = 60.0 * told.minutes / len(targets)
    if told.child:
        return _one_target(targets[0], seconds, engine, save, told.seed)
    failed = [target for target in targets if not _child(target, seconds, engine, save, told.seed)]
    print(f"Engine {engine}. " + (f"FOUND in: {', '.join(failed)}" if failed else "All sound."))
    return 1 if failed else 0


def _child(target: str, seconds: float, engine: str, save: Path, seed: int) -> bool:
    """Run one target; True when its process ended well."""
    print(f"-- {target}: {seconds:.0f} s", flush=True)
    command = [sys.executable, __file__, "--child", "--target", target, "--save", str(save)]
    command += ["--minutes", str(seconds / 60), "--engine", engine, "--seed", str(seed)]
    try:
        done = subprocess.run(command, timeout=seconds + 60 + 3 * HANG_S, cwd=ROOT)
    except subprocess.TimeoutExpired:
        print(f"FOUND {target}: the process hangs, input: {save / f'{target}-last'}")
        return False
    if done.returncode < 0:
        print(f"FOUND {target}: the process died, input: {save / f'{target}-last'}")
    return done.returncode == 0


if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))
