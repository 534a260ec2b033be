"""What a clip may cost, as ratios of CPU time taken in turn, which hold across machines.

scripts/benchmark.py measures more and longer; README has its numbers.
"""

import importlib.util
import json
import os
import platform
import statistics
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

SCRIPT = Path(__file__).parents[1] / "scripts" / "benchmark.py"
RATE_HZ = 48000
CLIPS = 3


@pytest.fixture(scope="module")
def benchmark():
    """The script as a module."""
    spec = importlib.util.spec_from_file_location("benchmark_clips", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def clips(benchmark, tmp_path_factory):
    """The first few clips of the benchmark."""
    folder = tmp_path_factory.mktemp("speed")
    for seed in range(CLIPS):
        sound = benchmark.run_sound(RATE_HZ, seed)
        benchmark.write_m4a(folder / f"clip{seed}.m4a", [sound], RATE_HZ)
    return folder


def in_a_process(*arguments):
    """What a Python process prints, read as JSON."""
    done = subprocess.run(
        [sys.executable, *arguments],
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        check=True,
    )
    return json.loads(done.stdout)


def test_a_warm_clip_costs_at_most_eight_times_its_decoding_and_one_transform(clips):
    """Of three tries and of all clips the least: what others do on the machine adds to each."""
    ratios = []
    while len(ratios) < 3 and min(ratios, default=9.0) > 8.0:
        told = in_a_process(str(SCRIPT), "--child", "warm", str(clips), "12")
        assert len(told["analyse_s"]) == 4 * CLIPS
        ratios.append(min(told["analyse_s"]) / min(told["bare_s"]))
    assert 1.0 < min(ratios) <= 8.0, ratios


@pytest.mark.skipif(not hasattr(os, "wait4"), reason="costs as POSIX systems tell them")
def test_a_cold_check_costs_at_most_four_times_the_import_of_its_libraries(benchmark, clips):
    clip = str(clips / "clip0.m4a")
    both = benchmark.pairs(
        5,
        lambda: benchmark._check(clip),
        lambda: benchmark.child(sys.executable, "-c", "import numpy, av"),
    )
    ratios = [ours.cpu_s / bare.cpu_s for ours, bare in both]
    assert 1.0 < statistics.median(ratios) <= 4.0, ratios


PEAK = """
import json, sys
from pathlib import Path
from quietrun.pipeline import analyse

analyse(sys.argv[1])
status = Path("/proc/self/status").read_text().split()
print(json.dumps(int(status[status.index("VmHWM:") + 1]) / 1024))
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="sizes as Linux tells them")
def test_a_long_clip_takes_at_most_150_mib(benchmark, tmp_path):
    """More than is kept of a longer one; a file of half an hour is the benchmark's."""
    path = tmp_path / "long.m4a"
    room = 0.001 * np.random.default_rng(60).standard_normal(50 * RATE_HZ)
    blocks = [benchmark.run_sound(RATE_HZ, 99), room.astype(np.float32)]
    benchmark.write_m4a(path, blocks, RATE_HZ)
    assert 60.0 < in_a_process("-c", PEAK, str(path)) <= 150.0


GROWTH = """
import json, sys
from pathlib import Path
from quietrun.cli.edge import keep_freed_memory
from quietrun.pipeline import analyse

keep_freed_memory()  # else what is resident tells what was last given back, not what is held

def resident_mib():
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / 2**20

clips = sorted(Path(sys.argv[1]).glob("*.m4a"))
sizes = []
for _ in range(3):
    for i in range(12):
        analyse(clips[i % len(clips)])
    sizes.append(resident_mib())
print(json.dumps(sizes))
"""


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="sizes as Linux tells them")
def test_memory_does_not_grow_with_the_number_of_clips(clips):
    """A clip that left one of its spectra behind would add 4 MiB and more."""
    warm, middle, last = in_a_process("-c", GROWTH, str(clips))
    assert max(middle, last) < warm + 6.0, (warm, middle, last)


PAGES = """
import json, os, resource, sys
import numpy as np
from quietrun.cli.edge import keep_freed_memory

if sys.argv[1] == "keep":
    keep_freed_memory()

def pages_of_a_round():
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    held = [np.ones(3 * 2**17) for _ in range(10)]  # 3 MiB each
    del held
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before

pages_of_a_round()
print(json.dumps(min(pages_of_a_round() for _ in range(5))))
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="a setting of glibc's")
def test_what_was_freed_is_kept_for_the_next_clip(monkeypatch):
    for name in ("MALLOC_TRIM_THRESHOLD_", "MALLOC_MMAP_THRESHOLD_"):
        monkeypatch.delenv(name, raising=False)  # commands called in this process set them
    assert in_a_process("-c", PAGES, "keep") < 500
    assert in_a_process("-c", PAGES, "leave") > 5000
    monkeypatch.setenv("MALLOC_TRIM_THRESHOLD_", "1000")  # a user's own setting stays
    assert in_a_process("-c", PAGES, "keep") > 5000
