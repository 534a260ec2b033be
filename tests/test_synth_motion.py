"""The rotor's motion: closed forms, an independent integrator, and the truth of a clip."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from synth_measures import clip, line_hz, line_prominence_db, mono

from quietrun.synth.motion import (
    AT_SPEED_SHARE,
    Course,
    Motor,
    coast_s,
    powered_run,
    run_up_s,
    scaled_drag,
    solve_start,
    time_to_fall,
)

W0 = 180.64158  # rad/s, 1725 rpm


def braked(a, b, c):
    """A motor of which only the drag matters."""
    return Motor(1.0, 0.0, 0.1, 0.0, 0.0, 0.7, 0.5, a, b, c)


# Closed forms of J dw/dt = -(T + B w + C w^2) by algebra: straight line, logarithm, arctangent.
@pytest.mark.parametrize(
    ("a", "b", "c", "seconds"),
    [
        (20, 0, 0, 9.03208),
        (20, 0.1, 0, 6.43541),
        (20, 0, 0.001, 6.41049),
        (20, 0.1, 0.001, 5.20590),
        (1, 0.5, 0.01, 6.34976),
    ],
)
def test_time_to_rest_is_the_closed_form(a, b, c, seconds):
    assert coast_s(braked(a, b, c), W0) == pytest.approx(seconds, abs=2e-4)


def closed_form_stop(a, b, c, w0):
    """Time to rest with all three, under-damped or over-damped branch."""
    delta = 4 * a * c - b * b
    if delta > 0:
        q = math.sqrt(delta)
        return 2 / q * (math.atan((2 * c * w0 + b) / q) - math.atan(b / q))
    q = math.sqrt(-delta)
    return math.log((2 * c * w0 + b - q) * (b + q) / ((2 * c * w0 + b + q) * (b - q))) / q


@pytest.mark.parametrize("seed", range(6))
def test_a_drag_scaled_to_a_time_stops_in_that_time(seed):
    rng = np.random.default_rng(seed)
    shares = tuple(rng.dirichlet([1.5, 1.0, 1.0]))
    seconds = float(rng.uniform(1.5, 25))
    a, b, c = scaled_drag(seconds, shares, 0.98)
    assert closed_form_stop(a, b, c, 0.98) == pytest.approx(seconds, rel=1e-5)
    drag = a + b * 0.98 + c * 0.98**2
    got = (a / drag, b * 0.98 / drag, c * 0.98**2 / drag)
    assert got == pytest.approx(shares, rel=1e-9)


def test_pure_windage_and_pure_viscous_half_times():
    # w0 / (1 + c w0 t) and w0 exp(-b t)
    air = time_to_fall(braked(0, 0, 0.001), np.linspace(W0, 0.5 * W0, 50))[-1]
    grease = time_to_fall(braked(0, 0.1, 0), np.linspace(W0, 0.5 * W0, 50))[-1]
    assert air == pytest.approx(1 / (0.001 * W0), rel=1e-9)
    assert grease == pytest.approx(math.log(2) / 0.1, rel=1e-9)


def motor_of(run_up=0.8):
    a, b, c = scaled_drag(5.0, (0.4, 0.3, 0.3), 0.98)
    base = Motor(25.0, 2.0, 0.15, 0.3, 0.0, 0.75, 0.5, a, b, c)
    return solve_start(base, run_up)


def test_the_run_up_agrees_with_an_adaptive_integrator():
    motor = motor_of()
    course = Course(4.0, 0.5, 3.0)
    motion = powered_run(motor, course)

    def slope(_, u, start):
        push = motor.run_torque(u) - motor.drag(u)
        return push + (motor.start_torque(u) if start else 0.0)

    def opening(_, u, start):
        return u[0] - motor.opens if start else 1.0

    opening.terminal = True
    first = solve_ivp(slope, (0, 5), [0.0], args=(True,), events=opening, rtol=1e-9, atol=1e-11)
    t_open = first.t_events[0][0]
    rest = solve_ivp(
        slope, (t_open, 2.5), [motor.opens], args=(False,), rtol=1e-9, atol=1e-11, dense_output=True
    )
    assert motion.opens_s == pytest.approx(0.5 + t_open, abs=0.003)
    for t in (t_open + 0.1, 1.2, 2.4):
        got = float(motion.speed_hz[round((0.5 + t) * 1000)]) / motor.sync_hz
        assert got == pytest.approx(float(rest.sol(t)[0]), abs=0.002)


def test_run_up_time_is_what_was_asked_for():
    for seconds in (0.4, 0.8, 1.2):
        motor = motor_of(seconds)
        assert run_up_s(motor) == pytest.approx(seconds, rel=0.02)
        motion = powered_run(motor, Course(6.0, 0.5, 4.5))
        assert motion.at_speed_s - motion.on_s == pytest.approx(seconds, rel=0.03)
        top = float(motion.speed_hz[4400])
        assert motion.speed_hz[round(motion.at_speed_s * 1000)] == pytest.approx(
            AT_SPEED_SHARE * top, rel=0.01
        )


def test_a_stuck_start_switch_gives_no_click():
    motor = motor_of()
    shut = powered_run(motor, Course(12.0, 0.5, 3.0, start_winding="stuck_closed"))
    assert shut.clicks == ()
    assert shut.opens_s is None
    assert shut.at_speed_s is not None
    dead = powered_run(
        motor, Course(6.0, 0.5, 3.0, weak=np.zeros(6001), start_winding="stuck_open")
    )
    assert float(dead.speed_hz.max()) == 0.0
    assert dead.at_speed_s is None


@pytest.fixture(scope="module", params=[1, 4, 9])
def healthy_clip(request):
    # A machine whose order tones are strong and a near, quiet place.
    return clip(
        request.param, faults={}, other={}, stage="assembled", snr_db=35.0, phone=169, room=17
    )


def test_speed_and_slip_belong_together(healthy_clip):
    t = healthy_clip.truth
    sync = 120 * t["mains_hz"] / t["poles"]
    assert t["running_rpm"] == pytest.approx(sync * (1 - t["slip_percent"] / 100), rel=1e-9)
    assert 0.15 < t["slip_percent"] < 4.5
    assert abs(t["mains_hz"] / round(t["mains_hz"] / 10) / 10 - 1) < 1.1e-3


def test_switch_events_stand_at_their_speeds(healthy_clip):
    t = healthy_clip.truth
    sync = 2 * t["mains_hz"] / t["poles"]
    when, speed = (np.asarray(v) for v in t["speed_track"])
    opening = np.interp(t["start_switch_open_s"], when, speed) / sync
    assert 0.5 <= t["start_switch_open_share_of_speed"] < 0.87
    assert opening == pytest.approx(t["start_switch_open_share_of_speed"], abs=0.03)
    if t["start_switch_close_s"] is not None:
        assert t["start_switch_close_share_of_speed"] < t["start_switch_open_share_of_speed"]
        closing = np.interp(t["start_switch_close_s"], when, speed) / sync
        assert closing == pytest.approx(t["start_switch_close_share_of_speed"], abs=0.02)


def test_the_coast_down_follows_the_drag_of_the_truth(healthy_clip):
    t = healthy_clip.truth
    if t["at_rest_s"] is None:
        pytest.skip("this clip ends before the rotor rests")
    when, speed = (np.asarray(v) for v in t["speed_track"])
    off, took = t["switched_off_s"], t["at_rest_s"] - t["switched_off_s"]
    w0 = float(np.interp(off, when, speed))
    shares = [t["drag"][k] for k in ("coulomb", "viscous", "windage")]
    unit = (shares[0], shares[1] / w0, shares[2] / w0**2)
    scale = closed_form_stop(*unit, w0) / took
    a, b, c = (x * scale for x in unit)
    solved = solve_ivp(
        lambda _, w: -(a + b * w + c * w * w), (0, took), [w0], rtol=1e-9, dense_output=True
    )
    for share in (0.2, 0.5, 0.8):
        got = float(np.interp(off + share * took, when, speed))
        assert got == pytest.approx(float(solved.sol(share * took)[0]), abs=0.01 * w0)


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_in_the_sound_is_at_twice_the_mains(mains_hz):
    from quietrun.synth.families import machine_family

    number = next(n for n in range(200) if machine_family(n).hum_db > 2)
    fixed = {"machine": number, "phone": 169, "room": 17, "snr_db": 35.0, "mains_hz": mains_hz}
    sound = clip(8, faults={}, other={}, stage="motor_only", **fixed)
    x, rate, t = mono(sound), sound.rate_hz, sound.truth
    steady = x[int((t["at_speed_s"] + 0.2) * rate) : int((t["switched_off_s"] - 0.1) * rate)]
    assert abs(t["mains_hz"] / mains_hz - 1) < 1.06e-3
    assert line_hz(steady, rate, 2 * t["mains_hz"], 0.8) == pytest.approx(
        2 * t["mains_hz"], abs=0.05
    )
    # The hum dies with the power: nothing of it is left a tenth of a second later.
    coast = x[int((t["switched_off_s"] + 0.15) * rate) :][: steady.size]
    lines = [line_prominence_db(part, rate, 2 * t["mains_hz"], 2e-3) for part in (steady, coast)]
    assert lines[0] > lines[1] + 12


def test_order_tones_in_the_sound_follow_the_shaft():
    from quietrun.synth.families import machine_family

    number = next(n for n in range(200) if max((*machine_family(n).tone_db, -99)) > -6)
    family = machine_family(number)
    sound = clip(
        3, faults={}, other={}, stage="motor_only", machine=number, phone=169, snr_db=38.0, room=17
    )
    x, rate, t = mono(sound), sound.rate_hz, sound.truth
    order = family.tone_orders[int(np.argmax(family.tone_db))]
    shaft = t["running_rpm"] / 60
    steady = x[int((t["at_speed_s"] + 0.3) * rate) : int((t["switched_off_s"] - 0.1) * rate)]
    assert line_hz(steady, rate, order * shaft, 0.3 * shaft) == pytest.approx(
        order * shaft, rel=5e-4
    )


def test_hand_spins_slow_down_from_a_hands_speed():
    t = clip(5, faults={}, other={}, stage="hand_spin").truth
    speed = np.asarray(t["speed_track"][1])
    assert 1.0 < speed.max() <= 6.01
    assert t["switched_on_s"] is None
    assert t["running_rpm"] is None
    assert t["mains_hz"] is None
