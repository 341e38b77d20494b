"""How far the speed that the firmware sees lies from the shaft's, as CONTROL.md says it."""

import math
from pathlib import Path

import pytest

from hil.bench.simulate import world_for
from hil.plan.load import load_rig
from hil.twin.port import STATE_AT
from hil.twin.reference.state import STATE
from hil.twin.variation import Change, Variation

RIG = Path(__file__).parents[3] / "testplans" / "rigs" / "dosing-pump.yaml"
PLACED = (2.0, 1.0, -3.0)  # electrical degrees by which the sensors sit late


def bias(rpm: int, window: float) -> float:
    """Of the mean speed seen over two seconds with Hall sensors, relative to the shaft's."""
    late = (Change(f"drive.motor.hall_error_deg.{n}", x) for n, x in enumerate(PLACED))
    alone = Change("firmware.link_timeout", 0.0)  # nobody speaks to it meanwhile
    changes = (alone, Change("firmware.speed_window", window), *late)
    drive = world_for(load_rig(RIG), "bias", Variation("placed", changes)).drive
    variables = drive.firmware.block[STATE_AT : STATE_AT + STATE.itemsize].view(STATE)[0]
    drive.set_supply(24.0, 10.0, True)
    drive.advance(0.2)
    drive.feed(f"sense,0\nstart,{rpm}\n".encode())
    drive.advance(1.5)
    begun, seen = math.radians(drive.angle_deg), []
    for _ in range(2000):
        drive.advance(1e-3)
        seen.append(float(variables["speed"]))
    true = (math.radians(drive.angle_deg) - begun) / math.tau / 2.0 * 60.0
    return sum(seen) / len(seen) / true - 1.0


@pytest.mark.parametrize("rpm", [600, 1270, 2530])
def test_it_is_low_at_the_edge_of_the_window(rpm: int) -> None:
    assert -0.012 < bias(rpm, 0.004) < -0.004


def test_it_is_right_where_the_window_holds_a_turn() -> None:
    assert abs(bias(3000, 0.004)) < 5e-4
    assert abs(bias(1270, 0.020)) < 5e-4


def test_single_sectors_are_high() -> None:
    assert 0.005 < bias(1270, 0.0001) < 0.02
