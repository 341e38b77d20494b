"""How a drive keeps hold of its rotor where it could lose it: slow sweeps about the handover."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from hil.core.drive import DriveState
from hil.core.measure import Outcome
from hil.measures import waveform
from hil.measures.recipe import COMMON, Estimate, Recipe, defines
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View

SMOOTHING = 0.02  # s


@defines(
    "returns-to-align",
    "1",
    """How often the reported state went from run back to align or ramp over the whole trace: each
    time the drive had lost its rotor and began anew. A reversal with back-EMF sensing goes through
    brake, and is none. No filter.""",
    source=COMMON,
    channels=("reported.state",),
)
def returns_to_align(view: View) -> Estimate:
    """Count of losses of the rotor; see its definition."""
    states = view.all_of("reported.state")
    code = np.rint(states.y)
    anew = (code[1:] == DriveState.ALIGN) | (code[1:] == DriveState.RAMP)
    lost = np.flatnonzero((code[:-1] == DriveState.RUN) & anew)
    detail = f"at {states.t[lost[0] + 1]:.4g} s" if lost.size else ""
    return Estimate(float(lost.size), detail=detail)


@defines(
    "speed-sag",
    "%",
    f"""Largest amount by which the shaft speed lies below the reported set point, in % of it, from
    the first entry (interpolated) into the set point ± tolerance after mark `command` to the next
    mark `reverse` or `stop`, or the end of the trace. Both as magnitudes, the set point as it was
    last reported. Filter: moving mean of {1e3 * SMOOTHING:g} ms. A set point that is led slowly
    is followed all the way; a jump of it counts as a sag.""",
    source=COMMON,
    channels=("witness.speed", "reported.setpoint"),
)
def speed_sag(view: View) -> Estimate:
    """How far the speed falls behind a slow set point; see its definition."""
    begun = view.mark("command").t
    end = view.until(begun, ("reverse", "stop"))
    speed = view.speed.window(begun, end, 3)
    told = view.signal("reported.setpoint").window(begun, end, 3)
    last = np.searchsorted(told.t, speed.t, side="right") - 1
    wanted = np.abs(told.y[np.maximum(last, 0)])
    size = np.abs(waveform.moving_mean(speed.t, speed.y, SMOOTHING))
    band = view.conditions.tolerance / 100.0
    there = np.flatnonzero((wanted > 0.0) & (np.abs(size - wanted) <= band * wanted))
    if not there.size:
        raise Unmeasurable(Outcome.NEVER_REACHED, "the set point was never reached")
    asked = np.flatnonzero(wanted > 0.0)
    asked = asked[asked >= there[0]]
    sag = 100.0 * (1.0 - size[asked] / wanted[asked])
    worst = int(np.argmax(sag))
    at = int(asked[worst])
    budget = speed.mean_level(float(size[at]), SMOOTHING) * (100.0 / float(wanted[at]))
    detail = f"{size[at]:.4g} rpm at {speed.t[at]:.4g} s, set point {wanted[at]:.4g} rpm"
    note = f"{detail}; {speed.note}" if speed.note else detail
    return Estimate(max(0.0, float(sag[worst])), budget, 0.0, note)


_RECIPES: tuple[Recipe, ...] = (returns_to_align, speed_sag)
RECIPES: Mapping[str, Recipe] = {recipe.definition.name: recipe for recipe in _RECIPES}
