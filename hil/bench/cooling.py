"""Waiting, with the supply off, until what got hot is cool enough to begin again.

A night of starts and stalls heats winding and power stage: hot parts hurt, wear, and measure
otherwise than cold ones.
"""

from __future__ import annotations

from typing import Protocol

from hil.bench.keeper import Keeper
from hil.bench.observe import Latest, Observer
from hil.bench.parts import Settings
from hil.core.errors import BenchError
from hil.ports.board import Board
from hil.ports.clock import Clock
from hil.ports.instruments import Thermometer


class StillHot(BenchError):
    """It does not cool down as it should; a person must look before it is heated further."""


class Hot(Protocol):
    """The part of a bench that this needs."""

    board: Board
    thermometer: Thermometer | None
    clock: Clock
    keeper: Keeper
    observer: Observer
    latest: Latest
    settings: Settings
    energised: bool


def cool_down(bench: Hot) -> str:
    """Wait until the thermometer reads what an item may begin at; what it took, "" for nothing.

    Nothing is waited for without a thermometer, without a `cool_below`, or with the supply on.

    Raises
    ------
    StillHot
        If it takes longer than the rig file allows.
    LinkError, InstrumentError, InterlockOpen
        As while any other time passes.
    """
    settings, clock, thermometer = bench.settings, bench.clock, bench.thermometer
    below, within = settings.cool_below, settings.cool_within
    if thermometer is None or below is None or bench.energised:
        return ""
    begun = clock.now()
    first = now = thermometer.temperature().value
    if now < below:
        return ""
    while not now < below:
        took = clock.now() - begun
        if took >= within:
            raise StillHot(
                f"the thermometer still reads {now:.1f} degC after {took:.0f} s with the supply "
                f"off, {first:.1f} degC before: expected less than {below:g} degC within "
                f"{within:g} s (thermometer.cool-below, cool-within of the rig file); a person "
                "must see to the bench and start a new run"
            )
        bench.observer.step(f"cooling down, supply off: {now:.1f} degC, on below {below:g} degC")
        bench.observer.readings(bench.latest)
        clock.sleep(min(settings.thermometer_poll, within - took))
        bench.keeper.look()
        bench.board.read()  # what it says meanwhile must not wait to be taken for news
        now = thermometer.temperature().value
    return (
        f"cooled down with the supply off: {first:.1f} to {now:.1f} degC in "
        f"{clock.now() - begun:.0f} s"
    )
