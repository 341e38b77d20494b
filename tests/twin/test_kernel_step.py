"""Single steps of the kernel against closed forms."""

import math

import pytest

from hil.twin import kernel
from hil.twin.drive import Drive
from hil.twin.kernel_bridge import HIGH, HIGH_DIODE, LOW, LOW_DIODE, OPEN
from hil.twin.kernel_pair import DONE, coast, pair
from hil.twin.kernel_step import full_step, step
from hil.twin.parameters import BridgeParameters, DriveParameters, MotorParameters

RIG = DriveParameters(
    motor=MotorParameters(coulomb=1.0, cogging=0.0, initial_angle_deg=15.0),
    bridge=BridgeParameters(
        on_resistance=0.0, diode_resistance=0.0, diode_drop=0.8, capacitance=1e4, bleeder=math.inf
    ),
)
R, L = 1.2, 1.4e-3  # two phases in series


def charged(scripted) -> Drive:
    one = Drive(RIG, scripted(), seed=1)
    one.advance(50e-6)
    one._state["link"] = 24.0
    return one


@pytest.fixture
def drive(scripted):
    return charged(scripted)


@pytest.fixture
def other(scripted):
    """The same once more."""
    return charged(scripted)


def assert_same(one: Drive, other: Drive) -> None:
    for name in ("i", "link", "speed", "angle", "e_switch", "square", "charge"):
        assert other._state[name] == pytest.approx(one._state[name], rel=1e-12, abs=1e-15), name


def records(drive: Drive):
    return drive._constants[0], drive._memory[0]


def test_current_rises_as_the_exponential_does(drive):
    c, s = records(drive)
    for n in range(1, 41):
        assert pair(c, s, 0, 1, 2, HIGH, LOW, 25e-6) == DONE
        exact = 24.0 / R * -math.expm1(-n * 25e-6 * R / L)
        assert s["i"][0] == pytest.approx(exact, rel=2e-6)
        assert s["i"][1] == -s["i"][0]


def test_the_general_step_agrees_with_the_quick_one(drive, other):
    for _ in range(20):
        assert step(*records(other), HIGH, LOW, OPEN, 25e-6) == 25e-6
        assert pair(*records(drive), 0, 1, 2, HIGH, LOW, 25e-6) == DONE
    assert_same(drive, other)


@pytest.mark.parametrize("current", [0.1, 1.0, 5.0])
def test_diodes_stop_when_the_closed_form_says(drive, current):
    """Freewheeling into the link: zero after tau ln(1 + I R / (V + 2 Vd)), to 1 us and better."""
    c, s = records(drive)
    s["i"] = (current, -current, 0.0)
    expected = L / R * math.log1p(current * R / (24.0 + 1.6))
    elapsed = 0.0
    while s["i"][0] > 0:
        elapsed += step(c, s, LOW_DIODE, HIGH_DIODE, OPEN, 25e-6)
    assert elapsed == pytest.approx(expected, abs=0.02e-6)
    assert s["i"].tolist() == [0, 0, 0]


def test_quick_steps_leave_events_to_the_general_one(drive):
    c, s = records(drive)
    s["i"] = (0.001, -0.001, 0.0)
    before = drive._memory.tobytes()
    assert pair(c, s, 0, 1, 2, LOW_DIODE, HIGH_DIODE, 25e-6) == OPEN
    s["speed"], s["angle"] = 500.0, math.radians(45.0)  # back-EMF of C fully negative
    moved = drive._memory.tobytes()
    assert moved != before
    assert pair(c, s, 0, 1, 2, LOW, LOW, 25e-6) in (LOW_DIODE, HIGH_DIODE)
    assert coast(c, s, 25e-6) == DONE
    s["speed"] = 2000.0
    assert coast(c, s, 25e-6) == OPEN  # it would feed the link
    s["speed"] = 1e-6
    assert coast(c, s, 25e-6) == OPEN  # it would stop


def test_the_shaft_stops_at_zero_and_not_beyond(drive):
    c, s = records(drive)
    s["opposing"], s["holding"] = 1.0, 1.2
    s["speed"] = 1.0  # 1 N m on 1.5e-5 kg m^2 stops it after 15 us
    assert step(c, s, OPEN, OPEN, OPEN, 25e-6) == pytest.approx(15e-6, rel=1e-3)
    assert s["speed"] == 0
    assert step(c, s, OPEN, OPEN, OPEN, 25e-6) == 25e-6
    assert s["speed"] == 0


def test_interval_of_the_log_is_a_millisecond():
    assert kernel.LOG_INTERVAL == 1e-3


def test_the_full_step_is_the_general_one_with_all_phases_connected(drive, other):
    for _ in range(20):
        assert step(*records(other), HIGH, LOW, HIGH, 25e-6) == 25e-6
        assert full_step(*records(drive), HIGH, LOW, HIGH, 25e-6) == 25e-6
    assert drive._state["i"][1] < -1.0
    assert_same(drive, other)
