"""What must not change the verdict does not: level, polarity, container, channels, lead-in, rate.

No right answer is needed: each relation follows from physics or from arithmetic. Switch times may
move by 0.03 s (three frames of 10 ms). Probabilities: a change of sign, a lossless container and a
doubled channel leave the samples as they were but for rounding to 16 bits (0.02). Gain leaves the
ratios as they are (0.05). Another start or rate moves the frames, and so each estimate (0.15).
The verdict may change only where a fault lies within that bound of its limit. The speed keeps
within what is promised of it, and a click of the start switch moves with the switch.
"""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from clip_files import encode

from quietrun.clip import read_clip
from quietrun.machine import Machine
from quietrun.pipeline import analyse

DEMO = Path(__file__).parents[1] / "synthetic_audio"
NAMES = ("quiet", "bearing", "impeller", "pre_breaker", "burrs")
MOVE_S = 0.03
SPEED_WITHIN = 0.005  # what is promised of the speed


@pytest.fixture(scope="module")
def judged(tmp_path_factory):
    """Judge samples by way of a file; the originals of the demo clips by name."""
    folder = tmp_path_factory.mktemp("metamorphic")

    def judge(samples, rate_hz, suffix=".wav", subtype="PCM_24"):
        path = folder / f"clip{suffix}"
        soundfile.write(path, samples, round(rate_hz), subtype=subtype)
        return analyse(str(path), machine=Machine())

    originals = {}
    for name in NAMES:
        clip = read_clip(DEMO / f"{name}.opus")
        samples = np.asarray(clip.samples, np.float64)
        samples = samples * 0.45 / np.abs(samples).max()  # room for 6 dB more
        originals[name] = (samples, clip.rate_hz, judge(samples, clip.rate_hz))
        run = originals[name][2].run
        assert run.power_on_s is not None
        assert run.power_off_s is not None
    return judge, originals


def same(first, second, *, moved_s=0.0, bound):
    for name in ("power_on_s", "power_off_s"):
        before, after = getattr(first.run, name), getattr(second.run, name)
        assert (before is None) == (after is None), name
        if before is not None:
            assert after == pytest.approx(before + moved_s, abs=MOVE_S), name
    speed, again = first.run.running_rpm, second.run.running_rpm
    assert (speed is None) == (again is None)
    if speed is not None:
        assert again == pytest.approx(speed, rel=SPEED_WITHIN)
    for name in ("switch_open", "switch_close"):
        click, later = getattr(first.run, name), getattr(second.run, name)
        if click is not None and later is not None:  # one that hardly stands out may come and go
            assert later.time_s == pytest.approx(click.time_s + moved_s, abs=MOVE_S), name
    near = False
    for one, other in zip(first.verdict.faults, second.verdict.faults, strict=True):
        assert one.fault == other.fault
        assert (one.probability is None) == (other.probability is None)
        if one.probability is not None:
            assert other.probability == pytest.approx(one.probability, abs=bound), one.fault
            near = near or abs(one.probability - one.limit) <= bound
    if not near:
        assert second.verdict.word == first.verdict.word


@pytest.mark.parametrize("gain_db", [-20.0, -10.0, 6.0])
@pytest.mark.parametrize("name", NAMES)
def test_gain(judged, name, gain_db):
    judge, originals = judged
    samples, rate_hz, first = originals[name]
    same(first, judge(samples * 10 ** (gain_db / 20), rate_hz), bound=0.05)


@pytest.mark.parametrize("name", NAMES)
def test_polarity(judged, name):
    judge, originals = judged
    samples, rate_hz, first = originals[name]
    same(first, judge(-samples, rate_hz), bound=0.02)


@pytest.mark.parametrize("name", NAMES)
def test_flac_against_wav(judged, name):
    judge, originals = judged
    samples, rate_hz, first = originals[name]
    same(first, judge(samples, rate_hz, ".flac"), bound=0.02)


@pytest.mark.parametrize("name", NAMES)
def test_order_of_channels(judged, name):
    judge, originals = judged
    samples, rate_hz, _ = originals[name]
    other = 0.5 * samples
    left = judge(np.column_stack([samples, other]), rate_hz)
    right = judge(np.column_stack([other, samples]), rate_hz)
    same(left, right, bound=0.02)


@pytest.mark.parametrize("moved_s", [0.05, 0.37, 1.0])
@pytest.mark.parametrize("name", NAMES)
def test_more_of_the_room_before(judged, name, moved_s):
    """The room's own first part, mirrored, goes before: no step in level or colour."""
    judge, originals = judged
    samples, rate_hz, first = originals[name]
    count = round(moved_s * rate_hz)
    room = samples[: round(0.25 * rate_hz)]
    period = np.concatenate([room, room[::-1]])
    lead = np.resize(period, count + len(period))[-count:]
    later = judge(np.concatenate([lead, samples]), rate_hz)
    same(first, later, moved_s=count / rate_hz, bound=0.15)


@pytest.mark.parametrize("name", NAMES)
def test_another_rate(judged, name):
    from scipy.signal import resample_poly

    judge, originals = judged
    samples, rate_hz, first = originals[name]
    assert rate_hz == 48_000
    same(first, judge(resample_poly(samples, 147, 160), 44_100), bound=0.15)


@pytest.mark.parametrize("name", NAMES)
def test_back_to_the_first_rate(judged, name):
    """44.1 kHz against the same at 48 kHz: what lies above 22.05 kHz is in neither."""
    from scipy.signal import resample_poly

    judge, originals = judged
    samples, rate_hz, _ = originals[name]
    low = resample_poly(samples, 147, 160)
    first = judge(low, 44_100)
    same(first, judge(resample_poly(low, 160, 147), rate_hz), bound=0.15)


@pytest.mark.parametrize("name", NAMES)
def test_less_of_the_room_behind(judged, name):
    """Half of what follows the rest is left out."""
    judge, originals = judged
    samples, rate_hz, first = originals[name]
    assert first.run.rest_s is not None
    rest_s = len(samples) / rate_hz - first.run.rest_s
    assert rest_s > 0.5
    count = round(0.5 * rest_s * rate_hz)
    same(first, judge(samples[:-count], rate_hz), bound=0.15)


@pytest.mark.parametrize("name", NAMES)
def test_less_of_the_room_before(judged, name):
    """A third of the room before switch-on is left out."""
    judge, originals = judged
    samples, rate_hz, first = originals[name]
    count = round(first.run.power_on_s / 3 * rate_hz)
    same(first, judge(samples[count:], rate_hz), moved_s=-count / rate_hz, bound=0.15)


@pytest.mark.parametrize("kbit", [96, 160, 256])
@pytest.mark.parametrize("name", NAMES)
def test_aac_as_phones_write_it(judged, name, kbit, tmp_path):
    _, originals = judged
    samples, rate_hz, first = originals[name]
    path = encode(
        tmp_path / "clip.m4a",
        samples.astype(np.float32),
        "aac",
        "mp4",
        rate_hz=round(rate_hz),
        bit_rate=1000 * kbit,
    )
    same(first, analyse(str(path), machine=Machine()), bound=0.15)


@pytest.mark.parametrize(("before_s", "behind_s"), [(0.0, 1.0), (0.7, 0.0), (0.5, 3.0)])
@pytest.mark.parametrize("name", NAMES)
def test_added_silence(judged, name, before_s, behind_s):
    """What a program puts before or behind a recording is neither room nor rest."""
    judge, originals = judged
    samples, rate_hz, first = originals[name]
    silence = [np.zeros(round(span_s * rate_hz)) for span_s in (before_s, behind_s)]
    padded = judge(np.concatenate([silence[0], samples, silence[1]]), rate_hz)
    same(first, padded, moved_s=before_s, bound=0.001)
    assert padded.fitness.codes == first.fitness.codes
    assert padded.source.duration_s == pytest.approx(
        len(samples) / rate_hz + before_s + behind_s, abs=1e-6
    )


@pytest.mark.parametrize("suffix", [".m4a", ".opus"])
@pytest.mark.parametrize("name", NAMES)
def test_added_silence_as_a_coder_keeps_it(judged, name, suffix, tmp_path):
    _, originals = judged
    samples, rate_hz, first = originals[name]
    padded = np.concatenate([samples, np.zeros(round(2.0 * rate_hz))]).astype(np.float32)
    how = {".m4a": ("aac", "mp4"), ".opus": ("libopus", "ogg")}[suffix]
    path = encode(tmp_path / f"c{suffix}", padded, *how, rate_hz=round(rate_hz), bit_rate=160_000)
    same(first, analyse(str(path), machine=Machine()), bound=0.15)
