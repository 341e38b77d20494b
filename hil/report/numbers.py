"""Numbers as people read them in a report."""

from __future__ import annotations

import math

from hil.core.band import Band
from hil.core.measure import Measure
from hil.verdicts.uncertainty import coverage

#: Shown where there is no number: a dash.
NOTHING = "\u2013"
_SECONDS_PER_MINUTE = 60.0


def measured(measure: Measure) -> str:
    """Value ± expanded uncertainty (about 95 %) and unit, or why there is no value.

    The uncertainty is given to two significant digits and the value to the same place
    (JCGM 100:2008, 7.2.6).
    """
    if measure.value is None:
        return f"{measure.outcome}: {measure.detail}" if measure.detail else str(measure.outcome)
    unit = _unit(measure.unit)
    if not measure.uncertainty:
        return f"{measure.value:.6g}{unit}"
    expanded = coverage(measure.freedom) * measure.uncertainty
    places = _places(expanded, 2)
    return f"{fixed(measure.value, places)} ± {fixed(expanded, places)}{unit}"


def limits(band: Band) -> str:
    """A pass band in words."""
    if band.low is not None and band.low == band.high:
        return f"exactly {band.low:g}{_unit(band.unit)}"
    return str(band)


def in_unit(value: float | None, unit: str) -> str:
    """A number with its unit, a dash for none."""
    return NOTHING if value is None else f"{plain(value)}{_unit(unit)}"


def margin(value: float | None, unit: str) -> str:
    """A signed distance to a limit with its unit, a dash for none."""
    if value is None:
        return NOTHING
    return f"{'+' if value > 0 else ''}{plain(value, 3)}{_unit(unit)}"


def plain(value: float, digits: int = 4) -> str:
    """`value` to `digits` significant digits; whole digits are never rounded away.

    A whole number is shown as one: most are counts.
    """
    if not math.isfinite(value):
        return f"{value:g}"
    if value == round(value) and abs(value) < 1e9:
        return f"{value + 0.0:.0f}"
    if not 1e-4 <= abs(value) < 1e9:
        return f"{value:.{digits - 1}e}"
    return fixed(value, max(0, _places(value, digits)))


def fixed(value: float, places: int) -> str:
    """`value` rounded to `places` decimals; negative `places` round whole digits."""
    rounded = round(value, places)
    return f"{rounded + 0.0:.{max(0, places)}f}"  # + 0.0 turns -0.0 into 0.0


def share(probability: float | None) -> str:
    """A probability in per cent that never claims certainty."""
    if probability is None:
        return NOTHING
    if probability > 0.999:
        return "over 99.9 %"
    if probability < 0.001:
        return "under 0.1 %"
    return f"{100.0 * probability:.1f} %"


def lasting(seconds: float) -> str:
    """A duration: ``12.3 s``, ``4 min 05 s`` or ``2 h 07 min``."""
    if seconds < _SECONDS_PER_MINUTE:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    if minutes < 60:
        return f"{minutes} min {rest:02d} s"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min"


def _unit(unit: str) -> str:
    return "" if unit == "1" else f" {unit}"


def _places(value: float, digits: int) -> int:
    """Decimals needed to show `value` to `digits` significant digits."""
    return digits - 1 - math.floor(math.log10(abs(value)))
