"""Amplifiers behind the shunts, and the instant at which the converter samples."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from hil.twin.drive import Drive
from hil.twin.kernel_amplifier import follow
from hil.twin.parameters import (
    BridgeParameters,
    DriveParameters,
    HeatParameters,
    MotorParameters,
    SensingParameters,
)

COLD = HeatParameters(winding_capacity=1e9, junction_capacity=1e9, housing_capacity=1e9)
PERIOD = 50e-6


def ideal(**changes: float) -> SensingParameters:
    """Sensing without noise and quantisation."""
    given = {"current_bits": 0, "current_noise": 0.0, "voltage_bits": 0, "voltage_noise": 0.0}
    return SensingParameters(**{**given, "phase_shunts": True, **changes})


def locked(scripted, sensing: SensingParameters, duty: float = 0.2):
    """A locked motor, current from leg A to leg B for long enough to be settled."""
    rig = DriveParameters(
        motor=MotorParameters(coulomb=1.0), sensing=sensing, heat=COLD, bridge=BridgeParameters()
    )
    firmware = scripted().hold([1, 1, 0], [duty, 0, 0])
    drive = Drive(rig, firmware, seed=1)
    drive.set_supply(24.0, 20.0, True)
    drive.advance(0.1)
    return drive, firmware


class TestFilter:
    @settings(deadline=None)  # the first call compiles
    @given(
        value=st.floats(-5, 5), start=st.floats(-5, 5), end=st.floats(-5, 5), x=st.floats(0.01, 8)
    )
    def test_is_the_solution_of_its_equation(self, value, start, end, x):
        def slope(t, y):
            return (start + (end - start) * t / x) - y

        exact = solve_ivp(slope, (0, x), [value], rtol=1e-9, atol=1e-11).y[0, -1]
        assert follow(value, start, end, x) == pytest.approx(exact, abs=1e-7)

    @settings(deadline=None)
    @given(x=st.floats(1e-6, 1e6), level=st.floats(-10, 10))
    def test_holds_what_it_has_reached(self, x, level):
        assert follow(level, level, level, x) == pytest.approx(level, rel=1e-12, abs=1e-12)

    def test_two_halves_make_a_whole(self):
        whole = follow(1.0, 2.0, 4.0, 0.8)
        half = follow(follow(1.0, 2.0, 3.0, 0.4), 3.0, 4.0, 0.4)
        assert whole == pytest.approx(half, rel=1e-12)


def test_a_narrow_pulse_is_seen_smaller_by_a_slow_amplifier(scripted):
    """10 us pulse, sampled in its middle: what a first-order filter shows of a square wave.

    At the middle of a periodic pulse of width w and period T the output over the height is
    1 - exp(-w/2 tau) (1 - exp(-(T - w)/tau)) / (1 - exp(-T/tau)).
    """
    for hertz in (20e3, 50e3, 200e3):
        tau = 1 / (math.tau * hertz)
        drive, firmware = locked(scripted, ideal(amplifier_hz=hertz))
        width = 0.2 * PERIOD
        seen = np.mean([_reading(drive, firmware) for _ in range(50)])
        current = drive.energies().copper
        drive.advance(0.01)
        current = math.sqrt((drive.energies().copper - current) / 0.01 / 1.2)
        share = 1 - math.exp(-width / 2 / tau) * -math.expm1(-(PERIOD - width) / tau) / -math.expm1(
            -PERIOD / tau
        )
        assert seen == pytest.approx(share * current, rel=0.01), hertz


def _reading(drive: Drive, firmware) -> float:
    drive.advance(PERIOD)
    return float(firmware.inputs()["i_bus"])


def test_a_fast_amplifier_changes_nothing(scripted):
    plain, first = locked(scripted, ideal())
    fast, second = locked(scripted, ideal(amplifier_hz=50e6))
    for _ in range(20):
        plain.advance(PERIOD)
        fast.advance(PERIOD)
        for name in ("i_bus", "v_bus"):
            assert second.inputs()[name] == pytest.approx(first.inputs()[name], rel=1e-3)
        assert second.inputs()["i_phase"] == pytest.approx(first.inputs()["i_phase"], rel=1e-3)


def test_the_motor_does_not_notice_how_it_is_measured(scripted):
    ends = []
    for sensing in (ideal(), ideal(amplifier_hz=3e4), ideal(sampling_delay=7e-6)):
        drive = Drive(
            DriveParameters(sensing=sensing, heat=COLD), scripted().hold([0] * 3, [0] * 3), 1
        )
        drive.set_supply(24.0, 20.0, True)
        drive.firmware.hold([1, 1, 0], [0.3, 0, 0])
        drive.advance(0.05)
        ends.append((drive.speed_rpm, drive.angle_deg, *drive.phase_currents))
        assert drive.energies().imbalance < 1e-3
    # the steps end elsewhere, which is within the accuracy of the integration
    assert ends[1] == pytest.approx(ends[0], rel=3e-4, abs=3e-4)
    assert ends[2] == pytest.approx(ends[0], rel=1e-3, abs=1e-3)


@pytest.mark.parametrize("delay", [-6e-6, -2e-6, 0.0, 3e-6, 6e-6])
def test_a_late_sample_sees_the_ripple_later(scripted, delay):
    """Within the pulse the current rises by V/L: a late sample reads more by slope times delay.

    Beyond the pulse, 5 us either side of the middle, the bridge input current is zero.
    """
    _, middle = locked(scripted, ideal())
    drive, firmware = locked(scripted, ideal(sampling_delay=delay))
    seen = float(firmware.inputs()["i_bus"])
    if abs(delay) > 5e-6:
        assert seen == 0
        return
    current = float(middle.inputs()["i_bus"])
    slope = (drive.dc_link_voltage - current * (1.2 + 2 * 0.012)) / 1.4e-3
    assert seen - current == pytest.approx(slope * delay, rel=0.02, abs=1e-5)


def test_sampling_late_in_a_ramp_is_sampling_a_later_angle(scripted):
    """The terminal of a turning motor, at two instants of one period."""
    seen = []
    for delay in (0.0, 20e-6):
        firmware = scripted()
        drive = Drive(DriveParameters(sensing=ideal(sampling_delay=delay), heat=COLD), firmware, 1)
        drive.set_supply(24.0, 10.0, True)
        drive.advance(0.05)
        drive._state["speed"] = 200.0
        volts = []
        for _ in range(300):
            drive.advance(PERIOD)
            volts.append(firmware.inputs()["v_phase"].copy())
        seen.append(np.array(volts))
    rising = np.diff(seen[0][:, 0]) > 0.05
    late = (seen[1] - seen[0])[:-1, 0][rising]
    ahead = np.diff(seen[0][:, 0])[rising]
    assert np.median(late / ahead) == pytest.approx(20e-6 / PERIOD, rel=0.02)


def test_amplifiers_hold_their_charge_while_everything_is_off(scripted):
    drive, firmware = locked(scripted, ideal(amplifier_hz=2e3), duty=0.5)
    before = _reading(drive, firmware)
    firmware.coast()
    drive.advance(0.001)
    tau = 1 / (math.tau * 2e3)
    first = _reading(drive, firmware)
    second = _reading(drive, firmware)
    assert -0.01 * before < first < 0  # the windings have emptied themselves into the DC link
    assert second == pytest.approx(first * math.exp(-PERIOD / tau), rel=1e-3)


def test_impossible_sensing_is_refused():
    with pytest.raises(ValueError, match="sampling_delay"):
        DriveParameters(sensing=SensingParameters(sampling_delay=25e-6))
    with pytest.raises(ValueError, match="sampling_delay"):
        DriveParameters(sensing=SensingParameters(sampling_delay=math.nan))
    with pytest.raises(ValueError, match="amplifier_hz"):
        SensingParameters(amplifier_hz=0.0)
