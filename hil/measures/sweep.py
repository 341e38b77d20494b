"""Measures over all set points of a trace: a sweep of speeds, a stop, what was refused."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from hil.core.budget import ACCURACY, RESOLUTION, Budget, clock, rectangular
from hil.core.measure import Outcome
from hil.core.trace import FloatArray
from hil.measures import steady, waveform
from hil.measures.compare import STEP, on_grid, running
from hil.measures.recipe import COMMON, Estimate, Recipe, defines
from hil.measures.regression import confusion, deming
from hil.measures.signal import Signal
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View

#: Marks of commands that ask for a speed, and what ends the stretch they are in force.
MOTION = ("command", "set-point", "reverse", "restart")
ENDS = (*MOTION, "stop", "brake-on", "load-on", "clear", "dip", "line-opened", "silence")
MEAN = 0.2  # s, means that are compared
EVEN = 2.0  # %, by which speed may differ within such a mean
SPREAD = 500.0  # rpm between the slowest and the fastest speed that a line is drawn through
STANDSTILL = 2.0  # % of the speed before
SMOOTHING = 0.005  # s


@dataclass(frozen=True, slots=True, eq=False)
class _Line:
    """Reported over witnessed speed: slope less 1 in %, value at speed zero in rpm."""

    slope: float
    offset: float
    slope_budget: Budget
    offset_budget: Budget
    points: int
    resolution: float
    hint: str


def _line(view: View) -> _Line:
    reported, witness = view.seen("reported.speed"), view.seen("witness.speed")
    grid, valid = view.once(running)
    start, end = float(grid[0]), float(grid[-1])
    around = round(MEAN / float(grid[1] - grid[0])) if grid.size > 1 else 1
    r = on_grid(reported.window(start, end, 2), grid, MEAN)
    witnessed = witness.window(start, end, 2)
    means = waveform.moving_mean(witnessed.t, witnessed.y, MEAN)
    w = np.interp(grid, witnessed.t, means)
    use = valid & _even(w, around)
    at, r, w = grid[use], r[use], w[use]
    count = w.size // around
    if count < 3 or float(np.ptp(w)) < SPREAD:
        detail = f"steady speeds {SPREAD:g} rpm apart at least are needed to draw a line"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    fine = [s.resolution_of_mean(MEAN) for s in (reported, witness)]
    # Both speeds are means of rounded readings; without any rounding both count alike.
    ratio = min(max((fine[0] / fine[1]) ** 2, 0.01), 100.0) if min(fine) > 0.0 else 1.0
    found = deming(w, r, ratio)
    # What is reported is data that the line is drawn through, and how it scatters about the line is
    # no error of the line: uncertain is where the witness has the points.
    # Of means that overlap, so many are independent.
    square = count * float(np.var(w))
    rounded = abs(found.slope) * witness.rounding(MEAN)
    by_slope = rounded * (1.0 / math.sqrt(square))
    by_slope += abs(found.slope) * rectangular(ACCURACY, witness.accuracy.relative)
    by_offset = rounded * math.sqrt(1.0 / count + float(np.mean(w)) ** 2 / square)
    by_offset += abs(found.slope) * rectangular(ACCURACY, witness.accuracy.absolute)
    # By how much both change if one clock is late, as a difference quotient (JCGM 100:2008, 5.1.3).
    late = math.hypot(reported.time_uncertainty, witness.time_uncertainty)
    if late > 0.0:
        early, after = (
            deming(np.interp(at + by, witnessed.t, means), r, ratio) for by in (-late, late)
        )
        for one in (reported, witness):
            share = clock(one.time_uncertainty) * (0.5 / late)
            by_slope += (after.slope - early.slope) * share
            by_offset += (after.offset - early.offset) * share
    return _Line(
        100.0 * (found.slope - 1.0),
        found.offset,
        100.0 * by_slope,
        by_offset,
        count,
        max(fine),
        confusion(found.slope, view.conditions.pole_pairs),
    )


def _grain(stamps: FloatArray) -> float:
    """Step by which time stamps are rounded, s: the least difference of two of their distances.

    Distances that never differ were not rounded; then it is what is left of a float.
    """
    distances = np.unique(np.round(np.diff(stamps), 9))
    return float(np.min(np.diff(distances))) if distances.size > 1 else 1e-9


def _even(speed: FloatArray, around: int) -> np.typing.NDArray[np.bool_]:
    """Where a speed stays within `EVEN` % over `around` points on either side."""
    padded = np.pad(speed, around, mode="edge")
    near = np.lib.stride_tricks.sliding_window_view(padded, 2 * around + 1)
    low, high = np.min(near, axis=1), np.max(near, axis=1)
    whole: np.typing.NDArray[np.bool_] = high - low <= EVEN / 100.0 * np.abs(speed)
    return whole


_LINE_TEXT = f"""The line allows for errors of both speeds (Deming, variances as the resolutions of
    the two sources) and goes through means of {1e3 * MEAN:g} ms taken
    every {1e3 * STEP:g} ms in the state run, wherever the witnessed mean stays within {EVEN:g} %
    over ±{1e3 * MEAN:g} ms. No further filter. Not applicable unless such speeds lie
    {SPREAD:g} rpm apart. How the reported speed scatters about the line is no uncertainty of it:
    reported speeds are what is judged. Points are counted {1e3 * MEAN:g} ms apart."""


@defines(
    "reported-speed-slope",
    "%",
    f"""Slope of the line of reported over witnessed speed, less one: by how much the firmware
    reports too large a change of speed. {_LINE_TEXT}""",
    source="errors-in-variables regression: Deming 1943 (from memory); windows: " + COMMON,
    channels=("reported.speed", "witness.speed", "reported.state"),
)
def reported_speed_slope(view: View) -> Estimate:
    """Scale error of the reported speed; see its definition."""
    it = view.once(_line)
    detail = f"{it.points} points" + (f"; {it.hint}" if it.hint else "")
    return Estimate(it.slope, it.slope_budget, 0.0, detail)


@defines(
    "reported-speed-offset",
    "rpm",
    f"""What the line of reported over witnessed speed says at speed zero. {_LINE_TEXT}""",
    source="errors-in-variables regression: Deming 1943 (from memory); windows: " + COMMON,
    channels=("reported.speed", "witness.speed", "reported.state"),
)
def reported_speed_offset(view: View) -> Estimate:
    """Offset of the reported speed; see its definition."""
    it = view.once(_line)
    return Estimate(it.offset, it.offset_budget, it.resolution, f"{it.points} points")


@defines(
    "largest-speed-error",
    "%",
    f"""Largest magnitude of the steady error over all set points of the trace that were in force
    for {steady.STEADY:g} s at least: time mean of the shaft speed over the last {steady.STEADY:g} s
    before the next of the marks {", ".join(f"`{name}`" for name in ENDS)} (or the end) minus the
    speed asked for, in % of it. Asked for is what the mark says. No filter.""",
    source=COMMON,
    channels=("witness.speed",),
)
def largest_speed_error(view: View) -> Estimate:
    """Worst steady error of a sweep; see its definition."""
    worst: Estimate | None = None
    for mark in view.trace.marks:
        wanted = asked(mark.detail) if mark.name in MOTION else 0.0
        end = view.until(mark.t, ENDS)
        if not wanted or end - mark.t < steady.STEADY:
            continue
        speed = view.speed if view.conditions.direction > 0 else -view.speed
        if not view.conditions.senses_direction:
            speed, wanted = view.speed, abs(wanted)
        level = steady.steady(speed, mark.t, end)
        found = steady.steady_error(level, wanted, f"at {wanted:+.0f} rpm")
        if worst is None or abs(found.value) > worst.value:
            worst = Estimate(abs(found.value), found.budget, found.resolution, found.detail)
    if worst is None:
        detail = f"no set point was in force for {steady.STEADY:g} s"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    # The factor 100 / target is signed; a spread is not.
    return Estimate(worst.value, worst.budget, abs(worst.resolution), worst.detail)


def asked(detail: str) -> float:
    """The speed in a mark's detail such as ``+1500 rpm``, clockwise positive; 0 without one."""
    number, _, unit = detail.partition(" ")
    try:
        return float(number) if unit == "rpm" else 0.0
    except ValueError:
        return 0.0


def _stop_window(view: View) -> tuple[Signal, float, float]:
    mark = view.mark("stop")
    part = view.speed.window(mark.t, view.until(mark.t, MOTION), 3)
    before = abs(float(np.interp(mark.t, view.speed.t, view.speed.y)))
    least = 3.0 * part.accuracy.resolution
    if before <= least:
        raise Unmeasurable(Outcome.NOT_APPLICABLE, "the shaft stood when the stop was sent")
    return part, mark.t, max(STANDSTILL / 100.0 * before, least)


@defines(
    "stop-time",
    "s",
    f"""Time from the first mark `stop` to the first instant from which on the shaft speed stays
    below {STANDSTILL:g} % of the speed at the mark (at least three resolutions of the tachometer)
    until the next speed is asked for or the trace ends. Filter: moving mean of
    {1e3 * SMOOTHING:g} ms. Not applicable if the shaft stood.""",
    source=COMMON,
    channels=("witness.speed",),
)
def stop_time(view: View) -> Estimate:
    """Duration of an orderly stop; see its definition."""
    part, onset, threshold = view.once(_stop_window)
    y = np.abs(waveform.moving_mean(part.t, part.y, SMOOTHING))
    turning = np.flatnonzero(y > threshold)
    if turning.size and turning[-1] == y.size - 1:
        detail = f"the shaft still turned at {y[-1]:.4g} rpm {part.t[-1] - onset:.4g} s after"
        raise Unmeasurable(Outcome.NEVER_REACHED, detail)
    at = onset
    if turning.size:
        i = int(turning[-1])
        at = float(np.interp(-threshold, -y[i : i + 2], part.t[i : i + 2]))
    budget = part.crossing(at, SMOOTHING) + clock(view.mark("stop").uncertainty)
    return Estimate(at - onset, budget, part.interval, part.note)


@defines(
    "refusals",
    "1",
    "How many commands the board refused that it was to refuse: number of marks `refused`.",
    source=COMMON,
)
def refusals(view: View) -> Estimate:
    """Count of expected refusals; see its definition."""
    if view.end <= 0.0:
        raise Unmeasurable(Outcome.MISSING_DATA, "the trace is empty")
    return Estimate(float(sum(mark.name == "refused" for mark in view.trace.marks)))


@defines(
    "telemetry-rate-error",
    "%",
    """Mean distance between telemetry frames by the board's own time stamps (where it sends any,
    else by arrival) against the interval that the link profile promises: promised over found, less
    one, in %. Lost frames count as sent. Negative: fewer frames than promised.""",
    source=COMMON,
    channels=("reported.state",),
)
def telemetry_rate_error(view: View) -> Estimate:
    """Rate of the telemetry against the promised one; see its definition."""
    channel = view.signal("reported.state")
    count = channel.t.size - 1 + max(view.trace.lost, 0)
    span = float(channel.t[-1] - channel.t[0])
    if count < 10 or span <= 0.0 or channel.interval <= 0.0:
        raise Unmeasurable(Outcome.TOO_FEW_SAMPLES, f"{count + 1} frames are too few")
    value = 100.0 * (channel.interval * count / span - 1.0)
    # A common shift of the stamps cancels in their span; how finely they are rounded does not.
    return Estimate(value, rectangular(RESOLUTION, 0.5 * _grain(channel.t)) * (100.0 / span))


@defines(
    "telemetry-repeats",
    "%",
    """Telemetry frames with the sequence number of the frame before, in % of all frames decoded,
    over the whole trace: a counter that stands still could hide a loss. No filter.""",
    source=COMMON,
)
def telemetry_repeats(view: View) -> Estimate:
    """Share of frames with a number seen just before; see its definition."""
    frames = max(view.trace.frames, 0)
    if frames == 0:
        raise Unmeasurable(Outcome.MISSING_DATA, "no telemetry frame was decoded")
    return Estimate(100.0 * max(view.trace.repeated, 0) / frames)


@defines(
    "final-current-crest",
    "1",
    f"""Largest reported peak current over the mean reported (filtered) current in the last
    {steady.STEADY:g} s before the first `stop` after the last speed was asked for, or before the
    end of the trace: how much the current pulsates, whatever the load. Late or early commutation
    shows in it first. No further filter.""",
    source=COMMON,
    channels=("reported.peak", "reported.current"),
)
def final_current_crest(view: View) -> Estimate:
    """Peak over mean current at the last speed; see its definition."""
    moves = [mark.t for mark in view.trace.marks if mark.name in MOTION]
    end = view.until(moves[-1] if moves else 0.0, ("stop",))
    start = max(moves[-1] if moves else 0.0, end - steady.STEADY)
    peak = view.signal("reported.peak").window(start, end, 3)
    current = view.signal("reported.current").window(start, end, 3)
    mean = waveform.mean(current.t, current.y)
    if mean <= 3.0 * current.accuracy.resolution:
        raise Unmeasurable(Outcome.NOT_APPLICABLE, f"a current of {mean:.4g} A has no crest")
    highest, _ = waveform.peak(peak.t, peak.y)
    value = highest / mean
    # The gain error is common to both and cancels: what is left is that of readings of nothing.
    budget = peak.level(0.0) * (1.0 / mean)
    budget += current.mean_level(0.0, end - start) * (value / mean)
    return Estimate(value, budget, 0.0)


_RECIPES: tuple[Recipe, ...] = (
    largest_speed_error,
    reported_speed_slope,
    reported_speed_offset,
    stop_time,
    refusals,
    telemetry_rate_error,
    telemetry_repeats,
    final_current_crest,
)
RECIPES: Mapping[str, Recipe] = {recipe.definition.name: recipe for recipe in _RECIPES}
