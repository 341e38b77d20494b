"""From `DriveParameters` to the numbers the compiled kernel works with."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from hil.twin.kernel_memory import CONSTANTS
from hil.twin.parameters import DriveParameters
from hil.twin.port import FirmwareBinding

#: Longest integration step: in s, a hair more than a period of 20 kHz; and as a share of the
#: shortest time constant of the circuit that the step does not solve exactly.
LONGEST_STEP = 50e-6 * (1 + 1e-9)
LONGEST_SHARE = 0.05


def constants_of(parameters: DriveParameters, firmware: FirmwareBinding) -> npt.NDArray[Any]:
    """Fill one `CONSTANTS` record, given what the rig is and where the firmware's functions are.

    Returns
    -------
    array of shape (1,), dtype `CONSTANTS`.
    """
    motor, bridge, supply = parameters.motor, parameters.bridge, parameters.supply
    sensing, heat, load = parameters.sensing, parameters.heat, parameters.load
    hall = [
        (30.0 + 120.0 * sensor + motor.hall_error_deg[sensor]) / 360.0
        for sensor in motor.hall_order
    ]
    values = {
        "turns_per_rad": motor.pole_pairs / math.tau,
        "steepness": 180.0 / (180.0 - motor.flat_width_deg),
        "crest": 0.25 + np.array(motor.phase_order) / 3.0,
        "flux": motor.back_emf / 2.0,  # two phases in series make the line-to-line flat top
        "inverse_inductance": 2.0 / motor.inductance,
        "resistance": motor.resistance / 2.0,
        "inertia": motor.inertia,
        "inverse_inertia": 1.0 / motor.inertia,
        "viscous": motor.viscous,
        "coulomb": motor.coulomb,
        "breakaway": motor.coulomb * motor.static_ratio,
        "cogging": motor.cogging,
        "cogging_cycles": motor.cogging_cycles,
        "load_mean": load.mean,
        "load_pulsation": load.pulsation,
        "load_pulses": load.pulses,
        "load_pull": load.pull,
        "load_shape": int(load.shape),
        "hall_a": hall[0],
        "hall_b": hall[1],
        "hall_c": hall[2],
        "hall_inverted": sum(on << line for line, on in enumerate(motor.hall_inverted)),
        "period": 1.0 / bridge.pwm_hz,
        "longest": _longest_step(parameters),
        "dead_time": bridge.dead_time,
        "on_resistance": bridge.on_resistance,
        "diode_drop": bridge.diode_drop,
        "diode_resistance": bridge.diode_resistance,
        "output_delay": bridge.output_delay,
        "capacitance": bridge.capacitance,
        "inverse_capacitance": 1.0 / bridge.capacitance,
        "bleeder": bridge.bleeder,
        "chopper": bridge.chopper,
        "chopper_on": bridge.chopper_on,
        "chopper_off": bridge.chopper_off,
        "supply_resistance": supply.resistance,
        "lead_conductance": 1.0 / supply.resistance,
        "lead_rate": 1.0 / (supply.resistance * bridge.capacitance),
        "slew": supply.slew,
        "two_way": supply.two_way,
        "current_limit": sensing.current_range,
        "current_step": _step(2.0 * sensing.current_range, sensing.current_bits),
        "current_per_step": _steps(2.0 * sensing.current_range, sensing.current_bits),
        "current_gain": sensing.current_gain,
        "current_offset": sensing.current_offset,
        "current_noise": sensing.current_noise,
        "voltage_limit": sensing.voltage_range,
        "voltage_step": _step(sensing.voltage_range, sensing.voltage_bits),
        "voltage_per_step": _steps(sensing.voltage_range, sensing.voltage_bits),
        "voltage_gain": sensing.voltage_gain,
        "voltage_offset": sensing.voltage_offset,
        "voltage_noise": sensing.voltage_noise,
        "comparator": sensing.comparator,
        "amplifier_rate": math.tau * sensing.amplifier_hz
        if math.isfinite(sensing.amplifier_hz)
        else 0.0,
        "sampling_instant": 0.5 / bridge.pwm_hz + sensing.sampling_delay,
        "phase_shunts": sensing.phase_shunts,
        "ambient": heat.ambient,
        "reference": heat.reference_temperature,
        "winding_conductance": 1.0 / heat.winding_resistance,
        "housing_conductance": 1.0 / heat.housing_resistance,
        "junction_conductance": 1.0 / heat.junction_resistance,
        "sink_conductance": 1.0 / heat.sink_resistance,
        "winding_capacity": heat.winding_capacity,
        "housing_capacity": heat.housing_capacity,
        "junction_capacity": heat.junction_capacity,
        "sink_capacity": heat.sink_capacity,
        "magnet_coefficient": heat.magnet_coefficient,
        "switch_coefficient": heat.switch_coefficient,
        "byte_time": 10.0 / parameters.baud,
        "port_period": firmware.period,
        "port_receive": firmware.receive,
        "port_transmit": firmware.transmit,
        "block": firmware.address,
    }
    names = set(CONSTANTS.names or ())
    if names != set(values):
        raise AssertionError(f"constants differ: {sorted(names ^ set(values))}")
    record = np.zeros(1, CONSTANTS)
    for name, value in values.items():
        record[name] = value
    firmware.inputs()["i_phase"] = math.nan  # stays so without phase shunts
    return record


def _longest_step(parameters: DriveParameters) -> float:
    """Longest integration step, s.

    The winding bounds it, and its resonance with the DC link and with the shaft.
    """
    motor = parameters.motor
    decay = motor.inductance / motor.resistance
    resonance = math.sqrt(motor.inductance * parameters.bridge.capacitance)
    swing = math.sqrt(motor.inductance * motor.inertia) / motor.back_emf
    return min(LONGEST_STEP, LONGEST_SHARE * min(decay, resonance, 2.0 * swing))


def _step(span: float, bits: int) -> float:
    """Quantisation step of a converter over `span`; 0 for none."""
    return span / 2**bits if bits else 0.0


def _steps(span: float, bits: int) -> float:
    """Quantisation steps per unit; 0 for none."""
    return 2**bits / span if bits else 0.0
