"""Builds the simulated bench of a rig: motor, power stage and board, with instruments around it.

The one place that knows both the rig file and the twin; everything above opens a port and a VISA
resource and does not learn which bench is behind them.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace

from hil.bench.access import Access
from hil.bench.simulated_drive import drive_parameters
from hil.bench.simulated_firmware import own_firmware
from hil.bench.simulated_operator import operator_of
from hil.plan import population
from hil.plan.rig import Rig
from hil.ports.link import LinkDescription
from hil.twin.drive import Drive
from hil.twin.instruments.base import SimulatedInstrument
from hil.twin.instruments.brake import SimulatedBrake
from hil.twin.instruments.interlock import SimulatedInterlock
from hil.twin.instruments.probes import (
    SimulatedCounter,
    SimulatedEncoder,
    SimulatedThermometer,
)
from hil.twin.instruments.supply import SimulatedSupply, SupplyRating
from hil.twin.instruments.switch import LINES, SimulatedSwitch
from hil.twin.instruments.tachometer import SimulatedTachometer
from hil.twin.population import Distribution, Spread, Tolerances
from hil.twin.port import FirmwareBinding
from hil.twin.reference import ReferenceSettings, binding
from hil.twin.variation import Variation
from hil.twin.wires.registry import publish
from hil.twin.wires.visa import visa_library
from hil.twin.world import VirtualClock, World

#: s between two looks at a bench in virtual time. Its memories hold everything in between, and
#: nothing can burn; a look costs more than the simulation of what happened since the last one.
POLL = 0.1
#: The same while nothing but time is waited for: nobody acts on what is read but the abort limits,
#: which act that much later in motor time, and miss nothing, for every sample since is looked at
#: then. What the supply reads is held against them more often anyway. A look each 0.1 s would cost
#: 5 % of the whole stack, and what the drive knows of its own peaks is no bound to what a firmware
#: reports, which the limits are about.
QUIET_POLL = 0.25

#: The rig as its file describes it.
AS_DESCRIBED = Variation()


def seed_number(seed: str) -> int:
    """A 32-bit number from a text seed, the same on every machine."""
    return int.from_bytes(hashlib.sha256(seed.encode()).digest()[:4], "little")


def firmware_for(rig: Rig, variation: Variation = AS_DESCRIBED) -> FirmwareBinding:
    """The user's own firmware, or the reference firmware, set for the rig's motor.

    Raises
    ------
    PlanError, FirmwareError
        See `hil.bench.simulated_firmware.own_firmware`.
    """
    if rig.firmware is not None:
        return own_firmware(rig, variation)
    motor = rig.motor
    settings = ReferenceSettings(
        pole_pairs=motor.pole_pairs,
        back_emf_constant=motor.back_emf_constant,
        resistance=motor.resistance,
        min_speed=motor.min_speed,
        max_speed=motor.max_speed,
    )
    told = rig.twin.firmware.model_dump(include={"link_timeout", "over_voltage", "over_current"})
    settings = replace(settings, **{name: v for name, v in told.items() if v is not None})
    return binding(rig.twin.firmware.protocol, variation.applied("firmware", settings))


def world_for(rig: Rig, seed: int | str, variation: Variation = AS_DESCRIBED) -> World:
    """The whole simulated bench, powered up, supply off.

    Every instrument of the rig file is there under its own VISA resource name. `variation` makes
    it differ from what the rig file says.

    Raises
    ------
    ValueError
        If the variation names a parameter that does not exist or cannot be so.
    """
    rig = rig.as_simulated()
    number = seed_number(str(seed))
    parameters = variation.applied("drive", drive_parameters(rig, number))
    drive = Drive(parameters, firmware_for(rig, variation), number)
    supply = rig.supply
    usual = SupplyRating()
    rating = SupplyRating(
        voltage=max(usual.voltage, supply.max_voltage),
        current=max(usual.current, supply.current_limit),
        over_voltage=max(usual.over_voltage, 1.1 * supply.over_voltage_limit),
        voltage_accuracy=supply.voltage_accuracy.limits(),
        current_accuracy=supply.current_accuracy.limits(),
    )
    instruments: dict[str, SimulatedInstrument] = {
        supply.resource: SimulatedSupply(
            drive,
            variation.applied("supply", rating),
            number,
        )
    }
    if rig.tachometer is not None:
        shaft: SimulatedInstrument = SimulatedTachometer(drive)
        if rig.tachometer.driver == "counter":
            shaft = SimulatedCounter(
                lambda: drive.speed_rpm,
                lambda: drive.angle_deg,
                senses_direction=rig.tachometer.senses_direction,
            )
        instruments[rig.tachometer.resource] = shaft
    if rig.brake is not None:
        instruments[rig.brake.resource] = SimulatedBrake(
            drive, rig.brake.max_torque, rig.brake.delay
        )
    if rig.switch is not None:
        instruments[rig.switch.resource] = SimulatedSwitch(drive, (*LINES, *rig.switch.rungs))
    if rig.interlock is not None:
        instruments[rig.interlock.resource] = SimulatedInterlock()
    if rig.encoder is not None:
        instruments[rig.encoder.resource] = SimulatedEncoder(lambda: drive.angle_deg)
    if rig.thermometer is not None:
        instruments[rig.thermometer.resource] = SimulatedThermometer(
            lambda: drive.temperatures.sink
        )
    return World(drive, instruments)


def tolerances_of(rig: Rig) -> Tolerances:
    """Within what the healthy rigs of this kind differ, from the twin section of the rig file."""

    def spread(stated: population.Spread | None, scale: float = 1.0) -> Spread | None:
        if stated is None:
            return None
        return Spread(stated.within * scale, Distribution(stated.distribution))

    stated, percent = rig.twin.population, 0.01
    ambient = stated.ambient
    return Tolerances(
        back_emf=spread(stated.back_emf_constant, percent),
        resistance=spread(stated.resistance, percent),
        inductance=spread(stated.inductance, percent),
        inertia=spread(stated.inertia, percent),
        friction=spread(stated.friction, percent),
        cogging=spread(stated.cogging, percent),
        hall_placement=spread(stated.hall_placement, rig.motor.pole_pairs),
        load=spread(stated.load, percent),
        shunt_gain=spread(stated.shunt_gain, percent),
        shunt_offset=spread(stated.shunt_offset),
        voltage_gain=spread(stated.voltage_gain, percent),
        adc_noise=spread(stated.adc_noise, percent),
        supply_resistance=spread(stated.supply_resistance, percent),
        supply_readback=spread(stated.supply_readback, percent),
        ambient=None
        if ambient is None
        else Spread(
            0.5 * (ambient.max - ambient.min),
            Distribution(ambient.distribution),
            0.5 * (ambient.max + ambient.min),
        ),
    )


def poll_for(rig: Rig) -> float:
    """Interval of reading, s: telemetry as `poll_of`, and what has no memory on its own beat."""
    poll, shaft = poll_of(rig.profile), rig.tachometer
    if shaft is not None and shaft.driver == "counter":
        poll = min(poll, shaft.interval)
    return poll if rig.encoder is None else min(poll, rig.encoder.interval)


def poll_of(profile: LinkDescription) -> float:
    """Interval of reading, s.

    Telemetry without a board time is dated by when it was read, and what must be asked for is asked
    for at each look.
    """
    if profile.polls:
        return min(0.01, *(poll.period for poll in profile.polls))
    for message in profile.messages.values():
        if any(spec.role == "board-time" for spec in message.fields):
            return POLL
    return min(0.01, 1.0 / profile.telemetry_rate)


def twin_access(rig: Rig, seed: str, variation: Variation = AS_DESCRIBED) -> Access:
    """Access to a new simulated bench in this process, in virtual time."""
    import pyvisa

    world = world_for(rig, seed, variation)
    poll = poll_for(rig)
    manager = pyvisa.ResourceManager(visa_library(world))
    return Access(
        board=publish(world),
        visa=manager,
        clock=VirtualClock(world),
        on_close=[manager.close, world.close],
        poll=poll,
        quiet_poll=QUIET_POLL if poll == POLL else poll,
        firmware=rig.firmware.name if rig.firmware is not None else "",
        simulated=True,
        operator=operator_of(rig, world),
    )
