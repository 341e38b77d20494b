"""What a search for the first bad build says: a line a build, and what it came to."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator
from typing import Any

from hil.core.count import many
from hil.scenarios.bisect import Visit
from hil.scenarios.bisect_builds import Build
from hil.verdicts.bisection_finding import Finding, Level, Outcome

_SHOWN = 4
_WIDTH = 80


def build_name(builds: tuple[Build, ...], number: int) -> str:
    """Position and name."""
    return f"{number} {builds[number].short}"


def visit_line(visit: Visit, builds: tuple[Build, ...], unit: str, *, rate: bool) -> str:
    """One line about a tried build."""
    head = f"{visit.build:>5} {builds[visit.build].short:<12.20} "
    if visit.skipped:
        return _cut(f"{head} skipped: {' '.join(visit.skipped.split())}")
    count = len(visit.values)
    if rate:
        passed = int(sum(visit.values))
        said = f"{passed} of {count} passed"
    else:
        shown = " ".join(_number(value) for value in visit.values[:_SHOWN])
        said = f"{shown}{' ...' if count > _SHOWN else ''} {unit}".rstrip()
    side = ""
    if visit.behind is not None:
        side = _side(visit.behind)
    return f"{head}{count:>3} run{'s' if count != 1 else ' '}  {side:<12} {said}"[:_WIDTH].rstrip()


def _side(behind: float) -> str:
    if 0.05 < behind < 0.95:
        return f"bad {100.0 * behind:.0f} %?"
    share = max(behind, 1.0 - behind)
    return f"{'bad' if behind > 0.5 else 'good'} {min(99.9, 100.0 * share):.1f} %"


def _number(value: float) -> str:
    return "none" if math.isnan(value) else f"{value:.4g}"


def _cut(line: str) -> str:
    return line if len(line) <= _WIDTH else line[: _WIDTH - 3] + "..."


def conclusion(
    found: Finding, builds: tuple[Build, ...], unit: str, what: str, *, rate: bool
) -> Iterator[str]:
    """The end of the report.

    Parameters
    ----------
    what : measure and item.
    """
    last = len(builds) - 1
    if found.outcome is Outcome.NO_END:
        yield "NO ANSWER: the good or the bad build itself cannot be made or run."
        return
    if found.outcome is Outcome.NO_CHANGE:
        yield f"NO CHANGE seen between {builds[0].short} and {builds[last].short} in {what}"
        yield from _sides(found, unit, "good end", "bad end", rate=rate)
        yield f"{found.runs} runs of both ends; nothing between was run"
        return
    if found.outcome is Outcome.UNDECIDED:
        yield f"UNDECIDED after {many(found.runs, 'run')}: {what}"
        if found.first:
            yield _place("likeliest is", found, builds)
        yield from _sides(found, unit, "before", "after", rate=rate)
        return
    yield _place("FIRST BAD BUILD", found, builds)
    for number in range(found.first, min(found.last, found.first + 9) + 1):
        if builds[number].title:
            yield _cut(f"  {builds[number].short} {builds[number].title}")
    yield _cut(f"in {what}")
    yield from _sides(found, unit, "before", "after", rate=rate)
    share = 100.0 * (1.0 - found.runs / found.linear) if found.linear else 0.0
    saved = f", {share:.0f} % less" if share > 0.0 else ""
    yield (
        f"{many(found.runs, 'run')} of {many(found.builds, 'build')}; trying each in turn "
        f"takes about {found.linear:.0f}{saved}"
    )


def _place(said: str, found: Finding, builds: tuple[Build, ...]) -> str:
    sure = f"probability {min(99.9, 100.0 * found.probability):.1f} %"
    if found.first == found.last:
        return f"{said}: {build_name(builds, found.first)}, {sure}"
    return (
        f"{said}: one of {build_name(builds, found.first)} to {build_name(builds, found.last)}, "
        f"{sure}"
    )


def _sides(found: Finding, unit: str, first: str, second: str, *, rate: bool) -> Iterator[str]:
    for name, level in ((first, found.before), (second, found.after)):
        yield f"  {name}: {_level(level, unit, rate=rate)}"
    if math.isnan(found.change):
        return
    scale, shown = (100.0, "%") if rate else (1.0, unit)
    text = (
        f"change {scale * found.change:+.4g} {shown}".rstrip()
        + f", 95 % interval {scale * found.low:+.4g} to {scale * found.high:+.4g} {shown}".rstrip()
    )
    yield from textwrap.wrap(text, _WIDTH - 2, initial_indent="  ")


def _level(level: Level, unit: str, *, rate: bool) -> str:
    if rate:
        return (
            f"{level.values} of {level.runs} passed "
            f"({100 * level.low:.0f} to {100 * level.high:.0f} %)"
        )
    missing = level.runs - level.values
    without = f", {missing} without a value" if missing else ""
    if not level.values:
        return f"{many(level.runs, 'run')}, none with a value"
    spread = "" if math.isnan(level.deviation) else f", scatter {level.deviation:.2g}"
    return (
        f"mean {level.mean:.4g}{spread} {unit}".rstrip() + f", {many(level.runs, 'run')}{without}"
    )


def as_json(found: Finding, builds: tuple[Build, ...]) -> dict[str, Any]:
    """The finding for machines; null where there is no number."""

    def plain(value: float) -> float | None:
        return value if math.isfinite(value) else None

    def level(one: Level) -> dict[str, Any]:
        return {
            "runs": one.runs, "values": one.values, "mean": plain(one.mean),
            "deviation": plain(one.deviation), "low": one.low, "high": one.high,
        }  # fmt: skip

    named = builds[found.first : found.last + 1] if found.first else ()
    return {
        "outcome": found.outcome.value,
        "first": found.first or None,
        "last": found.last or None,
        "builds": [{"name": one.name, "title": one.title} for one in named],
        "probability": found.probability,
        "before": level(found.before),
        "after": level(found.after),
        "change": plain(found.change),
        "change_low": plain(found.low),
        "change_high": plain(found.high),
        "runs": found.runs,
        "builds_tried": found.builds,
        "linear_runs": found.linear,
    }
