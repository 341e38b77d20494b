"""What speed ripple repeats with: an order of the shaft, or a frequency of its own.

An order is a number of periods per mechanical turn. Misplaced Hall sensors make the commutation
uneven once per electrical turn: orders p and 2 p (p pole pairs) and no third of the six sectors;
commutation as such shows at 6 p; cogging at an order of its own; a pump at its number of rollers. A
control loop that oscillates keeps its frequency when the speed changes, and so has no fixed order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hil.core.measure import Outcome
from hil.core.trace import FloatArray
from hil.measures.unmeasurable import Unmeasurable

PER_TURN = 96  # points a turn after resampling: orders up to 48
LEAST_TURNS = 3  # fewer tell neighbouring orders apart badly
ALIKE = 0.03  # relative difference up to which two orders or frequencies are one


@dataclass(frozen=True, slots=True, eq=False)
class Orders:
    """Amplitudes over orders of the mechanical turn.

    Parameters
    ----------
    order : shape (n,), periods per turn, from one over the number of turns on.
    amplitude : shape (n,), amplitude of the sine of that order, unit of the signal.
    mean : mean of the signal over whole turns, its unit.
    turns : whole turns that were looked at.
    highest : highest order that the sampling of the signal can tell (two samples a period).
    """

    order: FloatArray
    amplitude: FloatArray
    mean: float
    turns: int
    highest: float

    def at(self, order: float) -> float:
        """Amplitude at an order (the nearest line); 0.0 beyond what the sampling can tell."""
        if not 0.0 < order <= self.highest:
            return 0.0
        return float(self.amplitude[int(np.argmin(np.abs(self.order - order)))])

    @property
    def strongest(self) -> float:
        """The order with the largest amplitude."""
        return float(self.order[int(np.argmax(self.amplitude))])


def orders(angle: FloatArray, y: FloatArray) -> Orders:
    """Spectrum of `y` over the shaft angle.

    Between samples lie straight lines, which flatten a sine of f by sinc(f / sampling rate)^2, to
    0.4 at two samples a period; that is known, and corrected.

    Parameters
    ----------
    angle : shape (n,), mechanical degrees, unwrapped, turning one way; y : shape (n,).

    Raises
    ------
    Unmeasurable
        TOO_FEW_SAMPLES for fewer than three whole turns; NOT_APPLICABLE if the shaft turned back.
    """
    turned = angle * (1.0 if angle.size < 2 or angle[-1] >= angle[0] else -1.0)
    if turned.size < 2 or turned[-1] - turned[0] < LEAST_TURNS * 360.0:
        detail = f"fewer than {LEAST_TURNS} whole turns: orders cannot be told apart"
        raise Unmeasurable(Outcome.TOO_FEW_SAMPLES, detail)
    rising = np.maximum.accumulate(turned)
    if float(np.max(rising - turned)) > 180.0:
        raise Unmeasurable(Outcome.NOT_APPLICABLE, "the shaft turned back: there are no orders")
    turns = int((turned[-1] - turned[0]) // 360.0)
    keep = np.append(True, np.diff(rising) > 0.0)
    grid = turned[0] + np.arange(turns * PER_TURN) * (360.0 / PER_TURN)
    even = np.interp(grid, rising[keep], y[keep])
    lines = np.fft.rfft(even - np.mean(even)) * (2.0 / even.size)
    order: FloatArray = np.arange(lines.size) / turns
    a_turn = 360.0 * (turned.size - 1) / (turned[-1] - turned[0])  # samples
    highest = float(min(PER_TURN / 2.0, 0.5 * a_turn))
    valid = (order > 0.0) & (order <= highest)
    amplitude: FloatArray = np.abs(lines) / np.sinc(np.minimum(order / a_turn, 0.5)) ** 2
    return Orders(order[valid], amplitude[valid], float(np.mean(even)), turns, highest)


def reason(order: float, pole_pairs: int, pulses: int = 0) -> str:
    """What usually makes ripple of that order (common practice, no source); "" for no idea.

    `pulses` is the number of load pulses per turn, 0 if unknown.
    """
    if pulses and abs(order - pulses) <= ALIKE * order:
        return f"the load: {pulses} pulses per turn"
    electrical = order / pole_pairs
    nearest = round(electrical)
    if nearest < 1 or abs(electrical - nearest) > ALIKE * electrical:
        return "once per turn: eccentricity or imbalance" if abs(order - 1.0) <= ALIKE else ""
    if nearest % 6 == 0:
        return "commutation or cogging: every sector alike"
    if nearest in (1, 2, 4, 5):
        return "uneven sectors: placement of the Hall sensors, or phases that differ"
    return "half-waves that differ" if nearest % 3 == 0 else ""


def fixed(found: Sequence[Orders]) -> str:
    """Whether the strongest ripple keeps its ``order`` or its ``frequency`` as the speed changes.

    `found` are spectra of one signal at different speeds, `mean` in rpm; "" if they do not tell.
    """
    speeds = np.array([abs(one.mean) for one in found])
    if len(found) < 2 or float(np.ptp(speeds)) <= 2.0 * ALIKE * float(np.max(speeds)):
        return ""
    order = np.array([one.strongest for one in found])
    frequency = order * speeds / 60.0
    spreads = [float(np.ptp(x) / np.mean(x)) for x in (order, frequency)]
    resolution = max(1.0 / one.turns / one.strongest for one in found)
    limit = max(2.0 * ALIKE, resolution)
    if min(spreads) > limit:
        return ""
    return "order" if spreads[0] <= spreads[1] else "frequency"


def sector_times(t: FloatArray, angle: FloatArray, pole_pairs: int) -> FloatArray:
    """Times that successive sectors of 60 electrical degrees took, s, shape (m,).

    From interpolated passages of the shaft angle (mechanical degrees, unwrapped). What happens
    within a sampling interval is not seen: sectors must last three intervals at least, at 1 kHz and
    four pole pairs up to 833 rpm.

    Raises
    ------
    Unmeasurable
        NOT_APPLICABLE for faster sectors; TOO_FEW_SAMPLES for fewer than one turn.
    """
    size = 60.0 / pole_pairs
    turned = angle if angle.size < 2 or angle[-1] >= angle[0] else -angle
    rising = np.maximum.accumulate(turned)
    keep = np.append(True, np.diff(rising) > 0.0)
    first, last = np.ceil(rising[0] / size), np.floor(rising[-1] / size)
    if last - first < 6 * pole_pairs:
        raise Unmeasurable(Outcome.TOO_FEW_SAMPLES, "less than one turn")
    edges = size * np.arange(first, last + 1.0)
    found: FloatArray = np.diff(np.interp(edges, rising[keep], t[keep]))
    interval = float(np.median(np.diff(t)))
    if float(np.mean(found)) < 3.0 * interval:
        detail = f"a sector took {1e3 * float(np.mean(found)):.3g} ms, sampled every "
        detail += f"{1e3 * interval:.3g} ms: too fast to see how even it is"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    return found


def sector_scatter(times: FloatArray, pole_pairs: int) -> float:
    """Unevenness of the six sectors: standard deviation of their mean times, % of the mean.

    Averaged over all electrical turns, so that load and cogging of other orders drop out.
    """
    whole = times[: times.size // 6 * 6].reshape(-1, 6)
    whole = whole[: whole.shape[0] // pole_pairs * pole_pairs] if pole_pairs > 1 else whole
    means = np.mean(whole, axis=0)
    return 100.0 * float(np.std(means)) / float(np.mean(means))
