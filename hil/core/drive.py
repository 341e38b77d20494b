"""Words for what a drive reports: its states, its faults, its directions and sensing methods."""

from __future__ import annotations

from enum import IntEnum, IntFlag, StrEnum


class DriveState(IntEnum):
    """What the firmware says it is doing; link profiles map firmware codes onto these."""

    IDLE = 0
    ALIGN = 1  # current through a fixed pair of phases to bring the rotor to a known angle
    RAMP = 2  # open-loop commutation at a rising rate, before back-EMF can be sensed
    RUN = 3  # closed loop
    BRAKE = 4  # decelerating on purpose: to stop, or to reverse
    FAULT = 5  # outputs off, waiting for a clear

    @property
    def word(self) -> str:
        """Lower-case word used in files and reports."""
        return self.name.lower()


class Fault(IntFlag):
    """Faults a firmware can report; link profiles map firmware bits onto these."""

    NONE = 0
    OVER_CURRENT = 1
    STALL = 2
    OVER_VOLTAGE = 4
    UNDER_VOLTAGE = 8
    OVER_TEMPERATURE = 16
    HALL = 32
    START_FAILED = 64
    LINK_LOST = 128
    OTHER = 256

    @property
    def words(self) -> tuple[str, ...]:
        """Names of the faults present, as written in files and reports, e.g. ``over-current``."""
        return tuple((m.name or "").lower().replace("_", "-") for m in Fault if m and m in self)


class Direction(IntEnum):
    """Sense of rotation; clockwise is the positive one (phase order A, B, C)."""

    CLOCKWISE = 1
    COUNTER_CLOCKWISE = -1

    @property
    def word(self) -> str:
        """Short word used in item ids: ``cw`` or ``ccw``."""
        return "cw" if self is Direction.CLOCKWISE else "ccw"


class Sensing(StrEnum):
    """How the firmware knows the rotor position."""

    HALL = "hall"
    BACK_EMF = "back-emf"
