"""Single steps of the kernel against closed forms."""

import math
from dataclasses import replace

import pytest

from hil.twin import kernel
from hil.twin.drive import Drive
from hil.twin.kernel_bridge import HIGH, HIGH_DIODE, LOW, LOW_DIODE, OPEN
from hil.twin.kernel_pair import DONE, coast, pair
from hil.twin.kernel_step import full_step, step
from hil.twin.kernel_supply import leads
from hil.twin.parameters import BridgeParameters, DriveParameters, MotorParameters, SupplyParameters

RIG = DriveParameters(
    motor=MotorParameters(coulomb=1.0, cogging=0.0, initial_angle_deg=15.0),
    bridge=BridgeParameters(
        on_resistance=0.0, diode_resistance=0.0, diode_drop=0.8, capacitance=1e4, bleeder=math.inf
    ),
)
R, L = 1.2, 1.4e-3  # two phases in series


@pytest.fixture
def drive(scripted):
    one = Drive(RIG, scripted(), seed=1)
    one.advance(50e-6)
    one._state["link"] = 24.0
    return one


def records(drive: Drive):
    return drive._constants[0], drive._memory[0]


def test_current_rises_as_the_exponential_does(drive):
    c, s = records(drive)
    for n in range(1, 41):
        assert pair(c, s, 0, 1, 2, HIGH, LOW, 25e-6) == DONE
        exact = 24.0 / R * -math.expm1(-n * 25e-6 * R / L)
        assert s["i"][0] == pytest.approx(exact, rel=2e-6)
        assert s["i"][1] == -s["i"][0]


def test_the_general_step_agrees_with_the_quick_one(drive, scripted):
    other = Drive(RIG, scripted(), seed=1)
    other.advance(50e-6)
    other._state["link"] = 24.0
    for _ in range(20):
        assert step(*records(other), HIGH, LOW, OPEN, 25e-6) == 25e-6
        assert pair(*records(drive), 0, 1, 2, HIGH, LOW, 25e-6) == DONE
    for name in ("i", "link", "speed", "angle", "e_switch", "square", "charge"):
        assert other._state[name] == pytest.approx(drive._state[name], rel=1e-12, abs=1e-15), name


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


@pytest.mark.parametrize("resistance", [1e-3, 0.05, 1.0])
def test_the_link_charges_as_the_exponential_does(scripted, resistance):

    rig = replace(
        RIG,
        bridge=replace(RIG.bridge, capacitance=1e-3),
        supply=SupplyParameters(resistance=resistance, slew=1e12),
    )
    one = Drive(rig, scripted(), seed=1)
    one.set_supply(24.0, 1e9, True)
    one.advance(500e-6)
    exact = 24.0 * -math.expm1(-500e-6 / (resistance * 1e-3))
    assert one.dc_link_voltage == pytest.approx(exact, rel=1e-3)


def test_interval_of_the_log_is_a_millisecond():
    assert kernel.LOG_INTERVAL == 1e-3


#: 20 A that hardly change, and a link that follows its leads within 11 us.
STIFF = replace(
    RIG,
    motor=replace(RIG.motor, inductance=100.0),
    bridge=replace(RIG.bridge, capacitance=220e-6),
    supply=SupplyParameters(resistance=0.05, slew=1e12),
)


@pytest.fixture
def stiff(scripted):
    """A drive whose one-way supply is on at 24 V."""
    one = Drive(STIFF, scripted(), seed=1)
    one.set_supply(24.0, 1e3, True)
    one.advance(1e-3)
    assert one.dc_link_voltage == pytest.approx(24.0)
    return one


def test_a_step_ends_where_the_supply_stops_feeding(stiff):
    """Fed back into the link: it meets the source after RC ln(1 + gap / (R I)), then goes on up."""
    c, s = records(stiff)
    s["i"], s["link"] = (20.0, -20.0, 0.0), 23.9
    charge = float(s["charge"])
    first = step(c, s, LOW, HIGH_DIODE, OPEN, 25e-6)
    assert first == pytest.approx(11e-6 * math.log1p(0.1 / (0.05 * 20.0)), rel=1e-3)
    assert s["link"] == pytest.approx(s["source"], abs=1e-4)
    assert s["charge"] > charge
    charge = float(s["charge"])
    assert step(c, s, LOW, HIGH_DIODE, OPEN, 25e-6) == 25e-6
    assert s["link"] == pytest.approx(24.0 + 20.0 * 25e-6 / 220e-6, rel=1e-4)
    assert s["charge"] == charge, "a one-way supply took current back"


def test_a_step_ends_where_the_supply_starts_feeding(stiff):
    c, s = records(stiff)
    s["i"], s["link"] = (20.0, -20.0, 0.0), 24.5
    first = step(c, s, HIGH, LOW, OPEN, 25e-6)
    assert first == pytest.approx(0.5 * 220e-6 / 20.0, rel=1e-3)
    assert s["link"] == pytest.approx(s["source"], abs=1e-4)
    assert step(c, s, HIGH, LOW, OPEN, 25e-6) == 25e-6
    settling = -math.expm1(-25e-6 / 11e-6)
    assert s["link"] == pytest.approx(24.0 - 0.05 * 20.0 * settling, rel=1e-4)


def test_quick_steps_leave_the_supply_to_the_general_one(stiff):
    c, s = records(stiff)
    s["i"], s["link"] = (20.0, -20.0, 0.0), 23.9
    assert pair(c, s, 0, 1, 2, LOW, HIGH_DIODE, 25e-6) == OPEN
    s["i"], s["link"] = (20.0, -20.0, 0.0), 24.5
    assert pair(c, s, 0, 1, 2, HIGH, LOW, 25e-6) == OPEN
    s["supply_most"] = 0.0  # off: nothing starts or stops
    assert pair(c, s, 0, 1, 2, HIGH, LOW, 25e-6) == DONE


@pytest.mark.parametrize("settled", [1e-9, 1e-3, 0.1, 0.5, 1.0, 2.3])
def test_leads_follow_the_exponential(stiff, settled):
    c, _ = records(stiff)
    gain, bend = leads(c, settled * 11e-6)
    mean = -math.expm1(-settled) / settled
    assert gain == pytest.approx(mean / 0.05, rel=4e-4)
    if settled > 0.01:  # below, the closed form is the difference of near equals
        even = 0.05 * settled * 11e-6 * (0.5 - (1.0 - mean) / settled)
        assert bend == pytest.approx(0.95 * even, rel=1e-3)


@pytest.mark.parametrize("settled", [5.0, 25.0, 1e3, 1e6])
def test_a_link_that_settles_at_once_does_not_swing(stiff, settled):
    """However stiff the leads, a step brings the link nearer to its rest and never beyond."""
    c, _ = records(stiff)
    gain, bend = leads(c, settled * 11e-6)
    assert 0.0 <= 1.0 - settled * 0.05 * gain < 0.05
    assert 0.0 < bend < 0.5 * 0.05 * settled * 11e-6


def test_the_full_step_is_the_general_one_with_all_phases_connected(drive, scripted):
    other = Drive(RIG, scripted(), seed=1)
    other.advance(50e-6)
    other._state["link"] = 24.0
    for _ in range(20):
        assert step(*records(other), HIGH, LOW, HIGH, 25e-6) == 25e-6
        assert full_step(*records(drive), HIGH, LOW, HIGH, 25e-6) == 25e-6
    assert drive._state["i"][1] < -1.0
    for name in ("i", "link", "speed", "angle", "e_switch", "square", "charge"):
        assert other._state[name] == pytest.approx(drive._state[name], rel=1e-12, abs=1e-15), name


def test_energy_balances_where_the_supply_stops_and_starts(stiff):
    """Out of the source came what the link, its bleeder, the leads and the motor took."""
    c, s = records(stiff)
    for current, link in ((-20.0, 23.9), (20.0, 24.5)):
        s["i"], s["link"] = (-current, current, 0.0), link
        before = {name: float(s[name]) for name in ("e_supply", "e_lead", "square_charge")}
        state = HIGH if current > 0.0 else HIGH_DIODE
        elapsed, fed = 0.0, 0.0
        for _ in range(6):
            start = float(s["link"])
            span = step(c, s, LOW, state, OPEN, 10e-6)
            elapsed += span
            fed += current * span * 0.5 * (start + float(s["link"]))
        lead = 0.05 * (float(s["square_charge"]) - before["square_charge"])
        out = float(s["e_supply"]) - before["e_supply"] + lead
        heat = float(s["e_lead"]) - before["e_lead"] + lead
        stored = 0.5 * 220e-6 * (float(s["link"]) ** 2 - link**2)
        assert out == pytest.approx(stored + fed + heat, abs=2e-3 * abs(fed)), current
        assert elapsed > 40e-6
