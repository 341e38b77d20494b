"""The newest readings of a bench, and who may look at them while a scenario runs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from hil.core.drive import DriveState, Fault


class Observer(Protocol):
    """Whoever shows progress; must return quickly."""

    def step(self, text: str) -> None:
        """A new step began."""

    def readings(self, now: Latest) -> None:
        """New readings are in."""


class Silent:
    """An observer that shows nothing."""

    def step(self, text: str) -> None:
        """Ignore."""

    def readings(self, now: Latest) -> None:
        """Ignore."""


@dataclass(slots=True)
class Latest:
    """The newest value of everything a scenario waits for; NaN until first read.

    `fault_frames` counts the frames so far in which the firmware reported a fault.
    """

    reported_speed: float = np.nan
    witness_speed: float = np.nan
    position: float = np.nan
    current: float = np.nan
    voltage: float = np.nan
    temperature: float = np.nan
    state: DriveState | None = None
    fault: Fault = Fault.NONE
    fault_frames: int = 0

    @property
    def speed(self) -> float:
        """Speed in rpm: the witness if there is one, else what the firmware reports."""
        return self.witness_speed if np.isfinite(self.witness_speed) else self.reported_speed
