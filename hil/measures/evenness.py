"""How evenly the shaft turns within a turn: sectors, and the orders that uneven sectors make."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from hil.core.budget import ACCURACY, RESOLUTION, SAMPLING, line, rectangular
from hil.core.measure import Outcome
from hil.core.trace import FloatArray
from hil.measures import spectrum, steady
from hil.measures.recipe import COMMON, Estimate, Recipe, defines
from hil.measures.signal import Signal
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View

#: Marks of commands after which a stretch at one speed is looked for.
MOTION = ("command", "set-point", "reverse", "restart")


def _position(view: View) -> Signal:
    """Shaft angle of the last steady stretch before the stop that follows the last command."""
    moves = [mark.t for mark in view.trace.marks if mark.name in MOTION]
    start = moves[-1] if moves else 0.0
    end = view.until(start, ("stop",))
    if end - start < steady.STEADY:
        detail = f"{end - start:.4g} s at the last speed, {steady.STEADY:g} s are needed"
        raise Unmeasurable(Outcome.TOO_FEW_SAMPLES, detail)
    return view.position.window(end - steady.STEADY, end, 3)


def _orders(view: View) -> tuple[spectrum.Orders, Signal]:
    part = view.once(_position)
    even = np.polynomial.Polynomial.fit(part.t, part.y, 1)
    lag: FloatArray = part.y - even(part.t)
    return spectrum.orders(part.y, lag), part


def _share(order: float, degrees: float) -> float:
    """Speed ripple in % of the mean speed that makes a deviation of so many degrees."""
    return 100.0 * order * math.radians(degrees)


_WINDOW = f"""over the last {steady.STEADY:g} s before the first `stop` after the last speed was
    asked for, or before the end of the trace."""


@defines(
    "uneven-commutation",
    "%",
    f"""Speed ripple of the orders p and 2 p of the mechanical turn (p pole pairs), root of the sum
    of the squared amplitudes, in % of the mean speed, {_WINDOW} From the deviation of the shaft
    angle from even rotation, resampled over the angle, so that no gate of the tachometer is in it.
    No other filter. Not applicable where order 2 p has less than two samples a period. Misplaced
    Hall sensors and phases that differ show here, whatever the speed. The detail names the
    strongest order of all and what usually makes it.""",
    source=COMMON,
    channels=("witness.position",),
)
def uneven_commutation(view: View) -> Estimate:
    """Ripple at the orders of the electrical turn; see its definition."""
    found, part = view.once(_orders)
    p = view.conditions.pole_pairs
    if 2 * p > found.highest:
        detail = f"order {2 * p} is beyond {found.highest:.3g}, the highest the sampling can tell"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    # An amplitude is a weighted mean over all samples, and rounding averages out in it. What is
    # left adds its power: that much is taken off again (JCGM 100:2008, 3.2.4).
    rounded = part.accuracy.resolution / math.sqrt(12.0) * math.sqrt(2.0 / part.t.size)
    sizes = [_share(order, found.at(order)) for order in (p, 2 * p)]
    errors = [_share(order, rounded) for order in (p, 2 * p)]
    raw = math.hypot(*sizes)
    value = math.sqrt(max(0.0, raw**2 - 2.0 * sum(error**2 for error in errors)))
    strongest = max(found.order, key=lambda order: _share(order, found.at(order)))
    why = spectrum.reason(float(strongest), p)
    detail = f"strongest: order {strongest:.3g}" + (f", {why}" if why else "")
    # Each amplitude counts by its share in the root of the sum of squares.
    by = [size / raw if raw > 0.0 else 1.0 for size in sizes]
    budget = line(RESOLUTION, math.hypot(*(b * error for b, error in zip(by, errors, strict=True))))
    budget += _share(p, 1.0) * rectangular(ACCURACY, part.accuracy.absolute / (2 * p))
    return Estimate(value, budget, _share(2 * p, rounded), detail)


@defines(
    "sector-scatter",
    "%",
    f"""Standard deviation of the mean times of the six sectors of 60 electrical degrees, in % of
    their mean, {_WINDOW} Passages of the shaft angle are interpolated; no filter. Not applicable
    where a sector lasts less than three sampling intervals: what happens within one is not
    seen.""",
    source=COMMON,
    channels=("witness.position",),
)
def sector_scatter(view: View) -> Estimate:
    """Unevenness of the six sectors; see its definition."""
    part = view.once(_position)
    p = view.conditions.pole_pairs
    times = spectrum.sector_times(part.t, part.y, p)
    whole = times.size // 6
    size = 60.0 / p
    # Each mean time is a difference of two passages, averaged over the electrical turns.
    one = 100.0 / math.sqrt(whole)
    budget = line(RESOLUTION, one * part.accuracy.resolution / math.sqrt(6.0) / size)
    budget += rectangular(SAMPLING, one * part.interval / 10.0 / float(np.mean(times)))
    value = spectrum.sector_scatter(times, p)
    return Estimate(value, budget, one * part.accuracy.resolution / size)


_RECIPES: tuple[Recipe, ...] = (uneven_commutation, sector_scatter)
RECIPES: Mapping[str, Recipe] = {recipe.definition.name: recipe for recipe in _RECIPES}
