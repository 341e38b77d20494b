"""Telemetry between its arrival and the next read, with host times and what did not decode."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Generic, TypeVar

import numpy as np

from hil.core.trace import FloatArray
from hil.drivers.telemetry import Batch
from hil.ports.board import BoardReadings

#: Texts about bad data kept between two reads; further ones are counted.
MOST_BAD = 100

Item = TypeVar("Item")


class Inbox(Generic[Item]):
    """Collects undecoded items of every telemetry message and decodes them together.

    One row of the readings is one ``telemetry`` message. The values of ``telemetry-...`` messages
    go with the rows after them, for at most `hold` s, then they are NaN.

    Parameters
    ----------
    decode : (message name, items, host time of the first) to a batch.
    further : names of the ``telemetry-...`` messages.
    """

    def __init__(
        self,
        decode: Callable[[str, Sequence[Item], float | None], Batch],
        further: Sequence[str],
        hold: float,
    ) -> None:
        self._decode, self._further, self._hold = decode, tuple(further), hold
        self._items: dict[str, list[Item]] = {name: [] for name in ("telemetry", *further)}
        self._arrivals: dict[str, list[tuple[float, int]]] = {name: [] for name in self._items}
        self._held: dict[str, tuple[FloatArray, dict[str, FloatArray]]] = {}
        self._bad: list[str] = []
        self._bad_dropped = 0

    def add(self, name: str, now: float, items: list[Item]) -> None:
        """Keep what arrived at `now`."""
        self._items[name] += items
        self._arrivals[name].append((now, len(items)))

    def note_bad(self, texts: Sequence[str]) -> None:
        """Keep texts about bad data, as many as there is room for."""
        room = max(0, MOST_BAD - len(self._bad))
        self._bad += texts[:room]
        self._bad_dropped += len(texts) - len(texts[:room])

    def forget_bad(self) -> None:
        """Drop the texts about bad data."""
        self._bad.clear()
        self._bad_dropped = 0

    def forget_telemetry(self) -> None:
        """Drop telemetry that nobody asked for."""
        for name in self._items:
            self._items[name], self._arrivals[name] = [], []

    def take(self, polls_lost: Sequence[str] = ()) -> BoardReadings:
        """Everything since the last call, decoded."""
        for name in self._further:
            self._keep(name)
        host_time, batch = self._batch("telemetry")
        values = dict(batch.values)
        for name in self._further:
            values |= self._placed(name, host_time)
        self.note_bad(polls_lost)
        bad, self._bad = self._bad, []
        if self._bad_dropped:
            bad.append(f"{self._bad_dropped} further pieces of bad data")
            self._bad_dropped = 0
        return BoardReadings(
            host_time=host_time,
            board_time=batch.board_time,
            values=values,
            lost=batch.lost + len(polls_lost),
            bad=tuple(bad),
            repeated=batch.repeated,
            restarts=batch.restarts,
        )

    def _batch(self, name: str) -> tuple[FloatArray, Batch]:
        items, arrivals = self._items[name], self._arrivals[name]
        self._items[name], self._arrivals[name] = [], []
        batch = self._decode(name, items, arrivals[0][0] if arrivals else None)
        if len(arrivals) == 1:  # as nearly always
            host_time = np.full(arrivals[0][1], arrivals[0][0])
        else:
            counts = np.array([count for _, count in arrivals], dtype=np.intp)
            host_time = np.repeat(np.array([at for at, _ in arrivals], dtype=np.float64), counts)
        if not batch.good.all():
            host_time = host_time[batch.good]
        if batch.bad:
            self.note_bad(batch.bad)
        return host_time, batch

    def _keep(self, name: str) -> None:
        """Put new samples of a further message behind the newest old one."""
        host_time, batch = self._batch(name)
        values = dict(batch.values)
        if name in self._held:
            times, columns = self._held[name]
            host_time = np.concatenate([times[-1:], host_time])
            values = {c: np.concatenate([columns[c][-1:], values[c]]) for c in values}
        self._held[name] = (host_time, values)

    def _placed(self, name: str, rows: FloatArray) -> dict[str, FloatArray]:
        """Values of a further message at the times of the rows."""
        times, columns = self._held[name]
        if not times.size or not rows.size:
            return {channel: np.full(rows.size, np.nan) for channel in columns}
        at = np.searchsorted(times, rows, side="right") - 1
        fresh = (at >= 0) & (rows - times[np.maximum(at, 0)] <= self._hold)
        return {
            channel: np.where(fresh, column[np.maximum(at, 0)], np.nan)
            for channel, column in columns.items()
        }
