"""The fourth bench: same seed, same sound; a whole truth; severity as audibility."""

import importlib
import json
import re
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

ROOT = Path(__file__).resolve().parents[1]
FIELDS = {
    "file", "duration_s", "mains_hz", "poles", "stage", "running_rpm", "switched_on_s",
    "at_speed_s", "switched_off_s", "at_rest_s", "start_switch_open_s", "start_switch_close_s",
    "faults", "sources", "other", "problem", "usable", "snr_db", "family", "codec", "rate_hz",
    "mains_exact_hz", "click_over_db", "click_speed_share", "heard_over_db", "contacts", "runs",
    "ambience", "blades", "orders",
}  # fmt: skip
EVENTS = (
    "switched_on_s", "start_switch_open_s", "at_speed_s", "switched_off_s",
    "start_switch_close_s", "at_rest_s",
)  # fmt: skip


@pytest.fixture(scope="module")
def bench():
    """The modules of the bench; scripts are no package of the project."""
    sys.path.insert(0, str(ROOT / "scripts"))
    try:
        names = ("cli", "clips", "plan", "oddities", "motion", "bearings")
        made = {name: importlib.import_module(f"fourth_bench.{name}") for name in names}
        made["words"] = importlib.import_module("second_bench.names")
        made["scale"] = importlib.import_module("second_bench.audibility")
    finally:
        sys.path.remove(str(ROOT / "scripts"))
    return made


@pytest.fixture(scope="module")
def plain(bench):
    """Plan of a short sound machine in a quiet room."""
    plan = bench["plan"].draw(3, 0, 40, "usable")
    times = bench["motion"].Times(0.5, 0.6, 1.7, 1.2, 0.5)
    phone = replace(plan.phone, rate_hz=32000, codec="wav", top_hz=15000.0, agc=0.0, gate_db=0.0)
    return replace(
        plan, phone=phone, stage="assembled", times=times, faults={}, other=None, touches=None
    )


def taken(bench, plan):
    return bench["clips"].play(plan, np.random.default_rng(5), 32000)


def test_the_bench_uses_neither_the_product_nor_the_machines_of_the_second_bench():
    files = sorted((ROOT / "scripts" / "fourth_bench").glob("*.py"))
    assert len(files) > 10
    for path in files:
        text = path.read_text()
        assert not re.search(r"^\s*(from|import) quietrun", text, re.M), path
        shared = set(re.findall(r"from second_bench\.(\w+)", text))
        assert shared <= {"names", "audibility"}, path


def test_a_clip_depends_on_seed_and_number_alone(bench, tmp_path):
    made = CliRunner().invoke(
        bench["cli"].main,
        ["make", str(tmp_path), "--n", "3", "--seed", "11", "--kind", "mixed", "--jobs", "1"],
    )
    assert made.exit_code == 0, made.output
    lines = (tmp_path / "truth.jsonl").read_text().splitlines()
    assert len(lines) == 3
    again = tmp_path / "again"
    again.mkdir()
    for index in reversed(range(3)):  # another order, as other jobs would take them
        assert bench["cli"].one(again, 11, index, 3, "mixed") == lines[index]
        truth = json.loads(lines[index])
        assert set(truth) - {"spin_turns_per_s"} == FIELDS
        if not truth["file"].endswith(".opus"):  # an Ogg stream has a random serial number
            same = [(folder / truth["file"]).read_bytes() for folder in (tmp_path, again)]
            assert same[0] == same[1]


def test_the_truth_of_a_usable_set_is_possible(bench):
    names, seen = bench["words"], 0
    for index in range(400):
        plan = bench["plan"].draw(2, index, 400, "usable")
        assert plan.problem is None
        assert set(plan.faults) <= set(names.POSSIBLE[plan.stage])
        assert all(0.02 <= severity <= 1.0 for _, severity in plan.faults.values())
        assert plan.run_hz < plan.sync_hz
        assert plan.run_hz / plan.sync_hz > 0.95
        assert 8 <= plan.snr_db <= 40
        assert 4.0 < plan.times.length_s < 26.0
        assert 0.5 <= plan.maker.open_share <= 0.85
        assert plan.maker.close_share < plan.maker.open_share
        seen += bool(plan.faults)
    assert 0.6 < seen / 400 < 0.85


def test_every_mechanism_and_other_fault_comes_up(bench):
    plans = [bench["plan"].draw(4, i, 1500, "usable") for i in range(1500)]
    sources = {(f, m) for p in plans for f, (m, _) in p.faults.items()}
    wanted = {(f, m) for f, ms in bench["plan"].MECHANISMS.items() for m in ms}
    assert sources == wanted
    assert all(len(ms) >= 4 for ms in bench["plan"].MECHANISMS.values())
    assert {p.other[0] for p in plans if p.other} == set(bench["words"].OTHERS)
    assert {p.stage for p in plans} == set(bench["words"].STAGES)


def test_events_are_in_order_and_at_the_speeds_they_claim(bench, plain):
    for index in range(6):
        maker = bench["plan"].draw(8, index, 6, "usable").maker
        plan = replace(plain, maker=maker, mains_hz=float(maker.mains_hz))
        plan = replace(plan, run_hz=plan.sync_hz * 0.985)
        _, truth = bench["clips"].build(plan)
        times = [truth[name] for name in EVENTS]
        assert all(t is not None for t in times)
        assert times == sorted(times)
        assert truth["at_rest_s"] < truth["duration_s"]
        assert truth["running_rpm"] == pytest.approx(60 * plan.run_hz, rel=2e-3)
        shares = truth["click_speed_share"]
        assert 0.48 <= shares["open"] <= 0.86
        assert shares["close"] < shares["open"]


def test_severity_is_how_far_the_fault_stands_over_the_sound_machine(bench, plain):
    for fault, mechanism in (
        ("bearing_noise", "ball_ticks"),
        ("impeller_rub", "blade_slaps"),
        ("pre_breaker_wobble", "knock_knock"),
        ("burr_contact", "chirp_point"),
    ):
        heard = []
        for severity in (0.1, 0.5, 1.0):
            take = taken(bench, replace(plain, faults={fault: (mechanism, severity)}))
            made, own = take.parts[fault]
            heard.append(bench["scale"].excess_db(made, own, 32000, 15000.0))
        # 25 dB a unit of severity, 0 dB at 0.2 (DESIGN, section 4)
        assert heard == pytest.approx([-2.5, 7.5, 20.0], abs=0.5)


def test_every_mechanism_sounds_while_it_turns_and_stops_with_the_shaft(bench, plain):
    for fault, mechanisms in bench["plan"].MECHANISMS.items():
        for mechanism in mechanisms:
            take = taken(bench, replace(plain, faults={fault: (mechanism, 0.9)}))
            added = take.dry - take.own
            assert np.isfinite(added).all()
            motion = take.scene.motion
            turning = np.mean(np.square(added[motion.span("turning")]))
            after = added[int((motion.rest_s + 0.3) * 32000) :]
            before = added[: int((motion.on_s - 0.05) * 32000)]
            assert np.mean(np.square(after)) < 1e-4 * turning, mechanism
            assert np.mean(np.square(before)) < 1e-4 * turning, mechanism


def test_the_rough_bearing_lasts_when_the_power_is_cut_and_the_hum_does_not(bench, plain):
    take = taken(bench, replace(plain, faults={"bearing_noise": ("ball_ticks", 0.9)}))
    off = int(take.scene.motion.off_s * 32000)
    added = take.dry - take.own
    just_after = np.mean(np.square(added[off + 1600 : off + 8000]))
    assert just_after > 0.1 * np.mean(np.square(added[off - 8000 : off - 1600]))
    growl = taken(bench, replace(plain, other=("magnetic_growl", 0.9)))
    added = growl.dry - growl.own
    clicks = [at for at, _ in growl.clicks.values()]
    assert all(abs(at - off) > 8000 for at in clicks)
    just_after = np.mean(np.square(added[off + 1600 : off + 8000]))
    assert just_after < 1e-4 * np.mean(np.square(added[off - 8000 : off - 1600]))


def test_rubs_and_burrs_repeat_by_the_turn_and_ball_ticks_do_not(bench, plain):
    orders = np.arange(0.9, 9.0, 0.02)

    def strongest(fault, mechanism):
        take = taken(bench, replace(plain, faults={fault: (mechanism, 1.0)}))
        span = take.scene.motion.span("steady")
        power = np.square((take.dry - take.own)[span])[::4]
        turn = take.scene.motion.turn[span][::4]
        power = power - power.mean()
        lines = [abs(np.mean(power * np.exp(-2j * np.pi * k * turn))) for k in orders]
        return float(orders[int(np.argmax(lines))])

    for fault, mechanism in (
        ("burr_contact", "high_spot_ting"),
        ("impeller_rub", "shhk_once_a_turn"),
    ):
        order = strongest(fault, mechanism)
        assert abs(order - round(order)) <= 0.025, mechanism
    order = strongest("bearing_noise", "ball_ticks")
    made = plain.maker.orders
    passes = [made[name] * k for name in ("outer", "inner", "ball") for k in (1, 2)]
    assert min(abs(order / real - 1) for real in passes) < 0.03
    assert abs(order - round(order)) > 0.05


def test_every_other_fault_renders_and_those_that_do_not_start_do_not(bench, plain):
    for name in bench["words"].OTHERS:
        times = bench["plan"]._changed(np.random.default_rng(1), plain.times, name, 0.8)
        data, truth = bench["clips"].build(replace(plain, times=times, other=(name, 0.8)))
        assert np.isfinite(data).all()
        assert np.abs(data).max() > 0.01
        stopped = name in ("did_not_start", "start_switch_stuck_open")
        assert (truth["running_rpm"] is None) == stopped
        if name in bench["clips"].SILENT_STARTS:
            assert truth["start_switch_open_s"] is None
        if name == "drag":
            assert truth["at_rest_s"] - truth["switched_off_s"] < 0.7 * plain.times.coast_s


def test_every_problem_renders_with_a_truth_that_fits(bench, plain, tmp_path):
    for problem in bench["words"].PROBLEMS:
        plan = replace(plain, faults={"burr_contact": ("ringing_arc", 0.6)})
        plan = bench["plan"]._afflicted(np.random.default_rng(2), plan, problem)
        truth = bench["clips"].make(plan, tmp_path)
        assert truth["problem"] == problem
        assert (tmp_path / truth["file"]).stat().st_size > 0
        if problem != "cut_file":
            assert truth["usable"] == (problem not in bench["words"].FATAL)
        if problem in ("no_sound", "no_machine", "other_machine"):
            assert not any(truth["faults"].values())
        if problem == "already_running":
            assert truth["switched_on_s"] is None
            assert truth["switched_off_s"] is not None
        if problem == "no_switch_off":
            assert truth["switched_off_s"] is None
        if problem == "several_runs":
            assert len(truth["runs"]) >= 2
        if problem == "too_short":
            assert truth["duration_s"] < 1.0


def test_burr_setting_touches_only_when_it_says_so(bench, plain):
    plan = replace(
        plain, stage="burr_setting", touches=((1.3, 1.9),),
        faults={"burr_contact": ("steel_screech", 0.8)},
    )  # fmt: skip
    take = taken(bench, plan)
    added = np.square(take.dry - take.own)
    inside = added[int(1.35 * 32000) : int(1.85 * 32000)].mean()
    assert added[int(2.05 * 32000) : int(2.6 * 32000)].mean() < 1e-3 * inside
    assert bench["clips"].tell(plan, take, take.dry, 0 * take.dry)["contacts"] == [[1.3, 1.9]]
