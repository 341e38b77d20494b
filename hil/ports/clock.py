"""The one clock all waiting goes through."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Protocol, runtime_checkable


@runtime_checkable
class Clock(Protocol):
    """Monotonic time of a bench: the wall clock, or the motor time of a simulated bench."""

    def now(self) -> float:
        """Monotonic seconds from an arbitrary origin."""

    def sleep(self, seconds: float) -> None:
        """Let `seconds` pass; on a simulated bench the simulation moves on by as much."""


class WallClock:
    """The computer's monotonic clock."""

    def now(self) -> float:
        """Monotonic seconds."""
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        """Sleep; a negative duration counts as zero."""
        time.sleep(max(0.0, seconds))


def utc_now() -> str:
    """Date and time in UTC, ISO 8601 with milliseconds and Z; for records, never for durations."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
