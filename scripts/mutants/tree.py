"""A copy of what is committed, in which one may break things."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SRC = Path("src") / "quietrun"
#: Address space of a test run: a changed length may ask for anything.
MOST_BYTES = 6 * 2**30


def head() -> str:
    """Name of the commit that is copied."""
    done = subprocess.run(
        ["git", "rev-parse", "HEAD"], cwd=ROOT, check=True, stdout=subprocess.PIPE, text=True
    )
    return done.stdout.strip()


def copy(folder: Path) -> Path:
    """Unpack what is committed into ``folder``/main, with the shared reading beside it."""
    tree = folder / "main"
    tree.mkdir(parents=True)
    packed = subprocess.run(["git", "archive", "HEAD"], cwd=ROOT, stdout=subprocess.PIPE)
    subprocess.run(["tar", "-x", "-C", str(tree)], input=packed.stdout, check=True)
    if packed.returncode:
        raise SystemExit("git archive failed: mutants are made of what is committed.")
    shared = ROOT.parent / "shared"
    if shared.is_dir():
        (folder / "shared").symlink_to(shared)
    return tree


def run_pytest(tree: Path, arguments: list[str], limit_s: float) -> tuple[int | None, str]:
    """Run tests in the copy; exit code, or None when the time was over, and what was said."""
    process = subprocess.Popen(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *arguments],
        cwd=tree,
        env=_environment(tree),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        errors="replace",
        start_new_session=True,
        preexec_fn=_bounded if os.name == "posix" else None,
    )
    try:
        said, _ = process.communicate(timeout=limit_s)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, 9)
        said, _ = process.communicate()
        return None, said
    return process.returncode, said


def hang_ends(limit_s: float) -> list[str]:
    """Give options of pytest that end a run in which one test takes too long (pytest 9)."""
    from _pytest import faulthandler

    if not hasattr(faulthandler, "get_exit_on_timeout_config_value"):
        return []
    names = {"faulthandler_timeout": f"{limit_s:.0f}", "faulthandler_exit_on_timeout": "true"}
    return [word for name, value in names.items() for word in ("-o", f"{name}={value}")]


def can_import(tree: Path, module: str) -> bool:
    """Tell whether a module of the copy can still be imported."""
    command = [sys.executable, "-c", f"import {module}"]
    done = subprocess.run(command, cwd=tree, env=_environment(tree), capture_output=True)
    return done.returncode == 0


def _environment(tree: Path) -> dict[str, str]:
    return {
        **os.environ,
        "PYTHONPATH": str(tree / "src"),
        "OPENBLAS_NUM_THREADS": "1",
        "OMP_NUM_THREADS": "1",
        "PYTHONDONTWRITEBYTECODE": "1",
        "HYPOTHESIS_STORAGE_DIRECTORY": str(tree.parent / "hypothesis"),
    }


def _bounded() -> None:
    import resource

    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))


@contextmanager
def broken(tree: Path, module: str, source: str) -> Iterator[None]:
    """Put a changed module there, and the right one back."""
    path = tree / SRC / module
    right = path.read_bytes()
    for old in (path.parent / "__pycache__").glob(f"{path.stem}.*.pyc"):
        old.unlink()
    path.write_text(source, encoding="utf-8")
    try:
        yield
    finally:
        path.write_bytes(right)
