"""The third bench: deterministic, true to mechanics, every mechanism heard at its severity."""

from __future__ import annotations

import importlib
import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

pytest.importorskip("numba", reason="the third bench integrates with numba (comes with librosa)")

SCRIPTS = Path(__file__).resolve().parents[1] / "scripts"
sys.path.insert(0, str(SCRIPTS))
try:
    audibility = importlib.import_module("second_bench.audibility")
    names = importlib.import_module("second_bench.names")
    clips = importlib.import_module("third_bench.clips")
    kernels = importlib.import_module("third_bench.kernels")
    machine = importlib.import_module("third_bench.machine")
    others = importlib.import_module("third_bench.others")
    phones = importlib.import_module("third_bench.phones")
    plan = importlib.import_module("third_bench.plan")
    cli = importlib.import_module("third_bench.cli")
finally:
    sys.path.remove(str(SCRIPTS))

FIELDS = {
    "file", "duration_s", "mains_hz", "poles", "stage", "running_rpm", "switched_on_s",
    "at_speed_s", "switched_off_s", "at_rest_s", "start_switch_open_s", "start_switch_close_s",
    "faults", "sources", "other", "problem", "usable", "snr_db", "family", "codec", "rate_hz",
    "mains_exact_hz", "click_over_db", "click_speed_share", "heard_over_db", "contacts", "runs",
    "ambience", "blades", "orders",
}  # fmt: skip
PHONE = replace(phones.draw_phone((1, 5), 0), rate_hz=16000, edge_hz=7600.0)
WISH = machine.Wishes(0.4, 1.2, 0.3)


def quick_machine(number: int, **fixed: Any) -> Any:
    drawn = machine.draw_machine((11, number), "t")
    return replace(drawn, run_up_s=0.35, coast_s=1.2, **fixed)


def dry(fault: str, mechanism: str, severity: float, stage: str = "assembled") -> Any:
    wanted = plan.Plan(1, 5, 0, 0, 0, stage, {fault: severity}, {fault: mechanism})
    return clips.dry_clip(wanted, quick_machine(3), PHONE, WISH)


# apart from the rest -------------------------------------------------------------


def test_takes_nothing_from_the_product_or_from_the_other_sound_models() -> None:
    allowed = ("second_bench.names", "second_bench.audibility")
    sources = sorted((SCRIPTS / "third_bench").glob("*.py"))
    assert len(sources) > 8
    for source in sources:
        for line in source.read_text(encoding="utf-8").splitlines():
            words = line.split()
            if words[:1] in (["from"], ["import"]):
                assert "quietrun" not in line, f"{source.name}: {line}"
                if "second_bench" in line:
                    assert words[1] in allowed, f"{source.name}: {line}"


# motion --------------------------------------------------------------------------


@pytest.mark.parametrize("number", range(12))
def test_the_speed_is_below_synchronous_and_the_events_come_in_order(number: int) -> None:
    drawn = machine.draw_machine((11, number), "t")
    m = machine.move(np.random.default_rng(number), drawn, WISH, 8000.0)
    sync = 4.0 * np.pi * m.mains_exact_hz / drawn.poles
    assert 0.90 * sync < m.full_rad_s < sync
    assert m.on_s < m.open_s < m.at_speed_s < m.off_s < m.close_s < m.rest_s
    assert 0.1 < m.at_speed_s - m.on_s < 3.2
    assert 0.4 < m.rest_s - m.off_s < 10.0
    assert 0.50 < m.open_share < 0.87
    assert m.close_share < m.open_share
    coast = m.speed[int(m.off_s * 8000) + 10 : int(m.rest_s * 8000)]
    assert np.all(np.diff(coast) <= 1e-6)


def test_turns_add_up_to_the_angle_and_drag_sets_the_coast_down() -> None:
    drawn = quick_machine(2, drag_split=(0.98, 0.01, 0.01))
    m = machine.move(np.random.default_rng(0), drawn, WISH, 8000.0)
    turned = float(m.theta[-1] - m.theta[0])
    assert turned == pytest.approx(float(m.speed.sum()) * m.full_rad_s / 8000.0, rel=1e-3)
    # Coulomb drag alone: a straight line down, half speed at half time
    middle = m.speed[int(0.5 * (m.off_s + m.rest_s) * 8000)]
    assert middle == pytest.approx(0.5, abs=0.05)
    short = machine.move(np.random.default_rng(0), drawn, replace(WISH, coast_factor=0.5), 8000.0)
    assert short.rest_s - short.off_s == pytest.approx(0.5 * (m.rest_s - m.off_s), rel=0.15)


def test_bearing_orders_are_those_of_the_textbook() -> None:
    # inner and outer pass rates add up to the number of balls; the cage is below one half
    for number in range(5):
        bearing = machine.draw_machine((11, number), "t").front
        orders = bearing.orders()
        assert orders["outer"] + orders["inner"] == pytest.approx(bearing.balls, abs=1e-3)
        assert 0.33 < orders["cage"] < 0.42
        assert orders["outer"] == pytest.approx(bearing.balls * orders["cage"], abs=1e-3)


def test_a_pitted_outer_ring_beats_at_its_own_order() -> None:
    bearings = importlib.import_module("third_bench.bearings")
    found = []
    for seed in range(6):
        drawn = quick_machine(seed, poles=4, mains_hz=50)
        drawn = replace(drawn, rear=drawn.front)
        m = machine.move(np.random.default_rng(1), drawn, replace(WISH, steady_s=3.0), 16000.0)
        x = bearings.outer_pit(np.random.default_rng(seed), drawn, m)[m.span("steady")]
        envelope = np.square(x.astype(np.float64))
        line = np.abs(np.fft.rfft((envelope - envelope.mean()) * np.hanning(envelope.size)))
        order = np.arange(line.size) * 16000.0 / envelope.size / (m.full_rad_s / (2 * np.pi))
        want = drawn.front.orders()["outer"]
        near = np.abs(order / want - 1.0) < 0.03
        away = (order > 0.6 * want) & (order < 1.5 * want) & ~near
        found.append(line[near].max() > 3.0 * np.median(line[away]))
    assert sum(found) >= 5


# severity ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "mechanism"), [(f, m) for f, table in plan.MECHANISMS.items() for m in table]
)
def test_every_mechanism_sounds_at_its_severity(fault: str, mechanism: str) -> None:
    made = dry(fault, mechanism, 0.6)
    part = made.parts[fault]
    assert part.shape == made.own.shape
    assert np.isfinite(part).all()
    window = made.windows[fault]
    over = audibility.excess_db(part[window], made.own[window], 16000.0, 7200.0)
    assert over == pytest.approx(audibility.wanted_db(0.6), abs=0.3)
    rest = part[int((made.motion.rest_s + 0.25) * 16000) :]
    assert float(np.abs(rest).max()) < 0.05 * float(np.abs(part).max())


def test_more_severity_is_more_of_the_same_sound() -> None:
    faint, strong = (dry("impeller_rub", "high_blade", s) for s in (0.2, 0.8))
    np.testing.assert_array_equal(faint.own, strong.own)
    ratio = strong.parts["impeller_rub"].std() / faint.parts["impeller_rub"].std()
    assert 20.0 * np.log10(ratio) == pytest.approx(15.0, abs=0.1)


def test_burrs_touch_only_where_the_contacts_say() -> None:
    made = dry("burr_contact", "full_ring", 0.9, "burr_setting")
    assert made.contacts
    loud = np.abs(made.parts["burr_contact"])
    near = np.zeros(loud.size, dtype=bool)
    for start, until in made.contacts:
        near[int(start * 16000) : int((until + 0.2) * 16000)] = True
    assert loud[~near].max() < 0.05 * loud[near].max()


@pytest.mark.parametrize("name", list(names.OTHERS))
def test_every_other_fault_changes_the_run_or_the_sound(name: str) -> None:
    wish = others.changed_motion(np.random.default_rng(3), name, 0.7, WISH)
    wanted = plan.Plan(1, 5, 0, 0, 0, "assembled", other={name: 0.7})
    made = clips.dry_clip(wanted, quick_machine(3), PHONE, wish)
    assert np.isfinite(made.sound).all()
    assert wish != WISH or float(np.abs(made.parts[name]).max()) > 0.0
    m = made.motion
    if name == "did_not_start":
        assert m.at_speed_s is None
    if name == "start_switch_stuck_closed":
        assert m.open_s is None
        assert m.close_s is None
    if name == "speed_sags":
        whole = machine.move(np.random.default_rng(0), quick_machine(3), WISH, 8000.0)
        assert m.full_rad_s < 0.985 * whole.full_rad_s


# files and truth -----------------------------------------------------------------


def check(truth: dict[str, Any], folder: Path) -> None:
    assert set(truth) - {"spin_turns_per_s"} == FIELDS
    assert ("spin_turns_per_s" in truth) == (truth["stage"] == "hand_spin")
    assert (folder / truth["file"]).stat().st_size > 0
    assert set(truth["faults"]) == set(names.FAULTS)
    assert set(truth["sources"]) == {k for k, v in truth["faults"].items() if v > 0}
    if truth["problem"] in names.FATAL:
        assert not truth["usable"]
    for key in ("switched_on_s", "at_speed_s", "switched_off_s", "at_rest_s"):
        assert truth[key] is None or 0.0 <= truth[key] < truth["duration_s"]
    if truth["problem"] is None and truth["running_rpm"] is not None:
        sync = 120.0 * truth["mains_exact_hz"] / truth["poles"]
        assert 0.4 * sync < truth["running_rpm"] < sync
        assert truth["switched_on_s"] < truth["at_speed_s"] < truth["switched_off_s"]
    json.dumps(truth, allow_nan=False)


def test_every_problem_makes_a_file_with_a_sane_truth(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # the phones as drawn, at a rate that costs less
    monkeypatch.setattr(
        clips,
        "draw_phone",
        lambda *given: (
            replace(phones.draw_phone(*given), rate_hz=16000, edge_hz=7000.0)
            if not given[-1]
            else phones.draw_phone(*given)
        ),
    )
    for index in range(len(names.PROBLEMS)):
        truth = clips.make_clip(plan.draw_plan(index, 4, 16, "problems"), tmp_path)
        assert truth["problem"] == names.PROBLEMS[index]
        check(truth, tmp_path)


def test_a_set_comes_out_the_same_whoever_makes_it(tmp_path: Path) -> None:
    done = CliRunner().invoke(
        cli.main, ["make", str(tmp_path / "a"), "--n", "3", "--seed", "9", "--kind", "mixed"]
    )
    assert done.exit_code == 0, done.output
    lines = (tmp_path / "a" / "truth.jsonl").read_text(encoding="utf-8").splitlines()
    (tmp_path / "b").mkdir()
    again = clips.make_clip(plan.draw_plan(2, 9, 3, "mixed"), tmp_path / "b")
    told = json.loads(lines[2])
    assert again == told
    check(told, tmp_path / "b")
    if told["file"].endswith((".wav", ".flac")):
        assert (tmp_path / "a" / told["file"]).read_bytes() == (
            tmp_path / "b" / told["file"]
        ).read_bytes()


def test_the_mixture_of_a_usable_set_is_the_agreed_one() -> None:
    plans = [plan.draw_plan(i, 3, 2000, "usable") for i in range(2000)]
    audible = [p for p in plans if any(s >= names.AUDIBLE_FROM for s in p.faults.values())]
    assert 0.42 < len(audible) / 2000 < 0.54
    assert 0.07 < sum(bool(p.other) for p in plans) / 2000 < 0.13
    assert 0.14 < sum(not p.faults and not p.other for p in plans) / 2000 < 0.21
    assert 0.66 < sum(p.stage == "assembled" for p in plans) / 2000 < 0.74
    assert {n for p in plans for n in p.other} == set(names.OTHERS)
    for p in plans:
        assert set(p.faults) <= set(names.POSSIBLE[p.stage])
        assert p.problem is None
