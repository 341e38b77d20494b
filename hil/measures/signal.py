"""One channel made fit for measuring: finite samples, checked for gaps, with its uncertainties."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from hil.core.budget import (
    ACCURACY,
    RESOLUTION,
    SAMPLING,
    Budget,
    Shape,
    clock,
    line,
    rectangular,
)
from hil.core.measure import Outcome
from hil.core.trace import Accuracy, Channel, FloatArray
from hil.measures.unmeasurable import Unmeasurable

GAP = 3.0  # a longer gap, in nominal intervals, inside a judged window is missing data
ABSURD = 1e12  # in any unit used here no measured value, but a number gone wrong on its way
FEW = 5.0  # readings; a mean over more of them is one over gates that overlap
EDGE = 0.1  # s; how much earlier than the end of a window the last sample may be


@dataclass(frozen=True, slots=True, eq=False)
class Signal:
    """Finite samples of one channel.

    Parameters
    ----------
    name : channel name, for messages.
    t, y : shape (n,), s and the unit of the channel; no NaN.
    accuracy : limits of error of one sample.
    time_uncertainty : standard uncertainty of one time stamp, s.
    interval : nominal sampling interval, s; the median one if the channel does not state it.
    note : what people should know about the source, or "".
    gate : s over which one reading is counted; 0 if it is not counted or nobody knows.
    """

    name: str
    t: FloatArray
    y: FloatArray
    accuracy: Accuracy
    time_uncertainty: float
    interval: float
    note: str = ""
    gate: float = 0.0

    @classmethod
    def of(cls, channel: Channel, factor: float = 1.0) -> Signal:
        """The samples of `channel` that hold a value, times `factor` (±1)."""
        # NaN compares false, so it is left out with the absurd ones.
        keep = (np.abs(channel.y) < ABSURD) & (np.abs(channel.t) < ABSURD)
        t, y = channel.t[keep], factor * channel.y[keep]
        interval = channel.interval
        if interval <= 0.0 and t.size > 1:
            interval = float(np.median(np.diff(t)))
        time_uncertainty = channel.time_uncertainty
        return cls(channel.name, t, y, channel.accuracy, time_uncertainty, max(interval, 0.0))

    def window(self, start: float, end: float, least: int = 2) -> Signal:
        """The samples with ``start <= t <= end``.

        Raises
        ------
        Unmeasurable
            MISSING_DATA for no samples, a gap of more than `GAP` intervals, or samples that begin
            or end inside the window; TOO_FEW_SAMPLES for fewer than `least`.
        """
        part = self.cut(start, end)
        if not part.t.size:
            detail = f"no samples of {self.name} from {start:.4g} s to {end:.4g} s"
            raise Unmeasurable(Outcome.MISSING_DATA, detail)
        allowed = GAP * self.interval * (1.0 + 1e-6) + 1e-9
        edges = np.concatenate(
            ([start + 0.0], part.t, [max(end - max(EDGE - allowed, 0.0), start)])
        )
        gaps = np.diff(edges)
        if gaps.size and float(np.max(gaps)) > allowed:
            i = int(np.argmax(gaps))
            raise Unmeasurable(
                Outcome.MISSING_DATA,
                f"{self.name} has a gap of {gaps[i]:.4g} s at {edges[i]:.4g} s, "
                f"at most {allowed:.4g} s is allowed",
            )
        if part.t.size < least:
            detail = f"{part.t.size} samples of {self.name} in the window, {least} needed"
            raise Unmeasurable(Outcome.TOO_FEW_SAMPLES, detail)
        return part

    def cut(self, start: float, end: float) -> Signal:
        """The samples with ``start <= t <= end``, unchecked, maybe none."""
        i = int(np.searchsorted(self.t, start, side="left"))
        j = int(np.searchsorted(self.t, end, side="right"))
        return replace(self, t=self.t[i:j], y=self.y[i:j])

    def clipped(self, start: float, end: float) -> Signal:
        """`cut` with the values at `start` and `end` in between samples, where there are samples.

        What is looked for in it does not depend on how the samples fall about its ends.
        """
        part = self.cut(start, end)
        inner = [at for at in (start, end) if self.t.size and self.t[0] < at < self.t[-1]]
        t = np.union1d(part.t, inner)
        return replace(part, t=t, y=np.interp(t, self.t, self.y)) if t.size else part

    def __neg__(self) -> Signal:
        return replace(self, y=-self.y)

    def level(self, reading: float) -> Budget:
        """Budget of one reading near `reading`: limits of error and rounding."""
        return self.limits(reading) + self.rounding()

    def limits(self, reading: float) -> Budget:
        """Budget of the limits of error near `reading`.

        What is stated as a share of the reading and what is stated in the unit have causes of their
        own (a gain, an offset), each anywhere within its limits.
        """
        a = self.accuracy
        gain = rectangular(ACCURACY, a.relative * abs(reading))
        return gain + rectangular(ACCURACY, a.absolute)

    def mean_level(self, reading: float, width: float) -> Budget:
        """Budget of a mean over `width` s near `reading`: what is rounded averages out."""
        return self.limits(reading) + self.rounding(width)

    def rounding(self, width: float = 0.0, ends: tuple[float, float] | None = None) -> Budget:
        """Budget of what rounding does to a mean over `width` s, or to one reading.

        A counted speed is the difference of two rounded counts a gate apart: triangular over plus
        and minus one step. In a mean over n readings whose gates overlap, every count that ends one
        gate and begins another cancels. Those of the first and of the last gate remain: g rounded
        counts at either end (g readings a gate, at most n), each of standard uncertainty
        step / sqrt(12), of which the mean is the n-th part. Readings that are not counted are
        rounded each on its own.

        That holds for a shaft that passes a count or more from one sample to the next. `ends` are
        readings at the first and at the last gate, where it may be slower: counts that do not
        change are rounded alike, and their errors do not average out but add up.
        """
        step = self.accuracy.resolution
        if step <= 0.0:
            return Budget()
        readings = max(1.0, width / self.interval) if self.interval > 0.0 else 1.0
        if self.gate <= 0.0:
            if width <= 0.0:
                return rectangular(RESOLUTION, step / 2.0)
            return line(RESOLUTION, step / math.sqrt(12.0 * readings))
        if readings <= 1.0:
            return line(RESOLUTION, step, Shape.TRIANGULAR)
        gate = self._readings_a_gate
        counts = min(readings, gate)
        # One step is one count in a gate, so that counts / gate of a reading pass at either end.
        passed = [counts, counts] if ends is None else [abs(y) / step * counts / gate for y in ends]
        alone = [min(max(1.0, p), counts) for p in passed]
        variance = sum(counts**2 / n for n in alone) / 12.0
        return line(RESOLUTION, step * math.sqrt(variance) / readings)

    def _spacing(self, at: float) -> float:
        """How far the two values about `at` lie apart, s; the interval at most."""
        i = int(np.clip(np.searchsorted(self.t, at), 1, self.t.size - 1))
        return min(self.interval, float(self.t[i] - self.t[i - 1]))

    @property
    def _readings_a_gate(self) -> float:
        return max(1.0, self.gate / self.interval) if self.interval > 0.0 else 1.0

    def offsets(self) -> Budget:
        """Budget of the fixed errors of two readings; their gain error is common and cancels."""
        absolute = rectangular(ACCURACY, self.accuracy.absolute)
        return absolute + absolute

    def difference(self, width: float = 0.0) -> Budget:
        """Budget of the difference of two readings, the second one a mean over `width` s.

        The gain error cancels; of the fixed error each has its own (an encoder is eccentric). The
        single reading of a speed is a count over a gate: the difference of two roundings, whose
        error is triangular over plus and minus one step.
        """
        step = self.accuracy.resolution
        rounded = rectangular(RESOLUTION, step / 2.0)
        if width <= 0.0:
            return self.offsets() + rounded + rounded
        other = line(RESOLUTION, self.resolution_of_mean(width) / math.sqrt(12.0))
        return self.offsets() + line(RESOLUTION, step, Shape.TRIANGULAR) + other

    def travel(self, degrees: float) -> Budget:
        """Budget of the difference of two angles that lie so many degrees apart.

        Limits of error of an angle are those of an eccentric mounting, which errs as a sine over
        the turn: nothing at all between two readings at one angle, and up to the chord
        2 sin(degrees / 2) of its amplitude between others. Over all amplitudes and phases that make
        the error of one angle rectangular within its limits, that of the difference is rectangular
        within the chord of them. Both counts are rounded.
        """
        chord = 2.0 * abs(math.sin(math.radians(min(abs(degrees), 180.0)) / 2.0))
        rounded = rectangular(RESOLUTION, self.accuracy.resolution / 2.0)
        return rectangular(ACCURACY, chord * self.accuracy.absolute) + rounded + rounded

    def resolution_of_mean(self, width: float) -> float:
        """Resolution of a mean over `width` s: that of one reading over the root of their number.

        Holds for readings that wander over their steps (a turning shaft), whose rounding errors
        are independent.
        """
        count = width / self.interval if self.interval > 0.0 else 1.0
        return self.accuracy.resolution / float(np.sqrt(max(count, 1.0)))

    def crossing(self, at: float, smoothing: float = 0.0, level: Budget | None = None) -> Budget:
        """Budget of the instant `at` which the signal passes a level, s.

        Parts: time stamp; how far the signal may bend away from the straight line between two
        samples, found from its curvature around `at`, over the slope; level error over the slope
        (not more than ten intervals). A moving mean of `smoothing` s is part of what is defined.
        A level found in the signal itself has its gain, and an error of its own, `level`: then the
        limits of error do not count.
        """
        span = max(self.interval, smoothing / 2.0)
        by_bend = by_level = Budget()
        if self.t.size > 1 and span > 0.0:
            around = np.interp([at - span, at, at + span], self.t, self.y)
            slope = abs(float(around[2] - around[0])) / (2.0 * span)
            bend = abs(float(around[2] - 2.0 * around[1] + around[0])) / span**2
            limit = 10.0 * max(span, self.interval)
            reach = (self.gate + smoothing) / 2.0
            first, last = (float(y) for y in np.interp([at - reach, at + reach], self.t, self.y))
            error = self.limits(float(around[1])) + self.rounding(smoothing, (first, last))
            count = max(1.0, smoothing / self.interval) if self.interval > 0.0 else 1.0
            if self.gate <= 0.0 and count <= FEW:
                # Readings counted over gates of their own: their errors do not overlap and cancel.
                counted = line(RESOLUTION, self.accuracy.resolution, Shape.TRIANGULAR)
                error = error.of(ACCURACY) + counted * (1.0 / math.sqrt(count))
            if level is not None:
                error = error.without(ACCURACY) + level
            size = error.total
            if size > 0.0:
                flat = slope * limit <= size  # the level is passed so slowly that it says little
                by_level = error * (limit / size if flat else 1.0 / slope)
            # A chord of a parabola misses it by bend h^2/8 at most, and never by a whole interval.
            chord = self._spacing(at)
            missed = bend * chord**2 / 8.0
            most = chord / 2.0
            by_bend = rectangular(SAMPLING, most if missed >= slope * most else missed / slope)
        return clock(self.time_uncertainty) + by_bend + by_level
