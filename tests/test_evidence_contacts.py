"""Burr contact: found and dated on closed-form runs, and not claimed where there is none."""

from dataclasses import replace

import numpy as np
import pytest
from made_logbook import made_report
from plain_run import plain_run

from quietrun.clip import Clip
from quietrun.compare.burrs import burr_touch
from quietrun.dsp.frames import frames_of
from quietrun.errors import UsageError
from quietrun.evidence.contacts import LOW_BANDS, SCORECARD, candidates, find_contacts
from quietrun.run import Run

RATE = 48_000


def touching(spans, *, level=0.02, arc=1.0, lo=2500, hi=6000, seed=5, shaft_hz=24.8, extra=None):
    """A plain run with noise of a band while the burrs touch, over an arc of the turn."""
    made = plain_run(shaft_hz=shaft_hz)
    n = made.clip.samples.size
    t = np.arange(n) / RATE
    rng = np.random.default_rng(seed)
    spectrum = np.fft.rfft(rng.standard_normal(n))
    freqs = np.fft.rfftfreq(n, 1 / RATE)
    spectrum[(freqs < lo) | (freqs > hi)] = 0
    noise = np.fft.irfft(spectrum, n)
    noise *= level / noise.std()
    gate = np.zeros(n)
    for start, stop in spans:
        gate[(t >= start) & (t < stop)] = 1
    turn = (t * shaft_hz) % 1.0
    x = made.clip.samples + gate * (turn < arc) * noise
    if extra is not None:
        x = x + extra(t, rng)
    clip = Clip(x.astype(np.float32), RATE, made.clip.source)
    run = Run(
        power_on_s=made.on_s,
        at_speed_s=made.at_speed_s,
        power_off_s=made.off_s,
        rest_s=made.rest_s,
        shaft_hz=shaft_hz,
        phases={"steady": (made.at_speed_s, made.off_s)},
    )
    return clip, run, frames_of(clip.samples, clip.rate_hz)


@pytest.mark.parametrize("start", [2.9, 3.6, 4.4, 5.2])
def test_the_moment_of_contact_is_found(start):
    (found,) = find_contacts(*touching([(start, 5.6)]))
    assert found.start_s == pytest.approx(start, abs=0.08)
    assert found.until_s == pytest.approx(5.6, abs=0.12)


def test_two_touches_are_two():
    first, second = find_contacts(*touching([(3.0, 3.4), (4.4, 5.4)]))
    assert (first.start_s, second.start_s) == pytest.approx((3.0, 4.4), abs=0.08)


def test_a_touch_that_lasts_to_switch_off_lasts_to_rest():
    clip, run, frames = touching([(4.0, 99.0)])
    (found,) = find_contacts(clip, run, frames)
    assert found.until_s == pytest.approx(run.rest_s)
    (open_end,) = find_contacts(clip, replace(run, rest_s=None), frames)
    assert open_end.until_s == pytest.approx(clip.duration_s, abs=0.1)


@pytest.mark.parametrize("level", [0.006, 0.01, 0.05])
def test_how_loud_it_is_does_not_move_it(level):
    (found,) = find_contacts(*touching([(4.0, 5.5)], level=level))
    assert found.start_s == pytest.approx(4.0, abs=0.08)


@pytest.mark.parametrize("gain", [0.05, 2.0])
def test_gain_does_not_matter(gain):
    clip, run, frames = touching([(4.0, 5.5)])
    louder = Clip((gain * clip.samples).astype(np.float32), RATE, clip.source)
    one = find_contacts(clip, run, frames)[0]
    other = find_contacts(louder, run, frames_of(louder.samples, RATE))[0]
    assert other.start_s == pytest.approx(one.start_s, abs=0.011)


@pytest.mark.parametrize("share", [0.15, 0.3, 0.5])
def test_the_arc_of_the_turn_is_told(share):
    (found,) = find_contacts(*touching([(3.5, 5.7)], arc=share))
    assert found.same_angle is True
    assert found.turn_share == pytest.approx(share, abs=0.09)


def test_a_touch_all_round_has_no_angle():
    (found,) = find_contacts(*touching([(3.5, 5.7)]))
    assert (found.turn_share, found.same_angle) == (1.0, False)


def test_an_arc_is_not_told_without_a_shaft_rate_or_in_a_short_touch():
    clip, run, frames = touching([(3.5, 5.7)], arc=0.3)
    assert find_contacts(clip, replace(run, shaft_hz=None), frames)[0].turn_share is None
    assert find_contacts(*touching([(3.5, 3.75)], arc=0.3))[0].turn_share is None


def test_times_are_those_of_the_file():
    clip, run, frames = touching([(4.0, 5.5)])
    later = Clip(clip.samples.copy(), RATE, clip.source, start_s=100.0)
    shifted = replace(
        run,
        power_on_s=run.power_on_s + 100,
        at_speed_s=run.at_speed_s + 100,
        power_off_s=run.power_off_s + 100,
        rest_s=110.0,
    )
    (found,) = find_contacts(later, shifted, frames)
    assert found.start_s == pytest.approx(104.0, abs=0.08)


def knock(t, rng):
    """A cup on the counter: a burst that dies away in 40 ms, low and high."""
    return (
        0.3 * np.exp(-np.clip(t - 4.0, 0, None) / 0.04) * (t >= 4.0) * rng.standard_normal(t.size)
    )


def voice(t, rng):
    """A syllable: harmonics of 150 Hz up to 4 kHz for 0.4 s."""
    gate = (t > 4.0) & (t < 4.4)
    tone = sum(np.sin(2 * np.pi * 150 * k * t + k) / k for k in range(1, 27))
    return 0.03 * gate * tone


def growl(t, rng):
    """Noise that comes and goes three times a second, all the time."""
    swing = np.clip(np.sin(2 * np.pi * 3.1 * t), 0, None) * ((t > 1.0) & (t < 9.0))
    return 0.02 * swing * rng.standard_normal(t.size)


def drift(t, rng):
    """Noise that grows by 15 dB over the run."""
    return 0.01 * 10 ** (0.15 * np.clip(t - 1.0, 0, 5)) * rng.standard_normal(t.size)


@pytest.mark.parametrize("extra", [None, knock, voice, growl, drift])
def test_no_contact_is_claimed_without_one(extra):
    assert find_contacts(*touching([], extra=extra)) == ()


def hiss(t, rng, lo, hi):
    """Noise of one band, standard deviation 1."""
    spectrum = np.fft.rfft(rng.standard_normal(t.size))
    freqs = np.fft.rfftfreq(t.size, 1 / RATE)
    spectrum[(freqs < lo) | (freqs > hi)] = 0
    noise = np.fft.irfft(spectrum, t.size)
    return noise / noise.std()


def swell(t, rng):
    """Faces that only brush at first: hiss that grows from nothing over 0.4 s and stays."""
    grows = np.clip((t - 3.8) / 0.4, 0.0, 1.0) * (t < 5.6)
    return 0.05 * grows**1.5 * hiss(t, rng, 2500, 6000)


def test_a_soft_start_is_walked_back_to():
    (found,) = find_contacts(*touching([], extra=swell))
    assert 3.75 < found.start_s < 3.95


def faint(lo, hi):
    """A rise of a few dB long before the touch, in bands of one's choice."""
    return lambda t, rng: 0.0035 * hiss(t, rng, lo, hi) * ((t > 2.8) & (t < 3.1))


def starts(*args, **kwargs):
    return [one.start_s for one in find_contacts(*touching(*args, **kwargs))]


def test_a_faint_touch_counts_only_where_it_sounds_like_the_clear_one():
    assert starts([], extra=faint(2500, 6000)) == []
    clear = [(4.2, 5.6)]
    assert starts(clear, extra=faint(2500, 6000)) == pytest.approx([2.8, 4.2], abs=0.1)
    assert starts(clear, extra=faint(9000, 14000)) == pytest.approx([4.2], abs=0.1)


@pytest.mark.parametrize("claimed", [3.0, 4.05, 4.8])
def test_a_run_up_said_to_end_late_does_not_hide_the_touch(claimed):
    clip, run, frames = touching([(4.0, 5.5)])
    (found,) = find_contacts(clip, replace(run, at_speed_s=claimed), frames)
    assert found.start_s == pytest.approx(4.0, abs=0.08)


def test_the_end_of_a_run_up_said_to_end_early_is_no_touch():
    clip, run, frames = touching([])
    assert find_contacts(clip, replace(run, at_speed_s=run.power_on_s + 0.3), frames) == ()


def test_bands_too_few_to_tell_claim_nothing():
    clip, run, _ = touching([(4.0, 5.5)])
    narrow = Clip(clip.samples[::16].copy(), RATE / 16, clip.source)
    assert find_contacts(narrow, run, frames_of(narrow.samples, narrow.rate_hz)) == ()


def steps(up, *, at=200, until=320, seed=2):
    """Levels of 19 bands, scattering by 0.7 dB, up in some bands from one row to another."""
    level = np.random.default_rng(seed).normal(-40.0, 0.7, (400, 19))
    for band, size in up.items():
        level[at:until, band] += size
    return 0.01 * np.arange(400), level


def test_a_candidate_is_measured_as_it_was_made():
    times, level = steps({9: 8.0, 10: 12.0, 11: 10.0})
    found = candidates(times, level, 0.01)[0]
    assert sorted(found.bands) == [9, 10, 11]
    assert (found.start_s, found.until_s) == pytest.approx((2.0, 3.19), abs=0.02)
    assert found.rise_db == pytest.approx(10.0, abs=0.6)
    assert found.pattern[9:12] == pytest.approx([8.0, 12.0, 10.0], abs=0.5)
    assert found.measures["length"] == pytest.approx(1.19, abs=0.02)
    assert found.measures["pitch"] == 10.0
    assert found.measures["over_low"] == pytest.approx(10.0, abs=0.8)
    assert found.measures["wide"] == 3.0
    assert not found.lasts


@pytest.mark.parametrize("band", [0, LOW_BANDS - 1])
def test_a_rise_below_1_khz_alone_is_no_candidate_of_note(band):
    times, level = steps({band: 15.0})
    assert all(one.points < 0.0 for one in candidates(times, level, 0.01))


def test_no_band_above_or_no_time_gives_no_candidate():
    times, level = steps({10: 12.0})
    assert candidates(times, level[:, :LOW_BANDS], 0.01) == []
    assert candidates(times[:30], level[:30], 0.01) == []


def test_the_scorecard_holds_each_measure_to_one_direction():
    worse = {"fallen", "wide", "count"}
    for name, (values, points) in SCORECARD.items():
        assert np.all(np.diff(values) > 0.0), name
        steps_up = np.diff(points)
        assert np.all(steps_up <= 0.0 if name in worse else steps_up >= 0.0), name
        assert np.any(steps_up != 0.0), name


def test_no_steady_run_no_claim():
    clip, run, frames = touching([(4.0, 5.5)])
    assert find_contacts(clip, replace(run, power_off_s=run.at_speed_s + 0.5), frames) == ()


def report_with(contacts, verdict="quiet"):
    return made_report(1, stage="burr_setting", verdict=verdict) | {"contacts": contacts}


def contact(t, until, share):
    return {"t": t, "until": until, "turn_share": share}


@pytest.mark.parametrize(
    ("contacts", "parallel", "says"),
    [
        ([], None, "No touch is heard"),
        ([contact(3.0, 6.0, 1.0)], True, "as parallel as can be heard"),
        ([contact(3.0, 6.0, 0.2)], False, "about 20 % of the turn, at the same angle"),
        ([contact(3.0, 6.0, 0.5)], False, "worth another try"),
        ([contact(3.0, 3.2, None)], None, "met and came free again"),
        ([contact(3.0, 3.2, None), contact(4.0, 6.0, 0.9)], True, "4.00 s, 1.00 s after the first"),
    ],
)
def test_what_the_contacts_say(contacts, parallel, says):
    found = burr_touch(report_with(contacts))
    assert found["parallel"] is parallel
    assert says in " ".join(found["says"])
    assert any("Never reach into the chamber" in line for line in found["cautions"])


def test_another_stage_is_refused_and_an_unusable_clip_says_why():
    with pytest.raises(UsageError, match="judged as assembled"):
        burr_touch(made_report(1))
    found = burr_touch(made_report(1, stage="burr_setting", verdict="unusable"))
    assert found["says"] == ["Nothing over its limit."]
