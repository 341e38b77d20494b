"""Name plates and items that no motor can live up to, and those that any may."""

import math
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.errors import PlanError
from hil.motor.nameplate import back_emf
from hil.plan.collect import collect
from hil.plan.foretold import foretold
from hil.plan.load import load_rig
from hil.plan.reach import beyond_reach, beyond_voltage, check_name_plate, out_of_reach

SHIPPED = Path(__file__).parents[2] / "testplans"
HEAD = "format: 1\nplan: p\nscenarios:\n"
BANDS = "bands: {telemetry-loss: {max: 1 %}}"


@dataclass
class Motor:
    """What of a rig a name plate is checked by."""

    back_emf_constant: float
    rated_voltage: float = 24.0
    rated_speed: float = 4000.0
    max_speed: float = 4000.0


@dataclass
class Supply:
    max_voltage: float = 42.0


@dataclass
class Bench:
    motor: Motor
    supply: Supply


def complaints(motor, max_voltage=42.0):
    return list(check_name_plate(Bench(motor, Supply(max_voltage))))


def test_a_constant_ten_times_too_much_is_refused_where_it_stands(rig_file):
    path = rig_file("back-emf-constant: 0.040", "back-emf-constant: 0.4")
    with pytest.raises(PlanError) as caught:
        load_rig(path)
    assert str(caught.value).startswith(
        f"{path}:10:22: motor.back-emf-constant: back-emf-constant x rated-speed 4000 rpm = 168 V "
        "line to line (peak), beyond rated-voltage 24 V; expected at most 2 times that."
    )


def test_the_convention_counts():
    """A plate that says 0.042 per phase means 0.084 between two lines."""
    path = SHIPPED / "rigs" / "dosing-pump.yaml"
    assert not complaints(load_rig(path).motor)
    assert not complaints(Motor(0.084))
    assert complaints(Motor(2 * 0.084))


@pytest.mark.parametrize(
    "motor",
    [
        # mains voltage stated as RMS: the link has 325 V, and K w up to that
        Motor(1.03, rated_voltage=230.0, rated_speed=3000.0, max_speed=4500.0),
        # field weakening to twice the speed that the rated voltage gives
        Motor(0.2, rated_voltage=48.0, rated_speed=2200.0, max_speed=4600.0),
        # max-speed is what the bearings bear
        Motor(0.1, rated_voltage=24.0, rated_speed=2000.0, max_speed=6000.0),
    ],
)
def test_plates_that_are_possible_are_left_alone(motor):
    assert complaints(motor) == []


def test_a_max_speed_that_the_supply_reaches_is_possible_whatever_the_rated_voltage():
    motor = Motor(0.1, rated_voltage=12.0, rated_speed=1000.0, max_speed=5000.0)
    assert [where for where, _ in complaints(motor)] == [("motor", "back-emf-constant")]
    assert complaints(motor, max_voltage=60.0) == []


@given(
    voltage=st.floats(5.0, 400.0),
    speed=st.floats(100.0, 20000.0),
    share=st.floats(0.5, 1.0),
    faster=st.floats(1.0, 2.0),
)
def test_a_motor_that_runs_from_its_rated_voltage_passes_and_ten_times_that_does_not(
    voltage, speed, share, faster
):
    constant = share * voltage / back_emf(1.0, speed)

    def plate(constant):
        return Motor(constant, voltage, speed, faster * speed)

    assert complaints(plate(constant), voltage) == []
    (found,) = complaints(plate(10.0 * constant), voltage)
    assert found[0] == ("motor", "back-emf-constant")


# -- items -------------------------------------------------------------------------------------


@pytest.fixture
def items(tmp_path):
    def make(text: str):
        file = tmp_path / "p.plan.yaml"
        file.write_text(HEAD + text, encoding="utf-8")
        found = collect(file, SHIPPED / "rigs" / "dosing-pump.yaml")
        return found.plan, found.items

    return make


def test_a_speed_beyond_the_back_emf_is_told_with_file_line_and_items(items, rig, tmp_path):
    plan, found = items(
        "  - id: fast\n    scenario: start\n    speed: 4000 rpm\n"
        f"    matrix: {{direction: [cw, ccw], supply: [15 V, 24 V]}}\n    {BANDS}\n"
    )
    expected = (
        f"{tmp_path / 'p.plan.yaml'}:4: fast.cw.15v, fast.ccw.15v: 4000 rpm is out of reach at "
        "15 V: by the rig file the back-EMF alone is 16.8 V there, and 3581 rpm the most without "
        "load and without field weakening; what fails there need not be the firmware's"
    )
    assert list(out_of_reach(found, rig)) == [expected]
    assert expected in list(foretold([plan], found, rig))


@pytest.mark.parametrize(
    ("text", "beyond"),
    [
        ("scenario: start, speed: 4000 rpm, matrix: {supply: [16.7 V]}", True),
        ("scenario: start, speed: 4000 rpm, matrix: {supply: [16.8 V]}", False),
        ("scenario: speed-step, from: 4000 rpm, to: 900 rpm, matrix: {supply: [15 V]}", True),
        (
            "scenario: reversal, entry-speed: 900 rpm, speed: 4000 rpm, matrix: {supply: [15 V]}",
            True,
        ),
        ("scenario: steps, steps: [start: 4000 rpm], matrix: {supply: [15 V]}", True),
        (
            "scenario: steps, steps: [supply: 24 V, start: 4000 rpm], matrix: {supply: [15 V]}",
            False,
        ),
        ("scenario: steps, steps: [start: 4000 rpm, supply: 15 V]", True),
        ("scenario: steps, steps: [start: 4000 rpm, stop, supply: 15 V]", False),
        ("scenario: steps, steps: [supply: 15 V, start: 900 rpm, set-speed: 4000 rpm]", True),
    ],
)
def test_every_kind_is_held_against_the_highest_voltage_that_it_has(items, rig, text, beyond):
    _plan, (item,) = items(f"  - {{id: s, {text}, {BANDS}}}\n")
    assert bool(beyond_reach(item, rig)) is beyond
    assert bool(list(out_of_reach([item], rig))) is beyond


def test_an_item_that_is_not_run_is_not_told(items, rig):
    bare = rig.model_copy(update={"brake": None})
    _plan, (item,) = items(
        f"  - {{id: s, scenario: start, speed: 4000 rpm, {BANDS}, matrix: {{supply: [15 V]}}}}\n"
    )
    assert list(out_of_reach([replace(item, lacks="no brake")], bare)) == []


@given(speed=st.floats(0.0, 2e4), voltage=st.floats(0.1, 100.0))
def test_the_speed_it_names_is_the_one_from_which_on_it_speaks(rig, speed, voltage):
    most = voltage / rig.motor.back_emf_constant * 30.0 / math.pi
    assert bool(beyond_voltage(rig, speed=speed, voltage=voltage)) is (
        back_emf(rig.motor.back_emf_constant, speed) > voltage
    )
    assert beyond_voltage(rig, speed=most * 1.001, voltage=voltage)
    assert not beyond_voltage(rig, speed=most * 0.999, voltage=voltage)
