"""Kill quietrun at random moments and look whether anything was lost.

    python scripts/kill_test.py [--times 50] [--scenario import] [--seed 0]

Four scenarios: a ``batch`` that also logs, ``tune``, ``record`` (with a double of the sound
device) and ``logbook import``. Each run is a process of its own that gets SIGKILL at a moment
drawn from the time that a whole run takes. After each kill: the logbook opens, SQLite's
integrity check says ok, files under the names asked for are whole, and what the program said
it had done is there. Exits 0 when all of that held each time.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
CLIPS = 10
#: Runs for each kill that is asked for: some are over before it comes.
MOST = 8


@dataclass
class Scenario:
    """What is killed, and what must hold afterwards.

    Attributes
    ----------
    folder : its own
    said : what the program had printed when it ended
    """

    folder: Path
    said: str = ""
    notes: dict[str, Any] = field(default_factory=dict)

    def prepare(self) -> None:
        """Before the first run."""

    def begin(self) -> None:
        """Before each run."""

    def arguments(self) -> list[str]:
        """Give the call."""
        raise NotImplementedError

    def check(self, killed: bool) -> None:
        """After each run; raises AssertionError for what was lost."""
        raise NotImplementedError

    def patch(self) -> None:
        """In the process that will be killed."""

    def finish(self) -> None:
        """After the last whole run."""


def need(holds: bool, says: str) -> None:
    """Fail with a message; ``assert`` would go with ``python -O``."""
    if not holds:
        raise AssertionError(says)


def sound_book(home: Path) -> Any:
    """Open the book, which must be sound; None where there is none yet."""
    from quietrun.logbook.home import FILE_NAME
    from quietrun.logbook.store import open_logbook

    if not (home / FILE_NAME).exists():
        return None
    book = open_logbook(home)
    row = book.row("PRAGMA integrity_check")
    need(row is not None and row[0] == "ok", f"the book is damaged: {row and row[0]}")
    need(book.rows("PRAGMA foreign_key_check") == [], "an entry belongs to nothing")
    return book


def count(home: Path, table: str) -> int:
    """Rows of a table; 0 without a book."""
    book = sound_book(home)
    if book is None:
        return 0
    with book:
        return int(book.row(f"SELECT count(*) AS n FROM {table}")["n"])  # noqa: S608


class Import(Scenario):
    """All of an export, or nothing of it."""

    def prepare(self) -> None:
        """Make an export of a book with some hundred entries."""
        sys.path.insert(0, str(ROOT / "tests"))
        import made_logbook
        import test_logbook_exchange as example

        from quietrun.logbook.clips import add_clip
        from quietrun.logbook.exchange import export_book, write_export
        from quietrun.logbook.store import open_logbook

        with open_logbook(self.folder / "first") as book:
            example.fill(book)
            for number in range(100, 250):
                add_clip(book, made_logbook.made_entry(number))
            write_export(export_book(book), self.folder / "export.json")
        self.notes["all"] = count(self.folder / "first", "clips")

    def begin(self) -> None:
        """Start from no book each time."""
        shutil.rmtree(self.folder / "home", ignore_errors=True)

    def arguments(self) -> list[str]:
        """Import it."""
        home = str(self.folder / "home")
        return ["logbook", "import", str(self.folder / "export.json"), "--home", home]

    def check(self, killed: bool) -> None:
        """All or nothing; all when it said so."""
        have = count(self.folder / "home", "clips")
        need(have in (0, self.notes["all"]), f"half an import: {have} clips")
        if self.said or not killed:
            need(have == self.notes["all"], "it said that it had imported, and had not")


class Tune(Scenario):
    """Old limits or new ones, never half of them; the history stays."""

    def prepare(self) -> None:
        """Log some quiet runs of one machine, judged by the shipped model."""
        import numpy as np

        from quietrun.clip import Clip, Source
        from quietrun.logbook.entries import log_analysis
        from quietrun.logbook.machines import add_machine
        from quietrun.logbook.store import open_logbook
        from quietrun.logbook.types import MachineRecord
        from quietrun.machine import Machine
        from quietrun.pipeline import analyse_clip, general_model
        from quietrun.report.contract import to_object
        from quietrun.synth import draw_recipe, render

        fixed: dict[str, Any] = {"faults": {}, "snr_db": 35.0, "mains_hz": 50.0, "phone": 0}
        with open_logbook(self.folder / "home") as book:
            add_machine(book, MachineRecord("B-014", phone="mine"))
            seeds = (133, 117, 118, 123, 104, 146)
            for number, seed in enumerate(seeds):
                recipe = draw_recipe(np.random.default_rng(seed), stage="assembled", **fixed)
                made = render(recipe)
                name = f"2026-03-{number + 1:02d} 10.00.wav"
                length_s = len(made.samples) / made.rate_hz
                source = Source(name, f"{number:064x}", "wav", "pcm", "soundfile", 1, 0, length_s)
                clip = Clip(np.array(made.samples, np.float32), float(made.rate_hz), source)
                analysis = analyse_clip(clip, machine=Machine("B-014"), model=general_model())
                log_analysis(book, analysis, to_object(analysis), tag="B-014", phone="mine")
        self.notes["clips"] = count(self.folder / "home", "clips")

    def begin(self) -> None:
        """Count from an emptied set of limits every second time."""
        self.notes["turn"] = self.notes.get("turn", 0) + 1
        if self.notes["turn"] % 2:
            book = sound_book(self.folder / "home")
            with book, book.writing() as db:
                db.execute("DELETE FROM limits")

    def arguments(self) -> list[str]:
        """Tune."""
        return ["tune", "B-014", "--home", str(self.folder / "home"), "--json"]

    def check(self, killed: bool) -> None:
        """Limits that can be read, or none; they are there when it said so."""
        from quietrun.logbook.baseline import own_limits

        need(count(self.folder / "home", "clips") == self.notes["clips"], "history was lost")
        book = sound_book(self.folder / "home")
        with book:
            limits = own_limits(book, "B-014", phone="mine", stage="assembled")
        if self.said or not killed:
            need(limits is not None, f"it had not tuned, but ended or said: {self.said[:2000]!r}")


class Record(Scenario):
    """No file, the old file, or the whole new one."""

    def prepare(self) -> None:
        """Make sound for the double of the device."""
        import numpy as np

        rng = np.random.default_rng(2)
        self.notes["samples"] = (0.05 * rng.standard_normal((20 * 48_000, 1))).astype(np.float32)

    def begin(self) -> None:
        """Put an old recording there every second time."""
        self.notes["turn"] = self.notes.get("turn", 0) + 1
        out = self.folder / "visit.flac"
        out.unlink(missing_ok=True)
        self.notes["old"] = None
        if self.notes["turn"] % 2:
            self.notes["old"] = b"an older recording"
            out.write_bytes(self.notes["old"])

    def arguments(self) -> list[str]:
        """Record fifteen seconds, over what is there."""
        out = str(self.folder / "visit.flac")
        return ["record", out, "--seconds", "15", "--no-check", "--force"]

    def patch(self) -> None:
        """Give it a device that delivers at once."""
        sys.path.insert(0, str(ROOT / "tests"))
        from fake_sounddevice import Fake

        from quietrun.clip import microphone

        fake = Fake(samples=self.notes["samples"])
        microphone.load_backend = lambda: fake

    def check(self, killed: bool) -> None:
        """Whole or not there."""
        from quietrun.clip import read_clip

        out = self.folder / "visit.flac"
        data = out.read_bytes() if out.exists() else None
        told = "visit.flac: 15" in self.said
        if data != self.notes["old"]:
            clip = read_clip(out)
            need(clip.problems == (), f"half a recording: {clip.problems}")
            need(abs(clip.duration_s - 15.0) < 0.2, f"only {clip.duration_s} s are there")
        else:
            need(not told and killed, "it said that it had written, and had not")


class Batch(Scenario):
    """Rows and logbook: whole rows only, none lost, none twice."""

    def prepare(self) -> None:
        """Write clips of one machine."""
        import numpy as np
        import soundfile

        rng = np.random.default_rng(1)
        visits = self.folder / "visits" / "B-014"
        visits.mkdir(parents=True)
        for number in range(CLIPS):
            samples = 0.05 * rng.standard_normal(48_000)
            soundfile.write(visits / f"2026-03-{number + 1:02d} 10.00.wav", samples, 48_000)
        self.notes["rows"] = b""

    def begin(self) -> None:
        """Begin anew where the last batch was complete."""
        from quietrun.logbook.machines import add_machine
        from quietrun.logbook.store import open_logbook
        from quietrun.logbook.types import MachineRecord

        out = self.folder / "o.jsonl"
        if self.notes["rows"].count(b"\n") >= CLIPS:
            for path in (out, self.folder / "o.jsonl.lock"):
                path.unlink(missing_ok=True)
            shutil.rmtree(self.folder / "home", ignore_errors=True)
            self.notes["rows"] = b""
        if not (self.folder / "home").exists():
            with open_logbook(self.folder / "home") as book:
                add_machine(book, MachineRecord("B-014"))
        # What a killed batch leaves makes the next one start worker processes: tested elsewhere.
        for path in self.folder.glob("*.lock"):
            path.unlink()

    def arguments(self) -> list[str]:
        """Judge and log."""
        visits, out = str(self.folder / "visits"), str(self.folder / "o.jsonl")
        home = str(self.folder / "home")
        return ["batch", visits, "-o", out, "--log", "--home", home, "--jobs", "1"]

    def check(self, killed: bool) -> None:
        """Rows of before are there as they were; new ones are whole; logged once each."""
        out = self.folder / "o.jsonl"
        data = out.read_bytes() if out.exists() else b""
        whole = self.notes["rows"][: self.notes["rows"].rfind(b"\n") + 1]
        need(data.startswith(whole), "a whole row was changed or lost")
        rows = [json.loads(line) for line in data.split(b"\n")[:-1]]
        paths = [row["clip"]["path"] for row in rows]
        need(len(set(paths)) == len(paths), "a clip has two rows")
        logged = count(self.folder / "home", "clips")
        said_so = sum(bool(row["batch"].get("logged")) for row in rows)
        need(logged <= CLIPS, f"{logged} clips are logged")
        need(logged >= said_so, f"{said_so} rows say that they are logged, {logged} are")
        if not killed:
            need(len(rows) == CLIPS, f"a whole batch has {len(rows)} rows")
            need(logged == CLIPS, f"a whole batch has logged {logged}")
        self.notes["rows"] = data


SCENARIOS: dict[str, type[Scenario]] = {
    "batch": Batch,
    "tune": Tune,
    "record": Record,
    "import": Import,
}


def _fork(scenario: Scenario, log: Path) -> int:
    """Start the program as a child of this warm process; its output goes to a new file."""
    log.unlink(missing_ok=True)  # what an earlier run said must not count as said by this one
    pid = os.fork()
    if pid:
        return pid
    with contextlib.suppress(BaseException):
        out = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(out, 1)
        os.dup2(out, 2)
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        sys.stdout = open(1, "w", closefd=False)  # noqa: SIM115
        sys.stderr = open(2, "w", closefd=False)  # noqa: SIM115
        from quietrun.cli import main

        scenario.patch()
        try:
            main.main(scenario.arguments())
        except SystemExit as done:
            sys.stdout.flush()
            os._exit(done.code if isinstance(done.code, int) else 0)
    os._exit(99)


def _wait(pid: int) -> int:
    _, status = os.waitpid(pid, 0)
    return os.waitstatus_to_exitcode(status)


def _whole_run(scenario: Scenario, log: Path) -> float:
    """Run without a kill; how long it takes, s."""
    scenario.begin()
    start = time.perf_counter()
    code = _wait(_fork(scenario, log))
    took_s = time.perf_counter() - start
    scenario.said = log.read_text(errors="replace")
    need(code in (0, 1, 3, 4), f"exit code {code}: {scenario.said}")
    scenario.check(killed=False)
    return took_s


def kill_many(name: str, times: int, seed: int, say: Callable[[str], None] = print) -> int:
    """Run one scenario; number of runs that were really killed.

    Raises
    ------
    AssertionError
        Something was lost.
    """
    rng = random.Random(f"{seed} {name}")  # noqa: S311
    with tempfile.TemporaryDirectory(prefix="quietrun-kill-") as folder:
        scenario = SCENARIOS[name](Path(folder))
        scenario.prepare()
        log = Path(folder) / "said.txt"
        _whole_run(scenario, log)  # loads what is loaded once
        took_s = _whole_run(scenario, log)
        killed = runs = 0
        while killed < times and runs < MOST * times:
            runs += 1
            scenario.begin()
            pid = _fork(scenario, log)
            time.sleep(rng.uniform(0.0, 1.05 * took_s))
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
            was_killed = _wait(pid) == -signal.SIGKILL
            killed += was_killed
            scenario.said = log.read_text(errors="replace") if log.exists() else ""
            scenario.check(killed=was_killed)
        _whole_run(scenario, log)
        scenario.finish()
    say(f"{name}: {killed} of {runs} runs killed within {took_s:.2f} s, nothing lost")
    need(killed == times, "too few runs could be killed before their end")
    return killed


def run(arguments: list[str]) -> int:
    """Run the scenarios; 0 when nothing was lost in any."""
    parser = argparse.ArgumentParser(description="Kill quietrun at random moments.")
    parser.add_argument("--times", type=int, default=50, help="kills of each scenario")
    parser.add_argument("--scenario", choices=SCENARIOS, action="append", help="only these")
    parser.add_argument("--seed", type=int, default=0)
    told = parser.parse_args(arguments)
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    lost = 0
    for name in told.scenario or list(SCENARIOS):
        try:
            kill_many(name, told.times, told.seed)
        except AssertionError as error:
            print(f"LOST in {name}: {error}")
            lost += 1
    return 1 if lost else 0


if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))
