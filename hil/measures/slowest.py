"""The slowest speed of a descending sweep at which the drive still runs steadily."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import takewhile

from hil.core.budget import RESOLUTION, rectangular
from hil.core.measure import Outcome
from hil.measures import steady
from hil.measures.recipe import COMMON, Estimate, defines
from hil.measures.sweep import ENDS, MOTION, asked
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View

RIPPLE = 50.0  # % of the mean, peak to peak: beyond it the shaft all but pauses (no source)
SURE = 2.0  # standard uncertainties by which a limit must be kept or broken to be sure of it


@dataclass(frozen=True, slots=True)
class _Limit:
    """One limit of steady running at one speed: by how much it was kept, and how sure that is.

    Parameters
    ----------
    room : what is left to the limit, %; negative if it was broken.
    doubt : expanded uncertainty of that, %.
    why : what was found, in words.
    """

    room: float
    doubt: float
    why: str


#: The speed asked for, rpm, and the limits there.
_Stretch = tuple[float, tuple[_Limit, ...]]


def _sweep(view: View) -> list[tuple[float, float, float]]:
    """Speeds asked for, rpm, clockwise positive, from the fastest downwards; begin and end, s."""
    found = []
    for mark in view.trace.marks:
        wanted = asked(mark.detail) if mark.name in MOTION else 0.0
        end = view.until(mark.t, ENDS)
        if wanted and end - mark.t >= steady.STEADY:
            found.append((wanted, mark.t, end))
    first = max(range(len(found)), key=lambda i: (abs(found[i][0]), i), default=0)
    pairs = zip(found[first:], found[first + 1 :], strict=False)
    slower = takewhile(lambda two: 0.0 < two[1][0] / two[0][0] < 1.0, pairs)
    sweep = [*found[first : first + 1], *(later for _, later in slower)]
    if len(sweep) < 2:
        detail = f"no two speeds, each slower than the one before, were held {steady.STEADY:g} s"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    return sweep


def _stretch(view: View, wanted: float, start: float, end: float) -> _Stretch:
    speed = view.speed
    if view.conditions.senses_direction and wanted * view.conditions.direction < 0.0:
        speed = -speed
    size = abs(wanted)
    level = steady.steady(speed, start, end)
    step = 100.0 / size * level.window.resolution_of_mean(steady.RIPPLE_FILTER)
    if 3.0 * step > RIPPLE:
        detail = f"the tachometer resolves {step:.3g} % of {size:.0f} rpm, too little to tell a "
        raise Unmeasurable(Outcome.TOO_FEW_SAMPLES, f"{detail}ripple of {RIPPLE:g} %")
    at = f"at {size:.0f} rpm"
    if named := view.fault_named(start, end):
        return size, (_Limit(-100.0, 0.0, f"{at} {named}"),)
    view.faulted(start, end)  # complains where nothing is known of faults
    error = steady.steady_error(level, size)
    off = view.conditions.tolerance - abs(error.value)
    why = f"{at} the mean was off by {error.value:+.3g} %"
    mean = _Limit(off, SURE * error.budget.total, why)
    try:
        found = steady.ripple(level, size)
    except Unmeasurable as why_not:
        if why_not.outcome is not Outcome.NEVER_REACHED:
            raise
        return size, (_Limit(-100.0, 0.0, f"{at} the shaft as good as stood"),)
    why = f"{at} the ripple was {found.value:.3g} %"
    return size, (mean, _Limit(RIPPLE - found.value, SURE * found.budget.total, why))


def _broken(limits: tuple[_Limit, ...], by: float = 0.0) -> _Limit | None:
    """The limit that was broken, if any; `by` doubts in the drive's favour."""
    worst = min(limits, key=lambda one: one.room + by * one.doubt)
    return worst if worst.room + by * worst.doubt < 0.0 else None


def _slowest(sweep: list[_Stretch], by: float) -> float | None:
    """The last speed of the sweep before a limit is broken, None if it is at the very first."""
    held = list(takewhile(lambda one: _broken(one[1], by) is None, sweep))
    return held[-1][0] if held else None


@defines(
    "minimum-speed",
    "rpm",
    f"""Slowest of the speeds asked for in a descending sweep down to which the drive ran steadily
    at every one. The sweep: from the fastest speed asked for on, as long as each next one is slower
    and of the same direction; of those only that were in force for {steady.STEADY:g} s at least,
    that is until the next of the marks {", ".join(f"`{name}`" for name in ENDS)} (or the end).
    Steadily: over the last {steady.STEADY:g} s of that the time mean of the shaft speed within the
    tolerance of the speed asked for (no filter) and the peak-to-peak speed at most {RIPPLE:g} % of
    the mean (filter: moving mean of {1e3 * steady.RIPPLE_FILTER:g} ms, bandwidth
    {steady.RIPPLE_BANDWIDTH:.0f} Hz), and no fault reported since it was asked for. Slower than the
    slowest one asked for nothing is known. Where a limit is nearer than the expanded uncertainty
    (k = {SURE:g}), the next faster or slower speed may be the true one: that is the uncertainty.
    Too few samples where the tachometer does not resolve a third of such a ripple.""",
    source="definition: " + COMMON,
    channels=("witness.speed", "reported.state", "reported.fault"),
)
def minimum_speed(view: View) -> Estimate:
    """Slowest steady speed of a descending sweep; see its definition."""
    sweep = [_stretch(view, wanted, a, b) for wanted, a, b in view.once(_sweep)]
    value, strict, lenient = (_slowest(sweep, by) for by in (0.0, -1.0, 1.0))
    broken = next(filter(None, (_broken(limits) for _, limits in sweep)), None)
    if lenient is None and broken is not None:
        detail = f"not steady even at the fastest speed: {broken.why}"
        raise Unmeasurable(Outcome.NEVER_REACHED, detail)
    if value is None or strict is None or lenient is None:
        detail = f"too uncertain to tell even {sweep[0][0]:.0f} rpm from unsteady running"
        raise Unmeasurable(Outcome.TOO_FEW_SAMPLES, detail)
    most = max(strict - value, value - lenient)
    tightest = min(sweep[-1][1], key=lambda one: one.room)
    why = broken.why if broken else f"no slower one was asked for; {tightest.why}"
    note = f"; {view.speed.note}" if view.speed.note else ""
    return Estimate(value, rectangular(RESOLUTION, most), 0.0, f"{why}{note}")
