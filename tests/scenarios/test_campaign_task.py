"""One task: an item on a simulated bench of its own."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest

from hil.core.errors import PlanError
from hil.core.verdict import Verdict
from hil.scenarios import campaign_task
from hil.scenarios.campaign_task import Task, items_of, rig_of, run_task, runnable_items
from hil.twin.variation import Change, Variation

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
PLAN = f"""
format: 1
plan: brief
rig: {RIG}
scenarios:
  - id: start
    scenario: start
    speed: 1000 rpm
    hold: 0.3 s
    matrix: {{sensing: [hall]}}
    bands:
      success: {{exactly: 1}}
      time-to-speed: {{max: 2 s}}
  - id: odd
    scenario: start
    speed: 1000 rpm
    hold: 0.1 s
    sensing: hall
    bands: {{handover-speed: {{min: 1 rpm}}}}
"""


@pytest.fixture(scope="module")
def plan(tmp_path_factory) -> str:
    path = tmp_path_factory.mktemp("campaign") / "brief.plan.yaml"
    path.write_text(PLAN)
    return str(path)


@pytest.fixture(scope="module")
def result(plan):
    return run_task(Task(plan, "start.hall"))


def test_a_healthy_rig_passes(result) -> None:
    assert result.verdict is Verdict.PASS
    judged = {one.measure: one for one in result.judged}
    assert judged["success"].value == 1.0
    assert 0.0 < judged["time-to-speed"].value < 2.0
    assert judged["time-to-speed"].margin == pytest.approx(2.0 - judged["time-to-speed"].value)


def test_the_short_plan_for_hall_sensors_catches_a_stall_that_is_left_to_the_over_current() -> None:
    hall, item = str(RIG.parents[1] / "hall.plan.yaml"), "hall-stall"
    assert run_task(Task(hall, item)).verdict is Verdict.PASS
    masked = Variation("masked", (Change("firmware.defects.fault_mask", 2),))
    found = run_task(Task(hall, item, variation=masked))
    assert found.verdict is Verdict.FAIL
    assert [j.measure for j in found.judged if j.verdict is Verdict.FAIL] == [
        "trip-time-from-brake"
    ]


def test_what_a_rig_cannot_sense_is_left_out_and_said(plan, tmp_path) -> None:
    rig = tmp_path / "poor.yaml"
    rig.write_text(f"based-on: {RIG}\nrig: poor\nboard: {{sensing: [back-emf]}}\n")
    text = Path(plan).read_text(encoding="utf-8").replace("    sensing: hall\n", "")
    other = tmp_path / "other.plan.yaml"
    other.write_text(text)
    able, told = runnable_items(str(other), str(rig))
    assert list(able) == ["odd"]
    assert told[0].startswith("rig poor has no sensing hall (board.sensing: back-emf): 1 of 2 ")


def test_a_band_that_does_not_apply(plan) -> None:
    found = run_task(Task(plan, "odd"))
    assert found.verdict is Verdict.NOT_RUN, "a Hall start has no handover"
    assert [one.verdict for one in found.judged] == [Verdict.NOT_RUN]


def test_measures_are_kept_with_unit_and_uncertainty(result) -> None:
    found = {one.measure: one for one in result.measured}
    assert set(found) > {"time-to-speed", "peak-current", "steady-error", "speed-disagreement"}
    assert (found["time-to-speed"].unit, found["time-to-speed"].outcome) == ("s", "value")
    assert found["time-to-speed"].uncertainty > 0.0
    assert found["handover-speed"].value is None
    assert {one.repeat for one in result.measured} == {1}


def test_times(result) -> None:
    assert 0.5 < result.bench_seconds < 10.0
    assert result.wall_seconds > 0.0


def test_the_same_task_gives_the_same_result(plan, result) -> None:
    assert run_task(Task(plan, "start.hall")) == result


def test_another_seed_gives_another_noise(plan, result) -> None:
    other = run_task(Task(plan, "start.hall", seed="2"))
    assert other.verdict is Verdict.PASS
    assert other.measured != result.measured


def test_a_result_is_small(result) -> None:
    assert len(pickle.dumps(result)) < 10_000
    assert pickle.loads(pickle.dumps(result)) == result


def test_it_measures_what_the_plan_measures_in_a_run(plan, result) -> None:
    """The campaign must not find anything else than the nightly run does."""
    from hil.bench.open import open_bench
    from hil.scenarios.execute import execute

    bench = open_bench(rig_of(plan), True, {}, seed="1/start.hall")
    done = execute(items_of(plan)["start.hall"], rig_of(plan), bench)
    bench.close()
    assert [m.value for m in done.measures] == [one.value for one in result.measured]


def test_a_broken_firmware_fails(plan) -> None:
    slow = Variation("slow", (Change("firmware.defects.speed_scale", 1.2),))
    found = run_task(Task(plan, "start.hall", variation=slow))
    assert found.verdict is Verdict.FAIL
    assert found.task.variation.name == "slow"


def test_a_supply_that_cannot_deliver_is_the_benchs_fault(plan) -> None:
    weak = Variation("weak", (Change("supply.voltage", 12.0),))
    found = run_task(Task(plan, "start.hall", variation=weak))
    assert found.verdict is Verdict.BENCH_FAULT
    assert "bench" in found.reason


def test_a_defect_of_ours_costs_one_result(plan, monkeypatch) -> None:
    def broken(*_args, **_named):
        raise ZeroDivisionError("ours")

    monkeypatch.setattr(campaign_task, "execute", broken)
    found = run_task(Task(plan, "start.hall"))
    assert found.verdict is Verdict.BENCH_FAULT
    assert found.reason == "harness: ZeroDivisionError: ours"
    assert found.judged == ()


def test_another_rig_than_the_plans(plan) -> None:
    cobs = str(RIG.with_name("dosing-pump-cobs.yaml"))
    assert rig_of(plan, cobs).rig == "dosing-pump-cobs"
    assert run_task(Task(plan, "start.hall", cobs)).verdict is Verdict.PASS


def test_files_are_read_once_and_again_when_they_change(tmp_path) -> None:
    path = tmp_path / "changing.plan.yaml"
    path.write_text(PLAN)
    first = items_of(str(path))
    assert items_of(str(path)) is first
    path.write_text(PLAN.replace("[hall]", "[hall, back-emf]"))
    assert list(items_of(str(path))) == ["start.hall", "start.back-emf", "odd"]


def test_what_the_rig_file_leads_to_is_read_again_too(plan, tmp_path) -> None:
    profile = RIG.parents[1] / "profiles" / "dosing-lines.profile.yaml"
    own = tmp_path / "own.yaml"
    own.write_text(profile.read_text())
    rig = tmp_path / "rig.yaml"
    rig.write_text(f"based-on: {RIG}\nrig: own\nboard: {{profile: own.yaml}}\n")
    assert rig_of(plan, str(rig)) is rig_of(plan, str(rig))
    own.write_text(profile.read_text().replace("profile: dosing-lines", "profile: changed-since"))
    assert rig_of(plan, str(rig)).profile.name == "changed-since"


def test_an_item_that_is_not_in_the_plan(plan) -> None:
    with pytest.raises(PlanError, match=r"brief\.plan\.yaml.*has no item 'start\.foc'"):
        run_task(Task(plan, "start.foc"))


def test_a_plan_without_a_rig(tmp_path) -> None:
    path = tmp_path / "rigless.plan.yaml"
    path.write_text(PLAN.replace(f"rig: {RIG}\n", ""))
    with pytest.raises(PlanError, match="names no rig"):
        run_task(Task(str(path), "start.hall"))


def test_a_parameter_that_does_not_exist_ends_the_campaign(plan) -> None:
    wrong = Variation("", (Change("drive.motor.resistence", 1.0),))
    with pytest.raises(ValueError, match="resistence"):
        run_task(Task(plan, "start.hall", variation=wrong))


def test_what_no_bench_without_a_brake_can_run_is_left_out_and_said(tmp_path) -> None:
    (tmp_path / "bare.yaml").write_text(
        f"based-on: {RIG}\nrig: bare\nbrake: {{driver: attended}}\n", encoding="utf-8"
    )
    path = tmp_path / "loads.plan.yaml"
    path.write_text(
        "format: 1\nplan: loads\nrig: bare.yaml\nscenarios:\n"
        "  - {id: free, scenario: start, speed: 1000 rpm, bands: {success: {exactly: 1}}}\n"
        "  - {id: loaded, scenario: start, speed: 1000 rpm, load: 20 mN*m,"
        " bands: {success: {exactly: 1}}}\n"
        "  - {id: held, scenario: stall, speed: 1000 rpm, brake-torque: 1 N*m, expect: trip,"
        " bands: {tripped: {exactly: 1}}}\n",
        encoding="utf-8",
    )
    able, told = runnable_items(str(path))
    assert list(able) == ["free"]
    assert told == (
        "no brake wired on rig bare: items that need one are not run (1 of 3): loaded",
        "left out, for nobody is there to hold the shaft: held",
    )
    assert list(runnable_items(str(path), str(RIG))[0]) == ["free", "loaded", "held"]
    assert runnable_items(str(path), str(RIG))[1] == ()
    found = run_task(Task(str(path), "loaded"))
    assert found.verdict is Verdict.NOT_RUN
    assert found.reason.startswith("no brake wired on rig bare")
