"""The arrays that pictures are drawn from, against closed forms."""

import io
from dataclasses import replace

import numpy as np
import pytest
from plain_run import plain_run

from quietrun.clip.types import Clip, Source
from quietrun.dsp.frames import frames_of
from quietrun.evidence.scene import set_scene
from quietrun.exhibits.pictures import coast_of, envelope_of, spectrogram_of, wave_of
from quietrun.machine import Bearing, Machine
from quietrun.machine.kinematics import bearing_orders
from quietrun.report.svg import gray_png, logarithmic
from quietrun.run import CoastDown, Run, SpeedTrack, follow

RATE_HZ = 48000.0


def clip_of(x, rate_hz=RATE_HZ, start_s=0.0):
    source = Source("made", None, None, None, "", 1, 0, x.size / rate_hz)
    return Clip(x.astype(np.float32), rate_hz, source, start_s=start_s)


def test_the_waveform_holds_the_extremes():
    x = 0.001 * np.random.default_rng(1).standard_normal(480000)
    x[123456], x[400000] = 0.7, -0.6
    made = wave_of(clip_of(x, start_s=3.0), Run(phases={"steady": (5.0, 9.0), "room": (3.0, 4.0)}))
    assert made.high.max() == pytest.approx(0.7)
    assert made.low.min() == pytest.approx(-0.6)
    assert made.time_s[made.high.argmax()] == pytest.approx(3.0 + 123456 / RATE_HZ, abs=0.02)
    assert [name for name, _, _ in made.phases] == ["room", "steady"]


@pytest.mark.parametrize("hz", [120.0, 440.0, 3150.0, 9000.0])
def test_a_tone_lies_in_its_row(hz):
    t = np.arange(int(3 * RATE_HZ)) / RATE_HZ
    clip = clip_of(0.1 * np.sin(2 * np.pi * hz * t))
    made = spectrogram_of(clip, Run(), frames_of(clip.samples, RATE_HZ), 20000.0)
    rows = made.shade.shape[0]
    row = int(made.shade.astype(float).mean(axis=1).argmax())
    place = logarithmic(made.low_hz, made.high_hz, rows, 0.0)
    # one bin of the frames is 23 Hz: below some hundred Hz that is several rows
    slack = 1.5 + abs(place(hz - 24.0) - place(hz + 24.0)) / 2
    assert row + 0.5 == pytest.approx(place(hz), abs=slack)


def test_pink_noise_is_one_shade():
    """Levels are those of bands of constant relative width, in which pink noise is even."""
    rng = np.random.default_rng(2)
    n = int(8 * RATE_HZ)
    f = np.fft.rfftfreq(n, 1 / RATE_HZ)
    spectrum = (rng.standard_normal(f.size) + 1j * rng.standard_normal(f.size)) / np.sqrt(
        np.maximum(f, 20.0)
    )
    x = np.fft.irfft(spectrum, n)
    clip = clip_of(0.1 * x / np.abs(x).max())
    made = spectrogram_of(clip, Run(), frames_of(clip.samples, RATE_HZ), 20000.0)
    span_db = made.top_db - made.floor_db
    rows_db = made.shade.astype(float).mean(axis=1) / 255.0 * span_db
    middle = rows_db[5:110]  # from 150 Hz to 17 kHz
    assert np.polyfit(np.arange(middle.size), middle, 1)[0] * middle.size == pytest.approx(0, abs=2)


def test_lines_follow_hum_and_speed():
    plain = plain_run()
    frames = frames_of(plain.clip.samples, plain.clip.rate_hz)
    run = follow(plain.clip, Machine(), frames)
    made = spectrogram_of(plain.clip, run, frames, 20000.0)
    lines = {line.kind: line for line in made.lines}
    assert lines["mains"].hz == pytest.approx([100.0, 100.0], abs=0.3)
    assert lines["mains"].time_s[0] == pytest.approx(plain.on_s, abs=0.15)
    assert lines["mains"].time_s[1] == pytest.approx(plain.off_s, abs=0.15)
    speed = lines["speed"]
    orders = speed.hz[0] / plain.shaft_hz
    made = np.array([1, 2, 7, 14, 21, 37, 64])  # the tones of the plain run
    assert np.abs(made - orders).min() < 0.5  # within half a bin of 23 Hz
    half = np.interp(0.5 * speed.hz[0], speed.hz[::-1], speed.time_s[::-1])
    true = plain.off_s + 4.0 * (1 - np.arctan(0.5) / np.arctan(1.0))
    assert half == pytest.approx(true, abs=0.35)


def test_the_blades_of_the_fan_are_marked_where_their_number_is_known():
    x = 0.1 * np.random.default_rng(1).standard_normal(96000)
    clip = clip_of(x)
    run = Run(shaft_hz=24.6, phases={"steady": (0.5, 1.5)})
    frames = frames_of(clip.samples, RATE_HZ)
    made = spectrogram_of(clip, run, frames, 20000.0, Machine(fan_blades=11))
    (line,) = made.lines
    assert (line.kind, line.name) == ("turn", "fan 271 Hz")
    assert line.hz == pytest.approx([270.6, 270.6])
    assert line.time_s == pytest.approx([0.5, 1.5])
    assert spectrogram_of(clip, run, frames, 20000.0, Machine()).lines == ()


def test_nothing_is_marked_that_was_not_found():
    x = np.random.default_rng(1).standard_normal(48000)
    clip = clip_of(0.1 * x)
    made = spectrogram_of(clip, Run(), frames_of(clip.samples, RATE_HZ), 20000.0)
    assert made.lines == ()
    short = clip_of(0.1 * x[:1000])
    assert spectrogram_of(short, Run(), frames_of(short.samples, RATE_HZ), 2e4) is None


def coasting(drag, half_s, duration_s=4.0):
    time = np.linspace(6.0, 6.0 + duration_s, 60)
    track = SpeedTrack(time, np.linspace(1.0, 0.0, 60), np.ones(60))
    coast = CoastDown(duration_s, *drag, half_speed_s=half_s, confidence=0.9)
    return Run(power_off_s=6.0, track=track, coast=coast)


def test_the_law_of_pure_friction_is_a_straight_line():
    made = coast_of(coasting((1.0, 0.0, 0.0), 2.0))
    assert made.fit_time_s[-1] == pytest.approx(4.0)
    assert made.fit_share == pytest.approx(1 - made.fit_time_s / 4.0, abs=1e-9)


def test_the_law_of_friction_and_grease():
    """Closed form of dw/dt = -k (a + b w), w(0) = 1: w = ((a + b) e^{-kbt} - a) / b."""
    a, b, half_s = 0.4, 0.6, 1.5
    k = np.log((a + b) / (a + b / 2)) / (b * half_s)
    made = coast_of(coasting((a, b, 0.0), half_s))
    t = made.fit_time_s
    assert made.fit_share == pytest.approx(((a + b) * np.exp(-k * b * t) - a) / b, abs=1e-6)
    assert np.interp(half_s, t, made.fit_share) == pytest.approx(0.5, abs=1e-3)


def test_the_law_of_friction_and_air():
    """Closed form of dw/dt = -k (a + c w^2): w = r tan(atan(1/r) - k sqrt(ac) t), r^2 = a/c."""
    a, c, half_s = 0.3, 0.7, 1.2
    r = np.sqrt(a / c)
    k = (np.arctan(1 / r) - np.arctan(0.5 / r)) / (np.sqrt(a * c) * half_s)
    made = coast_of(coasting((a, 0.0, c), half_s))
    t = made.fit_time_s
    expected = r * np.tan(np.arctan(1 / r) - k * np.sqrt(a * c) * t)
    assert made.fit_share == pytest.approx(expected, abs=1e-6)


def test_a_law_that_never_rests_is_drawn_as_far_as_the_machine_was_followed():
    """Closed form of dw/dt = -k w: a half-life."""
    made = coast_of(coasting((0.0, 1.0, 0.0), 1.0))
    assert made.fit_time_s[-1] == pytest.approx(4.0)
    assert made.fit_share == pytest.approx(0.5**made.fit_time_s, abs=1e-9)


def test_without_half_speed_there_is_no_law_to_draw():
    assert coast_of(coasting((1.0, 0.0, 0.0), None)).fit_share is None


@pytest.mark.parametrize("missing", ["track", "coast", "power_off_s"])
def test_a_coast_down_that_was_not_followed_is_not_drawn(missing):
    assert coast_of(replace(coasting((1.0, 0.0, 0.0), 2.0), **{missing: None})) is None


def swelling(order, shaft_hz=24.0, depth=0.5, seconds=8.0):
    """Noise that swells ``order`` times a turn in the steady run of a machine."""
    rng = np.random.default_rng(4)
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    x = rng.standard_normal(t.size) * (1 + depth * np.cos(2 * np.pi * order * shaft_hz * t))
    return clip_of(0.05 * x), Run(
        mains_hz=50.0, mains_measured=True, shaft_hz=shaft_hz, phases={"steady": (0.5, 7.5)}
    )


def scene_of(clip, run):
    return set_scene(clip, run, frames_of(clip.samples, clip.rate_hz), 20000.0)


@pytest.mark.parametrize("order", [3.57, 5.43, 2.6])
def test_what_repeats_beside_the_turn_is_marked(order):
    clip, run = swelling(order)
    made = envelope_of(scene_of(clip, run), Machine())
    series = [mark for mark in made.marks if mark.kind == "series"]
    assert series[0].order == pytest.approx(order, abs=0.02)
    assert series[0].name == f"{series[0].order:.2f} per turn"
    assert [round(m.order / series[0].order) for m in series] == [1, 2, 3][: len(series)]
    at = np.abs(made.order - order) < 0.03
    assert made.rise_db[at].max() == pytest.approx(made.rise_db.max())
    assert made.certain
    assert made.shaft_hz == 24.0


def test_what_repeats_with_the_turn_is_not_a_series():
    clip, run = swelling(4.0)
    made = envelope_of(scene_of(clip, run), Machine())
    assert [mark.kind for mark in made.marks].count("series") == 0
    assert made.rise_db[np.abs(made.order - 4.0) < 0.03].max() > 12.0


def test_steady_noise_has_no_series():
    clip, run = swelling(3.57, depth=0.0)
    made = envelope_of(scene_of(clip, run), Machine())
    assert [mark.kind for mark in made.marks].count("series") == 0


def test_a_known_bearing_is_marked_at_its_orders():
    clip, run = swelling(3.57)
    bearing = Bearing(8, 6.747, 28.5, name="6203")
    made = envelope_of(scene_of(clip, run), Machine(bearings=(bearing,)))
    known = bearing_orders(bearing)
    marks = {mark.name: mark.order for mark in made.marks if mark.kind == "bearing"}
    assert marks == {"6203 outer": known.outer, "6203 inner": known.inner}


def test_a_guessed_speed_is_said_to_be_one():
    clip, run = swelling(3.57)
    made = envelope_of(scene_of(clip, replace(run, shaft_hz=None, shaft_guess_hz=24.0)), Machine())
    assert not made.certain
    assert envelope_of(scene_of(clip, replace(run, shaft_hz=None)), Machine()) is None


def test_the_picture_of_shades_is_a_gray_png():
    """Read back by another library: 0 is white, 255 is black."""
    from matplotlib import image

    shade = np.random.default_rng(3).integers(0, 256, (31, 57), dtype=np.uint8)
    pixels = image.imread(io.BytesIO(gray_png(shade)), format="png")
    gray = pixels if pixels.ndim == 2 else pixels[..., 0]
    assert np.array_equal(np.round(gray * 255).astype(int), 255 - shade.astype(int))
