"""What the firmware reports against what the instruments see; part of every kind of scenario."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from hil.core.budget import RESOLUTION, rectangular
from hil.core.measure import Outcome
from hil.core.trace import FloatArray
from hil.measures.compare import (
    LAG,
    LEAD,
    LOW_SPEED,
    MEAN,
    STEP,
    SUPPLY_AROUND,
    Envelope,
    envelope,
    feeding,
    low_speed,
    on_grid,
    running,
)
from hil.measures.power_balance import current_disagreement
from hil.measures.recipe import COMMON, Estimate, Recipe, defines, flag
from hil.measures.resets import board_resets
from hil.measures.signal import Signal
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View


@dataclass(frozen=True, slots=True, eq=False)
class _Speeds:
    """Speeds on the grid points at which they may be compared."""

    reported: FloatArray
    witnessed: FloatArray
    witness: Envelope
    sources: tuple[Signal, Signal]
    low: float


def _speeds(view: View) -> _Speeds:
    reported, witness = view.seen("reported.speed"), view.seen("witness.speed")
    grid, valid = view.once(running)
    if not bool(np.any(valid)):
        detail = f"the drive was in the state run for less than {LAG + LEAD:g} s"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    start, end = float(grid[0]), float(grid[-1])
    r = on_grid(reported.window(start, end, 2), grid, MEAN)
    w = on_grid(witness.window(start, end, 2), grid, MEAN)
    around = envelope(w, LAG, LEAD)
    low = low_speed(view, reported, witness)
    use = valid & (np.maximum(np.abs(r), np.abs(w)) >= low)
    if not bool(np.any(use)):
        detail = f"neither speed exceeded {low:.4g} rpm in the state run"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    near = Envelope(around.low[use], around.high[use])
    return _Speeds(r[use], w[use], near, (reported, witness), low)


_SPEED_TEXT = f"""Compared are moving means of {1e3 * MEAN:g} ms at every instant at which the
    reported state has been run for {1e3 * LAG:g} ms and the larger speed is at least
    {LOW_SPEED:g} % of the larger of entry and target speed (and three resolutions). Allowing
    for the firmware's filter, the reported speed may equal any witnessed mean between {
    1e3 * LAG:g} ms before and {1e3 * LEAD:g} ms after."""


@defines(
    "speed-disagreement",
    "%",
    f"""Largest deviation of the reported from the witnessed speed, in % of the larger of the two.
    {_SPEED_TEXT}""",
    source=COMMON,
    channels=("reported.speed", "witness.speed", "reported.state"),
)
def speed_disagreement(view: View) -> Estimate:
    """Reported speed against the tachometer; see its definition."""
    it = view.once(_speeds)
    larger = np.maximum(np.abs(it.reported), np.abs(it.witnessed))
    share = it.witness.distance(it.reported) / larger
    i = int(np.argmax(share))
    # What the board reports is judged, not trusted: neither its claim of accuracy nor how it rounds
    # is an uncertainty.
    _, witness = it.sources
    budget = witness.mean_level(float(it.witnessed[i]), MEAN)
    resolution = max(s.resolution_of_mean(MEAN) for s in it.sources)
    factor = 100.0 / float(larger[i])
    detail = f"worst: {it.reported[i]:.4g} rpm reported, {it.witnessed[i]:.4g} rpm witnessed"
    return Estimate(100.0 * float(share[i]), factor * budget, factor * resolution, detail)


@defines(
    "direction-agreement",
    "1",
    f"""0 if at any instant the reported speed had the opposite sign of every witnessed speed it may
    stand for, all of them above the low-speed limit; else 1. {_SPEED_TEXT}""",
    source=COMMON,
    channels=("reported.speed", "witness.speed", "reported.state"),
)
def direction_agreement(view: View) -> Estimate:
    """Reported direction against the tachometer; see its definition."""
    view.need_direction()
    it = view.once(_speeds)
    forward = (it.reported > it.low) & (it.witness.high < -it.low)
    backward = (it.reported < -it.low) & (it.witness.low > it.low)
    return flag(not bool(np.any(forward | backward)))


@defines(
    "voltage-disagreement",
    "%",
    f"""Largest deviation of the reported DC-link voltage from the supply readback, in % of the
    larger, over all readback samples at which the supply delivers current (above three
    resolutions) at half the set voltage or more: while the motor feeds energy back the supply
    does not set the DC link. The readback may equal any {1e3 * MEAN:g} ms mean of the reported
    voltage within ±{1e3 * SUPPLY_AROUND:g} ms. The drop in the leads is part of it.""",
    source=COMMON,
    channels=("reported.voltage", "supply.voltage", "supply.current"),
)
def voltage_disagreement(view: View) -> Estimate:
    """Reported DC-link voltage against the supply; see its definition."""
    volts, _ = view.once(feeding)
    if not volts.t.size:
        detail = "the supply delivered no current at half its voltage or more"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    reported = view.signal("reported.voltage")
    start = max(float(volts.t[0]), float(reported.t[0]))
    end = min(float(volts.t[-1]), float(reported.t[-1]))
    at = volts.cut(start, end)
    if not at.t.size:
        detail = "reported voltage and supply readback do not overlap in time"
        raise Unmeasurable(Outcome.MISSING_DATA, detail)
    # As far around the first and the last readback as around any other; there may be but one.
    reach, around = SUPPLY_AROUND + MEAN / 2.0, round(SUPPLY_AROUND / STEP)
    first = max(start - reach, float(reported.t[0]))
    part = reported.window(first, min(end + reach, float(reported.t[-1])), 1)
    steps = np.arange(-around, int((end - start) / STEP) + 2 + around, dtype=np.float64)
    near = envelope(on_grid(part, start + STEP * steps, MEAN), SUPPLY_AROUND, SUPPLY_AROUND)
    i = around + np.rint((at.t - start) / STEP).astype(np.intp)
    own = np.interp(at.t, part.t, part.y)
    larger = np.maximum(np.abs(at.y), np.abs(own))
    share = Envelope(near.low[i], near.high[i]).distance(at.y) / larger
    worst = int(np.argmax(share))
    budget = at.level(float(at.y[worst]))
    factor = 100.0 / float(larger[worst])
    resolution = max(part.accuracy.resolution, at.accuracy.resolution)
    detail = f"worst: {own[worst]:.4g} V reported, {at.y[worst]:.4g} V at the supply"
    return Estimate(100.0 * float(share[worst]), factor * budget, factor * resolution, detail)


@defines(
    "telemetry-loss",
    "%",
    """Telemetry frames known to be lost (by the sequence counter) in % of all frames sent, lost and
    decoded, over the whole trace. A whole turn of the counter lost at once is not seen.""",
    source=COMMON,
)
def telemetry_loss(view: View) -> Estimate:
    """Share of telemetry lost on the link; see its definition."""
    lost, frames = max(view.trace.lost, 0), max(view.trace.frames, 0)
    if frames == 0:
        raise Unmeasurable(Outcome.MISSING_DATA, "no telemetry frame was decoded")
    one = 100.0 / (lost + frames)
    return Estimate(lost * one, rectangular(RESOLUTION, one / 2.0), one)


_RECIPES: tuple[Recipe, ...] = (
    speed_disagreement,
    direction_agreement,
    voltage_disagreement,
    current_disagreement,
    telemetry_loss,
    board_resets,
)
RECIPES: Mapping[str, Recipe] = {recipe.definition.name: recipe for recipe in _RECIPES}
