"""What a drive does one way held against what it does the other way."""

from __future__ import annotations

from hil.core.budget import Budget
from hil.core.measure import Outcome
from hil.measures import steady, waveform
from hil.measures.recipe import COMMON, Estimate, defines
from hil.measures.sweep import ENDS, MOTION, asked
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View

ALIKE = 1.0  # %, by which two speeds of opposite sign may differ in size


def _stretches(view: View) -> list[tuple[float, float, Budget]]:
    """Speed asked for in rpm, mean current in A and its budget, wherever it was held long enough.

    The gain of the current is common to both directions and cancels: left is what it reads of
    nothing.
    """
    found = []
    for mark in view.trace.marks:
        speed = asked(mark.detail) if mark.name in MOTION else 0.0
        end = view.until(mark.t, ENDS)
        if not speed or end - mark.t < steady.STEADY:
            continue
        part = view.signal("reported.current").window(end - steady.STEADY, end, 3)
        mean = waveform.mean(part.t, part.y)
        found.append((speed, mean, part.mean_level(0.0, steady.STEADY)))
    return found


@defines(
    "current-asymmetry",
    "%",
    f"""Largest difference of the reported motor current between two directions at one speed, in %
    of the mean of both. Compared are time means over the last {steady.STEADY:g} s before the next
    of the marks {", ".join(f"`{name}`" for name in ENDS)} (or the end), for every two speeds
    asked for of opposite sign whose sizes differ by {ALIKE:g} % at most and that were in force for
    {steady.STEADY:g} s at least. No filter. A wrong commutation table or a shifted sensor shows in
    one direction first. Not applicable unless the shaft was asked to turn both ways.""",
    source=COMMON,
    channels=("reported.current",),
)
def current_asymmetry(view: View) -> Estimate:
    """How much more current one direction takes; see its definition."""
    stretches = view.once(_stretches)
    worst: Estimate | None = None
    for speed, forward, one in stretches:
        for other_speed, backward, other in stretches:
            if speed <= 0.0 or abs(speed + other_speed) > ALIKE / 100.0 * speed:
                continue
            mean = (forward + backward) / 2.0
            if mean <= 0.0:
                detail = f"no current was reported at {speed:.0f} rpm either way"
                raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
            value = 100.0 * abs(forward - backward) / mean
            if worst is None or value > worst.value:
                detail = f"at {speed:.0f} rpm {forward:.3g} A clockwise, {backward:.3g} A the other"
                worst = Estimate(value, (100.0 / mean) * (one + other), 0.0, f"{detail} way")
    if worst is None:
        detail = f"no speed was held for {steady.STEADY:g} s in both directions"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    return worst
