"""The reported power-stage temperature against a thermometer, on simulated benches."""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.core.verdict import Verdict
from hil.scenarios.campaign_task import Task, run_task
from hil.twin.variation import Change, Variation

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
NAME = "reported-temperature-offset"


@pytest.fixture(scope="module")
def plan(tmp_path_factory) -> str:
    folder = tmp_path_factory.mktemp("warm")
    (folder / "rig.yaml").write_text(
        f"based-on: {RIG}\nrig: warm\nthermometer:\n"
        "  resource: TCPIP::127.0.0.1::5031::SOCKET\n"
        "  temperature-accuracy: {absolute: 0.5 K, resolution: 0.1 K}\n",
        encoding="utf-8",
    )
    plan = folder / "warm.plan.yaml"
    plan.write_text(
        "format: 1\nplan: warm\nrig: rig.yaml\nscenarios:\n  - id: loaded\n    scenario: start\n"
        "    speed: 1500 rpm\n    load: 20 mN*m\n    hold: 2 s\n    sensing: hall\n"
        f"    bands: {{{NAME}: {{min: -3 K, max: 3 degC}}}}\n",
        encoding="utf-8",
    )
    return str(plan)


def test_healthy_firmware_reports_what_the_thermometer_reads(plan) -> None:
    found = run_task(Task(plan, "loaded"))
    assert found.verdict is Verdict.PASS, found.reason
    (judged,) = found.judged
    # measured over 15 healthy rigs: 0 to 0.21 K; junctions are warmer than the heat sink
    assert judged.value == pytest.approx(0.1, abs=0.4)
    (measured,) = [one for one in found.measured if one.measure == NAME]
    assert measured.unit == "K"
    assert measured.uncertainty == pytest.approx(0.29, abs=0.02)  # 0.5 K rectangular, and 0.1 K


@pytest.mark.parametrize("offset", [-15.0, 8.0])
def test_firmware_that_tells_another_temperature_is_found_out(plan, offset: float) -> None:
    change = Change("firmware.defects.report_temperature_offset", offset)
    found = run_task(Task(plan, "loaded", variation=Variation("other", (change,))))
    assert found.verdict is Verdict.FAIL
    (judged,) = found.judged
    assert judged.value == pytest.approx(offset + 0.1, abs=0.4)
    assert judged.margin == pytest.approx(3.0 - abs(judged.value))


def test_a_rig_without_a_thermometer_is_not_judged(plan) -> None:
    found = run_task(Task(plan, "loaded", rig=str(RIG)))
    assert found.verdict is Verdict.NOT_RUN
    assert "the rig has no thermometer" in found.reason
