"""Reported motor current against the power that the supply delivers.

Why the current needs a power balance: the firmware reports the current in the motor, the supply
the current into the board, and between them stands a step-down converter. In six-step drive with
duty d the supply delivers about d times the motor current, so the two differ by a factor that is
large at low speed and no error at all. What both sides share is power: the supply's V·I is turned
into back-EMF times current plus winding loss,

    V·I_supply = ke·w·I + R·I²   (two phases in series carry I; ke and R line to line),

which has one positive solution for I at known speed. The bench compares that with the reported
current: switching and commutation losses and the spread of the nameplate cost a healthy drive some
5 to 20 % (seen with the reference firmware on the simulated bench: 7 to 19 %; 38 to 59 % with the
reported current halved or doubled), so a band of 30 % parts the two. Without nameplate only a bound
is left: the motor current cannot be smaller than the supply current (d is at most 1).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from hil.core.budget import MODEL, rectangular
from hil.core.measure import Outcome
from hil.core.trace import FloatArray
from hil.measures.compare import (
    MEAN,
    STEP,
    envelope,
    feeding,
    low_speed,
    on_grid,
    running,
)
from hil.measures.recipe import COMMON, Estimate, defines
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View

CURRENT_MEAN = 0.200  # s, moving mean of the reported current
CHUNK, LEAST = 20, 5  # supply readings compared as one (1 s at 20 Hz), and the fewest
ALIKE = 0.1  # share by which speeds from one reading to the next may differ within a mean
NAMEPLATE = 0.10  # half-width, relative, by which nameplate constants may be off
FLOOR = 0.2  # share of the largest current below which a deviation is not blown up


def motor_current(power: float, speed: float, back_emf: float, resistance: float) -> float:
    """Motor current in A that turns `power` (W) into motion and heat at `speed` (rpm).

    Positive solution of ``P = ke·w·I + R·I²``; `back_emf` in V*s/rad and `resistance` in ohm, both
    line to line; at least one of ke·w and R must be positive. Power below zero gives 0.
    """
    e = back_emf * abs(speed) * np.pi / 30.0
    power = max(power, 0.0)
    if power == 0.0:
        return 0.0
    # This form of the solution keeps its digits for small R and allows R = 0.
    return float(2.0 * power / (e + np.sqrt(e * e + 4.0 * resistance * power)))


@defines(
    "current-disagreement",
    "%",
    f"""Largest deviation of the reported motor current from the motor current that the power
    balance V·I(supply) = ke·w·I + R·I² (nameplate, line to line) gives at the witnessed speed,
    in % of the larger (at least of {100 * FLOOR:g} % of the largest in the trace). Compared are
    means over {CHUNK} supply readings taken in the state run at steady speed (within 10 % over
    ±{1e3 * CURRENT_MEAN:g} ms, above the low-speed limit) while the supply delivers current; a
    speed that jumps by more than {100 * ALIKE:g} % between two readings begins another mean, and
    what is left of fewer than {LEAST} readings at one speed does not count;
    reported current after a moving mean of {1e3 * CURRENT_MEAN:g} ms. A healthy drive shows its
    losses and the spread of the nameplate, a scale error of two shows as 50 %. Without
    nameplate only a reported current below the supply current counts. Uncertainty: limits of error
    of readbacks and tachometer, nameplate constants as ±{100 * NAMEPLATE:g} % (rectangular).""",
    source="conservation of energy; windows: " + COMMON,
    channels=("reported.current", "supply.voltage", "supply.current", "witness.speed"),
)
def current_disagreement(view: View) -> Estimate:
    """Reported current against the power the supply delivers; see its definition."""
    reported = view.signal("reported.current")
    volts, amps = view.once(feeding)
    speed = view.speed
    grid, valid = view.once(running)
    start, end = float(grid[0]), float(grid[-1])
    w = np.abs(on_grid(speed.window(start, end, 2), grid, MEAN))
    r = np.abs(on_grid(reported.window(start, end, 2), grid, CURRENT_MEAN))
    around = envelope(w, CURRENT_MEAN, CURRENT_MEAN)
    steady = valid & (around.high - around.low <= 0.1 * around.high)
    steady &= w >= low_speed(view, speed)
    inside = (volts.t >= start) & (volts.t <= end)
    i = np.rint((volts.t[inside] - start) / STEP).astype(np.intp)
    i = np.minimum(i, grid.size - 1)
    use = steady[i]
    power = (volts.y[inside] * amps[inside])[use]
    chunks = _chunks(w[i[use]])
    if not chunks:
        detail = f"{power.size} supply readings at steady speed in the state run, {LEAST} needed"
        raise Unmeasurable(
            Outcome.TOO_FEW_SAMPLES, detail + (" at one speed" if power.size >= LEAST else "")
        )
    columns = (power, w[i[use]], r[i[use]], amps[inside][use])
    means = np.array([[float(np.mean(column[chunk])) for chunk in chunks] for column in columns])
    expected, bound = _expected(view, means)
    larger = np.maximum(means[2], expected)
    scale = np.maximum(larger, FLOOR * float(np.max(larger)))
    off = np.maximum(expected - means[2], 0.0) if bound else np.abs(means[2] - expected)
    share = off / scale
    k = int(np.argmax(share))
    source = view.signal("supply.current")
    by_current, by_emf, by_resistance = _sensitivities(view, means[:, k], float(expected[k]), bound)
    feed, turning = float(means[3][k]), float(means[1][k])
    by_supply = by_current * source.level(feed)
    if not bound and by_current > 0.0:
        # The power is a product, and what it is divided by turns with the speed.
        voltage = float(means[0][k]) / feed
        by_supply += by_current * feed / voltage * volts.level(voltage)
        by_supply += by_emf / turning * speed.mean_level(turning, MEAN)
    by_model = rectangular(MODEL, by_emf * NAMEPLATE) + rectangular(
        MODEL, by_resistance * NAMEPLATE
    )
    # Where the expected current is the larger, it is the divisor as well: (I - r) / I.
    told = float(min(means[2][k], expected[k])) if scale[k] == expected[k] else float(scale[k])
    factor = 100.0 / float(scale[k]) * told / float(scale[k])
    detail = f"worst: {means[2][k]:.4g} A reported, "
    detail += f"at least {expected[k]:.4g} A" if bound else f"{expected[k]:.4g} A"
    detail += " by the supply" + (" (no nameplate: a bound)" if bound else " (power balance)")
    return Estimate(
        100.0 * float(share[k]),
        factor * (by_supply + by_model),
        100.0 / float(scale[k]) * reported.accuracy.resolution,
        detail,
    )


def _sensitivities(
    view: View, means: FloatArray, expected: float, bound: bool
) -> tuple[float, float, float]:
    """How the expected current changes: by the supply current, and by the constants (relative).

    From ``V·I_supply = e·I + R·I²`` with e = ke·w: the derivatives of I by I_supply (A/A), by ke
    and by R over those (A for 1), JCGM 100:2008, 5.1.3.
    """
    if bound:
        return 1.0, 0.0, 0.0
    emf = view.conditions.back_emf_constant * float(means[1]) * np.pi / 30.0
    drop = view.conditions.resistance * expected
    slope = emf + 2.0 * drop
    if slope <= 0.0 or means[3] <= 0.0:
        return 0.0, 0.0, 0.0
    voltage = float(means[0] / means[3])
    return voltage / slope, expected * emf / slope, expected * drop / slope


def _chunks(speed: FloatArray) -> list[npt.NDArray[np.intp]]:
    """Which readings are compared as one, each taken at the `speed` of its place.

    `CHUNK` successive ones, never across a jump of the speed: the product of two means is the mean
    of a product only at one speed. A rest of fewer than half a chunk joins the one before.
    """
    jumps = np.abs(np.diff(speed)) > ALIKE * np.maximum(speed[:-1], speed[1:])
    found: list[npt.NDArray[np.intp]] = []
    for part in np.split(np.arange(speed.size), np.flatnonzero(jumps) + 1):
        if part.size >= LEAST:
            found += np.array_split(part, max(1, round(part.size / CHUNK)))
    return found


def _expected(view: View, means: FloatArray) -> tuple[FloatArray, bool]:
    """Motor current per chunk as the supply sees it, and whether it is only a lower bound."""
    ke, resistance = view.conditions.back_emf_constant, view.conditions.resistance
    if ke <= 0.0 or resistance < 0.0:
        return means[3], True
    found = [motor_current(p, n, ke, resistance) for p, n in zip(means[0], means[1], strict=True)]
    return np.array(found), False
