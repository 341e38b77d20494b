"""How the shaft speed approaches a set point: what start, reversal and speed-step share."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from hil.core.budget import ACCURACY, NOISE, RESOLUTION, Budget, clock
from hil.core.measure import Outcome
from hil.core.trace import Mark
from hil.measures import steady, waveform
from hil.measures.extreme import largest
from hil.measures.recipe import COMMON, IEEE_181, Estimate, Recipe, defines, flag
from hil.measures.signal import Signal
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View, Window

SMOOTHING = 0.020  # s, moving mean for entering and staying in a band
HOLD = 0.1  # s that a band must be held at the end to count as reached
FILTER_TEXT = f"Filter: centred moving mean of {1e3 * SMOOTHING:g} ms"
SPEED = ("witness.speed",)


@dataclass(frozen=True, eq=False)
class Approach:
    """Speed oriented so that the commanded change is upwards, over its judged window.

    Parameters
    ----------
    raw, smooth : speed from the onset to the end of the window, as sampled and after the filter.
    onset : the mark from which times count.
    end : end of the judged window, s.
    base : level before the change, rpm.
    target : commanded speed, rpm; ``target > base``.
    tolerance : half-width of 'at speed', rpm.
    """

    raw: Signal
    smooth: Signal
    onset: Mark
    end: float
    base: float
    target: float
    tolerance: float

    @property
    def steady(self) -> steady.Level:
        """Level of the steady window at the end."""
        return steady.steady(self.raw, self.onset.t, self.end)

    @property
    def shifts(self) -> tuple[float, float, float]:
        """How much the window may lie earlier (negative) or later in the samples, s; 0 between."""
        reach = math.sqrt(3.0) * math.hypot(self.raw.time_uncertainty, self.onset.uncertainty)
        return -reach, 0.0, reach

    @property
    def levels(self) -> tuple[float, float]:
        """State levels before and after; NEVER_REACHED unless half the change was made."""
        final = self.steady.value
        if final - self.base < 0.5 * (self.target - self.base):
            detail = f"the speed ended {final - self.base:.4g} rpm from where it began, "
            detail += f"{self.target - self.base:.4g} rpm were commanded"
            raise Unmeasurable(Outcome.NEVER_REACHED, detail)
        return self.base, final

    def _instant(self, onset: Mark, delay: float, level: Budget | None = None) -> Estimate:
        """A time counted from `onset`, with its uncertainty and resolution; see `crossing`."""
        budget = self.smooth.crossing(onset.t + delay, SMOOTHING, level) + clock(onset.uncertainty)
        return Estimate(delay, budget, self.raw.interval, self.raw.note)

    def first_entry(self) -> Estimate:
        """Seconds from the onset until the speed first enters target ± tolerance."""
        s = self.smooth
        try:
            delay = waveform.first_entry(s.t, s.y, self.target, self.tolerance, self.onset.t)
        except Unmeasurable as why:
            if why.outcome is not Outcome.NEVER_REACHED:
                raise
            nearest = float(s.y[np.argmin(np.abs(s.y - self.target))])
            detail = f"the speed came no nearer than {self._asked(nearest)}"
            raise Unmeasurable(why.outcome, detail) from why
        return self._instant(self.onset, delay)

    def _asked(self, speed: float) -> str:
        """A speed beside the one that was asked for, both as the shaft turned."""
        turned = 1.0 if self.target >= 0.0 else -1.0
        return (
            f"{turned * speed:.4g} rpm, asked were "
            f"{turned * self.target:.4g} ± {self.tolerance:.4g} rpm"
        )

    def stays(self) -> str:
        """Empty if the speed is in target ± tolerance for the last `HOLD` s at least, else why."""
        s = self.smooth
        try:
            entry = waveform.last_entry(s.t, s.y, self.target, self.tolerance, self.onset.t)
        except Unmeasurable as why:
            if why.outcome is Outcome.NEVER_REACHED:
                return f"at the end {self._asked(float(s.y[-1]))}"
            raise
        held = self.end - self.onset.t - entry
        return "" if held >= HOLD else f"in the band for the last {held:.3g} s only"

    def settling(self, onset: Mark, percent: float) -> Estimate:
        """Time from `onset` to the last entry into ± `percent` of the amplitude about the end.

        NEVER_REACHED unless the speed stays there for the steady window at least.
        """
        base, final = self.levels
        half_width = (final - base) * percent / 100.0
        s = self.smooth.cut(onset.t, self.end)
        entry = waveform.last_entry(s.t, s.y, final, half_width, onset.t)
        held = self.end - onset.t - entry
        if held < steady.STEADY - 1e-9:
            detail = (
                f"within ±{half_width:.4g} rpm of {final:.4g} rpm for the last {held:.3g} s only"
            )
            raise Unmeasurable(Outcome.NEVER_REACHED, detail)
        return self._instant(onset, entry, self.steady.budget.without(ACCURACY, NOISE))

    def beyond(self, part: Signal) -> Estimate:
        """Overshoot of `part` in % of the waveform amplitude; the gain error cancels.

        The final level is the mean of this very window: how the speed wanders in it is no error.
        """
        base, final = self.levels
        highest, rounded = largest(part, steady.RIPPLE_FILTER)
        value = waveform.overshoot(np.array([highest]), (base, final))
        factor = 100.0 / (final - base)
        level = self.steady.budget.of(RESOLUTION)
        return Estimate(
            value,
            factor * (rounded + part.offsets() + level),
            factor * part.accuracy.resolution,
            part.note,
        )


ApproachOf = Callable[[View], Approach]


def approach(
    speed: Signal, onset: Mark, end: float, *, base: float, target: float, tolerance: float
) -> Approach:
    """The approach in `speed` (not yet oriented: it may rise or fall) from `onset` to `end`.

    `base` and `target` in rpm, `tolerance` in % of `target`.

    Raises
    ------
    Unmeasurable
        MISSING_DATA or TOO_FEW_SAMPLES (see `Signal.window`); NOT_APPLICABLE if no change of speed
        was commanded.
    """
    if target == base:
        detail = f"no change of speed was commanded: {base:g} rpm before and after"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    part = speed.window(onset.t, end, 3)
    sign = 1.0 if target > base else -1.0
    raw = part if sign > 0 else -part
    smooth = replace(raw, y=waveform.moving_mean(raw.t, raw.y, SMOOTHING))
    half_width = abs(target) * tolerance / 100.0
    return Approach(raw, smooth, onset, end, sign * base, sign * target, half_width)


def success_recipe(find: ApproachOf, window: Window) -> Recipe:
    """The measure `success`: at speed at the end, and no fault in the window."""

    @defines(
        "success",
        "1",
        f"""1 if, from mark `{window.onset}` to the end of the judged window, no fault bit and
        no fault state was reported and the shaft speed was within target ± tolerance for the
        last {HOLD:g} s at least; else 0. {FILTER_TEXT}. {window.text}""",
        source=COMMON,
        channels=(*SPEED, "reported.state", "reported.fault"),
    )
    def recipe(view: View) -> Estimate:
        it = view.once(find)
        causes = [it.stays(), view.fault_named(it.onset.t, it.end)]
        if any(causes):
            return flag(False, "; ".join(filter(None, causes)))
        view.faulted(it.onset.t, it.end)  # complains where nothing is known of faults
        return flag(True, it.raw.note)

    return recipe


def time_to_recipe(find: ApproachOf, name: str, window: Window) -> Recipe:
    """First entry into the tolerance band about the target, counted from its onset."""

    @defines(
        name,
        "s",
        f"""Time from mark `{window.onset}` to the first entry of the shaft speed into target ±
        tolerance (interpolated). {FILTER_TEXT}. Uncertainty: time stamps of mark and samples,
        sampling interval, speed error over slope, filter. {window.text}""",
        source=COMMON,
        channels=SPEED,
    )
    def recipe(view: View) -> Estimate:
        return view.once(find).first_entry()

    return recipe


def settling_recipe(find: ApproachOf, name: str, window: Window, percent: float | None) -> Recipe:
    """Last entry into ± `percent` of the amplitude about the final level (None: tolerance)."""
    width = "the tolerance" if percent is None else f"{percent:g} %"

    @defines(
        name,
        "s",
        f"""Settling: time from mark `{window.onset}` to the last entry (interpolated) of the shaft
        speed into the final level ± {width} of the waveform amplitude, kept to the end of the
        judged window and for the whole steady window at least. Final level: time mean of the
        steady window; amplitude: final level minus level before; {steady.STEADY_TEXT}.
        {FILTER_TEXT}. {window.text}""",
        source=IEEE_181,
        channels=SPEED,
    )
    def recipe(view: View) -> Estimate:
        it = view.once(find)
        share = view.conditions.tolerance if percent is None else percent
        return it.settling(it.onset, share)

    return recipe


def overshoot_recipe(find: ApproachOf, window: Window) -> Recipe:
    """Excursion beyond the final level in % of the waveform amplitude."""

    @defines(
        "overshoot",
        "%",
        f"""Largest shaft speed after mark `{window.onset}` beyond the final level, in % of the
        waveform amplitude (final level minus level before); 0 if none; speed ripple is part of
        it. Final level: time mean of the steady window; {steady.STEADY_TEXT}. Filter: moving mean
        of {1e3 * steady.RIPPLE_FILTER:g} ms, on top of the tachometer's own.
        {window.text}""",
        source=IEEE_181,
        channels=SPEED,
    )
    def recipe(view: View) -> Estimate:
        it = view.once(find)
        return it.beyond(it.raw)

    return recipe


def level_of(find: ApproachOf) -> steady.LevelOf:
    """Steady level and target of an approach, positive for a shaft that turns as commanded."""

    def found(view: View) -> tuple[steady.Level, float]:
        it = view.once(find)
        level = it.steady
        if it.target >= 0.0:
            return level, it.target
        turned = steady.Level(-level.value, level.budget, -level.window)
        return turned, -it.target

    return found
