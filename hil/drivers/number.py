"""Asks an instrument for one number at a time, as its description says."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from hil.drivers.scpi import ScpiConfig, ScpiSession
from hil.ports.clock import Clock
from hil.ports.instruments import Reading
from hil.ports.reading_commands import Conversation, NumberQuery


def open_described(
    scpi: ScpiConfig, commands: Conversation, clock: Clock, manager: Any
) -> ScpiSession:
    """Connect, and send what the description says is to be sent once.

    Raises
    ------
    InstrumentError
        If the instrument is not reachable, is another, or refuses one of these commands.
    """
    config = replace(scpi, command_gap=commands.command_gap, error_query=commands.error_query)
    session = ScpiSession.open(manager, config, clock)
    try:
        if commands.setup:
            session.checked_write(*commands.setup)
    except BaseException:
        session.close()
        raise
    return session


class Numbers:
    """One number of an instrument, in canonical units, unwrapped where its answer wraps around."""

    def __init__(self, session: ScpiSession, query: NumberQuery, clock: Clock) -> None:
        self._session, self._query, self._clock = session, query, clock
        self._last: float | None = None
        self._turns = 0  # ranges that the answer has gone through

    def read(self) -> Reading:
        """The number, dated to the middle of the query.

        A range that wraps around is taken to have moved the shorter way: read it more often than
        the quantity can go through half of its range.

        Raises
        ------
        InstrumentError
            If there is no valid number.
        """
        before = self._clock.now()
        value = self._query.value(self._session.query_number(self._query.query))
        after = self._clock.now()
        if self._query.wraps_at > 0.0:
            value = self._unwrapped(value)
        return Reading(0.5 * (before + after), value, 0.5 * (after - before))

    def _unwrapped(self, value: float) -> float:
        if self._last is not None:
            self._turns -= round((value - self._last) / self._query.wraps_at)
        self._last = value
        return value + self._turns * self._query.wraps_at
