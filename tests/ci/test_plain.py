"""The general-purpose integrator that the kernel is timed against solves the same circuit."""

from __future__ import annotations

import importlib.util
import math
import sys
from dataclasses import replace
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import numpy as np
import pytest

from hil.twin.parameters import SupplyParameters

ROOT = Path(__file__).parents[2]


def loaded(name: str, path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def plain() -> Any:
    return loaded("plain", ROOT / "ci" / "timing" / "plain.py").Plain


@pytest.fixture(scope="module")
def circuit() -> ModuleType:
    return loaded("plain_circuit", ROOT / "tests" / "twin" / "spice" / "circuit.py")


def blocked(circuit: ModuleType, **supply: float) -> SimpleNamespace:
    """The circuit with a shaft that does not turn, on a link that hardly moves."""
    rig = replace(
        circuit.RIG,
        motor=replace(circuit.RIG.motor, coulomb=10.0, cogging=0.0),
        bridge=replace(circuit.RIG.bridge, capacitance=10.0, bleeder=1e9),
        supply=SupplyParameters(**{"resistance": 1.0, **supply}),
    )
    return SimpleNamespace(RIG=rig, DUTY=circuit.DUTY, VOLTAGE=circuit.VOLTAGE)


def test_current_rises_as_the_closed_form_says(plain: Any, circuit: ModuleType) -> None:
    at = blocked(circuit)
    one = plain(at, 5e-6, 1e-9)
    one.segment(np.array([1, 0, -1]), 500e-6)
    motor = at.RIG.motor
    resistance = motor.resistance + 2.0 * at.RIG.bridge.on_resistance
    exact = 24.0 / resistance * -math.expm1(-500e-6 * resistance / motor.inductance)
    assert one.state[0] == pytest.approx(exact, rel=1e-5)
    assert one.state[1] == pytest.approx(-exact, rel=1e-5)
    assert one.state[2] == 0.0


def test_freewheeling_ends_at_zero_and_stays_there(plain: Any, circuit: ModuleType) -> None:
    at = blocked(circuit)
    one = plain(at, 2e-6, 1e-9)
    one.state[:3] = 2.0, -2.0, 0.0
    motor, bridge = at.RIG.motor, at.RIG.bridge
    resistance = motor.resistance + 2.0 * bridge.diode_resistance
    back = 24.0 + 2.0 * bridge.diode_drop
    zero = motor.inductance / resistance * math.log1p(2.0 * resistance / back)
    everything_off = np.array([-1, -1, -1])
    one.segment(everything_off, 0.9 * zero)
    assert 0.0 < one.state[0] < 0.3
    one.segment(everything_off, 0.2 * zero)
    assert one.state[:3] == pytest.approx(np.zeros(3), abs=1e-12)


def test_a_supply_does_not_take_current_back(plain: Any, circuit: ModuleType) -> None:
    at = blocked(circuit, resistance=0.05)
    one = plain(at, 5e-6)
    one.state[3] = 25.0
    slope = one.slope(np.array([-1, -1, -1]), one.state)
    assert slope[3] == pytest.approx(-25.0 / 1e9 / 10.0)
    one.state[3] = 23.0
    slope = one.slope(np.array([-1, -1, -1]), one.state)
    assert slope[3] == pytest.approx((24.0 - 23.0) / 0.05 / 10.0)


def test_it_agrees_with_the_kernel_over_twenty_periods(plain: Any, circuit: ModuleType) -> None:
    # under the name pytest gives it: the cache of machine code looks modules up by name
    name = "tests.twin.conftest"
    firmwares = sys.modules.get(name) or loaded(name, ROOT / "tests" / "twin" / "conftest.py")
    schedule, _ = circuit.stored()
    first, periods = schedule[0], 20
    one = plain(circuit, 1.0 / circuit.RIG.bridge.pwm_hz / 20, 1e-6)
    for _ in range(periods):
        one.period(first.high, first.low)
    found = circuit.by_kernel(schedule, firmwares.new_scripted())
    assert one.state[0] == pytest.approx(found.values["ia"][periods], rel=1e-4)
    assert one.state[4] == pytest.approx(found.values["speed"][periods], rel=3e-4)


def test_a_coarser_step_is_less_exact(plain: Any, circuit: ModuleType) -> None:
    """Else its accuracy would say nothing about the step."""
    first = circuit.stored()[0][0]

    def current(max_step: float, rtol: float) -> float:
        one = plain(circuit, max_step, rtol)
        for _ in range(3):
            one.period(first.high, first.low)
        return float(one.state[0])

    exact = current(1e-6, 1e-10)
    assert abs(current(25e-6, 1e-2) - exact) > abs(current(2.5e-6, 1e-3) - exact) > 0.0
