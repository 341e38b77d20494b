"""One simulated drive: motor, bridge, DC link and supply around a firmware."""

from __future__ import annotations

import math
from dataclasses import fields
from typing import Any, NamedTuple

import numpy as np

from hil.core.trace import FloatArray
from hil.twin import kernel
from hil.twin.constants import constants_of
from hil.twin.energy import Energies
from hil.twin.host import Here, Host
from hil.twin.kernel_memory import SHAFT_LOG, STATE, WITHOUT_BUFFERS
from hil.twin.line import SerialLine
from hil.twin.parameters import LINES, SENSOR_LINE, DriveParameters
from hil.twin.port import OUTPUTS, OUTPUTS_AT, FirmwareBinding

_RPM = 30.0 / math.pi
_LEG = "ABC"


class Temperatures(NamedTuple):
    """Temperatures in degC."""

    winding: float
    housing: float
    junction: float
    sink: float


_OFTEN = ("tripped", "mean_voltage", "mean_current", "fault", "logged", "lag")


class Drive:
    """A powered-up board with its motor, the bench supply off, the shaft at rest.

    The board's logic has a supply of its own; the bench supply feeds the power stage.

    Parameters
    ----------
    parameters : the rig.
    firmware : used by this drive alone; reset here.
    seed : of the noise of this board's converters.
    """

    def __init__(self, parameters: DriveParameters, firmware: FirmwareBinding, seed: int) -> None:
        self.parameters = parameters
        self.firmware = firmware
        self._constants = constants_of(parameters, firmware)
        self._host: Host = getattr(firmware, "host", None) or Here(firmware)
        self._memory = self._host.memory
        self._state: Any = self._memory[0]
        #: What is asked for all the time, as views: faster to read than a field of the record.
        self._seen = {name: self._memory[name] for name in _OFTEN}
        self._addresses = (self._constants.ctypes.data, self._memory.ctypes.data)
        self._copy = np.zeros(1, STATE)
        self._memory_bytes = self._memory.view(np.uint8)[:WITHOUT_BUFFERS]
        self._copy_bytes = self._copy.view(np.uint8)[:WITHOUT_BUFFERS]
        self._pwm = parameters.bridge.pwm_hz
        self._sensing = parameters.sensing
        self._line = SerialLine(self._memory, parameters.baud)
        self._chunk = max(1, int(self._line.patience * self._pwm))
        self._time = 0.0
        self._periods = 0
        self._log_read = 0
        s = self._state
        heat = parameters.heat
        for node in ("winding_t", "housing_t", "junction_t", "sink_t"):
            s[node] = heat.ambient
        s["seed"] = np.random.SeedSequence(seed).generate_state(1, np.uint64)[0] | np.uint64(1)
        s["angle"] = math.radians(parameters.motor.initial_angle_deg)
        s["closed"] = (1 << len(LINES)) - 1
        s["stand_in"] = self._sensing.substitute_temperature
        s["over_voltage"] = math.inf
        s["next_log"] = kernel.LOG_INTERVAL
        self._host.begin(self._constants)
        self.restart_board()
        kernel.begin(*self._addresses)
        kernel.finish(
            self._constants.ctypes.data, self._copy.ctypes.data
        )  # compiled here, not late

    # time

    @property
    def time(self) -> float:
        """Seconds since power-up of the simulated bench."""
        return self._time

    def advance(self, seconds: float) -> None:
        """Let motor time pass; whole PWM periods are simulated, the rest is carried over.

        Raises
        ------
        ValueError
            If `seconds` is negative or not finite.
        """
        if not 0.0 <= seconds < math.inf:
            raise ValueError(f"cannot advance by {seconds!r} s")
        self._time += seconds
        due = int(self._time * self._pwm + 1e-6)
        while self._periods < due:
            count = min(due - self._periods, self._chunk)
            self._host.advance(count)
            self._periods += count
            self._line.exchange(self._periods / self._pwm)

    # bench

    def set_supply(self, voltage: float, current_limit: float, on: bool) -> None:
        """Set point in V, current limit in A, output; a tripped supply stays off."""
        if not (voltage >= 0.0 and current_limit >= 0.0):
            raise ValueError(f"supply: {voltage!r} V, {current_limit!r} A")
        s = self._state
        s["supply_set"], s["supply_limit"] = voltage, current_limit
        live = on and not s["tripped"]
        if live and not s["supply_on"]:
            s["source"] = s["link"]
        s["supply_on"] = live
        if not live:
            s["supply_current"] = 0.0

    def set_over_voltage(self, level: float) -> None:
        """Terminal voltage, V, above which the supply switches itself off; inf for never."""
        self._state["over_voltage"] = level

    @property
    def over_voltage_tripped(self) -> bool:
        """Whether the supply's over-voltage protection has switched it off."""
        return bool(self._seen["tripped"].item())

    def clear_over_voltage(self) -> None:
        """Clear the trip; the output stays off until it is switched on again."""
        self._state["tripped"] = 0

    @property
    def supply_on(self) -> bool:
        """Whether the supply's output is on."""
        return bool(self._state["supply_on"])

    @property
    def supply_voltage(self) -> float:
        """Voltage at the supply's terminals, V, mean over the last whole millisecond."""
        return float(self._seen["mean_voltage"].item())

    @property
    def supply_current(self) -> float:
        """Current out of the supply, A, mean over the last whole millisecond."""
        return float(self._seen["mean_current"].item())

    def set_brake(self, torque: float) -> None:
        """Torque in N m opposing motion; the shaft holds while the motor pulls with less."""
        if not 0.0 <= torque < math.inf:
            raise ValueError(f"brake torque {torque!r} N m")
        self._state["brake"] = torque

    def set_line(self, line: str, closed: bool) -> None:
        """Close or open one of `parameters.LINES`; an open phase loses its current at once.

        Or a rung of the ladder, see `hil.core.ladder`.
        """
        reads = self._sensing.in_place_of_sensor(line)
        if reads is not None:
            self._state["stand_in"] = reads
            line = SENSOR_LINE
        if line not in LINES:
            raise ValueError(f"no line {line!r}; there are {', '.join(LINES)}")
        s = self._state
        bit = 1 << LINES.index(line)
        s["closed"] = s["closed"] | bit if closed else s["closed"] & ~bit
        if closed or not line.startswith("phase"):
            return
        before = self._magnetic(s)
        phase = "abc".index(line[-1])
        mean = s["i"][phase] / 2.0
        s["i"] += mean
        s["i"][phase] = 0.0
        if np.count_nonzero(s["i"]) < 2 or s["closed"] >> 3 & 7 in (1, 2, 4):
            s["i"] = 0.0
        s["e_switch"] += before - self._magnetic(s)  # in the arc

    def break_line(self, line: str, seconds: float) -> None:
        """Open a Hall or temperature line for so long, whole PWM periods, one at least."""
        if line not in LINES or line.startswith("phase"):
            raise ValueError(f"no line {line!r} that can be broken for a moment")
        s = self._state
        s["glitch_lines"] = 1 << LINES.index(line)
        s["glitch_end"] = self._periods + max(1, round(seconds * self._pwm))

    def set_pot(self, position: float) -> None:
        """Turn the board's speed potentiometer, 0 to 1."""
        self._state["pot"] = position

    def press(self, buttons: int) -> None:
        """Hold the buttons of these bits (`port.BUTTON_...`), release the others."""
        self._state["buttons"] = buttons & 7

    # serial line

    def feed(self, data: bytes) -> None:
        """Send bytes to the board; they arrive at the pace of the line."""
        self._line.feed(data, self._time)

    def drain(self) -> bytes:
        """Bytes from the board that have left the line by now, since the last call."""
        return self._line.drain(self._time)

    # what truly happens

    @property
    def dc_link_voltage(self) -> float:
        """DC link now, V."""
        return float(self._now()["link"])

    @property
    def dc_link_peak(self) -> float:
        """Highest DC-link voltage since `clear_peaks`, V."""
        return float(self._now()["link_peak"])

    @property
    def current_peak(self) -> float:
        """Largest magnitude of a phase current since `clear_peaks`, A."""
        return float(self._now()["current_peak"])

    def clear_peaks(self) -> None:
        """Start `dc_link_peak` and `current_peak` again."""
        self._state["link_peak"] = self._now()["link"]
        self._state["current_peak"] = 0.0

    @property
    def speed_rpm(self) -> float:
        """Speed of the shaft now, rpm, clockwise positive."""
        return float(self._now()["speed"]) * _RPM

    @property
    def angle_deg(self) -> float:
        """Angle of the shaft now, mechanical degrees, not wrapped."""
        return math.degrees(self._now()["angle"])

    @property
    def phase_currents(self) -> tuple[float, float, float]:
        """Currents into the motor now, A."""
        s = self._now()
        return float(s["i"][0]), float(s["i"][1]), float(s["i"][2])

    @property
    def temperatures(self) -> Temperatures:
        """Temperatures now, degC."""
        s = self._state
        names = ("winding_t", "housing_t", "junction_t", "sink_t")
        return Temperatures(*(float(s[name]) for name in names))

    @property
    def steps(self) -> int:
        """Integration steps made since power-up."""
        return int(self._state["steps"])

    def shaft_samples(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Shaft since the last call, true values at 1 kHz: time in s, angle in deg, speed in rpm.

        At most the last `SHAFT_LOG` samples.
        """
        s, head = self._state, int(self._seen["logged"].item())
        at = np.arange(max(self._log_read, head - SHAFT_LOG), head) % SHAFT_LOG
        self._log_read = head
        return s["log_time"][at], np.degrees(s["log_angle"][at]), s["log_speed"][at] * _RPM

    def energies(self) -> Energies:
        """Where the energy went since power-up."""
        s, c = self._now(), self._constants[0]
        flows = [one.name for one in fields(Energies) if f"e_{one.name}" in (STATE.names or ())]
        return Energies(
            **{name: float(s["e_" + name]) for name in flows},
            capacitor=float(0.5 * c["capacitance"] * s["link"] ** 2),
            magnetic=self._magnetic(s),
            kinetic=float(0.5 * c["inertia"] * s["speed"] ** 2),
        )

    def _magnetic(self, state: Any) -> float:
        return float(0.5 * np.square(state["i"]).sum() / self._constants[0]["inverse_inductance"])

    def _now(self) -> Any:
        """The state at the end of the last period, to read from: a copy where it lags behind."""
        if self._seen["lag"].item() == 0.0:
            return self._state
        self._copy_bytes[:] = self._memory_bytes
        kernel.finish(self._constants.ctypes.data, self._copy.ctypes.data)
        return self._copy[0]

    # firmware

    @property
    def firmware_fault(self) -> str:
        """What the firmware did that no board would take, and when; empty when it did not."""
        if self._host.gone:
            return self._host.gone
        fault = int(self._seen["fault"].item())
        if fault == 0:
            return ""
        s = self._state
        leg, value, when = (
            _LEG[int(s["fault_leg"])],
            float(s["fault_value"]),
            float(s["fault_time"]),
        )
        what = {
            kernel.FAULT_DUTY: f"duty {value:g} on leg {leg}, expected 0 to 1",
            kernel.FAULT_DRIVE: f"drive value {value:g} on leg {leg}, expected 0, 1 or 2",
            kernel.FAULT_TRANSMIT: "port_transmit wrote more bytes than it was given room for",
        }[fault]
        return f"{self.firmware.name}: {what}, at {when:.6f} s; all gates off"

    def restart_board(self) -> None:
        """Power-on reset of the board alone: outputs floating, firmware as after power-up."""
        s = self._state
        self.firmware.block[OUTPUTS_AT : OUTPUTS_AT + OUTPUTS.itemsize] = 0
        s["fault"] = 0
        s["started"] = self._periods / self._pwm
        self._host.reset(self._pwm)

    def close(self) -> None:
        """Let go of the firmware, after which time stands still; a second call does nothing."""
        self._host.close()
