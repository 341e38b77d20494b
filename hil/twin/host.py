"""Where the firmware of one board runs: in this process, or in one of its own.

A `Drive` sees its firmware through a `Host` only. Both kinds share one idea: everything that
changes lies in one `STATE` record and one port block, and whoever runs the compiled kernel on them
runs the firmware.
"""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from hil.twin import kernel
from hil.twin.kernel_memory import STATE
from hil.twin.port import FirmwareBinding


class Host(Protocol):
    """Runs the kernel with one firmware.

    Attributes
    ----------
    memory : the drive's `STATE` record, shape (1,).
    gone : how the firmware ended, in words; "" while it is there.
    """

    memory: npt.NDArray[Any]
    gone: str

    def begin(self, constants: npt.NDArray[Any]) -> None:
        """Take the drive's `CONSTANTS` record, shape (1,); once, before anything else."""

    def advance(self, periods: int) -> None:
        """Simulate whole PWM periods. Never raises for what the firmware does: see `gone`."""

    def reset(self, pwm_hz: float) -> None:
        """Power-on reset of the firmware, also of one that is gone."""

    def resets(self) -> int | None:
        """Resets the firmware made by itself; None where it does not tell, or is gone."""

    def close(self) -> None:
        """Let go of everything; `advance` must not be called any more."""


class Here:
    """The firmware runs in this process: fastest, and if it crashes so does everything."""

    def __init__(self, firmware: FirmwareBinding) -> None:
        self._firmware = firmware
        self.memory = np.zeros(1, STATE)
        self.gone = ""

    def begin(self, constants: npt.NDArray[Any]) -> None:
        """See `Host`."""
        self._addresses = (constants.ctypes.data, self.memory.ctypes.data)

    def advance(self, periods: int) -> None:
        """See `Host`."""
        kernel.advance(*self._addresses, periods)

    def reset(self, pwm_hz: float) -> None:
        """See `Host`."""
        self._firmware.reset(pwm_hz)

    def resets(self) -> int | None:
        """See `Host`."""
        return None if self._firmware.resets is None else self._firmware.resets()

    def close(self) -> None:
        """Nothing is held."""
