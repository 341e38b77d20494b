"""Simulated counter, encoder and thermometer: what they answer, and how coarse."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.twin.instruments.probes import (
    COUNTS,
    SimulatedCounter,
    SimulatedEncoder,
    SimulatedThermometer,
    counted,
)


@given(st.floats(-1e6, 1e6))
def test_an_encoder_counts_down_to_its_step(angle: float) -> None:
    step = 360.0 / COUNTS
    found = float(SimulatedEncoder(lambda: angle).execute("MEAS:POS?"))
    assert found == pytest.approx(counted(angle), abs=1e-4)
    assert -1e-4 <= angle - found <= step + 1e-4


@given(st.floats(-7000.0, 7000.0), st.booleans())
def test_a_counter_tells_the_direction_if_it_can(speed: float, signed: bool) -> None:
    made = SimulatedCounter(lambda: speed, lambda: 0.0, senses_direction=signed)
    found = 60.0 * float(made.execute("MEASure:FREQuency?"))
    assert found == pytest.approx(speed if signed else abs(speed), abs=0.31)


def test_a_thermometer_rounds_and_breaks() -> None:
    made = SimulatedThermometer(lambda: 25.04)
    assert float(made.execute("MEAS:TEMP?")) == pytest.approx(25.0)
    made.broken = True
    assert made.execute("MEAS:TEMP?") == "9.910000E+37"


def test_each_says_who_it_is() -> None:
    still = float
    for made, model in (
        (SimulatedCounter(still, still, senses_direction=True), "SIM-COUNTER"),
        (SimulatedEncoder(still), "SIM-ENCODER"),
        (SimulatedThermometer(still), "SIM-THERMO"),
    ):
        assert made.execute("*IDN?").split(",")[1] == model
