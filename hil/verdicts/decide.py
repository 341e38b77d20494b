"""One measure held against its pass band.

Rules (JCGM 106:2012, clause 8):

- *simple*: a measured value inside the limits passes, one outside fails.
- *guarded*: both verdicts must be clear of the limit by a guard band, r times the expanded
  uncertainty U (r = 1: the three zones of ISO 14253-1): pass inside the band narrowed by r U, fail
  outside the band widened by r U, undecided between.
- *guarded with a risk*: pass if the probability that the true value lies outside the band (specific
  consumer's risk) is at most the risk, fail if the probability that it lies inside (specific
  producer's risk) is, undecided where neither holds.

U = k u with k = 2; where the uncertainty itself is known from few data only, k is the Student
factor for the same confidence (JCGM 100:2008, G.6.4).

Under either rule a band that the data cannot resolve decides nothing, unless the value lies so far
outside that it fails anyway: the span of the band (its width, or the size of its only limit) must
be at least three times the resolution of the measure and twice its expanded uncertainty. Counts and
yes/no measures (unit 1, nothing uncertain) are exact; a ratio, of unit 1 too, is not. A guarded
band fails no value that its own guard band or risk leaves undecided, however coarse the data.

Without a value: missing data and too few samples are undecided, never a pass. An event that never
happened fails a band with an upper limit (it took longer than any limit, or it did not happen when
it had to), and leaves a mere lower limit undecided. A measure that does not apply is not-run.
"""

from __future__ import annotations

import math

from hil.core.band import Band, Rule
from hil.core.measure import Measure, Outcome
from hil.core.verdict import Judgement, Verdict
from hil.verdicts.uncertainty import conformance, coverage, expanded

#: A band narrower than this many resolutions decides nothing.
RESOLUTIONS = 3.0
#: A band narrower than this many expanded uncertainties decides nothing (C_m of 1, JCGM 106 7.6).
UNCERTAINTIES = 2.0


def judge(band: Band, measure: Measure, repeat: int = 0) -> Judgement:
    """Hold a measure against a band.

    Parameters
    ----------
    band, measure : of one name and unit.
    repeat : repetition the measure belongs to, from 1; 0 for the item as a whole.

    Raises
    ------
    ValueError
        If band and measure are not of one name and unit.
    """
    if (band.measure, band.unit) != (measure.name, measure.unit):
        raise ValueError(
            f"a band of {band.measure} in {band.unit} does not judge {measure.name} "
            f"in {measure.unit}"
        )
    if measure.value is None:
        verdict, reason = _without_value(band, measure)
        return Judgement(band, measure, verdict, reason, repeat=repeat)
    uncertainty = measure.uncertainty or 0.0
    inside = conformance(measure.value, uncertainty, band.low, band.high, measure.freedom)
    verdict, reason = _with_value(band, measure, measure.value, inside)
    return Judgement(band, measure, verdict, reason, margin(band, measure.value), inside, repeat)


def margin(band: Band, value: float) -> float:
    """Distance to the nearest limit, negative outside; in the unit of the band."""
    distances = []
    if band.low is not None:
        distances.append(value - band.low)
    if band.high is not None:
        distances.append(band.high - value)
    return min(distances)


def span(band: Band) -> float:
    """Width of a band with two limits, else the size of its only limit."""
    if band.low is not None and band.high is not None:
        return band.high - band.low
    only = band.high if band.low is None else band.low
    return abs(only) if only is not None else 0.0


def _without_value(band: Band, measure: Measure) -> tuple[Verdict, str]:
    why = f"{measure.outcome.value}" + (f", {measure.detail}" if measure.detail else "")
    name = f"{measure.name}: "
    if measure.outcome is Outcome.NOT_APPLICABLE:
        return Verdict.NOT_RUN, f"{name}not judged: {measure.detail or why}"
    if measure.outcome is not Outcome.NEVER_REACHED:
        return Verdict.UNDECIDED, f"{name}{why}; {_limits(band)} can be neither shown nor refuted"
    if band.high is None:
        return Verdict.UNDECIDED, f"{name}{why}; a lower limit alone ({_limits(band)}) says nothing"
    return Verdict.FAIL, f"{name}{why}; expected {_limits(band)}"


def _with_value(band: Band, measure: Measure, value: float, inside: float) -> tuple[Verdict, str]:
    factor = coverage(measure.freedom)
    guard = expanded(measure.uncertainty or 0.0, factor)
    exact = measure.unit == "1" and guard == 0.0
    room = margin(band, value)
    found = f"{measure.name} {_stated(value, guard, measure.unit)}"
    if guard > 0.0:
        found += f" (k={factor:.3g})"
    coarse = "" if exact else _too_coarse(band, measure, guard)
    guarded = band.rule is Rule.GUARDED and guard > 0.0
    why = _unproven(band, room, guard, inside) if guarded else ""
    if coarse:
        clear = max(guard, RESOLUTIONS * measure.resolution)
        if room >= -clear or why:
            return Verdict.UNDECIDED, f"{found}: {coarse}"
        return Verdict.FAIL, (
            f"{found} is {_beyond(band, value)}, by more than the coarse data can be off"
        )
    rule = f"{band.rule.value} rule"
    if why:
        side = "inside" if room >= 0.0 else "outside"
        return Verdict.UNDECIDED, (
            f"{found} lies {_number(abs(room), measure.unit)} {side} its band "
            f"({_limits(band)}), {why} ({rule})"
        )
    if room >= 0.0:
        spare = "" if exact else f", {_number(room, measure.unit)} to spare"
        return Verdict.PASS, f"{found} is inside its band ({_limits(band)}){spare} ({rule})"
    if exact:  # a count, or yes or no
        why = f": {measure.detail}" if measure.detail else ""
        return Verdict.FAIL, f"{found}, expected {_limits(band)}{why}"
    return Verdict.FAIL, f"{found} is {_beyond(band, value)} ({rule})"


def _unproven(band: Band, room: float, guard: float, inside: float) -> str:
    """Why a guarded band can neither be passed nor failed, or ""."""
    if band.risk is not None:
        wrong = 1.0 - inside if room >= 0.0 else inside
        if wrong <= band.risk:
            return ""
        verdict = "pass" if room >= 0.0 else "fail"
        return f"a {verdict} would be wrong with {100.0 * wrong:.2g} %, allowed are " + (
            f"{100.0 * band.risk:g} %"
        )
    width = band.guard * guard
    if not -width <= room < width:
        return ""
    if band.guard == 1.0:
        return "nearer to the limit than its uncertainty"
    return f"nearer to the limit than {band.guard:g} times its uncertainty"


def _too_coarse(band: Band, measure: Measure, guard: float) -> str:
    size = span(band)
    if size < RESOLUTIONS * measure.resolution:
        return (
            f"{_limits(band)} is too fine to judge: the data resolves "
            f"{_number(measure.resolution, measure.unit)}, and a band needs {RESOLUTIONS:g} times "
            "that"
        )
    if size < UNCERTAINTIES * guard:
        return (
            f"{_limits(band)} is too fine to judge: the uncertainty of "
            f"± {_number(guard, measure.unit)} covers more than half of it"
        )
    return ""


def _beyond(band: Band, value: float) -> str:
    if band.high is not None and value > band.high:
        how_far = f"{_number(value - band.high, band.unit)} above"
    else:
        how_far = f"{_number(-margin(band, value), band.unit)} below"
    return f"{how_far} its band ({_limits(band)})"


def _limits(band: Band) -> str:
    if band.low is not None and band.low == band.high:
        return f"exactly {_number(band.low, band.unit)}"
    return str(band)


def _stated(value: float, guard: float, unit: str) -> str:
    """A value and its expanded uncertainty, to two digits of that (JCGM 100:2008, 7.2.6)."""
    if not 0.0 < guard < math.inf or not math.isfinite(value):
        return _number(value, unit)
    places = 1 - math.floor(math.log10(guard))
    name = "" if unit == "1" else f" {unit}"
    return " ± ".join(f"{round(x, places):.12g}{name}" for x in (value, guard))


def _number(value: float, unit: str) -> str:
    text = f"{value:.4g}"
    return text if unit == "1" else f"{text} {unit}"
