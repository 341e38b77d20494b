"""Reported against witnessed speed while the shaft turns: a contradiction switches off.

A firmware that goes on commutating while the shaft stands, or that reports the wrong direction, is
not judged by a band alone: the current flows meanwhile. How far apart the two may be is a limit of
the rig; that a gap counts only when it lasts is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hil.core.errors import FirmwareError
from hil.core.trace import FloatArray
from hil.ports.board import BoardReadings
from hil.ports.instruments import ShaftReadings

#: Telemetry shows the shaft as it was up to this long ago (filter, frame interval, line, poll), s.
LAG = 0.06


class Contradiction(FirmwareError):
    """Reported and witnessed speed contradict each other beyond a limit of the rig."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AgreementLimits:
    """How far the two may differ.

    Parameters
    ----------
    gap : rpm. turning : rpm above which a sign counts. lasting : s that a gap must last.
    signed : False where firmware or tachometer do not tell the direction; magnitudes are compared.
    """

    gap: float = float("inf")
    turning: float = 200.0
    lasting: float = 0.1
    signed: bool = True


class Agreement:
    """Follows both speeds on the host's time scale."""

    def __init__(self, limits: AgreementLimits) -> None:
        self._limits = limits
        self.forget()

    def forget(self) -> None:
        """A new trace: what was seen before does not count."""
        self._time: FloatArray = np.empty(0)
        self._speed: FloatArray = np.empty(0)
        self._apart_since: float | None = None
        self._against_since: float | None = None

    def add_shaft(self, readings: ShaftReadings) -> None:
        """Keep the newest samples of the tachometer."""
        if readings.time.size:
            time = np.concatenate((self._time, readings.time))
            speed = np.concatenate((self._speed, readings.speed))
            first = time.searchsorted(time[-1] - 4.0 * LAG, side="right")
            self._time, self._speed = time[first:], speed[first:]

    def check(self, readings: BoardReadings) -> None:
        """Hold new telemetry against what the tachometer saw in the last `LAG` seconds.

        Raises
        ------
        Contradiction
            For a gap, or opposite directions, that lasts.
        """
        reported = readings.values.get("reported.speed")
        if reported is None or not reported.size:
            return
        now = float(readings.host_time[-1])
        seen = self._speed[self._time.searchsorted(now - LAG, side="right") :]
        seen = seen[np.isfinite(seen)]
        reported = reported[np.isfinite(reported)]
        if not seen.size or not reported.size:
            self._apart_since = self._against_since = None
            return
        limits = self._limits
        if not limits.signed:
            seen, reported = np.abs(seen), np.abs(reported)
        low, high = float(seen.min()), float(seen.max())
        # Of the frames read together the one that agrees best counts.
        beyond = np.maximum(np.maximum(reported - high, low - reported), 0.0)
        self._apart_since = self._lasting(self._apart_since, bool(beyond.min() > limits.gap), now)
        turns = low > limits.turning or high < -limits.turning
        against = turns and bool(np.all(reported * low < -(limits.turning**2)))
        self._against_since = self._lasting(self._against_since, against, now)
        witnessed, told = float(seen[-1]), float(reported[-1])
        if self._over(self._against_since, now):
            raise Contradiction(
                f"the firmware reports {told:+.0f} rpm while the shaft turns the other way, "
                f"{witnessed:+.0f} rpm by the tachometer, for over {limits.lasting:g} s"
            )
        if self._over(self._apart_since, now):
            raise Contradiction(
                f"the firmware reports {told:+.0f} rpm, the tachometer shows {witnessed:+.0f} rpm: "
                f"more than the limit of {limits.gap:g} rpm apart for over {limits.lasting:g} s"
            )

    @staticmethod
    def _lasting(since: float | None, holds: bool, now: float) -> float | None:
        if not holds:
            return None
        return now if since is None else since

    def _over(self, since: float | None, now: float) -> bool:
        return since is not None and now - since > self._limits.lasting
