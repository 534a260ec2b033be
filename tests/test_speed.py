"""What a clip may cost, as ratios of CPU time taken in turn, which hold across machines.

scripts/benchmark.py measures more and longer; README has its numbers.
"""

import importlib.util
import json
import os
import statistics
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[1] / "scripts" / "benchmark.py"
RATE_HZ = 48000
CLIPS = 3


@pytest.fixture(scope="module")
def clips(tmp_path_factory):
    """The first few clips of the benchmark."""
    spec = importlib.util.spec_from_file_location("benchmark_clips", SCRIPT)
    benchmark = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = benchmark
    spec.loader.exec_module(benchmark)
    folder = tmp_path_factory.mktemp("speed")
    for seed in range(CLIPS):
        sound = benchmark.run_sound(RATE_HZ, seed)
        benchmark.write_m4a(folder / f"clip{seed}.m4a", [sound], RATE_HZ)
    return folder


def test_a_warm_clip_costs_at_most_eight_times_its_decoding_and_one_transform(clips):
    done = subprocess.run(
        [sys.executable, str(SCRIPT), "--child", "warm", str(clips), "12"],
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        check=True,
    )
    told = json.loads(done.stdout)
    assert len(told["analyse_s"]) == 4 * CLIPS
    ratios = [ours / bare for ours, bare in zip(told["analyse_s"], told["bare_s"], strict=True)]
    assert 1.0 < statistics.median(ratios) <= 8.0, ratios
