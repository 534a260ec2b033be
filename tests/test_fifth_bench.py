"""The fifth bench: same seed, same sound; a whole truth; severity as audibility."""

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
RATE_HZ = 32000


@pytest.fixture(scope="module")
def bench():
    """The modules of the bench; scripts are no package of the project."""
    sys.path.insert(0, str(ROOT / "scripts"))
    try:
        names = ("cli", "clips", "plan", "motion", "makers", "body", "phones")
        made = {name: importlib.import_module(f"fifth_bench.{name}") for name in names}
        made["words"] = importlib.import_module("second_bench.names")
        made["scale"] = importlib.import_module("second_bench.audibility")
    finally:
        sys.path.remove(str(ROOT / "scripts"))
    return made


@pytest.fixture(scope="module")
def plain(bench):
    """Plan of a short sound machine in a quiet room."""
    plan = next(
        p
        for p in (bench["plan"].draw(3, k, "usable") for k in range(50))
        if p.stage == "assembled" and p.other is None
    )
    timing = replace(
        plan.timing, runs=((0.5, 3.4),), length_s=6.0, run_up_s=0.7, coast_s=1.7, slip=0.01
    )
    phone = replace(
        plan.phone, rate_hz=RATE_HZ, codec="wav", kbps=0.0, top_hz=14000.0, agc=0.0,
        suppress_db=0.0,
    )  # fmt: skip
    return replace(plan, phone=phone, timing=timing, faults={}, other=None, touches=None)


def taken(bench, plan):
    return bench["clips"].play(plan, RATE_HZ)


def test_the_bench_uses_neither_the_product_nor_the_machines_of_the_other_benches():
    files = sorted((ROOT / "scripts" / "fifth_bench").glob("*.py"))
    assert len(files) > 10
    for path in files:
        text = path.read_text()
        assert not re.search(r"^\s*(from|import) (quietrun|third_bench|fourth_bench)", text, re.M)
        shared = set(re.findall(r"from second_bench(?:\.(\w+))? import (.+)", text))
        for module, words in shared:
            assert set((module or words).split(", ")) <= {"names", "audibility"}, path


def test_a_clip_depends_on_seed_and_number_alone_and_work_goes_on_where_it_stopped(bench, tmp_path):
    said = ["make", str(tmp_path), "--n", "3", "--seed", "11", "--kind", "all", "--jobs", "1"]
    made = CliRunner().invoke(bench["cli"].main, said)
    assert made.exit_code == 0, made.output
    lines = (tmp_path / "truth.jsonl").read_text().splitlines()
    assert len(lines) == 3
    again = tmp_path / "again"
    again.mkdir()
    for index in reversed(range(3)):  # another order, as other jobs would take them
        assert bench["cli"].one(again, 11, index, "all") == lines[index]
        truth = json.loads(lines[index])
        assert set(truth) - {"spin_turns_per_s"} == FIELDS
        if truth["codec"].split("-")[0] in ("wav", "flac", "mp3"):  # others carry random numbers
            same = [(folder / truth["file"]).read_bytes() for folder in (tmp_path, again)]
            assert same[0] == same[1]
    first = tmp_path / json.loads(lines[0])["file"]
    stamp = first.stat().st_mtime_ns
    (tmp_path / "notes" / "00002.json").unlink()
    assert CliRunner().invoke(bench["cli"].main, said).exit_code == 0
    assert (tmp_path / "truth.jsonl").read_text().splitlines() == lines
    assert first.stat().st_mtime_ns == stamp
    other_seed = CliRunner().invoke(bench["cli"].main, [*said[:4], "--seed", "12"])
    assert other_seed.exit_code == 2
    assert "take another folder" in other_seed.output


def test_the_truth_of_a_usable_set_is_possible(bench):
    names, main, traces = bench["words"], 0, 0
    for index in range(500):
        plan = bench["plan"].draw(2, index, "usable")
        assert plan.problem is None
        assert set(plan.faults) <= set(names.POSSIBLE[plan.stage])
        severities = [severity for _, severity in plan.faults.values()]
        assert all(0.01 <= severity <= 1.0 for severity in severities)
        assert 6 <= plan.snr_db <= 45
        assert 6.0 <= plan.timing.length_s <= 22.6
        assert 0.5 <= plan.maker.open_share <= 0.85
        assert plan.maker.close_share < plan.maker.open_share
        main += any(severity >= names.AUDIBLE_FROM for severity in severities)
        traces += any(severity < names.AUDIBLE_FROM for severity in severities)
    assert 0.5 < main / 500 < 0.7  # about a third sound, some with another fault
    assert traces / 500 > 0.2


def test_kinds_give_what_they_say(bench):
    draw = bench["plan"].draw
    assert {draw(5, i, "hand_spin").stage for i in range(40)} == {"hand_spin"}
    assert {draw(5, i, "problems").problem for i in range(300)} == set(bench["words"].PROBLEMS)
    mixed = [draw(5, i, "all").problem is None for i in range(300)]
    assert 0.65 < np.mean(mixed) < 0.85


def test_every_mechanism_and_other_fault_comes_up(bench):
    plans = [bench["plan"].draw(4, i, "usable") for i in range(1500)]
    sources = {(f, m) for p in plans for f, (m, _) in p.faults.items()}
    wanted = {(f, m) for f, ms in bench["plan"].MECHANISMS.items() for m in ms}
    assert sources == wanted
    assert all(len(ms) >= 4 for ms in bench["plan"].MECHANISMS.values())
    assert {p.other[0] for p in plans if p.other} == set(bench["words"].OTHERS)
    assert {p.stage for p in plans} == set(bench["words"].STAGES)


def test_no_machine_room_or_phone_is_shared_between_seeds(bench):
    for part in ("maker", "room", "phone"):
        towns = [
            {getattr(bench["plan"].draw(seed, i, "usable"), part).name for i in range(60)}
            for seed in (7, 71)
        ]
        assert not towns[0] & towns[1]


def test_every_rotor_gets_to_speed_and_runs_down_in_the_time_wanted(bench):
    for index in range(60):
        plan = bench["plan"].draw(6, index, "usable")
        if plan.stage == "hand_spin" or plan.other is not None:
            continue
        motion = bench["motion"].integrate(plan.timing)
        off_s = plan.timing.runs[0][1]
        assert motion.run_share > 0.93
        assert motion.at_speed_s < off_s - 1.0
        assert motion.rest_s - off_s == pytest.approx(plan.timing.coast_s, rel=0.05, abs=0.05)


def test_drag_of_each_kind_gives_the_run_down_it_must(bench):
    # from du/dt = -(a + b u + c u^2): with Coulomb drag alone the speed falls by a straight line
    timing = replace(
        bench["plan"].draw(6, 1, "usable").timing, drag_split=(1.0, 0.0, 0.0), spin_hz=2.0,
        coast_s=4.0, run_up_s=0.2, runs=((0.5, 0.5),), length_s=6.0,
    )  # fmt: skip
    motion = bench["motion"].integrate(timing)
    step = bench["motion"].STEP_S
    half_s = float(np.flatnonzero(motion.u > 0.5)[-1]) * step
    assert half_s - motion.at_speed_s == pytest.approx(2.0, abs=0.03)
    assert motion.rest_s - motion.at_speed_s == pytest.approx(4.0, abs=0.03)


def test_events_are_in_order_and_at_the_speeds_they_claim(bench, plain):
    for index in range(5):
        maker = bench["plan"].draw(8, index, "usable").maker
        timing = replace(plain.timing, open_share=maker.open_share, close_share=maker.close_share)
        plan = replace(plain, maker=maker, mains_hz=float(maker.mains_hz), timing=timing)
        _, truth = bench["clips"].build(plan)
        times = [truth[name] for name in EVENTS]
        assert all(t is not None for t in times)
        assert times == sorted(times)
        assert truth["at_rest_s"] < truth["duration_s"]
        sync_rpm = 120 * maker.mains_hz / maker.poles
        assert 0.94 * sync_rpm < truth["running_rpm"] < sync_rpm
        shares = truth["click_speed_share"]
        assert shares["open"] == pytest.approx(maker.open_share, abs=0.06)
        assert shares["close"] < shares["open"]


def test_severity_is_how_far_the_fault_stands_over_the_sound_machine(bench, plain):
    for fault, mechanism in (
        ("bearing_noise", "gritty_grease"),
        ("impeller_rub", "warped_disc"),
        ("pre_breaker_wobble", "nodding_plate"),
        ("burr_contact", "zero_chirp"),
    ):
        heard = []
        for severity in (0.1, 0.5, 1.0):
            take = taken(bench, replace(plain, faults={fault: (mechanism, severity)}))
            sound, own = take.parts[fault]
            made = sound[take.scene.span("steady")]
            heard.append(bench["scale"].excess_db(made, own, RATE_HZ, 14000.0))
        # 25 dB a unit of severity, 0 dB at 0.2 (DESIGN, section 4)
        assert heard == pytest.approx([-2.5, 7.5, 20.0], abs=0.5)


def test_every_mechanism_sounds_while_it_turns_and_stops_with_the_shaft(bench, plain):
    for fault, mechanisms in bench["plan"].MECHANISMS.items():
        for mechanism in mechanisms:
            take = taken(bench, replace(plain, faults={fault: (mechanism, 0.9)}))
            added, _ = take.parts[fault]
            assert np.isfinite(added).all()
            motion, scene = take.scene.motion, take.scene
            turning = np.mean(np.square(added[scene.span("turning")]))
            after = added[int((motion.rest_s + 0.3) * RATE_HZ) :]
            before = added[: int(0.45 * RATE_HZ)]
            assert turning > 0
            assert np.mean(np.square(after)) < 1e-4 * turning, mechanism
            assert np.mean(np.square(before)) < 1e-4 * turning, mechanism


def test_the_rough_bearing_lasts_when_the_power_is_cut_and_the_growl_does_not(bench, plain):
    off = int(plain.timing.runs[0][1] * RATE_HZ)

    def kept(sound):
        after = np.mean(np.square(sound[off + 4800 : off + 9600]))
        return after / np.mean(np.square(sound[off - 9600 : off - 1600]))

    rough = taken(bench, replace(plain, faults={"bearing_noise": ("worn_rumble", 0.9)}))
    assert kept(rough.parts["bearing_noise"][0]) > 0.1
    growl = taken(bench, replace(plain, other=("magnetic_growl", 0.9)))
    assert kept(growl.parts["magnetic_growl"][0]) < 1e-3


def test_rubs_and_burrs_repeat_by_the_turn_and_spalls_do_not(bench, plain):
    orders = np.arange(0.9, 9.0, 0.02)

    def strongest(fault, mechanism):
        take = taken(bench, replace(plain, faults={fault: (mechanism, 1.0)}))
        span = take.scene.span("steady")
        power = np.square(take.parts[fault][0][span])[::4]
        turn = take.scene.turn[span][::4]
        power = power - power.mean()
        lines = [abs(np.mean(power * np.exp(-2j * np.pi * k * turn))) for k in orders]
        return float(orders[int(np.argmax(lines))])

    for fault, mechanism in (("burr_contact", "zero_chirp"), ("impeller_rub", "one_high_blade")):
        order = strongest(fault, mechanism)
        assert abs(order - round(order)) <= 0.025, mechanism
    order = strongest("bearing_noise", "outer_spall")
    outer = plain.maker.orders["outer"]
    assert min(abs(order / (k * outer) - 1) for k in (1, 2)) < 0.03
    assert abs(outer - round(outer)) > 0.05


def test_orders_of_the_bearing_add_up(bench):
    # standard kinematics: outer + inner = balls, cage = outer / balls
    for number in range(20):
        maker = bench["makers"].draw(9, number)
        orders = maker.orders
        assert orders["outer"] + orders["inner"] == pytest.approx(maker.balls, abs=2e-4)
        assert orders["cage"] == pytest.approx(orders["outer"] / maker.balls, abs=2e-4)


def test_modes_repel_as_in_coupled_structures(bench):
    hz = np.concatenate(
        [bench["body"].mode_frequencies(np.random.default_rng(k), 10000.0) for k in range(8)]
    )
    gaps = np.diff(hz)
    gaps = gaps[gaps > 0]
    # Wigner's surmise: variance over squared mean 4/pi - 1 = 0.273 (for random places it is 1)
    assert np.var(gaps / gaps.mean()) < 0.5


def test_every_other_fault_renders_and_those_that_do_not_start_do_not(bench, plain):
    for name in bench["words"].OTHERS:
        timing = bench["plan"]._changed(np.random.default_rng(1), plain.timing, (name, 0.8))
        data, truth = bench["clips"].build(replace(plain, timing=timing, other=(name, 0.8)))
        assert np.isfinite(data).all()
        assert np.abs(data).max() > 0.01
        assert truth["other"] == {name: 0.8}
        stopped = name in ("did_not_start", "start_switch_stuck_open")
        assert (truth["running_rpm"] is None) == stopped
        if stopped or name == "start_switch_stuck_closed":
            assert truth["start_switch_open_s"] is None
        if name == "drag":
            assert truth["at_rest_s"] - truth["switched_off_s"] < 0.7 * plain.timing.coast_s


def test_every_problem_renders_with_a_truth_that_fits(bench, plain, tmp_path):
    for problem in bench["words"].PROBLEMS:
        plan = replace(plain, faults={"burr_contact": ("teeth_over_arc", 0.6)})
        plan = bench["plan"].afflicted(np.random.default_rng(2), plan, problem)
        truth = bench["clips"].make(plan, tmp_path)
        assert truth["problem"] == problem
        assert (tmp_path / truth["file"]).stat().st_size > 0
        if problem != "cut_file":
            assert truth["usable"] == (problem not in bench["words"].FATAL)
            read_s = bench["phones"].decoded_s(tmp_path / truth["file"])
            assert read_s == pytest.approx(truth["duration_s"], abs=0.15)
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


def test_every_codec_writes_what_can_be_read(bench, tmp_path):
    tone = 0.3 * np.sin(2 * np.pi * 440 * np.arange(48000) / 48000).astype(np.float32)
    for codec, (_, _, suffix, rates, kbps) in bench["phones"].CODECS.items():
        rate = rates[-1] if rates else 48000
        path = tmp_path / f"{codec}{suffix}"
        bench["phones"].write(path, tone[:rate], rate, codec, kbps[-1] if kbps else 0.0)
        assert bench["phones"].decoded_s(path) == pytest.approx(1.0, abs=0.12), codec


def test_burr_setting_touches_only_when_it_says_so(bench, plain):
    faults = {"burr_contact": ("full_face", 0.8)}
    plan = replace(plain, stage="burr_setting", touches=((1.6, 2.2),), faults=faults)
    take = taken(bench, plan)
    added = np.square(take.parts["burr_contact"][0])
    inside = added[int(1.7 * RATE_HZ) : int(2.1 * RATE_HZ)].mean()
    assert added[int(2.3 * RATE_HZ) : int(2.9 * RATE_HZ)].mean() < 1e-3 * inside
    assert bench["clips"].tell(plan, take, 20.0)["contacts"] == [[1.6, 2.2]]
