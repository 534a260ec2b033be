"""Test with a newer Python than this one, and with the newest libraries that it takes.

    python3 scripts/newest.py [arguments for pytest]

Standard library only. Where one is root on Debian with ``debootstrap``, takes the Python of
Debian's unstable, in a folder of its own (``.cache/newest``; nothing outside it is touched); else
the newest one that is installed beside this one. Libraries are the newest that install. Exits
with pytest's code; 0, and says so, where no newer Python is to be had or nothing can be installed.
"""

from __future__ import annotations

import os
import shlex
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import checkout

PLACE = checkout.ROOT / ".cache" / "newest"
HERE = "/quietrun"  # the checkout's copy within the folder
EXTRAS = "record"
TOOLS = ("hypothesis", "jsonschema", "pytest")
NEWEST = 30  # of 3.x: beyond this nobody looks
#: Every part; without the sound models of other people's making, whose coders come and go.
TESTS = (
    "test_batch_page.py",
    "test_batch_r*.py",
    "test_cli_*.py",
    "test_clip_*.py",
    "test_compare_*.py",
    "test_doctor.py",
    "test_dsp_*.py",
    "test_evidence_*.py",
    "test_fitness_*.py",
    "test_hear_*.py",
    "test_judge_*.py",
    "test_locale_free.py",
    "test_logbook_*.py",
    "test_machine_*.py",
    "test_metamorphic_label.py",
    "test_pictures_arrays.py",
    "test_record_devices.py",
    "test_report_*.py",
    "test_run_*.py",
    "test_tuning_t*.py",
)
#: What a fresh system needs to know of the one around it.
CARRIED = ("/etc/resolv.conf", "/etc/hosts", "/etc/ssl/certs/ca-certificates.crt")
#: Own devices and processes, gone when the command ends.
INSIDE = (
    'mount --rbind /dev "$0/dev" && mount -t proc proc "$0/proc" || exit; '
    '[ ! -d "$SHARED" ] || mount --bind -o ro "$SHARED" "$0/shared" || exit; '
    'exec chroot "$0" env -u PIP_FIND_LINKS HOME=/root LANG=C.UTF-8 "$@"'
)


def beside() -> str | None:
    """Newest Python of this machine that is newer than this one, and works."""
    for minor in range(NEWEST, sys.version_info.minor, -1):
        places = [*Path.home().glob(f".pyenv/versions/3.{minor}.*/bin/python3.{minor}")]
        for path in filter(None, [shutil.which(f"python3.{minor}"), *map(str, places)]):
            asked = [path, "-c", "import ensurepip, ssl, venv"]
            if subprocess.run(asked, capture_output=True, check=False).returncode == 0:
                return path
    return None


def tests(root: Path) -> list[str]:
    """Paths of the tests below a checkout."""
    found = [path for name in TESTS for path in sorted(root.glob(f"tests/{name}"))]
    return [str(path.relative_to(root)) for path in found]


def pytest_command(python: str, arguments: Sequence[str]) -> list[str]:
    """Warnings are errors here too: what is deprecated shall not be used."""
    chosen = list(arguments) or ["-m", "not slow", *tests(checkout.ROOT)]
    return [python, "-m", "pytest", "-q", "-p", "no:cacheprovider", *chosen]


def pip_command(python: str, root: str) -> list[str]:
    """Install the checkout as a user would, and the test tools."""
    what = ["-e", f"{root}[{EXTRAS}]", *TOOLS]
    return [python, "-m", "pip", "install", "--quiet", "--prefer-binary", *what]


def run(*command: str, cwd: Path | None = None) -> int:
    """Run with the output shown; the exit code."""
    env = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    return subprocess.run(command, cwd=cwd, env=env, check=False).returncode


def in_folder(*command: str) -> int:
    """Run a command inside the folder's own system."""
    os.environ["SHARED"] = str(checkout.ROOT.parent / "shared")
    return run("unshare", "--mount", "sh", "-c", INSIDE, str(PLACE), *command)


def make_folder() -> bool:
    """Put Debian's unstable into the folder, and this checkout; False where that does not go."""
    ready = PLACE / "usr" / "bin" / "python3"
    if not ready.exists():
        if os.name != "posix" or os.geteuid() != 0 or shutil.which("debootstrap") is None:
            return False
        shutil.rmtree(PLACE, ignore_errors=True)
        PLACE.mkdir(parents=True)
        wanted = "--include=python3,python3-venv,ca-certificates"
        said = PLACE.with_suffix(".log")
        with said.open("w") as log:
            made = subprocess.run(
                ["debootstrap", "--variant=minbase", wanted, "sid", str(PLACE)],
                stdout=log,
                stderr=subprocess.STDOUT,
                check=False,
            )
        if made.returncode:
            checkout.say(f"debootstrap ended with {made.returncode}; see {said}.")
            return False
    for path in CARRIED:
        if os.path.exists(path):
            shutil.copyfile(path, f"{PLACE}{path}")
    (PLACE / "shared").mkdir(exist_ok=True)
    copy_checkout(PLACE / HERE.strip("/"))
    if in_folder("true"):
        checkout.say(f"The system in {PLACE} cannot be entered from here.")
        return False
    return True


def copy_checkout(target: Path) -> None:
    """Copy what git knows or would take."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "-co", "--exclude-standard"],
        cwd=checkout.ROOT,
        check=True,
        stdout=subprocess.PIPE,
    ).stdout.decode()
    shutil.rmtree(target, ignore_errors=True)
    for name in filter(None, listed.split("\0")):
        if (checkout.ROOT / name).is_file():
            (target / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(checkout.ROOT / name, target / name)


def test_beside(found: str, arguments: list[str]) -> int:
    """Test with a Python that is installed."""
    place = PLACE.with_name("newest-venv")
    python = str(checkout.venv_python(place))
    setting_up = [
        [found, "-m", "venv", "--clear", str(place)],
        pip_command(python, str(checkout.ROOT)),
        [python, "--version"],
    ]
    return set_up_and(
        lambda *step: run(*step, cwd=checkout.ROOT), setting_up, pytest_command(python, arguments)
    )


def test_in_folder(arguments: list[str]) -> int:
    """Test with the Python in the folder."""
    python = "/venv/bin/python"
    setting_up = [
        ["python3", "-m", "venv", "--clear", "/venv"],
        pip_command(python, HERE),
        [python, "--version"],
        [python, "-m", "pip", "list", "--format=freeze", "--exclude-editable"],
    ]
    test = f"cd {HERE} && exec {shlex.join(pytest_command(python, arguments))}"
    return set_up_and(in_folder, setting_up, ["sh", "-c", test])


def set_up_and(do: Callable[..., int], setting_up: list[list[str]], test: list[str]) -> int:
    """Set up, and test; the exit code of the test.

    What others publish may not fit together today. That is no fault of this checkout, so it is
    said and not counted.
    """
    for step in setting_up:
        if code := do(*step):
            checkout.say(f"\n== Not tested: {shlex.join(step)} ended with {code}.")
            return 0
    return do(*test)


def main(arguments: list[str]) -> int:
    """Find a newer Python, install, test."""
    checkout.check_python()
    # a shell that puts this into the background has it ignored, and tests send it
    signal.signal(signal.SIGINT, signal.default_int_handler)
    if make_folder():
        checkout.say("\n== The newest set, in a Debian of its own")
        return test_in_folder(arguments)
    found = beside()
    if found is not None:
        checkout.say(f"\n== The newest set, with {found}")
        return test_beside(found, arguments)
    checkout.say(
        f"\n== Not tested with a newer Python than {sys.version_info.major}."
        f"{sys.version_info.minor}: none is installed here, and none could be fetched."
    )
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
