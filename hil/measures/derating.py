"""The current limit of a drive over the temperature of its power stage."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from hil.core.budget import ACCURACY, Budget, rectangular, total
from hil.core.drive import DriveState
from hil.core.ladder import rung_of
from hil.core.measure import Outcome
from hil.core.trace import FloatArray, Mark
from hil.measures import waveform
from hil.measures.peaks import fault_count, peak_current_recipe
from hil.measures.recipe import COMMON, Estimate, Recipe, defines
from hil.measures.signal import Signal
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View

MEAN = 0.04  # s at the end of each braking, over which the current is averaged
FULL, NOTHING = 0.9, 0.1  # shares of the cold limit: the line goes through what lies in between
_STEP = 1e-4  # of a difference quotient, A and K

_CURVE_TEXT = f"""A rung of the ladder stands for the temperature from mark `line-opened` to
    `line-closed`. The limit there: time mean of the reported (filtered) current over the last
    {1e3 * MEAN:g} ms before the brake comes off (`brake-off`), or before the drive trips. Left out
    is a temperature at which the drive was in fault before, or tripped sooner than that. No
    further filter."""
_LINE_TEXT = f"""The line is that of least squares through all temperatures at which the limit lies
    between {100 * NOTHING:g} % and {100 * FULL:g} % of the one at the lowest temperature, two at
    least. {_CURVE_TEXT} Uncertainty: limits of error and rounding of the current (its gain cancels)
    and of each rung."""


@dataclass(frozen=True, slots=True, eq=False)
class _Curve:
    """Temperatures in degC, rising, and limits in A."""

    degrees: FloatArray
    limit: FloatArray
    current: Signal
    left_out: str

    @property
    def share(self) -> FloatArray:
        share: FloatArray = self.limit / self.limit[0]
        return share


def _curve(view: View) -> _Curve:
    points: dict[float, float] = {}
    left_out: list[str] = []
    degrees: float | None = None
    current = view.signal("reported.current")
    for mark in view.trace.marks:
        if mark.name in ("line-opened", "line-closed"):
            rung = rung_of(mark.detail)
            opened = mark.name == "line-opened" and isinstance(rung, float)
            degrees = float(rung) if opened and rung is not None else None
        elif mark.name == "brake-on" and degrees is not None:
            found = _limit(view, current, mark)
            if isinstance(found, str):
                left_out.append(f"at {degrees:g} degC {found}")
            else:
                points[degrees] = found
    if len(points) < 2:
        detail = "; ".join(left_out) or "fewer than two temperatures with a braked shaft"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    ordered = sorted(points)
    limit = np.array([points[one] for one in ordered])
    if limit[0] <= 3.0 * current.accuracy.resolution:
        detail = f"{limit[0]:.4g} A at {ordered[0]:g} degC is no limit"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    return _Curve(np.array(ordered), limit, current, "; ".join(left_out))


def _limit(view: View, current: Signal, brake: Mark) -> float | str:
    """Mean current at the end of a braking, A, or why there is none."""
    states = view.signal("reported.state").cut(0.0, brake.t)
    if states.y.size and round(float(states.y[-1])) == DriveState.FAULT:
        return "the drive was in fault before the brake"
    end = view.until(brake.t, ("brake-off",))
    trip = view.entry_to(DriveState.FAULT, brake.t, end)
    end = end if trip is None else trip.t
    if end - brake.t < MEAN:
        return f"the drive tripped {end - brake.t:.3g} s after the brake"
    part = current.window(end - MEAN, end, 3)
    return waveform.mean(part.t, part.y)


@dataclass(frozen=True, slots=True, eq=False)
class _Line:
    """Where the falling part of the curve meets the cold limit and nothing, degC."""

    start: float
    end: float
    by_start: Budget
    by_end: Budget
    detail: str


def _meets(degrees: FloatArray, limit: FloatArray, use: FloatArray) -> tuple[float, float]:
    chosen = use.astype(bool)
    slope, at_zero = np.polyfit(degrees[chosen], limit[chosen], 1)
    return float((limit[0] - at_zero) / slope), float(-at_zero / slope)


def _line(view: View) -> _Line:
    it = view.once(_curve)
    share, use = it.share, (it.share < FULL) & (it.share > NOTHING)
    if not bool(np.any(share <= FULL)):
        detail = f"{it.limit[-1]:.3g} A at {it.degrees[-1]:g} degC, {it.limit[0]:.3g} A when cold"
        raise Unmeasurable(Outcome.NEVER_REACHED, f"the current was not cut: {detail}")
    if np.count_nonzero(use) < 2:
        first = int(np.argmax(share <= FULL))
        raise Unmeasurable(
            Outcome.TOO_FEW_SAMPLES,
            f"two temperatures at which the current is cut in part are needed, above "
            f"{it.degrees[max(first - 1, 0)]:g} degC",
        )
    degrees, limit, chosen = it.degrees, it.limit, use.astype(np.float64)
    start, end = _meets(degrees, limit, chosen)
    by_start, by_end = _uncertain(it, chosen, view.conditions.ladder_accuracy)
    many = int(np.count_nonzero(use))
    low, high = float(degrees[use][0]), float(degrees[use][-1])
    detail = f"line through {many} temperatures from {low:g} to {high:g} degC"
    return _Line(start, end, by_start, by_end, "; ".join(filter(None, (detail, it.left_out))))


def _uncertain(it: _Curve, use: FloatArray, rung: float) -> tuple[Budget, Budget]:
    """Budgets of both ends of the line, by difference quotients (JCGM 100:2008, 5.1.3).

    An offset of the current is common to all readings of it; each rung errs on its own.
    """
    rounded = it.current.rounding(MEAN)
    offset = rectangular(ACCURACY, it.current.accuracy.absolute)
    off = rectangular(ACCURACY, rung)
    parts: tuple[list[Budget], list[Budget]] = ([], [])
    by_offset = [0.0, 0.0]
    for k in range(it.degrees.size):
        step = np.zeros_like(it.degrees)
        step[k] = _STEP
        for end, slope in enumerate(_slopes(it, use, limit=step)):
            parts[end].append(abs(slope) * rounded)
            by_offset[end] += slope
        for end, slope in enumerate(_slopes(it, use, degrees=step)):
            parts[end].append(abs(slope) * off)
    first, last = (
        total([*parts[end], abs(by_offset[end]) * offset]) for end in range(len(by_offset))
    )
    return first, last


def _slopes(
    it: _Curve,
    use: FloatArray,
    *,
    limit: FloatArray | float = 0.0,
    degrees: FloatArray | float = 0.0,
) -> tuple[float, float]:
    """By how much both ends of the line move with a change, per unit of it."""
    up = _meets(it.degrees + degrees, it.limit + limit, use)
    down = _meets(it.degrees - degrees, it.limit - limit, use)
    return (up[0] - down[0]) / (2.0 * _STEP), (up[1] - down[1]) / (2.0 * _STEP)


@defines(
    "derating-start",
    "degC",
    f"""Temperature at which the current limit begins to fall: where the line of its fall meets the
    limit at the lowest temperature. {_LINE_TEXT} Never reached if the limit nowhere falls to
    {100 * FULL:g} %.""",
    source="least squares; windows: " + COMMON,
    channels=("reported.current", "reported.state"),
)
def derating_start(view: View) -> Estimate:
    """Temperature from which on the current is cut; see its definition."""
    it = view.once(_line)
    return Estimate(it.start, it.by_start, 0.0, it.detail)


@defines(
    "derating-end",
    "degC",
    f"""Temperature at which nothing is left of the current limit: where the line of its fall meets
    zero. {_LINE_TEXT} Never reached if the limit nowhere falls to {100 * FULL:g} %.""",
    source="least squares; windows: " + COMMON,
    channels=("reported.current", "reported.state"),
)
def derating_end(view: View) -> Estimate:
    """Temperature at which no current is left; see its definition."""
    it = view.once(_line)
    return Estimate(it.end, it.by_end, 0.0, it.detail)


@defines(
    "derating-misfit",
    "%",
    f"""Largest distance of the current limit, in % of the one at the lowest temperature, from full
    below the beginning of its fall, the line of its fall, and nothing beyond its end.
    {_LINE_TEXT}""",
    source="least squares; windows: " + COMMON,
    channels=("reported.current", "reported.state"),
)
def derating_misfit(view: View) -> Estimate:
    """How far the limit strays from a straight fall; see its definition."""
    it, line = view.once(_curve), view.once(_line)
    ideal = np.clip((line.end - it.degrees) / (line.end - line.start), 0.0, 1.0)
    apart = 100.0 * np.abs(it.share - ideal)
    worst = int(np.argmax(apart))
    # What a rung is off shifts its point along the line, and by no more than along the line.
    per_kelvin = 100.0 / (line.end - line.start)
    budget = rectangular(ACCURACY, view.conditions.ladder_accuracy) * abs(per_kelvin)
    level = it.current.rounding(MEAN) + rectangular(ACCURACY, it.current.accuracy.absolute)
    budget += level * (100.0 / it.limit[0])
    return Estimate(float(apart[worst]), budget, 0.0, f"at {it.degrees[worst]:g} degC")


def _at(name: str, which: int, words: str) -> Recipe:
    @defines(
        name,
        "A",
        f"Current limit at the {words} temperature. {_CURVE_TEXT}",
        source=COMMON,
        channels=("reported.current", "reported.state"),
    )
    def recipe(view: View) -> Estimate:
        it = view.once(_curve)
        value = float(it.limit[which])
        detail = f"at {it.degrees[which]:g} degC"
        detail = "; ".join(filter(None, (detail, it.left_out)))
        return Estimate(value, it.current.mean_level(value, MEAN), 0.0, detail)

    return recipe


current_when_cold = _at("current-when-cold", 0, "lowest")
current_when_hot = _at("current-when-hot", -1, "highest")
_RECIPES: tuple[Recipe, ...] = (
    derating_start,
    derating_end,
    derating_misfit,
    current_when_cold,
    current_when_hot,
    peak_current_recipe(None, "over the whole trace"),
    fault_count,
)
RECIPES: Mapping[str, Recipe] = {recipe.definition.name: recipe for recipe in _RECIPES}
