"""The DC link behind its supply: single steps against closed forms."""

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.linalg

from hil.twin.drive import Drive
from hil.twin.kernel_bridge import HIGH, HIGH_DIODE, LOW, OPEN
from hil.twin.kernel_pair import DONE, coast, pair
from hil.twin.kernel_step import step
from hil.twin.kernel_supply import leads
from hil.twin.parameters import BridgeParameters, DriveParameters, MotorParameters, SupplyParameters

RIG = DriveParameters(
    motor=MotorParameters(coulomb=1.0, cogging=0.0, initial_angle_deg=15.0),
    bridge=BridgeParameters(
        on_resistance=0.0, diode_resistance=0.0, diode_drop=0.8, capacitance=1e-3, bleeder=math.inf
    ),
)


def records(drive: Drive):
    return drive._constants[0], drive._memory[0]


@pytest.mark.parametrize("resistance", [1e-3, 0.05, 1.0])
def test_the_link_charges_as_the_exponential_does(scripted, resistance):
    rig = replace(RIG, supply=SupplyParameters(resistance=resistance, slew=1e12))
    one = Drive(rig, scripted(), seed=1)
    one.set_supply(24.0, 1e9, True)
    one.advance(500e-6)
    exact = 24.0 * -math.expm1(-500e-6 / (resistance * 1e-3))
    assert one.dc_link_voltage == pytest.approx(exact, rel=1e-3)


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
        exact = 0.05 * settled * 11e-6 * (0.5 - (1.0 - mean) / settled)
        assert bend == pytest.approx(exact, rel=1e-3)


@pytest.mark.parametrize("settled", [5.0, 12.0, 25.0, 1e3, 1e6])
def test_a_link_that_settles_at_once_does_not_swing(stiff, settled):
    """However stiff the leads, a step brings the link nearer to its rest and never beyond."""
    c, _ = records(stiff)
    gain, bend = leads(c, settled * 11e-6)
    exact = -math.expm1(-settled) / settled / 0.05
    assert gain == pytest.approx(exact, rel=0.012)
    assert 0.0 <= 1.0 - settled * 0.05 * gain < 0.05
    assert 0.0 < bend < 0.5 * 0.05 * settled * 11e-6


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


@pytest.mark.parametrize("capacitance", [2e-5, 1e-4, 1e-3])
@pytest.mark.parametrize("resistance", [5e-3, 0.05, 0.5])
@pytest.mark.parametrize("fed", [True, False])
def test_a_step_is_that_of_the_matrix_exponential(scripted, capacitance, resistance, fed):
    """Winding and link as one linear circuit, solved by SciPy (`scipy.linalg.expm`)."""
    winding, inductance, h = 1.2, 1.4e-3, 10e-6
    rig = replace(
        RIG,
        bridge=replace(RIG.bridge, capacitance=capacitance),
        supply=SupplyParameters(resistance=resistance, slew=1e12),
    )
    one = Drive(rig, scripted(), seed=1)
    one.set_supply(24.0, 1e3, fed)
    one.advance(50e-6)
    c, s = records(one)
    s["i"], s["link"] = (5.0, -5.0, 0.0), 23.5
    rate = 1.0 / (resistance * capacitance) if fed else 0.0
    circuit = np.array(
        [[-winding / inductance, 1.0 / inductance, 0.0],
         [-1.0 / capacitance, -rate, 24.0 * rate],
         [0.0, 0.0, 0.0]]
    )  # fmt: skip
    current, link, _ = scipy.linalg.expm(h * circuit) @ [5.0, 23.5, 1.0]
    assert pair(c, s, 0, 1, 2, HIGH, LOW, h) == DONE
    assert s["i"][0] - 5.0 == pytest.approx(current - 5.0, rel=2e-4)
    assert s["link"] == pytest.approx(link, abs=5e-3)


@pytest.mark.parametrize("steps", [1, 4])
def test_a_chopper_empties_the_link_as_the_exponential_does(scripted, steps):
    rig = replace(RIG, bridge=replace(RIG.bridge, capacitance=2e-4))
    one = Drive(rig, scripted(), seed=1)
    one.advance(50e-6)
    c, s = records(one)
    s["link"], s["conductance"] = 30.0, 0.1  # 2 ms
    for _ in range(steps):
        assert coast(c, s, 50e-6 / steps) == DONE
    fall = 30.0 * -math.expm1(-50e-6 / 2e-3)
    assert 30.0 - s["link"] == pytest.approx(fall, rel=3e-4 / steps**2)
