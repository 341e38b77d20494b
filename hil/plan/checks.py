"""Whether the parts of a rig file fit each other."""

from __future__ import annotations

from collections.abc import Iterator

from hil.core.roles import INSTRUMENTS
from hil.plan.instruments import SOURCE_BRAKES
from hil.plan.reach import check_name_plate
from hil.plan.rig import PLACES_OF_BOARD, Rig
from hil.plan.source import Where
from hil.ports.reading_commands import InterlockCommands

#: Lines a signal switch can have.
LINES = ("hall-a", "hall-b", "hall-c", "phase-a", "phase-b", "phase-c", "temperature-sensor")

Complaint = tuple[Where, str]


def check_rig(rig: Rig) -> Iterator[Complaint]:
    """Contradictions between entries: place of the one to blame first, and a text naming both."""
    yield from _check_board(rig)
    yield from _check_motor(rig)
    yield from _check_supply(rig)
    yield from _check_limits(rig)
    yield from _check_rest(rig)


def check_commands(rig: Rig) -> Iterator[Complaint]:
    """Contradictions between the rig file and the descriptions of its instruments."""
    told = rig.regeneration.absorbed_by
    if told == "two-quadrant-supply" and rig.commands["supply"].sinks is False:
        yield (
            ("regeneration", "absorbed-by"),
            "regeneration.absorbed-by: two-quadrant-supply, but the description of the supply says "
            "sinks: false",
        )
    yield from _check_source_brake(rig)
    yield from _check_interlock(rig)


def check_telemetry(rig: Rig) -> Iterator[Complaint]:
    """Contradictions between the rig file and what the board reports by its link profile."""
    limit, supply = rig.limits.current, rig.supply.current_limit
    only = rig.profile.sensing
    for index, sensing in enumerate(rig.board.sensing):
        if only and sensing != only:
            yield (
                ("board", "sensing", index),
                f"board.sensing: {sensing} cannot be selected, link profile {rig.profile.name} has "
                f"no command select-sensing and says 'sensing: {only}'; expected [{only}]",
            )
    channels = {spec.channel for spec in rig.profile.messages["telemetry"].fields}
    if "reported.current" not in channels and limit > supply:
        # Told where the profile is named: the limits may be those of the file it is based on.
        yield (
            ("board", "profile"),
            f"board.profile: reports no current, so that limits.current {limit:g} A could not act: "
            f"the supply never gives that much; expected limits.current of at most "
            f"supply.current-limit {supply:g} A",
        )


def _check_interlock(rig: Rig) -> Iterator[Complaint]:
    told = rig.readings.get("interlock")
    if rig.interlock is None or not isinstance(told, InterlockCommands) or not told.inputs:
        return
    for name, number in rig.interlock.contacts.items():
        if number > told.inputs:
            yield (
                ("interlock", "contacts", name),
                f"interlock.contacts.{name}: expected an input from 1 to {told.inputs}, as "
                f"commands.inputs has it, found {number}",
            )


def _check_source_brake(rig: Rig) -> Iterator[Complaint]:
    brake = rig.brake
    if brake is None:
        return
    needs = SOURCE_BRAKES.get(brake.driver, ())
    for key in ("torque-constant", "compliance-voltage", "full-scale-voltage"):
        value = getattr(brake, key.replace("-", "_"))
        if key in needs and not value:
            found = "nothing" if value is None else "0"
            yield (
                ("brake", key),
                f"brake.{key}: a brake with driver {brake.driver} needs it, found {found}",
            )
    if needs and brake.resource.upper() == rig.supply.resource.upper():
        own, supply = rig.commands["brake"].channel, rig.commands["supply"].channel
        if own is None or supply is None or own.number == supply.number:
            yield (
                ("brake", "resource"),
                f"brake.resource: {brake.resource} is also that of the supply; then both need "
                "commands.channel, with different numbers",
            )


def _check_board(rig: Rig) -> Iterator[Complaint]:
    board = rig.board
    named = [
        name
        for name, given in zip(PLACES_OF_BOARD, (board.by_id, board.usb, board.url), strict=True)
        if given
    ]
    if len(named) != 1:
        found = " and ".join(named) or "none of them"
        place: Where = ("board", named[1]) if named else ("board",)
        yield place, f"board: expected exactly one of {', '.join(PLACES_OF_BOARD)}, found {found}"
    if board.usb is not None and not (board.usb.serial or board.usb.location):
        yield (
            ("board", "usb"),
            "board.usb: expected a serial number, or a location for an adapter without one",
        )
    if len(set(board.sensing)) != len(board.sensing):
        yield ("board", "sensing"), "board.sensing: a method is named twice"


def _check_motor(rig: Rig) -> Iterator[Complaint]:
    motor = rig.motor
    if motor.resistance == 0.0:
        yield ("motor", "resistance"), "motor.resistance: expected more than zero, found 0"
    if not 0.0 < motor.min_speed < motor.max_speed:
        yield (
            ("motor", "min-speed"),
            f"motor.min-speed: expected more than zero and less than max-speed "
            f"{motor.max_speed:g} rpm, found {motor.min_speed:g} rpm",
        )
    if motor.rated_speed < motor.min_speed:
        yield (
            ("motor", "rated-speed"),
            f"motor.rated-speed: {motor.rated_speed:g} rpm lies below min-speed "
            f"{motor.min_speed:g} rpm",
        )
    yield from check_name_plate(rig)


def _check_supply(rig: Rig) -> Iterator[Complaint]:
    supply, limits = rig.supply, rig.limits
    if supply.voltage > supply.max_voltage:
        yield (
            ("supply", "voltage"),
            f"supply.voltage: {supply.voltage:g} V lies above max-voltage {supply.max_voltage:g} V",
        )
    if supply.over_voltage_limit <= supply.max_voltage:
        yield (
            ("supply", "over-voltage-limit"),
            f"supply.over-voltage-limit: expected more than max-voltage {supply.max_voltage:g} V, "
            f"found {supply.over_voltage_limit:g} V",
        )
    if supply.current_limit < rig.motor.rated_current:
        yield (
            ("supply", "current-limit"),
            f"supply.current-limit: {supply.current_limit:g} A lies below the rated current of the "
            f"motor, {rig.motor.rated_current:g} A",
        )
    if limits.dc_link_voltage <= supply.max_voltage:
        yield (
            ("limits", "dc-link-voltage"),
            f"limits.dc-link-voltage: expected more than supply.max-voltage "
            f"{supply.max_voltage:g} V, found {limits.dc_link_voltage:g} V",
        )


def _check_limits(rig: Rig) -> Iterator[Complaint]:
    limits, motor = rig.limits, rig.motor
    for name, limit, rating, of, unit in (
        ("speed", limits.speed, motor.max_speed, "motor.max-speed", "rpm"),
        ("current", limits.current, motor.rated_current, "motor.rated-current", "A"),
        ("temperature", limits.temperature, rig.twin.ambient, "the ambient temperature", "degC"),
    ):
        if limit <= rating:
            yield (
                ("limits", name),
                f"limits.{name}: expected more than {of} {rating:g} {unit}, found {limit:g} {unit}",
            )
    if limits.wrong_direction <= 0.0:
        yield (
            ("limits", "wrong-direction"),
            "limits.wrong-direction: expected more than zero, "
            f"found {limits.wrong_direction:g} deg",
        )


def _check_rest(rig: Rig) -> Iterator[Complaint]:
    if rig.brake is not None and rig.brake.max_torque <= 0.0:
        yield ("brake", "max-torque"), "brake.max-torque: expected more than zero, found 0"
    if rig.tachometer is not None and rig.tachometer.interval <= 0.0:
        yield ("tachometer", "interval"), "tachometer.interval: expected more than zero, found 0"
    yield from _check_cooling(rig)
    yield from _check_switch(rig)
    resources: dict[str, str] = {}
    for name in INSTRUMENTS:
        part = getattr(rig, name)
        if part is None:
            continue
        other = resources.setdefault(part.resource.upper(), name)
        if other != name and not _may_share(rig, name, other):
            yield (
                (name, "resource"),
                f"{name}.resource: {part.resource} is also that of {other}",
            )


def _check_cooling(rig: Rig) -> Iterator[Complaint]:
    below = None if rig.thermometer is None else rig.thermometer.cool_below
    if below is None:
        return
    least, most = rig.twin.ambient, rig.limits.temperature
    if not least < below <= most:
        yield (
            ("thermometer", "cool-below"),
            f"thermometer.cool-below: expected more than the ambient temperature {least:g} degC, "
            f"and limits.temperature {most:g} degC at most, found {below:g} degC",
        )


def _check_switch(rig: Rig) -> Iterator[Complaint]:
    if rig.switch is None:
        return
    for line in rig.switch.channels:
        if line not in rig.switch.every_line:
            yield (
                ("switch", "channels", line),
                f"switch.channels: {line!r} is none of the lines "
                f"({', '.join(rig.switch.every_line) or 'there are none'})",
            )
    for index, line in enumerate(rig.switch.lines):
        if line not in LINES:
            yield (
                ("switch", "lines", index),
                f"switch.lines: expected {', '.join(LINES)}, found {line!r}",
            )
    if len(set(rig.switch.lines)) != len(rig.switch.lines):
        yield ("switch", "lines"), "switch.lines: a line is named twice"
    if len(set(rig.switch.ladder)) != len(rig.switch.ladder):
        yield ("switch", "ladder"), "switch.ladder: a rung is named twice"


def _may_share(rig: Rig, name: str, other: str) -> bool:
    """Whether two ports may be one instrument: outputs of a supply, or inputs of a data logger.

    For outputs see `check_commands`. Anything else is rather a line that was copied.
    """

    def many(role: str) -> bool:
        if role in ("switch", "interlock", "encoder", "thermometer"):
            return True
        return role == "tachometer" and getattr(rig, role).driver == "counter"

    if {name, other} == {"supply", "brake"}:
        return rig.brake is not None and rig.brake.driver in SOURCE_BRAKES
    return many(name) and many(other)
