"""From opened parts to a bench: the limits, accuracies and intervals of the rig file."""

from __future__ import annotations

from hil.bench.agreement import AgreementLimits
from hil.bench.bench import Bench
from hil.bench.limits import Limits
from hil.bench.observe import Observer
from hil.bench.parts import Parts, Settings
from hil.bench.recorder import Sources
from hil.core.trace import Accuracy
from hil.plan.line_load import frame_time
from hil.plan.rig import Rig
from hil.ports.clock import Clock


def assemble(
    rig: Rig,
    parts: Parts,
    clock: Clock,
    observer: Observer | None,
    poll: float = 0.01,
    quiet_poll: float = 0.0,
) -> Bench:
    """A bench from opened parts, with the limits and accuracies of the rig file.

    `poll` and `quiet_poll` are intervals of reading board and tachometer, s; see `Settings`.
    """
    return Bench(
        parts=parts,
        clock=clock,
        settings=Settings(
            current_limit=rig.supply.current_limit,
            over_voltage=rig.supply.over_voltage_limit,
            max_voltage=rig.supply.max_voltage,
            poll=poll,
            quiet_poll=quiet_poll,
            settling=rig.settling,
            dc_link_capacitance=rig.regeneration.dc_link_capacitance,
            silence=max(0.5, 10.0 / rig.profile.telemetry_rate),
            keep_alive=rig.board.keep_alive or 0.0,
            answer_within=rig.answer_within,
            encoder_poll=0.05 if rig.encoder is None else rig.encoder.interval,
            brake_delay=0.0 if rig.brake is None else rig.brake.delay,
            thermometer_poll=0.5 if rig.thermometer is None else rig.thermometer.interval,
            cool_below=None if rig.thermometer is None else rig.thermometer.cool_below,
            cool_within=0.0 if rig.thermometer is None else rig.thermometer.cool_within,
        ),
        limits=abort_limits(rig),
        sources=sources_of(rig),
        observer=observer,
    )


def abort_limits(rig: Rig) -> Limits:
    """What is held against every reading, whatever a scenario does."""
    limits = rig.limits
    return Limits(
        speed=limits.speed,
        current=limits.current,
        dc_link_voltage=limits.dc_link_voltage,
        temperature=limits.temperature,
        wrong_direction=limits.wrong_direction,
        directed=rig.tachometer is None or rig.tachometer.senses_direction,
        agreement=agreement_limits(rig),
    )


def agreement_limits(rig: Rig) -> AgreementLimits:
    """How far reported and witnessed speed may be apart on this rig."""
    unsigned = any(
        spec.channel == "reported.speed" and spec.type.startswith("u")
        for spec in rig.profile.messages["telemetry"].fields
    )
    limits, shaft = rig.limits, rig.tachometer
    gap = 0.1 * limits.speed if limits.speed_gap is None else limits.speed_gap
    return AgreementLimits(
        gap=gap,
        turning=min(200.0, gap),
        lasting=limits.speed_gap_time,
        signed=not unsigned and (shaft is None or shaft.senses_direction),
    )


def sources_of(rig: Rig) -> Sources:
    """Accuracy and sampling interval of every channel, from rig file and link profile."""
    profile = rig.profile
    told, supply, shaft = rig.telemetry, rig.supply, rig.tachometer
    accuracy: dict[str, Accuracy] = {
        "reported.speed": told.speed_accuracy.limits(),
        "reported.setpoint": told.speed_accuracy.limits(),
        "reported.current": told.current_accuracy.limits(),
        "reported.peak": told.current_accuracy.limits(),
        "reported.voltage": told.voltage_accuracy.limits(),
        "reported.temperature": told.temperature_accuracy.limits(),
        "supply.voltage": supply.voltage_accuracy.limits(),
        "supply.current": supply.current_accuracy.limits(),
    }
    telemetry = profile.messages["telemetry"]
    frame = 1.0 / profile.telemetry_rate
    interval = {spec.channel: frame for spec in telemetry.fields if spec.channel}
    interval |= {"supply.voltage": 0.05, "supply.current": 0.05}
    if shaft is not None:
        accuracy["witness.speed"] = shaft.speed_accuracy.limits()
        accuracy["witness.position"] = shaft.position_accuracy.limits()
        interval |= {"witness.speed": shaft.interval, "witness.position": shaft.interval}
    if rig.encoder is not None:
        accuracy["encoder.position"] = rig.encoder.position_accuracy.limits()
        interval["encoder.position"] = rig.encoder.interval
    if rig.thermometer is not None:
        accuracy["witness.temperature"] = rig.thermometer.temperature_accuracy.limits()
        interval["witness.temperature"] = rig.thermometer.interval
    return Sources(
        accuracy=accuracy,
        interval=interval,
        line_time=frame_time(profile),
        speed_gate=0.0 if shaft is None else shaft.speed_gate,
    )
