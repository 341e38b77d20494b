"""Changes and verdicts in words, the same on every page."""

from __future__ import annotations

import math

import numpy as np

from hil.core.count import many
from hil.report.numbers import NOTHING, fixed, in_unit, margin, plain
from hil.report.site.views import Change, Hint, Trend

#: A commit is told by so many of its characters.
_COMMIT = 10
SIGMA = "\u03c3"


def commit(name: str) -> str:
    """A commit's name, a long one cut."""
    return name if len(name) <= _COMMIT + 2 else name[:_COMMIT]


def was(change: Change) -> str:
    """The level before, without unit."""
    return level(change.before, change)


def is_now(change: Change) -> str:
    """The level after, with unit."""
    unit = "" if change.unit == "1" else f" {change.unit}"
    return f"{level(change.after, change)}{unit}"


def level(value: float, change: Change) -> str:
    """A level to the place of the second digit of the step, so that both ends are told alike."""
    size = abs(change.size)
    if not 1e-9 < size < 1e9 or abs(value) > 1e9:
        return plain(value)
    return fixed(value, 1 - math.floor(math.log10(size)))


def step(change: Change) -> str:
    """The step with its sign, and how clear it is."""
    unit = "" if change.unit == "1" else f" {change.unit}"
    return f"{change.size:+.3g}{unit}, {sigmas(change)}"


def sigmas(change: Change) -> str:
    """Size in standard deviations between nights."""
    if change.sigma > 99.0:
        return f"over 99 {SIGMA}"
    return f"{abs(change.sigma):.1f} {SIGMA}"


def chance(change: Change) -> str:
    """How likely a step so clear is where nothing changed."""
    p = change.p
    if p < 1e-6:
        return "under 1 in a million"
    if p < 1e-3:
        return f"1 in {plain(float(f'{1.0 / p:.1g}'))}"
    return f"{100.0 * p:.2g} %"


def says_build(commit_name: str, build: str) -> bool:
    """Whether a commit only repeats what the build says."""
    return bool(build) and commit_name.lower().startswith(build.lower())


def brief(change: Change) -> str:
    """What a step of the level means for the pass band, in a few words."""
    before, after = change.margin_before, change.margin_after
    if before is None or after is None:
        return "no band"
    if after < 0.0:
        return "left its band" if before >= 0.0 else "still outside its band"
    if before < 0.0:
        return "came into its band"
    return "nearer to its limit" if after < before else "further from its limit"


def effect(change: Change) -> str:
    """The same with the distance of the level to the nearest limit before and after."""
    before, after, unit = change.margin_before, change.margin_after, change.unit
    if before is None or after is None:
        return brief(change)
    there = f"{brief(change)}, margin {margin(before, unit)} → {margin(after, unit)}"
    if 0.0 <= after < before:
        there += f", {100.0 * (1.0 - after / before):.0f} % of it gone"
    return there


def doubt(change: Change) -> str:
    """Why the named build may not be to blame; nothing where there is no reason."""
    if change.same_build:
        return "the same build ran before without it: look at bench and room first"
    if change.latest > change.earliest:
        runs = change.latest - change.earliest + 1
        return f"may have begun within {runs} runs about it (95 %)"
    return ""


def since(change: Change) -> str:
    """From where on: a build, or the day if no build is to be named for it."""
    return change.utc[:10] if change.same_build else change.build or change.utc[:10]


def hint(found: Hint) -> str:
    """What the last night says of a measure, in one sentence."""
    if not math.isfinite(found.value):
        return found.state
    unit = "" if found.unit == "1" else f" {found.unit}"
    against = ""
    if math.isfinite(found.level):
        clear = f", {abs(found.sigma):.1f} {SIGMA} off" if math.isfinite(found.sigma) else ""
        against = f" against {plain(found.level)}{unit}{clear}"
    return f"{found.state}: {plain(found.value)}{unit}{against}"


def verdict_word(change: Change) -> str:
    """``fail`` where the new level lies outside the band, ``pass`` where it came back in."""
    if change.margin_after is None or change.margin_before is None:
        return ""
    if change.margin_after < 0.0:
        return "fail"
    return "pass" if change.margin_before < 0.0 else ""


def weight(change: Change) -> str:
    """How much it matters: ``out`` of the band, ``closer`` to it, or ``other``."""
    if change.margin_before is None or change.margin_after is None:
        return "other"
    if change.margin_after < 0.0:
        return "out"
    return "closer" if change.margin_after < change.margin_before else "other"


def badness(change: Change) -> tuple[int, float]:
    """Sorts the worst first: out of the band, then by the share of room lost, then by clarity."""
    rank = ("out", "closer", "other").index(weight(change))
    if change.margin_before and change.margin_after is not None and rank < 2:
        return rank, change.margin_after / abs(change.margin_before)
    return rank, -abs(change.sigma)


def band_words(low: float | None, high: float | None, unit: str) -> str:
    """A pass band, a dash for none."""
    if low is None and high is None:
        return NOTHING
    if low is not None and low == high:
        return f"exactly {in_unit(low, unit)}"
    if low is None:
        return f"at most {in_unit(high, unit)}"
    if high is None:
        return f"at least {in_unit(low, unit)}"
    return f"{plain(low)} to {in_unit(high, unit)}"


def answer(trend: Trend, nights: int) -> str:
    """What a measure page says first: did it change, when, and where it stands."""
    if not trend.changes and not trend.judged:
        finite = trend.value[np.isfinite(trend.value)]
        if finite.size > 1 and float(np.ptp(finite)) == 0.0:
            return f"The same in all of {nights} runs."
        return f"{many(nights, 'run')}: too few to tell a lasting change."
    if not trend.changes:
        return f"No lasting change over {many(nights, 'run')}."
    last = trend.changes[-1]
    times = "once" if len(trend.changes) == 1 else f"{len(trend.changes)} times"
    named = last.build and not last.same_build
    where = f"build {last.build}" if named else f"the run of {last.utc[:10]}"
    room = f"; {doubt(last)}" if last.same_build else ""
    return (
        f"Changed {times}, last with {where}: {was(last)} → {is_now(last)} ({step(last)}); "
        f"{effect(last)}{room}."
    )
