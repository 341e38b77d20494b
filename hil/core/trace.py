"""Time series captured during a scenario, with marks.

Channel names and units used throughout (signed speeds: clockwise positive, mechanical):

==================== ===== =========================================================
reported.speed       rpm   firmware's own speed
reported.setpoint    rpm   set point the firmware is following
reported.current     A     motor current as the firmware reports it, filtered
reported.peak        A     largest current since the previous telemetry frame
reported.voltage     V     DC link as the firmware reports it
reported.temperature degC  power stage
reported.state       1     `DriveState` value
reported.fault       1     `Fault` bits
witness.speed        rpm   tachometer
witness.position     deg   shaft angle, unwrapped, tachometer
encoder.position     deg   shaft angle, unwrapped, encoder
witness.temperature  degC  power stage, thermometer
supply.voltage       V     supply readback
supply.current       A     supply readback
==================== ===== =========================================================
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

#: Marks that manoeuvres set; a trace may hold several of one name (in time order).
MARKS = (
    "supply-on",
    "command",  # start command acknowledged as sent
    "set-point",  # a new speed set point was sent
    "reverse",  # the set point of opposite sign was sent
    "brake-on",
    "brake-off",
    "load-on",
    "load-off",
    "stop",
    "fault-seen",
    "clear",
    "restart",
    "refused",  # the board refused a command that it was to refuse
    "dip",  # the supply was lowered for a while
    "supply-set",  # the supply, on already, was set to another voltage
    "line-opened",
    "line-closed",
    "silence",  # the host stopped talking
    "glitch",  # a line was opened for a moment
)


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Limits of error from a data sheet: ±(relative·|reading| + absolute), and the resolution.

    Parameters
    ----------
    relative : fraction of the reading (0.01 for 1 %).
    absolute : in the unit of the channel.
    resolution : smallest step of the indication, in the unit of the channel.
    """

    relative: float = 0.0
    absolute: float = 0.0
    resolution: float = 0.0

    def standard_uncertainty(self, reading: float) -> float:
        """Standard uncertainty (k=1) of one `reading`, rectangular distributions.

        Half-widths ±a give a/sqrt(3) (JCGM 100:2008, 4.3.7); resolution d gives d/sqrt(12).
        """
        limit = self.relative * abs(reading) + self.absolute
        return float(np.sqrt(limit**2 / 3.0 + self.resolution**2 / 12.0))


@dataclass(frozen=True, slots=True, eq=False)
class Channel:
    """One quantity sampled over time.

    Parameters
    ----------
    name, unit : see the module table.
    t : shape (n,), seconds from the start of the trace, strictly increasing, may be irregular.
    y : shape (n,), values in `unit`; NaN marks a sample that was received but had no value.
    accuracy : limits of error of the source.
    time_uncertainty : standard uncertainty of one time stamp, in seconds.
    interval : nominal sampling interval in seconds; a longer gap means lost samples.

    Raises
    ------
    ValueError
        If shapes differ or times do not increase.
    """

    name: str
    unit: str
    t: FloatArray
    y: FloatArray
    accuracy: Accuracy = field(default_factory=Accuracy)
    time_uncertainty: float = 0.0
    interval: float = 0.0

    def __post_init__(self) -> None:
        if self.t.ndim != 1 or self.t.shape != self.y.shape:
            raise ValueError(f"{self.name}: shapes differ: t {self.t.shape}, y {self.y.shape}")
        if self.t.size > 1 and not bool(np.all(np.diff(self.t) > 0.0)):
            raise ValueError(f"{self.name}: sample times must increase strictly")

    def __len__(self) -> int:
        return int(self.t.size)

    def between(self, start: float, end: float) -> Channel:
        """The samples with ``start <= t <= end`` (possibly none)."""
        keep = (self.t >= start) & (self.t <= end)
        return replace(self, t=self.t[keep], y=self.y[keep])


@dataclass(frozen=True, slots=True)
class Mark:
    """An instant of interest, in seconds from the start of the trace."""

    name: str
    t: float
    uncertainty: float = 0.0
    detail: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Channels on one time axis, with marks.

    Parameters
    ----------
    channels : by name.
    marks : in time order.
    end : duration in seconds; samples lie in [0, end].
    frames, lost, bad : link statistics of the trace: telemetry frames decoded, frames known to be
        lost (sequence counter), and pieces of data that did not decode.
    repeated : frames with the sequence number of the one before.
    resets : how often the time of the board stepped back, as it does when the board starts anew;
        None where it sends no time.
    """

    channels: Mapping[str, Channel]
    marks: tuple[Mark, ...] = ()
    end: float = 0.0
    frames: int = 0
    lost: int = 0
    bad: int = 0
    repeated: int = 0
    resets: int | None = None

    def channel(self, name: str) -> Channel | None:
        """The channel of that name if it was captured with at least one sample, else None."""
        found = self.channels.get(name)
        return found if found is not None and len(found) else None

    def mark(self, name: str, nth: int = 0) -> Mark | None:
        """The `nth` mark of that name (negative counts from the end), or None."""
        found = [mark for mark in self.marks if mark.name == name]
        return found[nth] if -len(found) <= nth < len(found) else None

    def between(self, start: float, end: float) -> Trace:
        """A part of the trace with the same time axis (times are not shifted)."""
        parts = {name: channel.between(start, end) for name, channel in self.channels.items()}
        marks = tuple(mark for mark in self.marks if start <= mark.t <= end)
        return replace(self, channels=parts, marks=marks, end=min(end, self.end))
