"""The power-stage temperature that the firmware reports against a thermometer at the stage.

The two sensors sit at different places: between the junctions and the heat sink there is a thermal
resistance, so that a loaded stage reads hotter inside than out. That is no error of the firmware;
how much of it is healthy is for the pass band to say.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from hil.core.budget import RESOLUTION, clock, rectangular
from hil.core.measure import Outcome
from hil.measures.recipe import COMMON, Estimate, Recipe, defines
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View


@defines(
    "reported-temperature-offset",
    "K",
    """By how much the firmware reports the power stage hotter than the thermometer at it reads:
    mean over all readings of the thermometer in the trace, each against the reported temperature
    interpolated at its instant. Readings before the first and after the last telemetry do not
    count. What lies between the two sensors (the heat that flows from one to the other) is part of
    it. No filter. Not applicable where the rig has no thermometer.""",
    source=COMMON,
    channels=("reported.temperature", "witness.temperature"),
)
def reported_temperature_offset(view: View) -> Estimate:
    """Reported against witnessed power-stage temperature; see its definition."""
    if "witness.temperature" not in view.trace.channels:
        raise Unmeasurable(Outcome.NOT_APPLICABLE, "the rig has no thermometer")
    reported, witness = view.signal("reported.temperature"), view.signal("witness.temperature")
    start, end = float(reported.t[0]), float(reported.t[-1])
    at = witness.cut(start, end)
    if not at.t.size:
        detail = "the thermometer was not read while telemetry came"
        raise Unmeasurable(Outcome.MISSING_DATA, detail)
    # From the telemetry before the first reading to that after the last; there may be but one.
    i, j = np.searchsorted(reported.t, (at.t[0], at.t[-1]), side="right")
    last = min(int(j), reported.t.size - 1)
    reported.window(float(reported.t[int(i) - 1]), float(reported.t[last]), 1)
    told = np.interp(at.t, reported.t, reported.y)
    seen, value = float(np.mean(at.y)), float(np.mean(told - at.y))
    # What the board reports is judged, not trusted: neither its claim of accuracy nor how it rounds
    # is an uncertainty. A temperature moves so slowly that its readings are rounded alike, which
    # does not average out.
    step = at.accuracy.resolution
    budget = at.limits(seen) + rectangular(RESOLUTION, step / 2.0)
    rise = float(reported.y[-1]) - float(reported.y[0])
    if rise != 0.0 and end > start:
        # By how much a reported temperature that rises is another one a little later.
        rate = rise / (end - start)
        budget += rate * clock(at.time_uncertainty) + rate * clock(reported.time_uncertainty)
    detail = f"{seen + value:.4g} degC reported, {seen:.4g} degC witnessed, {at.t.size} readings"
    return Estimate(value, budget, step, detail)


RECIPES: Mapping[str, Recipe] = {
    recipe.definition.name: recipe for recipe in (reported_temperature_offset,)
}
