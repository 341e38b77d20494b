"""Whatever the gates do and whichever leads break, the drive stays physical."""

import math

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hil.twin.drive import Drive
from hil.twin.parameters import BridgeParameters, DriveParameters, MotorParameters

PERIOD = 50e-6
legs = st.tuples(*[st.sampled_from([0, 1, 2])] * 3)
duties = st.tuples(*[st.sampled_from([0.0, 0.02, 0.3, 0.5, 0.97, 1.0]) | st.floats(0, 1)] * 3)
moves = st.lists(
    st.tuples(legs, duties, st.sampled_from(["", "", "", "phase-a", "phase-b", "phase-c"])),
    min_size=4,
    max_size=20,
)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    moves=moves,
    speed=st.floats(-1500, 1500),
    dead=st.sampled_from([0.0, 0.8e-6]),
    drop=st.sampled_from([0.0, 0.8]),
    flat=st.sampled_from([60.0, 120.0, 150.0]),  # at 150, two diodes stop at the same instant
)
def test_any_sequence_of_gates(scripted, moves, speed, dead, drop, flat):
    firmware = scripted()
    rig = DriveParameters(
        motor=MotorParameters(cogging=0.0, flat_width_deg=flat),
        bridge=BridgeParameters(dead_time=dead, diode_drop=drop),
    )
    drive = Drive(rig, firmware, seed=1)
    drive._state["speed"] = speed
    start = drive.energies().kinetic
    drive.set_supply(24.0, 30.0, True)
    drive.advance(303 * PERIOD)
    open_line = ""
    for drives, duty, line in moves:
        if open_line:
            drive.set_line(open_line, True)
        open_line = line
        if line:
            drive.set_line(line, False)
        firmware.hold(drives, duty)
        before = drive.steps
        drive.advance(41 * PERIOD)  # no whole milliseconds: the state lags behind
        currents = np.array(drive.phase_currents)
        assert np.isfinite(currents).all()
        assert abs(currents.sum()) < 1e-9
        if line:
            assert currents["abc".index(line[-1])] == 0
        assert drive.steps - before < 41 * 20  # no chatter: at most 20 steps a period
        assert drive.firmware_fault == ""
    energies = drive.energies()
    assert math.isfinite(energies.supply)
    assert energies.switch >= 0.0
    total = max(energies.supply + start, energies.accounted)
    assert abs(energies.supply + start - energies.accounted) < 1e-3 * total + 1e-6
