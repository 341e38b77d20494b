"""Largest currents and voltages, and how many faults: measures of any window of any trace."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from hil.core.budget import NOISE, line
from hil.core.drive import DriveState
from hil.core.trace import Accuracy
from hil.measures import waveform
from hil.measures.recipe import COMMON, Estimate, Recipe, defines
from hil.measures.signal import Signal
from hil.measures.view import View

AT_REST = 0.1  # of the largest supply current: below it nothing worth mention is dropped
READBACK_AROUND = 0.025  # s on either side of a readback within which the board saw the same
LEAST_FRAMES = 3  # about a readback, for the board to be held against it

#: Gives a judged window in s; None stands for the whole trace (`View.all_of`).
WindowOf = Callable[[View], tuple[float, float]]


def _part(view: View, name: str, window: WindowOf | None) -> Signal:
    return view.all_of(name) if window is None else view.signal(name).window(*window(view))


def _freed(view: View, reported: float) -> Estimate | None:
    """A reported voltage freed of the board's error at rest, where no current drops any voltage.

    A systematic effect that is known is corrected (JCGM 100:2008, 3.2.4), whichever way it goes:
    were only a board that reads too low corrected, the greater of two voltages would be too great.

    None without a readback of the current, or if no readback is at rest: telemetry about it, at
    most a tenth of the largest current, and both voltages within their limits of error of each
    other. A link that is pumped up above a supply that takes nothing back draws no current either.
    """
    if view.trace.channel("supply.current") is None:
        return None
    volts, amps = view.signal("supply.voltage"), view.signal("supply.current")
    board = view.signal("reported.voltage")
    current = np.abs(np.interp(volts.t, amps.t, amps.y))
    edges = [board.t.searchsorted(volts.t + by) for by in (-READBACK_AROUND, READBACK_AROUND)]
    idle = current <= AT_REST * float(np.max(np.abs(amps.y)))
    told = np.flatnonzero(idle & (edges[1] - edges[0] >= LEAST_FRAMES))
    for i in told[np.argsort(current[told], kind="stable")].tolist():
        rest, then = abs(float(volts.y[i])), np.abs(board.y[edges[0][i] : edges[1][i]])
        seen = float(np.mean(then))
        if abs(seen - rest) > _limit(volts, rest) + _limit(board, seen):
            continue
        budget = volts.level(rest) + replace(board, accuracy=_gain(board)).level(reported - seen)
        scatter = float(np.std(then, ddof=1)) / math.sqrt(then.size)
        budget += line(NOISE, scatter, freedom=then.size - 1.0)
        return Estimate(rest + reported - seen, budget)
    return None


def _limit(part: Signal, reading: float) -> float:
    """How far a sound reading may be off."""
    a = part.accuracy
    return a.relative * abs(reading) + a.absolute + a.resolution


def _gain(part: Signal) -> Accuracy:
    """Accuracy of a difference: a fixed error cancels."""
    return replace(part.accuracy, absolute=0.0)


def _peak(part: Signal, note: str) -> Estimate:
    value, _ = waveform.peak(part.t, np.abs(part.y))
    return Estimate(value, part.level(value), part.accuracy.resolution, note)


def peak_current_recipe(window: WindowOf | None, words: str) -> Recipe:
    """Largest motor current in a window that `words` name."""

    @defines(
        "peak-current",
        "A",
        f"""Largest motor current {words}: the greatest reported peak (largest current since the
        previous telemetry frame, as the board samples it: ripple between its samples is not in it).
        Where the firmware sends no peak, the greatest reported
        (filtered) current stands in and the measure says so. No further filter.""",
        source=COMMON,
        channels=("reported.peak",),
    )
    def recipe(view: View) -> Estimate:
        if "reported.peak" in view.trace.channels or "reported.current" not in view.trace.channels:
            return _peak(_part(view, "reported.peak", window), "")
        part = _part(view, "reported.current", window)
        return _peak(part, "from the filtered current: the firmware reports no peak")

    return recipe


def peak_dc_link_recipe(window: WindowOf | None, words: str) -> Recipe:
    """Largest DC-link voltage in a window that `words` name."""

    @defines(
        "peak-dc-link-voltage",
        "V",
        f"""Largest DC-link voltage {words}: the greatest sample of the reported voltage, or of the
        supply readback where that is greater. The board's own error at rest is taken off: what it
        saw above its mean of ±{1e3 * READBACK_AROUND:g} ms about the readback at the least supply
        current of the trace ({LEAST_FRAMES} frames at least) is added to that readback. Without
        such a rest (a tenth of the largest current at most, and both voltages within their limits
        of error of each other: not while the link is pumped up) its samples are taken as they are.
        No filter beyond the board's own; a peak shorter than the telemetry interval can be
        missed.""",
        source=COMMON,
        channels=("reported.voltage", "supply.voltage"),
    )
    def recipe(view: View) -> Estimate:
        reported = _peak(_part(view, "reported.voltage", window), "")
        if view.trace.channel("supply.voltage") is None:
            return reported
        start, end = window(view) if window is not None else (0.0, view.end)
        readback = view.signal("supply.voltage").cut(start, end)
        if not readback.t.size:
            return reported
        witnessed = _peak(readback, "from the supply readback, which is above the reported voltage")
        freed = _freed(view, reported.value)
        if freed is None:
            return reported if witnessed.value <= reported.value else witnessed
        if freed.value < witnessed.value:
            return witnessed
        note = f"reported {reported.value:.4g} V, less what the board is off at rest"
        return replace(reported, value=freed.value, budget=freed.budget, detail=note)

    return recipe


@defines(
    "fault-count",
    "1",
    """How often the drive went into a fault over the whole trace: the greater of the number of
    entries into the state fault and the number of times the fault bits went from none to some. A
    fault already there at the first sample counts.""",
    source=COMMON,
    channels=("reported.state", "reported.fault"),
)
def fault_count(view: View) -> Estimate:
    """Count of faults over the whole trace; see its definition."""
    states, bits = view.all_of("reported.state"), view.all_of("reported.fault")
    entries = _rises(np.rint(states.y) == DriveState.FAULT)
    named = view.fault_named(0.0, view.end)
    return Estimate(float(max(entries, _rises(bits.y != 0.0))), detail=named)


def _rises(on: np.typing.NDArray[np.bool_]) -> int:
    return int(np.count_nonzero(np.diff(on.astype(np.int8), prepend=0) > 0))
