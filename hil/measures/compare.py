"""Where and when a reported value may be held against a witnessed one."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from hil.core.drive import DriveState
from hil.core.measure import Outcome
from hil.core.trace import FloatArray
from hil.measures import waveform
from hil.measures.signal import Signal
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View

MEAN = 0.050  # s, moving mean before comparing speeds and voltages
LAG = 0.100  # s, by how much a reported value may be late
LEAD = 0.025  # s, by how much clocks may differ the other way
STEP = 0.005  # s, grid on which reported and witnessed values meet
LOW_SPEED = 10.0  # % of the larger of entry and target speed: below it speeds are not compared
SUPPLY_AROUND = 0.100  # s on either side of a supply reading

BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Envelope:
    """Smallest and largest moving mean of a signal around each grid point; shape (n,) each."""

    low: FloatArray
    high: FloatArray

    def distance(self, y: FloatArray) -> FloatArray:
        """How far y lies outside the envelope; 0 inside."""
        return np.maximum(np.maximum(self.low - y, y - self.high), 0.0)


def _around(values: FloatArray, back: float, ahead: float) -> FloatArray:
    """Grid values within [-back, +ahead] s of each grid point, shape (n, k), ends repeated."""
    before, after = round(back / STEP), round(ahead / STEP)
    padded = np.pad(values, (before, after), mode="edge")
    return np.lib.stride_tricks.sliding_window_view(padded, before + after + 1)


def envelope(values: FloatArray, back: float, ahead: float) -> Envelope:
    """Envelope of grid values over [-back, +ahead] s."""
    around = _around(values, back, ahead)
    return Envelope(np.min(around, axis=1), np.max(around, axis=1))


def on_grid(signal: Signal, grid: FloatArray, width: float) -> FloatArray:
    """Moving mean of `width` s, interpolated at the grid points."""
    return np.interp(grid, signal.t, waveform.moving_mean(signal.t, signal.y, width))


def running(view: View) -> tuple[FloatArray, BoolArray]:
    """Grid over the time in state run, and where run has lasted LAG and lasts LEAD longer."""
    states = view.signal("reported.state")
    running = np.rint(states.y) == DriveState.RUN
    if not bool(np.any(running)):
        detail = "the drive never reported the state run"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    start, end = (float(i) for i in states.t[running][[0, -1]])
    states.window(start, end, 1)
    grid: FloatArray = start + STEP * np.arange(int((end - start) / STEP) + 1, dtype=np.float64)
    held = running[np.searchsorted(states.t, grid, side="right") - 1].astype(np.float64)
    # Before the first grid point nothing ran: pad with zeros, not with the edge.
    before, after = round(LAG / STEP), round(LEAD / STEP)
    padded = np.pad(held, (before, after))
    whole = np.lib.stride_tricks.sliding_window_view(padded, before + after + 1)
    return grid, np.min(whole, axis=1) > 0.0


def low_speed(view: View, *signals: Signal) -> float:
    """Speed in rpm below which reported and witnessed speed are not compared."""
    asked = max(abs(view.conditions.target), abs(view.conditions.entry))
    return max([LOW_SPEED / 100.0 * asked, *(3.0 * s.accuracy.resolution for s in signals)])


def feeding(view: View) -> tuple[Signal, FloatArray]:
    """Supply voltage readings while the supply feeds the board, and the current with each, A."""
    volts, amps = view.signal("supply.voltage"), view.signal("supply.current")
    start, end = max(volts.t[0], amps.t[0]), min(volts.t[-1], amps.t[-1])
    volts = volts.window(float(start), float(end), 1)
    amps.window(float(start), float(end), 1)
    current = np.interp(volts.t, amps.t, amps.y)
    # A supply that cannot sink does not set the DC link while the motor feeds energy back.
    feeds = (current > 3.0 * amps.accuracy.resolution) & (current > 0.0)
    feeds &= volts.y >= 0.5 * abs(view.conditions.supply_voltage)
    return replace(volts, t=volts.t[feeds], y=volts.y[feeds]), current[feeds]
