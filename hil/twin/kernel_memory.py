"""What the compiled kernel reads and writes: two records per drive.

`CONSTANTS` is filled once from `DriveParameters`; `STATE` holds everything that changes, its
bookkeeping and its buffers. Phases, legs and sensors are numbered a, b, c; currents are positive
into the motor; angles are mechanical radians unless the name says turns (then electrical).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

#: Samples kept of the shaft, 1 kHz; the oldest are overwritten.
SHAFT_LOG = 4096
#: Bytes on their way in each direction of the serial line.
LINE_BUFFER = 4096


def _floats(names: str) -> list[tuple[str, str]]:
    return [(name, "f8") for name in names.split()]


def _integers(names: str) -> list[tuple[str, str]]:
    return [(name, "i8") for name in names.split()]


CONSTANTS = np.dtype(
    _floats(
        # motor: pole pairs per radian, shape of the back-EMF, mechanics
        "turns_per_rad steepness flux inverse_inductance resistance"
        " inertia inverse_inertia viscous coulomb breakaway cogging cogging_cycles"
        " load_mean load_pulsation load_pulses load_pull"
        " hall_a hall_b hall_c"
        # bridge and DC link
        " period longest dead_time on_resistance diode_drop diode_resistance"
        " capacitance inverse_capacitance bleeder chopper chopper_on chopper_off"
        " supply_resistance lead_conductance lead_rate slew"
        # sensing
        " current_limit current_step current_per_step current_gain current_offset current_noise"
        " voltage_limit voltage_step voltage_per_step voltage_gain voltage_offset voltage_noise"
        " comparator amplifier_rate sampling_instant"
        # heat
        " ambient reference winding_conductance housing_conductance junction_conductance"
        " sink_conductance winding_capacity housing_capacity junction_capacity sink_capacity"
        " magnet_coefficient switch_coefficient byte_time"
    )
    + _integers(
        "load_shape hall_inverted output_delay two_way phase_shunts"
        # addresses
        " port_period port_receive port_transmit block"
    )
    + [("crest", "f8", (3,))],
    align=True,
)

STATE = np.dtype(
    _floats(
        # electrical and mechanical state
        "link speed angle acceleration"
        # at temperature
        " winding_r flux on_r"
        # torques held during one period: signed, opposing motion, opposing the start of motion
        " driving opposing holding load cogging braking"
        # settings of the bench
        " supply_set supply_limit supply_least supply_most source over_voltage"
        " brake pot conductance stand_in"
        # at the end of the last step
        " supply_current"
        # by how long the state lies before the end of the last period
        " lag"
        # at the sampling instant
        " seen_link seen_turns seen_emf"
        # means over one log interval
        " charge link_area log_start mean_current mean_voltage"
        # energies already turned into heat
        " booked_copper booked_switch booked_iron"
        # of one PWM period
        " square square_speed square_charge travel way bus_peak"
        # temperatures
        " winding_t housing_t junction_t sink_t"
        # serial line
        " rx_next tx_free"
        # greatest values since they were last cleared
        " link_peak current_peak"
        # energies since power-up, J
        " e_supply e_lead e_bleeder e_copper e_switch e_viscous e_coulomb e_load e_brake"
        " e_cogging e_pull"
        " next_log fault_time fault_value started"
    )
    + _integers(
        "periods steps supply_on tripped chopping closed buttons"
        " fault fault_leg inside"
        # signal lines that are open until a period for a moment, bits as those of `closed`
        " glitch_lines glitch_end"
        # gates of the three legs during the lag
        " gate_a gate_b gate_c"
        " rx_head rx_tail tx_head logged"
    )
    + [
        ("seed", "u8"),
        ("i", "f8", (3,)),
        ("q", "i8", (3,)),  # what each phase is connected to, see `kernel_bridge`
        ("seen_i", "f8", (3,)),
        ("amplified", "f8", (4,)),  # phase and bridge input currents behind the amplifiers
        # by connection, see `kernel_bridge.tabulate`
        ("rail", "f8", (5,)),
        ("offset", "f8", (5,)),
        ("resistance", "f8", (5,)),
        ("log_time", "f8", (SHAFT_LOG,)),
        ("log_angle", "f8", (SHAFT_LOG,)),
        ("log_speed", "f8", (SHAFT_LOG,)),
        ("rx", "u1", (LINE_BUFFER,)),
        ("tx", "u1", (LINE_BUFFER,)),
    ],
    align=True,
)
_PLACES: Mapping[str, tuple[Any, ...]] = STATE.fields or {}
#: Bytes of a `STATE` before its buffers.
WITHOUT_BUFFERS: int = _PLACES["log_time"][1]
