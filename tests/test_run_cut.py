"""The switch-off by phase, the hum that is only covered, the time to rest and its spread."""

from dataclasses import replace

import numpy as np
import pytest
from plain_run import plain_run

from quietrun.dsp.frames import frames_of
from quietrun.machine import Machine
from quietrun.run import follow
from quietrun.run.cut import cut_time

RATE = 16000.0


def _shaft_tones(off_s, loss, *, noise=0.02, seed=1, length_s=6.0, dying=()):
    """Tones at 310, 620, 905 Hz on a shaft that loses a share of its speed a second from off_s on.

    ``dying`` tones are the power's: they end at ``off_s``.
    """
    t = np.arange(int(length_s * RATE)) / RATE
    after = np.maximum(t - off_s, 0.0)
    turned = t - 0.5 * loss * after**2  # constant torque: dw/dt = -loss
    stands = after < 1.0 / loss
    x = sum(0.1 * np.sin(2 * np.pi * hz * turned) * stands for hz in (310.0, 620.0, 905.0))
    x = x + sum(0.2 * np.sin(2 * np.pi * hz * t) * (t < off_s) for hz in dying)
    x = x + noise * np.random.default_rng(seed).normal(size=t.size)
    return frames_of(x.astype(np.float32), RATE)


@pytest.mark.parametrize("loss", [0.06, 0.3, 1.0])
@pytest.mark.parametrize("guess", [-0.3, 0.0, 0.3])
def test_the_phase_of_the_tones_tells_the_switch_off(loss, guess):
    frames = _shaft_tones(3.2, loss)
    found = cut_time(frames, 3.2 + guess, from_s=0.5, tones_hz=[310.0, 620.0, 905.0], lines_hz=[])
    assert found == pytest.approx(3.2, abs=0.05)


def test_tones_that_die_with_the_power_tell_it_too():
    frames = _shaft_tones(3.2, 0.06, dying=(1210.0, 100.0))
    found = cut_time(frames, 3.0, from_s=0.5, tones_hz=[310.0, 1210.0], lines_hz=[100.0])
    assert found == pytest.approx(3.2, abs=0.04)


def test_a_shaft_that_keeps_its_speed_has_no_switch_off():
    frames = _shaft_tones(50.0, 0.3)
    tones = [310.0, 620.0, 905.0]
    assert cut_time(frames, 3.0, from_s=0.5, tones_hz=tones, lines_hz=[]) is None


def _run(samples, like):
    clip = replace(like, samples=samples)
    return follow(clip, Machine(), frames_of(samples, like.rate_hz))


def test_a_hum_that_is_covered_for_a_while_is_one_run():
    plain = plain_run()
    samples = plain.clip.samples.copy()
    k, n = int(4.0 * 48000), int(0.9 * 48000)
    steady = float(np.std(samples[k : k + n]))
    beside = np.random.default_rng(3).normal(size=n) * 0.5 * steady
    spectrum = np.fft.rfft(beside)
    low = np.fft.rfftfreq(n, 1 / 48000) < 700.0
    spectrum[low] *= 12.0
    samples[k : k + n] += np.fft.irfft(spectrum, n).astype(np.float32)
    run = _run(samples, plain.clip)
    assert run.power_on_s == pytest.approx(plain.on_s, abs=0.1)
    assert run.power_off_s == pytest.approx(plain.off_s, abs=0.1)
    assert run.others == ()


def test_the_time_to_rest_comes_with_its_spread():
    plain = plain_run()
    clear = _run(plain.clip.samples, plain.clip).coast
    assert 0.0 < clear.spread < 0.1
    assert clear.duration_s == pytest.approx(plain.rest_s - plain.off_s, rel=0.1)
    rng = np.random.default_rng(8)
    size = plain.clip.samples.size
    loud = float(np.std(plain.clip.samples[144000:192000]))
    covered = plain.clip.samples + (0.7 * loud * rng.normal(size=size)).astype(np.float32)
    coast = _run(covered, plain.clip).coast
    assert coast is None or coast.spread > 2 * clear.spread
