"""What the world and its instruments need of the simulated drive."""

from __future__ import annotations

from typing import Protocol

from hil.core.trace import FloatArray


class DriveLike(Protocol):
    """What the bench needs of the simulated drive (motor, power stage, board)."""

    @property
    def time(self) -> float:
        """Simulated time since power-up, s."""

    @property
    def supply_voltage(self) -> float:
        """Voltage at the supply's terminals, V."""

    @property
    def supply_current(self) -> float:
        """Supply current, mean over the last millisecond, A."""

    @property
    def over_voltage_tripped(self) -> bool:
        """Whether the supply's over-voltage protection has switched it off."""

    @property
    def firmware_fault(self) -> str:
        """What the board's firmware did that ends an item, and when; "" when it did not."""

    def advance(self, seconds: float) -> None:
        """Simulate `seconds`, to the nearest PWM period."""

    def close(self) -> None:
        """Let go of the firmware; time is not advanced any more."""

    def set_supply(self, voltage: float, current_limit: float, on: bool) -> None:
        """Set points of the supply, V and A, and its output; while tripped it stays off."""

    def set_over_voltage(self, level: float) -> None:
        """Voltage at the supply's terminals, V, that trips its protection; infinity for never."""

    def clear_over_voltage(self) -> None:
        """Clear the trip; the output stays off until `set_supply` switches it on."""

    def set_brake(self, torque: float) -> None:
        """Braking torque, N m."""

    def set_line(self, line: str, closed: bool) -> None:
        """Close or open a signal line, e.g. ``hall-a``."""

    def break_line(self, line: str, seconds: float) -> None:
        """Open a signal line for so long; ValueError for one that cannot be."""

    def feed(self, data: bytes) -> None:
        """Bytes from host to board; they arrive at the pace of the line."""

    def drain(self) -> bytes:
        """Bytes from the board that have left the line since the last call."""

    def shaft_samples(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Time s, angle deg, speed rpm of the shaft at 1 kHz since the last call."""
