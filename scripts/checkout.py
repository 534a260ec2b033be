"""Make ``.venv`` in the checkout and put quietrun into it; for the scripts beside this one.

Standard library only, and written so that an old Python gets as far as the
message that it is too old.
"""

from __future__ import annotations

import hashlib
import importlib.util
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
VENV = ROOT / ".venv"
OLDEST = (3, 11)


class SetupError(SystemExit):
    """Something a person has to do first; the text says what."""


def say(text: str) -> None:
    """Print a line of progress at once."""
    print(text, flush=True)


def stop(what: str, do: str) -> SetupError:
    """Build the error that ends a script: what is wrong and what to do."""
    return SetupError(f"\nStopped: {what}\nDo:      {do}")


def venv_python(venv: Path = VENV) -> Path:
    """Path of the Python inside a virtual environment."""
    if os.name == "nt":
        return venv / "Scripts" / "python.exe"
    return venv / "bin" / "python"


def check_python(version: tuple[int, ...] | None = None) -> None:
    """Stop with a clear message where this Python cannot carry quietrun."""
    version = tuple(sys.version_info[:3]) if version is None else version
    if version < OLDEST:
        need = ".".join(map(str, OLDEST))
        raise stop(
            f"quietrun needs Python {need} or newer; this is {'.'.join(map(str, version))}.",
            f"Run this script with a newer one, for example: python{need} {sys.argv[0]}",
        )


def check_venv_module() -> None:
    """Stop with a clear message where Python came without ``venv`` or ``ensurepip``."""
    missing = [name for name in ("venv", "ensurepip") if importlib.util.find_spec(name) is None]
    if missing:
        raise stop(
            f"this Python came without its module {missing[0]}, which makes .venv.",
            "On Debian or Ubuntu: sudo apt install python3-venv (for another Python than the "
            "system's: its own -venv package). Elsewhere: install Python from python.org.",
        )


def _answers(python: Path) -> bool:
    try:
        done = subprocess.run([str(python), "-c", "import pip"], capture_output=True, timeout=60)
    except (OSError, subprocess.TimeoutExpired):
        return False
    return done.returncode == 0


def _make_venv() -> None:
    check_venv_module()
    if VENV.exists():
        say("The .venv that is here does not work; making a new one.")
        shutil.rmtree(VENV)
    say("Making .venv (a folder with its own Python packages; nothing else is touched) ...")
    done = subprocess.run([sys.executable, "-m", "venv", str(VENV)], capture_output=True, text=True)
    if done.returncode:
        shutil.rmtree(VENV, ignore_errors=True)
        raise stop(
            f"making .venv failed:\n{(done.stderr or done.stdout).strip()}",
            "See the lines above; often a full disk or a folder you may not write to.",
        )


def _wanted(extra: str) -> str:
    """Hash all that decides what has to be installed."""
    told = [str(ROOT), sys.version, extra, (ROOT / "pyproject.toml").read_text(encoding="utf-8")]
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()


def _install(extra: str) -> None:
    target = f"{ROOT}[{extra}]" if extra else str(ROOT)
    say("Installing quietrun and the libraries it stands on (some minutes the first time) ...")
    done = subprocess.run(
        [str(venv_python()), "-m", "pip", "install", "--quiet", "--editable", target],
        capture_output=True,
        text=True,
    )
    if done.returncode:
        tail = "\n".join((done.stderr or done.stdout).strip().splitlines()[-12:])
        raise stop(
            f"pip could not install quietrun:\n{tail}",
            "Read the lines above (most often the network); then run this script again.",
        )


def ready(extra: str = "") -> Path:
    """Give back the Python of a ``.venv`` that holds quietrun, making both where needed.

    Parameters
    ----------
    extra : str
        Extra of pyproject.toml to install, e.g. ``"dev"``.
    """
    check_python()
    python = venv_python()
    if not _answers(python):
        _make_venv()
    stamp = VENV / f"quietrun-{extra or 'plain'}.stamp"
    wanted = _wanted(extra)
    if not stamp.exists() or stamp.read_text(encoding="utf-8") != wanted:
        _install(extra)
        stamp.write_text(wanted, encoding="utf-8")
    return python
