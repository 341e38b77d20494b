"""Efficiency and loss over speed and load: power from the supply against power into the shaft."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hil.core.budget import MODEL, NOISE, Budget, line, rectangular
from hil.core.conditions import Conditions
from hil.core.measure import Outcome
from hil.core.trace import Trace
from hil.measures import steady, waveform
from hil.measures.power_balance import NAMEPLATE
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """One steady state. rpm, N m, W; budgets of input and output in W, of the efficiency in %."""

    speed: float
    torque: float
    power_in: float
    power_out: float
    budget_in: Budget
    budget_out: Budget

    @property
    def loss(self) -> float:
        """What does not arrive at the air gap, W."""
        return self.power_in - self.power_out

    @property
    def loss_uncertainty(self) -> float:
        """Standard uncertainty of the loss, W."""
        return (self.budget_in + self.budget_out).total

    @property
    def efficiency(self) -> float:
        """Output over input, %; can exceed 100 within its uncertainty."""
        return 100.0 * self.power_out / self.power_in

    @property
    def efficiency_uncertainty(self) -> float:
        """Standard uncertainty of the efficiency, %; linear, so only for input well above zero."""
        relative = math.hypot(
            self.budget_in.total / self.power_in,
            self.budget_out.total / self.power_out if self.power_out else 0.0,
        )
        return abs(self.efficiency) * relative


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
    if conditions.back_emf_constant <= 0.0:
        detail = "the nameplate has no back-EMF constant: no torque can be estimated"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    view = View(trace, conditions)
    speed = steady.level_of(view.speed.window(start, end, 3))
    amps = view.signal("reported.current").window(start, end, 3)
    current = waveform.mean(amps.t, amps.y)
    volts, feed = (view.signal(f"supply.{n}").window(start, end, 3) for n in ("voltage", "current"))
    power = volts.y * np.interp(volts.t, feed.t, feed.y)
    v, i, count = float(np.mean(volts.y)), float(np.mean(feed.y)), power.size
    scatter = float(np.std(power, ddof=1)) / math.sqrt(count)
    budget_in = i * volts.level(v) + v * feed.level(i) + line(NOISE, scatter, freedom=count - 1.0)
    power_in = float(np.mean(power))
    if power_in <= 2.0 * budget_in.total:
        raise Unmeasurable(Outcome.NOT_APPLICABLE, f"the supply delivered {power_in:.3g} W")
    w, ke = abs(speed.value) * math.pi / 30.0, conditions.back_emf_constant
    out = ke * w * current
    budget_out = ke * w * amps.mean_level(current, end - start)
    budget_out += ke * current * math.pi / 30.0 * speed.budget + rectangular(MODEL, NAMEPLATE * out)
    return OperatingPoint(abs(speed.value), ke * current, power_in, out, budget_in, budget_out)


def loss_map(points: Sequence[OperatingPoint], step: float = 100.0) -> list[OperatingPoint]:
    """Points ordered by speed (in steps of `step` rpm), then by load: the rows of a map."""
    return sorted(points, key=lambda point: (round(point.speed / step), point.torque))
