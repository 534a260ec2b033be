"""A stand-in for the analysis: quick, and with a behaviour that the file's text asks for.

Files are made of text such as ``noisy`` or ``crash``; the word decides what happens.
"""

import hashlib
import json
import os
import sys
import time
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import made_analyses

from quietrun.batch.plan import plan_for
from quietrun.batch.run import run_batch
from quietrun.batch.types import Outputs, Settings
from quietrun.clip.refusals import from_os_error
from quietrun.errors import ModelError
from quietrun.problems import Problem

ANALYSE = "batch_fakes:analyse"
#: Time a clip takes, for tests that stop a batch in the midst of it.
PAUSE_S = float(os.environ.get("FAKE_PAUSE_S", "0"))


def general_model():
    return SimpleNamespace(sha256=made_analyses.MODEL.sha256)


def analyse(path, *, machine=None, limits=None):
    """Judge a file by the first word in it."""
    try:
        with open(path, "rb") as file:
            data = file.read()
    except OSError as error:
        refusal = from_os_error(error, os.fspath(path))
        return unreadable(
            path, machine, Problem(refusal.code, refusal.what, refusal.why, refusal.do, fatal=True)
        )
    time.sleep(PAUSE_S)
    word = data[4:].split()[0].decode() if len(data) > 4 else "empty"
    ACTIONS.get(word, lambda: None)()
    name = word if word in made_analyses.ALL else "quiet"
    made = made_analyses.ALL[name]()
    known = hashlib.sha256(data).hexdigest() if made.run is not None else None
    source = replace(made.source, path=os.fspath(path), sha256=known)
    if word == "limits":
        made = replace(made, verdict=replace(made.verdict, because=(repr(limits),)))
    return replace(made, source=source, machine=machine)


def unreadable(path, machine, problem):
    made = made_analyses.unreadable()
    return replace(
        made,
        source=replace(made.source, path=os.fspath(path)),
        machine=machine,
        fitness=replace(made.fitness, problems=(problem,)),
    )


def _raise(error):
    raise error


def _spin():
    while True:
        time.sleep(0.01)


def _hang_in_c():
    """Never come back to Python, not even for a signal: only ending the process helps."""
    sum(range(10**14))


ACTIONS = {
    "crash": lambda: os._exit(7),
    "segfault": lambda: __import__("faulthandler")._sigsegv(),
    "spin": _spin,
    "stuck": _hang_in_c,
    "bug": lambda: _raise(RuntimeError("the wheels came off")),
    "model": lambda: _raise(ModelError("The model is broken.", "It is.", "Reinstall.")),
    "slow": lambda: time.sleep(0.05),
}


def make_clips(folder, words):
    """Write files that look like m4a by their first bytes; returns their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for i, word in enumerate(words):
        path = folder / f"clip{i:03}.m4a"
        path.write_bytes(f"RIFF{word} {i}".encode())
        paths.append(path)
    return paths


def run(source, out, table, jobs):
    """A batch of these fakes, from start to end."""
    outputs = Outputs(Path(out), table=Path(table) if table else None)
    settings = Settings(jobs=int(jobs), analyse=ANALYSE)
    return run_batch(plan_for(source, outputs=outputs), outputs, settings)


def nursery():
    """Fork a process for each batch asked for, so that none has to import everything anew."""
    for line in sys.stdin:
        child = os.fork()
        if not child:
            run(*json.loads(line))
            os._exit(0)
        print(child, flush=True)
        os.waitpid(child, 0)
        print("ended", flush=True)


if __name__ == "__main__":  # in a process of its own, for tests that kill it
    nursery() if len(sys.argv) == 1 else run(*sys.argv[1:5])
