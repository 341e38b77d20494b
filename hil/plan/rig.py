"""The rig file: one bench, its motor, board, supply and what else is wired."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    Field,
    ModelWrapValidatorHandler,
    PrivateAttr,
    model_validator,
)

from hil.core.roles import INSTRUMENTS
from hil.motor.nameplate import back_emf_line_to_line_peak, winding_line_to_line
from hil.plan.accuracy import (
    CurrentAccuracy,
    SpeedAccuracy,
    TemperatureAccuracy,
    VoltageAccuracy,
)
from hil.plan.checklist import Checklist
from hil.plan.firmware import FirmwareFiles
from hil.plan.instruments import (
    SOURCE_BRAKES,
    Brake,
    EncoderInstrument,
    Instrument,
    InterlockInstrument,
    SupplyInstrument,
    SwitchInstrument,
    Tachometer,
    ThermometerInstrument,
)
from hil.plan.model import Count, Model, Name, Switch, Text
from hil.plan.simulated import SimulatedBench
from hil.plan.units import (
    Angle,
    BackEmf,
    Capacitance,
    Current,
    Inductance,
    Inertia,
    Resistance,
    Speed,
    Temperature,
    Time,
    Voltage,
)
from hil.ports.link import LinkDescription
from hil.ports.reading_commands import SWITCH, Conversation, CounterCommands
from hil.ports.supply_commands import OverCurrent, Settling, SupplyCommands

#: A resource over which simulated instruments are reached.
_SOCKET = re.compile(r"TCPIP\d*::[^:]+::\d+::SOCKET", re.IGNORECASE)
#: How the relays of the simulated bench are told to open for a moment.
_SIMULATED_PULSE = "ROUT:PULS {time},(@{relay})"


class Motor(Model):
    """Nameplate, converted to one convention.

    Resistance and inductance are line to line, the back-EMF constant is the peak between two lines
    per mechanical rad/s, whatever the file said; `nameplate` keeps the file's own words.
    """

    name: Text
    pole_pairs: Count
    back_emf_constant: BackEmf
    back_emf_convention: Literal["line-to-line-peak", "line-to-line-rms", "phase-peak"]
    resistance: Resistance
    inductance: Inductance
    winding_convention: Literal["line-to-line", "phase-star", "phase-delta"] = "line-to-line"
    inertia: Inertia  # rotor and everything coupled to it
    rated_voltage: Voltage
    rated_speed: Speed
    rated_current: Current
    max_speed: Speed
    min_speed: Speed
    _nameplate: dict[str, str] = PrivateAttr(default_factory=dict)

    @property
    def nameplate(self) -> Mapping[str, str]:
        """Key -> text as written in the file."""
        return self._nameplate

    @model_validator(mode="wrap")
    @classmethod
    def _to_one_convention(cls, data: Any, handler: ModelWrapValidatorHandler[Motor]) -> Motor:
        motor = handler(data)
        if not isinstance(data, dict):
            return motor
        winding = motor.winding_convention
        converted = motor.model_copy(
            update={
                "back_emf_constant": back_emf_line_to_line_peak(
                    motor.back_emf_constant, motor.back_emf_convention
                ),
                "back_emf_convention": "line-to-line-peak",
                "resistance": winding_line_to_line(motor.resistance, winding),
                "inductance": winding_line_to_line(motor.inductance, winding),
                "winding_convention": "line-to-line",
            }
        )
        converted._nameplate = {str(key): str(value) for key, value in data.items()}
        return converted


def _four_digits(text: str) -> str:
    if len(text) != 4 or any(c not in "0123456789abcdef" for c in text.lower()):
        raise ValueError(f"expected four hexadecimal digits in quotes, found {text!r}")
    return text.lower()


UsbNumber = Annotated[str, AfterValidator(_four_digits)]


class Usb(Model):
    """A USB serial adapter by what it is, not by the order in which it was plugged in."""

    vendor: UsbNumber
    product: UsbNumber
    serial: str = ""
    location: str = ""


class Flash(Model):
    """How firmware gets onto the board.

    `command` and `build` may contain ``{image}``, the file given with ``--hil-firmware``,
    ``{board}``, the board's port, and ``{folder}``, where the rig file lies.
    """

    command: Annotated[tuple[Text, ...], Field(min_length=1)]  # program and its arguments
    time_limit: Time = 60.0
    identity_within: Time = 10.0  # from the end of the command to the first answer
    powered: Switch = False  # the supply must be on for it
    watch: Time = 5.0  # for how long the shaft must stay still afterwards
    build: tuple[Text, ...] = ()  # program that prints the build the image holds, last line


#: Keys that say where the board is: one of them does.
PLACES_OF_BOARD = ("by-id", "usb", "url")


class BoardLink(Model):
    """Where the board is; exactly one of `by_id`, `usb`, `url`."""

    by_id: str = ""
    usb: Usb | None = None
    url: str = ""
    driver: Text = "serial"
    dtr: Switch | None = None  # control lines of the port: they reset many a board, or hold it in
    rts: Switch | None = None  # its boot loader. None: as the serial library sets them
    keep_alive: Time | None = None  # the board hears from the bench at least this often
    profile: Text  # link profile, path relative to the file that names it
    expect_model: str = ""  # identity the board must answer with
    flash: Flash | None = None
    sensing: Annotated[tuple[Literal["hall", "back-emf"], ...], Field(min_length=1)] = (
        "hall",
        "back-emf",
    )


class AbortLimits(Model):
    """Beyond any of these the supply is switched off at once, whatever the scenario does."""

    speed: Speed
    current: Current
    dc_link_voltage: Voltage
    temperature: Temperature
    wrong_direction: Angle = 720.0  # travel against the commanded direction, 720 deg = two turns
    speed_gap: Speed | None = None  # between reported and witnessed; None: 10 % of `speed`
    speed_gap_time: Time = 0.1  # a gap counts when it lasts
    #: Beyond these nothing is energised again, on hardware, before a person has looked.
    end_run: tuple[Literal["speed", "current", "dc-link-voltage", "temperature"], ...] = (
        "speed", "dc-link-voltage",
    )  # fmt: skip


class Regeneration(Model):
    """Where braking energy goes."""

    absorbed_by: Literal["dc-link-capacitor", "load-resistor", "two-quadrant-supply"]
    dc_link_capacitance: Capacitance


class Telemetry(Model):
    """How good the firmware's own numbers are claimed to be, for uncertainties."""

    speed_accuracy: SpeedAccuracy = SpeedAccuracy()
    current_accuracy: CurrentAccuracy = CurrentAccuracy()
    voltage_accuracy: VoltageAccuracy = VoltageAccuracy()
    temperature_accuracy: TemperatureAccuracy = TemperatureAccuracy()


class Rig(Model):
    """One bench."""

    format: Literal[1]
    rig: Name
    description: str = ""
    motor: Motor
    board: BoardLink
    supply: SupplyInstrument
    tachometer: Tachometer | None = None
    brake: Brake | None = None
    switch: SwitchInstrument | None = None
    interlock: InterlockInstrument | None = None
    encoder: EncoderInstrument | None = None
    thermometer: ThermometerInstrument | None = None
    limits: AbortLimits
    regeneration: Regeneration
    telemetry: Telemetry = Telemetry()
    checklist: Checklist | None = None
    twin: SimulatedBench = SimulatedBench()
    _files: tuple[Path, ...] = PrivateAttr(default=())
    _profile: LinkDescription = PrivateAttr()
    _firmware: FirmwareFiles | None = PrivateAttr(default=None)
    _commands: dict[str, SupplyCommands] = PrivateAttr(default_factory=dict)
    _readings: dict[str, Conversation] = PrivateAttr(default_factory=dict)
    _answer_within: float = PrivateAttr(default=60.0)
    _named_in: str = PrivateAttr(default="")
    _inherited: str = PrivateAttr(default="")

    @property
    def borrowed_name(self) -> str:
        """What to know of a rig that has the name of the one it is `based-on`; or "".

        One bench may have several files, such as one a firmware, so that it is no mistake for sure.
        """
        if not self._files or self._named_in in ("", str(self._files[0])):
            return ""
        return (
            f"it has no 'rig:' of its own, and the name {self.rig} from {self._named_in}: its runs "
            "enter the series of that rig"
        )

    @property
    def inherited(self) -> str:
        """What of another motor it takes over, see `hil.plan.inherited`; or ""."""
        return self._inherited

    @property
    def files(self) -> tuple[Path, ...]:
        """Files it was read from, firmware of the simulated bench, and its link profile last.

        Their hashes belong in a record.
        """
        return self._files

    @property
    def firmware(self) -> FirmwareFiles | None:
        """The user's own firmware for the simulated bench; None for the reference firmware."""
        return self._firmware

    @property
    def answer_within(self) -> float:
        """Time in which a person must answer who stands in for a brake, s."""
        return self._answer_within

    @property
    def commands(self) -> Mapping[str, SupplyCommands]:
        """Role -> what the instrument in it understands, as described or as in SCPI-1999."""
        return {"supply": SupplyCommands(), **self._commands}

    @property
    def settling(self) -> Settling:
        """When its output counts as settled: the rig file's own word over the description's."""
        told, supply = self.commands["supply"].settling, self.supply
        return Settling(
            within=told.within if supply.settle_within is None else supply.settle_within,
            hold=told.hold,
            limit=told.limit if supply.settle_time is None else supply.settle_time,
        )

    @property
    def readings(self) -> Mapping[str, Conversation]:
        """Role -> how the instrument in it is asked, where it is described."""
        return self._readings

    def as_simulated(self) -> Rig:
        """The same rig as the simulated bench has it.

        Its instruments speak SCPI-1999 over TCP sockets, whoever they are on the real bench; its
        brake takes a torque, and its relays are numbered through.
        """
        rig = self.model_copy()
        taken: set[str] = set()
        for number, role in enumerate(INSTRUMENTS, start=1):
            part: Instrument | None = getattr(rig, role)
            if part is None:
                continue
            own = {"expect": ""}
            if part.resource.upper() in taken or not _SOCKET.fullmatch(part.resource):
                own["resource"] = f"TCPIP::127.0.0.1::{number}::SOCKET"  # one address each
            if role == "brake" and part.driver in SOURCE_BRAKES:
                own["driver"] = "scpi"
            taken.add(part.resource.upper())
            rig = rig.model_copy(update={role: part.model_copy(update=own)})
        if rig.switch is not None:
            switch = rig.switch.model_copy(update={"channels": {}})
            rig = rig.model_copy(update={"switch": switch})
        protected = self.commands["supply"].over_current is not None
        own_current = OverCurrent() if protected else None
        rig._commands = {"supply": SupplyCommands(over_current=own_current)}
        counter = rig._readings.get("tachometer")
        rig._readings = {"switch": replace(SWITCH, pulse=_SIMULATED_PULSE)} if rig.switch else {}
        if isinstance(counter, CounterCommands):
            # what it measures stays as it is, how it is asked does not
            rig._readings["tachometer"] = counter.standard()
        return rig

    @property
    def profile(self) -> LinkDescription:
        """The link profile that the file names, as read with it."""
        return self._profile

    @property
    def profile_path(self) -> Path:
        """The link profile: next to the rig file that was loaded."""
        return self._files[-1]
