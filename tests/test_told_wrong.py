"""Mains or poles that were told wrong are said to be wrong, not judged.

The shipped clips are of four-pole motors, some on 50 Hz and some on 60 Hz (their manifest).
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from quietrun.dsp.frames import frames_of
from quietrun.fitness.assess import SURE_OF_FOUR_POLES_Z
from quietrun.machine import Machine
from quietrun.pipeline import analyse
from quietrun.run import power, speed
from quietrun.run.course import best_comb

DEMO = Path(__file__).parents[1] / "synthetic_audio"
CLIPS = {
    clip["file"]: clip["truth"]["mains_hz"]
    for clip in json.loads((DEMO / "manifest.json").read_text())["clips"]
    if clip["file"] != "beans.opus"
}
RATE_HZ = 16_000


def hum(mains_hz: float, lines: int = 6) -> np.ndarray:
    """Six seconds of a hum at twice the mains and its multiples, over faint noise."""
    t = np.arange(6 * RATE_HZ) / RATE_HZ
    rng = np.random.default_rng(5)
    tones = [np.sin(2 * np.pi * 2 * mains_hz * k * t + k) / k for k in range(1, lines + 1)]
    return (0.05 * np.sum(tones, axis=0) + 0.002 * rng.standard_normal(t.size)).astype(np.float32)


@pytest.mark.parametrize("name", CLIPS)
def test_wrong_mains_are_refused_with_the_right_ones(name: str) -> None:
    right = 50 if CLIPS[name] < 55 else 60
    wrong = 110 - right
    found = analyse(DEMO / name, machine=Machine(mains_hz=float(wrong), poles=4))
    assert found.verdict.word == "unusable"
    told = found.fitness.problems[0]
    assert told.code == "other_machine"
    assert told.fatal
    assert f"{wrong} Hz were told" in told.what
    assert f"mains of {right}.0 Hz" in told.what
    assert f"--mains {right}" in told.do


@pytest.mark.parametrize("name", CLIPS)
@pytest.mark.parametrize("told", [True, False])
def test_right_or_no_mains_pass(name: str, told: bool) -> None:
    right = 50.0 if CLIPS[name] < 55 else 60.0
    found = analyse(DEMO / name, machine=Machine(mains_hz=right if told else None, poles=4))
    assert found.verdict.word in ("quiet", "noisy")
    assert found.run is not None
    assert found.run.mains_hz == pytest.approx(CLIPS[name], abs=0.05)
    assert not any(p.code == "other_machine" for p in found.fitness.problems)


def test_two_poles_told_of_a_four_pole_motor_are_never_quiet() -> None:
    quiet = analyse(DEMO / "quiet.opus", machine=Machine(poles=2))
    assert quiet.verdict.word == "inspect"
    assert any("4 poles; 2 poles were told" in line for line in quiet.verdict.because)
    found = analyse(DEMO / "impeller.opus", machine=Machine(mains_hz=60.0, poles=2))
    assert found.verdict.word in ("inspect", "noisy")
    assert found.run is not None
    assert found.run.half_rate_z is not None
    assert found.run.half_rate_z > 2 * SURE_OF_FOUR_POLES_Z
    assert any("4 poles; 2 poles were told" in p.what for p in found.fitness.problems)


@pytest.mark.parametrize(("mains_hz", "other_hz"), [(50.0, 60.0), (60.0, 50.0)])
def test_the_comb_of_a_hum_is_its_own(mains_hz: float, other_hz: float) -> None:
    frames = frames_of(hum(mains_hz + 0.04), RATE_HZ)
    comb, heard, wrong = best_comb(frames, None)
    assert comb.mains_hz == pytest.approx(mains_hz + 0.04, abs=0.035)
    assert heard
    assert wrong is None
    assert best_comb(frames, mains_hz)[2] is None
    assert best_comb(frames, other_hz)[2] == pytest.approx(mains_hz + 0.04, abs=0.035)
    far = frames_of(hum(mains_hz + 0.2), RATE_HZ)  # no grid strays so far
    assert best_comb(far, other_hz)[2] is None


def test_noise_contradicts_nothing() -> None:
    rng = np.random.default_rng(8)
    for _ in range(25):
        frames = frames_of((0.05 * rng.standard_normal(4 * RATE_HZ)).astype(np.float32), RATE_HZ)
        assert best_comb(frames, 50.0)[2] is None
        assert best_comb(frames, 60.0)[2] is None


def test_own_lines_are_four_and_each_held_to_twenty_decibels() -> None:
    comb = power.Comb(50.0, 0.0, (30.0, 10.0, -5.0, 6.0, 90.0, 90.0))
    assert comb.own_db == pytest.approx((20.0 + 10.0 + 0.0 + 6.0) / 4)
    assert power.Comb(50.0, 0.0, (8.0,)).own_db == pytest.approx(8.0)
    assert power.Comb(50.0, 0.0, ()).own_db == 0.0


@pytest.mark.parametrize(("slow", "least", "most"), [(True, 5.0, np.inf), (False, -np.inf, 4.0)])
def test_lines_of_four_poles_are_told_from_those_of_two(
    slow: bool, least: float, most: float
) -> None:
    """Lines at each multiple of 24.7 Hz are of four poles; at each second one perhaps of two."""
    t = np.arange(6 * RATE_HZ) / RATE_HZ
    rng = np.random.default_rng(6)
    orders = range(1, 25) if slow else range(2, 25, 2)
    tones = [np.sin(2 * np.pi * 24.7 * k * t + k * k) for k in orders]
    sound = 0.01 * np.sum(tones, axis=0) + 0.01 * rng.standard_normal(t.size)
    frames = frames_of((sound + hum(50.0)).astype(np.float32), RATE_HZ)
    shaft = speed.find_shaft(frames, (0.2, 5.8), mains_hz=50.0, poles=2, top_hz=7000.0)
    assert shaft is not None
    assert shaft.rate_hz == pytest.approx(49.4, rel=0.001)
    assert shaft.half_z is not None
    assert least < shaft.half_z < most
    untold = speed.find_shaft(frames, (0.2, 5.8), mains_hz=50.0, poles=None, top_hz=7000.0)
    assert untold is not None
    assert untold.poles == (4 if slow else 2)
