"""A dip of the supply voltage: how deep, how long, how steep; and what it was in truth."""

from __future__ import annotations

import numpy as np

from hil.bench.bench import Bench
from hil.core.drive import DriveState
from hil.core.errors import InstrumentError
from hil.core.trace import FloatArray
from hil.scenarios.signals import SignalSteps

#: An edge is made of set points: of so many at least, else it is a stair and no edge (common
#: practice, no source); and of one each so many s, where the supply takes them so fast.
LEAST_STEPS, STEP = 5, 0.005
#: By so much of it a measured edge may differ from what was asked for (common practice, no source).
WITHIN = 0.25


class DipSteps(SignalSteps):
    """Steps on the supply voltage.

    Attributes
    ----------
    voltage : what the supply was last told to give, V; 0 before.
    """

    def __init__(self, bench: Bench) -> None:
        super().__init__(bench)
        self.voltage = 0.0

    def dip(self, voltage: float, seconds: float, edge: float = 0.0) -> None:
        """Another supply voltage, V, for a time, then the one before; `edge` in V/s, 0: a step.

        Raises
        ------
        InstrumentError
            If the output was not there at its end, or did not go there as steeply as asked: what
            has not happened proves nothing. A drive in fault draws no current that would take the
            DC link down; then its fault tells more.
        """
        bench, before = self.bench, self.voltage
        edge = edge if voltage != before else 0.0  # there is no way to lead it
        by = f", {edge:g} V/s" if edge else ""
        self.say(f"supply at {voltage:g} V for {seconds:g} s{by}")
        begun = bench.clock.now()
        if edge:
            fell = self._ramp(before, voltage, edge)
            bench.mark_at("dip", begun, f"{voltage:g} V, {edge:g} V/s measured {fell:.3g} V/s")
        else:
            bench.mark("dip")
            bench.supply.set_voltage(voltage)
        bench.wait(seconds)
        found = bench.supply.measure().voltage
        if edge:
            self._ramp(voltage, before, edge)
        else:
            bench.supply.set_voltage(before)
        self.say(f"supply measured {found:.2f} V at the end of it")
        within = bench.settings.settling.within
        near = abs(found - voltage) <= voltage * within / 100.0
        if not near and bench.latest.state is not DriveState.FAULT:
            raise InstrumentError(
                f"the supply cannot make a dip to {voltage:g} V of {seconds:g} s at this load: at "
                f"its end it measured {found:.2f} V, expected {voltage:g} V within {within:g} %"
            )
        bench.await_voltage(before)

    def _ramp(self, start: float, end: float, edge: float) -> float:
        """Lead the output from one voltage to another by set points; its measured slope, V/s."""
        bench, lasts = self.bench, abs(end - start) / edge
        begun = bench.clock.now()
        first = bench.supply.measure()
        times, volts, points, share = [first.time], [first.voltage], 0, 0.0
        while share < 1.0:
            bench.wait(min(STEP, lasts / (2.0 * LEAST_STEPS)))
            share = min((bench.clock.now() - begun) / lasts, 1.0)
            bench.supply.set_voltage(start + share * (end - start))
            reading = bench.supply.measure()
            times.append(reading.time)
            volts.append(reading.voltage)
            points += 1
        found = _steepness(np.array(times), np.array(volts), start, end)
        self.say(f"supply measured {found:.3g} V/s over {points} set points")
        if bench.latest.state is DriveState.FAULT:
            return found
        what = f"the supply cannot make an edge of {edge:g} V/s from {start:g} V to {end:g} V"
        if points < LEAST_STEPS:
            raise InstrumentError(
                f"{what}: it took {points} set points in {1e3 * lasts:.3g} ms, expected "
                f"{LEAST_STEPS} at least"
            )
        if not abs(found - edge) <= WITHIN * edge:
            raise InstrumentError(
                f"{what} at this load: it measured {found:.3g} V/s, expected {edge:g} V/s within "
                f"{100.0 * WITHIN:g} %"
            )
        return found


def _steepness(t: FloatArray, v: FloatArray, start: float, end: float) -> float:
    """Slope of the line of least squares through what lies between 10 and 90 % of the way, V/s."""
    way = (v - start) / (end - start)
    use = (way > 0.1) & (way < 0.9)
    if np.count_nonzero(use) < 2:
        return float("nan")
    slope, _ = np.polyfit(t[use], v[use], 1)
    return abs(float(slope))
