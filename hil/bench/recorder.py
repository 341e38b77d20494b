"""Collects what a bench reads while a manoeuvre runs, and turns it into a trace."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from hil.bench.link_doubts import LinkFacts, misfit
from hil.bench.timebase import rate, relate, segments
from hil.core.trace import Accuracy, Channel, FloatArray, Mark, Trace
from hil.ports.board import BoardReadings
from hil.ports.instruments import Reading, ShaftReadings, SupplyReading

Indices = npt.NDArray[np.intp]

UNITS = {
    "reported.speed": "rpm",
    "reported.setpoint": "rpm",
    "reported.current": "A",
    "reported.peak": "A",
    "reported.voltage": "V",
    "reported.temperature": "degC",
    "reported.state": "1",
    "reported.fault": "1",
    "witness.speed": "rpm",
    "witness.position": "deg",
    "supply.voltage": "V",
    "supply.current": "A",
    "encoder.position": "deg",
    "witness.temperature": "degC",
}


@dataclass(frozen=True, slots=True)
class Sources:
    """How good and how often the sources of a bench are.

    Parameters
    ----------
    accuracy : channel name -> limits of error.
    interval : channel name -> nominal sampling interval, s.
    line_time : s that one telemetry frame spends on the line.
    speed_gate : s over which the tachometer counts one speed, up to the stamp of the sample.
    """

    accuracy: dict[str, Accuracy] = field(default_factory=dict)
    interval: dict[str, float] = field(default_factory=dict)
    line_time: float = 0.0
    speed_gate: float = 0.0


class Recorder:
    """Keeps readings of one manoeuvre; `trace` may be called once or often."""

    def __init__(self, sources: Sources, start: float) -> None:
        self._sources = sources
        self.start = start
        self._board: list[BoardReadings] = []
        self._shaft: list[ShaftReadings] = []
        self._shaft_uncertainty = 0.0
        self._supply: list[SupplyReading] = []
        self._numbers: dict[str, list[Reading]] = {}
        self._marks: list[Mark] = []

    def add_board(self, readings: BoardReadings) -> None:
        """Keep decoded telemetry."""
        if len(readings) or readings.lost or readings.bad:
            self._board.append(readings)

    def add_shaft(self, readings: ShaftReadings, time_uncertainty: float) -> None:
        """Keep tachometer samples; `time_uncertainty` is that of their time base, s."""
        self._shaft_uncertainty = time_uncertainty
        if readings.time.size:
            self._shaft.append(readings)

    def add_supply(self, reading: SupplyReading) -> None:
        """Keep one supply reading."""
        self._supply.append(reading)

    def add_number(self, name: str, reading: Reading) -> None:
        """Keep one number of a channel of its own."""
        self._numbers.setdefault(name, []).append(reading)

    def mark(self, name: str, time: float, uncertainty: float = 0.0, detail: str = "") -> None:
        """Note an instant, `time` on the host clock, s."""
        self._marks.append(Mark(name, time - self.start, uncertainty, detail))

    def trace(self, end: float, turnaround: float = math.nan) -> Trace:
        """Everything kept since the start, up to host time `end`.

        `turnaround` of the board, s, see `hil.ports.board.Timed`.
        """
        reported = self._reported(0.0 if math.isnan(turnaround) else turnaround)
        found = (*reported, *self._witness(), *self._readback(), *self._single())
        channels = {channel.name: channel for channel in found}
        return Trace(
            channels=channels,
            marks=tuple(sorted(self._marks, key=lambda mark: mark.t)),
            end=end - self.start,
            frames=sum(len(readings) for readings in self._board),
            lost=sum(readings.lost for readings in self._board),
            bad=sum(len(readings.bad) for readings in self._board),
            repeated=sum(readings.repeated for readings in self._board),
            resets=self._resets(),
        )

    def _resets(self) -> int | None:
        """Steps back of the board's time between frames of this trace, not since one before it."""
        told = [readings.board_time for readings in self._board if len(readings)]
        times = np.concatenate([np.empty(0), *told])
        return len(segments(times)) - 1 if np.isfinite(times).any() else None

    def undecoded(self) -> tuple[int, str]:
        """How many pieces of data did not decode so far, and the last of them."""
        count = sum(len(readings.bad) for readings in self._board)
        last = next((readings.bad[-1] for readings in reversed(self._board) if readings.bad), "")
        return count, last

    def link_facts(self) -> LinkFacts:
        """What the link came to so far, for telling whether the profile fits."""
        filled = [readings for readings in self._board if len(readings)]
        bad = (text for readings in self._board for text in readings.bad)
        return LinkFacts(
            frames=sum(len(readings) for readings in filled),
            reasons=Counter(reason for text in bad if (reason := misfit(text))),
            clock=rate(
                np.concatenate([np.empty(0), *(readings.host_time for readings in filled)]),
                np.concatenate([np.empty(0), *(readings.board_time for readings in filled)]),
            ),
        )

    def _order(self, time: FloatArray) -> tuple[FloatArray, Indices]:
        """Times since the start that a channel has, and which samples they belong to."""
        # Two samples may share a stamp (host stamps of frames read together): keep the last.
        t = time - self.start
        order = np.argsort(t, kind="stable")
        t = t[order]
        keep = np.append(np.diff(t) > 0.0, True) & (t >= 0.0)
        return t[keep], order[keep]

    def _channel(
        self, name: str, axis: tuple[FloatArray, Indices], y: FloatArray, uncertainty: float
    ) -> Channel:
        t, order = axis
        return Channel(
            name=name,
            unit=UNITS.get(name, "1"),
            t=t,
            y=y[order],
            accuracy=self._sources.accuracy.get(name, Accuracy()),
            time_uncertainty=uncertainty,
            interval=self._sources.interval.get(name, 0.0),
        )

    def _reported(self, turnaround: float) -> list[Channel]:
        filled = [readings for readings in self._board if len(readings)]
        if not filled:
            return []
        host = np.concatenate([readings.host_time for readings in filled])
        board = np.concatenate([readings.board_time for readings in filled])
        names = sorted({name for readings in filled for name in readings.values})
        time, uncertainty = self._by_arrival(host, names, turnaround)
        told = np.isfinite(board)
        if told.any():
            uncertainty = 0.0 if told.all() else uncertainty
            # Between two resets the board counts from one zero, so each stretch has a relation.
            for part in segments(board):
                stamped = np.flatnonzero(told[part]) + (part.start or 0)
                if not stamped.size:
                    continue
                line = self._sources.line_time
                relation = relate(host[stamped], board[stamped], line, turnaround)
                time[stamped] = relation.to_host(board[stamped])
                uncertainty = max(uncertainty, relation.uncertainty)
        axis = self._order(time)
        return [self._channel(name, axis, _column(filled, name), uncertainty) for name in names]

    def _by_arrival(
        self, host: FloatArray, names: Sequence[str], turnaround: float
    ) -> tuple[FloatArray, float]:
        """When frames were made, s, by when they were read, and the standard uncertainty of that.

        The last frame of a read has waited for less than another one takes to come: no longer than
        the interval of the telemetry, besides its time on the line; rectangular over that (JCGM
        100:2008, 4.3.7). For the turnaround see `relate`.
        """
        line, frame = (
            self._sources.line_time,
            max((self._sources.interval.get(name, 0.0) for name in names), default=0.0),
        )
        spread = math.hypot(line, frame, 2.0 * turnaround) / math.sqrt(12.0)
        return host - line - frame / 2.0, spread

    def _witness(self) -> list[Channel]:
        if not self._shaft:
            return []
        time = np.concatenate([readings.time for readings in self._shaft])
        values = {
            "witness.position": np.concatenate([readings.position for readings in self._shaft]),
            "witness.speed": np.concatenate([readings.speed for readings in self._shaft]),
        }
        # A speed counted over a gate is that of the middle of the gate.
        late = {"witness.position": 0.0, "witness.speed": self._sources.speed_gate / 2.0}
        return [
            self._channel(name, self._order(time - late[name]), y, self._shaft_uncertainty)
            for name, y in values.items()
            if np.isfinite(y).any()  # a counter may know no angle: then there is no channel of it
        ]

    def _single(self) -> list[Channel]:
        return [
            self._channel(
                name,
                self._order(np.array([reading.time for reading in readings])),
                np.array([reading.value for reading in readings]),
                max(reading.half_trip for reading in readings) / math.sqrt(3.0),
            )
            for name, readings in self._numbers.items()
        ]

    def _readback(self) -> list[Channel]:
        if not self._supply:
            return []
        axis = self._order(np.array([reading.time for reading in self._supply]))
        values = {
            "supply.voltage": np.array([reading.voltage for reading in self._supply]),
            "supply.current": np.array([reading.current for reading in self._supply]),
        }
        return [self._channel(name, axis, y, 0.0) for name, y in values.items()]


def _column(filled: list[BoardReadings], name: str) -> FloatArray:
    """Values of a channel, NaN in readings that did not have it."""
    found = [readings.values.get(name) for readings in filled]
    known = [
        np.full(len(readings), np.nan) if y is None else y
        for readings, y in zip(filled, found, strict=True)
    ]
    return np.concatenate(known).astype(np.float64, copy=False)
