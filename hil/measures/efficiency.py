"""Efficiency and loss over speed and load: power from the supply against power into the shaft."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from hil.core.budget import MODEL, NOISE, Budget, line, rectangular
from hil.core.conditions import Conditions
from hil.core.drive import DriveState
from hil.core.measure import Outcome
from hil.core.trace import FloatArray, Trace
from hil.measures import steady, waveform
from hil.measures.power_balance import NAMEPLATE
from hil.measures.signal import Signal
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View

#: Share by which the halves of a steady window may differ in speed and in current. A speed that
#: wanders more takes or gives kinetic energy that no loss explains; a current, that the load moved.
SPEED_DRIFT, CURRENT_DRIFT = 0.02, 0.1
#: Share by which speeds of one place in a map may differ.
SAME_SPEED = 0.025


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """One steady state: speed in rpm, torque in N m, powers in W, each with its budget."""

    speed: float
    torque: float
    power_in: float
    power_out: float
    budget_speed: Budget
    budget_torque: Budget
    budget_in: Budget
    budget_out: Budget

    @property
    def loss(self) -> float:
        """What does not arrive at the air gap, W."""
        return self.power_in - self.power_out

    @property
    def budget_loss(self) -> Budget:
        """Budget of the loss, W."""
        return self.budget_in + self.budget_out

    @property
    def efficiency(self) -> float:
        """Output over input, %; can exceed 100 within its uncertainty."""
        return 100.0 * self.power_out / self.power_in

    @property
    def budget_efficiency(self) -> Budget:
        """Budget of the efficiency, %; linear, so only for input well above zero."""
        by_input = self.efficiency / self.power_in * self.budget_in
        return by_input + 100.0 / self.power_in * self.budget_out


def operating_point(
    trace: Trace, conditions: Conditions, start: float, end: float
) -> OperatingPoint:
    """The mean over [start, end] s of a steady state.

    Output is the electromechanical power ke·w·I: torque is the back-EMF constant (nameplate, ±10 %
    rectangular) times the reported current; friction counts as load.

    Raises
    ------
    Unmeasurable
        MISSING_DATA or TOO_FEW_SAMPLES; NOT_APPLICABLE without nameplate, or if the supply does not
        feed the drive by more than twice the uncertainty of its power.
    """
    return _point(View(trace, conditions), start, end)


def _point(view: View, start: float, end: float) -> OperatingPoint:
    if view.conditions.back_emf_constant <= 0.0:
        detail = "the nameplate has no back-EMF constant: no torque can be estimated"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    speed = steady.level_of(view.speed.window(start, end, 3))
    amps = view.signal("reported.current").window(start, end, 3)
    current = waveform.mean(amps.t, amps.y)
    volts, feed = (view.signal(f"supply.{n}").window(start, end, 3) for n in ("voltage", "current"))
    power = volts.y * np.interp(volts.t, feed.t, feed.y)
    v, i = float(np.mean(volts.y)), float(np.mean(feed.y))
    budget_in = i * volts.level(v) + v * feed.level(i) + _scatter(power)
    power_in = float(np.mean(power))
    if power_in <= 2.0 * budget_in.total:
        raise Unmeasurable(Outcome.NOT_APPLICABLE, f"the supply delivered {power_in:.3g} W")
    w, ke = abs(speed.value) * math.pi / 30.0, view.conditions.back_emf_constant
    out, torque = ke * w * current, ke * current
    by_current = ke * amps.mean_level(current, end - start)
    budget_out = w * by_current
    budget_out += torque * math.pi / 30.0 * speed.budget + rectangular(MODEL, NAMEPLATE * out)
    budget_torque = by_current + rectangular(MODEL, NAMEPLATE * torque)
    budgets = (speed.budget, budget_torque, budget_in, budget_out)
    return OperatingPoint(abs(speed.value), torque, power_in, out, *budgets)


def _scatter(power: FloatArray) -> Budget:
    """Budget of the mean of successive readings, by their scatter.

    A ripple whose frequency is near a multiple of the rate of the readings shows as slow wandering
    in them: then they count as fewer, n (1 - r) / (1 + r) by their lag-one autocorrelation r where
    that is positive (of a first-order autoregressive series; common practice, no source).
    """
    off = power - np.mean(power)
    squares = float(np.dot(off, off))
    if squares == 0.0:
        return Budget()
    r = max(0.0, float(np.dot(off[1:], off[:-1])) / squares)
    independent = max(1.0, power.size * (1.0 - r) / (1.0 + r))
    freedom = power.size - 1.0
    return line(NOISE, math.sqrt(squares / freedom / independent), freedom=freedom)


def operating_points(trace: Trace, conditions: Conditions) -> Iterator[OperatingPoint]:
    """The steady states of a trace in order, at most one between two successive marks.

    Each is the mean over the last `steady.STEADY` seconds before a mark or the end of the trace, in
    the state run throughout, at a steady speed and current; where anything of it is missing there
    is none.
    """
    view = View(trace, conditions)
    edges = sorted({0.0, *(mark.t for mark in trace.marks), view.end})
    for begin, end in pairwise(edges):
        if end - begin < steady.STEADY:
            continue
        start = end - steady.STEADY
        try:
            if _settled(view, start, end):
                yield _point(view, start, end)
        except Unmeasurable:
            continue


def _settled(view: View, start: float, end: float) -> bool:
    states = view.signal("reported.state").window(start, end, 3)
    if not bool(np.all(np.rint(states.y) == DriveState.RUN)):
        return False
    current = view.signal("reported.current").window(start, end, 4)
    return _even(view.speed.window(start, end, 4), SPEED_DRIFT) and _even(current, CURRENT_DRIFT)


def _even(signal: Signal, share: float) -> bool:
    """Whether the mean of the first half is within `share` of that of the second half."""
    middle = signal.t.size // 2
    first, second = (float(np.mean(part)) for part in (signal.y[:middle], signal.y[middle:]))
    return abs(second - first) <= share * abs(second) and second != 0.0


def loss_map(points: Sequence[OperatingPoint]) -> list[list[int]]:
    """The places of a map, by speed and then by load: for each the indices of its `points`.

    One place are points whose speeds are within 2.5 % and whose torques are within twice the larger
    standard uncertainty of the first of them. Each lists its points in the order given.
    """
    places: list[list[int]] = []
    for index, point in enumerate(points):
        near = (place for place in places if _same(points[place[0]], point))
        home = next(near, None)
        if home is None:
            places.append([index])
        else:
            home.append(index)
    rows = _rows(points, places)
    return sorted(places, key=lambda place: (rows[place[0]], points[place[0]].torque))


def _same(one: OperatingPoint, other: OperatingPoint) -> bool:
    alike = abs(one.speed - other.speed) <= SAME_SPEED * max(one.speed, other.speed)
    known = max(one.budget_torque.total, other.budget_torque.total)
    return alike and abs(one.torque - other.torque) <= 2.0 * known


def _rows(points: Sequence[OperatingPoint], places: Sequence[Sequence[int]]) -> dict[int, int]:
    """First point of a place -> number of its row; one row are speeds within 2.5 % of its first."""
    rows: dict[int, int] = {}
    first, row = 0.0, 0
    for index in sorted((place[0] for place in places), key=lambda index: points[index].speed):
        if points[index].speed > first * (1.0 + SAME_SPEED):
            first, row = points[index].speed, row + 1
        rows[index] = row
    return rows
